//! Size distributions: classes, the fitted lognormal curve, and the numbers that a caption needs.

use super::axis::{Axis, TEXT_PT};
use super::canvas::{self, Anchor, CURVE, Canvas, INK, Stroke};
use crate::report::name::{clipped, printable};
use crate::report::number::significant;
use crate::report::phrase::counted;
use crate::study::result::{Distribution, Lognormal, Specimen};
use crate::units::LengthUnit;

/// Column width of most journals.
const WIDTH: f64 = 85.0;
const HEIGHT: f64 = 74.0;
const LEFT: f64 = 14.0;
const RIGHT: f64 = 82.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 63.0;

/// Equivalent circle diameters of a specimen's grains. `None` without a distribution that can be drawn.
pub fn grain_size_histogram(specimen: &Specimen) -> Option<String> {
    let words = Words { noun: "grain", axis: "equivalent circle diameter of grains", by_area: true };
    figure(specimen, specimen.grain_size.as_ref()?, &words)
}

/// Equivalent circle diameters of a specimen's pores. `None` without a distribution that can be drawn.
pub fn pore_size_histogram(specimen: &Specimen) -> Option<String> {
    let words = Words { noun: "pore", axis: "equivalent circle diameter of pores", by_area: true };
    figure(specimen, specimen.pore_size.as_ref()?, &words)
}

/// Whole chords that test lines cut from a specimen's grains. `None` without a distribution that can be drawn.
pub fn chord_histogram(specimen: &Specimen) -> Option<String> {
    let words = Words { noun: "chord", axis: "length of chords in grains", by_area: false };
    figure(specimen, specimen.chords.as_ref()?, &words)
}

struct Words {
    noun: &'static str,
    axis: &'static str,
    /// Whether the sizes belong to areas; chords do not.
    by_area: bool,
}

/// Classes with their shares in percent of all sizes.
pub(super) struct Classes<'a> {
    pub edges: &'a [f64],
    pub shares: Vec<f64>,
    pub logarithmic: bool,
}

fn figure(specimen: &Specimen, sizes: &Distribution, words: &Words) -> Option<String> {
    let unit = sizes.mean.unit();
    let classes = classes(sizes, unit)?;
    let name = printable(&specimen.name);
    let title = format!("{} size distribution of {name}: {}", words.noun, counted(sizes.count, words.noun));
    Some(canvas::svg((WIDTH, HEIGHT), &title, |canvas| {
        draw_head(canvas, specimen, sizes, words);
        draw_plot(canvas, &classes, sizes, words);
    }))
}

fn classes(sizes: &Distribution, unit: LengthUnit) -> Option<Classes<'_>> {
    let histogram = &sizes.histogram;
    let edges = match unit {
        LengthUnit::Um => histogram.bin_edges_um.as_deref()?,
        LengthUnit::Px => histogram.bin_edges_px.as_deref()?,
    };
    let total: u64 = histogram.counts.iter().sum();
    let rising = edges.windows(2).all(|pair| pair[0] < pair[1]) && edges.iter().all(|edge| edge.is_finite());
    if total == 0 || edges.len() != histogram.counts.len() + 1 || !rising {
        return None;
    }
    let shares = histogram.counts.iter().map(|&count| 100.0 * count as f64 / total as f64).collect();
    Some(Classes { edges, shares, logarithmic: has_even_ratios(edges) })
}

/// Classes that are equally wide on a logarithmic scale, up to the rounding of preferred numbers, are drawn on one.
fn has_even_ratios(edges: &[f64]) -> bool {
    const ROUNDING: f64 = 0.04;
    let mean = mean_ratio(edges);
    edges[0] > 0.0
        && edges.len() > 2
        && edges.windows(2).all(|pair| (pair[1] / pair[0] / mean - 1.0).abs() < ROUNDING)
}

/// Geometric mean of the ratios between neighbouring edges.
fn mean_ratio(edges: &[f64]) -> f64 {
    (edges[edges.len() - 1] / edges[0]).powf(1.0 / (edges.len() - 1) as f64)
}

fn draw_head(canvas: &Canvas, specimen: &Specimen, sizes: &Distribution, words: &Words) {
    let unit = sizes.mean.unit().symbol();
    let length = |value: f64| format!("{} {unit}", significant(value, 3));
    canvas.text(&clipped(&printable(&specimen.name), 44), (2.5, 3.2), 8.5, Anchor::Left);
    let n = format!("n = {} in {}", counted(sizes.count, words.noun), counted(specimen.field_count, "field"));
    canvas.text(&n, (2.5, 7.4), TEXT_PT, Anchor::Left);
    let spread = match sizes.standard_deviation {
        Some(deviation) => format!(", standard deviation of {}s {}", words.noun, length(deviation.value())),
        None => String::new(),
    };
    canvas.text(&format!("mean {}{spread}", length(sizes.mean.value())), (2.5, 10.9), TEXT_PT, Anchor::Left);
    let by_number = length(sizes.percentiles.p50.value());
    draw_key(canvas, 14.4, Stroke::Dashed, &format!("median by number {by_number}"));
    if words.by_area {
        let by_area = length(sizes.area_weighted_percentiles.p50.value());
        draw_key(
            canvas,
            17.9,
            Stroke::Dotted,
            &format!("median by area {by_area}: half of the area lies above"),
        );
    }
    if let Some(fit) = &sizes.lognormal {
        let y = if words.by_area { 21.4 } else { 17.9 };
        canvas.line(&[(2.5, y), (8.5, y)], CURVE, 0.55);
        let spread = significant(fit.geometric_standard_deviation, 3);
        let fitted = format!("lognormal fit: median {}, geometric SD {spread}", length(fit.median.value()));
        canvas.text(&fitted, (10.0, y), TEXT_PT, Anchor::Left);
    }
}

