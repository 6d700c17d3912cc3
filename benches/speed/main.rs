//! Time and memory of the whole pipeline, against the same job scripted on two libraries; prints Markdown tables.
//!
//! `cargo bench --bench speed -- [--python PATH] [--side PX] [--pictures N] [--only-learned | --only-scaling]`
//!
//! PATH is a Python with the packages of benches/peers/requirements.txt; without it the peers are left out. Every
//! measurement is a process of its own, and only one runs at a time, so ratios come from one run on one machine.

mod drawn;
mod folder;
mod learned;
#[path = "../peak_memory/mod.rs"]
mod peak_memory;
mod peers;
mod scaling;
mod stages;

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::time::Instant;

use ceramograph::micrograph::Micrograph;
use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use ceramograph::pipeline;
use peak_memory::peak_bytes;

/// Any error of the bench.
type Failure = Box<dyn std::error::Error>;

/// Runs of the whole pipeline in a row; the median of all counts.
const RUNS: usize = 5;

/// What was typed.
struct Arguments {
    python: Option<PathBuf>,
    side: usize,
    pictures: usize,
    only_learned: bool,
    only_scaling: bool,
}

/// What the whole pipeline takes.
#[derive(serde::Serialize, serde::Deserialize)]
struct Whole {
    seconds: f64,
    peak_bytes: u64,
    grain_count: usize,
    pore_count: usize,
    porosity_percent: Option<f64>,
    mean_intercept: Option<f64>,
}

/// Options without the network: what the peers do as well.
fn classical() -> Options {
    Options { pores: PoreMethod::HalfContrast, boundaries: BoundaryMethod::Ridge, ..Options::default() }
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let result = match words[..] {
        ["child-whole", path] => {
            whole(Path::new(path), &classical()).map(|whole| println!("{}", serde_json::json!(whole)))
        }
        ["child-learned", path] => {
            whole(Path::new(path), &Options::default()).map(|whole| println!("{}", serde_json::json!(whole)))
        }
        ["child-network", picture, maps] => learned::network(Path::new(picture), Path::new(maps))
            .map(|run| println!("{}", serde_json::json!(run))),
        ["child-stages", path] => {
            stages::profile(Path::new(path)).map(|s| println!("{}", serde_json::json!(s)))
        }
        ["child-folder", folder, threads] => folder::measure(Path::new(folder), threads),
        _ => parsed(&words).and_then(|arguments| report(&arguments)),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn parsed(words: &[&str]) -> Result<Arguments, Failure> {
    let mut arguments =
        Arguments { python: None, side: 4096, pictures: 100, only_learned: false, only_scaling: false };
    let mut words = words.iter();
    while let Some(&word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} needs a value"));
        match word {
            "--python" => arguments.python = Some(PathBuf::from(value()?)),
            "--side" => arguments.side = value()?.parse()?,
            "--pictures" => arguments.pictures = value()?.parse()?,
            "--only-learned" => arguments.only_learned = true,
            "--only-scaling" => arguments.only_scaling = true,
            // Cargo passes this to every bench.
            "--bench" => {}
            other => {
                return Err(format!("{other} is not known; see the head of benches/speed/main.rs").into());
            }
        }
    }
    Ok(arguments)
}

fn report(arguments: &Arguments) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let learned = || learned::compared(folder.path(), arguments.python.as_deref());
    if arguments.only_learned {
        print!("{}", learned()?);
        return Ok(());
    }
    let picture = folder.path().join("picture.npy");
    let side = arguments.side;
    let large = drawn::large(side, side)?;
    if arguments.only_scaling {
        print!("{}", scaling::compared(folder.path(), &large)?);
        return Ok(());
    }
    drawn::write_npy(&large, &picture)?;

    let mut runs = wholes(&picture)?;
    let stages: stages::Profile = serde_json::from_str(&child(&["child-stages", text(&picture)?])?)?;
    let peers = arguments.python.as_deref().map(|python| peers::run_all(python, &picture)).transpose()?;
    if peers.is_some() {
        // The peers take minutes, in which a machine that others use as well may grow faster or slower.
        runs.extend(wholes(&picture)?);
    }
    runs.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let own = &runs[runs.len() / 2];
    let peak = runs.iter().map(|run| run.peak_bytes).max().unwrap_or(0);
    println!(
        "## Whole pipeline, {side} x {side} px, 8 bit, {} cores\n",
        std::thread::available_parallelism()?
    );
    println!(
        "{:.3} s (median of {}{}; {:.3} to {:.3} s), peak memory {:.0} MB = {:.1} bytes a pixel",
        own.seconds,
        runs.len(),
        if peers.is_some() { ", half of them before the peers and half after" } else { "" },
        runs[0].seconds,
        runs[runs.len() - 1].seconds,
        peak as f64 / 1e6,
        peak as f64 / (side * side) as f64
    );
    println!(
        "{} grains, {} pores, porosity {}, mean intercept {} px\n",
        own.grain_count,
        own.pore_count,
        own.porosity_percent.map_or("none".into(), |p| format!("{p:.2} %")),
        own.mean_intercept.map_or("none".into(), |l| format!("{l:.2}")),
    );
    print!("{}", stages::markdown(&stages));
    match &peers {
        Some(peers) => print!("{}", peers::markdown(peers, own.seconds)?),
        None => println!("\nPeers left out: name a Python with --python."),
    }
    print!("{}", scaling::compared(folder.path(), &large)?);
    print!("{}", learned()?);
    print!("{}", folder::compared(folder.path(), arguments.pictures)?);
    Ok(())
}

/// Runs of the whole pipeline, each in a process of its own.
fn wholes(picture: &Path) -> Result<Vec<Whole>, Failure> {
    let once = |_| Ok(serde_json::from_str(&child(&["child-whole", text(picture)?])?)?);
    (0..RUNS).map(once).collect()
}

/// The whole job once: raw pixels from disk to all numbers.
fn whole(path: &Path, options: &Options) -> Result<Whole, Failure> {
    let start = Instant::now();
    let grey = drawn::read_npy(path)?;
    let micrograph = Micrograph { grey, claims: Vec::new(), warnings: Vec::new() };
    let measured = pipeline::measure(&micrograph, options)?;
    Ok(Whole {
        seconds: start.elapsed().as_secs_f64(),
        peak_bytes: peak_bytes()?,
        grain_count: measured.grains.len(),
        pore_count: measured.pores.len(),
        porosity_percent: measured.pore_map.numbers.porosity_percent,
        mean_intercept: measured.intercepts.map(|i| i.mean),
    })
}

/// Runs this bench again in a process of its own and returns what it printed.
fn child(arguments: &[&str]) -> Result<String, Failure> {
    printed(Command::new(std::env::current_exe()?).args(arguments))
}

/// As [`child`], with so many threads inside.
fn child_with_threads(arguments: &[&str], threads: usize) -> Result<String, Failure> {
    let mut command = Command::new(std::env::current_exe()?);
    printed(command.args(arguments).env("RAYON_NUM_THREADS", threads.to_string()))
}

fn printed(command: &mut Command) -> Result<String, Failure> {
    let output = command.output()?;
    if !output.status.success() {
        return Err(format!("{command:?} failed: {}", String::from_utf8_lossy(&output.stderr)).into());
    }
    Ok(String::from_utf8(output.stdout)?)
}

fn text(path: &Path) -> Result<&str, Failure> {
    path.to_str().ok_or_else(|| "the temporary folder has a name that is no text".into())
}
