//! The picture with what was found drawn over it, so that a person can judge the result by eye.
//!
//! Blue and orange differ for every kind of colour vision; pull-out is striped as well, so that it can be told from
//! pores in grey print; marks have a dark and a light line, so that they show on any ground.

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, Rgb, RgbImage};
use imageproc::drawing::{draw_hollow_circle_mut, draw_hollow_rect_mut, draw_line_segment_mut};
use imageproc::rect::Rect;
use rayon::prelude::*;

use crate::grid::{Frame, Labels};
use crate::micrograph::Grey;
use crate::scale::Bar;

/// Fill of pores.
pub const PORE: [u8; 3] = [66, 170, 240];
/// Stripes of voids that look like pull-out.
pub const PULL_OUT: [u8; 3] = [250, 214, 236];
/// Lines between grains.
pub const BOUNDARY: [u8; 3] = [247, 148, 29];
/// Test lines.
pub const TEST_LINE: [u8; 3] = [150, 240, 214];
/// Light line of the marks: frame and bar.
pub const MARK: [u8; 3] = [255, 255, 255];
/// Dark line beside it.
pub const MARK_EDGE: [u8; 3] = [16, 24, 48];

const FILL_PERCENT: u16 = 58;
const OUTSIDE_PERCENT: u16 = 55;
const STRIPE_PX: usize = 3;

/// What is drawn over a picture. Label maps and test lines count from the corner of `frame`.
#[derive(Clone, Copy, Debug)]
pub struct OverlayView<'a> {
    /// Pores, filled.
    pub pores: Option<&'a Labels>,
    /// For each pore label, from label 1, whether it looks like pull-out; labels beyond its end do not.
    pub pull_out: &'a [bool],
    /// Grains; a line is drawn where two of them meet.
    pub grains: Option<&'a Labels>,
    /// The measured part of the picture; what lies outside is dimmed.
    pub frame: Frame,
    /// The scale bar that was measured, in pixels of the whole picture.
    pub bar: Option<&'a Bar>,
    /// Test lines to be shown.
    pub lines: &'a [TestLine],
}

/// A test line in px; (0, 0) is the centre of the first pixel of the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TestLine {
    /// A straight line between two points.
    Straight {
        /// Column and row of one end.
        from: (f64, f64),
        /// Column and row of the other end.
        to: (f64, f64),
    },
    /// A circle.
    Circle {
        /// Column and row of the centre.
        centre: (f64, f64),
        /// Radius.
        radius: f64,
    },
}

/// Draws `view` over the picture. 16-bit pictures are stretched from the 0.5th to the 99.5th percentile of their grey
/// levels; 8-bit pictures keep theirs. A label map that does not have the shape of the frame is not drawn.
pub fn overlay(grey: &Grey, view: &OverlayView) -> RgbImage {
    let shown = match grey {
        Grey::Eight(grid) => painted(grid.as_slice(), grey, view, &|level: u8| level),
        Grey::Sixteen(grid) => {
            let levels = stretch(grid.as_slice());
            painted(grid.as_slice(), grey, view, &|level: u16| levels[usize::from(level)])
        }
    };
    let mut picture = RgbImage::from_raw(grey.width() as u32, grey.height() as u32, shown)
        .expect("invariant: three bytes for each pixel of the grid");
    draw_test_lines(&mut picture, view);
    draw_frame(&mut picture, view.frame);
    if let Some(bar) = view.bar {
        draw_bar(&mut picture, bar);
    }
    picture
}

/// The picture as PNG, packed for speed rather than for size.
pub fn png(picture: &RgbImage) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(picture.len() / 3);
    let mut encoder = png::Encoder::new(&mut bytes, picture.width(), picture.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    let mut writer = encoder.write_header().expect("invariant: memory takes every write");
    writer.write_image_data(picture).expect("invariant: the buffer has the size of the picture");
    writer.finish().expect("invariant: memory takes every write");
    bytes
}

