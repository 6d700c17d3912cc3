//! From rectangles to shapes: solid bars, lines with caps, and lines broken by their label.

use super::rectangles::Rectangle;
use super::{BarStyle, Shape};
use crate::grid::Grid;

/// A line is at most this thick if it is to carry caps or a gap, in px and as a share of its length.
const THICKEST_LINE_SHARE: usize = 12;
/// Caps reach at least this far above and below the line, together, in px.
const SHORTEST_CAPS: usize = 3;
/// Caps are at most this share of the length of the bar.
const LONGEST_CAPS_SHARE: f64 = 0.5;
/// Caps are looked for this far around the end of a line, in px.
const CAP_REACH: usize = 3;
/// Halves of a broken line differ by at most this share.
const HALVES_DIFFER: f64 = 0.2;
/// The gap is at most this share of the whole.
const WIDEST_GAP: f64 = 0.75;

/// Every reading of the rectangles as a bar. A half of a broken line is still offered alone; scores decide.
pub(super) fn shapes(grid: &Grid<u8>, threshold: u8, rectangles: &[Rectangle]) -> Vec<Shape> {
    let mut shapes = Vec::new();
    for (i, rectangle) in rectangles.iter().enumerate() {
        shapes.push(whole(grid, threshold, rectangle));
        let later = rectangles[i + 1..].iter().take_while(|other| other.top <= rectangle.bottom + 1);
        shapes.extend(later.filter_map(|other| broken(grid, threshold, rectangle, other)));
    }
    shapes
}

fn whole(grid: &Grid<u8>, threshold: u8, rectangle: &Rectangle) -> Shape {
    let shape = Shape {
        left: rectangle.left,
        right: rectangle.right,
        top: rectangle.top,
        bottom: rectangle.bottom,
        style: BarStyle::Solid,
        gap: None,
        caps: None,
        raggedness: rectangle.raggedness,
    };
    with_caps(grid, threshold, shape)
}

fn broken(grid: &Grid<u8>, threshold: u8, a: &Rectangle, b: &Rectangle) -> Option<Shape> {
    let (a, b) = if a.left < b.left { (a, b) } else { (b, a) };
    if b.left <= a.right + 1 || a.top.abs_diff(b.top) > 1 || a.bottom.abs_diff(b.bottom) > 1 {
        return None;
    }
    let lengths = [a.right + 1 - a.left, b.right + 1 - b.left];
    let total = b.right + 1 - a.left;
    let gap = b.left - a.right - 1;
    let differ = lengths[0].abs_diff(lengths[1]) as f64;
    let thickness = a.bottom.max(b.bottom) + 1 - a.top.min(b.top);
    let fits = differ <= (HALVES_DIFFER * lengths[0].max(lengths[1]) as f64).max(4.0)
        && gap as f64 <= WIDEST_GAP * total as f64
        && thickness * THICKEST_LINE_SHARE <= total;
    fits.then(|| {
        let shape = Shape {
            left: a.left,
            right: b.right,
            top: a.top.min(b.top),
            bottom: a.bottom.max(b.bottom),
            style: BarStyle::Solid,
            gap: Some((a.right + 1, b.left - 1)),
            caps: None,
            raggedness: a.raggedness.max(b.raggedness),
        };
        with_caps(grid, threshold, shape)
    })
}

/// The shape as a bracket, if both ends carry caps of the same kind.
fn with_caps(grid: &Grid<u8>, threshold: u8, mut shape: Shape) -> Shape {
    if shape.thickness() * THICKEST_LINE_SHARE > shape.length() {
        return shape;
    }
    let last_column = grid.width() - 1;
    let left = cap(grid, threshold, &shape, shape.left.saturating_sub(CAP_REACH)..=shape.left + CAP_REACH);
    let right = cap(
        grid,
        threshold,
        &shape,
        shape.right.saturating_sub(CAP_REACH)..=(shape.right + CAP_REACH).min(last_column),
    );
    let (Some(left), Some(right)) = (left, right) else { return shape };
    let longest = LONGEST_CAPS_SHARE * shape.length() as f64;
    let alike = left.0.abs_diff(right.0) <= 2 && left.1.abs_diff(right.1) <= 2;
    let rows = (left.0.min(right.0), left.1.max(right.1));
    if alike && ((rows.1 + 1 - rows.0) as f64) <= longest {
        shape.caps = Some(rows);
        shape.style = BarStyle::Bracket;
    }
    shape
}

/// Rows that the tallest upright run through the line spans within `columns`, if it stands out of the line.
fn cap(
    grid: &Grid<u8>,
    threshold: u8,
    shape: &Shape,
    columns: std::ops::RangeInclusive<usize>,
) -> Option<(usize, usize)> {
    let tallest = columns
        .filter_map(|x| upright(grid, threshold, x, shape))
        .max_by_key(|&(top, bottom)| bottom - top)?;
    let out = (shape.top - tallest.0.min(shape.top)) + (tallest.1.max(shape.bottom) - shape.bottom);
    (out >= SHORTEST_CAPS).then_some(tallest)
}

/// The upright run in column `x` that crosses the middle row of the line.
fn upright(grid: &Grid<u8>, threshold: u8, x: usize, shape: &Shape) -> Option<(usize, usize)> {
    let middle = usize::midpoint(shape.top, shape.bottom);
    let bright = |y: &usize| grid.at(x, *y) >= threshold;
    if !bright(&middle) {
        return None;
    }
    let reach = shape.length() / 2 + 2;
    let top = (middle.saturating_sub(reach)..=middle).rev().take_while(bright).last()?;
    let bottom = (middle..grid.height().min(middle + reach)).take_while(bright).last()?;
    Some((top, bottom))
}
