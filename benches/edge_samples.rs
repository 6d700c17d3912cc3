//! Features of every boundary between the fine regions of pictures with truth, as CSV, for `training/calibrate.py`.
//!
//! `cargo bench --bench edge_samples -- FOLDER`, where FOLDER holds NAME.png, NAME.labels.png and NAME.truth.json as
//! `ceramograph phantom` writes them without an info strip.

use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use ceramograph::grid::{Grid, Labels};
use ceramograph::micrograph::Grey;
use ceramograph::options::Options;
use ceramograph::segment::learned;
use ceramograph::segment::learned::grains::edge_samples;
use ceramograph::segment::learned::likelihood::FEATURES;
use ceramograph::segment::pores;

fn main() -> ExitCode {
    let Some(folder) = std::env::args().skip(1).find(|a| !a.starts_with("--")) else {
        eprintln!("left out: name a folder of phantoms");
        return ExitCode::SUCCESS;
    };
    match print_samples(Path::new(&folder)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn print_samples(folder: &Path) -> Result<(), Box<dyn Error>> {
    let mut truths: Vec<PathBuf> =
        std::fs::read_dir(folder)?.map(|entry| Ok(entry?.path())).collect::<std::io::Result<_>>()?;
    truths.retain(|path| path.to_string_lossy().ends_with(".truth.json"));
    truths.sort();
    println!(
        "picture,look,length,real,{}",
        (1..=FEATURES).map(|k| format!("f{k}")).collect::<Vec<_>>().join(",")
    );
    for path in truths {
        let truth: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&path)?)?;
        if truth["grains_visible"] == false {
            continue;
        }
        let stem = path.to_string_lossy().replace(".truth.json", "");
        let look = truth["spec"]["look"]["kind"].as_str().unwrap_or("unknown");
        print_picture(Path::new(&stem), look)?;
    }
    Ok(())
}

fn print_picture(stem: &Path, look: &str) -> Result<(), Box<dyn Error>> {
    let grey = image::open(stem.with_extension("png"))?.into_luma8();
    let grey = Grey::Eight(Grid::new(grey.width() as usize, grey.height() as usize, grey.into_raw())?);
    let truth = image::open(stem.with_extension("labels.png"))?.into_luma16();
    let truth = Grid::new(truth.width() as usize, truth.height() as usize, truth.into_raw())?;
    let maps = learned::maps(&grey, 1.0)?;
    let found = pores::find_on(&grey, &maps.pore, &Options::default().pore_options())?;
    let (regions, samples) = edge_samples(&maps.boundary, &found.picture, &found.labels);
    let majority = majority(&regions, &truth);
    let name = stem.file_name().unwrap_or_default().to_string_lossy();
    for sample in samples {
        let real = majority[sample.edge.a as usize] != majority[sample.edge.b as usize];
        let features: Vec<String> = sample.features.iter().map(|f| format!("{f:.5}")).collect();
        println!("{name},{look},{},{},{}", sample.edge.length_px, u8::from(real), features.join(","));
    }
    Ok(())
}

/// The true grain that most pixels of each region belong to; 0 if none does.
fn majority(regions: &Labels, truth: &Grid<u16>) -> Vec<u16> {
    let mut pairs: Vec<(u32, u16)> = regions
        .grid
        .as_slice()
        .iter()
        .copied()
        .zip(truth.as_slice().iter().copied())
        .filter(|(r, t)| *r > 0 && *t > 0)
        .collect();
    pairs.sort_unstable();
    let mut best = vec![(0, 0); regions.count as usize + 1];
    for run in pairs.chunk_by(|a, b| a == b) {
        let (region, grain) = run[0];
        if run.len() > best[region as usize].0 {
            best[region as usize] = (run.len(), grain);
        }
    }
    best.into_iter().map(|(_, grain)| grain).collect()
}
