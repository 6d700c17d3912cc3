//! The point processes behind the structures, as sites of a power diagram in the picture's plane.

use super::power_diagram::{Site, Window};
use super::random::{Purpose, Stream};
use super::smooth_field::SmoothField;
use super::structure::{SPACE_INTERCEPT, Structure, StructureSpec};

/// Distance, in units of the mean spacing, beyond which no cell of a Poisson process reaches in practice:
/// an empty ball of radius 2 has probability exp(-33) in space, an empty disc of radius 3 exp(-28) in the plane.
const SPACE_REACH: f64 = 2.0;
const PLANE_REACH: f64 = 3.0;

/// Share of space that the spheres fill at regularity 1, and of the plane that the discs fill; random
/// sequential addition jams near 0.38 and 0.547 (both well known), so these are reached quickly.
const SPHERE_SHARE: f64 = 0.30;
const DISC_SHARE: f64 = 0.45;

/// The sites, in ascending x, that decide the cells of every pixel in `window`.
pub(crate) fn sites(spec: &StructureSpec, window: Window, seed: u64) -> Vec<Site> {
    let mut stream = Stream::new(seed, Purpose::Sites, 0);
    let intensity = spec.intensity();
    let mut sites = match spec.structure {
        Structure::Section3d { size_spread, regularity } => {
            section(&mut stream, intensity, window, size_spread, regularity)
        }
        Structure::Duplex { size_spread, regularity, size_ratio, coarse_share } => {
            let fine = section(&mut stream, intensity, window, size_spread, regularity);
            let coarse_intensity = intensity / libm::pow(size_ratio, 3.0);
            let coarse = section(&mut stream, coarse_intensity, window, size_spread, regularity);
            let region_px = REGION_WIDTH * SPACE_INTERCEPT / libm::cbrt(coarse_intensity);
            side_by_side(fine, coarse, (coarse_share, region_px), (window, seed))
        }
        Structure::Abnormal { size_spread, regularity, size_ratio, coarse_share } => {
            let fine = section(&mut stream, intensity, window, size_spread, regularity);
            // Mean chord of a disc: π/2 of its radius.
            let radius = 2.0 / std::f64::consts::PI * size_ratio * spec.matrix_intercept_px();
            with_coarse_grains(fine, (radius, coarse_share), (window, seed))
        }
        Structure::Voronoi2d { regularity } => plane(&mut stream, intensity, window, regularity),
        Structure::Hexagons { angle_degrees } => {
            let side = libm::sqrt(2.0 / (libm::sqrt(3.0) * intensity));
            lattice(&mut stream, [side, 0.5 * side, 0.5 * libm::sqrt(3.0) * side], angle_degrees, window)
        }
        Structure::Squares { angle_degrees } => {
            let side = 1.0 / libm::sqrt(intensity);
            lattice(&mut stream, [side, 0.0, side], angle_degrees, window)
        }
    };
    sites.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    sites
}

/// Spheres near the plane z = 0.
fn section(stream: &mut Stream, intensity: f64, window: Window, spread: f64, regularity: f64) -> Vec<Site> {
    let spacing = 1.0 / libm::cbrt(intensity);
    // Mean r³ of the lognormal radii is median³ exp(4.5 spread²).
    let median = spacing
        * libm::cbrt(3.0 * SPHERE_SHARE / (4.0 * std::f64::consts::PI))
        * libm::exp(-1.5 * spread * spread);
    let largest = median * libm::exp(3.0 * spread);
    let reach = libm::sqrt(SPACE_REACH * SPACE_REACH * spacing * spacing + largest * largest);
    let space = Box3 {
        low: [window.left - reach, window.top - reach, -reach],
        side: [window.width as f64 + 2.0 * reach, window.height as f64 + 2.0 * reach, 2.0 * reach],
    };
    let count = space.poisson_count(stream, intensity);
    let mut radii: Vec<f64> = (0..count).map(|_| median * stream.lognormal(spread)).collect();
    // Large spheres are placed first, while there is still room for them.
    radii.sort_by(|a, b| b.total_cmp(a));
    let centres = place(stream, &space, &radii, regularity);
    let site = |(c, r): (&[f64; 3], &f64)| Site { x: c[0], y: c[1], offset: c[2] * c[2] - r * r };
    centres.iter().zip(&radii).map(site).collect()
}

/// Lattice step of the field that parts fine from coarse regions, in coarse intercepts: a region holds some
/// ten coarse grains.
const REGION_WIDTH: f64 = 2.5;

