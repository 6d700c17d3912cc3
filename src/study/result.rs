//! The result of a run. Its JSON form is `summary.json`, verbatim; every table, picture and page is a view of it.
//!
//! A value that is not known is `None` (null), never 0. A key carries its unit, or holds a [`Length`] or [`Area`],
//! which do.

use std::borrow::Cow;
use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::grid::Frame;
use crate::measure::region::Region;
use crate::micrograph::InfoStrip;
use crate::options::{Options, Surface};
use crate::scale::Scale;
use crate::units::{Area, Length};
use crate::warning::Warning;

/// Version of the form of [`Study`].
pub const SCHEMA_VERSION: u32 = 1;

/// Everything that a run found out.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Study {
    /// Version of this form; it changes when a key is removed or changes its meaning.
    pub schema_version: u32,
    /// The program that measured.
    pub tool: Tool,
    /// All options, resolved; an options file with these values repeats the run.
    pub options: Options,
    /// One entry for each measured picture, by file name and page.
    pub fields: Vec<Field>,
    /// One entry for each picture that could not be measured.
    pub failures: Vec<Failure>,
    /// One entry for each specimen, by name.
    pub specimens: Vec<Specimen>,
    /// Doubts about the run as a whole.
    pub warnings: Vec<Warning>,
}

/// Name and version of the program.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// `ceramograph`.
    pub name: Cow<'static, str>,
    /// Version of the package.
    pub version: Cow<'static, str>,
}

/// A picture that could not be measured.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Failure {
    /// Path from the measured folder, with `/` between parts.
    pub file: String,
    /// Page within the file, from 1, where it has several.
    pub page: Option<u32>,
    /// What failed, where, and what to do.
    pub error: String,
}

/// One picture, measured.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Field {
    /// Path from the measured folder, with `/` between parts.
    pub file: String,
    /// Page within the file, from 1, where it has several.
    pub page: Option<u32>,
    /// SHA-256 of the file, in hexadecimal.
    pub sha256: String,
    /// Columns of the picture.
    pub width_px: usize,
    /// Rows of the picture.
    pub height_px: usize,
    /// Bits of a grey level: 8 or 16.
    pub bits_per_sample: u8,
    /// Specimen that the picture belongs to.
    pub specimen: String,
    /// How the surface was prepared, if the user said so.
    pub surface: Option<Surface>,
    /// The part of the picture that was measured.
    pub frame: Frame,
    /// The strip of text that was left out, if one was found.
    pub info_strip: Option<InfoStrip>,
    /// Scale, if there is one.
    pub scale: Option<Scale>,
    /// Whether the picture is fit to be measured.
    pub picture_check: PictureCheck,
    /// Area fraction of pores, in percent of the measured area, pull-out included.
    pub porosity_percent: Option<f64>,
    /// The same with voids that look like pull-out counted as solid.
    pub porosity_without_pull_out_percent: Option<f64>,
    /// Pores counted.
    pub pore_count: Option<u64>,
    /// Grains that have a pixel in the measured area, those cut by its rim included.
    pub grain_count: Option<u64>,
    /// Mean linear intercept of the grains over all test lines, line length in pores taken out; null without a scale.
    pub mean_linear_intercept_um: Option<f64>,
    /// The same in px; null where there is a scale.
    pub mean_linear_intercept_px: Option<f64>,
    /// Boundary passages counted along all test lines.
    pub intercept_count: Option<u64>,
    /// ASTM grain size number of the mean linear intercept; null without a scale, and on surfaces where it is withheld.
    pub astm_grain_number: Option<f64>,
    /// Pores in detail.
    pub pores: Option<PoreResults>,
    /// Grains in detail; null where boundaries are too weak to carry a result.
    pub grains: Option<GrainResults>,
    /// Test lines in detail; null where the grains are.
    pub intercepts: Option<InterceptResults>,
    /// Doubts about this field.
    pub warnings: Vec<Warning>,
    /// Path of the overlay from the results folder.
    pub overlay: Option<String>,
    /// Rows for the tables and samples for pooling; not in the summary.
    #[serde(skip)]
    pub rows: FieldRows,
}

/// What the tables list for each field, and what specimens pool. In the unit of the field.
#[derive(Clone, Debug, Default)]
pub struct FieldRows {
    /// Every counted pore.
    pub pores: Vec<Pore>,
    /// Every grain.
    pub grains: Vec<Grain>,
    /// Every whole chord that a test line cut from a grain.
    pub chords: Vec<f32>,
}

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
#[derive(Clone, Debug)]
pub struct Pore {
    /// Size, shape and place.
    pub region: Region,
    /// Where it sits among the grains.
    pub place: PorePlace,
    /// Whether it looks like a pulled-out grain.
    pub pull_out: bool,
}

