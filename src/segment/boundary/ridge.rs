//! Ridge strength: lines darker than both their sides.

use super::lines::Kind;
use super::{Evidence, Spread, ratio};

/// 255 is this many times the noise, by its 90 % quantile: a false line rarely reaches a third of it.
const NOISE_TIMES: f64 = 6.0;
/// 255 is this many times the clearest lines: where lines are clear, weak features are texture.
const CLEAREST_TIMES: f64 = 1.3;
/// 255 is never less than this many grey levels, so that rounding does not pose as structure in a noiseless picture.
pub(super) const LEAST_FULL: f64 = 6.0;

/// What is looked for, and the noise beside it.
pub(super) const KINDS: &[Kind] = &[Kind::DarkLine, Kind::BrightLine];

/// The evidence in the spreads of [`KINDS`].
pub(super) fn evidence(spreads: &[Spread]) -> Evidence {
    let &[response, opposite] = spreads else { unreachable!("invariant: a spread for each kind") };
    let full = (NOISE_TIMES * opposite.p90).max(CLEAREST_TIMES * response.p99).max(LEAST_FULL);
    let line_asymmetry = ratio(response.p99, opposite.p99);
    Evidence { full, response, opposite, line_asymmetry }
}