/// Coarse sites where a smooth field is high, over `coarse_share` of the window, and fine sites elsewhere.
fn side_by_side(
    fine: Vec<Site>,
    coarse: Vec<Site>,
    (coarse_share, region_px): (f64, f64),
    (window, seed): (Window, u64),
) -> Vec<Site> {
    let (width, height) = (window.width as f64, window.height as f64);
    let field = SmoothField::new((seed, Purpose::Regions, 0), region_px, (window.width, window.height));
    const PROBES: usize = 48;
    let probe = |k: usize, side: f64| (k as f64 + 0.5) / PROBES as f64 * side;
    let mut values: Vec<f32> =
        (0..PROBES * PROBES).map(|k| field.at(probe(k % PROBES, width), probe(k / PROBES, height))).collect();
    values.sort_by(f32::total_cmp);
    // The quantile, so that the share holds in every picture however few its regions are.
    let cut = ((1.0 - coarse_share) * values.len() as f64) as usize;
    let threshold = values.get(cut).copied().unwrap_or(f32::INFINITY);
    let is_coarse = |site: &Site| {
        let x = (site.x - window.left).clamp(0.0, width);
        let y = (site.y - window.top).clamp(0.0, height);
        field.at(x, y) >= threshold
    };
    let mut sites: Vec<Site> = coarse.iter().copied().filter(is_coarse).collect();
    sites.extend(fine.iter().filter(|site| !is_coarse(site)));
    if sites.is_empty() { coarse } else { sites }
}

/// Radius of a coarse grain's weight against the distance c to which fine sites are cleared away. Less than 1, so
/// that the grain follows its neighbours instead of a circle.
const COARSE_WEIGHT: f64 = 0.88;
/// Where its rim comes to lie: (c² + weight²) / 2c.
const COARSE_RIM: f64 = 0.5 * (1.0 + COARSE_WEIGHT * COARSE_WEIGHT);
/// Cleared area outside the rim against the area inside it.
pub(crate) const COARSE_RING: f64 = 1.0 / (COARSE_RIM * COARSE_RIM) - 1.0;

/// Coarse grains of about `radius` that take `coarse_share` of the plane, and the fine sites that they leave.
fn with_coarse_grains(
    mut fine: Vec<Site>,
    (radius, coarse_share): (f64, f64),
    (window, seed): (Window, u64),
) -> Vec<Site> {
    let mut stream = Stream::new(seed, Purpose::CoarseGrains, 0);
    let space = Box3 {
        low: [window.left - radius, window.top - radius, 0.0],
        side: [window.width as f64 + 2.0 * radius, window.height as f64 + 2.0 * radius, 0.0],
    };
    let intensity = coarse_share / (std::f64::consts::PI * radius * radius);
    let count = space.poisson_count(&mut stream, intensity);
    let mut radii: Vec<f64> = (0..count).map(|_| radius * stream.lognormal(0.2)).collect();
    radii.sort_by(|a, b| b.total_cmp(a));
    let centres = place(&mut stream, &space, &radii, 1.0);
    for (centre, r) in centres.iter().zip(&radii) {
        let angle = stream.between(0.0, std::f64::consts::PI);
        let (sine, cosine) = (libm::sin(angle), libm::cos(angle));
        let stretch = stream.lognormal(0.25);
        let clear = r / COARSE_RIM;
        fine.retain(|site| {
            let (dx, dy) = (site.x - centre[0], site.y - centre[1]);
            let (u, v) = ((cosine * dx + sine * dy) / stretch, (cosine * dy - sine * dx) * stretch);
            u * u + v * v > clear * clear
        });
    }
    let weight = |r: f64| -libm::pow(COARSE_WEIGHT * r / COARSE_RIM, 2.0);
    fine.extend(centres.iter().zip(&radii).map(|(c, &r)| Site { x: c[0], y: c[1], offset: weight(r) }));
    fine
}

/// Points in the plane.
fn plane(stream: &mut Stream, intensity: f64, window: Window, regularity: f64) -> Vec<Site> {
    let spacing = 1.0 / libm::sqrt(intensity);
    let reach = PLANE_REACH * spacing;
    let space = Box3 {
        low: [window.left - reach, window.top - reach, 0.0],
        side: [window.width as f64 + 2.0 * reach, window.height as f64 + 2.0 * reach, 0.0],
    };
    let count = space.poisson_count(stream, intensity);
    let radii = vec![spacing * libm::sqrt(DISC_SHARE / std::f64::consts::PI); count];
    let centres = place(stream, &space, &radii, regularity);
    centres.iter().map(|c| Site { x: c[0], y: c[1], offset: 0.0 }).collect()
}

/// Lattice points a·i + b·j with a = (`side`, 0) and b = (`shift`, `rise`), turned and randomly shifted.
fn lattice(stream: &mut Stream, [side, shift, rise]: [f64; 3], degrees: f64, window: Window) -> Vec<Site> {
    let (first, second) = (stream.unit(), stream.unit());
    let angle = degrees.to_radians();
    let (sine, cosine) = (libm::sin(angle), libm::cos(angle));
    let (width, height) = (window.width as f64, window.height as f64);
    let centre = (window.left + 0.5 * width, window.top + 0.5 * height);
    let reach = 0.5 * libm::sqrt(width * width + height * height) + 3.0 * side;
    let rows = (reach / rise) as i64 + 2;
    let mut sites = Vec::new();
    for j in -rows..=rows {
        let v = rise * (j as f64 + second);
        let lean = shift * j as f64;
        let from = libm::floor((-reach - lean) / side) as i64;
        let to = libm::ceil((reach - lean) / side) as i64;
        for i in from..=to {
            let u = side * (i as f64 + first) + lean;
            let (x, y) = (centre.0 + cosine * u - sine * v, centre.1 + sine * u + cosine * v);
            let margin = 3.0 * side;
            let inside =
                (x - centre.0).abs() < 0.5 * width + margin && (y - centre.1).abs() < 0.5 * height + margin;
            if inside {
                sites.push(Site { x, y, offset: 0.0 });
            }
        }
    }
    sites
}

