//! Boundary maps: how strongly each pixel looks like a grain boundary, from 0 to 255.
//!
//! A producer of such a map is all that a new way of seeing boundaries needs: basins and merging take any of them.

pub(crate) mod fill;
mod gradient;
pub(crate) mod lines;
mod ridge;

use std::ops::Range;

use lines::Kind;

use crate::grid::{Frame, Grid, Labels};
use crate::options::{BoundaryMethod, GrainOptions, Tone};

/// A boundary map and what its detector answered on this picture.
pub struct Boundaries {
    /// Boundary strength of each pixel; 255 where the response reaches `evidence.full`.
    pub strength: Grid<u8>,
    /// Responses away from pores.
    pub evidence: Evidence,
    /// Mean grey of the solid away from pores, lines dark.
    pub mean: u8,
}

/// Responses of the detector away from pores, in grey levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// The response that gives 255 in the map.
    pub full: f64,
    /// To boundaries.
    pub response: Spread,
    /// To lines of the opposite tone: what noise and texture of this picture make of the same line filter.
    pub opposite: Spread,
    /// Clearest lines over the clearest lines of the opposite tone, by their 99 % quantiles. Noise of any level and
    /// correlation gives 1. For the gradient both tones count, and the value is 1 at least.
    pub line_asymmetry: f64,
}

/// Responses below half a grey level are rounding, and count as half a grey level where they divide.
pub(crate) fn ratio(of: f64, to: f64) -> f64 {
    of / to.max(0.5)
}

/// Quantiles of responses that are not negative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// 25 %.
    pub p25: f64,
    /// 50 %.
    pub median: f64,
    /// 90 %.
    pub p90: f64,
    /// 99 %.
    pub p99: f64,
}

/// Boundary strength of each pixel, from 0 to 255, and the evidence behind it.
///
/// Responses are averages over about 11 px along a line in eight directions, of which the largest counts.
/// - Ridge: how much darker (or brighter, by tone) a line is than both its sides, about 2.5, 4.4 or 7 px off. 255 is the
///   larger of 6 times the 90 % quantile of what the opposite tone gives (noise) and 1.3 times the 99 % quantile of the
///   response (the clearest boundaries).
/// - Gradient: the difference in grey between both sides. 255 is the larger of 7.65 times the noise as above and the 99 %
///   quantile of the response.
///
/// In either case 255 is at least 6 grey levels. A constant added to the picture changes nothing, and neither does a grey
/// scale turned over together with the tone. Pores and 2 px around them are filled with the mean of the solid around.
pub fn boundaries(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> Boundaries {
    // What stays comes before what goes: the allocator would keep the room of the filled picture below it for itself.
    let mut strength = Grid::filled(picture.width(), picture.height(), 0);
    let filled = fill::filled(picture, pores, options.tone);
    let spreads = lines::spreads(&filled, kinds(options.method));
    let evidence = evidence(options.method, &spreads);
    lines::write_map(&filled.picture, kinds(options.method)[0], evidence.full, &mut strength);
    Boundaries { strength, evidence, mean: filled.mean }
}

/// The picture with pores filled and lines dark, as the detectors see it, made again by bands of rows: that takes less time than
/// it is worth in memory to keep it while basins are flooded.
pub(super) struct Seen<'a> {
    picture: &'a Grid<u8>,
    pores: &'a Labels,
    tone: Tone,
    mean: u8,
}

impl<'a> Seen<'a> {
    /// Of a picture and its pores; `mean` is that of its [`Boundaries`].
    pub fn new(picture: &'a Grid<u8>, pores: &'a Labels, tone: Tone, mean: u8) -> Self {
        Self { picture, pores, tone, mean }
    }

    /// Some rows of it.
    pub fn rows(&self, rows: &Range<usize>) -> Grid<u8> {
        let (width, height) = (self.picture.width(), self.picture.height());
        let top = rows.start.saturating_sub(fill::WINDOW_REACH);
        let bottom = (rows.end + fill::WINDOW_REACH).min(height);
        let window = Frame { x: 0, y: top, width, height: bottom - top };
        let pores = Labels { grid: self.pores.grid.cropped(window), count: self.pores.count };
        let picture = self.picture.cropped(window);
        let source = fill::with_dark_lines(&picture, self.tone);
        let filled = fill::without_covered(&source, &fill::covered(&pores), self.mean);
        filled.cropped(Frame { x: 0, y: rows.start - top, width, height: rows.len() })
    }
}

const NO_LINE_FILTER: &str = "invariant: a learned map is no answer of a line filter";

/// What a method looks for, first what its map shows.
pub(crate) fn kinds(method: BoundaryMethod) -> &'static [Kind] {
    match method {
        BoundaryMethod::Ridge => ridge::KINDS,
        BoundaryMethod::Gradient => gradient::KINDS,
        BoundaryMethod::Learned => unreachable!("{NO_LINE_FILTER}"),
    }
}

/// What the responses of a picture come to, given the spread of each kind.
pub(crate) fn evidence(method: BoundaryMethod, spreads: &[Spread]) -> Evidence {
    match method {
        BoundaryMethod::Ridge => ridge::evidence(spreads),
        BoundaryMethod::Gradient => gradient::evidence(spreads),
        BoundaryMethod::Learned => unreachable!("{NO_LINE_FILTER}"),
    }
}

#[cfg(test)]
mod tests;
