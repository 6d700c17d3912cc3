//! Distance of every pixel from the rim of the pores, for shading; exact between pixel centres.

use crate::grid::{Grid, Mask};
use crate::segment::distance::squared_distance;

/// Distance in px from the rim of the mask: positive outside, negative inside, ±½ at its pixels.
///
/// Where no pixel of the other kind exists, the value is ±`f32::INFINITY`.
pub(crate) fn signed_distance(mask: &Mask) -> Grid<f32> {
    let to_inside = squared_distance(&mask.map(|inside| !inside));
    let to_outside = squared_distance(mask);
    let root = |squared: u32| if squared == u32::MAX { f32::INFINITY } else { (squared as f32).sqrt() };
    let mut signed = to_inside.map(|squared| root(squared) - 0.5);
    for ((value, &inside), &inner) in
        signed.as_mut_slice().iter_mut().zip(mask.as_slice()).zip(to_outside.as_slice())
    {
        if inside {
            *value = 0.5 - root(inner);
        }
    }
    signed
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
