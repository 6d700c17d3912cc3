//! A shape against what lies around it: evenness, contrast, and whether it ends where it seems to end.

use super::Shape;
use crate::grid::Grid;

/// Columns beyond an end over which the ground is averaged.
const BEYOND: std::ops::Range<usize> = 4..8;
/// Columns inside an end in which the bar must have its full level; the outermost ones are blur.
const INSIDE: std::ops::Range<usize> = 2..5;

/// What surrounds a shape.
pub(super) struct Surroundings {
    /// Share of columns with darker ground just above, and just below.
    pub above: f64,
    pub below: f64,
    /// Mean difference in level from the bar to the ground around it, over 255.
    pub contrast: f64,
    /// Mean level of the bar over 255.
    pub level: f64,
    /// Mean difference of the levels inside from their mean, over 255.
    pub unevenness: f64,
    /// The same for the ground just above and below.
    pub ground_unevenness: f64,
    /// Whether the bar keeps its level up to both ends and drops behind them.
    pub sharp_ends: bool,
    /// Whether the rows just above and below are still bright along most of the bar, but not up to its ends.
    pub rounded: bool,
}

/// Rows above and below that are looked at for the ground: blur grows with the thickness of a bar.
pub(super) fn rows_beside(thickness: usize) -> usize {
    (thickness / 2).clamp(4, 12)
}

pub(super) fn look(grid: &Grid<u8>, threshold: u8, shape: &Shape) -> Surroundings {
    // Caps are no ground, nor is the blur beside them.
    let rim = shape.caps.map_or(1, |caps| (caps.width + 1).min(shape.arm() / 2));
    let columns: Vec<usize> = (shape.left + rim..=shape.right - rim)
        .filter(|x| !shape.gap.is_some_and(|(a, b)| (a..=b).contains(x)))
        .collect();
    let margin = usize::from(shape.thickness() > 3);
    let rows = shape.top + margin..=shape.bottom - margin;
    let inside: Vec<f64> =
        rows.flat_map(|y| columns.iter().map(move |&x| f64::from(grid.at(x, y)))).collect();
    let (level, unevenness) = mean_and_deviation(&inside);
    let beside = rows_beside(shape.thickness());
    let above = side(grid, threshold, &columns, shape.top.saturating_sub(beside)..shape.top);
    let below_end = (shape.bottom + 1 + beside).min(grid.height());
    let below = side(grid, threshold, &columns, shape.bottom + 1..below_end);
    let grounds: Vec<(f64, f64)> = [&above, &below].into_iter().filter_map(|side| side.ground).collect();
    let mean =
        |value: fn(&(f64, f64)) -> f64| grounds.iter().map(value).sum::<f64>() / grounds.len().max(1) as f64;
    let contrast = level - mean(|g| g.0);
    Surroundings {
        above: above.free,
        below: below.free,
        contrast: contrast / 255.0,
        level: level / 255.0,
        unevenness: unevenness / 255.0,
        ground_unevenness: mean(|g| g.1) / 255.0,
        sharp_ends: ends_are_sharp(grid, shape, level, contrast),
        rounded: is_rounded(grid, threshold, shape),
    }
}

fn mean_and_deviation(values: &[f64]) -> (f64, f64) {
    let count = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / count;
    (mean, values.iter().map(|v| (v - mean).abs()).sum::<f64>() / count)
}

struct Side {
    /// Share of columns that fall below the threshold within some rows of the bar.
    free: f64,
    /// Mean and mean deviation of the darkest level in each column; `None` at the rim of the picture.
    ground: Option<(f64, f64)>,
}

/// One side of a bar. At the rim of the picture there is no ground to see, and nothing speaks against the bar.
fn side(grid: &Grid<u8>, threshold: u8, columns: &[usize], rows: std::ops::Range<usize>) -> Side {
    if rows.is_empty() {
        return Side { free: 1.0, ground: None };
    }
    let darkest: Vec<u8> =
        columns.iter().map(|&x| rows.clone().map(|y| grid.at(x, y)).min().unwrap_or(u8::MAX)).collect();
    let free = darkest.iter().filter(|&&v| v < threshold).count() as f64 / darkest.len().max(1) as f64;
    let levels: Vec<f64> = darkest.iter().map(|&v| f64::from(v)).collect();
    Side { free, ground: Some(mean_and_deviation(&levels)) }
}

/// Whether the shape goes on, shorter, above and below, as a rod with round ends does and a drawn bar does not.
fn is_rounded(grid: &Grid<u8>, threshold: u8, shape: &Shape) -> bool {
    let bright = |y: usize| {
        let row = &grid.row(y)[shape.left..=shape.right];
        row.iter().filter(|&&v| v >= threshold).count() as f64 / row.len() as f64
    };
    let above = shape.top.checked_sub(1);
    let below = Some(shape.bottom + 1).filter(|&y| y < grid.height());
    shape.gap.is_none() && [above, below].into_iter().all(|y| y.is_some_and(|y| bright(y) > 0.5))
}

/// Whether the level holds up to both ends and falls clearly behind them.
///
/// Something bright beside a bar, or a bar that is only cut off by the threshold, fails this.
fn ends_are_sharp(grid: &Grid<u8>, shape: &Shape, level: f64, contrast: f64) -> bool {
    let middle = usize::midpoint(shape.top, shape.bottom);
    let row = grid.row(middle);
    let mean =
        |levels: &[u8]| mean_and_deviation(&levels.iter().map(|&v| f64::from(v)).collect::<Vec<_>>()).0;
    let first = &row[shape.left + INSIDE.start..shape.left + INSIDE.end];
    let last = &row[shape.right + 1 - INSIDE.end..shape.right + 1 - INSIDE.start];
    let holds = [first, last].iter().all(|part| level - mean(part) < 0.2 * contrast);
    let before = &row[shape.left.saturating_sub(BEYOND.end)..shape.left.saturating_sub(BEYOND.start)];
    let after = &row[(shape.right + BEYOND.start).min(row.len())..(shape.right + BEYOND.end).min(row.len())];
    let drops = [before, after].iter().all(|part| part.is_empty() || level - mean(part) > 0.25 * contrast);
    holds && drops
}
