//! Between the greys of a file and the 256 levels that pictures are worked on, with pores always dark.

use std::borrow::Cow;

use rayon::prelude::*;

use crate::grid::{Grid, Mask};
use crate::micrograph::Grey;
use crate::options::Tone;
use crate::segment::denoise::median3;

/// Pixels that one task works on.
const CHUNK_PX: usize = 1 << 18;
/// Share of a 16-bit picture's pixels that may be cut off at either end of its range.
const CUT_OFF: f64 = 1e-4;

/// How working levels stand for the greys of a file.
///
/// 8-bit files keep their greys. A 16-bit file's range, without 0.01 % at either end, is spread over 256 levels. For
/// bright pores the file is inverted first, so that everything after sees dark ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GreyLevels {
    tone: Tone,
    /// Largest grey that the file can hold.
    largest: f64,
    /// Grey of working level 0, after inversion.
    offset: f64,
    /// Greys per working level.
    step: f64,
}

impl GreyLevels {
    /// The levels for a picture whose pores have the given tone.
    pub fn of(grey: &Grey, tone: Tone) -> Self {
        match grey {
            Grey::Eight(_) => Self::eight_bit(tone),
            Grey::Sixteen(grid) => Self::of_counts(&counts(grid), tone),
        }
    }

    /// The levels for an 8-bit picture.
    pub(crate) fn eight_bit(tone: Tone) -> Self {
        Self { tone, largest: 255.0, offset: 0.0, step: 1.0 }
    }

    /// The levels for a 16-bit picture with so many pixels of each grey.
    pub(crate) fn of_counts(counts: &[u64], tone: Tone) -> Self {
        let (low, high) = range(counts, tone);
        let step = (f64::from(high - low) / 255.0).max(1.0);
        Self { tone, largest: 65535.0, offset: f64::from(low), step }
    }

    /// Largest grey that the file can hold.
    pub fn largest(&self) -> f64 {
        self.largest
    }

    /// Greys of the file per working level.
    pub fn step(&self) -> f64 {
        self.step
    }

    /// The picture on 256 levels, pores dark; a copy only where it is not that already.
    pub fn working<'a>(&self, grey: &'a Grey) -> Cow<'a, Grid<u8>> {
        if let (Grey::Eight(grid), Tone::Dark) = (grey, self.tone) {
            return Cow::Borrowed(grid);
        }
        let (width, height) = (grey.width(), grey.height());
        let mut working = Grid::filled(width, height, 0);
        match grey {
            Grey::Eight(grid) => for_each_pixel(working.as_mut_slice(), grid.as_slice(), |v| 255 - v),
            Grey::Sixteen(grid) => {
                let (offset, per_grey) = (self.offset as f32, 1.0 / self.step as f32);
                for_each_pixel(working.as_mut_slice(), grid.as_slice(), |v| {
                    let dark = if self.tone == Tone::Dark { v } else { 65535 - v };
                    ((f32::from(dark) - offset) * per_grey + 0.5) as u8
                });
            }
        }
        Cow::Owned(working)
    }

    /// A working picture with the file's own tone.
    pub fn own(&self, mut picture: Grid<u8>) -> Grid<u8> {
        if self.tone == Tone::Bright {
            picture.as_mut_slice().par_chunks_mut(CHUNK_PX).for_each(|chunk| {
                chunk.iter_mut().for_each(|v| *v = 255 - *v);
            });
        }
        picture
    }

    /// The file's grey for a working level, which may lie between two levels.
    pub fn own_grey(&self, level: f64) -> f64 {
        let dark = self.offset + self.step * level;
        if self.tone == Tone::Dark { dark } else { self.largest - dark }
    }

    /// The file's grey for a threshold: pores lie at or below it (dark) or above it (bright).
    pub fn own_threshold(&self, level: f64) -> f64 {
        match self.tone {
            Tone::Dark => self.own_grey(level),
            Tone::Bright => self.own_grey(level) - self.step,
        }
    }

    /// Pores by a typed grey moved by `shift` greys towards the solid, on the file's own greys after a median.
    ///
    /// A median of greys and a majority of yes and no are the same thing at a threshold, so this is exact for 16 bit.
    pub fn typed_mask(&self, grey: &Grey, level: u16, shift: f64) -> Mask {
        let sign = if self.tone == Tone::Dark { 1.0 } else { -1.0 };
        let level = (f64::from(level) + sign * shift).floor();
        let mut solid = vec![0u8; grey.width() * grey.height()];
        let is_solid = |v: f64| u8::from((v > level) == (self.tone == Tone::Dark));
        match grey {
            Grey::Eight(grid) => for_each_pixel(&mut solid, grid.as_slice(), |v| is_solid(f64::from(v))),
            Grey::Sixteen(grid) => for_each_pixel(&mut solid, grid.as_slice(), |v| is_solid(f64::from(v))),
        }
        let solid =
            Grid::new(grey.width(), grey.height(), solid).expect("invariant: one value for each pixel");
        median3(&solid).map(|v| v == 0)
    }
}

