//! Level rectangles by scanning rows for long runs and joining runs with the same ends.

use super::surroundings::rows_beside;
use crate::grid::Grid;

/// A stack of runs with nearly the same ends.
#[derive(Clone, Debug, PartialEq)]
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

/// Pixels of a run that are passed at once.
const STRETCH_PX: usize = 32;

#[derive(Clone, Copy)]
struct Run {
    left: usize,
    right: usize,
}

/// Runs of nearly the same ends, one a row.
struct Stack {
    top: usize,
    runs: Vec<Run>,
}

impl Stack {
    fn last(&self) -> Run {
        *self.runs.last().expect("invariant: a stack begins with a run")
    }
}

/// All thin rectangles at or above `threshold` with runs of at least `shortest` px.
pub(super) fn find(grid: &Grid<u8>, threshold: u8, shortest: usize) -> Vec<Rectangle> {
    let mut found = Found { grid, threshold, rectangles: Vec::new(), spare: Vec::new(), ends: Vec::new() };
    let (mut open, mut still_open): (Vec<Stack>, Vec<Stack>) = (Vec::new(), Vec::new());
    for (y, row) in grid.rows().enumerate() {
        // Both the stacks and the runs of a row ascend, so those behind a run are behind all that follow.
        let mut behind = 0;
        each_run(row, threshold, shortest, |run| {
            while open.get(behind).is_some_and(|stack| is_behind(stack.last(), run)) {
                behind += 1;
            }
            let near = open[behind..].iter().take_while(|stack| !is_behind(run, stack.last()));
            let matching =
                near.enumerate().find(|(_, stack)| same_ends(stack.last(), run)).map(|(i, _)| behind + i);
            let mut stack = match matching {
                Some(i) => open.remove(i),
                None => Stack { top: y, runs: found.spare.pop().unwrap_or_default() },
            };
            stack.runs.push(run);
            still_open.push(stack);
        });
        open.drain(..).for_each(|stack| found.close(stack));
        std::mem::swap(&mut open, &mut still_open);
    }
    open.into_iter().for_each(|stack| found.close(stack));
    found.rectangles.sort_by_key(|r: &Rectangle| (r.top, r.left));
    found.rectangles
}

/// Calls `take` with every run of at least `shortest` px; each covers one of the columns that are looked at.
fn each_run(row: &[u8], threshold: u8, shortest: usize, mut take: impl FnMut(Run)) {
    let mut next = shortest - 1;
    while next < row.len() {
        if row[next] < threshold {
            next += shortest;
            continue;
        }
        let left = row[..next].iter().rposition(|&v| v < threshold).map_or(0, |i| i + 1);
        let right = next + bright_length(&row[next..], threshold) - 1;
        if right + 1 - left >= shortest {
            take(Run { left, right });
        }
        next = right + 1 + shortest;
    }
}

/// Pixels from the first on that reach the threshold; many at once, for runs may be as long as the row.
fn bright_length(row: &[u8], threshold: u8) -> usize {
    let is_bright = |stretch: &&[u8]| stretch.iter().fold(u8::MAX, |least, &v| least.min(v)) >= threshold;
    let whole = STRETCH_PX * row.chunks(STRETCH_PX).take_while(is_bright).count();
    let rest = row.get(whole..).unwrap_or_default();
    (whole + rest.iter().position(|&v| v < threshold).unwrap_or(rest.len())).min(row.len())
}

/// How far apart the ends of a run and of the one below it may be.
fn tolerance(run: Run) -> usize {
    END_TOLERANCE_PX.max((run.right - run.left) / END_TOLERANCE_SHARE)
}

/// Whether the first one begins so far before the second that they cannot have the same ends.
fn is_behind(first: Run, second: Run) -> bool {
    first.left + tolerance(first).max(tolerance(second)) < second.left
}

fn same_ends(upper: Run, lower: Run) -> bool {
    let tolerance = tolerance(upper);
    upper.left.abs_diff(lower.left) <= tolerance && upper.right.abs_diff(lower.right) <= tolerance
}

/// What was found so far, and room that is used again: a picture has many short runs.
struct Found<'a> {
    grid: &'a Grid<u8>,
    threshold: u8,
    rectangles: Vec<Rectangle>,
    spare: Vec<Vec<Run>>,
    ends: Vec<usize>,
}

impl Found<'_> {
    /// Takes a stack as a rectangle, unless it is a block or goes on above or below.
    fn close(&mut self, mut stack: Stack) {
        let rectangle = self.rectangle(&stack);
        self.rectangles.extend(rectangle.filter(|rectangle| is_free(self.grid, self.threshold, rectangle)));
        stack.runs.clear();
        self.spare.push(stack.runs);
    }

    fn rectangle(&mut self, stack: &Stack) -> Option<Rectangle> {
        let mut median = |end: fn(&Run) -> usize| {
            self.ends.clear();
            self.ends.extend(stack.runs.iter().map(end));
            let middle = self.ends.len() / 2;
            *self.ends.select_nth_unstable(middle).1
        };
        let (left, right) = (median(|run| run.left), median(|run| run.right));
        let rows = stack.runs.len();
        if rows as f64 > THICKEST_SHARE * (right + 1 - left) as f64 {
            return None;
        }
        let apart: usize =
            stack.runs.iter().map(|run| run.left.abs_diff(left) + run.right.abs_diff(right)).sum();
        let raggedness = apart as f64 / (2 * rows) as f64;
        Some(Rectangle { left, right, top: stack.top, bottom: stack.top + rows - 1, raggedness })
    }
}