/// A JPEG of the picture, no side longer than `longest_side` px, for a page.
///
/// Coloured pixels weigh more than grey ones, so that one-pixel lines survive the reduction.
pub fn thumbnail(picture: &RgbImage, longest_side: u32) -> Vec<u8> {
    let (width, height) = picture.dimensions();
    let block = width.max(height).div_ceil(longest_side.max(1)).max(1);
    let (columns, rows) = (width.div_ceil(block), height.div_ceil(block));
    let reduced: Vec<u8> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| (0..columns).flat_map(move |column| block_colour(picture, column * block, row * block, block)))
        .collect();
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 82)
        .encode(&reduced, columns, rows, ExtendedColorType::Rgb8)
        .expect("invariant: the buffer has the size of the picture, and memory takes every write");
    bytes
}

fn block_colour(picture: &RgbImage, left: u32, top: u32, block: u32) -> [u8; 3] {
    let mut sums = [0u64; 3];
    let mut weights = 0;
    for y in top..(top + block).min(picture.height()) {
        for x in left..(left + block).min(picture.width()) {
            let Rgb([r, g, b]) = *picture.get_pixel(x, y);
            let chroma = r.max(g).max(b) - r.min(g).min(b);
            let weight = 16 + u64::from(chroma) * u64::from(block.min(12)) / 8;
            weights += weight;
            for (sum, level) in sums.iter_mut().zip([r, g, b]) {
                *sum += weight * u64::from(level);
            }
        }
    }
    sums.map(|sum| (sum / weights.max(1)) as u8)
}

/// The 8-bit level of every 16-bit one.
fn stretch(levels: &[u16]) -> Vec<u8> {
    let counts = levels
        .par_chunks(1 << 20)
        .map(|part| {
            let mut counts = vec![0u64; 1 << 16];
            part.iter().for_each(|&level| counts[usize::from(level)] += 1);
            counts
        })
        .reduce_with(|mut sum, part| {
            sum.iter_mut().zip(part).for_each(|(a, b)| *a += b);
            sum
        })
        .unwrap_or_default();
    let cut = levels.len() as u64 / 200;
    let low = percentile(counts.iter(), cut);
    let high = (counts.len() - 1).saturating_sub(percentile(counts.iter().rev(), cut)).max(low + 1);
    (0..=u16::MAX)
        .map(|level| {
            let above = usize::from(level).clamp(low, high) - low;
            (above * 255 / (high - low)) as u8
        })
        .collect()
}

/// Entries from the start of `counts` before more than `cut` are passed.
fn percentile<'a>(counts: impl Iterator<Item = &'a u64>, cut: u64) -> usize {
    let sums = counts.scan(0, |sum, count| {
        *sum += count;
        Some(*sum)
    });
    sums.take_while(|&sum| sum <= cut).count()
}

fn painted<T: Copy + Sync>(levels: &[T], grey: &Grey, view: &OverlayView, shown: &(impl Fn(T) -> u8 + Sync)) -> Vec<u8> {
    let width = grey.width();
    let palette = Palette::new();
    let mut bytes = vec![0; levels.len() * 3];
    bytes.par_chunks_mut(width * 3).zip(levels.par_chunks(width)).enumerate().for_each(|(y, (out, row))| {
        paint_row(out, row.iter().map(|&level| shown(level)), y, view, &palette);
    });
    bytes
}

/// The colour of every grey level, for each thing that a pixel may belong to.
struct Palette {
    outside: [[u8; 3]; 256],
    pore: [[u8; 3]; 256],
    pull_out: [[u8; 3]; 256],
}

impl Palette {
    fn new() -> Self {
        Self {
            outside: tinted(MARK_EDGE, OUTSIDE_PERCENT),
            pore: tinted(PORE, FILL_PERCENT),
            pull_out: tinted(PULL_OUT, FILL_PERCENT + 20),
        }
    }
}

fn tinted(colour: [u8; 3], percent: u16) -> [[u8; 3]; 256] {
    std::array::from_fn(|level| {
        colour.map(|c| ((u16::from(c) * percent + level as u16 * (100 - percent)) / 100) as u8)
    })
}

fn paint_row(out: &mut [u8], shown: impl Iterator<Item = u8>, y: usize, view: &OverlayView, palette: &Palette) {
    let frame = view.frame;
    let pixels = out.as_chunks_mut::<3>().0;
    let inside = if (frame.y..frame.y + frame.height).contains(&y) { frame.x..frame.x + frame.width } else { 0..0 };
    for (x, (pixel, level)) in pixels.iter_mut().zip(shown).enumerate() {
        *pixel = if inside.contains(&x) { [level; 3] } else { palette.outside[usize::from(level)] };
    }
    let Some(pixels) = pixels.get_mut(inside).filter(|pixels| !pixels.is_empty()) else {
        return;
    };
    let row = y - frame.y;
    if let Some(grains) = fitting(view.grains, frame) {
        paint_boundaries(pixels, grains, row);
    }
    if let Some(pores) = fitting(view.pores, frame) {
        paint_pores(pixels, (pores.grid.row(row), row), view.pull_out, palette);
    }
}

