//! Pores of a field.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::Distribution;
use crate::measure::region::Region;
use crate::units::{Area, Length};

/// Where a pore sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PorePlace {
    /// One grain all around.
    InsideGrain,
    /// Between two grains.
    OnBoundary,
    /// Between three grains or more.
    AtJunction,
    /// Not known, because there are no grains.
    Unknown,
}

/// One pore.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Pore {
    /// Size, shape and place.
    pub region: Region,
    /// Where it sits among the grains.
    pub place: PorePlace,
    /// Whether it looks like a pulled-out grain.
    pub pull_out: bool,
}

/// Pores of a field in detail.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct PoreResults {
    /// The threshold that was used.
    pub threshold: ThresholdReport,
    /// Background that was removed before thresholding.
    pub background: Background,
    /// How far porosity moves when the threshold does; null without pores.
    pub sensitivity: Option<ThresholdSensitivity>,
    /// What the automatic global rules say on the same picture.
    pub rules: Vec<RuleResult>,
    /// Largest minus smallest porosity among the rules, in percentage points.
    pub rule_spread_points: Option<f64>,
    /// Pores of fewer pixels were dropped.
    pub smallest_counted_px: u32,
    /// Equivalent circle diameter of that area.
    pub smallest_counted: Length,
    /// Area of dropped features (too small, or nowhere as dark as pore floors) in percent of the measured area.
    pub dropped_area_percent: f64,
    /// Standard error of the area fraction within this field, from its covariance, in percentage points.
    pub standard_error_points: Option<f64>,
    /// Integral range of the pore phase: the area over which the covariance sums to one independent look.
    pub integral_range: Option<Area>,
    /// Voids that look like pull-out.
    pub pull_out_count: u64,
    /// Their area in percent of the measured area.
    pub pull_out_percent: f64,
    /// Pore count by place.
    pub count_by_place: BTreeMap<String, u64>,
    /// Area in percent of the measured area, by place.
    pub percent_by_place: BTreeMap<String, f64>,
    /// Equivalent circle diameters, by number, pores cut by the rim left out.
    pub diameters: Option<Distribution>,
    /// Mean form factor of the pores not cut by the rim, 4πA/P².
    pub mean_form_factor: Option<f64>,
    /// Sphere diameters behind the sections, after Schwartz and Saltykov.
    pub unfolded: Option<Unfolded>,
}

/// A threshold and the classes that it separates.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct ThresholdReport {
    /// Name of the rule, as on the command line; `fixed` for a typed grey value.
    pub method: String,
    /// Why the program took this rule; null where it was asked for by name.
    pub reason: Option<String>,
    /// Grey level on the scale of the picture after its background was evened out; pores lie at or below it (dark) or
    /// above it (bright). Null for local rules and learned pores.
    pub grey_level: Option<f64>,
    /// `false` if an operator typed the level.
    pub automatic: bool,
    /// Mean grey of the pores.
    pub pore_mean_grey: Option<f64>,
    /// Mean grey of the solid.
    pub solid_mean_grey: Option<f64>,
}

/// Uneven light and what was done about it.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Background {
    /// Range of the fitted background in percent of the grey distance between solid and pores.
    pub shading_percent: f64,
    /// Whether it was removed.
    pub removed: bool,
}

/// How far porosity moves when the threshold moves by ±5 % of the grey distance between the classes; with learned pores,
/// when they are counted from a probability of 0.7 and of 0.3 instead of 0.5.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct ThresholdSensitivity {
    /// The shift in grey levels; null for learned pores.
    pub shift_grey_levels: Option<f64>,
    /// Porosity with the threshold moved towards the pores.
    pub porosity_low_percent: f64,
    /// Porosity with the threshold moved towards the solid.
    pub porosity_high_percent: f64,
}

/// What one threshold rule says.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct RuleResult {
    /// Name of the rule, as on the command line.
    pub method: String,
    /// Its grey level; null if the rule finds none.
    pub grey_level: Option<f64>,
    /// Area fraction at that level, in percent.
    pub porosity_percent: Option<f64>,
}

/// Sphere diameters behind circular sections, after Schwartz and Saltykov.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Unfolded {
    /// Width of the diameter classes, which start at 0.
    pub class_width: Length,
    /// Sections per area in each class, per mm² (or per 10⁶ px² without a scale).
    pub sections_per_area: Vec<f64>,
    /// Spheres per volume in each class, per mm³ (or per 10⁹ px³). Negative values are kept: they show the error.
    pub spheres_per_volume: Vec<f64>,
    /// Mean sphere diameter, by number; null where the sum of spheres is not above zero.
    pub mean_sphere_diameter: Option<Length>,
}
