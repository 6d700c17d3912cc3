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
    let probability = passed_probability(likely, from, to);
    if grain != next {
        // Grains that touch where their regions do not, were told apart at another scale.
        let certain = probability.is_none_or(|probability| probability >= CERTAIN);
        return Some(if certain { Passage::Taken } else { Passage::Doubtful });
    }
    probability.filter(|&probability| probability >= FAINT).map(|_| Passage::Possible)
}

/// The largest probability among the boundaries between the centres of two neighbouring pixels.
fn passed_probability(likely: &Likely, from: (usize, usize), to: (usize, usize)) -> Option<f64> {
    let regions = &likely.regions.grid;
    let place = |at: usize, side: usize| (((at as f64 + 0.5) * likely.scale) as usize).min(side - 1);
    let on_regions = |(x, y): (usize, usize)| (place(x, regions.width()), place(y, regions.height()));
    let (start, end) = (on_regions(from), on_regions(to));
    let steps = (end.0 - start.0).max(end.1 - start.1);
    let region = |step: usize| regions.at((start.0 + step).min(end.0), (start.1 + step).min(end.1));
    let found = (0..steps).filter_map(|step| probability(likely, region(step), region(step + 1)));
    found.max_by(f64::total_cmp)
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
