//! The result of relating a study to its firing. Its JSON form is `relation.json`, verbatim.
//!
//! A value that is not known, or that the data cannot carry, is `None` (null); [`Effect::refused`] and the like say why.

use std::borrow::Cow;
use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::body::agreement::{Comparison, Method};
use crate::body::result::Body;
use crate::firing::programme::{Programme, SegmentTimes};
use crate::firing::thermal_work::ThermalWork;
use crate::study::result::Tool;
use crate::warning::Warning;

/// Version of the form of [`Relation`].
pub const SCHEMA_VERSION: u32 = 1;

/// Everything that was found out about a study and its firing.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Relation {
    /// Version of this form; it changes when a key is removed or changes its meaning.
    pub schema_version: u32,
    /// The program that related.
    pub tool: Tool,
    /// What follows for the choice of the firing, in sentences that the numbers below carry.
    pub conclusions: Vec<String>,
    /// One entry for each specimen that has pictures or a row in the study sheet, by name.
    pub specimens: Vec<RelatedSpecimen>,
    /// One entry for each property under each condition that differs between specimens.
    pub effects: Vec<Effect>,
    /// Grain growth with time and temperature.
    pub growth: Growth,
    /// Grain size against relative density; null without specimens that have both.
    pub trajectory: Option<Trajectory>,
    /// Doubts about the study sheet and the study as a whole.
    pub warnings: Vec<Warning>,
}

/// One specimen: its conditions and its properties.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct RelatedSpecimen {
    /// Name.
    pub name: String,
    /// Whether the measured results have pictures of it.
    pub has_pictures: bool,
    /// Whether the study sheet has a row for it.
    pub in_sheet: bool,
    /// Conditions that are numbers, by head of the study sheet.
    pub conditions: BTreeMap<String, f64>,
    /// Conditions that are words, by head.
    pub words: BTreeMap<String, String>,
    /// Properties by key, such as `porosity_percent`.
    pub properties: BTreeMap<String, Property>,
    /// Densities and porosities from the readings in the study sheet.
    pub body: Body,
    /// Where the property `relative_density_percent` comes from: the same method for all specimens of the study.
    pub relative_density_from: Option<Method>,
    /// Reading uncertainties that were assumed, by head without unit, because the sheet does not state them.
    pub assumed_uncertainties: Vec<String>,
    /// Porosity of the pictures against every other porosity that is known.
    pub comparisons: Vec<Comparison>,
    /// The firing programme and what follows from it; null without a temperature.
    pub firing: Option<Firing>,
}

/// A firing programme and what follows from it.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Firing {
    /// Start and segments.
    pub programme: Programme,
    /// Times of each segment.
    pub segment_times: Vec<SegmentTimes>,
    /// Time of the whole programme in minutes; null if a part is not known.
    pub duration_min: Option<f64>,
    /// Minutes at most 50 K below the peak temperature; null if a part is not known.
    pub minutes_near_peak: Option<f64>,
    /// ∫(1/T) exp(−Q/RT) dt over the programme; null unless Q was given and all times are known.
    pub thermal_work: Option<ThermalWork>,
}

/// A property of one specimen.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Property {
    /// Value of the specimen, in the unit of its key.
    pub value: f64,
    /// Standard error: between fields, or from the stated reading uncertainties; null if not known.
    pub standard_error: Option<f64>,
    /// Half the 95 % interval: t over fields, or two standard uncertainties of readings; null if not known.
    pub half_width: Option<f64>,
    /// Fields that it was measured on; 0 for what was weighed or measured on the whole piece.
    pub field_count: u64,
}

/// One property under one condition.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Effect {
    /// Head of the condition's column in the study sheet.
    pub condition: String,
    /// Key of the property.
    pub property: String,
    /// The condition's values, rising (words in the order of the alphabet), with the property's mean at each.
    pub levels: Vec<Level>,
    /// Straight line through the specimens, each counting the same; null for words and with fewer than three.
    pub line: Option<Line>,
    /// The same with each specimen weighted by 1/(standard error)²; null if an error is not known.
    pub weighted_line: Option<Line>,
    /// Whether a straight line is the right form; null if the data cannot tell.
    pub lack_of_fit: Option<LackOfFit>,
    /// Correlation of ranks (Spearman); null for words and with fewer than three specimens.
    pub spearman: Option<RankCorrelation>,
    /// Tests of differences between the levels; null where no level has two values.
    pub differences: Option<Differences>,
    /// What was not computed, and why.
    pub refused: Vec<String>,
    /// What can be said, in sentences.
    pub words: Vec<String>,
}

/// One value of a condition.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Level {
    /// The value, if it is a number.
    pub value: Option<f64>,
    /// The value as text.
    pub text: String,
    /// Specimens at this value, by name.
    pub specimens: Vec<String>,
    /// Mean of the property over these specimens.
    pub mean: f64,
    /// Lower end of the 95 % interval of the mean; null if it is not known.
    pub ci95_low: Option<f64>,
    /// Upper end.
    pub ci95_high: Option<f64>,
    /// What the interval rests on: `specimens` (two or more of them), `fields` of the only specimen, `readings` on the only
    /// specimen, or null.
    pub interval_from: Option<Cow<'static, str>>,
}

