//! Connected parts that may be letters.

use crate::options::Connectivity;
use crate::segment::label::{RegionBox, boxes};

/// Heights of glyphs in px.
const LOWEST_GLYPH: usize = 5;

/// A part of a label.
#[derive(Clone, Copy)]
pub(in crate::scale) struct Glyph {
    pub left: usize,
    pub right: usize,
    pub top: usize,
    pub bottom: usize,
}

impl Glyph {
    fn of(part: &RegionBox) -> Self {
        let RegionBox { columns, rows, .. } = part;
        Self { left: columns.start, right: columns.end - 1, top: rows.start, bottom: rows.end - 1 }
    }

    pub fn height(self) -> usize {
        self.bottom + 1 - self.top
    }

    /// The box around both.
    pub fn joined(&self, other: &Self) -> Self {
        Self {
            left: self.left.min(other.left),
            right: self.right.max(other.right),
            top: self.top.min(other.top),
            bottom: self.bottom.max(other.bottom),
        }
    }
}

/// Connected parts with the size of a glyph, at most `tallest` high and `widest` times as wide as high, sorted by their left
/// side, of a mask of `size` columns and rows whose row `y` is written by `write`.
pub(in crate::scale) fn glyphs(
    size: (usize, usize),
    write: impl Fn(usize, &mut [bool]) + Sync,
    tallest: usize,
    widest: usize,
) -> Vec<Glyph> {
    let is_glyph = |part: &RegionBox| {
        let (w, h) = (part.columns.len(), part.rows.len());
        (LOWEST_GLYPH..=tallest).contains(&h) && w <= widest * h && 6 * w >= h && part.pixels >= 6
    };
    let mut found: Vec<Glyph> =
        boxes(size, write, Connectivity::Eight).iter().filter(|part| is_glyph(part)).map(Glyph::of).collect();
    found.sort_by_key(|g| (g.left, g.top));
    found
}
