//! The strip of text that instruments add below or above a picture.
//!
//! Such a strip has one even ground, nearly black or nearly white, over the whole width; text that contrasts strongly;
//! and a level edge that is at most a few rows wide. A dark region of a micrograph at the rim fails at least one of
//! these. Frame lines around and between the cells of a strip belong to it.

use rayon::prelude::*;

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
    let below = rows_from_rim(grey, deepest + 8, |i| height - 1 - i);
    if let Some(rows) = depth(&below, deepest) {
        return Some(InfoStrip { first_row_px: height - rows, rows_px: rows });
    }
    let above = rows_from_rim(grey, deepest + 8, |i| i);
    depth(&above, deepest).map(|rows| InfoStrip { first_row_px: 0, rows_px: rows })
}

/// Rows from the rim inwards in 8 bits.
fn rows_from_rim(grey: &Grey, count: usize, row: impl Fn(usize) -> usize + Sync) -> Vec<Vec<u8>> {
    let shift = match grey {
        Grey::Eight(_) => 0,
        Grey::Sixteen(grid) => {
            let brightest = grid.as_slice().iter().fold(0u16, |all, &v| all | v);
            (u16::BITS - brightest.leading_zeros()).saturating_sub(8)
        }
    };
    (0..count.min(grey.height()))
        .into_par_iter()
        .map(|i| match grey {
            Grey::Eight(grid) => grid.row(row(i)).to_vec(),
            Grey::Sixteen(grid) => grid.row(row(i)).iter().map(|&v| (v >> shift) as u8).collect(),
        })
        .collect()
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
        let share = |count: usize| count as f64 / levels.len() as f64;
        let count = |within: u8| levels.iter().filter(|&&v| v.abs_diff(ground) <= within).count();
        let ink = |v: &u8| v.abs_diff(ground) >= INK;
        let changes = levels.windows(2).filter(|pair| ink(&pair[0]) != ink(&pair[1])).count();
        let mode = mode(levels.iter().copied());
        let of_mode = levels.iter().filter(|v| v.abs_diff(mode) <= GROUND).count();
        Self {
            ground: share(count(GROUND)),
            even: share(count(EVEN)),
            ink: share(levels.iter().filter(|v| ink(v)).count()),
            changes,
            line: mode.abs_diff(ground) >= INK && share(of_mode) >= LINE_ROW,
            mode,
        }
    }

    fn belongs(self) -> bool {
        self.ground >= DENSE_ROW
    }
}

fn mode(levels: impl Iterator<Item = u8>) -> u8 {
    let mut counts = [0u32; 256];
    levels.for_each(|v| counts[usize::from(v)] += 1);
    (0..=255u8).max_by_key(|&v| (counts[usize::from(v)], std::cmp::Reverse(v))).unwrap_or(0)
}

/// Rows of the strip that begins at the rim, if there is one.
fn depth(levels: &[Vec<u8>], deepest: usize) -> Option<usize> {
    let sample = (levels.len() / 20).max(LOWEST).min(levels.len());
    let ground = mode(levels[..sample].iter().flatten().copied());
    if ground.min(255 - ground) > EXTREME {
        return None;
    }
    let rows: Vec<Row> = levels.iter().map(|row| Row::new(row, ground)).collect();
    let end = walk(&rows);
    let end = if end > deepest { last_line(&rows[..deepest])? } else { with_line(&rows, end) };
    (is_strip(&rows[..end]) && has_edge(&rows, end)).then_some(end)
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
