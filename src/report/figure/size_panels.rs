//! Size distributions of one or several specimens: one panel each, on shared axes.

use super::axis::{Axis, TEXT_PT};
use super::canvas::{self, Anchor, BAR_FILL, CURVE, Canvas, INK, Stroke, shortened, text_width};
use super::histogram::{Classes, draw_classes, fitted_shares};
use super::legend::{self, Entry, Sample as Mark};
use super::micrograph::MicrographPanel;
use super::sizes::{MARGIN_MM, PAGE_MM, SizeFigure, mean_words};
use crate::report::name::printable;
use crate::report::number::count;
use crate::report::phrase::counted;
use crate::study::samples::Sample;

const LEFT_MM: f64 = 14.0;
const RIGHT_MM: f64 = 3.0;
const BELOW_MM: f64 = 9.5;
const LINE_MM: f64 = 3.5;
const BETWEEN_MM: f64 = 5.0;
const NAME_PT: f64 = 8.0;

/// Where panels stand.
struct Layout {
    columns: usize,
    rows: usize,
    left: f64,
    panel_width: f64,
    /// Lines of text above each plot, and their height.
    heads: Vec<Vec<(String, f64)>>,
    head: f64,
    plot_height: f64,
    /// Top of the first panel's head.
    top: f64,
}

/// Axes and classes that all panels share.
struct Shared {
    edges: Vec<f64>,
    low: f64,
    high: f64,
    highest_percent: f64,
}

/// Histograms with the fitted lognormal curve as SVG, `width_mm` wide; `None` if they do not fit on a page.
///
/// A micrograph stands to the left of the histogram, or above it where the figure is narrow.
pub fn size_panels(
    figure: &SizeFigure,
    micrograph: Option<&MicrographPanel>,
    width_mm: f64,
) -> Option<String> {
    let beside = micrograph.is_some() && width_mm >= 120.0;
    let picture_width = if beside { 0.48 * width_mm } else { width_mm - 2.0 * MARGIN_MM };
    let picture_height = micrograph.map_or(0.0, |panel| panel.height(picture_width));
    let left = if beside { picture_width + 2.0 * MARGIN_MM } else { 0.0 };
    let above = if micrograph.is_some() && !beside { picture_height + 2.0 * MARGIN_MM } else { 0.0 };
    let entries = entries(figure);
    let inner = width_mm - left - 2.0 * MARGIN_MM;
    let note = figure.interval_note();
    let legend_top = above + 1.5;
    let note_y = legend_top + legend::height(&entries, inner) + 1.8;
    let layout = layout(figure, (left, width_mm), note_y + 2.5);
    let bottom = layout.plot(layout.rows - 1, 0).bottom;
    let height = (bottom + BELOW_MM).max(if beside { picture_height + 2.0 * MARGIN_MM } else { 0.0 });
    if height > PAGE_MM {
        return None;
    }
    let shared = shared(figure);
    Some(canvas::svg((width_mm, height), &figure.title(), |canvas| {
        if let Some(panel) = micrograph {
            panel.draw(canvas, (MARGIN_MM, MARGIN_MM), picture_width);
        }
        legend::draw(canvas, &entries, (left + MARGIN_MM, legend_top), inner);
        canvas.text(&note, (left + MARGIN_MM, note_y), TEXT_PT, Anchor::Left);
        for (index, sample) in figure.samples.iter().enumerate() {
            draw_panel(canvas, figure, (index, sample), (&layout, &shared));
        }
        draw_labels(canvas, figure, &layout, bottom);
    }))
}

fn entries(figure: &SizeFigure) -> Vec<Entry> {
    let line = |stroke, colour| Mark::Line { stroke, colour };
    vec![
        Entry { text: figure.share_of().into(), sample: Mark::Area(BAR_FILL) },
        Entry { text: "lognormal fit".into(), sample: line(Stroke::Solid, CURVE) },
        Entry { text: "mean".into(), sample: line(Stroke::Dashed, INK) },
    ]
}

/// Panels between `left` and `right` below `top`.
fn layout(figure: &SizeFigure, (left, right): (f64, f64), top: f64) -> Layout {
    const LEAST_PLOT_MM: f64 = 15.0;
    let panels = figure.samples.len();
    let narrow = right - left < 120.0;
    let columns = match panels {
        1 => 1,
        2 | 4 if !narrow => 2,
        2 | 3 if narrow => 1,
        _ if narrow => 2,
        _ => 3,
    };
    let rows = panels.div_ceil(columns);
    let inner = right - left - LEFT_MM - RIGHT_MM;
    let panel_width = (inner - BETWEEN_MM * (columns - 1) as f64) / columns as f64;
    let heads = heads(figure, panel_width);
    let head = 1.5 + LINE_MM * heads.iter().map(Vec::len).max().unwrap_or(0) as f64;
    let wanted = match (rows, columns) {
        (1, 1) => (0.6 * panel_width).clamp(36.0, 75.0),
        (1, _) => 42.0,
        (2 | 3, _) => 30.0,
        _ => 22.0,
    };
    let left_on_page = (PAGE_MM - top - BELOW_MM) / rows as f64 - head - BETWEEN_MM;
    let plot_height = wanted.min(left_on_page.max(LEAST_PLOT_MM));
    Layout { columns, rows, left: left + LEFT_MM, panel_width, heads, head, plot_height, top }
}

