//! Whether a label stands near a bar: a group of parts of like height on one line.

use crate::grid::Grid;

use super::Shape;
use super::glyphs::{Glyph, glyphs};

/// Glyphs are at most this many times as wide as high.
const WIDEST_GLYPH: usize = 2;
/// The label is looked for this share of the picture's height above and below the bar.
const REACH_SHARE: usize = 7;
/// Pictures are looked at in every pixel up to about this height in px, and in every other one beyond.
const FINE_HEIGHT: usize = 1000;

/// What is written near a bar.
pub(super) struct Label {
    /// Parts in the largest group that looks like a word.
    pub parts: usize,
    /// Whether a part stands in the gap of a broken line, level with it.
    pub in_gap: bool,
}

impl Label {
    /// The better of two looks at the same place.
    fn or(self, other: Self) -> Self {
        Self { parts: self.parts.max(other.parts), in_gap: self.in_gap || other.in_gap }
    }

    /// Whether a further look could still find more.
    fn is_complete(&self, shape: &Shape) -> bool {
        self.parts >= 3 && (self.in_gap || shape.gap.is_none())
    }
}

/// The label near the bar, cut out at several levels until one shows it whole.
pub(super) fn label_at_levels(grid: &Grid<u8>, levels: &[u8], shape: &Shape) -> Label {
    levels.iter().fold(Label { parts: 0, in_gap: false }, |found, &level| {
        if found.is_complete(shape) { found } else { found.or(label(grid, level, shape)) }
    })
}

/// The label near the bar, written bright or dark.
fn label(grid: &Grid<u8>, threshold: u8, shape: &Shape) -> Label {
    // A label is no taller than its bar is long; in a large picture letters are large too, and every other pixel will do.
    let reach = shape.length().clamp(24, (grid.height() / REACH_SHARE).max(24));
    let aside = (shape.length() / 2).max(60);
    let step = (grid.height() / FINE_HEIGHT).max(1);
    let (x0, x1) = (shape.left.saturating_sub(aside), (shape.right + aside).min(grid.width() - 1));
    let (y0, y1) = (shape.top.saturating_sub(reach), (shape.bottom + reach).min(grid.height() - 1));
    let (top, bottom) = shape.caps.map_or((shape.top, shape.bottom), |caps| (caps.top, caps.bottom));
    let (columns, rows) = ((x1 - x0) / step + 1, (y1 - y0) / step + 1);
    let in_bar: Vec<bool> = (0..columns)
        .map(|x| x * step + x0)
        .map(|x| {
            (shape.left.saturating_sub(3)..=shape.right + 3).contains(&x)
                && !shape.gap.is_some_and(|(a, b)| (a..=b).contains(&x))
        })
        .collect();
    let rows_of_bar = top.saturating_sub(1)..=bottom + 1;
    let parts_of = |bright: bool| {
        let is_ink = |level: u8| if bright { level >= threshold } else { level <= 255 - threshold };
        let write = |y: usize, row: &mut [bool]| {
            let y = y * step + y0;
            let levels = grid.row(y)[x0..].iter().step_by(step);
            row.iter_mut().zip(levels).for_each(|(set, &level)| *set = is_ink(level));
            if rows_of_bar.contains(&y) {
                row.iter_mut().zip(&in_bar).for_each(|(set, &in_bar)| *set &= !in_bar);
            }
        };
        glyphs((columns, rows), write, reach / step, WIDEST_GLYPH)
    };
    let bright = parts_of(true);
    let parts = largest_word(&bright).max(largest_word(&parts_of(false)));
    let in_gap = shape.gap.is_some_and(|(a, b)| {
        bright.iter().any(|g| {
            let (left, right) = (g.left * step + x0, g.right * step + x0);
            let (upper, lower) = (g.top * step + y0, g.bottom * step + y0);
            a <= left && right <= b && upper < shape.top && lower + step >= shape.top
        })
    });
    Label { parts, in_gap }
}

fn largest_word(glyphs: &[Glyph]) -> usize {
    glyphs.iter().map(|&first| word_around(glyphs, first)).max().unwrap_or(0)
}

/// Glyphs like `first` in height and row, each near enough to the one before it.
fn word_around(glyphs: &[Glyph], first: Glyph) -> usize {
    let like = |g: &&Glyph| {
        let (low, high) = (g.height().min(first.height()), g.height().max(first.height()));
        let shared = g.bottom.min(first.bottom) as i64 + 1 - g.top.max(first.top) as i64;
        10 * low >= 5 * high && 10 * shared >= 7 * low as i64 && g.left >= first.left
    };
    let mut edge = first.right;
    let mut count = 0;
    // Glyphs come sorted by their left side.
    for glyph in glyphs.iter().filter(like) {
        if glyph.left > edge + 2 * first.height() {
            break;
        }
        edge = edge.max(glyph.right);
        count += 1;
    }
    count
}
