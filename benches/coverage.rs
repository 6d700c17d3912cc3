//! How often stated 95 % intervals hold the truth, and how often equal firings are called different, over thousands of
//! simulated studies; prints Markdown tables.
//!
//! `cargo bench --bench coverage [-- --fields N]`
//!
//! A field is a perfect label map of random grains (Poisson-Voronoi, mean intercept exactly known) with overlapping
//! discs as pores (Boolean model, area fraction exactly known), so that nothing but the sampling of fields can go
//! wrong. Every study has fields of its own.

use std::process::ExitCode;

use ceramograph::measure::intercept::intercepts;
use ceramograph::options::LineOptions;
use ceramograph::phantom::structure::{Density, Structure, StructureSpec, boolean_discs, label_map};
use ceramograph::statistics::groups::{anova, kruskal_wallis, welch};
use ceramograph::statistics::interval::mean_interval;
use ceramograph::units::Spacing;
use rayon::prelude::*;

/// Any error of the bench.
type Failure = Box<dyn std::error::Error + Send + Sync>;

/// 2000 studies of ten fields each.
const FIELDS: usize = 20_000;
const SIDE_PX: usize = 800;
/// Coarse, so that what the pixel grid adds to a mean intercept (0.2 to 0.3 px) is small beside its scatter.
const MEAN_INTERCEPT_PX: f64 = 50.0;
const DISC_RADIUS_PX: f64 = 11.0;
const POROSITY: f64 = 0.05;
/// p below which a difference is called shown.
const LEVEL: f64 = 0.05;

/// What is known of one field.
#[derive(Clone, Copy)]
struct Field {
    porosity: f64,
    intercept: f64,
}

fn main() -> ExitCode {
    match report() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn report() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let count = match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [] => FIELDS,
        ["--fields", number] => number.parse()?,
        _ => return Err("only --fields N is known".into()),
    };
    let fields: Vec<Field> = (0..count as u64).into_par_iter().map(field).collect::<Result<_, _>>()?;
    let porosity: Vec<f64> = fields.iter().map(|field| field.porosity).collect();
    let intercept: Vec<f64> = fields.iter().map(|field| field.intercept).collect();
    println!(
        "{count} fields of {SIDE_PX} x {SIDE_PX} px; porosity {:.2} %, mean intercept {MEAN_INTERCEPT_PX} px\n",
        100.0 * POROSITY
    );
    println!("| quantity | truth | mean of all fields | SD between fields |\n|---|--:|--:|--:|");
    println!("| porosity | {POROSITY} | {} |", spread(&porosity)?);
    println!("| mean intercept, px | {MEAN_INTERCEPT_PX} | {} |", spread(&intercept)?);
    println!(
        "\n| fields in a study | studies | porosity covered, % | mean intercept covered, % |\n|--:|--:|--:|--:|"
    );
    for size in [3, 5, 10] {
        println!(
            "| {size} | {} | {:.1} | {:.1} |",
            count / size,
            covered(&porosity, size, POROSITY),
            covered(&intercept, size, MEAN_INTERCEPT_PX)
        );
    }
    println!(
        "\n| firings x fields | studies | quantity | analysis of variance, % | Welch, % | by ranks, % |\n|---|--:|---|--:|--:|--:|"
    );
    for (levels, size) in [(3, 3), (3, 5), (4, 5)] {
        for (name, values) in [("porosity", &porosity), ("mean intercept", &intercept)] {
            let [classic, unequal, ranks] = false_alarms(values, levels, size);
            println!(
                "| {levels} x {size} | {} | {name} | {classic:.1} | {unequal:.1} | {ranks:.1} |",
                values.len() / (levels * size)
            );
        }
    }
    Ok(())
}

fn field(seed: u64) -> Result<Field, Failure> {
    let spec = StructureSpec {
        structure: Structure::Voronoi2d { regularity: 0.0 },
        density: Density::MeanInterceptPx(MEAN_INTERCEPT_PX),
    };
    let grains = label_map(&spec, SIDE_PX, SIDE_PX, seed)?;
    let lines = LineOptions { spacing_px: 8, angles_deg: vec![0.0, 45.0, 90.0, 135.0], circles: true };
    let intercept = intercepts(&grains, Spacing::PIXELS, &lines).ok_or("a field without passages")?.mean;
    let disc_area = std::f64::consts::PI * DISC_RADIUS_PX * DISC_RADIUS_PX;
    let per_px2 = -(1.0 - POROSITY).ln() / disc_area;
    let pores = boolean_discs(per_px2, DISC_RADIUS_PX, SIDE_PX, SIDE_PX, seed)?;
    Ok(Field { porosity: pores.area_fraction(), intercept })
}

fn spread(values: &[f64]) -> Result<String, Failure> {
    let found = mean_interval(values).ok_or("no fields")?;
    let deviation = found.standard_deviation.ok_or("one field has no scatter")?;
    Ok(format!("{:.5} | {:.5}", found.mean, deviation))
}

/// Share of studies whose interval holds the truth, in percent.
fn covered(values: &[f64], size: usize, truth: f64) -> f64 {
    let studies = values.chunks_exact(size);
    let count = studies.len();
    let holds = |study: &[f64]| {
        mean_interval(study)
            .and_then(|found| Some((found.mean - truth).abs() <= found.half_width?))
            .unwrap_or(false)
    };
    100.0 * studies.filter(|study| holds(study)).count() as f64 / count as f64
}

/// Share of studies of equal firings that each test calls different, in percent.
fn false_alarms(values: &[f64], levels: usize, size: usize) -> [f64; 3] {
    let studies = values.chunks_exact(levels * size);
    let count = studies.len() as f64;
    let mut alarms = [0u32; 3];
    for study in studies {
        let groups: Vec<&[f64]> = study.chunks_exact(size).collect();
        let p = [
            anova(&groups).map(|test| test.p),
            welch(&groups).map(|test| test.p),
            kruskal_wallis(&groups).map(|test| test.p),
        ];
        for (alarms, p) in alarms.iter_mut().zip(p) {
            *alarms += u32::from(p.is_some_and(|p| p < LEVEL));
        }
    }
    alarms.map(|alarms| 100.0 * f64::from(alarms) / count)
}
