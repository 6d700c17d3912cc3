//! Distance of every pixel from the rim of the pores, for shading; exact between pixel centres.

use rayon::prelude::*;

use super::power_diagram::{Site, nearest_on_row};
use crate::grid::{Grid, Mask};

/// Distance in px from the rim of the mask: positive outside, negative inside, ±½ at its pixels.
///
/// Where no pixel of the other kind exists, the value is ±`f32::INFINITY`.
pub(crate) fn signed_distance(mask: &Mask) -> Grid<f32> {
    let to_inside = squared_distance(mask, true);
    let to_outside = squared_distance(mask, false);
    let mut signed = to_inside;
    for (value, inner) in signed.as_mut_slice().iter_mut().zip(to_outside.as_slice()) {
        *value = if *value > 0.0 { value.sqrt() - 0.5 } else { 0.5 - inner.sqrt() };
    }
    signed
}

/// Squared distance of each pixel from the nearest pixel equal to `wanted`.
fn squared_distance(mask: &Mask, wanted: bool) -> Grid<f32> {
    let (width, height) = (mask.width(), mask.height());
    let steps = column_steps(mask, wanted);
    let mut squares = Grid::filled(width, height, f32::INFINITY);
    squares.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        // A column's nearest wanted pixel lifts a parabola over that column.
        let sites: Vec<Site> =
            steps.row(y).iter().enumerate().filter_map(|(x, &step)| site(x, step)).collect();
        let mut ids = vec![0u32; width];
        nearest_on_row(&sites, &mut ids);
        for (x, (square, id)) in row.iter_mut().zip(ids).enumerate() {
            if id > 0 {
                let site = sites[id as usize - 1];
                let dx = x as f64 + 0.5 - site.x;
                *square = (dx * dx + site.offset) as f32;
            }
        }
    });
    squares
}

fn site(x: usize, step: u32) -> Option<Site> {
    (step < FAR).then(|| Site { x: x as f64 + 0.5, y: 0.0, offset: f64::from(step) * f64::from(step) })
}

/// No wanted pixel in the column.
const FAR: u32 = u32::MAX;

/// Rows between each pixel and the nearest wanted pixel of its column.
fn column_steps(mask: &Mask, wanted: bool) -> Grid<u32> {
    let (width, height) = (mask.width(), mask.height());
    let mut steps = mask.map(|p| if p == wanted { 0 } else { FAR });
    let mut relax = |from: usize, to: usize| {
        for x in 0..width {
            let step = steps.at(x, from).saturating_add(1).min(steps.at(x, to));
            steps.set(x, to, step);
        }
    };
    (1..height).for_each(|y| relax(y - 1, y));
    (1..height).rev().for_each(|y| relax(y, y - 1));
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::random::{Purpose, Stream};

    #[test]
    fn distances_are_those_of_a_full_search() {
        let mut stream = Stream::new(2, Purpose::Pores, 0);
        let mask = Grid::from_fn(37, 23, |_, _| stream.unit() < 0.03);
        let signed = signed_distance(&mask);
        for y in 0..23usize {
            for x in 0..37usize {
                let here = mask.at(x, y);
                let mut least = u32::MAX;
                for v in 0..23usize {
                    for u in 0..37usize {
                        if mask.at(u, v) != here {
                            least = least.min((u.abs_diff(x).pow(2) + v.abs_diff(y).pow(2)) as u32);
                        }
                    }
                }
                let expected = (least as f32).sqrt() - 0.5;
                assert_eq!(signed.at(x, y), if here { -expected } else { expected }, "{x},{y}");
            }
        }
    }

    #[test]
    fn without_pores_the_rim_is_infinitely_far() {
        let signed = signed_distance(&Grid::filled(4, 3, false));
        assert!(signed.as_slice().iter().all(|&d| d == f32::INFINITY));
    }
}
