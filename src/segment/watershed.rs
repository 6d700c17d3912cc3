//! Seeded watershed by flooding in the order of the relief, in linear time.

use crate::grid::{Frame, Grid, Labels, Mask};
use crate::options::Connectivity;

/// Marks pixels that no basin may enter, in the padded label map.
const OUTSIDE: u32 = u32::MAX;

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
    flood.fill(relief, markers, whole, |i| mask.is_none_or(|mask| mask.as_slice()[i]), connectivity);
    let mut labels = Grid::filled(width, height, 0);
    for y in 0..height {
        flood.copy_row(y, 0, labels.row_mut(y));
    }
    Labels { grid: labels, count: markers.count }
}

/// Working memory of a flood, which the next one uses again. Maps have a rim of one pixel that no water enters.
#[derive(Default)]
pub(super) struct Flood {
    width: usize,
    levels: Vec<u8>,
    labels: Vec<u32>,
    queue: LevelQueue,
}

impl Flood {
    /// Floods one part of the relief, as [`watershed`] does; `is_open` tells by place in the relief what water may enter.
    pub(super) fn fill(
        &mut self,
        relief: &Grid<u8>,
        markers: &Labels,
        part: Frame,
        is_open: impl Fn(usize) -> bool,
        connectivity: Connectivity,
    ) {
        let w = part.width + 2;
        self.width = w;
        self.levels.clear();
        self.levels.resize(w * (part.height + 2), 0);
        self.labels.clear();
        self.labels.resize(w * (part.height + 2), OUTSIDE);
        for y in 0..part.height {
            let start = (part.y + y) * relief.width() + part.x;
            let row = (y + 1) * w + 1;
            let source = start..start + part.width;
            self.levels[row..row + part.width].copy_from_slice(&relief.as_slice()[source.clone()]);
            let marks = source.clone().zip(&markers.grid.as_slice()[source]);
            for (label, (i, &marker)) in self.labels[row..row + part.width].iter_mut().zip(marks) {
                *label = if is_open(i) { marker } else { OUTSIDE };
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
        let Self { width, levels, labels, queue } = self;
        let levels = &levels[..labels.len()];
        for index in *width..labels.len() - *width {
            let label = labels[index];
            if label != 0
                && label != OUTSIDE
                && offsets.iter().any(|o| labels[index.wrapping_add_signed(*o)] == 0)
            {
                queue.push(levels[index], index as u32);
            }
        }
        for level in 0..=u8::MAX {
            // Pixels that are reached at this level join the end of its queue.
            let mut here = queue.take(level);
            let mut next = 0;
            while let Some(&index) = here.get(next) {
                next += 1;
                let label = labels[index as usize];
                for offset in offsets {
                    let beside = (index as usize).wrapping_add_signed(offset);
                    if labels[beside] == 0 {
                        labels[beside] = label;
                        if levels[beside] <= level {
                            here.push(beside as u32);
                        } else {
                            queue.push(levels[beside], beside as u32);
                        }
                    }
                }
            }
            queue.give_back(level, here);
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

/// One first-in-first-out queue for each level of the relief. Water only rises, so that a queue is read once.
struct LevelQueue {
    queues: Vec<Vec<u32>>,
}

impl Default for LevelQueue {
    fn default() -> Self {
        Self { queues: vec![Vec::new(); 256] }
    }
}

impl LevelQueue {
    fn push(&mut self, level: u8, index: u32) {
        self.queues[usize::from(level)].push(index);
    }

    fn take(&mut self, level: u8) -> Vec<u32> {
        std::mem::take(&mut self.queues[usize::from(level)])
    }

    /// Keeps the memory of a queue that has been read.
    fn give_back(&mut self, level: u8, mut queue: Vec<u32>) {
        queue.clear();
        self.queues[usize::from(level)] = queue;
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
