//! Pores filled with the brightness around them, so that their rims do not pose as boundaries.

use std::borrow::Cow;
use std::ops::Range;

use multiversion::multiversion;
use rayon::prelude::*;

use crate::grid::{Grid, Labels};
use crate::options::Tone;

/// Pixels around a pore that its blurred rim darkens.
pub(crate) const RIM: usize = 2;
/// Half the side of the window that the brightness around a pore is taken from.
pub(crate) const REACH: usize = 12;
/// Rows of pores and picture beyond those that are filled which decide what they are filled with.
pub(crate) const WINDOW_REACH: usize = REACH + RIM;
const BAND_ROWS: usize = 64;
/// Pixels that are summed at once, in 32 bits: 2¹⁶ · 255 is below 2³².
const SUMMED_PX: usize = 1 << 16;

/// A picture without pores, and where they were.
pub(crate) struct Filled {
    /// Grey levels, boundaries dark.
    pub(crate) picture: Grid<u8>,
    /// 1 in pores and on their rims, else 0.
    pub(crate) covered: Grid<u8>,
    /// Mean grey of what is not covered.
    pub(crate) mean: u8,
}

/// Fills pores and their rims with the mean of the solid around them; for bright lines the grey scale is turned over.
pub(super) fn filled(picture: &Grid<u8>, pores: &Labels, tone: Tone) -> Filled {
    let covered = covered(pores);
    let source = with_dark_lines(picture, tone);
    // Seldom wanted, and yet known before: a thread that seeks it together with others may be given a part of the filling in the
    // meantime, and would wait for itself.
    let mean = Open::of(&source, &covered, 0..picture.height()).mean();
    Filled { picture: without_covered(&source, &covered, mean), covered, mean }
}

/// The picture with its boundary lines dark.
pub(crate) fn with_dark_lines(picture: &Grid<u8>, tone: Tone) -> Cow<'_, Grid<u8>> {
    match tone {
        Tone::Dark => Cow::Borrowed(picture),
        Tone::Bright => Cow::Owned(picture.map(|grey| 255 - grey)),
    }
}

/// Fills what is covered with the mean of what lies around, or with `mean` where all around is covered too.
pub(crate) fn without_covered(source: &Grid<u8>, covered: &Grid<u8>, mean: u8) -> Grid<u8> {
    let mut filled = Grid::filled(source.width(), source.height(), 0);
    let width = source.width();
    filled.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, rows)| {
        let first = band * BAND_ROWS;
        rows.copy_from_slice(&source.as_slice()[first * width..first * width + rows.len()]);
        fill_band(source, covered, first, mean, rows);
    });
    filled
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
        let part = rows.start * picture.width()..rows.end * picture.width();
        let greys = picture.as_slice()[part.clone()].par_chunks(SUMMED_PX);
        let chunks = greys.zip(covered.as_slice()[part].par_chunks(SUMMED_PX));
        chunks.map(|(greys, covered)| Self::of_pixels(greys, covered)).reduce(Self::default, Self::and)
    }

    fn of_pixels(greys: &[u8], covered: &[u8]) -> Self {
        let sums = |(greys, covered): (&[u8], &[u8])| {
            let (mut sum, mut count) = (0u32, 0u32);
            for (&grey, &hidden) in greys.iter().zip(covered) {
                sum += if hidden == 0 { u32::from(grey) } else { 0 };
                count += u32::from(hidden == 0);
            }
            Self { sum: u64::from(sum), count: u64::from(count) }
        };
        greys.chunks(SUMMED_PX).zip(covered.chunks(SUMMED_PX)).map(sums).fold(Self::default(), Self::and)
    }

    /// Both taken together.
    pub fn and(self, other: Self) -> Self {
        Self { sum: self.sum + other.sum, count: self.count + other.count }
    }

    /// Mean grey, rounded down; 0 where everything is covered.
    pub fn mean(self) -> u8 {
        (self.sum / self.count.max(1)) as u8
    }
}

/// Pores grown by [`RIM`] pixels in all eight directions.
pub(crate) fn covered(pores: &Labels) -> Grid<u8> {
    let (width, height) = (pores.grid.width(), pores.grid.height());
    let mut covered = Grid::filled(width, height, 0u8);
    let bands = covered.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate();
    bands.for_each_init(Vec::new, |wide, (band, rows)| cover_band(pores, band * BAND_ROWS, wide, rows));
    covered
}

