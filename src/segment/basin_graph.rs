//! Regions that touch, how strong the boundary between them is, and their merging, weakest boundary first.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};
use std::hash::{BuildHasherDefault, Hasher};
use std::ops::Range;

use rayon::prelude::*;

use crate::grid::{Grid, Labels};

const BAND_ROWS: usize = 64;
/// Pixels that are compared at once.
const STRETCH_PX: usize = 16;
/// Steps of a strength key in one level of the map.
pub(super) const UNIT: u64 = 65536;

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
    std::array::from_fn(|cap| {
        let edge =
            |&((a, b), (length_px, sums)): &Piece<N>| Edge { a, b, length_px, strength_sum: sums[cap] };
        let mut edges: Vec<Edge> = pieces.iter().map(edge).collect();
        sum_neighbours(&mut edges);
        edges
    })
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
        pieces.add_pairs((&row[1..], row), (&level[1..], level));
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
        let all = first.len().min(second.len());
        for start in (0..all).step_by(STRETCH_PX) {
            let stretch = start..(start + STRETCH_PX).min(all);
            let pixels = first[stretch.clone()].iter().zip(&second[stretch.clone()]);
            // Most stretches lie within one region.
            if pixels.fold(0, |differs, (p, q)| differs | (p ^ q)) == 0 {
                continue;
            }
            for x in stretch {
                let (p, q) = (first[x], second[x]);
                if p == q || p == 0 || q == 0 {
                    continue;
                }
                if (p.min(q), p.max(q)) != pair {
                    self.add(pair, length, sums);
                    (pair, length, sums) = ((p.min(q), p.max(q)), 0, [0; N]);
                }
                length += 1;
                let strength = level[x].max(other_level[x]);
                sums.iter_mut().zip(self.caps).for_each(|(sum, cap)| *sum += u64::from(strength.min(cap)));
            }
        }
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

/// What is summed up over the pixels of a region.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sums {
    /// Pixels.
    pub area_px: u64,
    /// Pixels away from boundaries.
    pub inner_px: u64,
    /// Grey levels of those, added up.
    pub inner_grey: u64,
    /// Their squares, added up.
    pub inner_square: u64,
}

impl Sums {
    /// Takes in a pixel, as an inner one if it lies away from boundaries.
    pub fn add_pixel(&mut self, grey: u8, inner: bool) {
        self.area_px += 1;
        self.inner_px += u64::from(inner);
        self.inner_grey += u64::from(inner) * u64::from(grey);
        self.inner_square += u64::from(inner) * u64::from(grey) * u64::from(grey);
    }

    /// Takes in all pixels of another region.
    pub fn add(&mut self, other: Self) {
        self.area_px += other.area_px;
        self.inner_px += other.inner_px;
        self.inner_grey += other.inner_grey;
        self.inner_square += other.inner_square;
    }

    /// Variance of the grey levels away from boundaries; 0 without such pixels.
    pub fn inner_variance(self) -> f64 {
        variance(self.inner_px.max(1), self.inner_grey, self.inner_square)
    }

    /// Difference between two mean grey levels, less what noise makes of means over so few pixels.
    pub(super) fn contrast_to(self, other: Self, noise: f64) -> f64 {
        if self.inner_px == 0 || other.inner_px == 0 {
            return 0.0;
        }
        let (n, m) = (self.inner_px as f64, other.inner_px as f64);
        // In whole numbers, so that a grey added to both changes no bit.
        let product = |grey: u64, px: u64| u128::from(grey) * u128::from(px);
        let apart =
            product(self.inner_grey, other.inner_px).abs_diff(product(other.inner_grey, self.inner_px));
        let difference = apart as f64 / (n * m);
        (difference - noise * (1.0 / n + 1.0 / m).sqrt()).max(0.0)
    }
}

/// Variance of `count` whole numbers from their sum and the sum of their squares. No digit is lost before the division, and
/// the same number added to all of them changes no bit.
pub(super) fn variance(count: u64, sum: u64, squares: u64) -> f64 {
    let (count, sum, squares) = (u128::from(count), u128::from(sum), u128::from(squares));
    (count * squares - sum * sum) as f64 / (count as f64 * count as f64)
}

/// How the contrast between two regions adds to the strength of their boundary.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contrast {
    /// Boundary strength (0 to 255) that one grey level of contrast is worth.
    pub per_grey: f64,
    /// Contrast of two single pixels, in grey levels, that noise explains.
    pub noise: f64,
}

