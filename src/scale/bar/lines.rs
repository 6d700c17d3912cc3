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
/// Caps are at most this wide in px, or twice as wide as the line is thick.
const WIDEST_CAP: usize = 5;
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
    let caps = [shape.left, shape.right].map(|end| cap(grid, threshold, &shape, end));
    let [Some(left), Some(right)] = caps else { return shape };
    let alike = left.0.abs_diff(right.0) <= 2 && left.1.abs_diff(right.1) <= 2;
    let rows = (left.0.min(right.0), left.1.max(right.1));
    let height = (rows.1 + 1 - rows.0) as f64;
    if alike && height <= LONGEST_CAPS_SHARE * shape.length() as f64 && is_centred(&shape, rows) {
        shape.caps = Some(rows);
        shape.style = BarStyle::Bracket;
    }
    shape
}

/// Whether the line meets its caps in the middle, or short caps at one end.
fn is_centred(shape: &Shape, caps: (usize, usize)) -> bool {
    let up = shape.top.saturating_sub(caps.0);
    let down = caps.1.saturating_sub(shape.bottom);
    let one_sided = up.min(down) <= 1 && up.max(down) * 6 <= shape.length();
    up.abs_diff(down) <= 2.max(up.max(down) / 3) || one_sided
}

/// Rows that the tallest upright run through the line near its end spans, if it is narrow and stands out of the line.
fn cap(grid: &Grid<u8>, threshold: u8, shape: &Shape, end: usize) -> Option<(usize, usize)> {
    let columns = end.saturating_sub(CAP_REACH)..=(end + CAP_REACH).min(grid.width() - 1);
    let (x, tallest) = columns
        .filter_map(|x| Some((x, upright(grid, threshold, x, shape)?)))
        .max_by_key(|&(_, (top, bottom))| bottom - top)?;
    let up = shape.top.saturating_sub(tallest.0);
    let down = tallest.1.saturating_sub(shape.bottom);
    // The row in which the width of the cap shows, away from the line.
    let row = if up > down { tallest.0 + up / 2 } else { tallest.1 - down / 2 };
    let widest = WIDEST_CAP.max(2 * shape.thickness());
    let narrow = width_at(grid, threshold, x, row) <= widest;
    // Arrow heads on a broken line may stand out by a single pixel, but do so on both sides.
    let stands_out = up + down >= SHORTEST_CAPS || (shape.gap.is_some() && up.min(down) >= 1);
    (stands_out && narrow).then_some(tallest)
}

/// Length of the level run through column `x` of a row.
fn width_at(grid: &Grid<u8>, threshold: u8, x: usize, y: usize) -> usize {
    let row = grid.row(y);
    let left = row[..x].iter().rev().take_while(|&&v| v >= threshold).count();
    let right = row[x..].iter().take_while(|&&v| v >= threshold).count();
    left + right
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
