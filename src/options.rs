//! All options of a run, resolved: the same names on the command line, in an options file and in the result.

use std::borrow::Cow;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::error::Error;
use crate::grid::Frame;
use crate::scale::{ScaleOptions, parse_pixel_size};
use crate::units::{parse_bytes, parse_um};

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
    /// Darker than what lies around.
    Dark,
    /// Brighter than what lies around.
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PoreMethod {
    /// Half way between the pore floors and the solid around each pixel, where the picture has a peak for the pores.
    HalfContrast,
    /// Half contrast, or the level of the edges where the picture shows two phases, if the trained network finds about as
    /// much, else the network; chosen by the program.
    Auto,
    /// The grey of the steepest edges around each pixel (Yanowitz and Bruckstein 1989).
    EdgeLevel,
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
    /// A probability of one half and more, as the trained network gives it.
    Learned,
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
    /// Probability of a boundary, as the trained network gives it.
    Learned,
}

/// How pores are found.
#[derive(Clone, Debug, PartialEq)]
pub struct PoreOptions {
    /// Threshold rule. Default: auto.
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
    /// Boundary map. Default: learned.
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
        Self { method: BoundaryMethod::Learned, tone: Tone::Dark, merge_below: 0.18, shallowest: 0.12 }
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

impl PoreMethod {
    /// Every automatic rule, in the order of the help text.
    pub const AUTOMATIC: [Self; 12] = [
        Self::HalfContrast,
        Self::Auto,
        Self::EdgeLevel,
        Self::Otsu,
        Self::MinimumError,
        Self::Kapur,
        Self::Li,
        Self::Iterative,
        Self::Triangle,
        Self::MultiOtsu,
        Self::Sauvola,
        Self::Learned,
    ];

    /// The name on the command line; `fixed` for a typed grey value.
    pub fn name(self) -> &'static str {
        match self {
            Self::HalfContrast => "half-contrast",
            Self::Auto => "auto",
            Self::EdgeLevel => "edge-level",
            Self::Otsu => "otsu",
            Self::MinimumError => "minimum-error",
            Self::Kapur => "kapur",
            Self::Li => "li",
            Self::Iterative => "iterative",
            Self::Triangle => "triangle",
            Self::MultiOtsu => "multi-otsu",
            Self::Sauvola => "sauvola",
            Self::Learned => "learned",
            Self::Fixed(_) => "fixed",
        }
    }
}

impl FromStr for PoreMethod {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if let Ok(level) = text.parse() {
            return Ok(Self::Fixed(level));
        }
        Self::AUTOMATIC.into_iter().find(|m| m.name() == text).ok_or_else(|| {
            let names: Vec<_> = Self::AUTOMATIC.iter().map(|m| m.name()).collect();
            format!("known rules are {}, or a grey value from 0 to 65535", names.join(", "))
        })
    }
}

impl Serialize for PoreMethod {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Fixed(level) => serializer.serialize_u16(*level),
            rule => serializer.serialize_str(rule.name()),
        }
    }
}

impl<'de> Deserialize<'de> for PoreMethod {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Form {
            Level(u16),
            Rule(String),
        }
        match Form::deserialize(deserializer)? {
            Form::Level(level) => Ok(Self::Fixed(level)),
            Form::Rule(name) => name.parse().map_err(serde::de::Error::custom),
        }
    }
}

impl JsonSchema for PoreMethod {
    fn schema_name() -> Cow<'static, str> {
        "PoreMethod".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let names = Self::AUTOMATIC.map(Self::name);
        json_schema!({
            "description": "The rule that separates pores from solid, or a grey value typed by the operator.",
            "oneOf": [
                { "type": "string", "enum": names },
                { "type": "integer", "minimum": 0, "maximum": 65535 }
            ]
        })
    }
}

impl BoundaryMethod {
    /// The name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Ridge => "ridge",
            Self::Gradient => "gradient",
            Self::Learned => "learned",
        }
    }
}

/// What becomes of uneven light before the threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum BackgroundHandling {
    /// It is fitted and removed where it is strong enough to matter.
    EvenOut,
    /// Grey levels are taken as they are.
    Keep,
}

