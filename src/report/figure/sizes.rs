//! What the figures of grain size share: words, classes and axes.

use super::axis::{Axis, TEXT_PT};
use super::canvas::{self, Anchor, BAR_FILL, CURVE, Canvas, INK, Marker, Stroke, Style, shortened, style};
use super::legend::{self, Entry, Sample as Mark};
use crate::measure::distribution::class_edges;
use crate::report::name::printable;
use crate::report::number::{count, significant, with_interval};
use crate::report::phrase::counted;
use crate::study::samples::{Quantity, Sample, Weighting};

/// White around pictures.
pub(super) const MARGIN_MM: f64 = 2.5;

/// Height of a journal page that a figure may fill.
pub(super) const PAGE_MM: f64 = 235.0;

const RIGHT_MM: f64 = 3.0;
const BELOW_MM: f64 = 9.5;

/// Sizes of one or several specimens in one unit, and what they are.
#[derive(Clone, Debug)]
pub struct SizeFigure {
    /// What counts as a size.
    pub quantity: Quantity,
    /// How much each size counts.
    pub weighting: Weighting,
    /// One entry for each specimen, never empty.
    pub samples: Vec<Sample>,
}

impl SizeFigure {
    /// A line for those who cannot see the figure.
    pub fn title(&self) -> String {
        let names: Vec<String> = self.samples.iter().map(|sample| printable(&sample.name)).collect();
        format!("grain size of {}: {}, {}", names.join(", "), self.axis_label(), self.share_of())
    }

    /// The axis of sizes.
    pub fn axis_label(&self) -> String {
        let quantity = match self.quantity {
            Quantity::Diameters => "equivalent circle diameter",
            Quantity::Chords => "chord length",
        };
        format!("{quantity}, {}", self.samples[0].unit.symbol())
    }

    /// What the percents of the figure are a share of.
    pub fn share_of(&self) -> &'static str {
        match (self.quantity, self.weighting) {
            (Quantity::Diameters, Weighting::Number) => "share of grains",
            (Quantity::Diameters, Weighting::Area) => "share of grain area",
            (Quantity::Chords, _) => "share of chords",
        }
    }

    /// What ± means, or that there is none.
    pub fn interval_note(&self) -> String {
        let with = self.samples.iter().filter(|sample| sample.mean.half_width.is_some()).count();
        if with == 0 {
            "one field: no interval".into()
        } else if with < self.samples.len() {
            "±: half 95 % t-interval over fields; none for one".into()
        } else {
            "±: half of the 95 % t-interval over fields".into()
        }
    }

    /// Classes that hold every size; as wide as the smallest sample allows.
    pub fn class_edges(&self) -> Vec<f64> {
        let (low, high) = self.range();
        let fewest = self.samples.iter().map(|sample| sample.sizes.count()).min().unwrap_or(0);
        class_edges(low, high, usize::try_from(fewest).unwrap_or(usize::MAX))
    }

    /// The smallest and the largest size of all.
    fn range(&self) -> (f64, f64) {
        let ranges = self.samples.iter().map(|sample| sample.sizes.range());
        ranges.fold((f64::INFINITY, 0.0), |(low, high), (l, h)| (low.min(l), high.max(h)))
    }
}

/// The mean of a sample, with half of its interval.
pub(super) fn mean_words(sample: &Sample) -> String {
    let mean = &sample.mean;
    let (low, high) = (mean.half_width.map(|h| mean.mean - h), mean.half_width.map(|h| mean.mean + h));
    format!("mean {} {}", with_interval(mean.mean, low, high), sample.unit.symbol())
}

