//! The plane section that the flat looks paint: grains, pores, and their distances.

use rayon::prelude::*;

use super::cells::{Cells, cells};
use super::pores::{Material, place_pores};
use super::random::{Purpose, Stream};
use super::rim_distance::signed_distance;
use super::smooth_field::SmoothField;
use super::spec::PhantomSpec;
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
    Section { cells, material, rim, frame, intercept_px: intercept as f32, seed: spec.seed }
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
        let mut picture = Grid::filled(width, height, 0f32);
        picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let (mut texture, mut drift) = (vec![0f32; width], vec![0f32; width]);
            fine.fill_row(y, &mut texture);
            coarse.fill_row(y, &mut drift);
            for (x, value) in row.iter_mut().enumerate() {
                *value = tone(&Spot {
                    grain: self.cells.ids.at(x, y),
                    point: self.cells.points.at(x, y),
                    material: self.material.at(x, y),
                    rim: self.rim.at(x, y),
                    texture: texture[x],
                    drift: drift[x],
                });
            }
        });
        picture
    }

    /// One value per grain, by id, from a stream of its own.
    pub(crate) fn per_grain<T: Send>(&self, draw: impl Fn(&mut Stream) -> T + Sync) -> Vec<T> {
        let ids = 0..=self.cells.sites.len() as u64;
        ids.into_par_iter().map(|id| draw(&mut Stream::new(self.seed, Purpose::Grains, id))).collect()
    }

    /// One value per edge, in the order of the edges, the same seen from both grains.
    pub(crate) fn per_edge<T: Send>(&self, draw: impl Fn(&mut Stream) -> T + Sync) -> Vec<T> {
        let one = |id: u32, other: u32| {
            let (low, high) = (u64::from(id.min(other)), u64::from(id.max(other)));
            draw(&mut Stream::new(self.seed, Purpose::Edges, (low << 20) ^ high))
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

/// Share of a pixel that lies in a pore, from its distance to the rim.
pub(crate) fn pore_cover(rim: f32) -> f32 {
    (0.5 - rim).clamp(0.0, 1.0)
}
