//! From rectangles to shapes: solid bars, lines with caps, and lines broken by their label.

use super::rectangles::Rectangle;
use super::{BarStyle, Caps, Shape};
use crate::grid::Grid;

/// A line is at most this thick if it is to carry caps or a gap, in px and as a share of its length.
const THICKEST_LINE_SHARE: usize = 12;
/// Caps reach at least this far above and below the line, together, in px.
const SHORTEST_CAPS: usize = 3;
/// Caps of one bar begin and end at most so many rows apart.
const CAPS_DIFFER: usize = 2;
/// Where an arm is a bracket's for its cap alone, the cap reaches at least this far to either side, in px.
const SHORTEST_STROKE: usize = 3;
/// Beyond such a cap, from behind its blur to half its height, no more than this share is inked: letters stand nearer to
/// each other.
const FREE_BEYOND: std::ops::Range<usize> = 2..4;
const FREE_BUT: f64 = 0.05;
/// Caps are at most this share of the length of the bar.
const LONGEST_CAPS_SHARE: f64 = 0.5;
/// Caps are cut out at these shares of the line's height above the ground; thin ones are fainter than the line.
const CAP_LEVELS: [f64; 2] = [0.5, 0.25];
/// Caps are looked for this far around the end of a line, in px.
const CAP_REACH: usize = 3;
/// Caps are at most this wide in px, or twice as wide as the line is thick.
const WIDEST_CAP: usize = 5;
/// Halves of a broken line differ by at most this share.
const HALVES_DIFFER: f64 = 0.2;
/// The gap is at most this share of the whole, and of a line with caps, whose ends are plain to see, at most this.
const WIDEST_GAP: f64 = 0.75;
const WIDEST_GAP_CAPPED: f64 = 0.9;

/// Every reading of the rectangles as a bar. A half of a broken line is still offered alone; scores decide.
///
/// Rectangles of less than `shortest` px are only taken for the arms of a bracket.
pub(super) fn shapes(
    grid: &Grid<u8>,
    threshold: u8,
    rectangles: &[Rectangle],
    shortest: usize,
) -> Vec<Shape> {
    let mut shapes = Vec::new();
    for (i, rectangle) in rectangles.iter().enumerate() {
        if rectangle.length() >= shortest {
            shapes.push(whole(grid, rectangle));
        }
        let later = rectangles[i + 1..].iter().take_while(|other| other.top <= rectangle.bottom + 1);
        shapes.extend(later.filter_map(|other| broken(grid, (threshold, shortest), rectangle, other)));
    }
    shapes
}

fn whole(grid: &Grid<u8>, rectangle: &Rectangle) -> Shape {
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
    with_caps(grid, shape)
}

fn broken(
    grid: &Grid<u8>,
    (threshold, shortest): (u8, usize),
    a: &Rectangle,
    b: &Rectangle,
) -> Option<Shape> {
    let (a, b) = if a.left < b.left { (a, b) } else { (b, a) };
    if b.left <= a.right + 1 || a.top.abs_diff(b.top) > 1 || a.bottom.abs_diff(b.bottom) > 1 {
        return None;
    }
    let (shorter, longer) = (a.length().min(b.length()), a.length().max(b.length()));
    let total = b.right + 1 - a.left;
    let gap = (b.left - a.right - 1) as f64 / total as f64;
    let thickness = a.bottom.max(b.bottom) + 1 - a.top.min(b.top);
    let fits = (longer - shorter) as f64 <= (HALVES_DIFFER * longer as f64).max(4.0)
        && gap <= WIDEST_GAP_CAPPED
        && thickness * THICKEST_LINE_SHARE <= total;
    let needs_caps = shorter < shortest || gap > WIDEST_GAP;
    if !fits || needs_caps && !are_crossed(grid, threshold, a, b) {
        return None;
    }
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
    Some(with_caps(grid, shape)).filter(|shape| {
        !needs_caps || shape.caps.is_some_and(|caps| are_ends_free(grid, threshold, shape, caps))
    })
}

