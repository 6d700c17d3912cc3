//! Connected parts that may be letters.

use crate::grid::Grid;

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
/// side.
pub(in crate::scale) fn glyphs(mut mask: Grid<bool>, tallest: usize, widest: usize) -> Vec<Glyph> {
    let (width, height) = (mask.width(), mask.height());
    let mut found = Vec::new();
    let mut stack = Vec::new();
    for start in 0..mask.len() {
        if !mask.as_slice()[start] {
            continue;
        }
        let (x, y) = (start % width, start / width);
        let mut part = Glyph { left: x, right: x, top: y, bottom: y };
        let mut area = 0usize;
        mask.set(x, y, false);
        stack.push((x, y));
        while let Some((x, y)) = stack.pop() {
            area += 1;
            part = Glyph {
                left: part.left.min(x),
                right: part.right.max(x),
                top: part.top.min(y),
                bottom: part.bottom.max(y),
            };
            for ny in y.saturating_sub(1)..=(y + 1).min(height - 1) {
                for nx in x.saturating_sub(1)..=(x + 1).min(width - 1) {
                    if mask.at(nx, ny) {
                        mask.set(nx, ny, false);
                        stack.push((nx, ny));
                    }
                }
            }
        }
        let (w, h) = (part.right + 1 - part.left, part.height());
        if (LOWEST_GLYPH..=tallest).contains(&h) && w <= widest * h && 6 * w >= h && area >= 6 {
            found.push(part);
        }
    }
    found.sort_by_key(|g| (g.left, g.top));
    found
}