/// A straight line y = intercept + slope · condition by least squares.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Change of the property per unit of the condition.
    pub slope: f64,
    /// Its standard error.
    pub slope_standard_error: f64,
    /// Half the 95 % interval of the slope.
    pub slope_half_width: f64,
    /// p of the t-test that the slope is zero, two-sided.
    pub slope_p: f64,
    /// Value at 0 of the condition: an anchor of the line, not a prediction.
    pub intercept: f64,
    /// Its standard error.
    pub intercept_standard_error: f64,
    /// Share of the scatter that the line explains.
    pub r_squared: f64,
    /// Residual standard deviation (of unit weight in a weighted line).
    pub residual_standard_deviation: f64,
    /// Specimens less two.
    pub degrees_of_freedom: u64,
    /// (Weighted) mean of the condition, where the line is known best.
    pub mean_condition: f64,
    /// (Weighted) sum of squares of the condition about that mean.
    pub condition_sum_of_squares: f64,
    /// The line at the fired levels and wherever else it was asked for.
    pub at: Vec<Prediction>,
}

/// A line at one value of the condition.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Prediction {
    /// Value of the condition.
    pub condition: f64,
    /// The line there.
    pub value: f64,
    /// Half the 95 % interval of the line.
    pub mean_half_width: f64,
    /// Half the 95 % interval for one further specimen.
    pub prediction_half_width: f64,
}

/// Whether the points scatter about a straight line, or a bend is left.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct LackOfFit {
    /// `repeated-levels` (pure error from specimens under equal conditions) or `cubic` (a line against a cubic).
    pub test: Cow<'static, str>,
    /// F of the test.
    pub f: f64,
    /// p of the test.
    pub p: f64,
    /// Whether a straight line is refused at 5 %.
    pub lacks_fit: bool,
}

/// A correlation of ranks.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct RankCorrelation {
    /// Coefficient, -1 to 1.
    pub rho: f64,
    /// Two-sided p.
    pub p: f64,
    /// Whether p counts all orders (`true`) or comes from the t approximation.
    pub exact: bool,
}

/// Tests of differences between levels.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Differences {
    /// What counts as a replicate: `specimens`, or `fields` where every level has one specimen only.
    pub replicates: Cow<'static, str>,
    /// One-way analysis of variance, equal variances assumed.
    pub anova: Option<VarianceTest>,
    /// The same without that assumption, after Welch.
    pub welch: Option<VarianceTest>,
    /// Kruskal and Wallis, by ranks.
    pub kruskal_wallis: Option<RankTest>,
    /// Every pair of levels.
    pub pairs: Vec<Pair>,
    /// How pairs were compared: `tukey` or `games-howell`; null without pairs.
    pub pair_method: Option<Cow<'static, str>>,
    /// Whether a difference is shown: p below 0.05 by every test of means that could be made.
    pub shown: bool,
}

/// An F test.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct VarianceTest {
    /// F: mean square between over mean square within.
    pub f: f64,
    /// Degrees of freedom between levels.
    pub degrees_between: f64,
    /// Degrees of freedom within levels.
    pub degrees_within: f64,
    /// Chance of so large a value if nothing differed.
    pub p: f64,
}

/// A test by ranks.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct RankTest {
    /// H, corrected for ties.
    pub h: f64,
    /// Degrees of freedom of its χ² approximation.
    pub degrees: f64,
    /// Chance of so large a value if nothing differed.
    pub p: f64,
}

/// Two levels compared.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Pair {
    /// One level, as text.
    pub first: String,
    /// The other.
    pub second: String,
    /// Mean of the second less mean of the first.
    pub difference: f64,
    /// Lower end of its simultaneous 95 % interval.
    pub ci95_low: f64,
    /// Upper end.
    pub ci95_high: f64,
    /// p, with regard to all pairs.
    pub p: f64,
}

/// Grain growth Gⁿ − G0ⁿ = K t with K = K0 exp(−Q/RT).
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct Growth {
    /// The fit; null if the study cannot carry it.
    pub fit: Option<GrowthFit>,
    /// Why there is no fit, or why less was fitted than asked for.
    pub refused: Vec<String>,
}

/// A fitted law of grain growth.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct GrowthFit {
    /// Exponent n.
    pub exponent: f64,
    /// Half its 95 % interval; null if it was given.
    pub exponent_half_width: Option<f64>,
    /// Grain size at the start of the hold, G0, in µm, as given.
    pub initial_grain_um: f64,
    /// Activation energy Q in kJ/mol; null with one temperature.
    pub activation_energy_kj_mol: Option<f64>,
    /// Half its 95 % interval.
    pub activation_energy_half_width: Option<f64>,
    /// K at each temperature, from the fitted law.
    pub rates: Vec<GrowthRate>,
    /// Conditions (temperature and time) that went in.
    pub condition_count: u64,
    /// Parameters that were fitted.
    pub parameter_count: u64,
    /// Residual standard deviation of ln G.
    pub residual_standard_deviation: f64,
}

/// K at one temperature.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct GrowthRate {
    /// Temperature in °C.
    pub temperature_c: f64,
    /// K in µmⁿ per hour.
    pub k_um_n_per_h: f64,
}

/// Grain size against relative density.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Trajectory {
    /// Specimens with both, by rising density.
    pub points: Vec<TrajectoryPoint>,
    /// What can be said, in sentences.
    pub words: Vec<String>,
}

/// One specimen on the way from a green body to a dense one.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct TrajectoryPoint {
    /// Name of the specimen.
    pub specimen: String,
    /// Relative density in percent.
    pub relative_density_percent: f64,
    /// Mean linear intercept in µm.
    pub mean_linear_intercept_um: f64,
}
