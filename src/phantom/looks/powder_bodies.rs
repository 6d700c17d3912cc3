//! Rounded particles strewn over a plane until they hide the wanted share of it.

use rayon::prelude::*;

use super::super::random::{Purpose, Stream};
use super::super::smooth_field::SmoothField;
use super::super::spec::PhantomSpec;
use super::bodies::HeightField;
use super::powder::Powder;
use crate::grid::{Frame, Grid};

/// One particle. Its outline at scale 1 is where [`Particle::gauge`] is 1.
pub(super) struct Particle {
    centre: [f32; 3],
    /// Direction of its length.
    along: (f32, f32),
    /// Half the straight part of its outline; 0 for ellipsoids.
    straight: f32,
    /// Half length of an ellipsoid, radius of the round ends of a rod.
    half_length: f32,
    half_width: f32,
    /// Share by which one end is thicker, and by which the length is bent.
    egg: f32,
    bend: f32,
    /// What it absorbs against others.
    density: f32,
}

/// Particles as they lie, seen from above and shone through.
pub(super) struct Layer {
    pub(super) field: HeightField,
    /// Optical thickness of all particles at a pixel, in median diameters.
    pub(super) thickness: Grid<f32>,
    /// Distance to the nearest outline of a particle that covers the pixel, in px; infinite on the ground.
    pub(super) rim: Grid<f32>,
}

/// Lays the particles of `spec`; the ground shows in `spec.pores.percent` of the picture to the pixel.
pub(super) fn lie(spec: &PhantomSpec, look: &Powder) -> Layer {
    let spread = look.size_spread;
    let covered = 1.0 - spec.pores.percent / 100.0;
    // Where they lie at all, they cover this share.
    let among = (covered / (1.0 - look.bare_share)).min(1.0);
    // Particles hide parts of each other, the more the less ground is left; fitted to counts at 5 to 45 %.
    let hidden = 0.835 + 0.027 * libm::sqrt(100.0 * (1.0 - among));
    // Mean chord of discs: π/4 times mean squared over mean diameter.
    let diameter =
        4.0 / std::f64::consts::PI * spec.intercept_px() * libm::exp(-1.5 * spread * spread) / hidden;
    let margin = libm::ceil(1.2 * diameter).min(400.0) as usize;
    let frame = Frame { x: margin, y: margin, width: spec.width_px, height: spec.height_px };
    let size = (spec.width_px + 2 * margin, spec.height_px + 2 * margin);
    let mean_area = std::f64::consts::FRAC_PI_4 * diameter * diameter * libm::exp(2.0 * spread * spread);
    let outer = (size.0 as f64 + 2.0 * diameter) * (size.1 as f64 + 2.0 * diameter);
    // Full cover needs overlap: discs strewn without any order hide -ln(1 - cover) of their area.
    let strewn = -libm::log((1.0 - among).max(0.005));
    let share = among + (1.0 - look.order) * 0.3 * (strewn - among).max(0.0);
    let count = ((share * outer / mean_area) as usize).max(1);
    let mut stream = Stream::new(spec.seed, Purpose::Powder, 0);
    let mut particles = strew(&mut stream, (look, count), diameter, size, spec.seed);
    leave_bare(&mut particles, look.bare_share, diameter, size, spec.seed);
    let wanted = (covered * (spec.width_px * spec.height_px) as f64).round() as usize;
    let scale = scale_that_covers(&particles, size, frame, wanted);
    // What comes later in the list lies on top where heights are equal.
    particles.iter_mut().for_each(|particle| particle.centre[2] *= scale);
    seen(&particles, scale, (size, frame), diameter as f32)
}

/// Particles of their own sizes and shapes, pushed apart as far as `look.order` wants.
fn strew(
    stream: &mut Stream,
    (look, count): (&Powder, usize),
    diameter: f64,
    (width, height): (usize, usize),
    seed: u64,
) -> Vec<Particle> {
    let mut discs: Vec<[f64; 3]> = (0..count)
        .map(|_| {
            let x = stream.between(-diameter, width as f64 + diameter);
            let y = stream.between(-diameter, height as f64 + diameter);
            [x, y, 0.5 * diameter * stream.lognormal(look.size_spread)]
        })
        .collect();
    discs.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let rounds = (40.0 * look.order * look.order) as usize;
    (0..rounds).for_each(|_| push_apart(&mut discs));
    // Neighbours lie much the same way.
    let turn = SmoothField::new((seed, Purpose::Powder, 1), (3.0 * diameter).max(4.0), (width, height));
    discs
        .iter()
        .map(|&[x, y, radius]| {
            let inside = (x.clamp(0.0, width as f64), y.clamp(0.0, height as f64));
            let angle = 1.2 * f64::from(turn.at(inside.0, inside.1)) + 0.25 * stream.normal();
            particle(stream, look, ([x, y, radius], angle))
        })
        .collect()
}

