//! The surroundings of a scale bar, enlarged so that they can be read, with what was found marked.

use image::{GrayImage, Luma};

use super::{Overlay, place};
use crate::grid::{Frame, Grid};
use crate::micrograph::Grey;
use crate::phantom::lettering::{Lettering, Typeface, lettering};
use crate::pipeline::cropped;
use crate::scale::bar::levels::eight_bit;
use crate::scale::{BarReading, BarStyle};

/// Small pictures are enlarged by no more than this.
const LARGEST_ZOOM: usize = 6;
/// No taller than this share of its width.
const TALLEST: f64 = 0.6;
/// Rim around bar and label, over the height of the text, and at least in px.
const RIM: f64 = 0.8;
const LEAST_RIM: usize = 8;
/// Greys that are kept: enough to read by, and few enough for a small file.
const GREYS: usize = 32;
/// Text below the picture is no narrower than this.
const NARROWEST_TEXT: usize = 560;
/// White and black among the greys of the palette.
const WHITE: u8 = 127;
/// Rows of a dash and of the gap behind it, where the marks are those of a doubtful bar.
const DASH: (usize, usize) = (6, 5);

/// What is shown of a bar.
#[derive(Clone, Copy, Debug)]
pub struct BarCrop<'a> {
    /// The bar and its label; marked with broken lines if they are doubtful.
    pub bar: &'a BarReading,
    /// Lines of text below; the first one is set in bold.
    pub words: &'a [String],
    /// Largest width in px.
    pub width: u32,
}

/// Draws the part of a picture around a bar and its label: posts at the ends of the bar, a box around the label.
pub fn bar_crop(grey: &Grey, crop: &BarCrop<'_>) -> Overlay {
    let frame = surroundings(grey, crop.bar);
    let levels = eight_bit(&cropped(grey, frame)).into_owned();
    let zoom = Zoom::fitting(frame, crop.width as usize);
    let picture = zoom.shown(&levels);
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let band = text_band(crop.words, crop.width as usize, width);
    let whole_width = band.as_ref().map_or(width, |band| band.width().max(width));
    let whole_height = height + band.as_ref().map_or(0, Grid::height);
    let mut indices = GrayImage::from_pixel(whole_width as u32, whole_height as u32, Luma([WHITE]));
    image::imageops::replace(&mut indices, &picture, 0, 0);
    let mut marks = Marks { indices: &mut indices, width, height, broken: crop.bar.doubt.is_some() };
    mark(&mut marks, crop.bar, frame, zoom);
    if let Some(band) = band {
        for (y, row) in band.rows().enumerate() {
            for (x, ink) in row.iter().enumerate() {
                let level = (ink.clamp(0.0, 1.0) * f32::from(WHITE)) as u8;
                indices.put_pixel(x as u32, (height + y) as u32, Luma([level]));
            }
        }
    }
    Overlay { indices }
}

/// The part of the picture that is shown.
fn surroundings(grey: &Grey, read: &BarReading) -> Frame {
    let text_height = read.label.as_ref().map_or(16, |label| label.frame.height);
    let rim = LEAST_RIM.max((RIM * text_height as f64) as usize);
    let at = |value: f64, most: usize| (value.max(0.0) as usize).min(most.saturating_sub(1));
    let row = at(read.bar.row_px, grey.height());
    let (mut left, mut right) = (at(read.bar.left_px, grey.width()), at(read.bar.right_px, grey.width()));
    let (mut top, mut bottom) = (row.saturating_sub(rim), row + rim);
    if let Some(Frame { x, y, width, height }) = read.label.as_ref().map(|label| label.frame) {
        (left, right) = (left.min(x), right.max(x + width));
        (top, bottom) = (top.min(y), bottom.max(y + height));
    }
    let (x, y) = (left.saturating_sub(2 * rim), top.saturating_sub(rim));
    let right = (right + 2 * rim).min(grey.width());
    let bottom = (bottom + rim).min(grey.height());
    Frame { x, y, width: right - x, height: bottom - y }
}

/// Whole-numbered enlargement or reduction.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Zoom {
    /// Pixels drawn for each one of the picture.
    up: usize,
    /// Pixels of the picture for each one drawn.
    down: usize,
}

impl Zoom {
    fn fitting(frame: Frame, width: usize) -> Self {
        let tallest = (TALLEST * width as f64) as usize;
        let up = (width / frame.width).min(tallest / frame.height).min(LARGEST_ZOOM);
        let down = frame.width.div_ceil(width).max(frame.height.div_ceil(tallest.max(1)));
        if up >= 1 { Self { up, down: 1 } } else { Self { up: 1, down } }
    }

