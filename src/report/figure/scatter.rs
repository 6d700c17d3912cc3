//! Points with error bars, curves through them and bands around the curves, on linear or logarithmic axes.

use super::axis::Axis;
use super::canvas::{self, Anchor, CURVE, Canvas, INK, Stroke, Style, TINTS, style};
use super::legend::{self, Entry, Sample};
use crate::report::name::{clipped, printable};

const TITLE_PT: f64 = 8.5;
const LEFT_MM: f64 = 14.0;
const RIGHT_MM: f64 = 3.0;
const BELOW_MM: f64 = 9.5;
const MARK_MM: f64 = 0.95;

/// How far a band may widen an axis beyond what points and curves fill, as a multiple of that; what lies farther is cut.
const BAND_REACH: f64 = 0.75;

/// A plot of points.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scatter {
    /// What the figure shows; printed above it, unless empty, and read to those who cannot see it.
    pub title: String,
    /// Quantity and unit of the horizontal axis.
    pub x_label: String,
    /// Quantity and unit of the vertical axis.
    pub y_label: String,
    /// Whether the horizontal axis is logarithmic; values that have no logarithm make it linear.
    pub x_logarithmic: bool,
    /// Whether the vertical axis is logarithmic; values that have no logarithm make it linear.
    pub y_logarithmic: bool,
    /// Points, told apart by colour and shape.
    pub series: Vec<Series>,
    /// Lines over the points.
    pub curves: Vec<Curve>,
    /// Areas behind the points, the widest first.
    pub bands: Vec<Band>,
}

/// Points that belong together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// Text of the legend; empty for none.
    pub name: String,
    /// Points in any order.
    pub points: Vec<Point>,
}

/// A point with its error bar.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Point {
    /// Place on the horizontal axis.
    pub x: f64,
    /// Place on the vertical axis.
    pub y: f64,
    /// Lower end of the vertical error bar.
    pub low: Option<f64>,
    /// Upper end of the vertical error bar.
    pub high: Option<f64>,
}

/// A line. One with the name of a series has its colour and no entry of its own in the legend.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Text of the legend; empty for none.
    pub name: String,
    /// Places of the line, in their order.
    pub points: Vec<(f64, f64)>,
    /// Whether it is drawn in strokes.
    pub dashed: bool,
}

/// An area between two lines.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Band {
    /// Text of the legend; empty for none.
    pub name: String,
    /// Its limits, with rising `x`.
    pub points: Vec<BandPoint>,
}

/// The limits of a band at one place.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandPoint {
    /// Place on the horizontal axis.
    pub x: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Draws the plot as SVG, `width_mm` wide. `None` if it holds no point that can be drawn.
pub fn scatter(plot: &Scatter, width_mm: f64) -> Option<String> {
    let entries = entries(plot);
    let inner = width_mm - LEFT_MM - RIGHT_MM;
    let legend_top = if plot.title.is_empty() { 2.0 } else { 6.4 };
    let top = legend_top + legend::height(&entries, inner) + 2.0;
    let bottom = top + (0.62 * inner).clamp(30.0, 85.0);
    let (x_values, y_values) = spans(plot);
    let across = Axis::around(x_values, plot.x_logarithmic, (LEFT_MM, width_mm - RIGHT_MM))?;
    let up = Axis::around(y_values, plot.y_logarithmic, (bottom, top))?;
    let title = printable(&plot.title);
    Some(canvas::svg((width_mm, bottom + BELOW_MM), &title, |canvas| {
        let letters = (width_mm / 1.75) as usize;
        canvas.text(&clipped(&title, letters), (2.5, 3.2), TITLE_PT, Anchor::Left);
        legend::draw(canvas, &entries, (LEFT_MM, legend_top), inner);
        draw_bands(canvas, plot, (&across, &up));
        draw_curves(canvas, plot, (&across, &up));
        for (index, series) in plot.series.iter().enumerate() {
            draw_points(canvas, series, style(index), (&across, &up));
        }
        across.draw_below(canvas, bottom, &plot.x_label);
        up.draw_left(canvas, LEFT_MM, &plot.y_label);
    }))
}

/// Values that each axis has to hold; the vertical one of bands only as far as they may widen it.
fn spans(plot: &Scatter) -> (Vec<f64>, Vec<f64>) {
    let points = || plot.series.iter().flat_map(|series| &series.points);
    let lines = || plot.curves.iter().flat_map(|curve| &curve.points);
    let bands = || plot.bands.iter().flat_map(|band| &band.points);
    let x = points().map(|p| p.x).chain(lines().map(|p| p.0)).chain(bands().map(|p| p.x)).collect();
    let mut y: Vec<f64> = points()
        .flat_map(|p| [Some(p.y), p.low, p.high])
        .flatten()
        .chain(lines().map(|p| p.1))
        .filter(|y| y.is_finite())
        .collect();
    let low = y.iter().copied().fold(f64::INFINITY, f64::min);
    let high = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let reach = BAND_REACH * (high - low);
    if reach > 0.0 {
        let floor = if plot.y_logarithmic && low > 0.0 { low / 3.0 } else { low - reach };
        y.extend(bands().flat_map(|p| [p.low, p.high]).map(|y| y.clamp(floor, high + reach)));
    }
    (x, y)
}

