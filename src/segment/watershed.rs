//! Seeded watershed by flooding in the order of the relief, in linear time.

use multiversion::multiversion;

use crate::grid::{Frame, Grid, Labels, Mask};
use crate::options::Connectivity;

/// Marks pixels that no basin may enter, in the padded label map.
const OUTSIDE: u32 = u32::MAX;
/// Pixels of a row that are passed at once if none of them is a seed.
const SEED_BLOCK: usize = 16;

/// Floods `relief` from `markers` and gives every reached pixel the label of the marker whose water came first.
///
/// Water takes the lowest pixel on the rim of all basins next and, among equal ones, the one that was reached first; a
/// pixel below the water that reaches it counts as high as the water. Neighbours are looked at in the order up, left,
/// right, down, then the diagonals. There are no watershed lines. Pixels where `mask` is `false` stay 0, and so do
/// pixels that no marker can reach. Labels keep the numbers of their markers, so they ascend in raster order only if
/// the caller renumbers them.
///
/// Each pixel enters and leaves one of 256 queues once, so time grows with the number of pixels alone.
///
/// # References
/// S. Beucher, F. Meyer, The morphological approach to segmentation: the watershed transformation, in: Mathematical
/// Morphology in Image Processing (1993) 433.
///
/// ```
/// use ceramograph::grid::{Grid, Labels};
/// use ceramograph::options::Connectivity;
/// use ceramograph::segment::watershed::watershed;
/// let relief = Grid::new(5, 1, vec![0, 1, 9, 2, 0]).unwrap();
/// let markers = Labels { grid: Grid::new(5, 1, vec![1, 0, 0, 0, 2]).unwrap(), count: 2 };
/// let basins = watershed(&relief, &markers, None, Connectivity::Four);
/// assert_eq!(basins.grid.as_slice(), [1, 1, 1, 2, 2]);
/// ```
pub fn watershed(
    relief: &Grid<u8>,
    markers: &Labels,
    mask: Option<&Mask>,
    connectivity: Connectivity,
) -> Labels {
    let (width, height) = (relief.width(), relief.height());
    let mut flood = Flood::default();
    let whole = Frame { x: 0, y: 0, width, height };
    flood.fill(relief, whole, connectivity, |y, row| {
        row.copy_from_slice(markers.grid.row(y));
        if let Some(mask) = mask {
            close(row, mask.row(y), |&open| !open);
        }
    });
    let mut labels = Grid::filled(width, height, 0);
    for y in 0..height {
        flood.copy_row(y, 0, labels.row_mut(y));
    }
    Labels { grid: labels, count: markers.count }
}

/// Marks pixels of a row of markers that no water may enter.
pub(super) fn close<T>(markers: &mut [u32], row: &[T], is_closed: impl Fn(&T) -> bool) {
    for (marker, value) in markers.iter_mut().zip(row) {
        *marker = if is_closed(value) { OUTSIDE } else { *marker };
    }
}

/// Working memory of a flood, which the next one uses again. Maps have a rim of one pixel that no water enters.
#[derive(Default)]
pub(super) struct Flood {
    width: usize,
    levels: Vec<u8>,
    labels: Vec<u32>,
    /// 1 where water may come and has not yet come, else 0.
    free: Vec<u8>,
    seeds: Vec<u8>,
    found: Vec<Reached>,
    queue: LevelQueue,
}

