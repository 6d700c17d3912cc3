//! Ridge strength: lines darker than both their sides.

use super::fill::Filled;
use super::lines::{Kind, spreads, write_map};
use super::{Evidence, ratio};
use crate::grid::Grid;

/// 255 is this many times the noise, by its 90 % quantile: a false line rarely reaches a third of it.
const NOISE_TIMES: f64 = 6.0;
/// 255 is this many times the clearest lines: where lines are clear, weak features are texture.
const CLEAREST_TIMES: f64 = 1.3;
/// 255 is never less than this many grey levels, so that rounding does not pose as structure in a noiseless picture.
pub(super) const LEAST_FULL: f64 = 6.0;

pub(super) fn write_strength(filled: &Filled, strength: &mut Grid<u8>) -> Evidence {
    let [response, opposite] = spreads(filled, [Kind::DarkLine, Kind::BrightLine]);
    let full = (NOISE_TIMES * opposite.p90).max(CLEAREST_TIMES * response.p99).max(LEAST_FULL);
    let line_asymmetry = ratio(response.p99, opposite.p99);
    write_map(&filled.picture, Kind::DarkLine, full, strength);
    Evidence { full, response, opposite, line_asymmetry }
}
