//! The info strip below a picture: a caption, and a scale bar with its printed length.

use serde::{Deserialize, Serialize};

use super::lettering::{Lettering, Typeface, lettering};
use super::spec::is_default;
use crate::error::Error;
use crate::grid::Grid;

/// How the info strip looks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
    /// Letters. Default: sans.
    #[serde(skip_serializing_if = "is_default")]
    pub typeface: Typeface,
    /// Spelling of the printed length. Default: spaced.
    #[serde(skip_serializing_if = "is_default")]
    pub spelling: Spelling,
    /// Height of the strip, and all in it, over the usual one; 0.7 to 1.6. Default: 1.
    #[serde(skip_serializing_if = "is_usual_height")]
    pub height_factor: f64,
    /// Where it stands. Default: below.
    #[serde(skip_serializing_if = "is_default")]
    pub place: StripPlace,
}

fn is_usual_height(factor: &f64) -> bool {
    *factor == 1.0
}

impl Default for StripSpec {
    fn default() -> Self {
        Self {
            bar: BarShape::default(),
            tone: StripTone::default(),
            caption: String::new(),
            bar_length_um: None,
            typeface: Typeface::default(),
            spelling: Spelling::default(),
            height_factor: 1.0,
            place: StripPlace::default(),
        }
    }
}

/// Spelling of the printed length.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spelling {
    /// `5 µm`
    #[default]
    Spaced,
    /// `5µm`
    Tight,
    /// `5.0 µm`
    Point,
    /// `5,0 µm`
    Comma,
    /// `5um`
    Letter,
}

/// Where the strip stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StripPlace {
    /// Below the picture, over its whole width.
    #[default]
    Below,
    /// A panel in the lower right corner of the picture, which hides what lies under it: grains there are still part of
    /// the truth.
    Panel,
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

/// A strip as drawn.
pub(crate) struct Strip {
    /// Its grey levels, 0 to 1.
    pub(crate) grid: Grid<f32>,
    /// Its bar; rows count from the strip's top.
    pub(crate) bar: BarTruth,
    /// Columns at its right end that hold bar and label.
    panel_px: usize,
}

impl Strip {
    /// Draws bar and label on a panel of their ground over the lower right corner of `picture`, and returns the bar, its
    /// place counted in the picture.
    pub(crate) fn laid_over(self, picture: &mut Grid<f32>) -> BarTruth {
        let rim = self.grid.height() / 4;
        let (from_x, to_x) = (self.grid.width() - self.panel_px, self.grid.width());
        let (left, top) =
            (from_x.saturating_sub(rim), picture.height().saturating_sub(self.grid.height() + rim));
        for y in 0..self.grid.height().min(picture.height()) {
            picture.row_mut(top + y)[left..left + self.panel_px]
                .copy_from_slice(&self.grid.row(y)[from_x..to_x]);
        }
        let moved = (from_x - left) as f64;
        let bar = self.bar;
        BarTruth {
            left_px: bar.left_px - moved,
            right_px: bar.right_px - moved,
            row_px: bar.row_px + top as f64,
            ..bar
        }
    }
}

/// A strip of `width` px for pixels of `um_per_px`, and its bar; rows of the bar count from the strip's top.
///
/// # Errors
/// [`Error::Option`] if no legible bar fits.
pub(crate) fn strip(spec: &StripSpec, width: usize, um_per_px: f64) -> Result<Strip, Error> {
    super::spec::in_ranges(&[("height factor of the strip", spec.height_factor, 0.7, 1.6)])?;
    let height = (strip_rows(width) as f64 * spec.height_factor).round() as usize;
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
    let label = label(length_um, spec.spelling);
    let text = lettering(&label, 0.44 * height as f32, spec.typeface);
    let row = draw_bar(&mut grid, spec.bar, (length_px as usize, &text), ink);
    let caption = lettering(&spec.caption, 0.36 * height as f32, spec.typeface);
    let room = width as f32 - row.taken_px as f32 - height as f32;
    if caption.width < room && spec.place == StripPlace::Below {
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
    Ok(Strip { grid, bar, panel_px: (row.taken_px + height / 3).min(width) })
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
fn label(length_um: f64, spelling: Spelling) -> String {
    let (number, unit) = if length_um < 1.0 {
        ((length_um * 1e6).round() / 1e3, "nm")
    } else if length_um < 1000.0 {
        (length_um, "µm")
    } else {
        (length_um / 1e3, "mm")
    };
    let point = if number.fract() == 0.0 { format!("{number:.1}") } else { number.to_string() };
    match spelling {
        Spelling::Spaced => format!("{number} {unit}"),
        Spelling::Tight => format!("{number}{unit}"),
        Spelling::Point => format!("{point} {unit}"),
        Spelling::Comma => format!("{} {unit}", point.replace('.', ",")),
        Spelling::Letter => format!("{number}{}", unit.replace('µ', "u")),
    }
}

/// Where a bar was drawn.
struct Drawn {
    left_px: f64,
    middle_px: f64,
    /// Columns taken at the right end of the strip, label included.
    taken_px: usize,
}

fn draw_bar(grid: &mut Grid<f32>, shape: BarShape, (length, text): (usize, &Lettering), ink: f32) -> Drawn {
    match shape {
        BarShape::Solid => draw_solid(grid, length, text, ink),
        BarShape::Bracket => draw_bracket(grid, length, text, ink),
        BarShape::Ticks => draw_ticks(grid, length, text, ink),
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
            assert_eq!((found, label(found, Spelling::Spaced).as_str()), (length, text));
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
            let Strip { grid, bar: truth, .. } = strip(&spec, 1024, 0.0254).unwrap();
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
