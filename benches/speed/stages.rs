//! Seconds of each stage, called one by one in the order of the pipeline.

use std::path::Path;
use std::time::Instant;

use ceramograph::measure::grain::grains;
use ceramograph::measure::intercept::intercepts;
use ceramograph::measure::pore::pores;
use ceramograph::measure::region::regions;
use ceramograph::micrograph::{check, info_strip};
use ceramograph::segment;
use ceramograph::statistics::covariance::area_fraction_error;
use ceramograph::units::Spacing;

use crate::{Failure, drawn};

/// Names of stages and their seconds, in order.
pub type Stages = Vec<(String, f64)>;

/// Times stages one after the other.
struct Clock(Stages);

impl Clock {
    fn time<T>(&mut self, name: &str, stage: impl FnOnce() -> T) -> T {
        let start = Instant::now();
        let result = stage();
        self.0.push((name.to_owned(), start.elapsed().as_secs_f64()));
        result
    }
}

/// Runs the stages of the pipeline on one picture.
pub fn stages(path: &Path) -> Result<Stages, Failure> {
    let options = crate::classical();
    let spacing = Spacing::PIXELS;
    let mut clock = Clock(Vec::new());
    let grey = clock.time("read", || drawn::read_npy(path))?;
    clock.time("info strip", || info_strip::find(&grey));
    clock.time("picture check", || check::check(&grey));
    let pore_map = clock
        .time("pores: flatten, threshold, label", || segment::pores::find(&grey, &options.pore_options()))?;
    drop(grey);
    let found = clock.time("grains: boundary map, watershed, merging", || {
        segment::grains::find(&pore_map.picture, &pore_map.labels, &options.grain_options())
    });
    let pore_regions = clock.time("pore regions", || regions(&pore_map.labels, spacing));
    clock.time("pore places", || {
        pores(&pore_map.labels, pore_regions, Some(&found.labels), &pore_map.picture)
    });
    let grain_regions = clock.time("grain regions", || regions(&found.labels, spacing));
    clock.time("grain neighbours", || grains(&found, grain_regions));
    clock.time("intercepts", || intercepts(&found.labels, spacing, &options.line_options()));
    let mask = pore_map.labels.grid.map(|label| label > 0);
    clock.time("error of the area fraction", || area_fraction_error(&mask));
    Ok(clock.0)
}

/// The stages as a table.
pub fn markdown(stages: &Stages) -> String {
    let total: f64 = stages.iter().map(|(_, seconds)| seconds).sum();
    let rows: String = stages
        .iter()
        .map(|(name, seconds)| format!("| {name} | {seconds:.3} | {:.0} % |\n", 100.0 * seconds / total))
        .collect();
    format!("| stage | s | share |\n|---|--:|--:|\n{rows}| sum | {total:.3} | |\n")
}
