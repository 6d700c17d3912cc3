//! Second phases, glass, polishing relief and textured faces: what lies on a section besides its boundaries.

use serde::{Deserialize, Serialize};

use super::random::Purpose;
use super::section::{Section, Spot};
use super::spec::{in_ranges, is_default};
use crate::error::Error;

/// Grains of a second phase and glass between grains. None of it is pore. Looks etched, optical, orientation and
/// polished.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Phases {
    /// Share of grains that are of a second phase; 0 to 0.6. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub grain_share: f64,
    /// Their grey level against the matrix, as a share of full white; -0.3 to 0.4. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub grain_tone: f64,
    /// Share of boundaries with a film of glass; 0 to 1. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub film_share: f64,
    /// Half width of the film in px; 0 to 10. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub film_px: f64,
    /// How far glass reaches from junctions into the grains, in px; 0 to 50. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub pocket_px: f64,
    /// Grey level of the glass against the matrix; -0.3 to 0.4. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub glass_tone: f64,
}

/// What polishing leaves. Looks etched, optical, orientation and polished.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Polish {
    /// Bright and dark steps between grains that stand at different heights, as a share of full white; 0 to 0.4.
    /// Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub relief: f64,
    /// Scratches in a picture of 1024 x 768 px, in looks that have no such number of their own. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub scratches: f64,
    /// Share of grains with lines across their faces, which are no boundaries. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub lined_share: f64,
}

impl Phases {
    pub(crate) fn check(&self) -> Result<(), Error> {
        in_ranges(&[
            ("grain share", self.grain_share, 0.0, 0.6),
            ("grain tone", self.grain_tone, -0.3, 0.4),
            ("film share", self.film_share, 0.0, 1.0),
            ("film in px", self.film_px, 0.0, 10.0),
            ("pocket in px", self.pocket_px, 0.0, 50.0),
            ("glass tone", self.glass_tone, -0.3, 0.4),
        ])
    }
}

impl Polish {
    pub(crate) fn check(&self) -> Result<(), Error> {
        in_ranges(&[
            ("relief", self.relief, 0.0, 0.4),
            ("scratches", self.scratches, 0.0, 10_000.0),
            ("lined share", self.lined_share, 0.0, 1.0),
        ])
    }
}

/// Everything drawn at random for one section.
pub(crate) struct Finish {
    phases: Phases,
    polish: Polish,
    grains: Vec<Grain>,
    filmed: Vec<bool>,
}

struct Grain {
    second: bool,
    height: f32,
    /// Wave vector of the lines in radians per px, and their contrast.
    lines: (f32, f32, f32),
}

/// Where the detector sits, as seen in the picture.
const TOWARDS_DETECTOR: (f32, f32) = (-0.45, -0.89);

/// Px over which a step between two heights is seen.
const STEP_PX: f32 = 2.5;

impl Finish {
    /// `None` where nothing was asked for.
    pub(crate) fn new(section: &Section) -> Option<Self> {
        let (phases, polish) = (section.phases, section.polish);
        if phases == Phases::default() && polish == Polish::default() {
            return None;
        }
        let longest = (0.6 * f64::from(section.intercept_px)).clamp(5.0, 24.0);
        let grains = section.per_grain_for(Purpose::Finish, |stream| {
            let second = stream.unit() < phases.grain_share;
            let height = stream.normal() as f32;
            let angle = stream.between(0.0, 2.0 * std::f64::consts::PI);
            let wave = 2.0 * std::f64::consts::PI / stream.between(4.0, longest);
            let lined = stream.unit() < polish.lined_share;
            let contrast = if lined { stream.between(0.02, 0.09) } else { 0.0 };
            let along = ((wave * libm::cos(angle)) as f32, (wave * libm::sin(angle)) as f32);
            Grain { second, height, lines: (along.0, along.1, contrast as f32) }
        });
        let filmed = section.per_edge_for(Purpose::Films, |stream| stream.unit() < phases.film_share);
        Some(Self { phases, polish, grains, filmed })
    }

    /// Grey level that is added to the ground of a spot, and the share of it that is glass.
    pub(crate) fn added(&self, section: &Section, spot: &Spot) -> (f32, f32) {
        let grain = &self.grains[spot.grain as usize];
        let mut tone = 0.0;
        if grain.second {
            // The second phase is mottled where the matrix is even.
            tone += self.phases.grain_tone as f32 + 0.015 * spot.texture;
        }
        let (wave_x, wave_y, contrast) = grain.lines;
        if contrast > 0.0 {
            let phase = wave_x * spot.point.0 + wave_y * spot.point.1 + 1.5 * spot.drift;
            tone += contrast * libm::sinf(phase);
        }
        let glass = self.glass_cover(section, spot);
        tone = tone * (1.0 - glass) + glass * self.phases.glass_tone as f32;
        (tone + self.step_tone(section, spot), glass)
    }

    /// Share of the pixel that is glass.
    fn glass_cover(&self, section: &Section, spot: &Spot) -> f32 {
        let (film, pocket) = (self.phases.film_px as f32, self.phases.pocket_px as f32);
        if film == 0.0 && pocket == 0.0 {
            return 0.0;
        }
        let (mut cover, mut least, mut second) = (0f32, f32::INFINITY, f32::INFINITY);
        for (place, distance, _) in section.edges(spot) {
            if self.filmed[place] {
                cover = cover.max((film + 0.5 - distance).clamp(0.0, 1.0));
            }
            if distance < least {
                (least, second) = (distance, least);
            } else {
                second = second.min(distance);
            }
        }
        // √a + √b is constant on hollow curves that end in cusps along both edges.
        let reach = pocket * (1.0 + 0.35 * spot.drift).clamp(0.2, 2.0);
        let corner = (least.sqrt() + second.sqrt()) * (least.sqrt() + second.sqrt());
        let pocket_cover = if pocket > 0.0 { (reach + 0.5 - corner).clamp(0.0, 1.0) } else { 0.0 };
        cover.max(pocket_cover)
    }

    /// Flanks between grains of different height: lit or in shade, the upper rim bright.
    fn step_tone(&self, section: &Section, spot: &Spot) -> f32 {
        if self.polish.relief == 0.0 {
            return 0.0;
        }
        let own = self.grains[spot.grain as usize].height;
        let neighbours = section.cells.neighbours.of(spot.grain);
        let mut sum = 0.0;
        for ((_, distance, away), edge) in section.edges(spot).zip(neighbours) {
            let t = distance / STEP_PX;
            if t < 5.0 {
                let drop = (own - self.grains[edge.neighbour as usize].height).clamp(-2.0, 2.0);
                let facing = away.0 * TOWARDS_DETECTOR.0 + away.1 * TOWARDS_DETECTOR.1;
                sum += drop * (0.3 - 0.7 * facing) * libm::expf(-t);
            }
        }
        self.polish.relief as f32 * sum
    }
}