/// Cumulative curves with their fits as SVG, `width_mm` wide; `None` if there are more specimens than styles.
pub fn size_curves(figure: &SizeFigure, width_mm: f64) -> Option<String> {
    const LEFT_MM: f64 = 14.0;
    const STYLES: usize = 12;
    let inner = width_mm - 2.0 * MARGIN_MM;
    let named = |(i, sample): (usize, &Sample)| {
        let Style { stroke, colour, .. } = style(i);
        let n = format!(" (n = {})", count(sample.sizes.count()));
        let name =
            shortened(&printable(&sample.name), TEXT_PT, inner - 9.0 - canvas::text_width(&n, TEXT_PT));
        Entry { text: name + &n, sample: Mark::Line { stroke, colour } }
    };
    let mut entries: Vec<Entry> = figure.samples.iter().enumerate().map(named).collect();
    let fine = Mark::Fine(INK);
    let fits =
        if entries.len() == 1 { "lognormal fit" } else { "lognormal fits, fine lines in the same colours" };
    entries.push(Entry { text: fits.into(), sample: fine });
    let top = 1.5 + legend::height(&entries, inner) + 2.0;
    let bottom = top + (0.58 * inner).clamp(46.0, 85.0);
    let (low, high) = figure.range();
    let across = Axis::around([low, high], true, (LEFT_MM, width_mm - RIGHT_MM))?;
    if figure.samples.len() > STYLES || bottom + BELOW_MM > PAGE_MM {
        return None;
    }
    let up = Axis { low: 0.0, high: 100.0, logarithmic: false, start: bottom, end: top };
    Some(canvas::svg((width_mm, bottom + BELOW_MM), &figure.title(), |canvas| {
        legend::draw(canvas, &entries, (MARGIN_MM, 1.5), inner);
        up.draw_grid_across(canvas, across.start, across.end);
        for (i, sample) in figure.samples.iter().enumerate() {
            draw_curve(canvas, sample, style(i), (&across, &up));
        }
        across.draw_below(canvas, bottom, &figure.axis_label());
        up.draw_left(canvas, LEFT_MM, &format!("{} below, %", figure.share_of()));
    }))
}

fn draw_curve(canvas: &Canvas, sample: &Sample, style: Style, (across, up): (&Axis, &Axis)) {
    let place = |size: f64, share: f64| (across.place(size), up.place(100.0 * share));
    if let Some(fit) = sample.sizes.lognormal(sample.unit) {
        let sizes = (0..=200).map(|i| across.value(f64::from(i) / 200.0));
        let points: Vec<_> = sizes.map(|size| place(size, fit.share_below(size))).collect();
        canvas.line(&points, style.colour, 0.18);
    }
    let points: Vec<_> = thinned(sample.sizes.cumulative()).into_iter().map(|(x, y)| place(x, y)).collect();
    canvas.stroked(&points, style.stroke, style.colour, 0.55);
}

/// Points of a rising curve that are far enough apart to be seen, ends included.
pub(super) fn thinned(curve: &[(f64, f64)]) -> Vec<(f64, f64)> {
    const LEAST_SHARE: f64 = 1.0 / 400.0;
    const LEAST_RATIO: f64 = 1.01;
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for (i, &(size, share)) in curve.iter().enumerate() {
        let far = kept.last().is_none_or(|&(s, f)| share - f >= LEAST_SHARE || size >= s * LEAST_RATIO);
        if far || i + 1 == curve.len() {
            kept.push((size, share));
        }
    }
    kept
}

/// Medians, quartiles, 10 and 90 % and means, one row for each specimen, as SVG; `None` if they do not fit on a page.
pub fn size_boxes(figure: &SizeFigure, width_mm: f64) -> Option<String> {
    const ROW_MM: f64 = 9.0;
    let texts: Vec<[String; 2]> = figure.samples.iter().map(|sample| row_words(sample, width_mm)).collect();
    let widths = texts.iter().flatten().map(|text| canvas::text_width(text, TEXT_PT));
    let left = widths.fold(0.0, f64::max) + MARGIN_MM + 2.5;
    let entries = box_entries(figure);
    let inner = width_mm - 2.0 * MARGIN_MM;
    let top = 1.5 + legend::height(&entries, inner) + 2.0;
    let bottom = top + ROW_MM * figure.samples.len() as f64;
    if bottom + BELOW_MM > PAGE_MM {
        return None;
    }
    let across = Axis::around(box_values(figure), true, (left, width_mm - RIGHT_MM))?;
    Some(canvas::svg((width_mm, bottom + BELOW_MM), &figure.title(), |canvas| {
        legend::draw(canvas, &entries, (MARGIN_MM, 1.5), inner);
        across.draw_grid(canvas, top, bottom);
        for (i, (sample, [name, n])) in figure.samples.iter().zip(&texts).enumerate() {
            let y = top + ROW_MM * (i as f64 + 0.5);
            canvas.text(name, (left - 2.5, y - 1.8), TEXT_PT, Anchor::Right);
            canvas.text(n, (left - 2.5, y + 1.8), TEXT_PT, Anchor::Right);
            draw_box(canvas, sample, &across, y);
        }
        across.draw_below(canvas, bottom, &figure.axis_label());
    }))
}

