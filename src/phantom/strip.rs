//! The info strip below a picture: a caption, and a scale bar with its printed length.

use serde::{Deserialize, Serialize};

use super::lettering::{Lettering, lettering};
use crate::error::Error;
use crate::grid::Grid;

/// How the info strip looks.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StripSpec {
    /// Shape of the scale bar. Default: solid.
    pub bar: BarShape,
    /// Ink and ground. Default: light on dark.
    pub tone: StripTone,
    /// Text at the left end. Default: empty.
    pub caption: String,
    /// Printed length in µm; null for the largest 1-2-5 length up to three tenths of the width.
    pub bar_length_um: Option<f64>,
}

/// How the bar is drawn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum BarShape {
    /// A filled bar; its length is taken from outer end to outer end.
    #[default]
    Solid,
    /// A line with caps, broken by the label; its length is taken from cap centre to cap centre.
    Bracket,
    /// A row of eleven ticks; its length is taken from the centre of the first to that of the last.
    Ticks,
}

/// Ink and ground of the strip.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum StripTone {
    /// Light letters on a dark ground.
    #[default]
    LightOnDark,
    /// Dark letters on a light ground.
    DarkOnLight,
}

/// The scale bar as drawn. Positions count from the outer rim of the first pixel: pixel k spans k to k + 1.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BarTruth {
    /// Label as printed.
    pub label: String,
    /// Length that the label states.
    pub length_um: f64,
    /// Length as drawn, a whole number of px.
    pub length_px: u64,
    /// Left end: outer edge of a solid bar, centre of the first cap or tick otherwise.
    pub left_px: f64,
    /// Right end, the same way.
    pub right_px: f64,
    /// Middle of the bar's height, counted from the top of the whole picture.
    pub row_px: f64,
    /// How it is drawn.
    pub shape: BarShape,
}

/// A strip of `width` px for pixels of `um_per_px`, and its bar; rows of the bar count from the strip's top.
///
/// # Errors
/// [`Error::Option`] if no legible bar fits.
pub(crate) fn strip(spec: &StripSpec, width: usize, um_per_px: f64) -> Result<(Grid<f32>, BarTruth), Error> {
    let height = strip_rows(width);
    let (ground, ink) = match spec.tone {
        StripTone::LightOnDark => (0.05, 0.95),
        StripTone::DarkOnLight => (0.93, 0.06),
    };
    let mut grid = Grid::filled(width, height, ground);
    let length_um = match spec.bar_length_um {
        Some(length) => length,
        None => fitting_length_um(0.3 * width as f64 * um_per_px),
    };
    let length_px = (length_um / um_per_px).round();
    if !(length_px >= 16.0 && length_px <= 0.6 * width as f64) {
        return Err(Error::Option {
            name: "--bar-length",
            why: format!(
                "a bar of {length_um} µm is {length_px} px long; it must have 16 px to six tenths of the width of {width} px"
            ),
        });
    }
    let label = label(length_um);
    let row = draw_bar(&mut grid, spec.bar, (length_px as usize, &label), ink);
    let caption = lettering(&spec.caption, 0.36 * height as f32);
    let room = width as f32 - row.taken_px as f32 - height as f32;
    if caption.width < room {
        caption.draw(&mut grid, (side(height), middle_baseline(height, &caption)), ink);
    }
    let bar = BarTruth {
        label,
        length_um,
        length_px: length_px as u64,
        left_px: row.left_px,
        right_px: row.left_px + length_px,
        row_px: row.middle_px,
        shape: spec.bar,
    };
    Ok((grid, bar))
}

/// Rows of the strip: about a twentieth of the width, legible on small pictures.
fn strip_rows(width: usize) -> usize {
    (width / 19).clamp(30, 160)
}

/// The largest length 1, 2 or 5 times a power of ten, in µm, that is not above `most_um`.
fn fitting_length_um(most_um: f64) -> f64 {
    let mut best = 1e-4;
    for exponent in -4..6 {
        for digit in [1.0, 2.0, 5.0] {
            // Dividing by a power of ten keeps 0.2 and 0.5 at their nearest values.
            let power = libm::pow(10.0, f64::from(i32::abs(exponent)));
            let length = if exponent < 0 { digit / power } else { digit * power };
            if length <= most_um {
                best = length;
            }
        }
    }
    best
}

/// The length as printed: nm below 1 µm, mm from 1000 µm.
fn label(length_um: f64) -> String {
    if length_um < 1.0 {
        format!("{} nm", (length_um * 1e6).round() / 1e3)
    } else if length_um < 1000.0 {
        format!("{length_um} µm")
    } else {
        format!("{} mm", length_um / 1e3)
    }
}

/// Where a bar was drawn.
struct Drawn {
    left_px: f64,
    middle_px: f64,
    /// Columns taken at the right end of the strip, label included.
    taken_px: usize,
}

fn draw_bar(grid: &mut Grid<f32>, shape: BarShape, (length, text): (usize, &str), ink: f32) -> Drawn {
    let text = lettering(text, 0.44 * grid.height() as f32);
    match shape {
        BarShape::Solid => draw_solid(grid, length, &text, ink),
        BarShape::Bracket => draw_bracket(grid, length, &text, ink),
        BarShape::Ticks => draw_ticks(grid, length, &text, ink),
    }
}

/// Free columns between the bar and the right rim.
fn side(height: usize) -> usize {
    height / 3
}

/// Baseline that puts capitals into the middle of the strip.
fn middle_baseline(height: usize, text: &Lettering) -> usize {
    (0.5 * (height as f32 + text.cap_height)) as usize
}

