//! The strip of text that instruments add below or above a picture.
//!
//! Such a strip has one even ground, nearly black or nearly white, over the whole width; text that contrasts strongly;
//! and a level edge that is at most a few rows wide. A dark region of a micrograph at the rim fails at least one of
//! these. Frame lines around and between the cells of a strip belong to it.

use std::borrow::Cow;

use super::{Grey, InfoStrip};

/// Lowest strip in rows.
const LOWEST: usize = 8;
/// A strip takes at most this share of the height.
const HIGHEST_SHARE: f64 = 0.35;
/// Levels this close to the ground are ground.
const GROUND: u8 = 28;
/// Levels this close are the same ground without noise.
const EVEN: u8 = 6;
/// Levels this far from the ground are text or lines.
const INK: u8 = 70;
/// A ground is at most this far from black or white.
const EXTREME: u8 = 60;
/// Share of ground in a row of dense text.
const DENSE_ROW: f64 = 0.3;
/// Share of one level in a row that is a frame line.
const LINE_ROW: f64 = 0.8;
/// Frame lines are at most this many rows thick.
const THICKEST_LINE: usize = 4;

/// Finds the strip; the one below the picture is looked for first.
///
/// `None` where neither rim has one, or where the picture is too small to tell (fewer than 32 rows or columns).
pub fn find(grey: &Grey) -> Option<InfoStrip> {
    let (width, height) = (grey.width(), grey.height());
    if width < 32 || height < 32 {
        return None;
    }
    let deepest = (HIGHEST_SHARE * height as f64) as usize;
    let shift = shift_to_eight_bit(grey);
    let row = |y: usize| -> Cow<'_, [u8]> {
        match grey {
            Grey::Eight(grid) => Cow::Borrowed(grid.row(y)),
            Grey::Sixteen(grid) => grid.row(y).iter().map(|&v| (v >> shift) as u8).collect(),
        }
    };
    if let Some(rows) = depth(|i| row(height - 1 - i), deepest) {
        return Some(InfoStrip { first_row_px: height - rows, rows_px: rows });
    }
    depth(row, deepest).map(|rows| InfoStrip { first_row_px: 0, rows_px: rows })
}

/// Bits to drop so that the brightest level of a 16 bit picture fills 8 bits.
fn shift_to_eight_bit(grey: &Grey) -> u32 {
    match grey {
        Grey::Eight(_) => 0,
        Grey::Sixteen(grid) => {
            let used = grid.as_slice().iter().fold(0u16, |all, &v| all | v);
            (u16::BITS - used.leading_zeros()).saturating_sub(8)
        }
    }
}

/// What a row looks like against the ground of the strip.
#[derive(Clone, Copy)]
struct Row {
    /// Share of ground.
    ground: f64,
    /// Share of ground without noise.
    even: f64,
    /// Share of text and lines.
    ink: f64,
    /// Changes between ground and ink.
    changes: usize,
    /// One level other than the ground over nearly the whole width.
    line: bool,
    /// Its most frequent level.
    mode: u8,
}

impl Row {
    fn new(levels: &[u8], ground: u8) -> Self {
        let counts = counts([levels]);
        let near = |level: u8, within: u8| -> u32 {
            (level.saturating_sub(within)..=level.saturating_add(within))
                .map(|v| counts[usize::from(v)])
                .sum()
        };
        let share = |count: u32| f64::from(count) / levels.len() as f64;
        let ink = |v: u8| v.abs_diff(ground) >= INK;
        let mode = most_frequent(&counts);
        Self {
            ground: share(near(ground, GROUND)),
            even: share(near(ground, EVEN)),
            ink: share((0..=255u8).filter(|&v| ink(v)).map(|v| counts[usize::from(v)]).sum()),
            changes: levels.windows(2).filter(|pair| ink(pair[0]) != ink(pair[1])).count(),
            line: ink(mode) && share(near(mode, GROUND)) >= LINE_ROW,
            mode,
        }
    }

    fn belongs(self) -> bool {
        self.ground >= DENSE_ROW
    }
}

