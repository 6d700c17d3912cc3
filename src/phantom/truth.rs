//! The exactly known answer that lies beside a drawn picture.

use serde::{Deserialize, Serialize};

use super::looks::Surface;
use super::spec::PhantomSpec;
use super::strip::BarTruth;
use crate::grid::Labels;

/// The truth of one picture in numbers, as written to `NAME.truth.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Columns of the micrograph.
    pub width_px: usize,
    /// Rows of the micrograph, info strip left out.
    pub height_px: usize,
    /// Rows of the info strip below it; 0 for none.
    pub strip_rows_px: usize,
    /// Pixel size in µm, the same in both directions.
    pub um_per_px: f64,
    /// Share of pores and voids (label 0), in percent.
    pub porosity_percent: f64,
    /// The part of it that stems from pulled-out grains, in percent of the picture.
    pub pull_out_percent: f64,
    /// Grains with at least one pixel.
    pub grain_count: u64,
    /// `false` where the look hides the grains, so that only pores can be found.
    pub grains_visible: bool,
    /// Mean linear intercept of the label map, see [`mean_intercept_px`]; null if no boundary is crossed.
    pub mean_intercept_px: Option<f64>,
    /// The same in µm.
    pub mean_intercept_um: Option<f64>,
    /// The scale bar; null without an info strip.
    pub bar: Option<BarTruth>,
    /// Everything that was asked for; drawing it again gives the same bytes.
    pub spec: PhantomSpec,
}

impl Truth {
    /// Counts the truth on the label map of a surface.
    pub(crate) fn of(
        spec: &PhantomSpec,
        surface: &Surface,
        (strip_rows_px, bar): (usize, Option<BarTruth>),
    ) -> Self {
        let intercept = mean_intercept_px(&surface.labels);
        Self {
            width_px: spec.width_px,
            height_px: spec.height_px,
            strip_rows_px,
            um_per_px: spec.um_per_px,
            porosity_percent: porosity_percent(&surface.labels),
            pull_out_percent: surface.pull_out_percent,
            grain_count: u64::from(surface.labels.count),
            grains_visible: spec.look.shows_grains(),
            mean_intercept_px: intercept,
            mean_intercept_um: intercept.map(|px| px * spec.um_per_px),
            bar,
            spec: spec.clone(),
        }
    }
}

/// Share of pixels with label 0, in percent.
pub fn porosity_percent(labels: &Labels) -> f64 {
    let pores = labels.grid.as_slice().iter().filter(|&&label| label == 0).count();
    100.0 * pores as f64 / labels.grid.len() as f64
}

/// Mean linear intercept in px: length outside pores divided by grain boundaries crossed.
///
/// Test lines are every fourth row and every fourth column, from the first on. Pore pixels are taken out of the
/// line, and a boundary is counted where the label changes along what is left: a pore between two grains is one
/// boundary, a pore inside one grain none. `None` where no boundary is crossed.
///
/// ```
/// use ceramograph::grid::{Grid, Labels};
/// let labels = Labels::from_ids(Grid::new(5, 1, vec![1, 1, 0, 2, 2]).unwrap());
/// // The row holds 4 px and one boundary; the columns 0 and 4 hold 2 px and none.
/// assert_eq!(ceramograph::phantom::truth::mean_intercept_px(&labels), Some(6.0));
/// ```
pub fn mean_intercept_px(labels: &Labels) -> Option<f64> {
    const STEP: usize = 4;
    let grid = &labels.grid;
    let mut total = Crossings::default();
    for row in grid.rows().step_by(STEP) {
        total.add(row.iter().copied());
    }
    for x in (0..grid.width()).step_by(STEP) {
        total.add(grid.rows().map(|row| row[x]));
    }
    (total.boundaries > 0).then(|| total.length as f64 / total.boundaries as f64)
}

/// Line length outside pores, and boundaries on it.
#[derive(Default)]
struct Crossings {
    length: u64,
    boundaries: u64,
}

impl Crossings {
    fn add(&mut self, line: impl Iterator<Item = u32>) {
        let mut last = 0;
        for label in line.filter(|&label| label != 0) {
            self.length += 1;
            self.boundaries += u64::from(last != 0 && label != last);
            last = label;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Grid;

    #[test]
    fn a_map_without_boundaries_has_no_intercept() {
        let one = Labels::from_ids(Grid::filled(8, 8, 1));
        assert_eq!(mean_intercept_px(&one), None);
        let pore = Labels::from_ids(Grid::filled(8, 8, 0));
        assert_eq!(mean_intercept_px(&pore), None);
        assert_eq!(porosity_percent(&pore), 100.0);
    }

    #[test]
    fn a_pore_inside_a_grain_does_not_split_its_chord() {
        let row = [1, 1, 0, 0, 1, 1, 2, 0, 3];
        let labels = Labels::from_ids(Grid::new(9, 1, row.to_vec()).unwrap());
        // Row: 6 px, boundaries 1|2 and 2|3; columns 0, 4 and 8 add 3 px.
        assert_eq!(mean_intercept_px(&labels), Some(9.0 / 2.0));
    }
}
