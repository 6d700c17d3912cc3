//! Regional minima of a relief, labelled in parallel bands.

use rayon::prelude::*;

use crate::grid::{Grid, Labels};

/// Fixed, so that labels do not depend on the number of threads.
const BAND_ROWS: usize = 256;

/// Labels the 4-connected regions of one level below `below` that touch no lower level.
pub fn bottoms(relief: &Grid<u8>, below: u8) -> Labels {
    let width = relief.width();
    let mut ids = Grid::filled(width, relief.height(), 0u32);
    let bands: Vec<Band> = ids
        .as_mut_slice()
        .par_chunks_mut(BAND_ROWS * width)
        .enumerate()
        .map(|(band, rows)| Band::label(relief, below, band * BAND_ROWS, rows))
        .collect();
    let mut regions = Band { parents: Vec::new(), has_lower: Vec::new() };
    let offsets: Vec<u32> = bands.into_iter().map(|band| regions.append(band)).collect();
    for (seam, pair) in offsets.windows(2).enumerate() {
        let y = (seam + 1) * BAND_ROWS;
        for x in 0..width {
            let (above, here) = (ids.at(x, y - 1), ids.at(x, y));
            if above != 0 && here != 0 && relief.at(x, y - 1) == relief.at(x, y) {
                join(&mut regions.parents, above + pair[0], here + pair[1]);
            }
        }
    }
    let (numbers, count) = regions.numbers();
    ids.as_mut_slice().par_chunks_mut(BAND_ROWS * width).zip(&offsets).for_each(|(rows, &offset)| {
        for id in rows.iter_mut().filter(|id| **id != 0) {
            *id = numbers[(*id + offset) as usize];
        }
    });
    Labels { grid: ids, count }
}

/// Provisional labels of a band of rows, from 1, and which of them belong together.
struct Band {
    parents: Vec<u32>,
    has_lower: Vec<bool>,
}

impl Band {
    fn label(relief: &Grid<u8>, below: u8, first: usize, ids: &mut [u32]) -> Self {
        let width = relief.width();
        // Label 0 is no region; as one with a lower neighbour it never gets a number.
        let mut band = Self { parents: vec![0], has_lower: vec![true] };
        let closed = vec![u8::MAX; width];
        let mut above_ids: &[u32] = &vec![0; width];
        for (y, row_ids) in (first..).zip(ids.chunks_exact_mut(width)) {
            let above = if y > 0 { relief.row(y - 1) } else { &closed };
            let under = if y + 1 < relief.height() { relief.row(y + 1) } else { &closed };
            // The row above belongs to another band on a band's first row: no label is taken over the seam yet.
            let joined = if y > first { above } else { &closed };
            band.label_row(below, (joined, relief.row(y)), above_ids, row_ids);
            band.mark_lower((above, relief.row(y), under), row_ids);
            above_ids = row_ids;
        }
        band
    }

    fn label_row(&mut self, below: u8, (above, row): (&[u8], &[u8]), above_ids: &[u32], ids: &mut [u32]) {
        let (mut left, mut above_left, mut id) = (u8::MAX, u8::MAX, 0);
        for (((&level, &up), &up_id), out) in row.iter().zip(above).zip(above_ids).zip(ids) {
            if level < below {
                if left != level {
                    id = if up == level { up_id } else { self.new_id() };
                } else if up == level && above_left != level {
                    id = join(&mut self.parents, id, up_id);
                }
                *out = id;
            }
            (left, above_left) = (level, up);
        }
    }

    fn new_id(&mut self) -> u32 {
        let id = self.parents.len() as u32;
        self.parents.push(id);
        self.has_lower.push(false);
        id
    }

    fn mark_lower(&mut self, (above, row, under): (&[u8], &[u8], &[u8]), ids: &[u32]) {
        let last = row.len() - 1;
        for (x, &level) in row.iter().enumerate() {
            let lowest = above[x].min(under[x]).min(row[x.saturating_sub(1)]).min(row[(x + 1).min(last)]);
            if lowest < level && ids[x] != 0 {
                self.has_lower[ids[x] as usize] = true;
            }
        }
    }

    /// Takes over the labels of the next band; gives back what must be added to them.
    fn append(&mut self, band: Self) -> u32 {
        let offset = self.parents.len() as u32;
        self.parents.extend(band.parents.iter().map(|parent| parent + offset));
        self.has_lower.extend(band.has_lower);
        offset
    }

    /// The final number of each provisional label: 0 where a lower neighbour exists.
    fn numbers(mut self) -> (Vec<u32>, u32) {
        for id in 0..self.parents.len() {
            if self.has_lower[id] {
                let root = root(&mut self.parents, id as u32);
                self.has_lower[root as usize] = true;
            }
        }
        let mut numbers = vec![0; self.parents.len()];
        let mut count = 0;
        for id in 0..self.parents.len() {
            // A root is the smallest of its labels, so it has been numbered before the others.
            let root = root(&mut self.parents, id as u32) as usize;
            if root == id && !self.has_lower[id] {
                count += 1;
                numbers[id] = count;
            } else {
                numbers[id] = numbers[root];
            }
        }
        (numbers, count)
    }
}

fn root(parents: &mut [u32], mut id: u32) -> u32 {
    while parents[id as usize] != id {
        parents[id as usize] = parents[parents[id as usize] as usize];
        id = parents[id as usize];
    }
    id
}

fn join(parents: &mut [u32], a: u32, b: u32) -> u32 {
    let (a, b) = (root(parents, a), root(parents, b));
    let (low, high) = (a.min(b), a.max(b));
    parents[high as usize] = low;
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plateau_with_a_lower_neighbour_is_no_bottom() {
        let relief = Grid::new(6, 2, vec![3, 3, 2, 2, 9, 1, 3, 9, 9, 9, 9, 1]).unwrap();
        let found = bottoms(&relief, 8);
        assert_eq!(found.grid.as_slice(), [0, 0, 1, 1, 0, 2, 0, 0, 0, 0, 0, 2]);
        assert_eq!(found.count, 2);
    }

    #[test]
    fn a_bottom_that_crosses_bands_stays_one() {
        let found = bottoms(&Grid::from_fn(3, 3 * BAND_ROWS, |x, _| if x == 1 { 9 } else { 0 }), 8);
        assert_eq!(found.count, 2);
        assert!(found.grid.rows().all(|row| row[0] != row[2] && row[0] == found.grid.at(0, 0)));
    }

    #[test]
    fn a_slope_over_a_seam_marks_the_whole_plateau() {
        let mut relief = Grid::filled(2, 2 * BAND_ROWS, 4u8);
        relief.set(0, 2 * BAND_ROWS - 1, 3);
        let found = bottoms(&relief, 8);
        assert_eq!((found.count, found.grid.as_slice().iter().filter(|l| **l > 0).count()), (1, 1));
    }
}
