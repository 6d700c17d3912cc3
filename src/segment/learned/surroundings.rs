//! The whole picture seen from afar, which tells what lies beyond the reach of a tile.
//!
//! An even patch may be the floor of a wide pore or the middle of a large grain; what lies around it decides. Reduced
//! to mean and standard deviation of blocks the whole picture is small, and a network of its own goes over it at once.

use std::ops::Range;

use rayon::prelude::*;

use super::network::{
    BLOCK_PX, BLOCK_STATISTICS, SURROUNDINGS_CELL_PX, SURROUNDINGS_CHANNELS, SURROUNDINGS_STEP_PX,
    surroundings,
};
use super::tiles::{Standard, mirrored};
use crate::error::Error;
use crate::grid::Grid;

/// Pixels of a block.
const BLOCK_AREA: u64 = (BLOCK_PX * BLOCK_PX) as u64;
/// Standard deviations of blocks are at least this, in those of the picture, as the network was trained.
const LEAST_DEVIATION: f32 = 1e-3;

/// What the network finds around every cell of a picture.
pub(super) struct Surroundings {
    /// A plane of cells for each channel, row by row.
    values: Vec<f32>,
    columns: usize,
    rows: usize,
}

impl Surroundings {
    /// Surroundings in a picture, which is continued as in a mirror to whole steps of the network.
    ///
    /// The number of threads does not change a bit of them.
    ///
    /// # Errors
    /// [`Error::Network`] if the network in the program is damaged.
    pub(super) fn of(picture: &Grid<u16>, standard: &Standard) -> Result<Self, Error> {
        let (width, height) = (continued(picture.width()), continued(picture.height()));
        let values = surroundings(blocks(picture, standard), width, height)?;
        Ok(Self { values, columns: width / SURROUNDINGS_CELL_PX, rows: height / SURROUNDINGS_CELL_PX })
    }

    /// The part in these columns and rows of cells, which must lie in the surroundings: a plane for each channel, as
    /// [`answer`](super::network::answer) takes it.
    pub(super) fn part(&self, columns: Range<usize>, rows: Range<usize>) -> Vec<f32> {
        let mut part = Vec::with_capacity(SURROUNDINGS_CHANNELS * columns.len() * rows.len());
        for plane in self.values.chunks_exact(self.columns * self.rows) {
            for row in rows.clone() {
                part.extend_from_slice(&plane[row * self.columns..][columns.clone()]);
            }
        }
        part
    }
}

/// Length of a side once it is continued to whole steps of the network.
fn continued(length: usize) -> usize {
    length.next_multiple_of(SURROUNDINGS_STEP_PX)
}

/// A plane of the standardised means and one of the standard deviations of the blocks of the continued picture.
fn blocks(picture: &Grid<u16>, standard: &Standard) -> Vec<f32> {
    let places = |length: usize| -> Vec<usize> {
        (0..continued(length)).map(|place| mirrored(place, 0, length)).collect()
    };
    let (across, down) = (places(picture.width()), places(picture.height()));
    let (columns, rows) = (across.len() / BLOCK_PX, down.len() / BLOCK_PX);
    let mut blocks = vec![0.0; BLOCK_STATISTICS * columns * rows];
    let (means, deviations) = blocks.split_at_mut(columns * rows);
    let lines = means.par_chunks_mut(columns).zip(deviations.par_chunks_mut(columns));
    lines.zip(down.par_chunks(BLOCK_PX)).for_each(|((means, deviations), down)| {
        let values = means.iter_mut().zip(deviations);
        for ((mean, deviation), across) in values.zip(across.chunks_exact(BLOCK_PX)) {
            let (sum, squares) = sums(picture, across, down);
            *mean = standard.mean(BLOCK_AREA, sum);
            *deviation = standard.deviation(BLOCK_AREA, sum, squares).max(LEAST_DEVIATION);
        }
    });
    blocks
}

/// Sum and sum of squares of the greys in some columns and rows.
fn sums(picture: &Grid<u16>, across: &[usize], down: &[usize]) -> (u64, u64) {
    let (mut sum, mut squares) = (0, 0);
    for &y in down {
        let greys = picture.row(y);
        for &x in across {
            let grey = u64::from(greys[x]);
            sum += grey;
            squares += grey * grey;
        }
    }
    (sum, squares)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(picture: &Grid<u16>) -> Vec<f32> {
        blocks(picture, &Standard::of(picture))
    }

    #[test]
    fn blocks_hold_means_and_deviations_of_known_greys() {
        // Greys 1010 and 1030, as many of each: mean 1020 and standard deviation 10. The second block of the first row
        // and the last of all are chequered, the others even.
        let chequered = |column, row| matches!((column, row), (1, 0) | (7, 7));
        let picture = Grid::from_fn(64, 64, |x, y| {
            let bright = if chequered(x / 8, y / 8) { (x + y) % 2 == 1 } else { x >= 32 };
            if bright { 1030 } else { 1010 }
        });
        let found = found(&picture);
        let (means, deviations) = found.split_at(64);
        for (i, (mean, deviation)) in means.iter().zip(deviations).enumerate() {
            let (column, row) = (i % 8, i / 8);
            let expected = if chequered(column, row) {
                (0.0, 1.0)
            } else if column >= 4 {
                (1.0, LEAST_DEVIATION)
            } else {
                (-1.0, LEAST_DEVIATION)
            };
            assert_eq!((*mean, *deviation), expected, "block {column}, {row}");
        }
    }

    #[test]
    fn a_grey_added_to_the_whole_picture_changes_no_bit() {
        let dark = Grid::from_fn(150, 70, |x, y| ((x * x / 7 + y * 131) % 20011) as u16);
        assert!(found(&dark.map(|grey| grey + 45_001)) == found(&dark));
    }

    #[test]
    fn a_picture_is_continued_as_in_a_mirror() {
        let picture = Grid::from_fn(100, 37, |x, y| ((x * x * 31 + y * y * 17) % 60013) as u16);
        // The last column and the last row occur twice.
        let place = |place: usize, length: usize| if place < length { place } else { 2 * length - 1 - place };
        let larger = Grid::from_fn(128, 64, |x, y| picture.at(place(x, 100), place(y, 37)));
        let standard = Standard::of(&picture);
        assert_eq!(blocks(&picture, &standard), blocks(&larger, &standard));
        let surroundings = Surroundings::of(&picture, &standard).unwrap();
        assert_eq!((surroundings.columns, surroundings.rows), (8, 4));
        assert_eq!(surroundings.values.len(), SURROUNDINGS_CHANNELS * 8 * 4);
    }

    #[test]
    fn a_part_holds_the_cells_of_its_columns_and_rows_in_every_channel() {
        let name = |channel: usize, row: usize, column: usize| (100 * channel + 10 * row + column) as f32;
        let named = |columns: Range<usize>, rows: Range<usize>| -> Vec<f32> {
            let cells = |channel| {
                let columns = columns.clone();
                rows.clone()
                    .flat_map(move |row| columns.clone().map(move |column| name(channel, row, column)))
            };
            (0..SURROUNDINGS_CHANNELS).flat_map(cells).collect()
        };
        let whole = Surroundings { values: named(0..8, 0..4), columns: 8, rows: 4 };
        assert_eq!(whole.part(0..8, 0..4), whole.values);
        let part = whole.part(3..8, 1..3);
        assert_eq!(part[..10], [13.0, 14.0, 15.0, 16.0, 17.0, 23.0, 24.0, 25.0, 26.0, 27.0]);
        assert_eq!(part, named(3..8, 1..3));
    }
}
