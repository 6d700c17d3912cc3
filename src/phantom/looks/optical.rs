//! Light microscope, reflected light: bright ground, thin dark boundaries, scratches.

use serde::{Deserialize, Serialize};

use super::super::scratches::scratch;
use super::super::section::{Section, Spot, pore_cover};
use crate::grid::Grid;

/// Settings of the light-microscope look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Optical {
    /// Grey level lost on a typical boundary, as a share of full white. Default: 0.38.
    pub boundary_depth: f64,
    /// Half width of a boundary in px. Default: 1.1.
    pub boundary_px: f64,
    /// Share of boundaries that hardly show. Default: 0.05.
    pub faint_share: f64,
    /// Scratches in a picture of 1024 x 768 px. Default: 12.
    pub scratches: f64,
    /// Standard deviation of the grey level between grains. Default: 0.015.
    #[serde(skip_serializing_if = "is_usual_contrast")]
    pub grain_contrast: f64,
}

const USUAL_CONTRAST: f64 = 0.015;

fn is_usual_contrast(value: &f64) -> bool {
    *value == USUAL_CONTRAST
}

impl Default for Optical {
    fn default() -> Self {
        Self {
            boundary_depth: 0.38,
            boundary_px: 1.1,
            faint_share: 0.05,
            scratches: 12.0,
            grain_contrast: USUAL_CONTRAST,
        }
    }
}

/// Grey levels of the section.
pub(crate) fn paint(section: &Section, look: &Optical) -> Grid<f32> {
    let tones = section.per_grain(|stream| (look.grain_contrast * stream.normal()) as f32);
    let lines = section.per_edge(|stream| {
        let faint = if stream.unit() < look.faint_share { 0.15 } else { 1.0 };
        let depth = look.boundary_depth * faint * stream.lognormal(0.25);
        (depth as f32, (look.boundary_px * stream.lognormal(0.15)) as f32)
    });
    let mut picture = section.paint(|spot| {
        let ground = 0.74 + tones[spot.grain as usize] + 0.006 * spot.texture + 0.006 * spot.drift;
        pore_tone(spot, spot.finished(ground - line_tone(section, &lines, spot), 0.74))
    });
    scratch(&mut picture, look.scratches, 0.16, section.seed);
    picture
}

/// The attack of the etchant varies along a boundary.
fn line_tone(section: &Section, lines: &[(f32, f32)], spot: &Spot) -> f32 {
    let mut dark = 0f32;
    for (place, distance, _) in section.edges(spot) {
        let (depth, half_width) = lines[place];
        let t = distance / half_width;
        if t < 6.0 {
            dark = dark.max(depth / (1.0 + t * t * t * t));
        }
    }
    dark * (1.0 + 0.18 * spot.drift).clamp(0.4, 1.5) * spot.shown
}

/// Pores scatter light away: dark with a soft rim, some with light coming back from below.
fn pore_tone(spot: &Spot, ground: f32) -> f32 {
    let cover = pore_cover(spot.rim);
    let depth = (-spot.rim).max(0.0);
    let glow = (0.06 * spot.drift).clamp(0.0, 0.2) * (depth / (depth + 4.0));
    let floor = 0.13 + glow + 0.01 * spot.texture;
    let out = spot.rim.max(0.0);
    let halo = if out < 10.0 { 0.05 / (1.0 + 0.25 * out * out) } else { 0.0 };
    (ground - halo) * (1.0 - cover) + floor * cover
}
