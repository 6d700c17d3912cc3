//! A row of equally spaced ticks in the info strip.

use super::score::BarCandidate;
use super::{Bar, BarStyle};
use crate::grid::Grid;
use crate::micrograph::InfoStrip;

/// Fewer marks are no tick row; letters make short rows by chance.
const FEWEST_TICKS: usize = 6;
/// Rows in which the marks must stand at the same places.
const FEWEST_ROWS: usize = 3;
/// Widest tick in px.
const WIDEST_TICK: usize = 6;
/// A tick may be this far from its place, in px.
const OFF_PLACE: f64 = 1.5;
/// Level of a tick in the middle.
const BRIGHT: u8 = 128;

/// The best tick row in the strip, bright on dark.
pub(super) fn find(grid: &Grid<u8>, strip: InfoStrip) -> Option<BarCandidate> {
    let rows = strip.first_row_px.saturating_sub(2)..(strip.first_row_px + strip.rows_px).min(grid.height());
    let series: Vec<(usize, Vec<f64>)> =
        rows.filter_map(|y| Some((y, longest_series(&marks(grid.row(y)))?))).collect();
    let best = series
        .iter()
        .map(|(y, ticks)| (same_place(&series, ticks), ticks.len(), *y, ticks))
        .filter(|&(rows, ..)| rows >= FEWEST_ROWS)
        .max_by_key(|&(rows, count, y, _)| (count, rows, std::cmp::Reverse(y)))?;
    let (rows, count, first_row, ticks) = best;
    let bar = Bar {
        left_px: ticks[0],
        right_px: *ticks.last()?,
        row_px: first_row as f64 + rows as f64 / 2.0,
        style: BarStyle::Ticks,
        uncertainty_px: 0.5,
    };
    let confidence = if count >= 10 { 0.9 } else { 0.65 };
    Some(BarCandidate::new(bar, confidence, vec![format!("{count} equally spaced ticks in the info strip")]))
}

fn same_place(series: &[(usize, Vec<f64>)], ticks: &[f64]) -> usize {
    series
        .iter()
        .filter(|(_, other)| {
            other.len() == ticks.len() && other.iter().zip(ticks).all(|(a, b)| (a - b).abs() <= OFF_PLACE)
        })
        .count()
}

/// Centres of narrow bright runs in a row, in px.
fn marks(row: &[u8]) -> Vec<f64> {
    let mut marks = Vec::new();
    let mut x = 0;
    while x < row.len() {
        if row[x] < BRIGHT {
            x += 1;
            continue;
        }
        let end = row[x..].iter().position(|&v| v < BRIGHT).map_or(row.len(), |i| x + i);
        if end - x <= WIDEST_TICK {
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
    spacing > 3.0 && (marks[n - 1] - marks[n - 2] - spacing).abs() <= OFF_PLACE
}
