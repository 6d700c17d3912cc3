//! How likely a shape is the scale bar, and why.

use super::surroundings::{self, Surroundings};
use super::{Bar, BarStyle, Shape, ends, text};
use crate::grid::Grid;
use crate::micrograph::InfoStrip;

/// A bar at or above this confidence is used without a warning.
const CERTAIN: f64 = 0.7;
/// A bar whose length is less certain than this share of it is used with a warning.
const MOST_UNCERTAINTY: f64 = 0.025;
/// A rival of another length this close in confidence makes the best one uncertain.
const CLEAR_LEAD: f64 = 0.1;
/// Drafts this far behind the best one cannot catch up, whatever their label.
const WORTH_A_LOOK: f64 = 0.45;
/// What a whole label is worth, and a gap without letters.
const LETTERS: f64 = 0.2;
const NO_LETTERS: f64 = -0.25;
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
    /// Whether it is two lines with letters between them.
    pub(in crate::scale) is_broken: bool,
    /// Whether it reaches the left or right rim of the picture: a picture that was cropped may have lost a part of it.
    pub is_cut: bool,
}

impl BarCandidate {
    pub(super) fn new(bar: Bar, confidence: f64, reasons: Vec<String>) -> Self {
        Self { bar, confidence, reasons, rivalled: false, is_broken: false, is_cut: false }
    }

    /// Whether it may be used without asking anyone.
    pub fn is_certain(&self) -> bool {
        self.is_likely() && !self.rivalled && !self.is_blurred() && !self.is_cut
    }

    /// Whether its own looks are enough, rivals left aside.
    pub fn is_likely(&self) -> bool {
        self.confidence >= CERTAIN
    }

    /// Whether its ends are so blurred or ragged that its length is in doubt.
    pub fn is_blurred(&self) -> bool {
        self.bar.uncertainty_px > MOST_UNCERTAINTY * self.bar.length_px()
    }

    /// Takes the worth of letters in its gap off again, for these have turned out to be none.
    pub(in crate::scale) fn without_letters(&mut self, reason: &str) {
        self.confidence = (self.confidence - LETTERS + NO_LETTERS).max(0.0);
        self.reasons.push(reason.to_owned());
    }

    /// What makes it uncertain, in words.
    pub fn doubt(&self) -> String {
        if self.is_cut {
            "it reaches the rim of the picture, where a part of it may be cut off".to_owned()
        } else if self.rivalled {
            "another shape looks as much like a bar".to_owned()
        } else {
            self.reasons.join(", ")
        }
    }
}

/// The candidates by falling confidence, each bar once.
pub(super) fn ranked(mut candidates: Vec<BarCandidate>, most: usize) -> Vec<BarCandidate> {
    let whole: Vec<Bar> =
        candidates.iter().filter(|c| c.is_broken && c.confidence >= CERTAIN).map(|c| c.bar).collect();
    candidates.retain(|c| c.is_broken || !whole.iter().any(|bar| is_half(&c.bar, bar)));
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

/// Whether a bar is one half of a broken one.
fn is_half(part: &Bar, whole: &Bar) -> bool {
    (part.row_px - whole.row_px).abs() <= 4.0
        && part.left_px >= whole.left_px - 4.0
        && part.right_px <= whole.right_px + 4.0
        && part.length_px() < 0.7 * whole.length_px()
}

fn overlap(a: &Bar, b: &Bar) -> bool {
    let shared = a.right_px.min(b.right_px) - a.left_px.max(b.left_px);
    (a.row_px - b.row_px).abs() <= 8.0 && shared > 0.5 * a.length_px().min(b.length_px())
}

/// A bar that ends nearer than this to the left or right rim, in px, shows no ground beyond that end.
const RIM_PX: f64 = 0.5;

/// Shorter than this, in px or as a share of the picture's width, no one draws a bar.
const SHORTEST_PX: usize = 20;
const SHORTEST_SHARE: f64 = 0.035;

/// A shape that may be a bar, before its label is looked for.
pub(super) struct Draft<'a> {
    grid: &'a Grid<u8>,
    shape: Shape,
    /// Levels at which letters are cut out: that of the bar, half way from the ground to the bar, and nearer the ground.
    levels: [u8; 3],
    confidence: f64,
    reasons: Vec<String>,
}

/// The shape with what its own looks and place are worth, unless they rule it out.
pub(super) fn draft(
    grid: &Grid<u8>,
    threshold: u8,
    shape: Shape,
    strip: Option<InfoStrip>,
) -> Option<Draft<'_>> {
    let width = grid.width();
    let shortest = (SHORTEST_SHARE * width as f64).max(SHORTEST_PX as f64);
    if shape.length() * 10 > width * 9 || (shape.length() as f64) < shortest {
        return None;
    }
    let around = surroundings::look(grid, threshold, &shape);
    if around.above < 0.6 || around.below < 0.6 || around.contrast < 0.12 {
        return None;
    }
    if shape.style == BarStyle::Solid && is_part_of_box(grid, threshold, &shape) {
        return None;
    }
    // Lines with caps or a gap are drawn on even ground; grain boundaries and letters make chance ones.
    let plain = shape.style == BarStyle::Solid && shape.gap.is_none();
    if !plain && (around.ground_unevenness > 0.06 || around.unevenness > 0.1) {
        return None;
    }
    let (confidence, reasons) = weigh(grid, &shape, &around, strip);
    let between = |share: f64| (255.0 * (around.level - share * around.contrast)).clamp(1.0, 254.0) as u8;
    let levels = [threshold, between(0.5), between(0.7)];
    Some(Draft { grid, shape, levels, confidence, reasons })
}

