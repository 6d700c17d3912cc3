//! What a phantom is made of: every number that decides a drawn picture.

use serde::{Deserialize, Serialize};

use super::finish::{Phases, Polish};
use super::looks::{Look, LookKind};
use super::pores::PoreSpec;
use super::strip::StripSpec;
use super::structure::{Density, Structure, StructureSpec};
use crate::error::Error;

/// Everything that decides a drawn picture; the same value gives the same bytes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PhantomSpec {
    /// Columns. Default: 1024.
    pub width_px: usize,
    /// Rows of the micrograph, the info strip not counted. Default: 768.
    pub height_px: usize,
    /// Grains. The two relief looks take only the density from it. Default: a section with lognormal sizes,
    /// mean intercept 40 px.
    pub structure: StructureSpec,
    /// Bending of grain edges: standard deviation of their displacement divided by the mean intercept; 0 to
    /// 0.15. Default: 0.04.
    pub waviness: f64,
    /// Pores.
    pub pores: PoreSpec,
    /// What hides boundaries that are there. Default: nothing.
    #[serde(skip_serializing_if = "is_default")]
    pub boundaries: Boundaries,
    /// Second phases and glass. Default: none.
    #[serde(skip_serializing_if = "is_default")]
    pub phases: Phases,
    /// What polishing leaves. Default: nothing.
    #[serde(skip_serializing_if = "is_default")]
    pub polish: Polish,
    /// How the surface looks. Default: thermally etched.
    pub look: Look,
    /// Blur, noise, uneven brightness.
    pub detector: Detector,
    /// Pixel size in µm. Default: 0.025.
    pub um_per_px: f64,
    /// Info strip below the picture; null for none.
    pub strip: Option<StripSpec>,
    /// Bits of a grey level. Default: 8.
    pub bits: Bits,
    /// Seed of all random numbers. Default: 1.
    pub seed: u64,
}

impl Default for PhantomSpec {
    fn default() -> Self {
        Self {
            width_px: 1024,
            height_px: 768,
            structure: StructureSpec {
                structure: Structure::Section3d { size_spread: 0.35, regularity: 0.8 },
                density: Density::MeanInterceptPx(40.0),
            },
            waviness: 0.04,
            pores: PoreSpec::default(),
            boundaries: Boundaries::default(),
            phases: Phases::default(),
            polish: Polish::default(),
            look: Look::default(),
            detector: Detector::default(),
            um_per_px: 0.025,
            strip: Some(StripSpec::default()),
            bits: Bits::Eight,
            seed: 1,
        }
    }
}

/// Keys at their defaults are left out of a file, so that files from before they existed stay the same.
pub(crate) fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// What becomes of boundaries in the picture; the label map keeps them all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Boundaries {
    /// Share of the boundary length that fades out of sight, in stretches of about half an intercept; 0 to 0.6.
    /// Looks etched, optical and orientation. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub fading_share: f64,
}

/// Bits of a grey level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
pub enum Bits {
    /// 0 to 255.
    #[serde(rename = "8")]
    #[value(name = "8")]
    Eight,
    /// 0 to 65535.
    #[serde(rename = "16")]
    #[value(name = "16")]
    Sixteen,
}

/// What the microscope does to the picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Detector {
    /// Standard deviation of the Gaussian probe or optics, in px. Default: 0.8.
    pub blur_px: f64,
    /// Counts per pixel at full white: the noise has variance grey / counts. Default: 600.
    pub counts: f64,
    /// Brightness change over the picture, as a share of full white from darkest to brightest. Default: 0.05.
    pub shading: f64,
    /// Grey levels are spread about one half by this factor before they are cut. Default: 1.
    pub contrast: f64,
    /// Added to the grey level, as a share of full white. Default: 0.
    pub brightness: f64,
    /// Grey levels turned about one half, so that pores are bright. Default: false.
    #[serde(skip_serializing_if = "is_default")]
    pub inverted: bool,
    /// Largest shift of a row against its place in px; rows next to each other shift alike; 0 to 0.7, so that
    /// the label map still holds. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub drift_px: f64,
    /// Strength of bright and dark streaks along the rows, where charge builds up, as a share of full white;
    /// 0 to 0.5. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub charging: f64,
    /// Specks of dust in a picture of 1024 x 768 px; the label map does not know them. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub dust: f64,
    /// Quality of a JPEG file, 1 to 100, that the picture went through; null for none. Leaves no trace in
    /// pictures of 16 bits, which JPEG cannot hold. Default: null.
    #[serde(skip_serializing_if = "is_default")]
    pub jpeg_quality: Option<u8>,
}

