//! How sure a boundary is where it passes between two pixels.

use crate::grid::Labels;
use crate::segment::learned::grains::Likely;

/// A boundary that was taken is drawn as certain from this probability on; below, its line is broken.
pub const CERTAIN: f64 = 0.8;
/// A boundary that was not taken is dotted from this probability on; below, nothing is drawn.
pub const FAINT: f64 = 0.2;

/// What lies between two neighbouring pixels, less certain first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Passage {
    /// No boundary was taken, but there may be one.
    Possible,
    /// One was taken that may be none.
    Doubtful,
    /// One was taken.
    Taken,
}

/// The boundary between two neighbouring pixels; `None` in pores, and where none is likely.
pub(super) fn passage(
    grains: &Labels,
    likely: &Likely,
    from: (usize, usize),
    to: (usize, usize),
) -> Option<Passage> {
    let [grain, next] = [from, to].map(|(x, y)| grains.grid.at(x, y));
    if grain == 0 || next == 0 {
        return None;
    }
    let [region, next_region] = [from, to].map(|(x, y)| likely.regions.grid.at(x, y));
    let probability = probability(likely, region, next_region);
    if grain != next {
        // Regions too small for grains of their own were joined, so grains may touch where their regions do not.
        let certain = probability.is_none_or(|probability| probability >= CERTAIN);
        return Some(if certain { Passage::Taken } else { Passage::Doubtful });
    }
    probability.filter(|&probability| probability >= FAINT).map(|_| Passage::Possible)
}

/// The probability of the boundary between two regions; `None` within a region, in pores, and where they do not touch.
fn probability(likely: &Likely, region: u32, next: u32) -> Option<f64> {
    if region == next || region == 0 || next == 0 {
        return None;
    }
    let pair = (region.min(next), region.max(next));
    let place = likely.edges.binary_search_by_key(&pair, |edge| (edge.a, edge.b));
    place.ok().map(|place| likely.edges[place].probability)
}