fn counts<'a>(rows: impl IntoIterator<Item = &'a [u8]>) -> [u32; 256] {
    let mut counts = [0; 256];
    rows.into_iter().flatten().for_each(|&v| counts[usize::from(v)] += 1);
    counts
}

/// The most frequent level; the darkest of equals.
fn most_frequent(counts: &[u32; 256]) -> u8 {
    (0..=255u8).rev().max_by_key(|&v| counts[usize::from(v)]).unwrap_or(0)
}

/// Rows of the strip that begins at the rim, if there is one; `row` counts from the rim.
fn depth<'a>(row: impl Fn(usize) -> Cow<'a, [u8]>, deepest: usize) -> Option<usize> {
    let sample: Vec<Cow<[u8]>> = (0..LOWEST.max(deepest / 20)).map(&row).collect();
    let ground = most_frequent(&counts(sample.iter().map(|levels| &**levels)));
    if ground.min(255 - ground) > EXTREME {
        return None;
    }
    let rows = rows_to_edge(|i| Row::new(&row(i), ground), deepest + 2 * LOWEST);
    let end = walk(&rows);
    let end = if end > deepest { last_line(&rows[..deepest])? } else { with_line(&rows, end) };
    (is_strip(&rows[..end]) && has_edge(&rows, end)).then_some(end)
}

/// Rows from the rim to some rows into the picture, which look at nothing farther in.
fn rows_to_edge(row: impl Fn(usize) -> Row, most: usize) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut outside = 0;
    for i in 0..most {
        let next = row(i);
        outside = if next.belongs() { 0 } else { outside + 1 };
        rows.push(next);
        if outside > 2 * LOWEST {
            break;
        }
    }
    rows
}

/// Number of rows from the rim that are ground with text, or frame lines between such rows.
fn walk(rows: &[Row]) -> usize {
    let mut end = 0;
    let mut y = 0;
    while y < rows.len() {
        if rows[y].belongs() {
            y += 1;
            end = y;
            continue;
        }
        let lines = rows[y..].iter().take_while(|row| !row.belongs()).count();
        let framed = y == 0 || rows[y..y + lines].iter().any(|row| row.line);
        if lines > THICKEST_LINE || !framed {
            break;
        }
        y += lines;
    }
    end
}

/// The end of the strip moved past a frame line that closes it, where that line is no part of an even picture.
fn with_line(rows: &[Row], end: usize) -> usize {
    let ahead = &rows[end..(end + THICKEST_LINE + 1).min(rows.len())];
    let Some(first) = ahead.iter().position(|row| row.line).filter(|&i| i <= 1) else { return end };
    let lines = ahead[first..]
        .iter()
        .take_while(|row| row.line && row.mode.abs_diff(ahead[first].mode) <= GROUND)
        .count();
    if first + lines > THICKEST_LINE { end } else { end + first + lines }
}

/// Where the picture itself has the ground of the strip, only a frame line parts them.
fn last_line(rows: &[Row]) -> Option<usize> {
    rows.iter().rposition(|row| row.line).map(|i| i + 1).filter(|&end| end >= LOWEST)
}

fn is_strip(rows: &[Row]) -> bool {
    if rows.len() < LOWEST {
        return false;
    }
    let mean = |value: fn(&Row) -> f64| rows.iter().map(value).sum::<f64>() / rows.len() as f64;
    let ground = mean(|row| row.ground);
    let ink = mean(|row| row.ink);
    let written = rows.iter().filter(|row| row.changes >= 6).count();
    ground >= 0.55 && mean(|row| row.even) >= 0.6 * ground && (0.002..0.45).contains(&ink) && written >= 3
}

/// Whether the ground ends at once, all along the strip.
fn has_edge(rows: &[Row], end: usize) -> bool {
    if rows[end - 1].line {
        return true;
    }
    let mean = |part: &[Row]| part.iter().map(|row| row.ground).sum::<f64>() / part.len().max(1) as f64;
    let inside = mean(&rows[end.saturating_sub(3)..end]);
    let outside = mean(&rows[(end + 1).min(rows.len())..(end + 5).min(rows.len())]);
    inside >= 0.6 && outside <= 0.35 && inside - outside >= 0.45
}