/// Takes away this share of the particles, all of those where a smooth field is highest.
fn leave_bare(particles: &mut Vec<Particle>, share: f64, diameter: f64, size: (usize, usize), seed: u64) {
    let gone = (share * particles.len() as f64) as usize;
    if gone == 0 {
        return;
    }
    let field = SmoothField::new((seed, Purpose::Ground, 1), (2.0 * diameter).max(4.0), size);
    let at = |particle: &Particle| {
        let [x, y, _] = particle.centre.map(f64::from);
        field.at(x.clamp(0.0, size.0 as f64), y.clamp(0.0, size.1 as f64))
    };
    let mut heights: Vec<f32> = particles.iter().map(at).collect();
    let first_gone = particles.len() - gone;
    let limit = *heights.select_nth_unstable_by(first_gone, f32::total_cmp).1;
    particles.retain(|particle| at(particle) < limit);
}

/// Moves discs that overlap away from each other by half of what they overlap; the list stays nearly sorted
/// in x.
fn push_apart(discs: &mut [[f64; 3]]) {
    let largest = discs.iter().map(|d| d[2]).fold(0.0, f64::max);
    for i in 0..discs.len() {
        for k in i + 1..discs.len() {
            let (a, b) = (discs[i], discs[k]);
            if b[0] - a[0] > a[2] + largest {
                break;
            }
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let (square, reach) = (dx * dx + dy * dy, a[2] + b[2]);
            if square >= reach * reach || square < 1e-12 {
                continue;
            }
            let push = 0.25 * (reach / libm::sqrt(square) - 1.0).min(1.0);
            (discs[i][0], discs[i][1]) = (a[0] - push * dx, a[1] - push * dy);
            (discs[k][0], discs[k][1]) = (b[0] + push * dx, b[1] + push * dy);
        }
    }
    discs.sort_by(|a, b| a[0].total_cmp(&b[0]));
}

/// A particle with the area of the disc.
fn particle(stream: &mut Stream, look: &Powder, ([x, y, radius], angle): ([f64; 3], f64)) -> Particle {
    let elongation = stream.between(1.0, look.elongation);
    let rod = stream.unit() < look.rod_share;
    // Area of a rod of half width b and elongation e: b² (π + 4 (e - 1)); of an ellipse: π e b².
    let (straight, half_length, half_width) = if rod {
        let area = std::f64::consts::PI + 4.0 * (elongation - 1.0);
        let b = radius * libm::sqrt(std::f64::consts::PI / area);
        (b * (elongation - 1.0), b, b)
    } else {
        let b = radius / libm::sqrt(elongation);
        (0.0, b * elongation, b)
    };
    // Small particles lie deeper than large ones; all a little up or down.
    let z = half_width - radius + 0.25 * radius * stream.normal().clamp(-2.0, 2.0);
    Particle {
        centre: [x as f32, y as f32, z as f32],
        along: (libm::cos(angle) as f32, libm::sin(angle) as f32),
        straight: straight as f32,
        half_length: half_length as f32,
        half_width: half_width as f32,
        egg: (0.08 * stream.normal().clamp(-2.0, 2.0)) as f32,
        bend: (0.05 * stream.normal().clamp(-2.0, 2.0)) as f32,
        density: stream.lognormal(0.2) as f32,
    }
}

impl Particle {
    /// The place in the particle's own axes, after its egg shape and bend are taken out.
    fn own_axes(&self, x: f32, y: f32) -> (f32, f32) {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let u = self.along.0 * dx + self.along.1 * dy;
        let v = self.along.0 * dy - self.along.1 * dx;
        let length = self.straight + self.half_length;
        let t = (u / length).clamp(-1.5, 1.5);
        (u, v * (1.0 + self.egg * t) + self.bend * length * (t * t - 0.5))
    }

