//! Sizes of many bodies.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::Length;

/// A sample of sizes: moments, percentiles, lognormal fit and histogram.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Distribution {
    /// Sizes in the sample.
    pub count: u64,
    /// Arithmetic mean.
    pub mean: Length,
    /// Standard deviation of the sizes, n - 1 in the denominator; null for one size.
    pub standard_deviation: Option<Length>,
    /// Percentiles by number.
    pub percentiles: Percentiles,
    /// Percentiles by area (each size weighted by its square).
    pub area_weighted_percentiles: Percentiles,
    /// Lognormal distribution with the same mean and standard deviation of the logarithms.
    pub lognormal: Option<Lognormal>,
    /// Counts by class.
    pub histogram: Histogram,
}

/// Sizes below which 10, 25, 50, 75 and 90 % lie.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Percentiles {
    /// 10 %.
    pub p10: Length,
    /// 25 %.
    pub p25: Length,
    /// 50 %, the median.
    pub p50: Length,
    /// 75 %.
    pub p75: Length,
    /// 90 %.
    pub p90: Length,
}

/// A fitted lognormal distribution.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Lognormal {
    /// exp of the mean logarithm.
    pub median: Length,
    /// exp of the standard deviation of the logarithms; at least 1.
    pub geometric_standard_deviation: f64,
    /// Largest distance between the fitted and the observed cumulative curve (Kolmogorov).
    pub kolmogorov_distance: f64,
}

/// Counts by class. A size on an edge belongs to the upper class; the last class includes its upper edge.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Histogram {
    /// Class edges, one more than counts; null where there is no scale.
    pub bin_edges_um: Option<Vec<f64>>,
    /// Class edges in px; null where there is a scale.
    pub bin_edges_px: Option<Vec<f64>>,
    /// Sizes in each class.
    pub counts: Vec<u64>,
}
