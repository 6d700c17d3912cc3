//! Seeded watershed by flooding in the order of the relief, in linear time.

use std::collections::VecDeque;

use crate::grid::{Grid, Labels, Mask};
use crate::options::Connectivity;

/// Marks pixels that no basin may enter, in the padded label map.
const OUTSIDE: u32 = u32::MAX;

/// Floods `relief` from `markers` and gives every reached pixel the label of the marker whose water came first.
///
/// Water takes the lowest pixel on the rim of all basins next and, among equal ones, the one that was reached first; a
/// pixel below the water that reaches it counts as high as the water. Neighbours are looked at in the order up, left, right, down, then the diagonals. There are no watershed lines. Pixels
/// where `mask` is `false` stay 0, and so do pixels that no marker can reach. Labels keep the numbers of their markers,
/// so they ascend in raster order only if the caller renumbers them.
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
    let mut labels = padded_labels(markers, mask);
    let levels = padded_relief(relief);
    let w = relief.width() as isize + 2;
    match connectivity {
        Connectivity::Four => flood(&levels, &mut labels, [-w, -1, 1, w]),
        Connectivity::Eight => flood(&levels, &mut labels, [-w, -1, 1, w, -w - 1, -w + 1, w - 1, w + 1]),
    }
    Labels { grid: without_padding(labels, relief.width(), relief.height()), count: markers.count }
}

/// Floods padded arrays; `offsets` are the steps to the neighbours, in the order in which they are looked at.
fn flood<const N: usize>(levels: &[u8], labels: &mut [u32], offsets: [isize; N]) {
    let width = offsets[3] as usize;
    let mut queue = LevelQueue::new();
    for index in width..labels.len() - width {
        let label = labels[index];
        if label != 0
            && label != OUTSIDE
            && offsets.iter().any(|o| labels[index.wrapping_add_signed(*o)] == 0)
        {
            queue.push(levels[index], index as u32);
        }
    }
    while let Some((level, index)) = queue.pop() {
        let label = labels[index as usize];
        for offset in offsets {
            let next = (index as usize).wrapping_add_signed(offset);
            if labels[next] == 0 {
                labels[next] = label;
                queue.push(levels[next].max(level), next as u32);
            }
        }
    }
}

fn padded_labels(markers: &Labels, mask: Option<&Mask>) -> Vec<u32> {
    let (width, height) = (markers.grid.width(), markers.grid.height());
    let mut labels = Vec::with_capacity((width + 2) * (height + 2));
    labels.resize(width + 2, OUTSIDE);
    for y in 0..height {
        labels.push(OUTSIDE);
        match mask {
            None => labels.extend_from_slice(markers.grid.row(y)),
            Some(mask) => labels.extend(
                markers
                    .grid
                    .row(y)
                    .iter()
                    .zip(mask.row(y))
                    .map(|(&m, &inside)| if inside { m } else { OUTSIDE }),
            ),
        }
        labels.push(OUTSIDE);
    }
    labels.resize((width + 2) * (height + 2), OUTSIDE);
    labels
}

fn padded_relief(relief: &Grid<u8>) -> Vec<u8> {
    let width = relief.width();
    let mut levels = vec![0; (width + 2) * (relief.height() + 2)];
    for (padded, row) in levels.chunks_exact_mut(width + 2).skip(1).zip(relief.rows()) {
        padded[1..=width].copy_from_slice(row);
    }
    levels
}

fn without_padding(mut labels: Vec<u32>, width: usize, height: usize) -> Grid<u32> {
    for y in 0..height {
        let start = (y + 1) * (width + 2) + 1;
        labels.copy_within(start..start + width, y * width);
    }
    labels.truncate(width * height);
    for label in &mut labels {
        if *label == OUTSIDE {
            *label = 0;
        }
    }
    Grid::new(width, height, labels).expect("invariant: the rows of a grid fill it")
}

/// One first-in-first-out queue for each level of the relief; the water only rises.
struct LevelQueue {
    queues: Vec<VecDeque<u32>>,
    level: u8,
}

impl LevelQueue {
    fn new() -> Self {
        Self { queues: vec![VecDeque::new(); 256], level: 0 }
    }

    fn push(&mut self, level: u8, index: u32) {
        self.queues[usize::from(level)].push_back(index);
    }

    fn pop(&mut self) -> Option<(u8, u32)> {
        loop {
            if let Some(index) = self.queues[usize::from(self.level)].pop_front() {
                return Some((self.level, index));
            }
            self.level = self.level.checked_add(1)?;
        }
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
