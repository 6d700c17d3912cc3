//! The plane section that the flat looks paint: grains, pores, and their distances.

use rayon::prelude::*;

use super::cells::{Cells, cells};
use super::finish::{Finish, Phases, Polish};
use super::pores::{Material, place_pores};
use super::random::{Purpose, Stream};
use super::rim_distance::signed_distance;
use super::smooth_field::SmoothField;
use super::spec::{Boundaries, PhantomSpec};
use crate::grid::{Frame, Grid, Labels};

/// A section with a margin around the part that is shown.
pub(crate) struct Section {
    pub(crate) cells: Cells,
    pub(crate) material: Grid<Material>,
    /// Distance from the rim of pores and voids in px, negative inside them.
    pub(crate) rim: Grid<f32>,
    /// The part that is shown.
    pub(crate) frame: Frame,
    pub(crate) intercept_px: f32,
    pub(crate) boundaries: Boundaries,
    pub(crate) phases: Phases,
    pub(crate) polish: Polish,
    pub(crate) seed: u64,
}

/// What a look knows of one pixel.
pub(crate) struct Spot {
    /// Id of the grain that is here, or would be without the pore.
    pub(crate) grain: u32,
    /// Where the pixel lies in the undistorted structure.
    pub(crate) point: (f32, f32),
    pub(crate) material: Material,
    pub(crate) rim: f32,
    /// A smooth field with standard deviation 1 that changes over a few pixels.
    pub(crate) texture: f32,
    /// The same over about a grain.
    pub(crate) drift: f32,
    /// How much of a boundary shows here: 1 all of it, near 0 where it fades.
    pub(crate) shown: f32,
    /// Grey level that second phases, glass and polishing add to the ground.
    pub(crate) added: f32,
    /// Share of the pixel that is glass.
    pub(crate) glass: f32,
}

/// No ground is as dark as the floor of a pore.
const DARKEST_GROUND: f32 = 0.24;

impl Spot {
    /// The ground with what is added to it; glass hides it and shows the `even` level instead.
    pub(crate) fn finished(&self, ground: f32, even: f32) -> f32 {
        if self.added == 0.0 && self.glass == 0.0 {
            return ground;
        }
        let glazed = ground + (even - ground) * self.glass;
        (glazed + self.added).max(DARKEST_GROUND.min(glazed))
    }
}

/// Grains and pores of `spec`.
pub(crate) fn section(spec: &PhantomSpec) -> Section {
    let intercept = spec.intercept_px();
    let margin = (2.0 * spec.pores.diameter_px).clamp(12.0, 100.0) as usize;
    let frame = Frame { x: margin, y: margin, width: spec.width_px, height: spec.height_px };
    let size = (spec.width_px + 2 * margin, spec.height_px + 2 * margin);
    let cells = cells(&spec.structure, size, (spec.waviness * intercept, 0.8 * intercept + 2.0), spec.seed);
    let material = place_pores(&spec.pores, &cells, frame, spec.seed);
    let rim = signed_distance(&material.map(|m| m != Material::Grain));
    Section {
        cells,
        material,
        rim,
        frame,
        intercept_px: intercept as f32,
        boundaries: spec.boundaries,
        phases: spec.phases,
        polish: spec.polish,
        seed: spec.seed,
    }
}

impl Section {
    /// The truth: 0 = pore or void.
    pub(crate) fn labels(&self) -> Labels {
        let mut ids = self.cells.ids.cropped(self.frame);
        let material = self.material.cropped(self.frame);
        for (id, &m) in ids.as_mut_slice().iter_mut().zip(material.as_slice()) {
            if m != Material::Grain {
                *id = 0;
            }
        }
        Labels::from_ids(ids)
    }

    /// Share of the picture taken by pulled-out grains, in percent.
    pub(crate) fn pull_out_percent(&self) -> f64 {
        100.0 * self.material.cropped(self.frame).map(|m| m == Material::PullOut).area_fraction()
    }

