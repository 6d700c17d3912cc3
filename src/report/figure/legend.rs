//! What tells the series of a figure apart, in rows above the plot.

use plotters::style::RGBColor;

use super::axis::TEXT_PT;
use super::canvas::{Anchor, Canvas, Stroke, Style, text_width};

/// Height of a row, in millimetres.
pub(super) const ROW_MM: f64 = 3.6;

const SAMPLE_MM: f64 = 6.0;
const GAP_MM: f64 = 1.5;
const BETWEEN_MM: f64 = 4.0;

/// How an entry looks in the plot.
#[derive(Clone, Copy)]
pub(super) enum Sample {
    Mark(Style),
    Line {
        stroke: Stroke,
        colour: RGBColor,
    },
    /// A hairline.
    Fine(RGBColor),
    Area(RGBColor),
}

/// An entry of a legend.
pub(super) struct Entry {
    pub text: String,
    pub sample: Sample,
}

/// The left end of every entry and its row, where rows are `width` millimetres long.
pub(super) fn places(entries: &[Entry], width: f64) -> Vec<(f64, usize)> {
    let (mut x, mut row) = (0.0, 0);
    let mut places = Vec::with_capacity(entries.len());
    for entry in entries {
        let length = SAMPLE_MM + GAP_MM + text_width(&entry.text, TEXT_PT);
        if x > 0.0 && x + length > width {
            (x, row) = (0.0, row + 1);
        }
        places.push((x, row));
        x += length + BETWEEN_MM;
    }
    places
}

/// Height of the legend, in millimetres.
pub(super) fn height(entries: &[Entry], width: f64) -> f64 {
    places(entries, width).last().map_or(0.0, |&(_, row)| (row + 1) as f64 * ROW_MM)
}

/// Draws the legend with its upper left corner at `corner`.
pub(super) fn draw(canvas: &Canvas, entries: &[Entry], corner: (f64, f64), width: f64) {
    for (entry, (x, row)) in entries.iter().zip(places(entries, width)) {
        let (x, y) = (corner.0 + x, corner.1 + (row as f64 + 0.5) * ROW_MM);
        match entry.sample {
            Sample::Mark(style) => canvas.mark((x + SAMPLE_MM / 2.0, y), style, 0.9),
            Sample::Line { stroke, colour } => {
                canvas.stroked(&[(x, y), (x + SAMPLE_MM, y)], stroke, colour, 0.5);
            }
            Sample::Fine(colour) => canvas.line(&[(x, y), (x + SAMPLE_MM, y)], colour, 0.2),
            Sample::Area(colour) => {
                let (right, top, bottom) = (x + SAMPLE_MM, y - 1.1, y + 1.1);
                canvas.area(&[(x, top), (right, top), (right, bottom), (x, bottom)], colour);
            }
        }
        canvas.text(&entry.text, (x + SAMPLE_MM + GAP_MM, y), TEXT_PT, Anchor::Left);
    }
}
