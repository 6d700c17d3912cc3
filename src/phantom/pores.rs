//! Pores and pulled-out grains, placed until the requested share of the picture is reached.

use serde::{Deserialize, Serialize};

use super::cells::Cells;
use super::pore_shape::{DIRECTIONS, Outline, inside_outline, junction_outline, lens_outline, ring_changes};
use super::random::{Purpose, Stream};
use crate::grid::{Frame, Grid};

/// How porous a picture is, and where its pores sit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PoreSpec {
    /// Share of the picture, in percent; met to [`PORE_STEP_PX`] pixels. Default: 5.
    pub percent: f64,
    /// Median equivalent circle diameter in px. Default: 9.
    pub diameter_px: f64,
    /// Standard deviation of the logarithm of the diameter; 0 to 1. Default: 0.4.
    pub size_spread: f64,
    /// Relative number of pores at grain junctions. Where the sites asked for are taken or absent, pores fall
    /// anywhere. Default: 6.
    pub junction_share: f64,
    /// Relative number of pores on boundaries between two grains. Default: 2.
    pub boundary_share: f64,
    /// Relative number of pores inside grains. Default: 1.
    pub inside_share: f64,
    /// 0: pores at junctions are round. 1: they have hollow sides and sharp cusps. Default: 0.5.
    pub angularity: f64,
    /// Share of the picture taken by pulled-out grains, in percent, on top of the pores; met to about a
    /// grain. Default: 0.
    pub pull_out_percent: f64,
}

impl Default for PoreSpec {
    fn default() -> Self {
        Self {
            percent: 5.0,
            diameter_px: 9.0,
            size_spread: 0.4,
            junction_share: 6.0,
            boundary_share: 2.0,
            inside_share: 1.0,
            angularity: 0.5,
            pull_out_percent: 0.0,
        }
    }
}

/// Pixels by which the pore area may miss the request.
pub const PORE_STEP_PX: usize = 9;

/// What a pixel of the drawn section is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Material {
    #[default]
    Grain,
    Pore,
    PullOut,
}

#[derive(Clone, Copy)]
enum Site {
    Junction,
    Boundary,
    Inside,
    Anywhere,
}

/// Tries in vain after which a pore may sit anywhere, and after which no more are placed.
const TRIES_BEFORE_ANYWHERE: u32 = 100;
const MOST_TRIES: u32 = 2000;

/// The material of every pixel; shares are counted inside `frame`.
pub(crate) fn place_pores(spec: &PoreSpec, cells: &Cells, frame: Frame, seed: u64) -> Grid<Material> {
    let mut material = Grid::filled(cells.ids.width(), cells.ids.height(), Material::Grain);
    let area = (frame.width * frame.height) as f64;
    pull_grains_out(&mut material, cells, frame, (area * spec.pull_out_percent / 100.0, seed));
    let candidates = Candidates::new(&cells.ids);
    let mut stream = Stream::new(seed, Purpose::Pores, 0);
    let mut missing = (area * spec.percent / 100.0).round() as usize;
    let mut vain = 0;
    while missing >= PORE_STEP_PX && vain < MOST_TRIES {
        let radius = 0.5 * spec.diameter_px * stream.lognormal(spec.size_spread);
        let site = if vain < TRIES_BEFORE_ANYWHERE { pick_site(spec, &mut stream) } else { Site::Anywhere };
        vain += 1;
        let Some((x, y, outline)) = candidates.draw((site, radius, spec.angularity), &cells.ids, &mut stream)
        else {
            continue;
        };
        let pore = fitting_pore(&outline, (x, y), &material, (frame, missing));
        let added = pore.count_in(frame);
        if added <= missing {
            pore.paint(&mut material);
            missing -= added;
            vain = if added > 0 { 0 } else { vain };
        }
    }
    material
}

/// The pore's pixels, the pore made smaller if it would take more than `missing` of the frame.
fn fitting_pore(
    outline: &Outline,
    place: (f64, f64),
    material: &Grid<Material>,
    (frame, missing): (Frame, usize),
) -> Pixels {
    let mut pore = Pixels::of(outline, place, material);
    let mut scale = 1.0;
    for _ in 0..8 {
        let added = pore.count_in(frame);
        if added <= missing {
            break;
        }
        scale *= 0.98 * libm::sqrt(missing as f64 / added as f64);
        pore = Pixels::of(&outline.scaled(scale), place, material);
    }
    pore
}