fn fitting<'a>(labels: Option<&'a Labels>, frame: Frame) -> Option<&'a Labels> {
    labels.filter(|labels| labels.grid.width() == frame.width && labels.grid.height() == frame.height)
}

/// A line lies on the left or upper of two pixels that belong to different grains, so it is one pixel wide.
fn paint_boundaries(pixels: &mut [[u8; 3]], grains: &Labels, row: usize) {
    let here = grains.grid.row(row);
    let below = grains.grid.row((row + 1).min(grains.grid.height() - 1));
    let right = here.iter().skip(1).chain(here.last());
    for (((pixel, &label), &right), &below) in pixels.iter_mut().zip(here).zip(right).zip(below) {
        let meets = |other: u32| other != label && other != 0;
        if label != 0 && (meets(right) || meets(below)) {
            *pixel = BOUNDARY;
        }
    }
}

fn paint_pores(pixels: &mut [[u8; 3]], (labels, row): (&[u32], usize), pull_out: &[bool], palette: &Palette) {
    for (x, (pixel, &label)) in pixels.iter_mut().zip(labels).enumerate() {
        if label == 0 {
            continue;
        }
        let level = usize::from(pixel[0]);
        let torn = pull_out.get(label as usize - 1).copied().unwrap_or(false);
        let stripe = ((x + row) / STRIPE_PX).is_multiple_of(2);
        *pixel = if torn && stripe { palette.pull_out[level] } else { palette.pore[level] };
    }
}

fn draw_test_lines(picture: &mut RgbImage, view: &OverlayView) {
    let shifted = |(x, y): (f64, f64)| ((x + view.frame.x as f64) as f32, (y + view.frame.y as f64) as f32);
    for line in view.lines {
        match *line {
            TestLine::Straight { from, to } => {
                draw_line_segment_mut(picture, shifted(from), shifted(to), Rgb(TEST_LINE));
            }
            TestLine::Circle { centre, radius } => {
                let (x, y) = shifted(centre);
                let centre = (x.round() as i32, y.round() as i32);
                draw_hollow_circle_mut(picture, centre, radius.round() as i32, Rgb(TEST_LINE));
            }
        }
    }
}

/// A light line just inside the frame with a dark one inside it, where the frame is not the whole picture.
fn draw_frame(picture: &mut RgbImage, frame: Frame) {
    if (frame.width, frame.height) == (picture.width() as usize, picture.height() as usize) {
        return;
    }
    for (inset, colour) in [(0, MARK), (1, MARK_EDGE)] {
        let (width, height) = (frame.width as u32, frame.height as u32);
        if width > 2 * inset && height > 2 * inset {
            let corner = Rect::at((frame.x as u32 + inset) as i32, (frame.y as u32 + inset) as i32);
            draw_hollow_rect_mut(picture, corner.of_size(width - 2 * inset, height - 2 * inset), Rgb(colour));
        }
    }
}

