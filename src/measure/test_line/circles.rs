//! Three concentric circles: their samples, and the walk around them.

use std::f64::consts::TAU;
use std::ops::Range;

use super::walk::{Kept, LineCount, Walk, tile_of};
use crate::grid::Grid;
use crate::units::Spacing;

/// Circumferences of the three circles, in sixths of the sum.
const CIRCLES: [f64; 3] = [1.0, 2.0 / 3.0, 1.0 / 3.0];

/// Units of length around the largest circle.
const UNITS_AROUND: f64 = 16_777_216.0;

/// Three concentric circles with circumferences 3 : 2 : 1, the largest as large as the frame allows, which take labels
/// band by band over the rows of a map.
///
/// Their arcs are not chords, so none are kept.
pub(crate) struct Circles {
    size: (usize, usize),
    unit: f64,
    kept: Kept,
    circles: [Vec<ArcSample>; 3],
    /// Every pixel that a sample looks at, by rows: row, circle, sample, and which of its two.
    looks: Vec<(u32, u8, u32, u8)>,
}

impl Circles {
    /// Over a map of `size` columns and rows.
    pub fn new(size: (usize, usize), spacing: Spacing, kept: Kept) -> Self {
        let (wide, high) = ((size.0 - 1) as f64 * spacing.x, (size.1 - 1) as f64 * spacing.y);
        let radius = wide.min(high) / 2.0;
        let circles = CIRCLES.map(|share| circle_samples(size, spacing, radius * share));
        let samples = circles.iter().zip(0u8..).flat_map(|(samples, circle)| {
            samples.iter().zip(0u32..).map(move |(sample, index)| (sample, circle, index))
        });
        let mut looks: Vec<(u32, u8, u32, u8)> = samples
            .flat_map(|(sample, circle, index)| {
                [0u8, 1].map(|which| (sample.pixels[usize::from(which)].1 as u32, circle, index, which))
            })
            .collect();
        looks.sort_unstable();
        let unit = (TAU * radius / UNITS_AROUND).max(f64::MIN_POSITIVE);
        Self { size, unit, kept, circles, looks }
    }

    /// Takes the labels of the rows `own` of the map; `rows` holds them, from row `top` of the map on.
    pub fn look(&mut self, top: usize, rows: &Grid<u32>, own: Range<usize>) {
        let first = self.looks.partition_point(|look| (look.0 as usize) < own.start);
        let end = self.looks.partition_point(|look| (look.0 as usize) < own.end);
        for &(y, circle, index, which) in &self.looks[first..end] {
            let sample = &mut self.circles[usize::from(circle)][index as usize];
            let which = usize::from(which);
            sample.labels[which] = rows.at(sample.pixels[which].0, y as usize - top);
        }
    }

    /// What the circles count, once every row has been looked at.
    pub fn finish(self) -> LineCount {
        let mut count = LineCount::new(self.unit, self.kept);
        for (share, samples) in CIRCLES.iter().zip(&self.circles) {
            walk_circle(self.size, samples, (UNITS_AROUND * share).round() as u64, &mut count);
        }
        count.chords.clear();
        count
    }
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
    /// What the map says there; 0 until it has been looked at.
    labels: [u32; 2],
}

fn walk_circle(size: (usize, usize), samples: &[ArcSample], around: u64, count: &mut LineCount) {
    let label = |s: &ArcSample| (s.labels[0], s.labels[1]);
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
        count.take(&mut walk, label(sample), (from, to - from), || tile_of(size, x, y));
        from = to;
    }
    let (x, y) = samples[origin].pixels[0];
    count.end(&walk, around, tile_of(size, x, y));
}

/// The whole numbers either side of `value`, the nearer one first.
fn nearer_first(value: f64) -> [usize; 2] {
    let near = value.round();
    [near as usize, if near > value { value.floor() } else { value.ceil() } as usize]
}

/// One sample a row where the circle is steep and one a column where it is flat, by angle.
fn circle_samples(size: (usize, usize), spacing: Spacing, radius: f64) -> Vec<ArcSample> {
    let (last_x, last_y) = ((size.0 - 1) as f64, (size.1 - 1) as f64);
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
            samples.push(ArcSample { angle: angle(x, y as f64), pixels, labels: [0; 2] });
        }
    }
    for x in whole(centre_x, a * a / diagonal) {
        let reach = b * (1.0 - ((x as f64 - centre_x) / a).powi(2)).sqrt();
        for y in [centre_y - reach, centre_y + reach].map(|y| y.clamp(0.0, last_y)) {
            let pixels = nearer_first(y).map(|y| (x, y));
            samples.push(ArcSample { angle: angle(x as f64, y), pixels, labels: [0; 2] });
        }
    }
    samples.sort_by(|s, t| s.angle.total_cmp(&t.angle));
    samples
}
