//! One specimen, over its fields.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::{Distribution, Histogram};
use super::grains::{CoarseTail, Populations};
use crate::options::Surface;
use crate::warning::Warning;

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
    /// What false and missed boundaries leave open of the mean linear intercept; null unless boundaries are learned.
    pub intercept_segmentation: Option<SpecimenSegmentation>,
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

/// Uncertainty of a specimen's mean linear intercept from finding boundaries, in the unit of the mean.
///
/// All fields of a specimen show the same kind of surface, so what the program misreads in one it misreads in all: this
/// part does not shrink with the number of fields.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct SpecimenSegmentation {
    /// Standard deviation of the mean over the mean: the mean of the fields' `segmentation.relative_deviation`.
    pub relative_deviation: f64,
    /// Lower end of the 95 % interval of the mean from finding boundaries and from the scatter between fields together;
    /// null with one field.
    pub ci95_low: Option<f64>,
    /// Upper end.
    pub ci95_high: Option<f64>,
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
