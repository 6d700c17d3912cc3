//! Boundaries between regions that touch: how long each is, and how strong.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use std::ops::Range;

use rayon::prelude::*;

use crate::differences::each_difference;
use crate::grid::{Grid, Labels};

const BAND_ROWS: usize = 64;

/// The boundary between two regions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// The smaller label.
    pub a: u32,
    /// The larger label.
    pub b: u32,
    /// Pairs of edge-sharing pixels, one in each region: the length in px along rows and columns.
    pub length_px: u64,
    /// Sum over the pairs of the larger boundary strength of the two pixels.
    pub strength_sum: u64,
}

impl Edge {
    /// Mean strength, 0 to 1.
    pub fn mean_strength(&self) -> f64 {
        self.strength_sum as f64 / (255.0 * self.length_px as f64)
    }
}

/// All pairs of regions that share pixel edges, ordered by their labels. No single pixel counts for more than `cap`.
pub fn edges(labels: &Labels, strength: &Grid<u8>, cap: u8) -> Vec<Edge> {
    let [edges] = capped_edges(labels, strength, [cap]);
    edges
}

/// As [`edges`], for several caps in one pass.
pub(super) fn capped_edges<const N: usize>(
    labels: &Labels,
    strength: &Grid<u8>,
    caps: [u8; N],
) -> [Vec<Edge>; N] {
    let height = labels.grid.height();
    let bands: Vec<Vec<Piece<N>>> = (0..height.div_ceil(BAND_ROWS))
        .into_par_iter()
        .map(|band| {
            pieces_of_rows(labels, strength, caps, band * BAND_ROWS..((band + 1) * BAND_ROWS).min(height))
        })
        .collect();
    let mut pieces = bands.concat();
    pieces.par_sort_unstable_by_key(|(pair, _)| *pair);
    // Each sum is added up by itself: this is done on as many threads as there are sums.
    let of_caps: Vec<Vec<Edge>> = (0..N)
        .into_par_iter()
        .with_max_len(1)
        .map(|cap| {
            let edge =
                |&((a, b), (length_px, sums)): &Piece<N>| Edge { a, b, length_px, strength_sum: sums[cap] };
            let mut edges: Vec<Edge> = pieces.iter().map(edge).collect();
            sum_neighbours(&mut edges);
            edges
        })
        .collect();
    of_caps.try_into().expect("invariant: a list of edges for each cap")
}

/// The edges that are left when the regions of each group are one; `group_of` tells the group of each region.
pub(super) fn grouped_edges(mut edges: Vec<Edge>, group_of: &[u32]) -> Vec<Edge> {
    edges.retain_mut(|edge| {
        let (a, b) = (group_of[edge.a as usize], group_of[edge.b as usize]);
        (edge.a, edge.b) = (a.min(b), a.max(b));
        a != b
    });
    sum_equal(&mut edges);
    edges
}

/// As [`edges`], for pairs of pixels within some rows and between them and the next ones, in no order.
pub(crate) fn edges_of_rows(labels: &Labels, strength: &Grid<u8>, cap: u8, rows: Range<usize>) -> Vec<Edge> {
    let pieces = pieces_of_rows(labels, strength, [cap], rows).into_iter();
    pieces.map(|((a, b), (length_px, [strength_sum]))| Edge { a, b, length_px, strength_sum }).collect()
}

fn pieces_of_rows<const N: usize>(
    labels: &Labels,
    strength: &Grid<u8>,
    caps: [u8; N],
    rows: Range<usize>,
) -> Vec<Piece<N>> {
    let mut pieces = Pieces { caps, by_pair: HashMap::default() };
    for y in rows {
        let (row, level) = (labels.grid.row(y), strength.row(y));
        pieces.add_pairs((&row[1..], &row[..row.len() - 1]), (&level[1..], level));
        if y + 1 < labels.grid.height() {
            pieces.add_pairs((row, labels.grid.row(y + 1)), (level, strength.row(y + 1)));
        }
    }
    pieces.by_pair.into_iter().collect()
}

/// Orders boundaries by their labels and makes one of all pieces between the same regions.
pub(crate) fn sum_equal(pieces: &mut Vec<Edge>) {
    pieces.par_sort_unstable_by_key(|edge| (edge.a, edge.b));
    sum_neighbours(pieces);
}