/// The rows of [`covered`] from `first` on; `wide` is room that is used again.
fn cover_band(pores: &Labels, first: usize, wide: &mut Vec<u8>, rows: &mut [u8]) {
    let (width, height) = (pores.grid.width(), pores.grid.height());
    let (top, bottom) = (first.saturating_sub(RIM), (first + rows.len() / width + RIM).min(height));
    wide.clear();
    wide.resize((bottom - top) * width, 0);
    for (y, row) in (top..).zip(wide.chunks_exact_mut(width)) {
        mark_wide(pores.grid.row(y), row);
    }
    for (y, row) in (first..).zip(rows.chunks_exact_mut(width)) {
        let mut around = wide
            [(y.saturating_sub(RIM).max(top) - top) * width..((y + RIM + 1).min(bottom) - top) * width]
            .chunks_exact(width);
        // Written before it is read: memory that is new to the process is mapped once then, not twice.
        row.copy_from_slice(around.next().expect("invariant: a row is around itself"));
        around.for_each(|source| take_in(source, row));
    }
}

/// Pixels of a row that are passed at once if no pore is among them.
const STRETCH_PX: usize = 32;

/// Marks pores and [`RIM`] columns beside them.
fn mark_wide(labels: &[u32], marks: &mut [u8]) {
    let width = marks.len();
    for (stretch, labels) in labels.chunks(STRETCH_PX).enumerate() {
        if labels.iter().fold(0, |any, label| any | label) == 0 {
            continue;
        }
        for (x, _) in (stretch * STRETCH_PX..).zip(labels).filter(|(_, label)| **label != 0) {
            marks[x.saturating_sub(RIM)..(x + RIM + 1).min(width)].fill(1);
        }
    }
}

fn take_in(source: &[u8], row: &mut [u8]) {
    for (pixel, &near) in row.iter_mut().zip(source) {
        *pixel |= near;
    }
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
        fill_row(covered.row(y), (&sums, &counts), mean, row);
        if y >= REACH {
            remove_row(picture.row(y - REACH), covered.row(y - REACH), &mut sums, &mut counts);
        }
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add_row(picture: &[u8], covered: &[u8], sums: &mut [u16], counts: &mut [u16]) {
    for (((sum, count), &grey), &hidden) in sums.iter_mut().zip(counts).zip(picture).zip(covered) {
        let open = 1 - u16::from(hidden);
        *sum += u16::from(grey) * open;
        *count += open;
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn remove_row(picture: &[u8], covered: &[u8], sums: &mut [u16], counts: &mut [u16]) {
    for (((sum, count), &grey), &hidden) in sums.iter_mut().zip(counts).zip(picture).zip(covered) {
        let open = 1 - u16::from(hidden);
        *sum -= u16::from(grey) * open;
        *count -= open;
    }
}

/// Fills the covered pixels of a row; `sums` and `counts` are those of the window's rows, column by column.
fn fill_row(covered: &[u8], (sums, counts): (&[u16], &[u16]), mean: u8, row: &mut [u8]) {
    let width = row.len();
    let mut x = 0;
    while let Some(start) = next_covered(covered, x) {
        let window = start.saturating_sub(REACH)..(start + REACH).min(width);
        let total = |columns: &[u16]| columns.iter().map(|&column| u32::from(column)).sum::<u32>();
        let (mut sum, mut count) = (total(&sums[window.clone()]), total(&counts[window]));
        x = start;
        while x < width && covered[x] != 0 {
            if x + REACH < width {
                sum += u32::from(sums[x + REACH]);
                count += u32::from(counts[x + REACH]);
            }
            row[x] = (sum + count / 2).checked_div(count).map_or(mean, |grey| grey as u8);
            if x >= REACH {
                sum -= u32::from(sums[x - REACH]);
                count -= u32::from(counts[x - REACH]);
            }
            x += 1;
        }
    }
}

/// The first covered pixel at or after `x`.
fn next_covered(covered: &[u8], mut x: usize) -> Option<usize> {
    while covered
        .get(x..x + STRETCH_PX)
        .is_some_and(|marks| marks.iter().fold(0, |any, mark| any | mark) == 0)
    {
        x += STRETCH_PX;
    }
    covered[x..].iter().position(|&mark| mark != 0).map(|gap| x + gap)
}
