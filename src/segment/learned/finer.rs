//! Grains at the scale that suits the network.
//!
//! The network was trained on grains of 8 to 250 px, but it sees slivers of a few pixels as one line, and suspects faint
//! lines in large even grains. So a picture is looked at once, and again where the first answer says so: reduced where
//! grains are large, enlarged where they are small and their boundaries are not clear.

use super::grains::{Likely, likely_enlarged};
use super::{Maps, maps, resample, rescaled};
use crate::error::Error;
use crate::grid::{Grid, Labels};
use crate::micrograph::Grey;
use crate::options::Tone;
use crate::segment::denoise::median3;
use crate::segment::grains::{GrainMap, find_on};
use crate::segment::grey_levels::GreyLevels;

/// Grains of a larger mean intercept in px are looked at in a picture reduced to half, again and again.
const LARGE_PX: f64 = 80.0;
/// Pictures are not reduced beyond this.
const SMALLEST_SCALE: f64 = 0.25;
/// Shorter sides are not reduced any more, in px of the network.
const LEAST_SIDE_PX: f64 = 96.0;
/// Where boundaries are clearer than this, nothing is gained by enlarging.
const CLEAR_ENOUGH: f64 = 0.5;
/// Larger pictures are not enlarged, to bound time and memory: an enlarged picture has four times the pixels.
const MOST_PIXELS: usize = 6_000_000;
/// By how much a picture is enlarged.
const ENLARGED: f64 = 2.0;

/// Grains of a picture whose `pores` are known, by the network.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub fn learned_grains(grey: &Grey, picture: &Grid<u8>, pores: &Labels) -> Result<GrainMap, Error> {
    grains_on(maps(grey, 1.0)?, grey, picture, pores)
}

/// As [`learned_grains`], with the maps at the scale of the picture already made.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub fn grains_on(first: Maps, grey: &Grey, picture: &Grid<u8>, pores: &Labels) -> Result<GrainMap, Error> {
    let mut found = find_on(&first.boundary, picture, pores, 1.0);
    let short_side = grey.width().min(grey.height()) as f64;
    let mut scale = 1.0;
    while mean_px(&found).is_some_and(|mean| mean * scale > LARGE_PX)
        && scale > SMALLEST_SCALE
        && short_side * scale >= 2.0 * LEAST_SIDE_PX
    {
        scale /= 2.0;
        found = find_on(&maps(grey, scale)?.boundary, picture, pores, scale);
    }
    if is_better_enlarged(&found, scale) {
        found.likely = Some(enlarged(&first.boundary, grey, pores)?);
    }
    Ok(found)
}

fn mean_px(found: &GrainMap) -> Option<f64> {
    found.likely.as_ref().and_then(Likely::mean_intercept_px)
}

/// Whether boundaries of a picture, found at `scale`, are better counted in the enlarged picture.
pub fn is_better_enlarged(found: &GrainMap, scale: f64) -> bool {
    scale == 1.0
        && found.labels.grid.len() <= MOST_PIXELS
        && found.likely.as_ref().is_some_and(|likely| likely.clarity < CLEAR_ENOUGH)
}

/// Likely boundaries of the enlarged picture: they are for counting, while grains are told apart better as they are.
fn enlarged(first: &Grid<u8>, grey: &Grey, pores: &Labels) -> Result<Likely, Error> {
    let large = Enlarged::of(first, grey, pores)?;
    let mut likely = likely_enlarged(&large);
    likely.scale = ENLARGED;
    Ok(likely)
}

/// A picture enlarged, with its boundary map and its pores.
pub struct Enlarged {
    /// Boundary map of the enlarged picture.
    pub boundary: Grid<u8>,
    /// Boundary map of the picture as it is, enlarged: the network sees twice as much around every pixel there, and tells
    /// facets and noise from boundaries by that.
    pub wide: Grid<u8>,
    /// Its grey levels, after a 3 × 3 median.
    pub picture: Grid<u8>,
    /// The pores, enlarged.
    pub pores: Labels,
}

impl Enlarged {
    /// Enlarges a picture twice and asks the network; `first` is its boundary map at the scale of the picture.
    ///
    /// # Errors
    /// [`Error::Network`] if the network in the program is damaged.
    pub fn of(first: &Grid<u8>, grey: &Grey, pores: &Labels) -> Result<Self, Error> {
        let seen = rescaled(grey, ENLARGED);
        let boundary = maps(&seen, 1.0)?.boundary;
        let wide = resample::lines(first, seen.width(), seen.height());
        let picture = median3(&GreyLevels::of(&seen, Tone::Dark).working(&seen));
        let (last_x, last_y) = (pores.grid.width() - 1, pores.grid.height() - 1);
        let place = |at: usize, last: usize| ((at as f64 / ENLARGED) as usize).min(last);
        let grid = Grid::from_fn(seen.width(), seen.height(), |x, y| {
            pores.grid.at(place(x, last_x), place(y, last_y))
        });
        Ok(Self { boundary, wide, picture, pores: Labels { grid, count: pores.count } })
    }
}
