//! Boundary maps: how strongly each pixel looks like a grain boundary, from 0 to 255.

pub mod fill;
pub mod gradient;
pub mod ridge;

use crate::grid::{Grid, Labels};
use crate::options::{BoundaryMethod, GrainOptions};

/// A boundary map with what the same detector says where there is no boundary.
pub struct BoundaryMap {
    /// Boundary strength of each pixel.
    pub strength: Grid<u8>,
    /// What was measured on the way.
    pub report: Levels,
}

/// Responses in grey levels.
#[derive(Clone, Copy, Debug)]
pub struct Levels {
    /// Response that gives 255.
    pub full: f64,
    /// Quantiles 50, 90, 95, 99 % of the response.
    pub forward: [f64; 4],
    /// The same of reversed tone.
    pub reversed: [f64; 4],
}

/// Boundary strength of each pixel, 0 to 255.
pub fn map(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> Grid<u8> {
    with_levels(picture, pores, options).strength
}

/// [`map`] with its levels.
pub fn with_levels(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> BoundaryMap {
    let filled = fill::filled(picture, pores, options.tone);
    match options.method {
        BoundaryMethod::Ridge => ridge::strength(&filled),
        BoundaryMethod::Gradient => gradient::strength(&filled),
    }
}
