//! Micrographs drawn with exactly known truth, for tests, training and demonstration.
//!
//! ```text
//! PhantomSpec -> structure -> pores -> look -> detector -> info strip -> Phantom { grey, labels, truth }
//! ```
//!
//! The same spec gives the same bytes for any thread count.

mod artefacts;
mod cells;
pub mod demonstration;
mod detector;
pub mod finish;
pub mod lettering;
pub mod looks;
mod pore_shape;
pub mod pores;
mod power_diagram;
mod random;
mod rim_distance;
pub mod sampling;
mod scratches;
mod section;
mod sites;
mod smooth_field;
pub mod spec;
pub mod strip;
pub mod structure;
pub mod truth;
pub mod write;

pub use spec::PhantomSpec;

use crate::error::Error;
use crate::grid::{Grid, Labels};
use crate::micrograph::Grey;
use truth::Truth;

/// A drawn picture with its truth.
#[derive(Clone, Debug)]
pub struct Phantom {
    /// Grey levels, info strip included.
    pub grey: Grey,
    /// Truth of every pixel of the micrograph, info strip left out: 0 = pore, 1..=n = one grain each.
    pub labels: Labels,
    /// Truth in numbers.
    pub truth: Truth,
}

/// Draws the picture that `spec` describes.
///
/// # Errors
/// [`Error::Option`] for a number out of range, a scale bar that does not fit, or pores that do not fit.
pub fn draw(spec: &PhantomSpec) -> Result<Phantom, Error> {
    spec.check()?;
    let strip = match &spec.strip {
        Some(style) => Some(strip::strip(style, spec.width_px, spec.um_per_px)?),
        None => None,
    };
    let surface = looks::surface(spec);
    let mut picture = detector::recorded(&surface, spec);
    let mut bar = None;
    let mut strip_rows = 0;
    match (strip, &spec.strip) {
        (Some(strip), Some(style)) if style.place == strip::StripPlace::Panel => {
            bar = Some(strip.laid_over(&mut picture));
        }
        (Some(strip), _) => {
            strip_rows = strip.grid.height();
            picture = stacked(picture, strip.grid)?;
            bar = Some(strip::BarTruth { row_px: strip.bar.row_px + spec.height_px as f64, ..strip.bar });
        }
        (None, _) => {}
    }
    let truth = Truth::of(spec, &surface, (strip_rows, bar));
    check_porosity(spec, &truth)?;
    let grey = match spec.bits {
        spec::Bits::Eight => {
            let grey = detector::eight_bit(&picture);
            Grey::Eight(match spec.detector.jpeg_quality {
                Some(quality) => artefacts::through_jpeg(grey, quality),
                None => grey,
            })
        }
        spec::Bits::Sixteen => Grey::Sixteen(detector::sixteen_bit(&picture)),
    };
    Ok(Phantom { grey, labels: surface.labels, truth })
}

/// The pore area that was asked for must have come out, to [`pores::PORE_STEP_PX`] pixels.
fn check_porosity(spec: &PhantomSpec, truth: &Truth) -> Result<(), Error> {
    let pores = truth.porosity_percent - truth.pull_out_percent;
    let step = 100.0 * (pores::PORE_STEP_PX as f64) / (spec.width_px * spec.height_px) as f64;
    if (pores - spec.pores.percent).abs() <= step + 1e-9 {
        return Ok(());
    }
    Err(Error::Option {
        name: "--porosity",
        why: format!(
            "{} % could not be reached with pores of {} px; {pores:.2} % was. Choose another pore size or a larger picture",
            spec.pores.percent, spec.pores.diameter_px
        ),
    })
}

/// One grid above the other; both have the same width.
fn stacked(above: Grid<f32>, below: Grid<f32>) -> Result<Grid<f32>, Error> {
    let (width, height) = (above.width(), above.height() + below.height());
    let mut data = above.into_vec();
    data.extend_from_slice(below.as_slice());
    Grid::new(width, height, data)
}
