//! All specimens beside each other: porosity and mean linear intercept with their intervals.

use super::axis::{Axis, TEXT_PT};
use super::canvas::{self, Anchor, Canvas, INK};
use crate::report::name::{clipped, printable};
use crate::study::result::{Estimate, Field, Specimen, Study};

/// Double column of most journals.
const WIDTH: f64 = 170.0;
const ROW: f64 = 6.5;
const TOP: f64 = 8.0;
const BELOW: f64 = 9.5;
const LONGEST_NAME: usize = 28;
const MM_PER_LETTER: f64 = 1.65;

/// Porosity and mean linear intercept by specimen, with 95 % intervals of the mean and the single fields.
///
/// Specimens without a scale have no place on the axis in µm; if none has a scale, the axis is in px. `None` without
/// specimens that have a value.
pub fn overview(study: &Study) -> Option<String> {
    let scaled = study.specimens.iter().any(|specimen| specimen.mean_linear_intercept_um.is_some());
    let panels = [
        Panel {
            label: "porosity (area fraction), %",
            estimate: |specimen| specimen.porosity_percent.as_ref(),
            field: |field| field.porosity_percent,
        },
        if scaled {
            Panel {
                label: "mean linear intercept, µm",
                estimate: |specimen| specimen.mean_linear_intercept_um.as_ref(),
                field: |field| field.mean_linear_intercept_um,
            }
        } else {
            Panel {
                label: "mean linear intercept, px",
                estimate: |specimen| specimen.mean_linear_intercept_px.as_ref(),
                field: |field| field.mean_linear_intercept_px,
            }
        },
    ];
    if !study.specimens.iter().any(|specimen| panels.iter().any(|panel| (panel.estimate)(specimen).is_some()))
    {
        return None;
    }
    let height = TOP + ROW * study.specimens.len() as f64 + BELOW;
    let title = "porosity and mean linear intercept by specimen, with 95 % intervals of the mean over fields";
    Some(canvas::svg((WIDTH, height), title, |canvas| {
        let names: Vec<String> = study
            .specimens
            .iter()
            .map(|specimen| clipped(&printable(&specimen.name), LONGEST_NAME))
            .collect();
        let left =
            6.0 + MM_PER_LETTER * names.iter().map(|name| name.chars().count()).max().unwrap_or(0) as f64;
        draw_names(canvas, &names, left);
        let panel_width = (WIDTH - left - 12.0) / 2.0;
        for (panel, start) in panels.iter().zip([left, left + panel_width + 9.0]) {
            draw_panel(canvas, study, panel, (start, start + panel_width));
        }
    }))
}

struct Panel {
    label: &'static str,
    estimate: fn(&Specimen) -> Option<&Estimate>,
    field: fn(&Field) -> Option<f64>,
}

fn row_middle(index: usize) -> f64 {
    TOP + ROW * (index as f64 + 0.5)
}

fn draw_names(canvas: &Canvas, names: &[String], left: f64) {
    for (i, name) in names.iter().enumerate() {
        canvas.text(name, (left - 3.0, row_middle(i)), TEXT_PT, Anchor::Right);
    }
    let y = 3.2;
    canvas.line(&[(left, y), (left + 8.0, y)], INK, 0.35);
    canvas.dot((left + 4.0, y), 1.0, true);
    canvas.text("mean of fields with 95 % t-interval", (left + 10.0, y), TEXT_PT, Anchor::Left);
    canvas.dot((left + 64.0, y), 0.7, false);
    canvas.text("single field", (left + 66.5, y), TEXT_PT, Anchor::Left);
}

fn draw_panel(canvas: &Canvas, study: &Study, panel: &Panel, (start, end): (f64, f64)) {
    let bottom = TOP + ROW * study.specimens.len() as f64;
    let estimates = study.specimens.iter().filter_map(panel.estimate);
    let fields = study.fields.iter().filter_map(panel.field);
    let highest = estimates
        .flat_map(|e| [Some(e.mean), e.ci95_high])
        .flatten()
        .chain(fields)
        .filter(|value| value.is_finite())
        .fold(0.0, f64::max);
    let high = if highest > 0.0 { highest * 1.05 } else { 1.0 };
    let axis = Axis { low: 0.0, high, logarithmic: false, start, end };
    axis.draw_grid(canvas, TOP, bottom);
    for (i, specimen) in study.specimens.iter().enumerate() {
        if let Some(estimate) = (panel.estimate)(specimen) {
            draw_interval(canvas, &axis, estimate, row_middle(i) - 0.8);
            let of_specimen = study.fields.iter().filter(|field| field.specimen == specimen.name);
            for value in of_specimen.filter_map(panel.field) {
                canvas.dot((axis.place(value), row_middle(i) + 1.7), 0.7, false);
            }
        } else {
            canvas.text("not known", (start + 2.0, row_middle(i)), TEXT_PT, Anchor::Left);
        }
    }
    axis.draw_below(canvas, bottom, panel.label);
}

fn draw_interval(canvas: &Canvas, axis: &Axis, estimate: &Estimate, y: f64) {
    if let (Some(low), Some(high)) = (estimate.ci95_low, estimate.ci95_high) {
        let (low, high) = (axis.place(low), axis.place(high));
        canvas.line(&[(low, y), (high, y)], INK, 0.35);
        for x in [low, high] {
            canvas.line(&[(x, y - 0.8), (x, y + 0.8)], INK, 0.35);
        }
    }
    canvas.dot((axis.place(estimate.mean), y), 1.0, true);
}
