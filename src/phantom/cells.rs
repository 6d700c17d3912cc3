//! Grains as they are drawn: curved cells, the distance of every pixel to each edge of its grain, and the
//! margin around the picture that keeps its rims free of special cases.

use std::collections::BTreeSet;

use rayon::prelude::*;

use super::power_diagram::{Site, Window, rasterise};
use super::random::Purpose;
use super::sites::sites;
use super::smooth_field::SmoothField;
use super::structure::StructureSpec;
use crate::grid::Grid;

/// One edge of a grain: `x * point.0 + y * point.1 + shift` is the distance of an inner point from it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    /// Id of the grain on the other side.
    pub(crate) neighbour: u32,
    pub(crate) x: f32,
    pub(crate) y: f32,
    pub(crate) shift: f32,
}

/// The edges of all cells, sorted by cell.
pub(crate) struct Neighbours {
    edges: Vec<Edge>,
    first: Vec<u32>,
}

impl Neighbours {
    /// Places in [`Neighbours::edge`] of the edges of the grain with this id.
    pub(crate) fn range(&self, id: u32) -> std::ops::Range<usize> {
        self.first[id as usize - 1] as usize..self.first[id as usize] as usize
    }

    /// Edges of the grain with this id.
    pub(crate) fn of(&self, id: u32) -> &[Edge] {
        &self.edges[self.range(id)]
    }
}

/// The grains of a picture and its margin.
pub(crate) struct Cells {
    /// The sites; grain `id` belongs to site `id - 1`.
    pub(crate) sites: Vec<Site>,
    /// Grain of each pixel.
    pub(crate) ids: Grid<u32>,
    /// Where each pixel lies in the undistorted structure, in px.
    pub(crate) points: Grid<(f32, f32)>,
    /// Which grains touch, and along which lines.
    pub(crate) neighbours: Neighbours,
}

/// Grains of `width` x `height` px whose edges are bent by `waviness_px` over about `wavelength_px`.
///
/// Bending moves each pixel's point by a smooth field, so a bent structure has the same neighbours.
pub(crate) fn cells(
    spec: &StructureSpec,
    (width, height): (usize, usize),
    (waviness_px, wavelength_px): (f64, f64),
    seed: u64,
) -> Cells {
    // Normal displacements stay within four standard deviations but for one pixel in 16 000, which is cut.
    let reach = libm::ceil((4.0 * waviness_px + 2.0).min(64.0));
    let outer = Window {
        left: -reach,
        top: -reach,
        width: width + 2 * reach as usize,
        height: height + 2 * reach as usize,
    };
    let sites = sites(spec, outer, seed);
    let straight = rasterise(&sites, outer);
    let neighbours = neighbours(&sites, &straight);
    let field = |purpose| SmoothField::new((seed, purpose, 0), wavelength_px, (width, height));
    let (bend_x, bend_y) = (field(Purpose::WarpX), field(Purpose::WarpY));
    let lookup = Lookup { sites: &sites, neighbours: &neighbours, straight: &straight, outer };
    let mut ids = Grid::filled(width, height, 0);
    let mut points = Grid::filled(width, height, (0.0, 0.0));
    let rows = ids.as_mut_slice().par_chunks_mut(width).zip(points.as_mut_slice().par_chunks_mut(width));
    rows.enumerate().for_each(|(y, (ids, points))| {
        let (mut dx, mut dy) = (vec![0f32; width], vec![0f32; width]);
        bend_x.fill_row(y, &mut dx);
        bend_y.fill_row(y, &mut dy);
        let bend = |d: f32| (waviness_px * f64::from(d)).clamp(1.0 - reach, reach - 1.0);
        for x in 0..width {
            let point = (x as f64 + 0.5 + bend(dx[x]), y as f64 + 0.5 + bend(dy[x]));
            ids[x] = lookup.nearest(point);
            points[x] = (point.0 as f32, point.1 as f32);
        }
    });
    Cells { ids, points, neighbours, sites }
}

/// What is needed to find the cell of a point between pixel centres.
struct Lookup<'a> {
    sites: &'a [Site],
    neighbours: &'a Neighbours,
    straight: &'a Grid<u32>,
    outer: Window,
}

