//! How likely a shape is the scale bar, and why.

use super::{Bar, BarStyle, Shape, ends, text};
use crate::grid::Grid;
use crate::micrograph::InfoStrip;

/// A bar at or above this confidence is used without a warning.
const CERTAIN: f64 = 0.6;
/// A rival of another length this close in confidence makes the best one uncertain.
const CLEAR_LEAD: f64 = 0.1;
/// Lengths this close are the same bar.
const SAME_LENGTH: f64 = 0.03;

/// A possible scale bar.
#[derive(Clone, Debug, PartialEq)]
pub struct BarCandidate {
    /// Where it is and how long.
    pub bar: Bar,
    /// From 0 to 1: how much speaks for a scale bar.
    pub confidence: f64,
    /// What speaks for it and against it.
    pub reasons: Vec<String>,
    /// Whether another candidate of another length is nearly as likely.
    pub rivalled: bool,
}

impl BarCandidate {
    pub(super) fn new(bar: Bar, confidence: f64, reasons: Vec<String>) -> Self {
        Self { bar, confidence, reasons, rivalled: false }
    }

    /// Whether it may be used without asking anyone.
    pub fn is_certain(&self) -> bool {
        self.confidence >= CERTAIN && !self.rivalled
    }

    /// What makes it uncertain, in words.
    pub fn doubt(&self) -> String {
        if self.rivalled {
            "another shape looks as much like a bar".to_owned()
        } else {
            self.reasons.join(", ")
        }
    }
}

/// The candidates by falling confidence, each bar once.
pub(super) fn ranked(mut candidates: Vec<BarCandidate>, most: usize) -> Vec<BarCandidate> {
    candidates.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let mut kept: Vec<BarCandidate> = Vec::new();
    for candidate in candidates {
        if kept.len() < most && !kept.iter().any(|k| overlap(&k.bar, &candidate.bar)) {
            kept.push(candidate);
        }
    }
    if let [best, next, ..] = kept.as_mut_slice() {
        let ratio = best.bar.length_px() / next.bar.length_px();
        best.rivalled = best.confidence - next.confidence < CLEAR_LEAD && ratio.ln().abs() > SAME_LENGTH;
    }
    kept
}

fn overlap(a: &Bar, b: &Bar) -> bool {
    let shared = a.right_px.min(b.right_px) - a.left_px.max(b.left_px);
    (a.row_px - b.row_px).abs() <= 8.0 && shared > 0.5 * a.length_px().min(b.length_px())
}

/// What surrounds a shape, as shares from 0 to 1 of the places looked at.
struct Surroundings {
    /// Columns with darker ground just above, and just below.
    above: f64,
    below: f64,
    /// Mean difference in level from the bar to the ground around it, over 255.
    contrast: f64,
    /// Mean difference of the levels inside from their mean, over 255.
    unevenness: f64,
}

/// The shape as a candidate, unless something rules it out.
pub(super) fn judge(
    grid: &Grid<u8>,
    threshold: u8,
    shape: &Shape,
    strip: Option<InfoStrip>,
) -> Option<BarCandidate> {
    let width = grid.width();
    if shape.length() * 10 > width * 9 {
        return None;
    }
    let around = surroundings(grid, threshold, shape);
    if around.above < 0.6 || around.below < 0.6 || around.contrast < 0.12 {
        return None;
    }
    if shape.style == BarStyle::Solid && is_part_of_box(grid, threshold, shape) {
        return None;
    }
    let parts = text::label_parts(grid, threshold, shape);
    let (left_px, right_px) = ends::measure(grid, threshold, shape);
    if right_px - left_px < 4.0 {
        return None;
    }
    let row_px = (shape.top + shape.bottom + 1) as f64 / 2.0;
    let uncertainty_px = (0.35 + shape.raggedness).max(0.5);
    let bar = Bar { left_px, right_px, row_px, style: shape.style, uncertainty_px };
    let (confidence, reasons) = weigh(grid, shape, &around, parts, strip);
    Some(BarCandidate::new(bar, confidence, reasons))
}

