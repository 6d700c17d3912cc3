//! Scores the pipeline on drawn pictures with exactly known truth, and prints Markdown tables.
//!
//! `cargo bench --bench accuracy -- [FOLDER]`, where FOLDER holds NAME.png, NAME.labels.png and truth.json; by default the
//! development set beside the repository (or under CERAMOGRAPH_SHARED).

mod picture;
mod tables;

use std::path::PathBuf;
use std::process::ExitCode;

use ceramograph::error::Error;
use ceramograph::grid::{Grid, Labels};
use ceramograph::measure::agreement::{boundary_f1, information_lost, pair_agreement};
use ceramograph::micrograph::Micrograph;
use ceramograph::options::{BoundaryMethod, Options};
use ceramograph::pipeline;
use picture::TruePicture;

/// What one boundary map makes of one picture.
pub struct GrainScore {
    /// Error of the mean intercept in percent.
    pub intercept_error_percent: f64,
    /// Adapted Rand error, pores of the truth left out.
    pub pair_error: f64,
    /// Variation of information, in bits: false splits.
    pub split_bits: f64,
    /// Variation of information, in bits: false merges.
    pub merge_bits: f64,
    /// Boundary F1 at 2 px.
    pub boundary_f1: f64,
}

/// What the pipeline makes of one picture.
pub struct Score {
    /// File name without ending.
    pub name: String,
    /// Whether it belongs to the hard set.
    pub hard: bool,
    /// True area fraction of pores, in percent.
    pub porosity_percent: f64,
    /// Found area fraction, in percent.
    pub found_porosity_percent: Option<f64>,
    /// One entry for each of [`METHODS`]; `None` where the pipeline declines to find grains.
    pub grains: Vec<Option<GrainScore>>,
}

/// Boundary maps that are scored, with their names on the command line.
pub const METHODS: [(&str, BoundaryMethod); 2] =
    [("ridge", BoundaryMethod::Ridge), ("gradient", BoundaryMethod::Gradient)];

/// Pipeline results that are scored.
struct Found {
    porosity_percent: Option<f64>,
    mean_intercept_px: Option<f64>,
    grains: Option<Grid<u32>>,
}

fn main() -> ExitCode {
    // Cargo passes --bench to every bench.
    let folder =
        std::env::args().skip(1).find(|a| !a.starts_with("--")).map_or_else(development_set, PathBuf::from);
    if !folder.is_dir() {
        eprintln!("left out: {} is not there; name a folder of drawn pictures", folder.display());
        return ExitCode::FAILURE;
    }
    match scores(&folder) {
        Ok(scores) => {
            print!("{}", tables::markdown(&scores));
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn development_set() -> PathBuf {
    let beside = || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared");
    std::env::var_os("CERAMOGRAPH_SHARED").map_or_else(beside, PathBuf::from).join("micrographs/rendered")
}

fn scores(folder: &std::path::Path) -> Result<Vec<Score>, Box<dyn std::error::Error>> {
    picture::read_all(folder)?.iter().map(|picture| Ok(score(picture)?)).collect()
}

fn score(picture: &TruePicture) -> Result<Score, Error> {
    let mut score = Score {
        name: picture.name.clone(),
        hard: picture.hard,
        porosity_percent: picture.porosity_percent,
        found_porosity_percent: None,
        grains: Vec::new(),
    };
    for (_, method) in METHODS {
        let found = measure(&picture.micrograph, method)?;
        score.found_porosity_percent = found.porosity_percent;
        score.grains.push(grain_score(picture, &found)?);
    }
    Ok(score)
}

/// The only place that calls the pipeline. Drawn pictures have no strip, so the whole picture is measured.
fn measure(micrograph: &Micrograph, boundaries: BoundaryMethod) -> Result<Found, Error> {
    let crop = format!("0,0,{},{}", micrograph.grey.width(), micrograph.grey.height());
    let options = Options { boundaries, crop: Some(crop), ..Options::default() };
    let measured = pipeline::measure(micrograph, &options)?;
    Ok(Found {
        porosity_percent: measured.pore_map.porosity_percent,
        mean_intercept_px: measured.intercepts.map(|i| i.mean),
        grains: measured.grain_map.map(|map| map.labels.grid),
    })
}

fn grain_score(picture: &TruePicture, found: &Found) -> Result<Option<GrainScore>, Error> {
    let (Some(grains), Some(intercept)) = (&found.grains, found.mean_intercept_px) else { return Ok(None) };
    let Labels { grid: truth, .. } = &picture.labels;
    let (Some(pairs), Some(lost), Some(f1)) =
        (pair_agreement(truth, grains)?, information_lost(truth, grains)?, boundary_f1(truth, grains, 2)?)
    else {
        return Ok(None);
    };
    Ok(Some(GrainScore {
        intercept_error_percent: 100.0 * (intercept / picture.mean_intercept_px - 1.0),
        pair_error: pairs.error,
        split_bits: lost.by_splits,
        merge_bits: lost.by_merges,
        boundary_f1: f1,
    }))
}
