//! From pixels to micrometres: which source was trusted, and how far.

pub mod bar;
mod choice;
pub mod label;
pub mod labelled_bar;
pub(crate) mod ome;
pub(crate) mod resolution;
pub(crate) mod statement;
mod typed;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use choice::determine;
pub(crate) use choice::without_bar;
pub use typed::{TypedScale, parse_pixel_size};

use crate::grid::Frame;
use crate::units::Spacing;
use crate::warning::Warning;

/// Where a pixel size comes from, in falling order of trust.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ScaleSource {
    /// The user typed the pixel size.
    PixelSize,
    /// The user typed the printed length; the bar was found and measured in the picture.
    ScaleBar,
    /// The bar and the length printed beside it were read off the picture.
    ReadBar,
    /// An OME-XML `PhysicalSizeX`.
    OmeXml,
    /// A statement with number and unit in an instrument's own tag.
    InstrumentTag,
    /// A statement with number and unit in a text file of the picture's name beside it.
    TextBeside,
    /// TIFF resolution and unit.
    TiffResolution,
    /// PNG pHYs chunk.
    PngPhys,
    /// JPEG or EXIF resolution.
    ExifResolution,
}

/// What a file states about its pixel size.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleClaim {
    /// Kind of statement.
    pub source: ScaleSource,
    /// The statement itself, readable, as found: `tag 34682: PixelWidth = 2.615 µm`.
    pub detail: String,
    /// µm between columns.
    pub um_per_px_x: f64,
    /// µm between rows.
    pub um_per_px_y: f64,
}

/// The scale of a field and what it rests on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Scale {
    /// µm per px: the geometric mean of both directions.
    pub um_per_px: f64,
    /// µm between columns.
    pub um_per_px_x: f64,
    /// µm between rows.
    pub um_per_px_y: f64,
    /// What it was read from.
    pub source: ScaleSource,
    /// The statement or measurement in words.
    pub detail: String,
    /// Standard uncertainty divided by the value.
    pub relative_uncertainty: f64,
    /// The bar that was measured, if one was.
    pub bar: Option<Bar>,
    /// Other sources that agree with it.
    #[serde(default)]
    pub confirmed_by: Vec<ScaleSource>,
}

/// Two scales differ where their difference exceeds this many combined standard uncertainties (95 %).
const COVERAGE: f64 = 2.0;

impl Scale {
    /// Whether both lie within two combined standard uncertainties of each other, in both directions.
    pub fn agrees_with(&self, other: &Self) -> bool {
        let limit = COVERAGE * self.relative_uncertainty.hypot(other.relative_uncertainty);
        let near = |p: f64, q: f64| (p / q).ln().abs() <= limit;
        near(self.um_per_px_x, other.um_per_px_x) && near(self.um_per_px_y, other.um_per_px_y)
    }

    /// The spacing of pixels in µm.
    pub fn spacing(&self) -> Spacing {
        Spacing::um(self.um_per_px_x, self.um_per_px_y)
    }
}

/// How a scale bar is drawn, which decides where its length is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BarStyle {
    /// A filled bar or line: outer end to outer end.
    Solid,
    /// A line with caps at its ends, possibly broken by the label: cap centre to cap centre.
    Bracket,
    /// A row of ticks: first tick centre to last tick centre.
    Ticks,
}

/// A scale bar found in a picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bar {
    /// Left end in px from the left rim; for solid bars the outer edge, else the centre of the cap or tick.
    pub left_px: f64,
    /// Right end, the same way.
    pub right_px: f64,
    /// Row through the middle of the bar.
    pub row_px: f64,
    /// How it is drawn.
    pub style: BarStyle,
    /// Standard uncertainty of the length in px.
    pub uncertainty_px: f64,
}

impl Bar {
    /// Length in px.
    pub fn length_px(&self) -> f64 {
        self.right_px - self.left_px
    }
}

/// A scale bar that was seen in a picture: the one that was used, else the one that comes nearest to it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BarReading {
    /// The bar, in px of the whole picture.
    pub bar: Bar,
    /// From 0 to 1: how much speaks for its being a scale bar.
    pub confidence: f64,
    /// The length printed beside it, if one was read.
    pub label: Option<LabelReading>,
    /// Why it was not relied on; null if it was.
    pub doubt: Option<String>,
}

/// A length as it was read beside a bar.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LabelReading {
    /// The text, its likeliest spelling.
    pub text: String,
    /// The length that it states.
    pub length_um: f64,
    /// Probability, by the reader, that it states this length; from 0 to 1.
    pub probability: f64,
    /// Box around the text, in px of the whole picture.
    pub frame: Frame,
}

/// What was found out about the scale of a picture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScaleReading {
    /// The scale, if there is one.
    pub scale: Option<Scale>,
    /// The bar that was used, else the most likely one, doubtful as it may be; `None` if nothing looks like one.
    pub bar: Option<BarReading>,
    /// A warning for every doubt.
    pub warnings: Vec<Warning>,
}

/// The warning, among those about a picture, that its sources of scale contradict each other.
pub fn dispute(warnings: &[Warning]) -> Option<&Warning> {
    warnings.iter().find(|warning| warning.code == "scale-sources-disagree")
}

/// What a file of scales says about a picture.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ListedScale {
    /// The scale.
    pub scale: TypedScale,
    /// Where it stands: `scales.csv, row 3`.
    pub place: String,
}

/// What the user says about the scale.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ScaleOptions {
    /// What a file of scales says about this very picture; it goes before what is typed for all.
    pub listed: Option<ListedScale>,
    /// Typed pixel size in µm, between columns and between rows.
    pub pixel_size_um: Option<(f64, f64)>,
    /// Typed printed length of the bar in µm.
    pub scale_bar_um: Option<f64>,
}

impl ScaleOptions {
    /// Whether the length of a bar was given, so that the bar must be found.
    pub(crate) fn looks_at_bar(&self) -> bool {
        let listed = self.listed.as_ref().map(|listed| listed.scale);
        self.scale_bar_um.is_some() || matches!(listed, Some(TypedScale::BarLength(_)))
    }
}
