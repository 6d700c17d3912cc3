//! What is known of regions that touch, and their merging, weakest boundary first.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use super::edges::Edge;

/// Boundaries that one task weighs at least.
const WEIGHED_EDGES: usize = 4096;

/// Steps of a strength key in one level of the map.
pub(super) const UNIT: u64 = 65536;

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

/// Regions that are joined step by step, and the boundaries between them.
///
/// `W` weighs a boundary between two regions, in 1/65 536 of a map level.
pub struct Merging<W> {
    parents: Vec<u32>,
    regions: Vec<Sums>,
    weigh: W,
    edges: Vec<Edge>,
    around: Around,
}

impl<W: Fn(&Edge, Sums, Sums) -> u64 + Sync> Merging<W> {
    /// Starts with every region on its own; `regions[label]` is what was summed up over it.
    pub fn new(regions: Vec<Sums>, edges: Vec<Edge>, weigh: W) -> Self {
        Self {
            parents: (0..regions.len() as u32).collect(),
            around: Around::new(&edges, regions.len()),
            regions,
            weigh,
            edges,
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
        let weak: Vec<Reverse<(u64, u32)>> = (0..self.edges.len() as u32)
            .into_par_iter()
            .with_min_len(WEIGHED_EDGES)
            .filter(|&id| is_alive(&self.edges[id as usize]))
            .map(|id| Reverse((self.key(id), id)))
            .filter(|entry| entry.0.0 < least)
            .collect();
        let found = !weak.is_empty();
        let mut waiting = BinaryHeap::from(weak);
        let mut changed = Vec::new();
        while let Some(Reverse((key, id))) = waiting.pop() {
            if !is_alive(&self.edges[id as usize]) {
                continue;
            }
            let now = self.key(id);
            if now > key {
                if now < least {
                    waiting.push(Reverse((now, id)));
                }
                continue;
            }
            self.join(id, &mut changed);
            for changed in changed.drain(..) {
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
        let mut changed = Vec::new();
        while let Some(Reverse((area, region))) = waiting.pop() {
            if self.parents[region as usize] != region || self.regions[region as usize].area_px != area {
                continue;
            }
            let weakest = self
                .around
                .of(region)
                .filter(|&id| is_alive(&self.edges[id as usize]))
                .min_by_key(|&id| (self.key(id), id));
            if let Some(id) = weakest {
                self.join(id, &mut changed);
                changed.clear();
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

    /// Joins the regions on both sides of an edge, and adds the edges whose mean changed to `changed`.
    fn join(&mut self, id: u32, changed: &mut Vec<u32>) {
        let Edge { a, b, .. } = self.edges[id as usize];
        self.edges[id as usize].length_px = 0;
        let (kept, gone) = if self.around.count(a) >= self.around.count(b) { (a, b) } else { (b, a) };
        self.parents[gone as usize] = kept;
        let sums = self.regions[gone as usize];
        self.regions[kept as usize].add(sums);
        let mut next = self.around.take(gone);
        while let Some(side) = next {
            next = self.around.after(side);
            if is_alive(&self.edges[side.edge()]) {
                self.move_edge(side, gone, kept, changed);
            }
        }
    }

    fn move_edge(&mut self, side: Side, gone: u32, kept: u32, changed: &mut Vec<u32>) {
        let edge = self.edges[side.edge()];
        let other = if edge.a == gone { edge.b } else { edge.a };
        let pair = (kept.min(other), kept.max(other));
        if let Some(twin) = self.between(kept, other) {
            self.edges[side.edge()].length_px = 0;
            self.edges[twin as usize].length_px += edge.length_px;
            self.edges[twin as usize].strength_sum += edge.strength_sum;
            changed.push(twin);
        } else {
            (self.edges[side.edge()].a, self.edges[side.edge()].b) = pair;
            self.around.put(kept, side);
        }
    }

    /// The edge between two regions, looked for around the one with fewer.
    fn between(&self, a: u32, b: u32) -> Option<u32> {
        let fewer = if self.around.count(a) < self.around.count(b) { a } else { b };
        let pair = (a.min(b), a.max(b));
        let is_it = |edge: &Edge| is_alive(edge) && (edge.a, edge.b) == pair;
        self.around.of(fewer).find(|&id| is_it(&self.edges[id as usize]))
    }

    /// Pixels of a region that all others joined with it belong to.
    pub fn area_px(&self, root: u32) -> u64 {
        self.regions[root as usize].area_px
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

/// Whether an edge still lies between two regions; those that do not have no length.
fn is_alive(edge: &Edge) -> bool {
    edge.length_px > 0
}

/// One of the two sides of an edge: twice its number, and one more for its second side.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Side(u32);

impl Side {
    /// In place of a side where there is none.
    const NONE: Self = Self(u32::MAX);

    fn edge(self) -> usize {
        (self.0 / 2) as usize
    }

    fn some(self) -> Option<Self> {
        (self != Self::NONE).then_some(self)
    }
}

/// Which edges lie around each region: a chain of sides for each, for edges move from region to region all the time and no
/// table of them could be kept in order.
struct Around {
    /// The first side of each region, and how many there are.
    chains: Vec<(Side, u32)>,
    /// The side that follows each in its chain.
    next: Vec<Side>,
}

impl Around {
    fn new(edges: &[Edge], regions: usize) -> Self {
        assert!(edges.len() < (u32::MAX / 2) as usize, "two sides of each edge are numbered in 32 bits");
        let mut around =
            Self { chains: vec![(Side::NONE, 0); regions], next: vec![Side::NONE; 2 * edges.len()] };
        for (first, edge) in (0..).step_by(2).zip(edges) {
            around.put(edge.a, Side(first));
            around.put(edge.b, Side(first + 1));
        }
        around
    }

    /// Sides around a region, those of edges that are no more among them.
    fn count(&self, region: u32) -> u32 {
        self.chains[region as usize].1
    }

    /// The edges around a region.
    fn of(&self, region: u32) -> impl Iterator<Item = u32> {
        let first = self.chains[region as usize].0.some();
        std::iter::successors(first, |&side| self.after(side)).map(|side| side.edge() as u32)
    }

    fn after(&self, side: Side) -> Option<Side> {
        self.next[side.0 as usize].some()
    }

    fn put(&mut self, region: u32, side: Side) {
        let (first, count) = &mut self.chains[region as usize];
        self.next[side.0 as usize] = std::mem::replace(first, side);
        *count += 1;
    }

    /// Leaves a region without edges, and gives the first of those that it had.
    fn take(&mut self, region: u32) -> Option<Side> {
        std::mem::replace(&mut self.chains[region as usize], (Side::NONE, 0)).0.some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Weigh = Box<dyn Fn(&Edge, Sums, Sums) -> u64 + Sync>;

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