    /// A distance in px of the picture as one in px drawn.
    fn of(self, px: f64) -> f64 {
        px * self.up as f64 / self.down as f64
    }

    /// The grid at this zoom in greys of the palette, stretched over its whole range.
    fn shown(self, levels: &Grid<u8>) -> GrayImage {
        let (low, high) =
            levels.as_slice().iter().fold((u8::MAX, u8::MIN), |(low, high), &v| (low.min(v), high.max(v)));
        let range = usize::from(high - low).max(1);
        let side = |px: usize| (px * self.up).div_ceil(self.down);
        let mean =
            |at: usize, most: usize| (at / self.up * self.down)..((at / self.up + 1) * self.down).min(most);
        GrayImage::from_fn(side(levels.width()) as u32, side(levels.height()) as u32, |x, y| {
            let (columns, rows) = (mean(x as usize, levels.width()), mean(y as usize, levels.height()));
            let count = columns.len() * rows.len();
            let sum: usize = rows
                .map(|row| levels.row(row)[columns.clone()].iter().map(|&v| usize::from(v)).sum::<usize>())
                .sum();
            let step = (sum / count.max(1) - usize::from(low)) * (GREYS - 1) / range;
            Luma([(step * usize::from(WHITE) / (GREYS - 1)) as u8])
        })
    }
}

/// Where marks are drawn: the part of the image that shows the picture.
struct Marks<'a> {
    indices: &'a mut GrayImage,
    width: usize,
    height: usize,
    broken: bool,
}

impl Marks<'_> {
    /// Fills a rectangle, of which the part outside is left out; `along` counts for the breaks in a line.
    fn fill(&mut self, x: std::ops::Range<i64>, y: std::ops::Range<i64>, colour: u8) {
        let upright = y.end - y.start > x.end - x.start;
        let inside = |range: std::ops::Range<i64>, most: usize| {
            range.start.clamp(0, most as i64)..range.end.clamp(0, most as i64)
        };
        for row in inside(y, self.height) {
            for column in inside(x.clone(), self.width) {
                let along = if upright { row } else { column } as usize;
                if !self.broken || along % (DASH.0 + DASH.1) < DASH.0 {
                    self.indices.put_pixel(column as u32, row as u32, Luma([colour]));
                }
            }
        }
    }

    /// A line two px wide with a dark one on its outer side, so that it shows on any ground.
    fn line(&mut self, x: std::ops::Range<i64>, y: std::ops::Range<i64>, outward: (i64, i64)) {
        let (dx, dy) = (2 * outward.0, 2 * outward.1);
        self.fill(x.start + dx..x.end + dx, y.start + dy..y.end + dy, place::MARK_EDGE);
        self.fill(x, y, place::BOUNDARY);
    }
}

fn mark(marks: &mut Marks<'_>, read: &BarReading, frame: Frame, zoom: Zoom) {
    let column = |px: f64| zoom.of(px - frame.x as f64).round() as i64;
    let row = |px: f64| zoom.of(px - frame.y as f64).round() as i64;
    if let Some(text) = read.label.as_ref().map(|label| label.frame) {
        let gap = 4;
        let (left, right) = (column(text.x as f64) - gap, column((text.x + text.width) as f64) + gap);
        let (top, bottom) = (row(text.y as f64) - gap, row((text.y + text.height) as f64) + gap);
        marks.line(left - 2..right + 2, top - 2..top, (0, -1));
        marks.line(left - 2..right + 2, bottom..bottom + 2, (0, 1));
        marks.line(left - 2..left, top - 2..bottom + 2, (-1, 0));
        marks.line(right..right + 2, top - 2..bottom + 2, (1, 0));
    }
    let text_height = read.label.as_ref().map_or(16, |label| label.frame.height);
    let reach = (zoom.of(0.6 * text_height as f64) as i64).clamp(10, 60);
    let middle = row(read.bar.row_px);
    // Beside a solid bar, whose outer ends count; on the middle of a cap or a tick.
    let aside = i64::from(read.bar.style == BarStyle::Solid);
    let (left, right) = (column(read.bar.left_px) - aside, column(read.bar.right_px) + aside);
    marks.line(left - 1..left + 1, middle - reach..middle + reach, (-1, 0));
    marks.line(right - 1..right + 1, middle - reach..middle + reach, (1, 0));
}

