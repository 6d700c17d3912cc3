//! Gradient strength: steps in grey from one grain to the next.

use super::Evidence;
use super::fill::Filled;
use super::lines::{Kind, map_of, spread};
use super::ridge::LEAST_FULL;
use crate::grid::Grid;

/// 255 is this many times the noise, by the 90 % quantile of bright lines.
const NOISE_TIMES: f64 = 8.7;

pub(super) fn strength(filled: &Filled) -> (Grid<u8>, Evidence) {
    let response = spread(filled, Kind::Step);
    let opposite = spread(filled, Kind::BrightLine);
    let full = (NOISE_TIMES * opposite.p90).max(response.p99).max(LEAST_FULL);
    (map_of(&filled.picture, Kind::Step, full), Evidence { full, response, opposite })
}
