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
pub use typed::parse_pixel_size;

use crate::units::Spacing;

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

impl Scale {
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

/// What the user says about the scale.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScaleOptions {
    /// Typed pixel size in µm, between columns and between rows.
    pub pixel_size_um: Option<(f64, f64)>,
    /// Typed printed length of the bar in µm.
    pub scale_bar_um: Option<f64>,
}
