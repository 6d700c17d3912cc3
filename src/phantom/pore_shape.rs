//! Outlines of single pores, as distance from the centre by direction.

use std::f64::consts::PI;

use super::random::Stream;
use crate::grid::Grid;

/// Directions at which an outline is kept.
pub(crate) const DIRECTIONS: usize = 96;

/// A closed curve that each ray from the centre meets once.
#[derive(Clone)]
pub(crate) struct Outline {
    radii: [f64; DIRECTIONS],
}

impl Outline {
    fn from_radii(radius: impl Fn(f64) -> f64) -> Self {
        Self { radii: std::array::from_fn(|k| radius(2.0 * PI * k as f64 / DIRECTIONS as f64)) }
    }

    /// The same shape with the area of a disc of this radius.
    pub(crate) fn with_radius(&self, radius: f64) -> Self {
        let mean_square = self.radii.iter().map(|r| r * r).sum::<f64>() / DIRECTIONS as f64;
        self.scaled(radius / libm::sqrt(mean_square))
    }

    /// The same shape, `scale` times as large.
    pub(crate) fn scaled(&self, scale: f64) -> Self {
        Self { radii: self.radii.map(|r| r * scale) }
    }

    /// The largest distance from the centre.
    pub(crate) fn reach(&self) -> f64 {
        self.radii.iter().copied().fold(0.0, f64::max)
    }

    /// `true` if the point (dx, dy) from the centre lies inside.
    pub(crate) fn contains(&self, dx: f64, dy: f64) -> bool {
        let square = dx * dx + dy * dy;
        let turns = libm::atan2(dy, dx) / (2.0 * PI);
        let place = (turns + 1.0) * DIRECTIONS as f64;
        let (first, share) = (place as usize, place - libm::floor(place));
        let (a, b) = (self.radii[first % DIRECTIONS], self.radii[(first + 1) % DIRECTIONS]);
        let radius = a + (b - a) * share;
        square <= radius * radius
    }

    /// Each radius averaged with its neighbours, which rounds cusps, then roughened by low harmonics.
    fn finished(self, rounds: usize, roughness: f64, stream: &mut Stream) -> Self {
        let mut radii = self.radii;
        for _ in 0..rounds {
            let last = radii;
            let n = DIRECTIONS;
            radii = std::array::from_fn(|k| {
                0.25 * last[(k + n - 1) % n] + 0.5 * last[k] + 0.25 * last[(k + 1) % n]
            });
        }
        for order in 2..6 {
            let (size, phase) =
                (roughness * stream.normal() / f64::from(order), stream.between(0.0, 2.0 * PI));
            for (k, radius) in radii.iter_mut().enumerate() {
                let angle = 2.0 * PI * k as f64 / DIRECTIONS as f64;
                *radius *= (1.0 + size * libm::cos(f64::from(order) * angle + phase)).max(0.3);
            }
        }
        Self { radii }
    }
}

/// Directions, in radians from 0 up, in which a ring around a point passes from one grain to the next.
pub(crate) fn ring_changes(ids: &Grid<u32>, (x, y): (f64, f64), radius: f64) -> Vec<f64> {
    let at = |k: usize| {
        let angle = 2.0 * PI * k as f64 / DIRECTIONS as f64;
        let clamp = |v: f64, side: usize| (v.max(0.0) as usize).min(side - 1);
        ids.at(
            clamp(x + radius * libm::cos(angle), ids.width()),
            clamp(y + radius * libm::sin(angle), ids.height()),
        )
    };
    let around: Vec<u32> = (0..DIRECTIONS).map(at).collect();
    (0..DIRECTIONS)
        .filter(|&k| around[k] != around[(k + 1) % DIRECTIONS])
        .map(|k| 2.0 * PI * (k as f64 + 0.5) / DIRECTIONS as f64)
        .collect()
}

/// A pore between three or more grains: a cusp along each boundary, sides between them hollow to bulging.
pub(crate) fn junction_outline(cusps: &[f64], angularity: f64, stream: &mut Stream) -> Outline {
    let reach: Vec<f64> = cusps.iter().map(|_| stream.between(0.75, 1.25)).collect();
    // With three cusps a side is straight where it comes to half the cusp's distance from the centre.
    let waist = (0.95 - 0.6 * angularity + 0.12 * stream.normal()).clamp(0.25, 1.0);
    let outline = Outline::from_radii(|angle| {
        let next = cusps.iter().position(|&c| c > angle).unwrap_or(0);
        let last = (next + cusps.len() - 1) % cusps.len();
        let span = (cusps[next] - cusps[last]).rem_euclid(2.0 * PI);
        let part = ((angle - cusps[last]).rem_euclid(2.0 * PI) / span.max(1e-9)).min(1.0);
        // Between cusps far apart the side bulges instead of passing through the centre.
        let depth = (1.0 - waist) * (2.0 * PI / 3.0 / span.max(2.0 * PI / 3.0));
        (reach[last] * (1.0 - part) + reach[next] * part) * (1.0 - depth * libm::sin(PI * part))
    });
    outline.finished(1, 0.06, stream)
}

/// A pore on one boundary: the part common to two discs, its long axis along the boundary.
pub(crate) fn lens_outline(ends: &[f64], stream: &mut Stream) -> Outline {
    let thickness = stream.between(0.35, 0.8);
    let offset = (1.0 - thickness * thickness) / (2.0 * thickness);
    // The boundary may bend: each half of the lens points to its own end.
    let outline = Outline::from_radii(|angle| {
        let nearest = ends
            .iter()
            .map(|&end| {
                let turn = (angle - end).rem_euclid(2.0 * PI);
                turn.min(2.0 * PI - turn)
            })
            .fold(PI, f64::min);
        let sine = libm::sin(nearest.min(0.5 * PI));
        libm::sqrt(offset * offset * sine * sine + 1.0) - offset * sine
    });
    outline.finished(1, 0.04, stream)
}

/// A pore inside a grain: nearly round.
pub(crate) fn inside_outline(stream: &mut Stream) -> Outline {
    Outline::from_radii(|_| 1.0).finished(0, 0.12, stream)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::random::Purpose;

    fn test_stream() -> Stream {
        Stream::new(3, Purpose::Pores, 0)
    }

    #[test]
    fn an_outline_has_the_area_of_the_disc_it_stands_for() {
        let outline = junction_outline(&[0.5, 2.4, 4.6], 0.9, &mut test_stream()).with_radius(20.0);
        let inside = (-60..60)
            .flat_map(|y| (-60..60).map(move |x| (f64::from(x), f64::from(y))))
            .filter(|&(x, y)| outline.contains(x, y))
            .count();
        let area = PI * 400.0;
        assert!((inside as f64 / area - 1.0).abs() < 0.01, "{inside} of {area}");
    }

    #[test]
    fn a_lens_is_longest_along_its_boundary() {
        let outline = lens_outline(&[0.0, PI], &mut test_stream());
        assert!(outline.radii[0] > 1.1 * outline.radii[DIRECTIONS / 4]);
    }

    #[test]
    fn a_ring_in_one_grain_has_no_changes_and_one_across_a_boundary_two() {
        let ids = Grid::from_fn(40, 40, |x, _| 1 + u32::from(x >= 20));
        assert!(ring_changes(&ids, (8.0, 20.0), 5.0).is_empty());
        let changes = ring_changes(&ids, (20.0, 20.0), 8.0);
        assert_eq!(changes.len(), 2);
        assert!((changes[0] - 0.5 * PI).abs() < 0.1 && (changes[1] - 1.5 * PI).abs() < 0.1, "{changes:?}");
    }
}
