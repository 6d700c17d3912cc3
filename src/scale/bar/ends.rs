//! Ends of a shape to a fraction of a pixel.

use super::{Caps, Shape};
use crate::grid::Grid;

/// Pixels outside an end over which the ground is averaged.
const GROUND: std::ops::Range<usize> = 3..8;
/// How far inside the end the level of the bar is taken.
const INSIDE: usize = 3;

/// Left and right end in px from the left rim, where pixel x reaches from x to x + 1.
pub(super) fn measure(grid: &Grid<u8>, shape: &Shape) -> (f64, f64) {
    match shape.caps {
        Some(caps) => (cap_centre(grid, shape, caps, Side::Left), cap_centre(grid, shape, caps, Side::Right)),
        None => (left_end(grid, shape), right_end(grid, shape)),
    }
}

/// Mean level of column `x` over the rows of the bar, its outermost rows left out where it is thick enough.
fn column(grid: &Grid<u8>, shape: &Shape, x: usize) -> f64 {
    let margin = usize::from(shape.thickness() > 3);
    let rows = shape.top + margin..=shape.bottom - margin;
    let count = rows.clone().count();
    rows.map(|y| f64::from(grid.at(x, y))).sum::<f64>() / count as f64
}

fn left_end(grid: &Grid<u8>, shape: &Shape) -> f64 {
    let profile: Vec<f64> = (0..=shape.left + INSIDE)
        .rev()
        .take(INSIDE + 1 + GROUND.end)
        .map(|x| column(grid, shape, x))
        .collect();
    (shape.left + INSIDE + 1) as f64 - half_height(&profile)
}

fn right_end(grid: &Grid<u8>, shape: &Shape) -> f64 {
    let first = shape.right.saturating_sub(INSIDE);
    let profile: Vec<f64> =
        (first..grid.width()).take(INSIDE + 1 + GROUND.end).map(|x| column(grid, shape, x)).collect();
    first as f64 + half_height(&profile)
}

/// Distance from the start of a profile, which begins inside the bar, to where it falls to half height.
///
/// Where the rim of the picture is near, the outermost pixel is the ground. A profile that the rim ends before that of the
/// bar ends with it.
fn half_height(profile: &[f64]) -> f64 {
    let inside = profile[..profile.len().min(2)].iter().sum::<f64>() / profile.len().min(2) as f64;
    if profile.len() <= INSIDE + 1 {
        return profile.len() as f64;
    }
    let ground = &profile[(INSIDE + 1 + GROUND.start).min(profile.len() - 1)..];
    let half = f64::midpoint(inside, ground.iter().sum::<f64>() / ground.len() as f64);
    // Levels belong to pixel centres, half a pixel after the column's left side.
    profile.windows(2).position(|pair| pair[0] >= half && pair[1] < half).map_or(profile.len() as f64, |i| {
        i as f64 + 0.5 + (profile[i] - half) / (profile[i] - profile[i + 1])
    })
}

/// Columns on either side of the end of a line that may hold its cap.
const CAP_REACH: usize = 4;
/// Columns inside the line whose blur is taken off, counted from its end.
const LINE_SAMPLE: std::ops::Range<usize> = 7..13;

/// Which end of a line.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    Left,
    Right,
}

/// Centre of the cap at one end, weighted by how far each column stands out of the line's own blur.
fn cap_centre(grid: &Grid<u8>, shape: &Shape, caps: Caps, side: Side) -> f64 {
    // The blurred rim of the line is left out where the caps are tall enough.
    let apart = |margin: usize| -> Vec<usize> {
        (caps.top..=caps.bottom).filter(|y| y + margin < shape.top || *y > shape.bottom + margin).collect()
    };
    let rows = Some(apart(1)).filter(|rows| rows.len() >= 4).unwrap_or_else(|| apart(0));
    let level =
        |x: usize| rows.iter().map(|&y| f64::from(grid.at(x, y))).sum::<f64>() / rows.len().max(1) as f64;
    let end = if side == Side::Left { shape.left } else { shape.right };
    // Behind a short arm the label begins.
    let sample = if shape.arm() < LINE_SAMPLE.end { shape.arm() / 2..shape.arm() } else { LINE_SAMPLE };
    let count = sample.len();
    let inside = sample.map(|d| if side == Side::Left { end + d } else { end.saturating_sub(d) });
    let line = inside.map(|x| level(x.min(grid.width() - 1))).sum::<f64>() / count as f64;
    let columns = end.saturating_sub(CAP_REACH)..=(end + CAP_REACH).min(grid.width() - 1);
    let highest = columns.clone().map(level).fold(0.0, f64::max);
    // A tenth of the height keeps noise far from the cap out of the balance.
    let ground = line + 0.1 * (highest - line);
    let (mut weight, mut moment) = (0.0, 0.0);
    for x in columns {
        let above = (level(x) - ground).max(0.0);
        weight += above;
        moment += above * (x as f64 + 0.5);
    }
    if weight > 0.0 { moment / weight } else { end as f64 + 0.5 }
}
