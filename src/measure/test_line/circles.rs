//! Three concentric circles: their samples, and the walk around them.

use std::f64::consts::TAU;

use super::walk::{LineCount, Walk, tile_of};
use crate::grid::Grid;
use crate::units::Spacing;

/// Circumferences of the three circles, in sixths of the sum.
const CIRCLES: [f64; 3] = [1.0, 2.0 / 3.0, 1.0 / 3.0];

/// Units of length around the largest circle.
const UNITS_AROUND: f64 = 16_777_216.0;

/// Three concentric circles with circumferences 3 : 2 : 1, the largest as large as the frame allows.
///
/// Their arcs are not chords, so none are kept.
pub(crate) fn count_circles(labels: &Grid<u32>, spacing: Spacing) -> LineCount {
    let (wide, high) = ((labels.width() - 1) as f64 * spacing.x, (labels.height() - 1) as f64 * spacing.y);
    let radius = wide.min(high) / 2.0;
    let mut count = LineCount::new((TAU * radius / UNITS_AROUND).max(f64::MIN_POSITIVE));
    for share in CIRCLES {
        walk_circle(labels, spacing, radius * share, (UNITS_AROUND * share).round() as u64, &mut count);
    }
    count.chords.clear();
    count
}

/// Radii of the circles in px; none where pixels are not square, because they are no circles on the picture then.
pub(super) fn radii_px(width: usize, height: usize, spacing: Spacing) -> Vec<f64> {
    if (spacing.x / spacing.y - 1.0).abs() > 1e-9 {
        return Vec::new();
    }
    let largest = (width - 1).min(height - 1) as f64 / 2.0;
    CIRCLES.iter().map(|share| largest * share).collect()
}

/// A point of a circle where it crosses a row or column of pixel centres.
struct ArcSample {
    /// Angle from the row direction, 0 to 2π.
    angle: f64,
    /// The nearest pixel and the other one beside it.
    pixels: [(usize, usize); 2],
}

fn walk_circle(labels: &Grid<u32>, spacing: Spacing, radius: f64, around: u64, count: &mut LineCount) {
    let samples = circle_samples(labels, spacing, radius);
    let label =
        |s: &ArcSample| (labels.at(s.pixels[0].0, s.pixels[0].1), labels.at(s.pixels[1].0, s.pixels[1].1));
    // A circle has no end, so the walk begins where the grain is certain.
    let Some(origin) = samples.iter().position(|s| label(s).0 != 0 && label(s).0 == label(s).1) else {
        return;
    };
    let position = |i: usize| {
        let turns =
            (samples[i % samples.len()].angle - samples[origin].angle) / TAU + (i / samples.len()) as f64;
        (turns * around as f64).round() as u64
    };
    let mut walk = Walk::default();
    count.take(&mut walk, label(&samples[origin]), (0, 0), || 0);
    let mut from = position(origin + 1) / 2;
    for i in origin + 1..=origin + samples.len() {
        let to = (position(i) + position(i + 1)) / 2;
        let sample = &samples[i % samples.len()];
        let (x, y) = sample.pixels[0];
        count.take(&mut walk, label(sample), (from, to - from), || tile_of(labels, x, y));
        from = to;
    }
    let (x, y) = samples[origin].pixels[0];
    count.end(&walk, around, tile_of(labels, x, y));
}

/// The whole numbers either side of `value`, the nearer one first.
fn nearer_first(value: f64) -> [usize; 2] {
    let near = value.round();
    [near as usize, if near > value { value.floor() } else { value.ceil() } as usize]
}

/// One sample a row where the circle is steep and one a column where it is flat, by angle.
fn circle_samples(labels: &Grid<u32>, spacing: Spacing, radius: f64) -> Vec<ArcSample> {
    let (last_x, last_y) = ((labels.width() - 1) as f64, (labels.height() - 1) as f64);
    let (centre_x, centre_y) = (last_x / 2.0, last_y / 2.0);
    let (a, b) = (radius / spacing.x, radius / spacing.y);
    let diagonal = a.hypot(b);
    if !(a.min(b) >= 2.0 && diagonal.is_finite()) {
        return Vec::new();
    }
    let angle = |x: f64, y: f64| ((y - centre_y) / b).atan2((x - centre_x) / a).rem_euclid(TAU);
    let whole =
        |centre: f64, reach: f64| (centre - reach).ceil() as usize..=(centre + reach).floor() as usize;
    let mut samples = Vec::new();
    for y in whole(centre_y, b * b / diagonal) {
        let reach = a * (1.0 - ((y as f64 - centre_y) / b).powi(2)).sqrt();
        for x in [centre_x - reach, centre_x + reach].map(|x| x.clamp(0.0, last_x)) {
            let pixels = nearer_first(x).map(|x| (x, y));
            samples.push(ArcSample { angle: angle(x, y as f64), pixels });
        }
    }
    for x in whole(centre_x, a * a / diagonal) {
        let reach = b * (1.0 - ((x as f64 - centre_x) / a).powi(2)).sqrt();
        for y in [centre_y - reach, centre_y + reach].map(|y| y.clamp(0.0, last_y)) {
            let pixels = nearer_first(y).map(|y| (x, y));
            samples.push(ArcSample { angle: angle(x as f64, y), pixels });
        }
    }
    samples.sort_by(|s, t| s.angle.total_cmp(&t.angle));
    samples
}