    /// The scale at which the outline of the particle passes through the place.
    fn gauge(&self, (u, v): (f32, f32)) -> f32 {
        let (p, q) = (u / self.half_length, v / self.half_width);
        let h = self.straight / self.half_length;
        if h == 0.0 {
            return (p * p + q * q).sqrt();
        }
        let p = p.abs();
        if p <= h * q.abs() {
            return q.abs();
        }
        // (p - s h)² + q² = s², the root at which the near end passes.
        let (a, b, c) = (1.0 - h * h, p * h, p * p + q * q);
        c / (b + (b * b + a * c).max(0.0).sqrt())
    }

    /// Direction of the outline's normal at a place with this gauge.
    fn outward(&self, (u, v): (f32, f32), gauge: f32) -> (f32, f32) {
        let end = (u.abs() - gauge * self.straight).max(0.0) * u.signum();
        let (nu, nv) = if self.straight == 0.0 {
            (u / (self.half_length * self.half_length), v / (self.half_width * self.half_width))
        } else {
            (end, v)
        };
        let length = (nu * nu + nv * nv).sqrt().max(1e-9);
        let (nu, nv) = (nu / length, nv / length);
        (self.along.0 * nu - self.along.1 * nv, self.along.1 * nu + self.along.0 * nv)
    }

    /// Columns and rows that the particle can touch at `scale`.
    fn span(
        &self,
        scale: f32,
        (width, height): (usize, usize),
    ) -> (std::ops::Range<usize>, std::ops::Range<usize>) {
        // Egg shape and bend reach out by less than a quarter.
        let reach = 1.25 * scale * (self.straight + self.half_length);
        let span = |centre: f32, side: usize| {
            let from = (centre - reach).max(0.0) as usize;
            from.min(side)..((centre + reach).max(0.0) as usize + 1).min(side)
        };
        (span(self.centre[0], width), span(self.centre[1], height))
    }
}

/// The scale of all particles at which `wanted` pixels of the frame are covered.
///
/// A pixel is covered from the least of its gauges on, so the scale is an order statistic.
fn scale_that_covers(
    particles: &[Particle],
    (width, height): (usize, usize),
    frame: Frame,
    wanted: usize,
) -> f32 {
    let mut most = 1.3;
    loop {
        let mut least = Grid::filled(width, height, f32::INFINITY);
        for particle in particles {
            let (columns, rows) = particle.span(most, (width, height));
            for y in rows {
                for x in columns.clone() {
                    let place = particle.own_axes(x as f32 + 0.5, y as f32 + 0.5);
                    least.set(x, y, least.at(x, y).min(particle.gauge(place)));
                }
            }
        }
        let mut gauges = least.cropped(frame).into_vec();
        let last = wanted.clamp(1, gauges.len()) - 1;
        let scale = *gauges.select_nth_unstable_by(last, f32::total_cmp).1;
        if scale <= most || most > 1e3 {
            return if wanted == 0 { 1e-3 } else { scale.min(most) };
        }
        most *= 1.6;
    }
}

/// Draws the particles at `scale`.
fn seen(
    particles: &[Particle],
    scale: f32,
    ((width, height), frame): ((usize, usize), Frame),
    diameter: f32,
) -> Layer {
    let floor = -1.1 * diameter * scale;
    let mut field = HeightField {
        height: Grid::filled(width, height, floor),
        body: Grid::filled(width, height, 0),
        normal: Grid::filled(width, height, [0.0, 0.0, 1.0]),
        floor,
        spacing: diameter * scale,
        frame,
        bodies: particles.len() as u32,
    };
    let mut thickness = Grid::filled(width, height, 0f32);
    let mut rim = Grid::filled(width, height, f32::INFINITY);
    for (number, particle) in (1u32..).zip(particles) {
        let (columns, rows) = particle.span(scale, (width, height));
        let top = particle.half_width * scale;
        for y in rows {
            for x in columns.clone() {
                let place = particle.own_axes(x as f32 + 0.5, y as f32 + 0.5);
                let rho = particle.gauge(place) / scale;
                if rho > 1.0 {
                    continue;
                }
                let dome = (1.0 - rho * rho).sqrt();
                thickness.set(x, y, thickness.at(x, y) + particle.density * 2.0 * top * dome);
                rim.set(x, y, rim.at(x, y).min((1.0 - rho) * top));
                // Even where a dome is low, the particle hides the ground.
                let z = (particle.centre[2] + top * dome).max(floor * 0.98);
                if z > field.height.at(x, y) {
                    field.height.set(x, y, z);
                    field.body.set(x, y, number);
                    field.normal.set(x, y, normal(particle, place, (rho, scale)));
                }
            }
        }
    }
    let per_diameter = 1.0 / (diameter * scale);
    thickness.as_mut_slice().par_iter_mut().for_each(|t| *t *= per_diameter);
    Layer { field, thickness, rim }
}