/// A filled bar with the label above it.
fn draw_solid(grid: &mut Grid<f32>, length: usize, text: &Lettering, ink: f32) -> Drawn {
    let (width, height) = (grid.width(), grid.height());
    let (left, thick) = (width - side(height) - length, (height / 9).max(3));
    let top = height - height / 5 - thick;
    fill(grid, (left, top), (length, thick), ink);
    let centred = (left as f32 + 0.5 * (length as f32 - text.width)).max(0.0) as usize;
    let text_left = centred.min(width.saturating_sub(text.width as usize + 2));
    text.draw(grid, (text_left, top - height / 8), ink);
    Drawn {
        left_px: left as f64,
        middle_px: top as f64 + 0.5 * thick as f64,
        taken_px: width - left.min(text_left),
    }
}

/// A line with caps; the label stands in a gap of the line, or beside a short one.
fn draw_bracket(grid: &mut Grid<f32>, length: usize, text: &Lettering, ink: f32) -> Drawn {
    let (width, height) = (grid.width(), grid.height());
    let (thin, cap) = (stroke(height), height / 2);
    let left = width - side(height) - length - thin;
    for x in [left, left + length] {
        fill(grid, (x, height / 2 - cap / 2), (thin, cap), ink);
    }
    let top = height / 2 - thin / 2;
    let gap = text.width as usize + height / 3;
    let inside = gap + height / 2 < length;
    let (arm, text_left) = if inside {
        let arm = (length - gap) / 2;
        (arm, left + arm + height / 6)
    } else {
        (length, left.saturating_sub(gap))
    };
    fill(grid, (left, top), (arm, thin), ink);
    fill(grid, (left + length - arm, top), (arm, thin), ink);
    text.draw(grid, (text_left, middle_baseline(height, text)), ink);
    let centre = 0.5 * thin as f64;
    let taken_px = width - left.min(text_left);
    Drawn { left_px: left as f64 + centre, middle_px: top as f64 + centre, taken_px }
}

/// Eleven ticks, the first, middle and last one taller, with the label to their left.
fn draw_ticks(grid: &mut Grid<f32>, length: usize, text: &Lettering, ink: f32) -> Drawn {
    let (width, height) = (grid.width(), grid.height());
    let thin = stroke(height);
    let left = width - side(height) - length - thin;
    let (top, tall, short) = (height / 4, height / 2, height / 3);
    for k in 0..=10 {
        let rows = if k % 5 == 0 { tall } else { short };
        // Ticks between the ends stand at the nearest whole px.
        let x = left + (length * k + 5) / 10;
        fill(grid, (x, top), (thin, rows), ink);
    }
    let text_left = left.saturating_sub(text.width as usize + height / 3);
    text.draw(grid, (text_left, middle_baseline(height, text)), ink);
    Drawn {
        left_px: left as f64 + 0.5 * thin as f64,
        middle_px: top as f64 + 0.5 * tall as f64,
        taken_px: width - text_left,
    }
}

/// Thickness of thin lines in px.
fn stroke(height: usize) -> usize {
    (height / 22).max(2)
}

fn fill(grid: &mut Grid<f32>, (left, top): (usize, usize), (width, height): (usize, usize), ink: f32) {
    for y in top..(top + height).min(grid.height()) {
        let right = (left + width).min(grid.width());
        grid.row_mut(y)[left.min(right)..right].fill(ink);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_one_two_or_five() {
        for (most, length, text) in [
            (7.68, 5.0, "5 µm"),
            (0.35, 0.2, "200 nm"),
            (0.019, 0.01, "10 nm"),
            (1.0, 1.0, "1 µm"),
            (2600.0, 2000.0, "2 mm"),
        ] {
            let found = fitting_length_um(most);
            assert_eq!((found, label(found).as_str()), (length, text));
        }
    }

    #[test]
    fn the_bar_is_drawn_where_its_truth_says() {
        for (bar, tone) in [
            (BarShape::Solid, StripTone::LightOnDark),
            (BarShape::Bracket, StripTone::DarkOnLight),
            (BarShape::Ticks, StripTone::LightOnDark),
        ] {
            let spec = StripSpec { bar, tone, ..StripSpec::default() };
            let (grid, truth) = strip(&spec, 1024, 0.0254).unwrap();
            let ground = grid.at(0, 0);
            // On the bar's own row, the outermost pixels of its ink.
            let row = grid.row(truth.row_px as usize);
            let inked = |x: &usize| (row[*x] - ground).abs() > 0.5;
            let from = truth.left_px as usize - 3;
            let first = (from..row.len()).find(inked).unwrap();
            let last = (0..row.len()).rev().find(inked).unwrap();
            let thick = if bar == BarShape::Solid { 0 } else { stroke(grid.height()) };
            assert_eq!((last + 1 - first - thick) as u64, truth.length_px, "{bar:?}");
            assert_eq!(first as f64 + 0.5 * thick as f64, truth.left_px, "{bar:?}");
            assert_eq!(truth.length_px, (truth.length_um / 0.0254).round() as u64);
        }
    }

    #[test]
    fn a_bar_that_does_not_fit_is_refused() {
        let spec = StripSpec { bar_length_um: Some(1000.0), ..StripSpec::default() };
        assert!(strip(&spec, 1024, 0.025).is_err());
        let spec = StripSpec { bar_length_um: Some(0.01), ..StripSpec::default() };
        assert!(strip(&spec, 1024, 0.025).is_err());
    }
}
