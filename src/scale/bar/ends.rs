//! Ends of a shape to a fraction of a pixel.

use super::{BarStyle, Shape};
use crate::grid::Grid;

/// Pixels outside an end over which the ground is averaged.
const GROUND: std::ops::Range<usize> = 3..8;
/// How far inside the end the level of the bar is taken.
const INSIDE: usize = 3;

/// Left and right end in px from the left rim, where pixel x reaches from x to x + 1.
pub(super) fn measure(grid: &Grid<u8>, threshold: u8, shape: &Shape) -> (f64, f64) {
    match (shape.style, shape.caps) {
        (BarStyle::Bracket, Some(caps)) => (
            cap_centre(grid, threshold, shape, caps, shape.left),
            cap_centre(grid, threshold, shape, caps, shape.right),
        ),
        _ => (left_end(grid, shape), right_end(grid, shape)),
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
/// A profile that ends before it falls, at the rim of the picture, ends there.
fn half_height(profile: &[f64]) -> f64 {
    let inside = profile[..profile.len().min(2)].iter().sum::<f64>() / profile.len().min(2) as f64;
    let ground: Vec<f64> = profile.iter().copied().skip(INSIDE + 1 + GROUND.start).collect();
    if ground.is_empty() {
        return profile.len() as f64;
    }
    let half = f64::midpoint(inside, ground.iter().sum::<f64>() / ground.len() as f64);
    // Levels belong to pixel centres, half a pixel after the column's left side.
    profile.windows(2).position(|pair| pair[0] >= half && pair[1] < half).map_or(profile.len() as f64, |i| {
        i as f64 + 0.5 + (profile[i] - half) / (profile[i] - profile[i + 1])
    })
}

/// Centre of the cap near column `end`, weighted by how far each column stands out of the line.
fn cap_centre(grid: &Grid<u8>, threshold: u8, shape: &Shape, caps: (usize, usize), end: usize) -> f64 {
    let rows: Vec<usize> =
        (caps.0..=caps.1).filter(|y| *y + 1 < shape.top || *y > shape.bottom + 1).collect();
    let rows = if rows.is_empty() { (caps.0..=caps.1).collect() } else { rows };
    let reach = 5;
    let columns = end.saturating_sub(reach)..=(end + reach).min(grid.width() - 1);
    let ground = f64::from(threshold) / 2.0;
    let (mut weight, mut moment) = (0.0, 0.0);
    for x in columns {
        let mean = rows.iter().map(|&y| f64::from(grid.at(x, y))).sum::<f64>() / rows.len() as f64;
        let above = (mean - ground).max(0.0);
        weight += above;
        moment += above * (x as f64 + 0.5);
    }
    if weight > 0.0 { moment / weight } else { end as f64 + 0.5 }
}