/// Normal of the dome: its height is half width times √(1 - ρ²), and ρ grows along the outline's normal n by
/// ρ / (n · place), as it is homogeneous.
fn normal(particle: &Particle, (u, v): (f32, f32), (rho, scale): (f32, f32)) -> [f32; 3] {
    if rho < 1e-3 {
        return [0.0, 0.0, 1.0];
    }
    let (nx, ny) = particle.outward((u, v), rho * scale);
    let (px, py) = (particle.along.0 * u - particle.along.1 * v, particle.along.1 * u + particle.along.0 * v);
    let reach = (nx * px + ny * py).max(1e-3);
    let dome = (1.0 - rho * rho).sqrt().max(0.05);
    let slope = particle.half_width * scale * rho / dome * rho / reach;
    let length = (1.0 + slope * slope).sqrt();
    [slope * nx / length, slope * ny / length, 1.0 / length]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rod() -> Particle {
        Particle {
            centre: [0.0, 0.0, 0.0],
            along: (1.0, 0.0),
            straight: 6.0,
            half_length: 4.0,
            half_width: 4.0,
            egg: 0.0,
            bend: 0.0,
            density: 1.0,
        }
    }

    #[test]
    fn a_rod_is_as_long_and_wide_as_asked_for() {
        for (place, gauge) in [((10.0, 0.0), 1.0), ((0.0, 4.0), 1.0), ((6.0, -4.0), 1.0), ((20.0, 0.0), 2.0)]
        {
            assert!((rod().gauge(place) - gauge).abs() < 1e-5, "{place:?} {}", rod().gauge(place));
        }
        // Half a radius beyond the start of the round end, at 30° off the axis.
        let (x, y) = (6.0 + 4.0 * 0.866_025, 2.0);
        assert!((rod().gauge((x, y)) - 1.0).abs() < 1e-4);
    }

    #[test]
    fn particles_are_taken_away_in_patches() {
        let mut stream = Stream::new(3, Purpose::Powder, 0);
        let all: Vec<[f32; 2]> = (0..1000)
            .map(|_| [stream.between(0.0, 300.0) as f32, stream.between(0.0, 300.0) as f32])
            .collect();
        let mut left: Vec<Particle> =
            all.iter().map(|&[x, y]| Particle { centre: [x, y, 0.0], ..rod() }).collect();
        leave_bare(&mut left, 0.3, 9.0, (300, 300), 3);
        assert_eq!(left.len(), 700);
        let is_left = |place: &[f32; 2]| left.iter().any(|p| p.centre[..2] == *place);
        let gone: Vec<&[f32; 2]> = all.iter().filter(|place| !is_left(place)).collect();
        let distance = |a: &[f32; 2], b: &[f32; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let nearest = |place: &[f32; 2]| {
            let others = all.iter().filter(|other| *other != place);
            others.min_by(|a, b| distance(a, place).total_cmp(&distance(b, place))).unwrap()
        };
        let beside = gone.iter().filter(|place| !is_left(nearest(place))).count();
        // Taken away without any order, three of ten would lie beside another that is gone.
        assert!(beside > 2 * gone.len() / 3, "{beside} of {}", gone.len());
    }

    #[test]
    fn discs_pushed_apart_overlap_less() {
        let mut stream = Stream::new(1, Purpose::Powder, 0);
        let mut discs: Vec<[f64; 3]> =
            (0..60).map(|_| [stream.between(0.0, 100.0), stream.between(0.0, 100.0), 6.0]).collect();
        discs.sort_by(|a, b| a[0].total_cmp(&b[0]));
        let overlap = |discs: &[[f64; 3]]| -> f64 {
            let pair = |a: &[f64; 3], b: &[f64; 3]| (12.0 - libm::hypot(a[0] - b[0], a[1] - b[1])).max(0.0);
            (0..60).flat_map(|i| (0..i).map(move |k| (i, k))).map(|(i, k)| pair(&discs[i], &discs[k])).sum()
        };
        let before = overlap(&discs);
        (0..40).for_each(|_| push_apart(&mut discs));
        assert!(overlap(&discs) < 0.1 * before, "{} {before}", overlap(&discs));
    }
}
