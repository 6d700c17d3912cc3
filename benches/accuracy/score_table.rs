//! Every score as CSV, one line for each picture and method.

use std::error::Error;
use std::path::Path;

use crate::Methods;
use crate::score::{GrainRun, PoreScore, Score};

const HEAD: [&str; 27] = [
    "set",
    "picture",
    "look",
    "part",
    "finds",
    "method",
    "used",
    "true_porosity_percent",
    "true_coarse_only_percent",
    "found_porosity_percent",
    "pore_overlap",
    "true_mean_intercept_px",
    "found_mean_intercept_px",
    "error_percent",
    "interval_low_px",
    "interval_high_px",
    "ambiguity",
    "excess",
    "scale",
    "shortfall",
    "adapted_rand_error",
    "split_bits",
    "merge_bits",
    "information_lost_bits",
    "boundary_f1",
    "time_s",
    "warnings",
];

/// Writes the table; an unknown value is an empty cell.
pub fn write(path: &Path, scores: &[Score], methods: &Methods) -> Result<(), Box<dyn Error>> {
    let mut writer = csv::Writer::from_path(path)?;
    writer.write_record(HEAD)?;
    for score in scores {
        for (found, rule) in score.pores.iter().zip(&methods.pores) {
            writer.write_record(pore_line(score, found, rule.name()))?;
        }
        for (run, map) in score.grains.iter().zip(&methods.boundaries) {
            writer.write_record(grain_line(score, run, map.name()))?;
        }
    }
    Ok(writer.flush()?)
}

fn facts(score: &Score, finds: &str, method: &str, used: &str) -> Vec<String> {
    [&score.set, &score.name, &score.look, score.part, finds, method, used].map(str::to_owned).to_vec()
}

fn pore_line(score: &Score, found: &PoreScore, method: &str) -> Vec<String> {
    let mut line = facts(score, "pores", method, &found.used);
    line.extend(
        [score.porosity_percent, score.coarse_only_percent, found.found_percent, found.overlap].map(cell),
    );
    line.extend(std::iter::repeat_n(String::new(), 14));
    line.extend([found.time_s.to_string(), found.warnings.join(" ")]);
    line
}

fn grain_line(score: &Score, run: &GrainRun, method: &str) -> Vec<String> {
    let mut line = facts(score, "grains", method, method);
    line.extend(std::iter::repeat_n(String::new(), 4));
    line.push(cell(score.mean_intercept_px));
    let grains = run.score.as_ref();
    line.extend(
        [
            grains.map(|g| g.mean_intercept_px),
            grains.map(|g| g.error_percent),
            grains.and_then(|g| g.interval_px).map(|(low, _)| low),
            grains.and_then(|g| g.interval_px).map(|(_, high)| high),
            grains.and_then(|g| g.ambiguity),
            grains.and_then(|g| g.excess),
            grains.and_then(|g| g.view).map(|view| view.scale),
            grains.and_then(|g| g.view).map(|view| view.shortfall),
            grains.map(|g| g.pair_error),
            grains.map(|g| g.split_bits),
            grains.map(|g| g.merge_bits),
            grains.map(|g| g.split_bits + g.merge_bits),
            grains.map(|g| g.boundary_f1),
        ]
        .map(cell),
    );
    line.extend([run.time_s.to_string(), run.warnings.join(" ")]);
    line
}

fn cell(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}
