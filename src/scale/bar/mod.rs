//! Finding the scale bar that is burned into a picture, and measuring it.
//!
//! A bar is a thin, level rectangle of one extreme brightness that ends sharply on all four sides; a bracket is a line
//! with caps at both ends; either may be broken in the middle by its label; a tick row is a series of equally spaced
//! marks in the info strip. All are searched bright on dark; dark ones are found in the inverted picture, so that a
//! picture and its negative give the same bars.

mod ends;
mod levels;
mod lines;
mod rectangles;
mod score;
mod text;
mod ticks;

use rayon::prelude::*;

use super::{Bar, BarStyle};
use crate::grid::Grid;
use crate::micrograph::{Grey, InfoStrip};

pub use score::BarCandidate;
use score::Draft;

/// Levels at which bright bars are cut out: full white, light grey over a dark ground, mid grey, and faint lines
/// in a black strip.
const THRESHOLDS: [u8; 4] = [240, 200, 150, 90];

/// Bars are never shorter than this, in px, nor than this share of the picture's width.
const SHORTEST_PX: usize = 12;
const SHORTEST_SHARE: usize = 50;

/// At most this many candidates are handed back.
const MOST_CANDIDATES: usize = 8;

/// Labels are looked for near this many shapes.
const MOST_DRAFTS: usize = 24;

/// The scale bars that a picture may hold, the most likely first.
///
/// Length is taken outer end to outer end at half height for solid bars, from cap centre to cap centre for brackets, and
/// from the first to the last tick centre for tick rows. Confidence runs from 0 to 1; see [`BarCandidate::is_certain`].
/// Empty where nothing looks like a bar.
pub fn find(grey: &Grey, strip: Option<InfoStrip>) -> Vec<BarCandidate> {
    if grey.width() < 2 * SHORTEST_PX || grey.height() < 8 {
        return Vec::new();
    }
    let bright = levels::eight_bit(grey);
    let dark = levels::inverted(&bright);
    let shortest = SHORTEST_PX.max(grey.width() / SHORTEST_SHARE);
    let searches: Vec<(&Grid<u8>, u8)> =
        [bright.as_ref(), &dark].into_iter().flat_map(|grid| THRESHOLDS.map(|t| (grid, t))).collect();
    let drafts: Vec<Draft> = searches
        .par_iter()
        .flat_map_iter(|&(grid, threshold)| search(grid, threshold, shortest, strip))
        .collect();
    let mut candidates: Vec<BarCandidate> =
        score::best_drafts(drafts, MOST_DRAFTS).iter().filter_map(score::judge).collect();
    if let Some(strip) = strip {
        candidates.extend([bright.as_ref(), &dark].iter().filter_map(|grid| ticks::find(grid, strip)));
    }
    score::ranked(candidates, MOST_CANDIDATES)
}

/// Shapes that are brighter than `threshold`, weighed without their label.
fn search(grid: &Grid<u8>, threshold: u8, shortest: usize, strip: Option<InfoStrip>) -> Vec<Draft<'_>> {
    let rectangles = rectangles::find(grid, threshold, shortest);
    lines::shapes(grid, &rectangles)
        .into_iter()
        .filter_map(|shape| score::draft(grid, threshold, shape, strip))
        .collect()
}

/// A bar before its ends are measured to a fraction of a pixel.
#[derive(Clone, Debug)]
struct Shape {
    /// First column of the left end and last column of the right end.
    left: usize,
    right: usize,
    /// First and last row.
    top: usize,
    bottom: usize,
    style: BarStyle,
    /// Columns of the gap for the label, where the line is broken.
    gap: Option<(usize, usize)>,
    /// Rows that the caps span, where there are caps.
    caps: Option<(usize, usize)>,
    /// Spread of the ends from row to row, in px.
    raggedness: f64,
}

impl Shape {
    fn length(&self) -> usize {
        self.right + 1 - self.left
    }

    fn thickness(&self) -> usize {
        self.bottom + 1 - self.top
    }
}
