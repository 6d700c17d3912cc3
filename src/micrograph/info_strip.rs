//! The strip of text that instruments add below or above a picture.
//!
//! Such a strip has one even ground, nearly black or nearly white, over the whole width; text that contrasts strongly;
//! and a level edge that is at most a few rows wide. A dark region of a micrograph at the rim fails at least one of
//! these. Frame lines around and between the cells of a strip belong to it.

use std::borrow::Cow;

use super::{Grey, InfoStrip};
use crate::error::Error;
use crate::grid::{Grid, IN_MEMORY, Rows};

/// Lowest strip in rows.
const LOWEST: usize = 8;
/// A strip takes at most this share of the height.
const HIGHEST_SHARE: f64 = 0.35;
/// Levels this close to the ground are ground; how close depends on how noisy the strip is.
const GROUND: [u8; 3] = [8, 16, 28];
/// Share of the noisiest ground that a narrower one must hold to be enough.
const GROUND_HELD: f64 = 0.93;
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
/// Rows over which the edge of a strip may be blurred.
const WIDEST_BLUR: usize = 3;
/// A row is blurred if its mean is off that of the picture by this share of the step at the edge.
const BLURRED: f64 = 0.15;
/// Frame lines are at most this many rows thick.
const THICKEST_LINE: usize = 4;
/// Changes between ground and text in a row that has text, and rows that must have it.
const WRITTEN: usize = 6;
const FEWEST_WRITTEN_ROWS: usize = 3;

/// Finds the strip; the one below the picture is looked for first.
///
/// `None` where neither rim has one, or where the picture is too small to tell (fewer than 32 rows or columns).
pub fn find(grey: &Grey) -> Option<InfoStrip> {
    match grey {
        Grey::Eight(grid) => find_in(grid),
        Grey::Sixteen(grid) => find_in(&EightBit { shift: shift_to_eight_bit(used_bits(grid)), rows: grid }),
    }
    .expect(IN_MEMORY)
}

/// The same in 8-bit rows that may lie in a file.
///
/// # Errors
/// Those of the rows.
pub(crate) fn find_in(rows: &impl Rows<u8>) -> Result<Option<InfoStrip>, Error> {
    let (width, height) = (rows.width(), rows.height());
    if width < 32 || height < 32 {
        return Ok(None);
    }
    let deepest = (HIGHEST_SHARE * height as f64) as usize;
    if let Some(depth) = depth(|i| rows.row(height - 1 - i), deepest)? {
        return Ok(Some(InfoStrip { first_row_px: height - depth, rows_px: depth }));
    }
    Ok(depth(|y| rows.row(y), deepest)?.map(|rows| InfoStrip { first_row_px: 0, rows_px: rows }))
}

/// 16-bit rows as 8-bit ones.
pub(crate) struct EightBit<'a, R> {
    /// Bits to drop.
    pub shift: u32,
    /// The rows.
    pub rows: &'a R,
}

impl<R: Rows<u16>> Rows<u8> for EightBit<'_, R> {
    fn width(&self) -> usize {
        self.rows.width()
    }

    fn height(&self) -> usize {
        self.rows.height()
    }

    fn row(&self, y: usize) -> Result<Cow<'_, [u8]>, Error> {
        Ok(self.rows.row(y)?.iter().map(|&v| (v >> self.shift) as u8).collect())
    }
}

/// Every bit that is set in some level.
fn used_bits(grid: &Grid<u16>) -> u16 {
    grid.as_slice().iter().fold(0u16, |all, &v| all | v)
}

/// Bits to drop so that the brightest level of a 16 bit picture fills 8 bits, from the bits that are set in some level.
pub(crate) fn shift_to_eight_bit(used: u16) -> u32 {
    (u16::BITS - used.leading_zeros()).saturating_sub(8)
}

/// The ground of a strip.
#[derive(Clone, Copy)]
struct Ground {
    level: u8,
    /// Levels this far from it still belong to it.
    noise: u8,
}