/// The words in black on white, broken into lines that fit; `None` without any.
fn text_band(words: &[String], widest: usize, picture_width: usize) -> Option<Grid<f32>> {
    let width = picture_width.max(NARROWEST_TEXT.min(widest));
    let size = (widest as f32 / 44.0).max(13.0);
    let margin = (0.6 * size) as usize;
    let room = (width - 2 * margin) as f32;
    let lines: Vec<Lettering> = words
        .iter()
        .enumerate()
        .flat_map(|(k, text)| wrapped(text, size, if k == 0 { Typeface::Bold } else { Typeface::Sans }, room))
        .collect();
    if lines.is_empty() {
        return None;
    }
    let step = (1.25 * size) as usize;
    let mut band = Grid::filled(width, lines.len() * step + 2 * margin, 1.0f32);
    for (k, line) in lines.iter().enumerate() {
        line.draw(&mut band, (margin, margin + k * step + (0.9 * size) as usize), 0.1);
    }
    Some(band)
}

/// A text in lines of at most `room` px; a single word may be longer.
fn wrapped(text: &str, size: f32, typeface: Typeface, room: f32) -> Vec<Lettering> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if lettering(&format!("{line} {word}"), size, typeface).width <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.iter().map(|line| lettering(line, size, typeface)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::{Bar, LabelReading};

    fn reading(doubt: Option<&str>) -> BarReading {
        let bar =
            Bar { left_px: 60.0, right_px: 120.0, row_px: 80.0, style: BarStyle::Solid, uncertainty_px: 0.5 };
        let frame = Frame { x: 80, y: 55, width: 20, height: 12 };
        let label = LabelReading { text: "5 µm".into(), length_um: 5.0, probability: 0.99, frame };
        BarReading { bar, confidence: 0.9, label: Some(label), doubt: doubt.map(str::to_owned) }
    }

    fn drawn(doubt: Option<&str>, words: &[String]) -> Overlay {
        let grey = Grey::Eight(Grid::from_fn(200, 100, |x, y| {
            if (60..120).contains(&x) && (78..82).contains(&y) { 255 } else { 20 }
        }));
        bar_crop(&grey, &BarCrop { bar: &reading(doubt), words, width: 600 })
    }

    fn count(overlay: &Overlay, colour: u8) -> usize {
        overlay.indices.iter().filter(|&&index| index == colour).count()
    }

    #[test]
    fn posts_stand_at_the_ends_of_the_bar() {
        let overlay = drawn(None, &[]);
        // By hand: a rim of 9 px, twice that to the sides, so columns 42 to 138 and rows 46 to 98; enlarged 6 times.
        let (width, height) = overlay.indices.dimensions();
        assert_eq!((width, height), (96 * 6, 52 * 6));
        let row =
            |y: u32| (0..width).filter(move |&x| overlay.indices.get_pixel(x, y).0[0] == place::BOUNDARY);
        let posts: Vec<u32> = row((80 - 46) * 6).collect();
        let (left, right) = ((60 - 42) * 6, (120 - 42) * 6);
        assert_eq!(posts, [left - 2, left - 1, right, right + 1]);
    }

    #[test]
    fn doubtful_bars_have_broken_marks() {
        let (sure, doubtful) = (drawn(None, &[]), drawn(Some("blurred"), &[]));
        let (whole, broken) = (count(&sure, place::BOUNDARY), count(&doubtful, place::BOUNDARY));
        assert!(broken < whole * 2 / 3 && broken > whole / 3, "{broken} of {whole}");
    }

    #[test]
    fn words_stand_below_and_are_broken_into_lines() {
        let bare = drawn(None, &[]).indices.height();
        let line = |text: &str| drawn(None, &[text.to_owned()]).indices.height() - bare;
        assert!(line("short") > 10);
        assert!(line(&"several words ".repeat(12)) > 2 * line("short"));
    }

    #[test]
    fn large_bars_are_reduced_and_those_at_the_rim_stay_inside() {
        let grey = Grey::Sixteen(Grid::from_fn(3000, 60, |x, _| if x > 2500 { 4000 } else { 100 }));
        let bar = Bar { left_px: 0.0, right_px: 3000.0, row_px: 0.0, ..reading(None).bar };
        let read = BarReading { bar, label: None, ..reading(None) };
        let overlay = bar_crop(&grey, &BarCrop { bar: &read, words: &[], width: 360 });
        assert!(overlay.indices.width() <= 360 && overlay.indices.width() > 300);
        assert!(super::super::packed_png(&overlay).len() < 4000);
    }
}