fn draw_key(canvas: &Canvas, y: f64, stroke: Stroke, text: &str) {
    canvas.stroked(&[(2.5, y), (8.5, y)], stroke, INK, 0.35);
    canvas.text(text, (10.0, y), TEXT_PT, Anchor::Left);
}

fn draw_plot(canvas: &Canvas, classes: &Classes, sizes: &Distribution, words: &Words) {
    let edges = classes.edges;
    let (low, high) = (edges[0], edges[edges.len() - 1]);
    let across = Axis { low, high, logarithmic: classes.logarithmic, start: LEFT, end: RIGHT };
    let curve = sizes.lognormal.as_ref().map_or_else(Vec::new, |fit| fitted_shares(fit, classes, &across));
    let largest =
        classes.shares.iter().chain(curve.iter().map(|(_, share)| share)).fold(0.0, |a: f64, &b| a.max(b));
    let up = Axis { low: 0.0, high: largest * 1.06, logarithmic: false, start: BOTTOM, end: TOP };
    draw_classes(canvas, classes, &curve, (&across, &up));
    let mut medians = vec![(sizes.percentiles.p50, Stroke::Dashed)];
    if words.by_area {
        medians.push((sizes.area_weighted_percentiles.p50, Stroke::Dotted));
    }
    for (median, stroke) in medians {
        let x = across.place(median.value());
        canvas.stroked(&[(x, TOP), (x, BOTTOM)], stroke, INK, 0.35);
    }
    across.draw_below(canvas, BOTTOM, &format!("{}, {}", words.axis, sizes.mean.unit().symbol()));
    up.draw_left(canvas, LEFT, "share of all in class, %");
}

/// Bars of the classes and the fitted curve over them.
pub(super) fn draw_classes(
    canvas: &Canvas,
    classes: &Classes,
    curve: &[(f64, f64)],
    (across, up): (&Axis, &Axis),
) {
    for (pair, &share) in classes.edges.windows(2).zip(&classes.shares).filter(|(_, share)| **share > 0.0) {
        canvas.bar((across.place(pair[0]), up.place(share)), (across.place(pair[1]), up.start));
    }
    let points: Vec<(f64, f64)> =
        curve.iter().map(|&(value, share)| (across.place(value), up.place(share))).collect();
    if points.len() > 1 {
        canvas.line(&points, CURVE, 0.55);
    }
}

/// What a class as wide as the one around each value would hold under the fit, in percent.
pub(super) fn fitted_shares(fit: &Lognormal, classes: &Classes, axis: &Axis) -> Vec<(f64, f64)> {
    let (center, spread) = (fit.median.value().ln(), fit.geometric_standard_deviation.ln());
    if !(center.is_finite() && spread > 1e-6) {
        return Vec::new();
    }
    let mean_width = mean_ratio(classes.edges).ln();
    let values = (0..=240).map(|i| axis.value(f64::from(i) / 240.0)).filter(|&value| value > 0.0);
    values
        .map(|value| {
            let class = classes.edges[1..classes.edges.len() - 1].partition_point(|&edge| edge <= value);
            let (low, high) = (classes.edges[class], classes.edges[class + 1]);
            let width = if classes.logarithmic { mean_width } else { (high - low) / value };
            let normal = (value.ln() - center) / spread;
            let density = (-normal * normal / 2.0).exp() / (spread * std::f64::consts::TAU.sqrt());
            (value, 100.0 * width * density)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Length;

    #[test]
    fn the_fitted_curve_shares_out_all_sizes() {
        let fit = Lognormal {
            median: Length::Um(3.0),
            geometric_standard_deviation: 1.5,
            kolmogorov_distance: 0.0,
        };
        let ratio: f64 = 1.2;
        let geometric: Vec<f64> = (0..=40).map(|i| 0.1 * ratio.powi(i)).collect();
        let even: Vec<f64> = (0..=60).map(|i| 0.5 * f64::from(i)).collect();
        for (edges, logarithmic) in [(geometric, true), (even, false)] {
            assert_eq!(has_even_ratios(&edges), logarithmic);
            let classes = Classes { edges: &edges, shares: vec![0.0; edges.len() - 1], logarithmic };
            let (low, high) = (edges[0], edges[edges.len() - 1]);
            let curve = fitted_shares(&fit, &classes, &Axis { low, high, logarithmic, start: 0.0, end: 1.0 });
            let mean = curve.iter().map(|(_, share)| share).sum::<f64>() / 240.0;
            let total = mean * (edges.len() - 1) as f64;
            assert!((total - 100.0).abs() < 0.5, "{total} % in all classes");
        }
    }
}