impl Flood {
    /// Floods one part of the relief, as [`watershed`] does; `mark` writes the markers of a row of the part, counted from its
    /// first one, and calls [`close`] for what no water may enter.
    pub(super) fn fill(
        &mut self,
        relief: &Grid<u8>,
        part: Frame,
        connectivity: Connectivity,
        mark: impl Fn(usize, &mut [u32]),
    ) {
        let w = part.width + 2;
        self.width = w;
        self.levels.resize(w * (part.height + 2), 0);
        self.labels.resize(w * (part.height + 2), 0);
        self.free.clear();
        self.free.resize(w * (part.height + 2), 0);
        for y in 0..part.height {
            let row = (y + 1) * w + 1..(y + 2) * w - 1;
            self.levels[row.clone()].copy_from_slice(&relief.row(part.y + y)[part.x..part.x + part.width]);
            let labels = &mut self.labels[row.clone()];
            mark(y, labels);
            for (free, &label) in self.free[row].iter_mut().zip(&*labels) {
                *free = u8::from(label == 0);
            }
        }
        let w = w as isize;
        match connectivity {
            Connectivity::Four => self.flood([-w, -1, 1, w]),
            Connectivity::Eight => self.flood([-w, -1, 1, w, -w - 1, -w + 1, w - 1, w + 1]),
        }
    }

    /// `offsets` are the steps to the neighbours, in the order in which they are looked at.
    fn flood<const N: usize>(&mut self, offsets: [isize; N]) {
        self.seed(offsets);
        let Self { levels, labels, free, queue, found, .. } = self;
        for level in 0..=u8::MAX {
            // Pixels that are reached at this level join the end of its queue, and are the next batch.
            let mut done = 0;
            while done < queue.reached(level).len() {
                let batch = &queue.reached(level)[done..];
                done += batch.len();
                let count = spread((free, labels), batch, offsets, found);
                for &next in &found[..count] {
                    queue.push_if(true, levels[next.place()].max(level), next);
                }
            }
            queue.clear(level);
        }
    }

    /// Puts every marked pixel beside a free one into the queue of its level.
    fn seed<const N: usize>(&mut self, offsets: [isize; N]) {
        let Self { width, levels, labels, free, seeds, queue, .. } = self;
        seeds.resize(*width - 2, 0);
        for start in (*width + 1..labels.len() - *width).step_by(*width) {
            let own = &labels[start..start + seeds.len()];
            mark_seeds(own, offsets.map(|o| &free[start.wrapping_add_signed(o)..]), seeds);
            for (block, seeds) in seeds.chunks(SEED_BLOCK).enumerate() {
                if seeds.iter().fold(0, |any, &seed| any | seed) == 0 {
                    continue;
                }
                for (index, &seed) in (start + block * SEED_BLOCK..).zip(seeds) {
                    queue.push_if(seed != 0, levels[index], Reached::new(index, labels[index]));
                }
            }
        }
    }

    /// Copies labels of row `y` of the flooded part, from its column `x` on; 0 where no water came.
    pub(super) fn copy_row(&self, y: usize, x: usize, row: &mut [u32]) {
        let start = (y + 1) * self.width + x + 1;
        for (label, &flooded) in row.iter_mut().zip(&self.labels[start..]) {
            *label = if flooded == OUTSIDE { 0 } else { flooded };
        }
    }
}

/// Labels a batch of pixels and takes their free neighbours, which stand in `found` in the order of their finding; returns
/// how many there are.
///
/// Whether a neighbour is free is a toss-up, and a processor loses more time on a wrong guess than on work in vain: every
/// neighbour is written down, over the last one if that was not free.
fn spread<const N: usize>(
    (free, labels): (&mut [u8], &mut [u32]),
    batch: &[Reached],
    offsets: [isize; N],
    found: &mut Vec<Reached>,
) -> usize {
    if found.len() < N * batch.len() + 1 {
        found.resize(N * batch.len() + 1, Reached::default());
    }
    let mut count = 0;
    for &reached in batch {
        labels[reached.place()] = reached.label();
        for offset in offsets {
            let beside = reached.place().wrapping_add_signed(offset);
            let was_free = std::mem::take(&mut free[beside]);
            found[count] = reached.beside(beside);
            count += usize::from(was_free);
        }
    }
    count
}

/// 1 where a pixel has a marker and one of its neighbours is free, else 0.
#[multiversion(targets("x86_64+avx2"))]
fn mark_seeds<const N: usize>(labels: &[u32], neighbours: [&[u8]; N], seeds: &mut [u8]) {
    seeds.fill(0);
    for neighbour in neighbours {
        for (seed, &free) in seeds.iter_mut().zip(neighbour) {
            *seed |= free;
        }
    }
    for (seed, &label) in seeds.iter_mut().zip(labels) {
        *seed &= u8::from((label != 0) & (label != OUTSIDE));
    }
}