/// One grain.
#[derive(Clone, Debug)]
pub struct Grain {
    /// Size, shape and place; pores inside count as holes.
    pub region: Region,
    /// Grains that share a boundary with it.
    pub neighbours: u32,
    /// Mean boundary strength along its boundaries, 0 to 1.
    pub boundary_strength: f64,
}

/// Grade of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Fit to be measured.
    Use,
    /// Measured, with a doubt.
    UseWithWarning,
    /// Not fit; its numbers should not be used.
    DoNotUse,
}

/// Whether a picture is fit to be measured.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct PictureCheck {
    /// The worst grade of all findings.
    pub grade: Grade,
    /// One entry for each thing looked at, in a fixed order.
    pub findings: Vec<Finding>,
}

/// One thing looked at in a picture.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Stable name: `contrast`, `shading`, `saturation`, `charging-stripes`, `focus`, `noise`, `pixels-per-grain`,
    /// `grains-in-field`, `overlap`.
    pub name: Cow<'static, str>,
    /// What was measured, in the unit that `unit` names.
    pub value: f64,
    /// Unit of the value, such as `percent` or `px`.
    pub unit: Cow<'static, str>,
    /// What follows for the use of the picture.
    pub grade: Grade,
    /// One line for the person at the microscope; null where nothing needs doing.
    pub advice: Option<String>,
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
    /// Grey level on the scale of the picture after its background was evened out; pores lie at or below it (dark) or
    /// above it (bright). Null for local rules.
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

/// How far porosity moves when the threshold moves by ±5 % of the grey distance between the classes.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct ThresholdSensitivity {
    /// The shift in grey levels.
    pub shift_grey_levels: f64,
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

/// Grains of a field in detail.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct GrainResults {
    /// Boundary map that was used, as on the command line.
    pub boundaries: String,
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

/// One specimen: its fields are the replicates.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Specimen {
    /// Name: the sub-folder, or what the study sheet says.
    pub name: String,
    /// Firing conditions from the study sheet, by column head, as written there.
    pub firing: BTreeMap<String, String>,
    /// How the surface was prepared, if known.
    pub surface: Option<Surface>,
    /// Fields measured.
    pub field_count: u64,
    /// Area fraction of pores over the fields.
    pub porosity_percent: Option<Estimate>,
    /// Mean linear intercept over the fields; null without a scale.
    pub mean_linear_intercept_um: Option<Estimate>,
    /// The same in px; null where there is a scale, or where fields with and without a scale are mixed.
    pub mean_linear_intercept_px: Option<Estimate>,
    /// ASTM grain size number of the mean, and of the interval's ends.
    pub astm_grain_number: Option<GrainNumber>,
    /// Grain diameters of all fields together.
    pub grain_size: Option<Distribution>,
    /// Histogram of `grain_size`.
    pub grain_size_histogram: Option<Histogram>,
    /// Pore diameters of all fields together.
    pub pore_size: Option<Distribution>,
    /// Histogram of `pore_size`.
    pub pore_size_histogram: Option<Histogram>,
    /// Chords of all fields together.
    pub chords: Option<Distribution>,
    /// The coarse tail of all fields together.
    pub coarse: Option<CoarseTail>,
    /// One population or two, over all fields together.
    pub populations: Option<Populations>,
    /// Doubts about this specimen.
    pub warnings: Vec<Warning>,
}

/// A mean over fields with its interval. Fields are the replicates; pixels and grains are not.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    /// Mean of the field values.
    pub mean: f64,
    /// Value from all fields as one: area over area, or length over count.
    pub pooled: f64,
    /// Standard deviation between fields, n - 1 in the denominator; null with one field.
    pub standard_deviation: Option<f64>,
    /// Lower end of the 95 % t-interval of the mean; null with one field.
    pub ci95_low: Option<f64>,
    /// Upper end.
    pub ci95_high: Option<f64>,
    /// Half the interval in percent of the mean; null with one field or a mean of zero.
    pub relative_accuracy_percent: Option<f64>,
    /// Fields that went in.
    pub field_count: u64,
    /// Further fields after which 10 % relative accuracy can be expected; null with one field or a mean of zero.
    pub more_fields_for_10_percent: Option<u64>,
}

/// ASTM grain size number with the ends of its interval, mapped from the mean linear intercept.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct GrainNumber {
    /// Of the mean.
    pub value: f64,
    /// Lower end of the 95 % interval (the coarser end).
    pub ci95_low: Option<f64>,
    /// Upper end (the finer end).
    pub ci95_high: Option<f64>,
}
