//! The result of a run. Its JSON form is `summary.json`, verbatim; every table, picture and page is a view of it.
//!
//! A value that is not known is `None` (null), never 0. A key carries its unit, or holds a
//! [`Length`](crate::units::Length) or [`Area`](crate::units::Area), which do.

mod distribution;
mod field;
mod grains;
mod lines;
mod pores;
mod specimen;

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::options::Options;
use crate::warning::Warning;

pub use distribution::{Distribution, Histogram, Lognormal, Percentiles};
pub use field::{Field, FieldRows, Finding, Grade, PictureCheck};
pub use grains::{CoarseTail, Grain, GrainResults, Populations};
pub use lines::{InterceptResults, LineSet, SegmentationDoubt, ThreeDimensional};
pub use pores::{
    Background, Pore, PorePlace, PoreResults, RuleResult, ThresholdReport, ThresholdSensitivity, Unfolded,
};
pub use specimen::{Estimate, GrainNumber, Specimen, SpecimenSegmentation};

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

impl Tool {
    /// This program.
    pub fn this() -> Self {
        Self { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() }
    }
}

/// A picture that could not be read or measured.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Failure {
    /// Path from the measured folder, with `/` between parts.
    pub file: String,
    /// Page within the file, from 1, where it has several.
    pub page: Option<u32>,
    /// What failed, where, and what to do.
    pub error: String,
}