fn entries(plot: &Scatter) -> Vec<Entry> {
    let series = plot.series.iter().enumerate().map(|(i, s)| (&s.name, Sample::Mark(style(i))));
    let curves = plot.curves.iter().filter(|c| series_style(plot, &c.name).is_none()).map(|c| {
        let line = Sample::Line { stroke: strokes(c), colour: CURVE };
        (&c.name, line)
    });
    let bands = plot.bands.iter().enumerate().map(|(i, b)| (&b.name, Sample::Area(TINTS[i % TINTS.len()])));
    let all = series.chain(curves).chain(bands).filter(|(name, _)| !name.is_empty());
    all.map(|(name, sample)| Entry { text: clipped(&printable(name), 44), sample }).collect()
}

fn series_style(plot: &Scatter, name: &str) -> Option<Style> {
    let named = |series: &Series| !name.is_empty() && series.name == name;
    plot.series.iter().position(named).map(style)
}

fn strokes(curve: &Curve) -> Stroke {
    if curve.dashed { Stroke::Dashed } else { Stroke::Solid }
}

fn draw_bands(canvas: &Canvas, plot: &Scatter, (across, up): (&Axis, &Axis)) {
    for (band, tint) in plot.bands.iter().zip(TINTS.iter().cycle()) {
        let known = |p: &&BandPoint| p.x.is_finite() && p.low.is_finite() && p.high.is_finite();
        let points: Vec<&BandPoint> = band.points.iter().filter(known).collect();
        let lower = points.iter().map(|p| (across.place(p.x), up.place(p.low)));
        let upper = points.iter().rev().map(|p| (across.place(p.x), up.place(p.high)));
        canvas.area(&lower.chain(upper).collect::<Vec<_>>(), *tint);
    }
}

fn draw_curves(canvas: &Canvas, plot: &Scatter, (across, up): (&Axis, &Axis)) {
    for curve in &plot.curves {
        let finite = curve.points.iter().filter(|(x, y)| x.is_finite() && y.is_finite());
        let places: Vec<(f64, f64)> = finite.map(|&(x, y)| (across.place(x), up.place(y))).collect();
        let colour = series_style(plot, &curve.name).map_or(CURVE, |style| style.colour);
        canvas.stroked(&places, strokes(curve), colour, 0.5);
    }
}

fn draw_points(canvas: &Canvas, series: &Series, style: Style, (across, up): (&Axis, &Axis)) {
    const CAP_MM: f64 = 0.9;
    for point in series.points.iter().filter(|p| p.x.is_finite() && p.y.is_finite()) {
        let (x, y) = (across.place(point.x), up.place(point.y));
        for end in [point.low, point.high].into_iter().flatten().filter(|end| end.is_finite()) {
            let end = up.place(end);
            canvas.line(&[(x, y), (x, end)], INK, 0.3);
            canvas.line(&[(x - CAP_MM, end), (x + CAP_MM, end)], INK, 0.3);
        }
        canvas.mark((x, y), style, MARK_MM);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plot(points: &[(f64, f64)]) -> Scatter {
        let points = points.iter().map(|&(x, y)| Point { x, y, low: Some(y * 0.9), high: Some(y * 1.1) });
        Scatter {
            title: "grain size <by> temperature".into(),
            x_label: "temperature, °C".into(),
            y_label: "mean linear intercept, µm".into(),
            series: vec![Series { name: "fired".into(), points: points.collect() }],
            ..Scatter::default()
        }
    }

    #[test]
    fn every_point_and_name_is_drawn_and_nothing_breaks_on_odd_numbers() {
        let odd = [(1.0, f64::NAN), (f64::INFINITY, 2.0), (2.0, 0.0), (3.0, -1.0), (4.0, 5.0)];
        let mut plot = plot(&odd);
        plot.y_logarithmic = true;
        plot.curves = vec![Curve { name: "fit".into(), points: vec![(1.0, 1.0), (4.0, 4.0)], dashed: true }];
        let limits = [1.0, 4.0].map(|x| BandPoint { x, low: -1e9, high: 1e9 });
        plot.bands = vec![Band { name: "95 % prediction".into(), points: limits.to_vec() }];
        let svg = scatter(&plot, 85.0).unwrap();
        assert_eq!(svg.matches("<circle").count(), 2 * 4, "three points and the legend, each with its rim");
        for text in ["fired", "fit", "95 % prediction", "grain size &lt;by&gt;"] {
            assert!(svg.contains(text), "{text}");
        }
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
        assert_eq!(svg, scatter(&plot, 85.0).unwrap());
    }

    #[test]
    fn nothing_to_draw_is_no_figure_and_one_point_is_one() {
        assert_eq!(scatter(&plot(&[]), 85.0), None);
        assert_eq!(scatter(&plot(&[(f64::NAN, f64::NAN)]), 85.0), None);
        assert!(scatter(&plot(&[(1300.0, 2.0)]), 170.0).is_some());
    }
}
