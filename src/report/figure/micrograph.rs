//! A micrograph with its grain boundaries and a scale bar of our own.

use plotters::style::WHITE;

use super::axis::TEXT_PT;
use super::canvas::{Anchor, Canvas, INK, text_width};
use crate::grid::Frame;
use crate::micrograph::Micrograph;
use crate::pipeline::{Measured, cropped};
use crate::report::number::significant;
use crate::report::overlay::{self, Overlay, OverlayView, overlay, widened};

/// The longest share of the picture's width that the bar may take.
const LONGEST_BAR: f64 = 0.3;

/// Width of the lines between grains in print.
const LINE_MM: f64 = 0.12;

/// The measured part of a picture, drawn.
#[derive(Clone, Debug)]
pub struct MicrographPanel {
    drawn: Overlay,
    width_px: usize,
    /// Height over width as the specimen has it.
    aspect: f64,
    /// Width of the picture on the specimen, in µm.
    width_um: Option<f64>,
}

impl MicrographPanel {
    /// Draws the measured part of a micrograph with a line where two grains meet; an info strip and its bar stay out.
    pub fn new(micrograph: &Micrograph, measured: &Measured) -> Self {
        let grey = cropped(&micrograph.grey, measured.frame);
        let Frame { width, height, .. } = measured.frame;
        let view = OverlayView {
            pores: None,
            pull_out: &[],
            grains: measured.grain_map.as_ref().map(|map| &map.labels),
            likely: None,
            frame: Frame { x: 0, y: 0, width, height },
            bar: None,
            lines: &[],
        };
        let spacing = measured.spacing;
        Self {
            drawn: overlay(&grey, &view),
            width_px: width,
            aspect: height as f64 * spacing.y / (width as f64 * spacing.x),
            width_um: measured.scale.as_ref().map(|_| width as f64 * spacing.x),
        }
    }

    /// Length of the scale bar in µm; `None` without a scale.
    pub fn bar_um(&self) -> Option<f64> {
        self.width_um.map(|width| round_length(LONGEST_BAR * width))
    }

    pub(super) fn height(&self, width_mm: f64) -> f64 {
        self.aspect * width_mm
    }

    pub(super) fn draw(&self, canvas: &Canvas, corner: (f64, f64), width_mm: f64) {
        let (right, bottom) = (corner.0 + width_mm, corner.1 + self.height(width_mm));
        let line_px = (LINE_MM / width_mm * self.width_px as f64).ceil().max(1.0) as u32;
        let png = overlay::png(&widened(&self.drawn, line_px));
        canvas.picture(&png, corner, (right, bottom));
        if let (Some(bar), Some(width)) = (self.bar_um(), self.width_um) {
            draw_bar(canvas, (right - 1.5, bottom - 1.5), bar / width * width_mm, bar);
        }
    }
}

/// A bar of `length` millimetres on a white ground whose lower right corner is `corner`.
fn draw_bar(canvas: &Canvas, corner: (f64, f64), length: f64, um: f64) {
    let text = if um >= 1.0 { format!("{um} µm") } else { format!("{} nm", significant(um * 1000.0, 1)) };
    let width = length.max(text_width(&text, TEXT_PT)) + 2.4;
    let (left, top) = (corner.0 - width, corner.1 - 6.4);
    let ground = [(left, top), (corner.0, top), corner, (left, corner.1)];
    canvas.area(&ground, WHITE);
    let middle = (left + corner.0) / 2.0;
    let (from, to) = (middle - length / 2.0, middle + length / 2.0);
    let (upper, lower) = (corner.1 - 2.0, corner.1 - 1.1);
    canvas.area(&[(from, upper), (to, upper), (to, lower), (from, lower)], INK);
    canvas.text(&text, (middle, top + 2.3), TEXT_PT, Anchor::Middle);
}

/// The largest of 1, 2 and 5 times a power of ten that is at most `longest`.
fn round_length(longest: f64) -> f64 {
    let exponent = longest.log10().floor() as i32;
    let decade = |factor: f64| {
        if exponent < 0 { factor / 10f64.powi(-exponent) } else { factor * 10f64.powi(exponent) }
    };
    [5.0, 2.0, 1.0].map(decade).into_iter().find(|&length| length <= longest).unwrap_or(longest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_round_and_short_enough() {
        for (longest, bar) in
            [(6.1, 5.0), (5.0, 5.0), (4.9, 2.0), (1.7, 1.0), (0.37, 0.2), (0.099, 0.05), (230.0, 200.0)]
        {
            assert_eq!(round_length(longest), bar, "{longest}");
        }
    }
}