impl Lookup<'_> {
    /// The cell of a point, found by descent over neighbours from the cell of the nearest pixel centre.
    fn nearest(&self, (x, y): (f64, f64)) -> u32 {
        let column = ((x - self.outer.left) as usize).min(self.outer.width - 1);
        let row = ((y - self.outer.top) as usize).min(self.outer.height - 1);
        let power = |id: u32| {
            let site = self.sites[id as usize - 1];
            (x - site.x) * (x - site.x) + (y - site.y) * (y - site.y) + site.offset
        };
        let mut best = self.straight.at(column, row);
        let mut least = power(best);
        loop {
            let start = best;
            for edge in self.neighbours.of(start) {
                let other = power(edge.neighbour);
                if other < least {
                    (best, least) = (edge.neighbour, other);
                }
            }
            if best == start {
                return best;
            }
        }
    }
}

/// The edges of all cells, from pixels that touch by a side or a corner.
fn neighbours(sites: &[Site], ids: &Grid<u32>) -> Neighbours {
    let mut pairs = BTreeSet::new();
    let mut last = (0, 0);
    for y in 0..ids.height() - 1 {
        let (row, below) = (ids.row(y), ids.row(y + 1));
        for x in 0..ids.width() - 1 {
            let here = row[x];
            for other in [row[x + 1], below[x], below[x + 1]] {
                if other != here && last != (here, other) {
                    last = (here, other);
                    pairs.insert(last);
                    pairs.insert((other, here));
                }
            }
            if row[x + 1] != below[x] {
                pairs.insert((row[x + 1], below[x]));
                pairs.insert((below[x], row[x + 1]));
            }
        }
    }
    let mut first = vec![0u32; sites.len() + 1];
    pairs.iter().for_each(|&(id, _)| first[id as usize] += 1);
    for i in 1..first.len() {
        first[i] += first[i - 1];
    }
    let edge = |&(id, other): &(u32, u32)| edge_between(sites, id, other);
    Neighbours { edges: pairs.iter().map(edge).collect(), first }
}

/// The straight edge between two cells, seen from the first: half the difference of the power distances,
/// divided by the distance of the sites.
fn edge_between(sites: &[Site], id: u32, other: u32) -> Edge {
    let (a, b) = (sites[id as usize - 1], sites[other as usize - 1]);
    let (dx, dy) = (a.x - b.x, a.y - b.y);
    let length = libm::sqrt(dx * dx + dy * dy).max(1e-9);
    let square = |s: Site| s.x * s.x + s.y * s.y + s.offset;
    Edge {
        neighbour: other,
        x: (dx / length) as f32,
        y: (dy / length) as f32,
        shift: ((square(b) - square(a)) / (2.0 * length)) as f32,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::structure::{Density, Structure};

    fn spec() -> StructureSpec {
        StructureSpec {
            structure: Structure::Section3d { size_spread: 0.3, regularity: 0.5 },
            density: Density::MeanInterceptPx(14.0),
        }
    }

    #[test]
    fn without_bending_cells_are_those_of_the_label_map() {
        let cells = cells(&spec(), (120, 90), (0.0, 20.0), 4);
        let outer = Window { left: -2.0, top: -2.0, width: 124, height: 94 };
        let straight = rasterise(&sites(&spec(), outer, 4), outer);
        for y in 0..90 {
            for x in 0..120 {
                assert_eq!(cells.ids.at(x, y), straight.at(x + 2, y + 2), "{x},{y}");
            }
        }
    }

    #[test]
    fn distances_to_edges_are_positive_inside_and_small_at_a_change_of_grain() {
        let cells = cells(&spec(), (200, 160), (1.0, 20.0), 9);
        for y in 0..160 {
            for x in 0..199 {
                let (id, next) = (cells.ids.at(x, y), cells.ids.at(x + 1, y));
                let (px, py) = cells.points.at(x, y);
                let distance = |e: &Edge| e.x * px + e.y * py + e.shift;
                let least = cells.neighbours.of(id).iter().map(distance).fold(f32::INFINITY, f32::min);
                assert!(least > -1e-2, "{x},{y}: {least}");
                if id != next {
                    assert!(least < 1.6, "{x},{y}: {least}");
                }
            }
        }
    }
}