    /// The grey level that `tone` gives to each pixel of section and margin.
    pub(crate) fn paint(&self, tone: impl Fn(&Spot) -> f32 + Sync) -> Grid<f32> {
        let (width, height) = (self.material.width(), self.material.height());
        let field =
            |index, spacing| SmoothField::new((self.seed, Purpose::Texture, index), spacing, (width, height));
        let fine = field(0, 3.0);
        let coarse = field(1, f64::from(self.intercept_px).max(6.0));
        let fading = Fading::new(self, (width, height));
        let finish = Finish::new(self);
        let mut picture = Grid::filled(width, height, 0f32);
        picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let (mut texture, mut drift) = (vec![0f32; width], vec![0f32; width]);
            fine.fill_row(y, &mut texture);
            coarse.fill_row(y, &mut drift);
            let mut shown = vec![1f32; width];
            fading.fill_row(y, &mut shown);
            for (x, value) in row.iter_mut().enumerate() {
                let mut spot = Spot {
                    grain: self.cells.ids.at(x, y),
                    point: self.cells.points.at(x, y),
                    material: self.material.at(x, y),
                    rim: self.rim.at(x, y),
                    texture: texture[x],
                    drift: drift[x],
                    shown: shown[x],
                    added: 0.0,
                    glass: 0.0,
                };
                if let Some(finish) = &finish {
                    (spot.added, spot.glass) = finish.added(self, &spot);
                }
                *value = tone(&spot);
            }
        });
        picture
    }

    /// One value per grain, by id, from a stream of its own.
    pub(crate) fn per_grain<T: Send>(&self, draw: impl Fn(&mut Stream) -> T + Sync) -> Vec<T> {
        self.per_grain_for(Purpose::Grains, draw)
    }

    /// The same for a purpose.
    pub(crate) fn per_grain_for<T: Send>(
        &self,
        purpose: Purpose,
        draw: impl Fn(&mut Stream) -> T + Sync,
    ) -> Vec<T> {
        let ids = 0..=self.cells.sites.len() as u64;
        ids.into_par_iter().map(|id| draw(&mut Stream::new(self.seed, purpose, id))).collect()
    }

    /// One value per edge, in the order of the edges, the same seen from both grains.
    pub(crate) fn per_edge<T: Send>(&self, draw: impl Fn(&mut Stream) -> T + Sync) -> Vec<T> {
        self.per_edge_for(Purpose::Edges, draw)
    }

    /// The same for a purpose.
    pub(crate) fn per_edge_for<T: Send>(
        &self,
        purpose: Purpose,
        draw: impl Fn(&mut Stream) -> T + Sync,
    ) -> Vec<T> {
        let one = |id: u32, other: u32| {
            let (low, high) = (u64::from(id.min(other)), u64::from(id.max(other)));
            draw(&mut Stream::new(self.seed, purpose, (low << 20) ^ high))
        };
        let grains = 1..=self.cells.sites.len() as u32;
        grains
            .into_par_iter()
            .flat_map_iter(|id| self.cells.neighbours.of(id).iter().map(move |edge| (id, edge.neighbour)))
            .map(|(id, other)| one(id, other))
            .collect()
    }

    /// The edges of the spot's grain: place in the order of [`Section::per_edge`], distance, and the
    /// direction away from the edge.
    pub(crate) fn edges(&self, spot: &Spot) -> impl Iterator<Item = (usize, f32, (f32, f32))> {
        let range = self.cells.neighbours.range(spot.grain);
        let (x, y) = spot.point;
        range.clone().zip(self.cells.neighbours.of(spot.grain)).map(move |(place, edge)| {
            (place, (edge.x * x + edge.y * y + edge.shift).max(0.0), (edge.x, edge.y))
        })
    }
}

/// Where boundaries fade: a smooth field above a threshold.
struct Fading {
    field: Option<SmoothField>,
    threshold: f32,
}

/// What is left of a boundary in the middle of a faded stretch.
const LEFT_OF_FADED: f32 = 0.04;

impl Fading {
    fn new(section: &Section, size: (usize, usize)) -> Self {
        let share = section.boundaries.fading_share;
        let spacing = (0.5 * f64::from(section.intercept_px)).max(4.0);
        let field =
            (share > 0.0).then(|| SmoothField::new((section.seed, Purpose::Fading, 0), spacing, size));
        // The normal quantile by its logistic approximation, within a percent of the share.
        let threshold = if share > 0.0 { libm::log((1.0 - share) / share) / 1.702 } else { f64::INFINITY };
        Self { field, threshold: threshold as f32 }
    }

    fn fill_row(&self, y: usize, row: &mut [f32]) {
        let Some(field) = &self.field else { return };
        field.fill_row(y, row);
        for value in row {
            let faded = (0.5 + (*value - self.threshold) / 0.5).clamp(0.0, 1.0);
            let smooth = faded * faded * (3.0 - 2.0 * faded);
            *value = 1.0 - (1.0 - LEFT_OF_FADED) * smooth;
        }
    }
}

/// Share of a pixel that lies in a pore, from its distance to the rim.
pub(crate) fn pore_cover(rim: f32) -> f32 {
    (0.5 - rim).clamp(0.0, 1.0)
}