impl Default for Detector {
    fn default() -> Self {
        Self {
            blur_px: 0.8,
            counts: 600.0,
            shading: 0.05,
            contrast: 1.0,
            brightness: 0.0,
            inverted: false,
            drift_px: 0.0,
            charging: 0.0,
            dust: 0.0,
            jpeg_quality: None,
        }
    }
}

/// Most pixels that are drawn: 20 000 x 20 000.
const MOST_PIXELS: usize = 400_000_000;

/// Longest side of a JPEG file, 65 535 px, less the highest info strip.
const MOST_JPEG_SIDE_PX: usize = 65_000;

impl PhantomSpec {
    /// Checks that every number can be used.
    ///
    /// # Errors
    /// [`Error::Option`] naming the number and its range.
    pub fn check(&self) -> Result<(), Error> {
        let pixels = self.width_px.checked_mul(self.height_px);
        if self.width_px < 16 || self.height_px < 16 || pixels.is_none_or(|p| p > MOST_PIXELS) {
            return Err(Error::Option {
                name: "--size",
                why: format!(
                    "{} x {} px cannot be drawn; sides must be at least 16 px and the area at most {MOST_PIXELS} px",
                    self.width_px, self.height_px
                ),
            });
        }
        self.structure.check()?;
        if !self.look.kind().is_section() && self.pores.pull_out_percent > 0.0 {
            let why =
                format!("grains are pulled out by polishing; the look {} is not polished", self.look.name());
            return Err(Error::Option { name: "--pull-out", why });
        }
        let longest = self.width_px.max(self.height_px);
        if self.detector.jpeg_quality.is_some() && longest > MOST_JPEG_SIDE_PX {
            let why = format!("JPEG files have at most {MOST_JPEG_SIDE_PX} px a side, not {longest}");
            return Err(Error::Option { name: "JPEG quality", why });
        }
        self.look.check()?;
        self.detector.check()?;
        self.phases.check()?;
        self.polish.check()?;
        let pores = &self.pores;
        let shares = pores.junction_share + pores.boundary_share + pores.inside_share;
        // Loose particles leave more of the ground free than a ceramic has pores.
        let most_percent = if self.look.kind() == LookKind::Powder { 60.0 } else { 40.0 };
        in_ranges(&[
            ("waviness", self.waviness, 0.0, 0.15),
            ("fading share", self.boundaries.fading_share, 0.0, 0.6),
            ("--porosity", pores.percent, 0.0, most_percent),
            ("--pull-out", pores.pull_out_percent, 0.0, 40.0),
            ("--pore-size", pores.diameter_px, 3.0, 1000.0),
            ("pore size spread", pores.size_spread, 0.0, 1.0),
            ("junction share", pores.junction_share, 0.0, 1e6),
            ("boundary share", pores.boundary_share, 0.0, 1e6),
            ("inside share", pores.inside_share, 0.0, 1e6),
            ("sum of the pore shares", shares, 1e-6, 3e6),
            ("angularity", pores.angularity, 0.0, 1.0),
            ("--pixel-size in µm", self.um_per_px, 1e-5, 1e3),
        ])
    }

    /// Mean intercept that the structure asks for, in px.
    pub(crate) fn intercept_px(&self) -> f64 {
        self.structure.mean_intercept_px()
    }
}

impl Detector {
    fn check(&self) -> Result<(), Error> {
        in_ranges(&[
            ("--blur", self.blur_px, 0.0, 20.0),
            ("--counts", self.counts, 1.0, 1e9),
            ("--shading", self.shading, 0.0, 1.0),
            ("--contrast", self.contrast, 0.01, 10.0),
            ("--brightness", self.brightness, -1.0, 1.0),
            ("drift in px", self.drift_px, 0.0, 0.7),
            ("charging", self.charging, 0.0, 0.5),
            ("dust", self.dust, 0.0, 10_000.0),
            ("JPEG quality", self.jpeg_quality.map_or(100.0, f64::from), 1.0, 100.0),
        ])
    }
}

/// Refuses the first value that is not between its bounds.
pub(crate) fn in_ranges(numbers: &[(&'static str, f64, f64, f64)]) -> Result<(), Error> {
    for &(name, value, low, high) in numbers {
        if !(low..=high).contains(&value) {
            return Err(Error::Option { name, why: format!("{value} is not between {low} and {high}") });
        }
    }
    Ok(())
}