/// Everything that decides the numbers of a run, with the names of the command line.
///
/// An options file (TOML) holds the same keys; the resolved options are written into the result and repeat the run
/// when fed back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Options {
    /// Typed pixel size, such as `25nm` or `25nm x 24nm`. Default: none.
    pub pixel_size: Option<String>,
    /// Typed printed length of the scale bar, such as `10um`. Default: none.
    pub scale_bar: Option<String>,
    /// Whether a picture without a scale is an error. Default: false.
    pub require_scale: bool,
    /// Measured part of every picture, `x,y,width,height` in px; replaces the search for an info strip. Default: none.
    pub crop: Option<String>,
    /// Largest picture that is decoded, in px. Default: 400 million.
    pub max_pixels: u64,
    /// Memory that may be taken, such as `1GiB`; larger pictures are measured by bands. Default: none, as much as it takes.
    pub memory: Option<String>,
    /// Threshold rule, or a grey value. Default: auto.
    pub pores: PoreMethod,
    /// Pores are darker or brighter than the solid. Default: dark.
    pub pore_tone: Tone,
    /// Smaller pores are dropped, in px. Default: 12.
    pub smallest_pore: u32,
    /// Neighbours that hang together in a pore. Default: 8.
    pub connectivity: Connectivity,
    /// Treatment of uneven light. Default: even-out.
    pub background: BackgroundHandling,
    /// Boundary map. Default: learned.
    pub boundaries: BoundaryMethod,
    /// Boundary lines are darker or brighter than the grains (ridge only). Default: dark.
    pub boundary_tone: Tone,
    /// Grains are joined across boundaries weaker than this, 0 to 1 (ridge and gradient).
    pub merge_below: f64,
    /// Basins shallower than this never become grains, 0 to 1 (ridge and gradient).
    pub shallowest: f64,
    /// Distance between test lines in px. Default: 4.
    pub line_spacing: u32,
    /// Directions of test lines in degrees. Default: 0, 45, 90, 135.
    pub line_angles: Vec<f64>,
    /// Whether test circles are laid as well. Default: true.
    pub circles: bool,
    /// A grain is coarse above this multiple of the median diameter. Default: 3.
    pub coarse_factor: f64,
    /// How the surfaces were prepared, where the study sheet does not say. Default: none.
    pub surface: Option<Surface>,
    /// Whether label maps are written. Default: false.
    pub label_maps: bool,
    /// Whether test lines are drawn on the overlays. Default: false.
    pub draw_lines: bool,
}

impl Default for Options {
    fn default() -> Self {
        let grains = GrainOptions::default();
        Self {
            pixel_size: None,
            scale_bar: None,
            require_scale: false,
            crop: None,
            max_pixels: 400_000_000,
            memory: None,
            pores: PoreMethod::Auto,
            pore_tone: Tone::Dark,
            smallest_pore: 12,
            connectivity: Connectivity::Eight,
            background: BackgroundHandling::EvenOut,
            boundaries: grains.method,
            boundary_tone: Tone::Dark,
            merge_below: grains.merge_below,
            shallowest: grains.shallowest,
            line_spacing: 4,
            line_angles: vec![0.0, 45.0, 90.0, 135.0],
            circles: true,
            coarse_factor: 3.0,
            surface: None,
            label_maps: false,
            draw_lines: false,
        }
    }
}

impl Options {
    /// Checks every value, so that a wrong one is reported before any picture is read.
    ///
    /// # Errors
    /// [`Error::Option`] or [`Error::LengthText`], naming the option and what is expected.
    pub fn validated(self) -> Result<Self, Error> {
        self.scale()?;
        self.crop()?;
        self.memory_bytes()?;
        let refuse = |name, why: &str| Err(Error::Option { name, why: why.to_owned() });
        let share = |v: f64| (0.0..=1.0).contains(&v);
        if !share(self.merge_below) {
            return refuse("--merge-below", "a boundary strength from 0 to 1 is expected");
        }
        if !share(self.shallowest) {
            return refuse("--shallowest", "a boundary strength from 0 to 1 is expected");
        }
        if self.line_spacing == 0 {
            return refuse("--line-spacing", "at least 1 px is expected");
        }
        if self.line_angles.is_empty() || self.line_angles.iter().any(|a| !(0.0..180.0).contains(a)) {
            return refuse("--line-angles", "at least one direction from 0 to below 180 degrees is expected");
        }
        if !(self.coarse_factor > 1.0 && self.coarse_factor.is_finite()) {
            return refuse("--coarse-factor", "a number above 1 is expected");
        }
        if self.max_pixels == 0 {
            return refuse("--max-pixels", "at least 1 px is expected");
        }
        Ok(self)
    }

    /// What the user says about the scale.
    ///
    /// # Errors
    /// [`Error::LengthText`] if a length cannot be read.
    pub fn scale(&self) -> Result<ScaleOptions, Error> {
        Ok(ScaleOptions {
            listed: None,
            pixel_size_um: self.pixel_size.as_deref().map(parse_pixel_size).transpose()?,
            scale_bar_um: self.scale_bar.as_deref().map(parse_um).transpose()?,
        })
    }

