//! A row of equally spaced ticks in the info strip.

use super::score::BarCandidate;
use super::{Bar, BarStyle};
use crate::grid::Grid;
use crate::micrograph::InfoStrip;

/// Fewer marks are no tick row; letters make short rows by chance.
const FEWEST_TICKS: usize = 6;
/// Ticks of a row that divides its length into 10 or 20 parts. With another number one was missed or added, and strokes of
/// letters make short rows.
const WHOLE_ROWS: [usize; 2] = [11, 21];
/// Rows in which the marks must stand at the same places.
const FEWEST_ROWS: usize = 3;
/// Widest tick in px, or as a share of the picture's width.
const WIDEST_TICK_PX: usize = 6;
const WIDEST_TICK_SHARE: usize = 120;
/// A tick may be this far from its place, in px, or this share of the spacing.
const OFF_PLACE_PX: f64 = 1.5;
const OFF_PLACE_SHARE: f64 = 0.1;
/// Levels at which ticks are cut out of the strip; thin ones are grey.
const LEVELS: [u8; 3] = [170, 120, 70];

/// The best tick row in the strip, bright on dark.
pub(super) fn find(grid: &Grid<u8>, strip: InfoStrip) -> Option<BarCandidate> {
    LEVELS
        .iter()
        .filter_map(|&level| at_level(grid, strip, level))
        .max_by_key(|row| (row.ticks.len(), row.rows))
        .map(TickRow::candidate)
}

struct TickRow {
    ticks: Vec<f64>,
    /// First row, and number of rows with the same ticks.
    first_row: usize,
    rows: usize,
}

impl TickRow {
    fn candidate(self) -> BarCandidate {
        let count = self.ticks.len();
        let bar = Bar {
            left_px: self.ticks[0],
            right_px: self.ticks[count - 1],
            row_px: self.first_row as f64 + self.rows as f64 / 2.0,
            style: BarStyle::Ticks,
            uncertainty_px: 0.5,
        };
        // A bar drawn beside the tick row has its own label, and is the one that a reader sees.
        let confidence = if WHOLE_ROWS.contains(&count) { 0.78 } else { 0.6 };
        BarCandidate::new(bar, confidence, vec![format!("{count} equally spaced ticks in the info strip")])
    }
}

fn at_level(grid: &Grid<u8>, strip: InfoStrip, level: u8) -> Option<TickRow> {
    let rows = strip.first_row_px.saturating_sub(2)..(strip.first_row_px + strip.rows_px).min(grid.height());
    let series: Vec<(usize, Vec<f64>)> =
        rows.filter_map(|y| Some((y, longest_series(&marks(grid.row(y), level))?))).collect();
    series
        .iter()
        .map(|(y, ticks)| (*y, level_ends(grid, (strip, level), *y, ticks)))
        .filter(|(_, ticks)| ticks.len() >= FEWEST_TICKS)
        .map(|(y, ticks)| TickRow { first_row: y, rows: same_place(&series, &ticks), ticks })
        .filter(|row| row.rows >= FEWEST_ROWS)
        .max_by_key(|row| (row.ticks.len(), row.rows, std::cmp::Reverse(row.first_row)))
}

/// The ticks without marks at either end that do not stand on the line of the others: strokes of a letter.
///
/// Ticks of a row are of different length, but all begin on one row, or all end on one.
fn level_ends(grid: &Grid<u8>, (strip, level): (InfoStrip, u8), row: usize, ticks: &[f64]) -> Vec<f64> {
    let last = (strip.first_row_px + strip.rows_px).min(grid.height());
    let span = |tick: f64| {
        let bright = |y: &usize| grid.at((tick as usize).min(grid.width() - 1), *y) >= level;
        let above = (strip.first_row_px..row).rev().take_while(bright).count();
        let below = (row..last).take_while(bright).count();
        (row - above, row + below)
    };
    let spans: Vec<(usize, usize)> = ticks.iter().map(|&tick| span(tick)).collect();
    let middle = |part: fn(&(usize, usize)) -> usize| {
        let mut all: Vec<usize> = spans.iter().map(part).collect();
        all.sort_unstable();
        all[all.len() / 2]
    };
    let (top, bottom) = (middle(|s| s.0), middle(|s| s.1));
    let begins = |k: &usize| spans[*k].0.abs_diff(top) <= 1;
    let ends = |k: &usize| spans[*k].1.abs_diff(bottom) <= 1;
    let hang = (0..ticks.len()).filter(begins).count() >= (0..ticks.len()).filter(ends).count();
    let is_tick = |k: &usize| if hang { begins(k) } else { ends(k) };
    let first = (0..ticks.len()).find(is_tick).unwrap_or(ticks.len());
    let end = (0..ticks.len()).rev().find(is_tick).map_or(first, |k| k + 1);
    ticks[first..end.max(first)].to_vec()
}

fn same_place(series: &[(usize, Vec<f64>)], ticks: &[f64]) -> usize {
    series
        .iter()
        .filter(|(_, other)| {
            ticks.iter().all(|tick| other.iter().any(|place| (place - tick).abs() <= OFF_PLACE_PX))
        })
        .count()
}

/// Centres of narrow bright runs in a row, in px.
fn marks(row: &[u8], level: u8) -> Vec<f64> {
    let mut marks = Vec::new();
    let mut x = 0;
    while x < row.len() {
        if row[x] < level {
            x += 1;
            continue;
        }
        let end = row[x..].iter().position(|&v| v < level).map_or(row.len(), |i| x + i);
        if end - x <= WIDEST_TICK_PX.max(row.len() / WIDEST_TICK_SHARE) {
            marks.push(centroid(row, x, end));
        }
        x = end;
    }
    marks
}

/// Centre of a run by weight, with one pixel on either side, in px from the left rim.
fn centroid(row: &[u8], start: usize, end: usize) -> f64 {
    let columns = start.saturating_sub(1)..(end + 1).min(row.len());
    let weight: f64 = columns.clone().map(|x| f64::from(row[x])).sum();
    columns.map(|x| f64::from(row[x]) * (x as f64 + 0.5)).sum::<f64>() / weight
}

/// The longest equally spaced series among marks in rising order, with nothing between its ticks.
fn longest_series(marks: &[f64]) -> Option<Vec<f64>> {
    let mut best: Vec<f64> = Vec::new();
    let mut start = 0;
    while start + FEWEST_TICKS <= marks.len() {
        let mut end = start + 2;
        while end < marks.len() && on_place(&marks[start..=end]) {
            end += 1;
        }
        if end - start > best.len() {
            best = marks[start..end].to_vec();
        }
        start = if end - start > 2 { end - 1 } else { start + 1 };
    }
    (best.len() >= FEWEST_TICKS).then_some(best)
}

/// Whether the last mark stands where the spacing of those before it puts it.
fn on_place(marks: &[f64]) -> bool {
    let n = marks.len();
    let spacing = (marks[n - 2] - marks[0]) / (n - 2) as f64;
    spacing > 5.0
        && (marks[n - 1] - marks[n - 2] - spacing).abs() <= OFF_PLACE_PX.max(OFF_PLACE_SHARE * spacing)
}