/// Whether upright strokes of one height seem to cross both arms at their outer ends: a quick look at few pixels, before
/// caps are measured.
fn are_crossed(grid: &Grid<u8>, threshold: u8, left: &Rectangle, right: &Rectangle) -> bool {
    let stroke = |arm: &Rectangle, x: usize| {
        let bright = |x: usize, y: usize| grid.at(x, y) >= threshold;
        let reach = |x: usize| {
            let up = (0..arm.top).rev().take_while(|&y| bright(x, y)).count();
            let down = (arm.bottom + 1..grid.height()).take_while(|&y| bright(x, y)).count();
            (up.min(down) >= SHORTEST_STROKE).then_some((up, down))
        };
        (x.saturating_sub(1)..=(x + 1).min(grid.width() - 1)).filter_map(reach).max()
    };
    stroke(left, left.left)
        .zip(stroke(right, right.right))
        .is_some_and(|(a, b)| a.0.abs_diff(b.0) <= CAPS_DIFFER + 1 && a.1.abs_diff(b.1) <= CAPS_DIFFER + 1)
}

/// Whether nothing stands right outside the caps: strokes of letters have other letters beside them.
fn are_ends_free(grid: &Grid<u8>, threshold: u8, shape: &Shape, caps: Caps) -> bool {
    let height = caps.bottom + 1 - caps.top;
    let reach = (height / 2).max(FREE_BEYOND.end);
    let before = shape.left.saturating_sub(reach)..(shape.left + 1).saturating_sub(FREE_BEYOND.start);
    let width = grid.width();
    let after = (shape.right + FREE_BEYOND.start).min(width)..(shape.right + 1 + reach).min(width);
    [before, after].into_iter().all(|columns| {
        let rows = (caps.top..=caps.bottom).map(|y| grid.row(y));
        let inked: usize =
            rows.map(|row| row[columns.clone()].iter().filter(|&&v| v >= threshold).count()).sum();
        inked as f64 <= FREE_BUT * (height * columns.len()) as f64
    })
}

/// The shape as a bracket, if both ends carry caps of the same kind.
fn with_caps(grid: &Grid<u8>, mut shape: Shape) -> Shape {
    if shape.thickness() * THICKEST_LINE_SHARE <= shape.length() {
        shape.caps = CAP_LEVELS.iter().find_map(|&share| caps(grid, &shape, share));
        if shape.caps.is_some() {
            shape.style = BarStyle::Bracket;
        }
    }
    shape
}

/// The caps at both ends, cut out at a share of the line's height above the ground.
fn caps(grid: &Grid<u8>, shape: &Shape, share: f64) -> Option<Caps> {
    let (level, blur) = level_above_ground(grid, shape, share)?;
    let left = cap(grid, shape, level, blur, shape.left)?;
    let right = cap(grid, shape, level, blur, shape.right)?;
    let alike =
        left.top.abs_diff(right.top) <= CAPS_DIFFER && left.bottom.abs_diff(right.bottom) <= CAPS_DIFFER;
    let caps = Caps {
        top: left.top.min(right.top),
        bottom: left.bottom.max(right.bottom),
        width: left.width.max(right.width),
    };
    let height = (caps.bottom + 1 - caps.top) as f64;
    (alike && height <= LONGEST_CAPS_SHARE * shape.length() as f64 && is_centred(shape, caps)).then_some(caps)
}

/// Whether the line meets its caps in the middle, or short caps at one end. Of a broken line its arms count: feet of letters
/// are short, and the stems that rise from them are not.
fn is_centred(shape: &Shape, caps: Caps) -> bool {
    let up = shape.top.saturating_sub(caps.top);
    let down = caps.bottom.saturating_sub(shape.bottom);
    let drawn = shape.length() - shape.gap.map_or(0, |(first, last)| last + 1 - first);
    let one_sided = up.min(down) <= 1 && up.max(down) * 6 <= drawn;
    up.abs_diff(down) <= 2.max(up.max(down) / 3) || one_sided
}

