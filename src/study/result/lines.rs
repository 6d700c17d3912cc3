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
    /// How far the mean is open because boundaries may be false or missed; null unless boundaries are learned.
    pub segmentation: Option<SegmentationDoubt>,
    /// Largest over smallest mean intercept by direction.
    pub anisotropy: Option<f64>,
    /// Whole chords, by number.
    pub chords: Option<Distribution>,
    /// Size in three dimensions by a named factor.
    pub three_dimensional: Option<ThreeDimensional>,
}

/// What false and missed boundaries leave open of a mean linear intercept.
///
/// Each boundary counts by the probability that it is real, so the mean rests on an expected number of passages.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct SegmentationDoubt {
    /// Expected boundary passages over all lines.
    pub expected_count: f64,
    /// Mean of 1 - p over the expected passages, p the probability of the boundary passed; 0 where all are certain.
    pub ambiguity: f64,
    /// Factor that the mean was multiplied by: what the ambiguity and the look of the surface say of boundaries that counts
    /// miss, or take for real.
    pub correction: f64,
    /// Standard deviation of the mean over the mean.
    pub relative_deviation: f64,
    /// Lower end of the 95 % interval.
    pub ci95_low: Length,
    /// Upper end of the 95 % interval.
    pub ci95_high: Length,
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
    /// Boundary passages; of learned boundaries, those more likely real than not.
    pub intercept_count: u64,
    /// Length outside pores over passages, of learned boundaries over the expected ones; null without passages.
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
