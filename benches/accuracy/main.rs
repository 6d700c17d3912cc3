//! Scores every method, side by side, on folders of pictures with known truth, and prints Markdown tables.
//!
//! `cargo bench --bench accuracy -- [--boundaries M]... [--pores M]... [--csv FILE] [--edges-out FILE] [FOLDER]...`
//!
//! Without methods every one that the program offers is scored; without folders, the development folders beside the
//! repository (or under CERAMOGRAPH_SHARED). What a folder holds is recognised, see [`truth`]. Pictures are measured one
//! after the other, so that one picture and its maps are in memory at a time.

mod edges;
mod score;
mod score_table;
mod summary;
mod tables;
mod truth;

use std::error::Error;
use std::path::PathBuf;
use std::process::ExitCode;

use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use clap::{Parser, ValueEnum};
use score::Score;

/// Folders of the development set that hold a truth this bench knows.
const DEVELOPMENT_FOLDERS: [&str; 4] = ["rendered", "touching-bodies", "alloy-phases", "porous-ceramic"];

#[derive(Parser)]
#[command(name = "accuracy", about = "Scores the program's methods on pictures with known truth")]
struct Arguments {
    /// Boundary map to score; may be given several times. Default: every one.
    #[arg(long, value_name = "METHOD")]
    boundaries: Vec<BoundaryMethod>,
    /// Pore rule to score; may be given several times. Grains are found beside the pores of the first. Default: every
    /// rule, the program's own default first.
    #[arg(long, value_name = "METHOD")]
    pores: Vec<PoreMethod>,
    /// Writes every score to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Writes every boundary between regions before they are merged, with whether it is real, to this file.
    #[arg(long, value_name = "FILE")]
    edges_out: Option<PathBuf>,
    /// Cargo passes this to every bench.
    #[arg(long, hide = true)]
    bench: bool,
    /// Folders with pictures and truth.
    folders: Vec<PathBuf>,
}

/// What is scored.
pub struct Methods {
    /// Pore rules; grains are found beside the pores of the first.
    pub pores: Vec<PoreMethod>,
    /// Boundary maps.
    pub boundaries: Vec<BoundaryMethod>,
}

impl Methods {
    fn of(arguments: &Arguments) -> Self {
        let default = Options::default().pores;
        let others = PoreMethod::AUTOMATIC.into_iter().filter(|&rule| rule != default);
        let every_rule = || std::iter::once(default).chain(others).collect();
        let or = |typed: &[_], every: &[_]| if typed.is_empty() { every.to_vec() } else { typed.to_vec() };
        Self {
            pores: if arguments.pores.is_empty() { every_rule() } else { arguments.pores.clone() },
            boundaries: or(&arguments.boundaries, BoundaryMethod::value_variants()),
        }
    }
}

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(text) => {
            print!("{text}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: &Arguments) -> Result<String, Box<dyn Error>> {
    let methods = Methods::of(arguments);
    let folders =
        if arguments.folders.is_empty() { development_folders()? } else { arguments.folders.clone() };
    let mut edges = arguments.edges_out.as_deref().map(edges::Table::create).transpose()?;
    let mut scores: Vec<Score> = Vec::new();
    for folder in folders {
        for source in truth::sources(&folder)? {
            eprintln!("{}/{}", source.set, source.name);
            let picture = truth::read(&source)?;
            scores.push(score::score(&picture, &methods)?);
            if let Some(table) = &mut edges {
                table.add(&picture, &methods)?;
            }
        }
    }
    edges.map_or(Ok(()), edges::Table::finish)?;
    if let Some(path) = &arguments.csv {
        score_table::write(path, &scores, &methods)?;
    }
    Ok(tables::markdown(&scores, &methods))
}

fn development_folders() -> Result<Vec<PathBuf>, String> {
    let beside = || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared");
    let all = std::env::var_os("CERAMOGRAPH_SHARED").map_or_else(beside, PathBuf::from).join("micrographs");
    if all.is_dir() {
        return Ok(DEVELOPMENT_FOLDERS.map(|name| all.join(name)).to_vec());
    }
    Err(format!("left out: {} is not there; name folders of pictures with truth", all.display()))
}
