//! Gradient strength: steps in grey from one grain to the next.

use super::lines::Kind;
use super::ridge::LEAST_FULL;
use super::{Evidence, Spread, ratio};

/// 255 is this many times the noise, by the 90 % quantile of bright lines.
const NOISE_TIMES: f64 = 7.65;

pub(super) fn evidence<E>(mut spread: impl FnMut(Kind) -> Result<Spread, E>) -> Result<Evidence, E> {
    let response = spread(Kind::Step)?;
    let opposite = spread(Kind::BrightLine)?;
    let full = (NOISE_TIMES * opposite.p90).max(response.p99).max(LEAST_FULL);
    let dark = spread(Kind::DarkLine)?;
    let line_asymmetry = ratio(dark.p99, opposite.p99).max(ratio(opposite.p99, dark.p99)).max(1.0);
    Ok(Evidence { full, response, opposite, line_asymmetry })
}