/// Whether most of a few columns fall below the threshold close above the rectangle, and most close below it.
fn is_free(grid: &Grid<u8>, threshold: u8, rectangle: &Rectangle) -> bool {
    let step = ((rectangle.right - rectangle.left) / FREE_COLUMNS).max(1);
    let columns = (rectangle.right - rectangle.left) / step + 1;
    let free = |rows: std::ops::Range<usize>| {
        let mut bound = (rectangle.left..=rectangle.right)
            .step_by(step)
            .filter(|&x| rows.clone().all(|y| grid.at(x, y) >= threshold));
        // As soon as half of them are bound, most cannot be free.
        rows.is_empty() || bound.nth(columns.div_ceil(2) - 1).is_none()
    };
    let beside = rows_beside(rectangle.bottom + 1 - rectangle.top);
    free(rectangle.top.saturating_sub(beside)..rectangle.top)
        && free(rectangle.bottom + 1..(rectangle.bottom + 1 + beside).min(grid.height()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runs(row: &[u8], shortest: usize) -> Vec<(usize, usize)> {
        let mut runs = Vec::new();
        each_run(row, 200, shortest, |run| runs.push((run.left, run.right)));
        runs
    }

    #[test]
    fn runs_are_found_wherever_they_lie() {
        for left in 0..20 {
            let row: Vec<u8> =
                (0..40).map(|x| if (left..left + 12).contains(&x) { 255 } else { 0 }).collect();
            assert_eq!(runs(&row, 12), [(left, left + 11)]);
            assert!(runs(&row, 13).is_empty());
        }
    }

    #[test]
    fn runs_may_be_longer_than_what_is_passed_at_once() {
        for length in [31, 32, 33, 63, 64, 65, 100] {
            let row: Vec<u8> = (0..100).map(|x| if x < length { 200 } else { 199 }).collect();
            assert_eq!(runs(&row, 12), [(0, length - 1)]);
        }
    }

    #[test]
    fn a_stack_keeps_to_its_ends_whatever_begins_beside_it() {
        // A bar whose rows begin some px apart, and a short run that begins between them in either row.
        let upper = |x: usize| (100..700).contains(&x);
        let lower = |x: usize| (103..110).contains(&x) || (112..712).contains(&x);
        for turned_over in [false, true] {
            let bar = Grid::from_fn(900, 12, |x, y| match (y, turned_over) {
                (4, false) | (5, true) if upper(x) => 255,
                (5, false) | (4, true) if lower(x) => 255,
                _ => 9,
            });
            let found = find(&bar, 200, 5);
            let mut ends: Vec<_> = found.iter().map(|r| (r.left, r.right, r.bottom + 1 - r.top)).collect();
            ends.sort_unstable();
            assert_eq!(ends, [(103, 109, 1), (112, 711, 2)], "{turned_over}");
        }
    }

    #[test]
    fn stacks_are_those_that_a_look_at_every_open_one_finds() {
        let mut state = 7u32;
        let mut draw = |below: u32| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 16) % below
        };
        for _ in 0..200 {
            // Stretches that mostly go on from row to row, some of them long, with ends that waver.
            let mut grid = Grid::filled(600, 14, 0);
            for _ in 0..8 {
                let (left, length, top, rows) = (draw(590), 3 + draw(12).pow(2) * 4, draw(12), 1 + draw(5));
                for y in top..(top + rows).min(14) {
                    let start = left + draw(8);
                    let end = (start + length + draw(8)).min(600);
                    if start < end {
                        grid.row_mut(y as usize)[start as usize..end as usize].fill(255);
                    }
                }
            }
            let mut found =
                Found { grid: &grid, threshold: 200, rectangles: vec![], spare: vec![], ends: vec![] };
            let mut open: Vec<Stack> = Vec::new();
            for y in 0..14 {
                let mut still_open = Vec::new();
                for (left, right) in runs(grid.row(y), 5) {
                    let run = Run { left, right };
                    let near = open.iter().position(|stack| same_ends(stack.last(), run));
                    let mut stack = near.map_or(Stack { top: y, runs: vec![] }, |i| open.swap_remove(i));
                    stack.runs.push(run);
                    still_open.push(stack);
                }
                open.drain(..).for_each(|stack| found.close(stack));
                open = still_open;
            }
            open.into_iter().for_each(|stack| found.close(stack));
            found.rectangles.sort_by_key(|r| (r.top, r.left));
            assert_eq!(super::find(&grid, 200, 5), found.rectangles);
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
