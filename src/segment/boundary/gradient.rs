//! Gradient strength: steps in grey from one grain to the next.

use super::fill::Filled;
use super::lines::{Kind, spreads, write_map};
use super::ridge::LEAST_FULL;
use super::{Evidence, ratio};
use crate::grid::Grid;

/// 255 is this many times the noise, by the 90 % quantile of bright lines.
const NOISE_TIMES: f64 = 7.65;

pub(super) fn write_strength(filled: &Filled, strength: &mut Grid<u8>) -> Evidence {
    let [response, opposite, dark] = spreads(filled, [Kind::Step, Kind::BrightLine, Kind::DarkLine]);
    let full = (NOISE_TIMES * opposite.p90).max(response.p99).max(LEAST_FULL);
    let line_asymmetry = ratio(dark.p99, opposite.p99).max(ratio(opposite.p99, dark.p99)).max(1.0);
    write_map(&filled.picture, Kind::Step, full, strength);
    Evidence { full, response, opposite, line_asymmetry }
}
