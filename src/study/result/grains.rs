//! Grains of a field.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::Distribution;
use crate::measure::region::Region;
use crate::units::{Area, Length};

/// One grain.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Grain {
    /// Size, shape and place; pores inside count as holes.
    pub region: Region,
    /// Grains that share a boundary with it.
    pub neighbours: u32,
    /// Mean boundary strength along its boundaries, 0 to 1.
    pub boundary_strength: f64,
}

/// Grains of a field in detail.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct GrainResults {
    /// Boundary map that was used, as on the command line.
    pub boundaries: String,
    /// Why the program took this map; null where another than the default was asked for.
    pub boundaries_reason: Option<String>,
    /// Mean boundary strength along all boundaries that were kept, 0 to 1.
    pub mean_boundary_strength: f64,
    /// Grains not cut by the rim of the measured area.
    pub whole_grain_count: u64,
    /// Mean area of whole grains, each weighted against the chance of being cut (Miles and Lantuéjoul).
    pub mean_area: Option<Area>,
    /// Mean equivalent circle diameter of whole grains, weighted the same way.
    pub mean_equivalent_diameter: Option<Length>,
    /// The same without weights, for comparison.
    pub mean_equivalent_diameter_unweighted: Option<Length>,
    /// Mean equivalent diameter over mean linear intercept; far above 1.4 means that boundaries were missed.
    pub diameter_to_intercept_ratio: Option<f64>,
    /// Mean of smallest over largest Feret diameter of whole grains.
    pub mean_aspect_ratio: Option<f64>,
    /// Mean number of neighbours of whole grains.
    pub mean_neighbours: Option<f64>,
    /// Grain boundary area per volume, 2 / mean linear intercept, per µm; null without a scale.
    pub boundary_area_per_volume_per_um: Option<f64>,
    /// Equivalent circle diameters of whole grains.
    pub diameters: Option<Distribution>,
    /// The coarse tail.
    pub coarse: Option<CoarseTail>,
    /// Whether one lognormal population is enough.
    pub populations: Option<Populations>,
}

/// How much of the area the coarse grains take.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct CoarseTail {
    /// A grain is coarse above this multiple of the median diameter.
    pub times_median: f64,
    /// Coarse grains in percent of whole grains.
    pub count_percent: f64,
    /// Their area in percent of the area of whole grains.
    pub area_percent: f64,
    /// Largest diameter over the mean.
    pub largest_over_mean: f64,
}

/// One lognormal population of diameters against two.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Populations {
    /// Bayesian information criterion of one minus that of two, on the distribution by area; above 10 speaks strongly
    /// against one lognormal population, though not yet for two.
    pub bic_one_minus_two: f64,
    /// Whether two are claimed: the criterion is above 10, the fitted medians differ by a factor of at least 2, and the
    /// fitted curve has a valley between two peaks.
    pub two_populations: bool,
    /// Fitted medians by area of two populations, finer first.
    pub medians: [Length; 2],
    /// Share of the grain area in the coarser population, in percent.
    pub coarser_percent: f64,
}