/// The most likely drafts, each shape once.
pub(super) fn best_drafts(mut drafts: Vec<Draft<'_>>, most: usize) -> Vec<Draft<'_>> {
    drafts.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let mut kept: Vec<Draft> = Vec::new();
    for draft in drafts {
        let same = |k: &Draft| {
            let near = |a: usize, b: usize| a.abs_diff(b) <= 4;
            // A broken reading may yet be refused for want of a label in its gap; the whole line then stands.
            k.shape.gap.is_some() == draft.shape.gap.is_some()
                && near(k.shape.left, draft.shape.left)
                && near(k.shape.right, draft.shape.right)
                && near(k.shape.top, draft.shape.top)
        };
        let likely =
            kept.first().is_none_or(|best: &Draft| draft.confidence > best.confidence - WORTH_A_LOOK);
        if kept.len() < most && likely && !kept.iter().any(same) {
            kept.push(draft);
        }
    }
    kept
}

/// The draft with its label and its ends measured; `None` where no length is left between its ends.
pub(super) fn judge(draft: &Draft<'_>) -> Option<BarCandidate> {
    let Draft { grid, shape, levels, .. } = draft;
    let label = text::label_at_levels(grid, levels, shape);
    let (worth, reason) = match label.parts {
        _ if shape.gap.is_some() && !label.in_gap => (NO_LETTERS, "no letters in its gap"),
        0 | 1 => (-0.1, "no label near it"),
        2 => (0.1, "a short label near it"),
        _ => (LETTERS, "a label near it"),
    };
    let (left_px, right_px) = ends::measure(grid, shape);
    if right_px - left_px < 4.0 {
        return None;
    }
    let row_px = (shape.top + shape.bottom + 1) as f64 / 2.0;
    let uncertainty_px = uncertainty_px(shape, left_px, right_px);
    let bar = Bar { left_px, right_px, row_px, style: shape.style, uncertainty_px };
    let mut reasons = draft.reasons.clone();
    reasons.push(reason.to_owned());
    let confidence = (draft.confidence + worth).clamp(0.0, 1.0);
    let is_cut = left_px < RIM_PX || right_px > grid.width() as f64 - RIM_PX;
    Some(BarCandidate {
        is_broken: shape.gap.is_some(),
        is_cut,
        ..BarCandidate::new(bar, confidence, reasons)
    })
}

/// Standard uncertainty of a bar's length: half a pixel for the reading of a sharp bar, and more where its ends are
/// ragged or where their half height lies away from where the bar was cut out.
fn uncertainty_px(shape: &Shape, left_px: f64, right_px: f64) -> f64 {
    let cut = (left_px - shape.left as f64).abs().max((right_px - (shape.right + 1) as f64).abs());
    let blurred = if shape.caps.is_some() { 0.0 } else { 0.3 * cut };
    0.5f64.hypot(shape.raggedness).hypot(blurred)
}

fn weigh(
    grid: &Grid<u8>,
    shape: &Shape,
    around: &Surroundings,
    strip: Option<InfoStrip>,
) -> (f64, Vec<String>) {
    let mut reasons = Vec::new();
    let mut confidence: f64 = 0.05;
    let mut add = |value: f64, reason: &str| {
        confidence += value;
        reasons.push(reason.to_owned());
    };
    let middle = usize::midpoint(shape.top, shape.bottom);
    let height = grid.height();
    if strip.is_some_and(|s| (s.first_row_px.saturating_sub(4)..s.first_row_px + s.rows_px).contains(&middle))
    {
        add(0.2, "in the info strip");
    } else if middle * 4 > height * 3 {
        add(0.14, "in the lower quarter");
    } else if middle * 6 > height && middle * 3 < height * 2 {
        add(-0.15, "in the middle of the picture");
    }
    match (shape.style, shape.gap) {
        (BarStyle::Bracket, Some(_)) => add(0.25, "a broken line with end caps"),
        (BarStyle::Bracket, None) => add(0.25, "a line with end caps"),
        (_, Some(_)) => add(0.2, "a line broken by a label"),
        _ => {}
    }
    if shape.thickness() < 2 && shape.caps.is_none() && shape.gap.is_none() {
        add(-0.15, "only one pixel thick");
    }
    if shape.top == 0 || shape.bottom + 1 == height {
        add(-0.2, "at the very rim");
    }
    if shape.thickness() > 1 {
        add(
            0.12 * (1.0 - shape.raggedness).max(-1.0),
            if shape.raggedness < 0.5 { "straight ends" } else { "ragged ends" },
        );
    }
    if around.contrast > 0.35 {
        add(0.1, "strong contrast");
    }
    if around.level > 0.95 {
        add(0.06, "full black or white");
    }
    let even = around.unevenness < 0.03;
    add(
        0.14 * (1.0 - around.unevenness / 0.03).max(-1.0),
        if even { "even brightness" } else { "uneven brightness" },
    );
    let free = around.above.min(around.below);
    if free > 0.95 {
        add(0.12, "free on both sides");
    } else if free < 0.8 {
        add(-0.12, "something touches it");
    }
    if around.rounded {
        add(-0.15, "rounded corners");
    }
    if !around.sharp_ends {
        add(-0.15, "it seems to go on beyond an end");
    }
    if shape.left == 0 || shape.right + 1 == grid.width() {
        add(-0.06, "it touches the rim");
    }
    (confidence, reasons)
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