/// Two posts at the ends of the bar and a line above it that joins them.
fn draw_bar(picture: &mut RgbImage, bar: &Bar) {
    let reach = (picture.height() as f32 / 60.0).clamp(5.0, 40.0);
    let (row, left, right) = (bar.row_px as f32, bar.left_px as f32, bar.right_px as f32);
    for (shift, colour) in [(1.0, MARK_EDGE), (-1.0, MARK_EDGE), (0.0, BOUNDARY)] {
        for x in [left, right] {
            draw_line_segment_mut(picture, (x + shift, row - reach), (x + shift, row + reach), Rgb(colour));
        }
        let above = row - reach + shift;
        draw_line_segment_mut(picture, (left, above), (right, above), Rgb(colour));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Grid;

    fn view(frame: Frame) -> OverlayView<'static> {
        OverlayView { pores: None, pull_out: &[], grains: None, frame, bar: None, lines: &[] }
    }

    const WHOLE: Frame = Frame { x: 0, y: 0, width: 4, height: 3 };

    #[test]
    fn a_boundary_is_one_pixel_wide_and_pores_have_none() {
        let grey = Grey::Eight(Grid::filled(4, 3, 100));
        let grains = Labels { grid: Grid::new(4, 3, vec![1, 1, 2, 2, 1, 1, 2, 2, 1, 0, 0, 2]).unwrap(), count: 2 };
        let picture = overlay(&grey, &OverlayView { grains: Some(&grains), ..view(WHOLE) });
        let lines: Vec<bool> = picture.pixels().map(|p| p.0 == BOUNDARY).collect();
        let expected = [0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0].map(|v| v == 1);
        assert_eq!(lines, expected);
    }

    #[test]
    fn pores_are_filled_so_that_the_grey_below_still_shows() {
        let grey = Grey::Eight(Grid::new(4, 3, (0..12).map(|i| i * 20).collect()).unwrap());
        let pores = Labels { grid: Grid::new(4, 3, vec![0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 2]).unwrap(), count: 2 };
        let picture = overlay(&grey, &OverlayView { pores: Some(&pores), pull_out: &[false, true], ..view(WHOLE) });
        let at = |x, y| picture.get_pixel(x, y).0;
        assert_eq!(at(0, 1), [80; 3], "the solid keeps its grey");
        assert_ne!(at(1, 0), at(2, 0), "grey shows through");
        assert!(at(1, 0)[2] > at(1, 0)[0] + 60, "pores are blue");
        assert_eq!(at(0, 0), [0; 3]);
    }

    #[test]
    fn sixteen_bits_are_stretched_and_constant_pictures_do_no_harm() {
        let grey = Grey::Sixteen(Grid::from_fn(200, 10, |x, _| 1000 + x as u16 * 10));
        let picture = overlay(&grey, &view(Frame { x: 0, y: 0, width: 200, height: 10 }));
        assert_eq!(picture.get_pixel(0, 0).0, [0; 3]);
        assert_eq!(picture.get_pixel(199, 0).0, [255; 3]);
        let constant = Grey::Sixteen(Grid::filled(3, 3, u16::MAX));
        overlay(&constant, &view(Frame { x: 0, y: 0, width: 3, height: 3 }));
        overlay(&Grey::Sixteen(Grid::filled(1, 1, 0)), &view(Frame { x: 0, y: 0, width: 1, height: 1 }));
    }

    #[test]
    fn what_was_not_measured_is_dimmed_and_marks_stay_inside_the_picture() {
        let grey = Grey::Eight(Grid::filled(40, 30, 200));
        let bar = Bar {
            left_px: -5.0,
            right_px: 60.0,
            row_px: 28.0,
            style: crate::scale::BarStyle::Solid,
            uncertainty_px: 0.5,
        };
        let frame = Frame { x: 0, y: 0, width: 40, height: 20 };
        let line = TestLine::Straight { from: (-10.0, 3.0), to: (90.0, 3.0) };
        let circle = TestLine::Circle { centre: (20.0, 10.0), radius: 50.0 };
        let picture = overlay(&grey, &OverlayView { bar: Some(&bar), lines: &[line, circle], ..view(frame) });
        assert_eq!(picture.get_pixel(5, 8).0, [200; 3]);
        assert!(picture.get_pixel(5, 26).0[0] < 120);
        assert_eq!(picture.get_pixel(0, 0).0, MARK);
        assert_eq!(picture.get_pixel(10, 3).0, TEST_LINE);
    }

    #[test]
    fn png_and_thumbnail_keep_shape_and_lines() {
        let mut picture = RgbImage::from_pixel(400, 200, Rgb([90; 3]));
        (0..200).for_each(|y| picture.put_pixel(201, y, Rgb(BOUNDARY)));
        let decoded = image::load_from_memory(&png(&picture)).unwrap().into_rgb8();
        assert_eq!(decoded, picture);
        let small = image::load_from_memory(&thumbnail(&picture, 100)).unwrap().into_rgb8();
        assert_eq!(small.dimensions(), (100, 50));
        let line = small.get_pixel(50, 25).0;
        assert!(line[0] > line[2] + 40, "a one-pixel line is still seen: {line:?}");
        assert_eq!(image::load_from_memory(&thumbnail(&picture, 1000)).unwrap().width(), 400);
    }
}