fn weigh(
    grid: &Grid<u8>,
    shape: &Shape,
    around: &Surroundings,
    parts: usize,
    strip: Option<InfoStrip>,
) -> (f64, Vec<String>) {
    let mut reasons = Vec::new();
    let mut confidence: f64 = 0.25;
    let mut add = |value: f64, reason: &str| {
        confidence += value;
        reasons.push(reason.to_owned());
    };
    match parts {
        0 | 1 => add(-0.1, "no label near it"),
        2 => add(0.12, "a short label near it"),
        _ => add(0.22, "a label near it"),
    }
    let middle = usize::midpoint(shape.top, shape.bottom);
    let in_strip = strip
        .is_some_and(|s| (s.first_row_px.saturating_sub(4)..s.first_row_px + s.rows_px).contains(&middle));
    let height = grid.height();
    if in_strip {
        add(0.2, "in the info strip");
    } else if middle * 4 > height * 3 {
        add(0.12, "in the lower quarter");
    } else if middle * 6 < height {
        add(0.02, "in the upper rim");
    } else {
        add(-0.15, "in the middle of the picture");
    }
    match (shape.style, shape.gap) {
        (BarStyle::Bracket, Some(_)) => add(0.3, "a broken line with end caps"),
        (BarStyle::Bracket, None) => add(0.2, "a line with end caps"),
        (_, Some(_)) => add(0.15, "a broken line"),
        _ => {}
    }
    if shape.thickness() < 2 && shape.style == BarStyle::Solid {
        add(-0.1, "only one pixel thick");
    }
    if shape.raggedness > 1.0 {
        add(-0.15, "ragged ends");
    } else if shape.raggedness < 0.4 && shape.thickness() > 1 {
        add(0.1, "straight ends");
    }
    if around.contrast > 0.35 {
        add(0.1, "strong contrast");
    }
    if around.unevenness < 0.03 {
        add(0.1, "even brightness");
    } else if around.unevenness > 0.08 {
        add(-0.1, "uneven brightness");
    }
    if around.above.min(around.below) > 0.95 {
        add(0.08, "free on both sides");
    }
    if shape.left == 0 || shape.right + 1 == grid.width() {
        add(-0.08, "it touches the rim");
    }
    (confidence.clamp(0.0, 1.0), reasons)
}

fn surroundings(grid: &Grid<u8>, threshold: u8, shape: &Shape) -> Surroundings {
    let columns: Vec<usize> = (shape.left + 1..shape.right)
        .filter(|x| !shape.gap.is_some_and(|(a, b)| (a..=b).contains(x)))
        .collect();
    let count = columns.len().max(1) as f64;
    let inside: f64 =
        columns.iter().map(|&x| f64::from(grid.at(x, usize::midpoint(shape.top, shape.bottom)))).sum::<f64>()
            / count;
    let unevenness = columns
        .iter()
        .map(|&x| (f64::from(grid.at(x, usize::midpoint(shape.top, shape.bottom))) - inside).abs())
        .sum::<f64>()
        / count
        / 255.0;
    let (above, ground_above) = side(grid, threshold, &columns, (1..=4).map(|d| shape.top.checked_sub(d)));
    let (below, ground_below) = side(
        grid,
        threshold,
        &columns,
        (1..=4).map(|d| Some(shape.bottom + d).filter(|&y| y < grid.height())),
    );
    let ground = match (ground_above, ground_below) {
        (Some(a), Some(b)) => f64::midpoint(a, b),
        (Some(a), None) | (None, Some(a)) => a,
        (None, None) => inside,
    };
    Surroundings { above, below, contrast: (inside - ground) / 255.0, unevenness }
}

/// Share of columns that are below the threshold within some rows beside the bar, and their darkest mean level.
///
/// At the rim of the picture there is no ground to see, and nothing speaks against the bar.
fn side(
    grid: &Grid<u8>,
    threshold: u8,
    columns: &[usize],
    rows: impl Iterator<Item = Option<usize>>,
) -> (f64, Option<f64>) {
    let rows: Vec<usize> = rows.flatten().collect();
    if rows.is_empty() {
        return (1.0, None);
    }
    let darkest = |x: usize| rows.iter().map(|&y| grid.at(x, y)).min().unwrap_or(255);
    let free = columns.iter().filter(|&&x| darkest(x) < threshold).count();
    let mean = columns.iter().map(|&x| f64::from(darkest(x))).sum::<f64>() / columns.len().max(1) as f64;
    (free as f64 / columns.len().max(1) as f64, Some(mean))
}

/// Whether both ends go on upwards, or both downwards: the margin of a box around something else.
fn is_part_of_box(grid: &Grid<u8>, threshold: u8, shape: &Shape) -> bool {
    let bright = |x: usize, y: usize| grid.at(x, y) >= threshold;
    let goes_on = |y: usize| [shape.left + 1, shape.right - 1].iter().all(|&x| bright(x, y));
    let distance = 3;
    let up = shape.top.checked_sub(distance).is_some_and(goes_on);
    let down = Some(shape.bottom + distance).filter(|&y| y < grid.height()).is_some_and(goes_on);
    up || down
}
