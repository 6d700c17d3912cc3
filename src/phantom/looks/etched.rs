//! Polished and thermally etched: grooves along grain boundaries, slight grain contrast, faint terraces.

use serde::{Deserialize, Serialize};

use super::super::pores::Material;
use super::super::scratches::scratch;
use super::super::section::{Section, Spot, pore_cover};
use crate::grid::Grid;

/// Settings of the thermally etched look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Etched {
    /// Grey level lost in the middle of a typical groove, as a share of full white. Default: 0.3.
    pub groove_depth: f64,
    /// Half width of a typical groove in px. Default: 1.4.
    pub groove_px: f64,
    /// Share of boundaries whose groove hardly shows. Default: 0.04.
    pub faint_share: f64,
    /// Standard deviation of the grey level between grains. Default: 0.03.
    pub grain_contrast: f64,
    /// Share of grains with a terraced surface. Default: 0.1.
    pub terraced_share: f64,
}

impl Default for Etched {
    fn default() -> Self {
        Self {
            groove_depth: 0.3,
            groove_px: 1.4,
            faint_share: 0.04,
            grain_contrast: 0.03,
            terraced_share: 0.1,
        }
    }
}

/// Where the detector sits, as seen in the picture: above, somewhat left.
const TOWARDS_DETECTOR: (f32, f32) = (-0.45, -0.89);

const GROUND: f32 = 0.52;

struct Grain {
    tone: f32,
    tilt: (f32, f32),
    /// Wave vector of the terraces in radians per px, and their contrast.
    terrace: (f32, f32, f32),
}

struct Groove {
    depth: f32,
    half_width: f32,
    /// Height of the bright shoulder against the depth.
    shoulder: f32,
}

/// Grey levels of the section.
pub(crate) fn paint(section: &Section, look: &Etched) -> Grid<f32> {
    let size = f64::from(section.intercept_px);
    let grains = section.per_grain(|stream| {
        let tone = (look.grain_contrast * stream.normal()) as f32;
        let (tilt_x, tilt_y) = stream.normal_pair();
        let tilt_scale = 0.5 * look.grain_contrast / size;
        let angle = stream.between(0.0, 2.0 * std::f64::consts::PI);
        let wave = 2.0 * std::f64::consts::PI / stream.between(4.0, 9.0);
        let contrast = if stream.unit() < look.terraced_share { stream.between(0.008, 0.03) } else { 0.0 };
        Grain {
            tone,
            tilt: ((tilt_scale * tilt_x) as f32, (tilt_scale * tilt_y) as f32),
            terrace: ((wave * libm::cos(angle)) as f32, (wave * libm::sin(angle)) as f32, contrast as f32),
        }
    });
    let grooves = section.per_edge(|stream| {
        let faint = if stream.unit() < look.faint_share { 0.12 } else { 1.0 };
        Groove {
            depth: (look.groove_depth * faint * stream.lognormal(0.3)) as f32,
            half_width: (look.groove_px * stream.lognormal(0.2)) as f32,
            shoulder: stream.between(0.25, 0.75) as f32,
        }
    });
    let mut picture = section.paint(|spot| {
        let ground =
            grain_tone(section, &grains[spot.grain as usize], spot) + groove_tone(section, &grooves, spot);
        pore_tone(spot, spot.finished(ground, GROUND))
    });
    scratch(&mut picture, section.polish.scratches, 0.3, section.seed);
    picture
}

fn grain_tone(section: &Section, grain: &Grain, spot: &Spot) -> f32 {
    let site = section.cells.sites[spot.grain as usize - 1];
    let (dx, dy) = (spot.point.0 - site.x as f32, spot.point.1 - site.y as f32);
    let mut tone = GROUND + grain.tone + grain.tilt.0 * dx + grain.tilt.1 * dy + 0.008 * spot.texture;
    let (wave_x, wave_y, contrast) = grain.terrace;
    if contrast > 0.0 {
        // Terraces bend with the smooth field, so that they are no ruled lines.
        tone += contrast * libm::sinf(wave_x * dx + wave_y * dy + 2.0 * spot.drift);
    }
    tone
}

/// Dark in the groove, bright on its shoulders, more so on the side that faces the detector.
fn groove_tone(section: &Section, grooves: &[Groove], spot: &Spot) -> f32 {
    let (mut dark, mut nearest, mut bright) = (0f32, f32::INFINITY, 0f32);
    for (place, distance, away) in section.edges(spot) {
        let groove = &grooves[place];
        let t = distance / groove.half_width;
        if t > 8.0 {
            continue;
        }
        let fall = 1.0 / (1.0 + t * t);
        dark = dark.max(groove.depth * fall * fall);
        if distance < nearest {
            nearest = distance;
            let facing = away.0 * TOWARDS_DETECTOR.0 + away.1 * TOWARDS_DETECTOR.1;
            bright = groove.depth * groove.shoulder * (1.0 - 0.9 * facing) * 2.0 * t * t * fall * fall;
        }
    }
    (bright - dark) * spot.shown
}

/// Pores: dark, darkest in the middle, with a bright rim; pulled-out voids show a rough floor.
pub(super) fn pore_tone(spot: &Spot, ground: f32) -> f32 {
    let cover = pore_cover(spot.rim);
    let depth = (-spot.rim).max(0.0);
    let floor = match spot.material {
        // The floor is a fracture face: it leans, and its walls keep the light out.
        Material::PullOut => {
            let lean = (0.06 * spot.drift + 0.012 * spot.texture).clamp(-0.08, 0.14);
            0.10 + (0.12 + lean) * (depth / (depth + 5.0)) + 0.08 / (1.0 + 0.5 * depth * depth)
        }
        _ => 0.06 + 0.014 * spot.texture + 0.10 / (1.0 + 0.35 * depth * depth),
    };
    let out = spot.rim.max(0.0);
    let rim = if out < 8.0 { 0.2 / (1.0 + 0.6 * out * out) } else { 0.0 };
    (ground + rim) * (1.0 - cover) + floor * cover
}