fn row_words(sample: &Sample, width_mm: f64) -> [String; 2] {
    let name = shortened(&printable(&sample.name), TEXT_PT, 0.36 * width_mm);
    [name, format!("n = {}, {}", count(sample.sizes.count()), counted(sample.mean.count, "field"))]
}

fn box_entries(figure: &SizeFigure) -> Vec<Entry> {
    let mean = if figure.samples.iter().any(|sample| sample.mean.half_width.is_some()) {
        "mean with 95 % t-interval over fields"
    } else {
        "mean; one field, no interval"
    };
    vec![
        Entry { text: "quartiles".into(), sample: Mark::Area(BAR_FILL) },
        Entry { text: "median".into(), sample: Mark::Line { stroke: Stroke::Solid, colour: INK } },
        Entry { text: "10 to 90 %".into(), sample: Mark::Fine(INK) },
        Entry { text: mean.into(), sample: Mark::Mark(MEAN) },
    ]
}

const MEAN: Style = Style { colour: CURVE, stroke: Stroke::Solid, marker: Marker::Diamond };

fn box_values(figure: &SizeFigure) -> Vec<f64> {
    let of = |sample: &Sample| {
        let (mean, half) = (sample.mean.mean, sample.mean.half_width.unwrap_or(0.0));
        // A few fields can have an interval that reaches below any size; the axis shows where it leaves.
        let low = (mean - half).max(sample.sizes.percentile(0.1) / 3.0);
        [sample.sizes.percentile(0.1), sample.sizes.percentile(0.9), low, mean + half]
    };
    figure.samples.iter().flat_map(of).collect()
}

fn draw_box(canvas: &Canvas, sample: &Sample, across: &Axis, y: f64) {
    const HALF_MM: f64 = 1.6;
    let (middle, below) = (y - 1.1, y + 2.4);
    let [p10, p25, p50, p75, p90] =
        [0.10, 0.25, 0.50, 0.75, 0.90].map(|share| across.place(sample.sizes.percentile(share)));
    for (from, to) in [(p10, p25), (p75, p90)] {
        canvas.line(&[(from, middle), (to, middle)], INK, 0.3);
    }
    for x in [p10, p90] {
        canvas.line(&[(x, middle - 1.0), (x, middle + 1.0)], INK, 0.3);
    }
    canvas.bar((p25, middle - HALF_MM), (p75, middle + HALF_MM));
    canvas.line(&[(p25, middle + HALF_MM), (p75, middle + HALF_MM)], INK, 0.2);
    canvas.line(&[(p50, middle - HALF_MM), (p50, middle + HALF_MM)], INK, 0.6);
    let mean = &sample.mean;
    if let Some(half) = mean.half_width {
        let (low, high) = (across.place(mean.mean - half), across.place(mean.mean + half));
        canvas.line(&[(low, below), (high, below)], CURVE, 0.35);
        for x in [low, high] {
            canvas.line(&[(x, below - 0.7), (x, below + 0.7)], CURVE, 0.35);
        }
    }
    canvas.mark((across.place(mean.mean), below), MEAN, 0.8);
}

/// A length with its unit, to three digits.
pub(super) fn length(value: f64, sample: &Sample) -> String {
    format!("{} {}", significant(value, 3), sample.unit.symbol())
}
