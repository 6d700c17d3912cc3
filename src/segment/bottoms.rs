//! Regional minima of a relief.

use multiversion::multiversion;
use rayon::prelude::*;

use super::label::{Keep, label_kept};
use crate::grid::{Grid, Labels, Mask};
use crate::options::Connectivity;

/// Labels the 4-connected regions of one level below `below` that touch no lower level, in raster order.
///
/// Pixels without a lower neighbour are sought first: two of them that touch are equally high, so that their regions are
/// those of a mask. A region is no bottom if a neighbour of its own height has a lower one.
pub fn bottoms(relief: &Grid<u8>, below: u8) -> Labels {
    let (low, draining) = low_and_draining(relief, below);
    label_kept(&low, Connectivity::Four, Keep { without: Some(&draining), ..Keep::default() }).0
}

/// Pixels below `below` without a lower neighbour, and those of them beside an equally high one that has.
pub(crate) fn low_and_draining(relief: &Grid<u8>, below: u8) -> (Mask, Mask) {
    let low = by_rows(relief, |y, out| mark_low(relief.row(y), around(relief, y).each(), below, out));
    let draining = by_rows(relief, |y, out| {
        let (levels, lows) = (around(relief, y), around(&low, y));
        for (levels_there, low_there) in levels.each().into_iter().zip(lows.each()) {
            mark_draining((relief.row(y), low.row(y)), (levels_there, low_there), out);
        }
    });
    (low, draining)
}

fn by_rows(like: &Grid<u8>, mark: impl Fn(usize, &mut [bool]) + Sync) -> Mask {
    let mut mask = Grid::filled(like.width(), like.height(), false);
    mask.as_mut_slice().par_chunks_mut(like.width()).enumerate().for_each(|(y, row)| mark(y, row));
    mask
}

/// The four neighbours of each pixel of a row; beyond the rim lies the pixel itself once more.
struct Around<'a, T> {
    above: &'a [T],
    left: Vec<T>,
    right: Vec<T>,
    under: &'a [T],
}

impl<T> Around<'_, T> {
    fn each(&self) -> [&[T]; 4] {
        [self.above, &self.left, &self.right, self.under]
    }
}

fn around<T: Copy>(grid: &Grid<T>, y: usize) -> Around<'_, T> {
    let (row, last) = (grid.row(y), grid.width() - 1);
    Around {
        above: grid.row(y.saturating_sub(1)),
        left: [&row[..1], &row[..last]].concat(),
        right: [&row[1..], &row[last..]].concat(),
        under: grid.row((y + 1).min(grid.height() - 1)),
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn mark_low(levels: &[u8], [above, left, right, under]: [&[u8]; 4], below: u8, low: &mut [bool]) {
    let n = low.len();
    let (levels, above, left, right, under) =
        (&levels[..n], &above[..n], &left[..n], &right[..n], &under[..n]);
    for x in 0..n {
        let lowest = above[x].min(left[x]).min(right[x]).min(under[x]);
        low[x] = (levels[x] < below) & (levels[x] <= lowest);
    }
}

/// Marks low pixels whose neighbour is equally high and not low.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// More rows than are labelled at once.
    const BAND_ROWS: usize = 256;

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