/// Name, count and mean of each sample, the last two in one line where it is long enough for all.
fn heads(figure: &SizeFigure, width: f64) -> Vec<Vec<(String, f64)>> {
    let words = |sample: &Sample| {
        let n = format!("n = {}, {}", count(sample.sizes.count()), counted(sample.mean.count, "field"));
        [n, mean_words(sample)]
    };
    let joined = |sample: &Sample| words(sample).join("; ");
    let fits = figure.samples.iter().all(|sample| text_width(&joined(sample), TEXT_PT) <= width);
    let of = |sample: &Sample| {
        let name = shortened(&printable(&sample.name), NAME_PT, width);
        let below = if fits { vec![joined(sample)] } else { words(sample).to_vec() };
        let below = below.into_iter().map(|text| (text, TEXT_PT));
        [(name, NAME_PT)].into_iter().chain(below).collect()
    };
    figure.samples.iter().map(of).collect()
}

/// The rectangle of a panel's plot.
struct Plot {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Layout {
    fn plot(&self, row: usize, column: usize) -> Plot {
        let left = self.left + (self.panel_width + BETWEEN_MM) * column as f64;
        let top = self.top + self.head + (self.head + self.plot_height + BETWEEN_MM) * row as f64;
        Plot { left, right: left + self.panel_width, top, bottom: top + self.plot_height }
    }
}

fn shared(figure: &SizeFigure) -> Shared {
    let edges = figure.class_edges();
    // A class of room on either side, so that the fitted curve is not cut where it is still high.
    let (low, high) = (edges[0] / 1.25, edges[edges.len() - 1] * 1.25);
    let axis = Axis { low, high, logarithmic: true, start: 0.0, end: 1.0 };
    let highest_percent = figure
        .samples
        .iter()
        .flat_map(|sample| {
            let classes = classes(sample, &edges);
            let curve = curve(sample, &classes, &axis);
            classes.shares.into_iter().chain(curve.into_iter().map(|(_, share)| share))
        })
        .fold(0.0, f64::max);
    Shared { low, high, highest_percent, edges }
}

fn classes<'a>(sample: &Sample, edges: &'a [f64]) -> Classes<'a> {
    Classes { edges, shares: sample.sizes.class_percent(edges), logarithmic: true }
}

fn curve(sample: &Sample, classes: &Classes, axis: &Axis) -> Vec<(f64, f64)> {
    let fit = sample.sizes.lognormal(sample.unit);
    fit.map_or_else(Vec::new, |fit| fitted_shares(&fit, classes, axis))
}

fn draw_panel(
    canvas: &Canvas,
    figure: &SizeFigure,
    (index, sample): (usize, &Sample),
    (layout, shared): (&Layout, &Shared),
) {
    let (row, column) = (index / layout.columns, index % layout.columns);
    let plot = layout.plot(row, column);
    for (line, (text, size)) in layout.heads[index].iter().enumerate() {
        let y = plot.top - layout.head + 2.0 + LINE_MM * line as f64;
        canvas.text(text, (plot.left, y), *size, Anchor::Left);
    }
    let Shared { low, high, .. } = *shared;
    let across = Axis { low, high, logarithmic: true, start: plot.left, end: plot.right };
    let highest = shared.highest_percent * 1.06;
    let up = Axis { low: 0.0, high: highest, logarithmic: false, start: plot.bottom, end: plot.top };
    let classes = classes(sample, &shared.edges);
    draw_classes(canvas, &classes, &curve(sample, &classes, &across), (&across, &up));
    let mean = across.place(sample.mean.mean);
    canvas.stroked(&[(mean, plot.top), (mean, plot.bottom)], Stroke::Dashed, INK, 0.35);
    let last_in_column = index + layout.columns >= figure.samples.len();
    across.draw_ticks_below(canvas, plot.bottom, last_in_column);
    up.draw_ticks_left(canvas, plot.left, column == 0);
}

/// The labels that all panels share, in the middle of them.
fn draw_labels(canvas: &Canvas, figure: &SizeFigure, layout: &Layout, bottom: f64) {
    let right = layout.plot(0, layout.columns - 1).right;
    let whole = |start: f64, end: f64| Axis { low: 0.0, high: 1.0, logarithmic: false, start, end };
    whole(layout.left, right).draw_label_below(canvas, bottom, &figure.axis_label());
    let label = format!("{}, %", figure.share_of());
    whole(bottom, layout.plot(0, 0).top).draw_label_left(canvas, layout.left, &label);
}
