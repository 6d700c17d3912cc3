//! Regional minima of a relief.

use multiversion::multiversion;
use rayon::prelude::*;

use super::label::LabelledRuns;
use crate::grid::{Grid, Mask};

/// Rows of masks that are made at once.
const MASK_ROWS: usize = 64;

/// Labels the 4-connected regions of one level below `below` that touch no lower level, in raster order.
///
/// Pixels without a lower neighbour are sought first: two of them that touch are equally high, so that their regions are
/// those of a mask. A region is no bottom if a neighbour of its own height has a lower one. Of both only a few rows are
/// ever there.
pub(super) fn bottoms(relief: &Grid<u8>, below: u8) -> LabelledRuns {
    LabelledRuns::without_marked((relief.width(), relief.height()), |low: &mut LowRows, y, set, draining| {
        low.mark(relief, y, below, set, draining);
    })
}

/// Pixels below `below` without a lower neighbour, and those of them beside an equally high one that has.
pub(crate) fn low_and_draining(relief: &Grid<u8>, below: u8) -> (Mask, Mask) {
    let width = relief.width();
    let none = || Grid::filled(width, relief.height(), false);
    let (mut low, mut draining) = (none(), none());
    let bands = low.as_mut_slice().par_chunks_mut(MASK_ROWS * width);
    let bands = bands.zip(draining.as_mut_slice().par_chunks_mut(MASK_ROWS * width)).enumerate();
    bands.for_each_init(LowRows::default, |rows, (band, (low, draining))| {
        rows.end = 0;
        let both = low.chunks_exact_mut(width).zip(draining.chunks_exact_mut(width));
        for (y, (low, draining)) in (band * MASK_ROWS..).zip(both) {
            rows.mark(relief, y, below, low, draining);
        }
    });
    (low, draining)
}

/// Pixels without a lower neighbour, of a row and the two beside it.
#[derive(Default)]
struct LowRows {
    rows: [Vec<bool>; 3],
    /// The row after the last that is known.
    end: usize,
}

impl LowRows {
    /// Fills in what is missing of row `y` and the two beside it.
    fn reach(&mut self, relief: &Grid<u8>, y: usize, below: u8) {
        let last = relief.height() - 1;
        for row in self.end.max(y.saturating_sub(1))..=(y + 1).min(last) {
            let low = &mut self.rows[row % 3];
            low.resize(relief.width(), false);
            let (above, under) = (relief.row(row.saturating_sub(1)), relief.row((row + 1).min(last)));
            mark_low(relief.row(row), above, under, below, low);
            self.end = row + 1;
        }
    }

    fn row(&self, y: usize) -> &[bool] {
        &self.rows[y % 3]
    }

    /// Sets the low pixels of row `y`, and of these the ones that drain.
    fn mark(&mut self, relief: &Grid<u8>, y: usize, below: u8, set: &mut [bool], draining: &mut [bool]) {
        self.reach(relief, y, below);
        set.copy_from_slice(self.row(y));
        draining.fill(false);
        mark_draining_beside(relief.row(y), set, draining);
        for other in [y.saturating_sub(1), (y + 1).min(relief.height() - 1)] {
            mark_draining((relief.row(y), set), (relief.row(other), self.row(other)), draining);
        }
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn mark_low(levels: &[u8], above: &[u8], under: &[u8], below: u8, low: &mut [bool]) {
    let n = low.len();
    let (levels, above, under) = (&levels[..n], &above[..n], &under[..n]);
    for x in 0..n {
        low[x] = (levels[x] < below) & (levels[x] <= above[x]) & (levels[x] <= under[x]);
    }
    let (left, right) = (&levels[..n - 1], &levels[1..]);
    for x in 0..n - 1 {
        low[x] &= left[x] <= right[x];
    }
    for (low, (left, right)) in low[1..].iter_mut().zip(left.iter().zip(right)) {
        *low &= right <= left;
    }
}

/// Marks low pixels whose neighbour in another row is equally high and not low.
#[multiversion(targets("x86_64+avx2"))]
fn mark_draining(
    (levels, low): (&[u8], &[bool]),
    (levels_there, low_there): (&[u8], &[bool]),
    draining: &mut [bool],
) {
    let n = draining.len();
    let (levels, low, levels_there, low_there) =
        (&levels[..n], &low[..n], &levels_there[..n], &low_there[..n]);
    for x in 0..n {
        draining[x] |= low[x] & !low_there[x] & (levels[x] == levels_there[x]);
    }
}

/// Marks low pixels whose neighbour in their own row is equally high and not low.
#[multiversion(targets("x86_64+avx2"))]
fn mark_draining_beside(levels: &[u8], low: &[bool], draining: &mut [bool]) {
    let n = draining.len();
    let (levels, low) = (&levels[..n], &low[..n]);
    for x in 0..n - 1 {
        draining[x] |= low[x] & !low[x + 1] & (levels[x] == levels[x + 1]);
    }
    for x in 1..n {
        draining[x] |= low[x] & !low[x - 1] & (levels[x] == levels[x - 1]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Labels;

    /// More rows than are labelled at once.
    const BAND_ROWS: usize = 256;

    fn bottoms(relief: &Grid<u8>, below: u8) -> Labels {
        let found = super::bottoms(relief, below);
        let mut grid = Grid::filled(relief.width(), relief.height(), 0);
        (0..relief.height()).for_each(|y| found.paint(y, 0, grid.row_mut(y)));
        Labels { grid, count: found.count }
    }

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