    /// The memory that may be taken, in bytes.
    ///
    /// # Errors
    /// [`Error::Option`] if it is not a number of bytes with a unit.
    pub fn memory_bytes(&self) -> Result<Option<u64>, Error> {
        let Some(text) = &self.memory else { return Ok(None) };
        parse_bytes(text).map(Some).ok_or_else(|| Error::Option {
            name: "--memory",
            why: format!(
                "'{text}' is not a size with its unit (B, KB, MB, GB, KiB, MiB, GiB), such as 1.5GB or 800MiB"
            ),
        })
    }

    /// The typed frame.
    ///
    /// # Errors
    /// [`Error::Option`] if it is not four whole numbers or holds no pixel.
    pub fn crop(&self) -> Result<Option<Frame>, Error> {
        let Some(text) = &self.crop else { return Ok(None) };
        let numbers: Result<Vec<usize>, _> = text.split(',').map(|n| n.trim().parse()).collect();
        match numbers.as_deref() {
            Ok(&[x, y, width, height]) if width > 0 && height > 0 => Ok(Some(Frame { x, y, width, height })),
            _ => Err(Error::Option {
                name: "--crop",
                why: format!("'{text}' is not x,y,width,height in whole pixels, for example 0,0,1024,700"),
            }),
        }
    }

    /// The part that finds pores.
    pub fn pore_options(&self) -> PoreOptions {
        PoreOptions {
            method: self.pores,
            tone: self.pore_tone,
            smallest_px: self.smallest_pore,
            connectivity: self.connectivity,
            flatten: self.background == BackgroundHandling::EvenOut
                && !matches!(self.pores, PoreMethod::Fixed(_)),
        }
    }

    /// The part that finds grains.
    pub fn grain_options(&self) -> GrainOptions {
        GrainOptions {
            method: self.boundaries,
            tone: self.boundary_tone,
            merge_below: self.merge_below,
            shallowest: self.shallowest,
        }
    }

    /// The part that lays test lines.
    pub fn line_options(&self) -> LineOptions {
        LineOptions {
            spacing_px: self.line_spacing,
            angles_deg: self.line_angles.clone(),
            circles: self.circles,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resolved_options_can_be_fed_back() {
        let options =
            Options { pores: PoreMethod::Fixed(97), crop: Some("1,2,30,40".into()), ..Options::default() };
        let text = toml::to_string(&options).unwrap();
        assert_eq!(toml::from_str::<Options>(&text).unwrap(), options);
        let json = serde_json::to_string(&options).unwrap();
        assert_eq!(serde_json::from_str::<Options>(&json).unwrap(), options);
    }

    #[test]
    fn sizes_of_memory_have_decimal_and_binary_units() {
        let bytes = |text: &str| {
            let options = Options { memory: Some(text.into()), ..Options::default() };
            options.validated().and_then(|options| options.memory_bytes()).map(Option::unwrap_or_default)
        };
        for (text, expected) in [
            ("1.5GB", 1_500_000_000),
            ("1.5 GiB", 1_610_612_736),
            ("800mib", 838_860_800),
            ("64KB", 64_000),
            ("1KiB", 1024),
            ("7B", 7),
        ] {
            assert_eq!(bytes(text).unwrap(), expected, "{text}");
        }
        for text in ["", "1", "GB", "1.5 TB", "-1GB", "0GB", "1e400GB", "one GB", "NaN GB"] {
            assert!(bytes(text).unwrap_err().to_string().contains("--memory"), "{text}");
        }
    }

    #[test]
    fn an_unknown_key_is_refused() {
        assert!(toml::from_str::<Options>("porse = 'otsu'").is_err());
        assert!(toml::from_str::<Options>("pores = 'ots'").is_err());
    }

    #[test]
    fn wrong_values_name_their_option() {
        let wrong = |change: fn(&mut Options)| {
            let mut options = Options::default();
            change(&mut options);
            options.validated().unwrap_err().to_string()
        };
        assert!(wrong(|o| o.crop = Some("1,2,3".into())).contains("--crop"));
        assert!(wrong(|o| o.line_angles = vec![200.0]).contains("--line-angles"));
        assert!(wrong(|o| o.merge_below = f64::NAN).contains("--merge-below"));
        assert!(wrong(|o| o.pixel_size = Some("0nm".into())).contains("larger than zero"));
    }
}