impl Ground {
    /// The most frequent level near the rim, if it is nearly black or white.
    fn of(rim: &[u32; 256]) -> Option<Self> {
        let level = most_frequent(rim);
        let held = |noise: u8| f64::from(within(rim, level, noise));
        let noise = GROUND.into_iter().find(|&noise| held(noise) >= GROUND_HELD * held(GROUND[2]))?;
        (level.min(255 - level) <= EXTREME).then_some(Self { level, noise })
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
    /// Its mean level.
    mean: f64,
}

impl Row {
    fn new(levels: &[u8], ground: Ground) -> Self {
        let counts = counts(levels);
        let share = |count: u32| f64::from(count) / levels.len() as f64;
        let ink = |v: u8| v.abs_diff(ground.level) >= INK;
        let mode = most_frequent(&counts);
        Self {
            ground: share(within(&counts, ground.level, ground.noise)),
            even: share(within(&counts, ground.level, EVEN)),
            ink: share((0..=255u8).filter(|&v| ink(v)).map(|v| counts[usize::from(v)]).sum()),
            changes: levels.windows(2).filter(|pair| ink(pair[0]) != ink(pair[1])).count(),
            line: ink(mode) && share(within(&counts, mode, GROUND[2])) >= LINE_ROW,
            mean: (0..=255u8).map(|v| f64::from(v) * share(counts[usize::from(v)])).sum(),
        }
    }

    fn belongs(self) -> bool {
        self.ground >= DENSE_ROW
    }
}

fn counts(row: &[u8]) -> [u32; 256] {
    let mut counts = [0; 256];
    row.iter().for_each(|&v| counts[usize::from(v)] += 1);
    counts
}

/// Pixels at most `distance` levels from `level`.
fn within(counts: &[u32; 256], level: u8, distance: u8) -> u32 {
    (level.saturating_sub(distance)..=level.saturating_add(distance)).map(|v| counts[usize::from(v)]).sum()
}

/// The most frequent level; the darkest of equals.
fn most_frequent(counts: &[u32; 256]) -> u8 {
    (0..=255u8).rev().max_by_key(|&v| counts[usize::from(v)]).unwrap_or(0)
}

/// Rows of the strip that begins at the rim, if there is one; `row` counts from the rim.
fn depth<'a>(
    row: impl Fn(usize) -> Result<Cow<'a, [u8]>, Error>,
    deepest: usize,
) -> Result<Option<usize>, Error> {
    let mut rim = [0; 256];
    for i in 0..LOWEST.max(deepest / 20) {
        rim.iter_mut().zip(counts(&row(i)?)).for_each(|(sum, count)| *sum += count);
    }
    let Some(ground) = Ground::of(&rim) else { return Ok(None) };
    let rows = rows_to_edge(|i| Ok(Row::new(&row(i)?, ground)), deepest + 2 * LOWEST)?;
    Ok(end_of_strip(&rows, deepest, ground))
}

/// Rows of the strip among `rows` from the rim on, if they hold one.
fn end_of_strip(rows: &[Row], deepest: usize, ground: Ground) -> Option<usize> {
    let end = walk(rows);
    let end = if end > deepest { last_line(&rows[..deepest])? } else { with_line(rows, end) };
    (is_strip(&rows[..end]) && has_edge(rows, end)).then(|| with_blur(rows, end, ground))
}

/// Rows from the rim to some rows into the picture; nothing farther in is looked at.
fn rows_to_edge(row: impl Fn(usize) -> Result<Row, Error>, most: usize) -> Result<Vec<Row>, Error> {
    let mut rows = Vec::new();
    let mut outside = 0;
    for i in 0..most {
        let next = row(i)?;
        outside = if next.belongs() { 0 } else { outside + 1 };
        rows.push(next);
        if outside > 2 * LOWEST {
            break;
        }
    }
    Ok(rows)
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
    let like_first = |row: &&Row| row.line && (row.mean - ahead[first].mean).abs() <= f64::from(GROUND[2]);
    let lines = ahead[first..].iter().take_while(like_first).count();
    if first + lines > THICKEST_LINE { end } else { end + first + lines }
}

