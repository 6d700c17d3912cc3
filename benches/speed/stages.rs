//! Seconds of each stage of the pipeline, and of the parts of its longest one.

use std::path::Path;
use std::time::Instant;

use ceramograph::micrograph::Micrograph;
use ceramograph::scale::ScaleOptions;
use ceramograph::segment::basins::{Springs, basins};
use ceramograph::segment::boundary::boundaries;
use ceramograph::segment::edges::edges;
use ceramograph::timing::{Stage, Timings};
use ceramograph::{pipeline, segment};

use crate::{Failure, drawn};

/// Runs, of which the fastest counts for each stage by itself.
const RUNS: usize = 5;

/// Names of stages and their seconds, in order.
pub type Stages = Vec<(String, f64)>;

/// Stages of the pipeline, and what its grains are made up of.
#[derive(serde::Serialize, serde::Deserialize)]
pub struct Profile {
    stages: Stages,
    grains: Stages,
}

/// Times the pipeline on one picture, and the parts of its grains.
pub fn profile(path: &Path) -> Result<Profile, Failure> {
    let mut profile = Profile { stages: Vec::new(), grains: Vec::new() };
    for _ in 0..RUNS {
        keep_fastest(&mut profile.stages, stages(path)?);
        keep_fastest(&mut profile.grains, grain_parts(path)?);
    }
    Ok(profile)
}

fn keep_fastest(fastest: &mut Stages, run: Stages) {
    if fastest.is_empty() {
        *fastest = run;
        return;
    }
    for ((_, least), (_, seconds)) in fastest.iter_mut().zip(run) {
        *least = least.min(seconds);
    }
}

fn stages(path: &Path) -> Result<Stages, Failure> {
    let timings = Timings::default();
    let start = Instant::now();
    let grey = drawn::read_npy(path)?;
    timings.add(Stage::Decode, grey.width() * grey.height(), start.elapsed());
    let micrograph = Micrograph { grey, claims: Vec::new(), warnings: Vec::new() };
    pipeline::measure_at_scale(&micrograph, &crate::classical(), &ScaleOptions::default(), &timings)?;
    Ok(timings.stages().iter().map(|stage| (stage.stage.name().to_owned(), stage.seconds)).collect())
}

/// The parts of the grains at the scale of the picture; the last one is what the others leave of the whole.
fn grain_parts(path: &Path) -> Result<Stages, Failure> {
    let (options, mut parts) = (crate::classical(), Stages::new());
    let (grain_options, grey) = (options.grain_options(), drawn::read_npy(path)?);
    let pores = segment::pores::find(&grey, &options.pore_options())?;
    drop(grey);
    let mut time = |name: &str, part: &mut dyn FnMut()| {
        let start = Instant::now();
        part();
        parts.push((name.to_owned(), start.elapsed().as_secs_f64()));
    };
    let (mut found, mut regions) = (None, None);
    time("boundary map", &mut || found = Some(boundaries(&pores.picture, &pores.labels, &grain_options)));
    let found = found.ok_or("no boundary map")?;
    let shallowest = (255.0 * options.shallowest) as u8;
    time("relief, bottoms, flood", &mut || {
        regions = Some(basins(&found.strength, &pores.labels, shallowest, Springs::Open));
    });
    let regions = regions.ok_or("no basins")?;
    time("boundaries between basins", &mut || drop(edges(&regions, &found.strength, u8::MAX)));
    drop((found, regions));
    time("whole", &mut || {
        drop(segment::grains::find(&pores.picture, &pores.labels, &grain_options));
    });
    let named: f64 = parts[..parts.len() - 1].iter().map(|(_, seconds)| seconds).sum();
    if let Some((name, seconds)) = parts.last_mut() {
        *name = "choice of scale, sums, merging, numbering".to_owned();
        *seconds -= named;
    }
    Ok(parts)
}

/// Both tables.
pub fn markdown(profile: &Profile) -> String {
    let grains = table("part of grains", &profile.grains);
    format!("{}\n{grains}", table("stage", &profile.stages))
}

fn table(head: &str, stages: &Stages) -> String {
    let total: f64 = stages.iter().map(|(_, seconds)| seconds).sum();
    let rows: String = stages
        .iter()
        .map(|(name, seconds)| format!("| {name} | {seconds:.3} | {:.0} % |\n", 100.0 * seconds / total))
        .collect();
    format!("| {head} | s | share |\n|---|--:|--:|\n{rows}| sum | {total:.3} | |\n")
}