/// Adds up neighbours of one pair.
fn sum_neighbours(edges: &mut Vec<Edge>) {
    edges.dedup_by(|next, kept| {
        let same = (next.a, next.b) == (kept.a, kept.b);
        if same {
            kept.length_px += next.length_px;
            kept.strength_sum += next.strength_sum;
        }
        same
    });
}

/// Two labels, the smaller one first.
type Pair = (u32, u32);
/// Length of a boundary in px, and the sum of its strengths for each cap.
type Tally<const N: usize> = (u64, [u64; N]);
/// Part of the boundary between two regions.
type Piece<const N: usize> = (Pair, Tally<N>);

/// What a band of rows holds of each boundary.
struct Pieces<const N: usize> {
    /// No pixel counts for more than these; there is a sum for each.
    caps: [u8; N],
    by_pair: HashMap<Pair, Tally<N>, BuildHasherDefault<PairHasher>>,
}

impl<const N: usize> Pieces<N> {
    /// Adds all pairs of different labels of two rows, a run of equal pairs at once.
    fn add_pairs(&mut self, (first, second): (&[u32], &[u32]), (level, other_level): (&[u8], &[u8])) {
        let (mut pair, mut length, mut sums) = ((0, 0), 0, [0; N]);
        each_difference(first, second, |x| {
            let (p, q) = (first[x], second[x]);
            if p == 0 || q == 0 {
                return;
            }
            if (p.min(q), p.max(q)) != pair {
                self.add(pair, length, sums);
                (pair, length, sums) = ((p.min(q), p.max(q)), 0, [0; N]);
            }
            length += 1;
            let strength = level[x].max(other_level[x]);
            sums.iter_mut().zip(self.caps).for_each(|(sum, cap)| *sum += u64::from(strength.min(cap)));
        });
        self.add(pair, length, sums);
    }

    fn add(&mut self, pair: (u32, u32), length: u64, more: [u64; N]) {
        if length > 0 {
            let (all, sums) = self.by_pair.entry(pair).or_insert((0, [0; N]));
            *all += length;
            sums.iter_mut().zip(more).for_each(|(sum, more)| *sum += more);
        }
    }
}

/// Spreads a pair of labels over 64 bits by multiplication; labels are ours, so nobody can choose them to collide.
#[derive(Default)]
struct PairHasher(u64);

impl Hasher for PairHasher {
    fn write(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.write_u32(u32::from(byte));
        }
    }

    fn write_u32(&mut self, value: u32) {
        self.0 = (self.0.rotate_left(32) ^ u64::from(value)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    }

    fn finish(&self) -> u64 {
        self.0 ^ (self.0 >> 29)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_count_pixel_pairs_and_the_larger_strength() {
        let labels = Labels { grid: Grid::new(3, 2, vec![1, 1, 2, 1, 2, 0]).unwrap(), count: 2 };
        let strength = Grid::new(3, 2, vec![0, 10, 20, 5, 200, 250]).unwrap();
        let expected = Edge { a: 1, b: 2, length_px: 3, strength_sum: 20 + 200 + 200 };
        assert_eq!(edges(&labels, &strength, 255), [expected]);
        assert_eq!(edges(&labels, &strength, 100)[0].strength_sum, 20 + 100 + 100);
    }

    #[test]
    fn edges_over_the_seams_of_bands_are_one() {
        let labels = Labels { grid: Grid::from_fn(2, 200, |x, _| x as u32 + 1), count: 2 };
        let found = edges(&labels, &Grid::filled(2, 200, 3), 255);
        assert_eq!(found, [Edge { a: 1, b: 2, length_px: 200, strength_sum: 600 }]);
    }

    #[test]
    fn grouped_edges_are_those_of_the_grouped_map() {
        let regions = Grid::from_fn(150, 190, |x, y| ((x / 9) % 5 + 5 * ((y / 11) % 4)) as u32);
        let strength = Grid::from_fn(150, 190, |x, y| ((x * 7 + y * 13 + x * y) % 256) as u8);
        let group_of: Vec<u32> = (0..20).map(|region| if region == 0 { 0 } else { 1 + region % 6 }).collect();
        let grouped = Labels { grid: regions.map(|region| group_of[region as usize]), count: 6 };
        let [capped, whole] = capped_edges(&Labels { grid: regions, count: 19 }, &strength, [90, u8::MAX]);
        assert_eq!(grouped_edges(capped, &group_of), edges(&grouped, &strength, 90));
        assert_eq!(grouped_edges(whole, &group_of), edges(&grouped, &strength, u8::MAX));
    }
}