/// How far an upright run stands out of the line, upwards and downwards.
type Reach = (usize, usize);

/// The tallest upright run near one end of the line, if it is narrow and stands out more than the line's blur.
fn cap(grid: &Grid<u8>, shape: &Shape, level: u8, blur: Reach, end: usize) -> Option<Caps> {
    let columns = end.saturating_sub(CAP_REACH)..=(end + CAP_REACH).min(grid.width() - 1);
    let (x, (up, down)) = columns
        .filter_map(|x| Some((x, reach(grid, level, x, shape)?)))
        .max_by_key(|&(_, (up, down))| up + down)?;
    // The row in which the width of the cap shows, away from the line.
    let row = if up > down { shape.top - up.div_ceil(2) } else { shape.bottom + down.div_ceil(2) };
    let width = width_at(grid, level, x, row);
    let narrow = width <= WIDEST_CAP.max(2 * shape.thickness());
    let (over, under) = (up.saturating_sub(blur.0), down.saturating_sub(blur.1));
    // Arrow heads on a broken line may stand out by a single pixel, but do so on both sides.
    let stands_out = over + under >= SHORTEST_CAPS || (shape.gap.is_some() && over.min(under) >= 1);
    (stands_out && narrow).then_some(Caps { top: shape.top - up, bottom: shape.bottom + down, width })
}

/// The level at a share of the line's height above the ground, and the reach of the line's own blur at that level.
fn level_above_ground(grid: &Grid<u8>, shape: &Shape, share: f64) -> Option<(u8, Reach)> {
    let middle = usize::midpoint(shape.top, shape.bottom);
    // Of an arm its inner part, away from the cap; of a whole line all but its ends.
    let eighths = |first: usize, last: usize, eighths: std::ops::Range<usize>| {
        eighths.map(move |i| first + i * (last - first) / 8)
    };
    let inside: Vec<usize> = match shape.gap {
        Some((first, last)) => {
            eighths(shape.left, first - 1, 4..7).chain(eighths(last + 1, shape.right, 2..5)).collect()
        }
        None => eighths(shape.left, shape.right, 1..8).collect(),
    };
    let rows = shape.top.saturating_sub(5)..(shape.bottom + 6).min(grid.height());
    let darkest = |x: usize| rows.clone().map(|y| grid.at(x, y)).min().unwrap_or(u8::MAX);
    let mean = |level: &dyn Fn(usize) -> u8| {
        inside.iter().map(|&x| f64::from(level(x))).sum::<f64>() / inside.len().max(1) as f64
    };
    let ground = mean(&darkest);
    let line = mean(&|x| grid.at(x, middle));
    let level = (ground + share * (line - ground)).clamp(1.0, 255.0) as u8;
    let mut reaches: Vec<Reach> = inside.iter().filter_map(|&x| reach(grid, level, x, shape)).collect();
    reaches.sort_unstable();
    Some((level, *reaches.get(reaches.len() / 2)?))
}

/// Length of the level run through column `x` of a row.
fn width_at(grid: &Grid<u8>, level: u8, x: usize, y: usize) -> usize {
    let row = grid.row(y);
    let left = row[..x].iter().rev().take_while(|&&v| v >= level).count();
    let right = row[x..].iter().take_while(|&&v| v >= level).count();
    left + right
}

/// How far the upright run in column `x` that crosses the line reaches out of it.
fn reach(grid: &Grid<u8>, level: u8, x: usize, shape: &Shape) -> Option<Reach> {
    let bright = |y: &usize| grid.at(x, *y) >= level;
    let farthest = shape.length() / 2 + 2;
    if !bright(&usize::midpoint(shape.top, shape.bottom)) {
        return None;
    }
    let up = (shape.top.saturating_sub(farthest)..shape.top).rev().take_while(bright).count();
    let down = (shape.bottom + 1..grid.height().min(shape.bottom + farthest)).take_while(bright).count();
    Some((up, down))
}