impl Contrast {
    /// Mean strength of a boundary plus what the contrast between its two regions is worth, in 1/65 536 of a map level:
    /// whole numbers, so that equal ones are equal.
    pub fn strength(&self, edge: &Edge, a: Sums, b: Sums) -> u64 {
        let contrast = a.contrast_to(b, self.noise) * self.per_grey;
        edge.strength_sum * UNIT / edge.length_px + (contrast * UNIT as f64) as u64
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

/// Regions that are joined step by step, and the boundaries between them.
///
/// `W` weighs a boundary between two regions, in 1/65 536 of a map level.
pub struct Merging<W> {
    parents: Vec<u32>,
    regions: Vec<Sums>,
    weigh: W,
    edges: Vec<Edge>,
    alive: Vec<bool>,
    of_region: Vec<Vec<u32>>,
    by_pair: HashMap<Pair, u32, BuildHasherDefault<PairHasher>>,
}

impl<W: Fn(&Edge, Sums, Sums) -> u64> Merging<W> {
    /// Starts with every region on its own; `regions[label]` is what was summed up over it.
    pub fn new(regions: Vec<Sums>, edges: Vec<Edge>, weigh: W) -> Self {
        let mut of_region = vec![Vec::new(); regions.len()];
        for (id, edge) in edges.iter().enumerate() {
            of_region[edge.a as usize].push(id as u32);
            of_region[edge.b as usize].push(id as u32);
        }
        let by_pair = edges.iter().enumerate().map(|(id, e)| ((e.a, e.b), id as u32)).collect();
        Self {
            parents: (0..regions.len() as u32).collect(),
            alive: vec![true; edges.len()],
            regions,
            weigh,
            edges,
            of_region,
            by_pair,
        }
    }

    /// Joins the two regions with the weakest boundary, again and again, until none is weaker than `least` (0 to 255).
    ///
    /// Among equally weak boundaries the one with the smaller labels goes first.
    pub fn merge_below(&mut self, least: f64) {
        let least = (least * UNIT as f64) as u64;
        // A boundary that grew weaker because a region changed its mean waits under its old strength; another sweep
        // finds it.
        while self.sweep(least) {}
    }

    fn sweep(&mut self, least: u64) -> bool {
        let mut waiting: BinaryHeap<Reverse<(u64, u32)>> = (0..self.edges.len() as u32)
            .filter(|&id| self.alive[id as usize])
            .map(|id| Reverse((self.key(id), id)))
            .filter(|entry| entry.0.0 < least)
            .collect();
        let found = !waiting.is_empty();
        while let Some(Reverse((key, id))) = waiting.pop() {
            if !self.alive[id as usize] {
                continue;
            }
            let now = self.key(id);
            if now > key {
                if now < least {
                    waiting.push(Reverse((now, id)));
                }
                continue;
            }
            for changed in self.join(id) {
                let key = self.key(changed);
                if key < least {
                    waiting.push(Reverse((key, changed)));
                }
            }
        }
        found
    }

    /// Joins every region smaller than `smallest` px to the neighbour behind its weakest boundary, smallest first.
    pub fn absorb_below(&mut self, smallest: u64) {
        let mut waiting: BinaryHeap<Reverse<(u64, u32)>> = (1..self.regions.len() as u32)
            .filter(|&r| self.parents[r as usize] == r && self.regions[r as usize].area_px < smallest)
            .map(|r| Reverse((self.regions[r as usize].area_px, r)))
            .collect();
        while let Some(Reverse((area, region))) = waiting.pop() {
            if self.parents[region as usize] != region || self.regions[region as usize].area_px != area {
                continue;
            }
            let weakest = self.of_region[region as usize]
                .iter()
                .filter(|id| self.alive[**id as usize])
                .min_by_key(|id| (self.key(**id), **id));
            if let Some(&id) = weakest {
                self.join(id);
                let root = self.root(region);
                if self.regions[root as usize].area_px < smallest {
                    waiting.push(Reverse((self.regions[root as usize].area_px, root)));
                }
            }
        }
    }

    fn key(&self, id: u32) -> u64 {
        let edge = &self.edges[id as usize];
        (self.weigh)(edge, self.regions[edge.a as usize], self.regions[edge.b as usize])
    }

    /// Joins the regions on both sides of an edge; gives back the edges whose mean changed.
    fn join(&mut self, id: u32) -> Vec<u32> {
        let Edge { a, b, .. } = self.edges[id as usize];
        self.alive[id as usize] = false;
        self.by_pair.remove(&(a, b));
        let (kept, gone) = if self.of_region[a as usize].len() >= self.of_region[b as usize].len() {
            (a, b)
        } else {
            (b, a)
        };
        self.parents[gone as usize] = kept;
        let sums = self.regions[gone as usize];
        self.regions[kept as usize].add(sums);
        let mut changed = Vec::new();
        for id in std::mem::take(&mut self.of_region[gone as usize]) {
            if self.alive[id as usize] {
                self.move_edge(id, gone, kept, &mut changed);
            }
        }
        changed
    }

    fn move_edge(&mut self, id: u32, gone: u32, kept: u32, changed: &mut Vec<u32>) {
        let edge = self.edges[id as usize];
        self.by_pair.remove(&(edge.a, edge.b));
        let other = if edge.a == gone { edge.b } else { edge.a };
        let pair = (kept.min(other), kept.max(other));
        if let Some(&twin) = self.by_pair.get(&pair) {
            self.alive[id as usize] = false;
            self.edges[twin as usize].length_px += edge.length_px;
            self.edges[twin as usize].strength_sum += edge.strength_sum;
            changed.push(twin);
        } else {
            (self.edges[id as usize].a, self.edges[id as usize].b) = pair;
            self.by_pair.insert(pair, id);
            self.of_region[kept as usize].push(id);
        }
    }

    /// The region that `region` now belongs to.
    pub fn root(&mut self, mut region: u32) -> u32 {
        while self.parents[region as usize] != region {
            self.parents[region as usize] = self.parents[self.parents[region as usize] as usize];
            region = self.parents[region as usize];
        }
        region
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Weigh = Box<dyn Fn(&Edge, Sums, Sums) -> u64>;

    fn by(per_grey: f64, noise: f64) -> Weigh {
        Box::new(move |edge, a, b| Contrast { per_grey, noise }.strength(edge, a, b))
    }

    fn chain(strengths: &[u64]) -> Merging<Weigh> {
        let edges = (1..)
            .zip(strengths)
            .map(|(a, &strength)| Edge { a, b: a + 1, length_px: 2, strength_sum: 2 * strength })
            .collect();
        let region = Sums { area_px: 100, ..Sums::default() };
        Merging::new(vec![region; strengths.len() + 2], edges, by(0.0, 0.0))
    }

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

    #[test]
    fn the_weak_are_joined_and_the_strong_stay() {
        let mut merging = chain(&[10, 80, 30, 90]);
        merging.merge_below(50.0);
        let roots: Vec<u32> = (1..=5).map(|r| merging.root(r)).collect();
        assert_eq!(roots[0], roots[1]);
        assert_eq!(roots[2], roots[3]);
        assert!(roots[0] != roots[2] && roots[2] != roots[4]);
    }

    #[test]
    fn a_boundary_that_becomes_stronger_by_merging_is_kept() {
        // 1 and 2 join first; their common boundary to 3 is then (20 + 100) / 2 and no longer weak.
        let edge = |a, b, strength_sum| Edge { a, b, length_px: 1, strength_sum };
        let edges = vec![edge(1, 2, 5), edge(1, 3, 20), edge(2, 3, 100)];
        let mut merging = Merging::new(vec![Sums::default(); 4], edges, by(0.0, 0.0));
        merging.merge_below(50.0);
        assert_eq!(merging.root(1), merging.root(2));
        assert_ne!(merging.root(1), merging.root(3));
    }

    #[test]
    fn contrast_keeps_regions_apart_that_their_boundary_does_not() {
        let even =
            |grey: u64| Sums { area_px: 100, inner_px: 100, inner_grey: 100 * grey, ..Sums::default() };
        let edges = vec![Edge { a: 1, b: 2, length_px: 1, strength_sum: 0 }];
        let mut near = Merging::new(vec![even(0), even(100), even(101)], edges.clone(), by(1.0, 10.0));
        near.merge_below(5.0);
        assert_eq!(near.root(1), near.root(2));
        let mut far = Merging::new(vec![even(0), even(100), even(110)], edges, by(1.0, 10.0));
        far.merge_below(5.0);
        assert_ne!(far.root(1), far.root(2));
    }

    #[test]
    fn tiny_regions_go_to_the_neighbour_behind_the_weakest_boundary() {
        let mut merging = chain(&[90, 80]);
        merging.regions[2].area_px = 3;
        merging.absorb_below(10);
        assert_eq!(merging.root(2), merging.root(3));
        assert_ne!(merging.root(1), merging.root(2));
    }
}
