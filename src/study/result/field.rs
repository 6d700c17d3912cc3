//! One picture, measured.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::grains::{Grain, GrainResults};
use super::lines::InterceptResults;
use super::pores::{Pore, PoreResults};
use crate::grid::Frame;
use crate::micrograph::InfoStrip;
use crate::options::Surface;
use crate::scale::{BarReading, Scale};
use crate::warning::Warning;

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
    /// The scale bar that was used, else the most likely one with the reason why it was not; null if none was seen.
    #[serde(default)]
    pub bar_reading: Option<BarReading>,
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
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct FieldRows {
    /// Every counted pore.
    pub pores: Vec<Pore>,
    /// Every grain.
    pub grains: Vec<Grain>,
    /// Every whole chord that a test line cut from a grain.
    pub chords: Vec<f32>,
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
