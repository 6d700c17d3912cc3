//! Level rectangles by scanning rows for long runs and joining runs with the same ends.

use super::surroundings::rows_beside;
use crate::grid::Grid;

/// A stack of runs with nearly the same ends.
#[derive(Clone, Debug)]
pub(super) struct Rectangle {
    /// Median first and last column.
    pub left: usize,
    pub right: usize,
    /// First and last row.
    pub top: usize,
    pub bottom: usize,
    /// Mean distance of the ends of single rows from the medians.
    pub raggedness: f64,
}

impl Rectangle {
    pub(super) fn length(&self) -> usize {
        self.right + 1 - self.left
    }
}

/// Runs of one rectangle may end this far apart, in px, or this share of their length.
const END_TOLERANCE_PX: usize = 2;
const END_TOLERANCE_SHARE: usize = 40;

/// Rectangles thicker than this share of their length are blocks and not bars.
const THICKEST_SHARE: f64 = 0.55;

/// Columns that are looked at to see whether a rectangle ends above and below.
const FREE_COLUMNS: usize = 16;

#[derive(Clone, Copy)]
struct Run {
    left: usize,
    right: usize,
}

struct Stack {
    top: usize,
    runs: Vec<Run>,
}

/// All thin rectangles at or above `threshold` with runs of at least `shortest` px.
pub(super) fn find(grid: &Grid<u8>, threshold: u8, shortest: usize) -> Vec<Rectangle> {
    let mut open: Vec<Stack> = Vec::new();
    let mut found = Vec::new();
    for (y, row) in grid.rows().enumerate() {
        let mut still_open = Vec::new();
        for run in runs(row, threshold, shortest) {
            let matching =
                open.iter().position(|stack| stack.runs.last().is_some_and(|last| same_ends(*last, run)));
            let mut stack = matching.map_or(Stack { top: y, runs: Vec::new() }, |i| open.swap_remove(i));
            stack.runs.push(run);
            still_open.push(stack);
        }
        found.extend(open.drain(..).filter_map(close));
        open = still_open;
    }
    found.extend(open.into_iter().filter_map(close));
    found.retain(|rectangle| is_free(grid, threshold, rectangle));
    found.sort_by_key(|r: &Rectangle| (r.top, r.left));
    found
}

/// Runs of at least `shortest` px; each covers one of the columns that are looked at.
fn runs(row: &[u8], threshold: u8, shortest: usize) -> Vec<Run> {
    let mut runs = Vec::new();
    let mut next = shortest - 1;
    while next < row.len() {
        if row[next] < threshold {
            next += shortest;
            continue;
        }
        let left = row[..next].iter().rposition(|&v| v < threshold).map_or(0, |i| i + 1);
        let right = row[next..].iter().position(|&v| v < threshold).map_or(row.len(), |i| next + i) - 1;
        if right + 1 - left >= shortest {
            runs.push(Run { left, right });
        }
        next = right + 1 + shortest;
    }
    runs
}

fn same_ends(a: Run, b: Run) -> bool {
    let tolerance = END_TOLERANCE_PX.max((a.right - a.left) / END_TOLERANCE_SHARE);
    a.left.abs_diff(b.left) <= tolerance && a.right.abs_diff(b.right) <= tolerance
}

fn close(stack: Stack) -> Option<Rectangle> {
    let median = |mut values: Vec<usize>| {
        values.sort_unstable();
        values[values.len() / 2]
    };
    let left = median(stack.runs.iter().map(|run| run.left).collect());
    let right = median(stack.runs.iter().map(|run| run.right).collect());
    let rows = stack.runs.len();
    if rows as f64 > THICKEST_SHARE * (right + 1 - left) as f64 {
        return None;
    }
    let apart: usize = stack.runs.iter().map(|run| run.left.abs_diff(left) + run.right.abs_diff(right)).sum();
    let raggedness = apart as f64 / (2 * rows) as f64;
    Some(Rectangle { left, right, top: stack.top, bottom: stack.top + rows - 1, raggedness })
}

/// Whether most of a few columns fall below the threshold close above the rectangle, and most close below it.
fn is_free(grid: &Grid<u8>, threshold: u8, rectangle: &Rectangle) -> bool {
    let step = ((rectangle.right - rectangle.left) / FREE_COLUMNS).max(1);
    let columns = || (rectangle.left..=rectangle.right).step_by(step);
    let free = |rows: std::ops::Range<usize>| {
        let count = columns().filter(|&x| rows.clone().any(|y| grid.at(x, y) < threshold)).count();
        rows.is_empty() || 2 * count > columns().count()
    };
    let beside = rows_beside(rectangle.bottom + 1 - rectangle.top);
    free(rectangle.top.saturating_sub(beside)..rectangle.top)
        && free(rectangle.bottom + 1..(rectangle.bottom + 1 + beside).min(grid.height()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_are_found_wherever_they_lie() {
        for left in 0..20 {
            let row: Vec<u8> =
                (0..40).map(|x| if (left..left + 12).contains(&x) { 255 } else { 0 }).collect();
            let found = runs(&row, 200, 12);
            assert_eq!((found.len(), found[0].left, found[0].right), (1, left, left + 11));
            assert!(runs(&row, 200, 13).is_empty());
        }
    }

    #[test]
    fn a_bar_is_one_rectangle_and_a_square_is_none() {
        let bar =
            Grid::from_fn(60, 20, |x, y| if (10..50).contains(&x) && (5..9).contains(&y) { 255 } else { 9 });
        let found = find(&bar, 200, 12);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].left, found[0].right, found[0].top, found[0].bottom), (10, 49, 5, 8));
        let square =
            Grid::from_fn(60, 60, |x, y| if (10..50).contains(&x) && (5..45).contains(&y) { 255 } else { 9 });
        assert!(find(&square, 200, 12).is_empty());
    }
}
