//! All options of a run, resolved: the same names on the command line, in an options file and in the result.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How a surface was prepared; decides which numbers a standard would accept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Surface {
    /// Cut and polished, not etched.
    Polished,
    /// Polished, then heated so that grooves form along the grain boundaries.
    ThermallyEtched,
    /// Polished, then attacked by a liquid or a gas.
    ChemicallyEtched,
    /// The surface as it came out of the furnace.
    AsFired,
    /// A broken face.
    Fracture,
}

/// Which grey the searched feature has against its surroundings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Tone {
    /// Darker than the solid.
    Dark,
    /// Brighter than the solid.
    Bright,
}

/// Which neighbours belong together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
pub enum Connectivity {
    /// Pixels that share an edge.
    #[serde(rename = "4")]
    #[value(name = "4")]
    Four,
    /// Pixels that share an edge or a corner.
    #[serde(rename = "8")]
    #[value(name = "8")]
    Eight,
}

/// The rule that separates pores from solid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PoreMethod {
    /// Largest between-class variance (Otsu 1979).
    Otsu,
    /// Minimum error for two normal classes (Kittler and Illingworth 1986).
    MinimumError,
    /// Maximum entropy (Kapur, Sahoo and Wong 1985).
    Kapur,
    /// Minimum cross entropy (Li and Lee 1993).
    Li,
    /// Mean of the class means, iterated (Ridler and Calvard 1978).
    Iterative,
    /// Largest distance from the line between peak and tail (Zack, Rogers and Latt 1977).
    Triangle,
    /// Three classes by between-class variance, the darkest (or brightest) taken (Liao, Chen and Chung 2001).
    MultiOtsu,
    /// A threshold of its own for each pixel's surroundings (Sauvola and Pietikäinen 2000).
    Sauvola,
    /// A grey value typed by the operator, in the picture's own grey levels.
    Fixed(u16),
}

/// The way grain boundaries are made visible to the watershed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum BoundaryMethod {
    /// Grooves or bright lines, by ridge strength over several widths.
    Ridge,
    /// Steps in grey from one grain to the next.
    Gradient,
}

/// How pores are found.
#[derive(Clone, Debug, PartialEq)]
pub struct PoreOptions {
    /// Threshold rule. Default: minimum error.
    pub method: PoreMethod,
    /// Pores are darker or brighter than the solid. Default: dark.
    pub tone: Tone,
    /// Smaller features are dropped; their share of the area is reported. In px. Default: 12.
    pub smallest_px: u32,
    /// Which pixels of a pore hang together. Default: 8.
    pub connectivity: Connectivity,
    /// Whether uneven light is removed first. Default: true; a fixed grey value works on the picture as it is.
    pub flatten: bool,
}

/// How grain boundaries are found.
#[derive(Clone, Debug, PartialEq)]
pub struct GrainOptions {
    /// Boundary map. Default: ridge.
    pub method: BoundaryMethod,
    /// Boundary lines are darker or brighter than the grains (ridge only). Default: dark.
    pub tone: Tone,
    /// Two grains are joined while their common boundary is weaker than this, from 0 to 1. Default: 0.18.
    pub merge_below: f64,
    /// Boundary strengths up to this are taken as none when basins are formed, from 0 to 1. Default: 0.12.
    pub shallowest: f64,
}

impl Default for GrainOptions {
    fn default() -> Self {
        Self { method: BoundaryMethod::Ridge, tone: Tone::Dark, merge_below: 0.18, shallowest: 0.12 }
    }
}

/// How test lines are laid.
#[derive(Clone, Debug, PartialEq)]
pub struct LineOptions {
    /// Distance between parallel test lines in px. Default: 4.
    pub spacing_px: u32,
    /// Directions of the parallel lines in degrees, 0 along a row, counter-clockwise on the picture as seen.
    /// Default: 0, 45, 90, 135.
    pub angles_deg: Vec<f64>,
    /// Whether concentric circles are laid as well. Default: true.
    pub circles: bool,
}