/// A pixel that water has reached and the label it brought, in one word.
#[derive(Clone, Copy, Default)]
struct Reached(u64);

impl Reached {
    fn new(place: usize, label: u32) -> Self {
        Self(u64::from(label) << 32 | place as u64)
    }

    fn beside(self, place: usize) -> Self {
        Self(self.0 >> 32 << 32 | place as u64)
    }

    fn place(self) -> usize {
        self.0 as u32 as usize
    }

    fn label(self) -> u32 {
        (self.0 >> 32) as u32
    }
}

/// One first-in-first-out queue for each level of the relief. Water only rises, so that a queue is read once.
struct LevelQueue {
    queues: Box<[Queue; 256]>,
}

/// What was reached, in the order in which it came; beyond `length` lies what does not count.
#[derive(Default)]
struct Queue {
    reached: Vec<Reached>,
    length: usize,
}

impl Default for LevelQueue {
    fn default() -> Self {
        Self { queues: Box::new(std::array::from_fn(|_| Queue::default())) }
    }
}

impl LevelQueue {
    fn reached(&self, level: u8) -> &[Reached] {
        let queue = &self.queues[usize::from(level)];
        &queue.reached[..queue.length]
    }

    /// Writes a pixel behind the last one, where it stays only if it is `wanted`.
    #[inline]
    fn push_if(&mut self, wanted: bool, level: u8, pixel: Reached) {
        let queue = &mut self.queues[usize::from(level)];
        match queue.reached.get_mut(queue.length) {
            Some(end) => *end = pixel,
            None => queue.grow(pixel),
        }
        queue.length += usize::from(wanted);
    }

    /// Forgets the pixels of a level and keeps the memory.
    fn clear(&mut self, level: u8) {
        self.queues[usize::from(level)].length = 0;
    }
}

impl Queue {
    #[cold]
    fn grow(&mut self, pixel: Reached) {
        self.reached.push(pixel);
        self.reached.resize(self.reached.capacity(), Reached::default());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one_row(relief: &[u8], markers: &[u32], mask: Option<&[bool]>) -> Vec<u32> {
        let width = relief.len();
        let relief = Grid::new(width, 1, relief.to_vec()).unwrap();
        let markers = Labels { grid: Grid::new(width, 1, markers.to_vec()).unwrap(), count: 9 };
        let mask = mask.map(|m| Grid::new(width, 1, m.to_vec()).unwrap());
        watershed(&relief, &markers, mask.as_ref(), Connectivity::Four).grid.into_vec()
    }

    #[test]
    fn equal_ways_meet_in_the_middle() {
        assert_eq!(one_row(&[0, 5, 5, 5, 5, 0], &[1, 0, 0, 0, 0, 2], None), [1, 1, 1, 2, 2, 2]);
    }

    #[test]
    fn the_mask_stops_the_water_and_takes_away_markers() {
        let mask = [true, true, false, true, true, false];
        assert_eq!(one_row(&[0; 6], &[1, 0, 0, 0, 0, 2], Some(&mask)), [1, 1, 0, 0, 0, 0]);
    }

    #[test]
    fn only_eight_neighbours_let_water_through_a_corner() {
        let relief = Grid::filled(2, 2, 0u8);
        let markers = Labels { grid: Grid::new(2, 2, vec![1, 0, 0, 0]).unwrap(), count: 1 };
        let mask = Grid::new(2, 2, vec![true, false, false, true]).unwrap();
        let flood = |connectivity| watershed(&relief, &markers, Some(&mask), connectivity).grid.at(1, 1);
        assert_eq!(flood(Connectivity::Four), 0);
        assert_eq!(flood(Connectivity::Eight), 1);
    }
}