/// Turns whole grains, now and then with a neighbour, into voids.
fn pull_grains_out(material: &mut Grid<Material>, cells: &Cells, frame: Frame, (wanted, seed): (f64, u64)) {
    let mut stream = Stream::new(seed, Purpose::PullOut, 0);
    let mut areas = vec![0usize; cells.sites.len() + 1];
    for y in frame.y..frame.y + frame.height {
        cells.ids.row(y)[frame.x..frame.x + frame.width].iter().for_each(|&id| areas[id as usize] += 1);
    }
    let mut pulled = vec![false; cells.sites.len() + 1];
    let mut missing = wanted;
    for _ in 0..2000 {
        if missing < 1.0 {
            break;
        }
        let x = frame.x + stream.index(frame.width);
        let y = frame.y + stream.index(frame.height);
        let mut id = cells.ids.at(x, y);
        for _ in 0..1 + stream.index(3) {
            // A grain is taken if that brings the sum nearer to what was asked for.
            if !pulled[id as usize] && (areas[id as usize] as f64) < 2.0 * missing {
                pulled[id as usize] = true;
                missing -= areas[id as usize] as f64;
            }
            let edges = cells.neighbours.of(id);
            if edges.is_empty() {
                break;
            }
            id = edges[stream.index(edges.len())].neighbour;
        }
    }
    for (m, &id) in material.as_mut_slice().iter_mut().zip(cells.ids.as_slice()) {
        if pulled[id as usize] {
            *m = Material::PullOut;
        }
    }
}

/// Where pores can sit.
struct Candidates {
    junctions: Vec<(u32, u32)>,
    boundaries: Vec<(u32, u32)>,
}

impl Candidates {
    fn new(ids: &Grid<u32>) -> Self {
        let mut candidates = Self { junctions: Vec::new(), boundaries: Vec::new() };
        for y in 0..ids.height() - 1 {
            let (row, below) = (ids.row(y), ids.row(y + 1));
            for x in 0..ids.width() - 1 {
                let mut four = [row[x], row[x + 1], below[x], below[x + 1]];
                four.sort_unstable();
                match four.windows(2).filter(|p| p[0] != p[1]).count() {
                    0 => {}
                    1 => candidates.boundaries.push((x as u32, y as u32)),
                    _ => candidates.junctions.push((x as u32, y as u32)),
                }
            }
        }
        candidates
    }

    /// A place and an outline for a pore of this radius, if the place drawn can carry one.
    fn draw(
        &self,
        (site, radius, angularity): (Site, f64, f64),
        ids: &Grid<u32>,
        stream: &mut Stream,
    ) -> Option<(f64, f64, Outline)> {
        let corner = |list: &[(u32, u32)], stream: &mut Stream| {
            let &(x, y) = list.get(stream.index(list.len()))?;
            Some((f64::from(x) + 1.0, f64::from(y) + 1.0))
        };
        let (x, y) = match site {
            Site::Junction => corner(&self.junctions, stream)?,
            Site::Boundary => corner(&self.boundaries, stream)?,
            Site::Inside | Site::Anywhere => {
                (stream.between(0.0, ids.width() as f64), stream.between(0.0, ids.height() as f64))
            }
        };
        let changes = ring_changes(ids, (x, y), 1.4 * radius + 1.5);
        let outline = match site {
            Site::Junction if changes.len() >= 3 => junction_outline(&changes, angularity, stream),
            Site::Boundary if changes.len() == 2 => lens_outline(&changes, stream),
            Site::Inside if changes.is_empty() => inside_outline(stream),
            Site::Anywhere => inside_outline(stream),
            _ => return None,
        };
        Some((x, y, outline.with_radius(radius)))
    }
}

fn pick_site(spec: &PoreSpec, stream: &mut Stream) -> Site {
    let sum = spec.junction_share + spec.boundary_share + spec.inside_share;
    let place = stream.unit() * sum;
    if place < spec.junction_share {
        Site::Junction
    } else if place < spec.junction_share + spec.boundary_share {
        Site::Boundary
    } else {
        Site::Inside
    }
}

/// Pixels that a pore would take from the grains.
struct Pixels(Vec<(usize, usize)>);

impl Pixels {
    fn of(outline: &Outline, (x, y): (f64, f64), material: &Grid<Material>) -> Self {
        let reach = outline.reach();
        let span = |centre: f64, side: usize| {
            let first = (centre - reach - 1.0).max(0.0) as usize;
            first.min(side)..((centre + reach + 1.0).max(0.0) as usize).min(side)
        };
        let mut pixels = Vec::new();
        for row in span(y, material.height()) {
            for column in span(x, material.width()) {
                let (dx, dy) = (column as f64 + 0.5 - x, row as f64 + 0.5 - y);
                if material.at(column, row) == Material::Grain && outline.contains(dx, dy) {
                    pixels.push((column, row));
                }
            }
        }
        Self(pixels)
    }

    fn count_in(&self, frame: Frame) -> usize {
        let inside = |&&(x, y): &&(usize, usize)| {
            (frame.x..frame.x + frame.width).contains(&x) && (frame.y..frame.y + frame.height).contains(&y)
        };
        self.0.iter().filter(inside).count()
    }

    fn paint(&self, material: &mut Grid<Material>) {
        self.0.iter().for_each(|&(x, y)| material.set(x, y, Material::Pore));
    }
}

/// Directions are sampled finely enough that neighbouring ones lie within a pixel for any pore drawn.
const _: () = assert!(DIRECTIONS >= 64);
