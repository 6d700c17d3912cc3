//! Gradient strength: steps in grey from one grain to the next.

use super::lines::Kind;
use super::ridge::LEAST_FULL;
use super::{Evidence, Spread, ratio};

/// 255 is this many times the noise, by the 90 % quantile of bright lines.
const NOISE_TIMES: f64 = 7.65;

/// What is looked for, and lines of both tones beside it.
pub(super) const KINDS: &[Kind] = &[Kind::Step, Kind::BrightLine, Kind::DarkLine];

/// The evidence in the spreads of [`KINDS`].
pub(super) fn evidence(spreads: &[Spread]) -> Evidence {
    let &[response, opposite, dark] = spreads else { unreachable!("invariant: a spread for each kind") };
    let full = (NOISE_TIMES * opposite.p90).max(response.p99).max(LEAST_FULL);
    let line_asymmetry = ratio(dark.p99, opposite.p99).max(ratio(opposite.p99, dark.p99)).max(1.0);
    Evidence { full, response, opposite, line_asymmetry }
}