/// Pixels of each grey.
pub fn histogram(picture: &Grid<u8>) -> Vec<u64> {
    let chunks: Vec<[u64; 256]> = picture.as_slice().par_chunks(CHUNK_PX).map(chunk_histogram).collect();
    let mut total = vec![0u64; 256];
    chunks.iter().for_each(|chunk| total.iter_mut().zip(chunk).for_each(|(sum, n)| *sum += n));
    total
}

/// Four tables in turn, so that equal greys next to each other do not wait for one another.
fn chunk_histogram(chunk: &[u8]) -> [u64; 256] {
    let mut tables = [[0u32; 256]; 4];
    let mut quads = chunk.chunks_exact(4);
    for quad in &mut quads {
        for (table, &grey) in tables.iter_mut().zip(quad) {
            table[usize::from(grey)] += 1;
        }
    }
    quads.remainder().iter().for_each(|&grey| tables[0][usize::from(grey)] += 1);
    std::array::from_fn(|grey| tables.iter().map(|table| u64::from(table[grey])).sum())
}

fn for_each_pixel<T: Copy + Sync>(out: &mut [u8], from: &[T], value: impl Fn(T) -> u8 + Sync) {
    out.par_chunks_mut(CHUNK_PX).zip(from.par_chunks(CHUNK_PX)).for_each(|(out, from)| {
        out.iter_mut().zip(from).for_each(|(out, &from)| *out = value(from));
    });
}

/// Pixels of each grey of a 16-bit picture.
pub(crate) fn counts(grid: &Grid<u16>) -> Vec<u64> {
    let tables: Vec<Vec<u32>> = grid
        .as_slice()
        .par_chunks(grid.len().div_ceil(16))
        .map(|chunk| {
            let mut table = vec![0u32; 1 << 16];
            for &v in chunk {
                table[usize::from(v)] += 1;
            }
            table
        })
        .collect();
    let mut total = vec![0u64; 1 << 16];
    tables.iter().for_each(|t| total.iter_mut().zip(t).for_each(|(sum, &n)| *sum += u64::from(n)));
    total
}

/// Darkest and brightest grey without the cut-off ends, after inversion for bright pores.
fn range(counts: &[u64], tone: Tone) -> (u16, u16) {
    let allowed = (counts.iter().sum::<u64>() as f64 * CUT_OFF) as u64;
    let low = first_beyond(allowed, counts.iter().enumerate());
    let high = first_beyond(allowed, counts.iter().enumerate().rev());
    if tone == Tone::Dark { (low, high) } else { (65535 - high, 65535 - low) }
}

/// The grey at which more than `allowed` pixels have been passed.
fn first_beyond<'a>(allowed: u64, mut counts: impl Iterator<Item = (usize, &'a u64)>) -> u16 {
    let mut passed = 0;
    let found = counts.find(|&(_, count)| {
        passed += count;
        passed > allowed
    });
    found.map_or(0, |(grey, _)| grey as u16)
}
