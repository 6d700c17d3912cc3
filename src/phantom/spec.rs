//! What a phantom is made of: every number that decides a drawn picture.

use serde::{Deserialize, Serialize};

use super::looks::Look;
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
            look: Look::default(),
            detector: Detector::default(),
            um_per_px: 0.025,
            strip: Some(StripSpec::default()),
            bits: Bits::Eight,
            seed: 1,
        }
    }
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
}

impl Default for Detector {
    fn default() -> Self {
        Self { blur_px: 0.8, counts: 600.0, shading: 0.05, contrast: 1.0, brightness: 0.0 }
    }
}

/// Most pixels that are drawn: 20 000 x 20 000.
const MOST_PIXELS: usize = 400_000_000;

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
        if matches!(self.look, Look::Relief(_) | Look::Cubes(_)) && self.pores.pull_out_percent > 0.0 {
            let why =
                "grains are pulled out by polishing; the looks relief and cubes are not polished".to_owned();
            return Err(Error::Option { name: "--pull-out", why });
        }
        let pores = &self.pores;
        let shares = pores.junction_share + pores.boundary_share + pores.inside_share;
        for (name, value, low, high) in [
            ("waviness", self.waviness, 0.0, 0.15),
            ("--porosity", pores.percent, 0.0, 40.0),
            ("--pull-out", pores.pull_out_percent, 0.0, 40.0),
            ("--pore-size", pores.diameter_px, 3.0, 1000.0),
            ("pore size spread", pores.size_spread, 0.0, 1.0),
            ("junction share", pores.junction_share, 0.0, 1e6),
            ("boundary share", pores.boundary_share, 0.0, 1e6),
            ("inside share", pores.inside_share, 0.0, 1e6),
            ("sum of the pore shares", shares, 1e-6, 3e6),
            ("angularity", pores.angularity, 0.0, 1.0),
            ("--blur", self.detector.blur_px, 0.0, 20.0),
            ("--counts", self.detector.counts, 1.0, 1e9),
            ("--shading", self.detector.shading, 0.0, 1.0),
            ("--contrast", self.detector.contrast, 0.01, 10.0),
            ("--brightness", self.detector.brightness, -1.0, 1.0),
            ("--pixel-size in µm", self.um_per_px, 1e-5, 1e3),
        ] {
            if !(low..=high).contains(&value) {
                return Err(Error::Option { name, why: format!("{value} is not between {low} and {high}") });
            }
        }
        Ok(())
    }

    /// Mean intercept that the structure asks for, in px.
    pub(crate) fn intercept_px(&self) -> f64 {
        self.structure.mean_intercept_px()
    }
}
