//! Test lines of a field.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::Distribution;
use crate::units::Length;

/// Test lines of a field in detail.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct InterceptResults {
    /// Parallel lines, one entry a direction, then circles.
    pub sets: Vec<LineSet>,
    /// Mean linear intercept over all sets: line length outside pores over boundary passages.
    pub mean: Length,
    /// Standard error of the mean within this field, from the spread of the counts.
    pub standard_error: Option<Length>,
    /// Largest over smallest mean intercept by direction.
    pub anisotropy: Option<f64>,
    /// Whole chords, by number.
    pub chords: Option<Distribution>,
    /// Size in three dimensions by a named factor.
    pub three_dimensional: Option<ThreeDimensional>,
}

/// What one set of test lines says.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct LineSet {
    /// `parallel` or `circles`.
    pub kind: Cow<'static, str>,
    /// Direction of parallel lines in degrees from the rows, counter-clockwise as seen.
    pub angle_deg: Option<f64>,
    /// Length of all lines.
    pub line_length: Length,
    /// Length inside pores, taken out.
    pub length_in_pores: Length,
    /// Boundary passages.
    pub intercept_count: u64,
    /// Length outside pores over passages; null without passages.
    pub mean: Option<Length>,
}

/// A diameter in three dimensions estimated from the mean linear intercept.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct ThreeDimensional {
    /// Mean linear intercept times this gives the diameter.
    pub factor: f64,
    /// Where the factor comes from.
    pub basis: Cow<'static, str>,
    /// The diameter.
    pub diameter: Length,
}
