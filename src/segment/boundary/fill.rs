//! Pores filled with the brightness around them, so that their rims do not pose as boundaries.

use std::ops::Range;

use rayon::prelude::*;

use crate::grid::{Grid, Labels};
use crate::options::Tone;

/// Pixels around a pore that its blurred rim darkens.
pub(crate) const RIM: usize = 2;
/// Half the side of the window that the brightness around a pore is taken from.
pub(crate) const REACH: usize = 12;
const BAND_ROWS: usize = 64;

/// A picture without pores, and where they were.
pub(crate) struct Filled {
    /// Grey levels, boundaries dark.
    pub(crate) picture: Grid<u8>,
    /// 1 in pores and on their rims, else 0.
    pub(crate) covered: Grid<u8>,
}

/// Fills pores and their rims with the mean of the solid around them; for bright lines the grey scale is turned over.
pub(super) fn filled(picture: &Grid<u8>, pores: &Labels, tone: Tone) -> Filled {
    let covered = covered(pores);
    let source = with_dark_lines(picture, tone);
    let open = Open::of(&source, &covered, 0..picture.height());
    filled_with(source, covered, open.mean())
}

/// The picture with its boundary lines dark.
pub(crate) fn with_dark_lines(picture: &Grid<u8>, tone: Tone) -> Grid<u8> {
    match tone {
        Tone::Dark => picture.clone(),
        Tone::Bright => picture.map(|grey| 255 - grey),
    }
}

/// Fills what is covered with the mean of what lies around, or with `mean` where all around is covered too.
pub(crate) fn filled_with(source: Grid<u8>, covered: Grid<u8>, mean: u8) -> Filled {
    let mut filled = source.clone();
    let width = source.width();
    filled.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, rows)| {
        fill_band(&source, &covered, band * BAND_ROWS, mean, rows);
    });
    Filled { picture: filled, covered }
}

/// What is not covered: how many pixels, and the sum of their greys.
#[derive(Clone, Copy, Default)]
pub(crate) struct Open {
    sum: u64,
    count: u64,
}

impl Open {
    /// Of some rows.
    pub fn of(picture: &Grid<u8>, covered: &Grid<u8>, rows: Range<usize>) -> Self {
        let mut open = Self::default();
        for y in rows {
            for (&grey, &covered) in picture.row(y).iter().zip(covered.row(y)) {
                open.sum += if covered == 0 { u64::from(grey) } else { 0 };
                open.count += u64::from(covered == 0);
            }
        }
        open
    }

    /// Takes in other rows.
    pub fn add(&mut self, other: Self) {
        self.sum += other.sum;
        self.count += other.count;
    }

    /// Mean grey, rounded down; 0 where everything is covered.
    pub fn mean(self) -> u8 {
        (self.sum / self.count.max(1)) as u8
    }
}

/// Pores grown by [`RIM`] pixels in all eight directions.
pub(crate) fn covered(pores: &Labels) -> Grid<u8> {
    let (width, height) = (pores.grid.width(), pores.grid.height());
    let mut wide = vec![0u8; width * height];
    wide.par_chunks_mut(width).zip(pores.grid.as_slice().par_chunks(width)).for_each(|(row, labels)| {
        for (x, _) in labels.iter().enumerate().filter(|(_, l)| **l != 0) {
            row[x.saturating_sub(RIM)..(x + RIM + 1).min(width)].fill(1);
        }
    });
    let mut covered = Grid::filled(width, height, 0u8);
    covered.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for source in
            wide[y.saturating_sub(RIM) * width..(y + RIM + 1).min(height) * width].chunks_exact(width)
        {
            for (pixel, &near) in row.iter_mut().zip(source) {
                *pixel |= near;
            }
        }
    });
    covered
}

fn fill_band(picture: &Grid<u8>, covered: &Grid<u8>, first: usize, mean: u8, rows: &mut [u8]) {
    let (width, height) = (picture.width(), picture.height());
    let mut sums = vec![0u16; width];
    let mut counts = vec![0u16; width];
    for y in first.saturating_sub(REACH)..(first + REACH).min(height) {
        add_row(picture.row(y), covered.row(y), &mut sums, &mut counts);
    }
    for (y, row) in (first..).zip(rows.chunks_exact_mut(width)) {
        if y + REACH < height {
            add_row(picture.row(y + REACH), covered.row(y + REACH), &mut sums, &mut counts);
        }
        if covered.row(y).contains(&1) {
            fill_row(covered.row(y), (&sums, &counts), mean, row);
        }
        if y >= REACH {
            remove_row(picture.row(y - REACH), covered.row(y - REACH), &mut sums, &mut counts);
        }
    }
}

fn add_row(picture: &[u8], covered: &[u8], sums: &mut [u16], counts: &mut [u16]) {
    for (((sum, count), &grey), &hidden) in sums.iter_mut().zip(counts).zip(picture).zip(covered) {
        let open = 1 - u16::from(hidden);
        *sum += u16::from(grey) * open;
        *count += open;
    }
}

fn remove_row(picture: &[u8], covered: &[u8], sums: &mut [u16], counts: &mut [u16]) {
    for (((sum, count), &grey), &hidden) in sums.iter_mut().zip(counts).zip(picture).zip(covered) {
        let open = 1 - u16::from(hidden);
        *sum -= u16::from(grey) * open;
        *count -= open;
    }
}

fn fill_row(covered: &[u8], (sums, counts): (&[u16], &[u16]), mean: u8, row: &mut [u8]) {
    let width = row.len();
    let (mut sum, mut count) = (0u32, 0u32);
    for x in 0..REACH.min(width) {
        sum += u32::from(sums[x]);
        count += u32::from(counts[x]);
    }
    for x in 0..width {
        if x + REACH < width {
            sum += u32::from(sums[x + REACH]);
            count += u32::from(counts[x + REACH]);
        }
        if covered[x] != 0 {
            row[x] = (sum + count / 2).checked_div(count).map_or(mean, |grey| grey as u8);
        }
        if x >= REACH {
            sum -= u32::from(sums[x - REACH]);
            count -= u32::from(counts[x - REACH]);
        }
    }
}