/// The end of the strip moved past rows in which its edge is blurred into the picture.
///
/// Left in, such a row would be a dark or bright line along the rim of the measured area.
fn with_blur(rows: &[Row], end: usize, ground: Ground) -> usize {
    let beyond = &rows[(end + WIDEST_BLUR).min(rows.len())..(end + 2 * WIDEST_BLUR + 2).min(rows.len())];
    if beyond.is_empty() {
        return end;
    }
    let picture = beyond.iter().map(|row| row.mean).sum::<f64>() / beyond.len() as f64;
    let step = (picture - f64::from(ground.level)).abs();
    let blurred = |row: &&Row| (row.mean - picture).abs() > BLURRED * step;
    end + rows[end..].iter().take(WIDEST_BLUR).take_while(blurred).count()
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
    let written = rows.iter().filter(|row| row.changes >= WRITTEN).count();
    ground >= 0.55
        && mean(|row| row.even) >= 0.6 * ground
        && (0.002..0.45).contains(&ink)
        && written >= FEWEST_WRITTEN_ROWS
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Grid;

    /// Even grey with a strip of `rows` rows below, on which marks like letters stand.
    fn with_strip(ground: u8, ink: u8, rows: usize) -> Grid<u8> {
        let height = 200;
        Grid::from_fn(300, height, |x, y| {
            let in_strip = y >= height - rows;
            let in_text = (height - rows + 6..height - 6).contains(&y) && (20..280).contains(&x) && x % 9 < 3;
            match (in_strip, in_text) {
                (true, true) => ink,
                (true, false) => ground,
                _ => 110 + ((x * 7 + y * 13) % 40) as u8,
            }
        })
    }

    fn flipped(grid: &Grid<u8>) -> Grid<u8> {
        Grid::from_fn(grid.width(), grid.height(), |x, y| grid.at(x, grid.height() - 1 - y))
    }

    #[test]
    fn black_and_white_strips_are_found_to_the_row_at_either_rim() {
        for (ground, ink) in [(0, 255), (255, 0), (30, 200), (240, 60)] {
            let picture = with_strip(ground, ink, 30);
            let strip = find(&Grey::Eight(picture.clone())).unwrap();
            assert_eq!((strip.first_row_px, strip.rows_px), (170, 30), "ground {ground}");
            let strip = find(&Grey::Eight(flipped(&picture))).unwrap();
            assert_eq!((strip.first_row_px, strip.rows_px), (0, 30), "ground {ground}");
        }
    }

    #[test]
    fn sixteen_bits_give_the_same_strip() {
        let picture = with_strip(0, 255, 30).map(|v| u16::from(v) * 16);
        assert_eq!(find(&Grey::Sixteen(picture)).map(|s| s.rows_px), Some(30));
    }

    #[test]
    fn a_frame_line_parts_the_strip_from_a_black_picture() {
        let mut picture = with_strip(0, 255, 30);
        picture.as_mut_slice()[..300 * 170].fill(0);
        assert!(find(&Grey::Eight(picture.clone())).is_none());
        picture.row_mut(170).fill(250);
        assert_eq!(find(&Grey::Eight(picture)).map(|s| s.rows_px), Some(30));
    }

    #[test]
    fn a_dark_rim_without_text_or_with_a_crooked_edge_is_no_strip() {
        let plain = with_strip(0, 0, 30);
        assert!(find(&Grey::Eight(plain)).is_none());
        let crooked = Grid::from_fn(300, 200, |x, y| {
            let dark = y >= 150 + x / 10;
            if dark && x % 9 < 3 {
                255
            } else if dark {
                0
            } else {
                110 + ((x * 7 + y * 13) % 40) as u8
            }
        });
        assert!(find(&Grey::Eight(crooked)).is_none());
    }

    #[test]
    fn uniform_and_tiny_pictures_have_none() {
        for level in [0, 128, 255] {
            assert!(find(&Grey::Eight(Grid::filled(64, 64, level))).is_none());
            assert!(find(&Grey::Eight(Grid::filled(1, 1, level))).is_none());
        }
        assert!(find(&Grey::Sixteen(Grid::filled(64, 64, 0))).is_none());
    }
}