/// A box to be filled with points; a depth of zero stands for the plane.
struct Box3 {
    low: [f64; 3],
    side: [f64; 3],
}

impl Box3 {
    fn point(&self, stream: &mut Stream) -> [f64; 3] {
        std::array::from_fn(|k| self.low[k] + self.side[k] * stream.unit())
    }

    /// Number of points of a Poisson process in the box, at least 1.
    fn poisson_count(&self, stream: &mut Stream, intensity: f64) -> usize {
        let depth = if self.side[2] > 0.0 { self.side[2] } else { 1.0 };
        let mean = intensity * self.side[0] * self.side[1] * depth;
        // Exponential gaps are exact for any mean, and a few hundred thousand draws take milliseconds.
        let (mut count, mut sum) = (0, stream.exponential());
        while sum < mean {
            count += 1;
            sum += stream.exponential();
        }
        count.max(1)
    }
}

/// Centres for balls of `radii` so that balls shrunk by `regularity` do not overlap.
///
/// After many vain tries a ball is put where it falls, so that the count is kept.
fn place(stream: &mut Stream, space: &Box3, radii: &[f64], regularity: f64) -> Vec<[f64; 3]> {
    if regularity == 0.0 {
        return radii.iter().map(|_| space.point(stream)).collect();
    }
    let largest = radii.iter().copied().fold(0.0, f64::max) * regularity;
    let mut hash = BallHash::new(space, 2.0 * largest, radii.len());
    for &radius in radii {
        let mut centre = space.point(stream);
        for _ in 0..1000 {
            if hash.is_free(centre, radius * regularity) {
                break;
            }
            centre = space.point(stream);
        }
        hash.insert(centre, radius * regularity);
    }
    hash.centres
}

/// Balls sorted into cells of a regular grid, to find overlaps quickly.
struct BallHash {
    low: [f64; 3],
    cell: f64,
    cells: [usize; 3],
    first: Vec<u32>,
    next: Vec<u32>,
    centres: Vec<[f64; 3]>,
    radii: Vec<f64>,
}

const NONE: u32 = u32::MAX;

impl BallHash {
    fn new(space: &Box3, reach: f64, count: usize) -> Self {
        // Cells no finer than one ball each, so that the table stays small.
        let volume = space.side.iter().filter(|&&s| s > 0.0).product::<f64>();
        let dimensions = space.side.iter().filter(|&&s| s > 0.0).count() as f64;
        let cell = reach.max(libm::pow(volume / count as f64, 1.0 / dimensions));
        let cells = space.side.map(|side| (side / cell) as usize + 1);
        Self {
            low: space.low,
            cell,
            cells,
            first: vec![NONE; cells.iter().product()],
            next: Vec::with_capacity(count),
            centres: Vec::with_capacity(count),
            radii: Vec::with_capacity(count),
        }
    }

    fn cell_of(&self, centre: [f64; 3]) -> [usize; 3] {
        std::array::from_fn(|k| (((centre[k] - self.low[k]) / self.cell) as usize).min(self.cells[k] - 1))
    }

    fn is_free(&self, centre: [f64; 3], radius: f64) -> bool {
        let at = self.cell_of(centre);
        let span = |k: usize| at[k].saturating_sub(1)..=(at[k] + 1).min(self.cells[k] - 1);
        span(2).all(|z| span(1).all(|y| span(0).all(|x| self.cell_is_free([x, y, z], centre, radius))))
    }

    fn cell_is_free(&self, [x, y, z]: [usize; 3], centre: [f64; 3], radius: f64) -> bool {
        let mut ball = self.first[(z * self.cells[1] + y) * self.cells[0] + x];
        while ball != NONE {
            let other = self.centres[ball as usize];
            let square: f64 = (0..3).map(|k| (centre[k] - other[k]) * (centre[k] - other[k])).sum();
            let least = radius + self.radii[ball as usize];
            if square < least * least {
                return false;
            }
            ball = self.next[ball as usize];
        }
        true
    }

    fn insert(&mut self, centre: [f64; 3], radius: f64) {
        let [x, y, z] = self.cell_of(centre);
        let cell = (z * self.cells[1] + y) * self.cells[0] + x;
        self.next.push(self.first[cell]);
        self.first[cell] = self.centres.len() as u32;
        self.centres.push(centre);
        self.radii.push(radius);
    }
}
