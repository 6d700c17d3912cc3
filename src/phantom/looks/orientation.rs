//! Orientation contrast: each grain has its own grey, without grooves.

use serde::{Deserialize, Serialize};

use super::super::scratches::scratch;
use super::super::section::{Section, Spot, pore_cover};
use super::super::spec::is_default;
use crate::grid::Grid;

/// Settings of the orientation-contrast look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Orientation {
    /// Standard deviation of the grey level between grains, as a share of full white. Default: 0.12.
    pub contrast: f64,
    /// Grey level lost along the boundary itself. Default: 0.02.
    pub boundary_depth: f64,
    /// Share of boundaries across which the grey level changes gradually, so that they hardly show. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub faint_share: f64,
}

impl Default for Orientation {
    fn default() -> Self {
        Self { contrast: 0.12, boundary_depth: 0.02, faint_share: 0.0 }
    }
}

/// Grey levels of the section.
pub(crate) fn paint(section: &Section, look: &Orientation) -> Grid<f32> {
    let tones = section.per_grain(|stream| {
        // Few orientations channel strongly: a skewed distribution with a short dark side.
        let skewed = stream.normal() + 0.35 * (stream.exponential() - 1.0);
        let (x, y) = stream.normal_pair();
        let tilt = 0.12 * look.contrast / f64::from(section.intercept_px);
        ((look.contrast * skewed).clamp(-0.32, 0.42) as f32, (tilt * x) as f32, (tilt * y) as f32)
    });
    let faint = section.per_edge(|stream| stream.unit() < look.faint_share);
    let hides = look.faint_share > 0.0 || section.boundaries.fading_share > 0.0;
    let mut picture = section.paint(|spot| {
        let (tone, tilt_x, tilt_y) = tones[spot.grain as usize];
        let site = section.cells.sites[spot.grain as usize - 1];
        let lean = tilt_x * (spot.point.0 - site.x as f32) + tilt_y * (spot.point.1 - site.y as f32);
        let nearest = section.edges(spot).map(|(_, distance, _)| distance).fold(f32::INFINITY, f32::min);
        let line = if nearest < 6.0 { look.boundary_depth as f32 / (1.0 + nearest * nearest) } else { 0.0 };
        let blend = if hides { blend(section, &faint, spot, |id| tones[id as usize].0) } else { 0.0 };
        let ground = 0.48 + tone + lean + blend - line * spot.shown + 0.006 * spot.texture;
        let ground = spot.finished(ground, 0.48);
        let cover = pore_cover(spot.rim);
        let depth = (-spot.rim).max(0.0);
        let floor = 0.05 + 0.012 * spot.texture + 0.08 / (1.0 + 0.5 * depth * depth);
        let out = spot.rim.max(0.0);
        let rim = if out < 6.0 { 0.06 / (1.0 + out * out) } else { 0.0 };
        (ground + rim) * (1.0 - cover) + floor * cover
    });
    scratch(&mut picture, section.polish.scratches, 0.3, section.seed);
    picture
}

/// Change of the grey level towards that of the nearest neighbour, where the boundary to it does not show.
fn blend(section: &Section, faint: &[bool], spot: &Spot, tone: impl Fn(u32) -> f32) -> f32 {
    let neighbours = section.cells.neighbours.of(spot.grain);
    let nearest = section.edges(spot).zip(neighbours).min_by(|(a, _), (b, _)| a.1.total_cmp(&b.1));
    let Some(((place, distance, _), edge)) = nearest else { return 0.0 };
    let hidden = if faint[place] { 1.0 } else { 1.0 - spot.shown };
    let t = distance / (0.16 * section.intercept_px);
    // Half way at the boundary itself, so that both sides meet.
    0.5 * hidden * (tone(edge.neighbour) - tone(spot.grain)) / (1.0 + t * t * t)
}
