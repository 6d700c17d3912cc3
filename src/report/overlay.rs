//! The picture with what was found drawn over it, so that a person can judge the result by eye.
//!
//! Blue and orange differ for every kind of colour vision; pull-out is striped as well, so that it can be told from
//! pores in grey print; marks have a dark and a light line, so that they show on any ground. Doubt about a boundary is
//! shown by breaks in its line, which need no colour to be seen.

mod crop;

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, GrayImage, Luma};
use imageproc::drawing::{draw_hollow_circle_mut, draw_hollow_rect_mut, draw_line_segment_mut};
use imageproc::rect::Rect;
use rayon::prelude::*;

use crate::grid::{Frame, Labels};
use crate::measure::test_line::TestLine;
use crate::micrograph::Grey;
use crate::report::doubt::{Passage, passage};
use crate::scale::Bar;
use crate::segment::learned::grains::Likely;

pub use crop::{BarCrop, bar_crop};

/// Fill of pores.
pub const PORE: [u8; 3] = [66, 170, 240];
/// Stripes of voids that look like pull-out.
pub const PULL_OUT: [u8; 3] = [250, 214, 236];
/// Lines between grains.
pub const BOUNDARY: [u8; 3] = [247, 148, 29];
/// Dots where a boundary was not taken but may be one.
pub const POSSIBLE: [u8; 3] = [255, 240, 150];
/// Test lines.
pub const TEST_LINE: [u8; 3] = [92, 64, 240];
/// Light line of the marks: frame and bar.
pub const MARK: [u8; 3] = [255, 255, 255];
/// Dark line beside it.
pub const MARK_EDGE: [u8; 3] = [16, 24, 48];

const STRIPE_PX: usize = 3;
/// Length of a dash and of the gap behind it, of a dot and of the gap behind it, in steps.
const DASH: (usize, usize) = (5, 3);
const DOT: (usize, usize) = (2, 3);
/// Dashes grow by a step for this many px of the longer side, so that they are seen on a reduced picture too.
const PX_PER_STEP: usize = 1000;

/// A picture of at most 256 colours, one byte a pixel: a third of the memory and of the time to pack of full colour.
///
/// Grey levels are halved to make room for tints of the same picture; the eye does not tell 128 from 256.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Overlay {
    /// For each pixel its place in the palette.
    indices: GrayImage,
}

/// Places in the palette: where each range of tints begins, then the single colours.
mod place {
    pub const PORE: u8 = 128;
    pub const PULL_OUT: u8 = 184;
    pub const OUTSIDE: u8 = 208;
    pub const BOUNDARY: u8 = 240;
    pub const TEST_LINE: u8 = 241;
    pub const MARK: u8 = 242;
    pub const MARK_EDGE: u8 = 243;
    pub const POSSIBLE: u8 = 244;
}

/// What is drawn over a picture. Label maps and test lines count from the corner of `frame`.
#[derive(Clone, Copy, Debug)]
pub struct OverlayView<'a> {
    /// Pores, filled.
    pub pores: Option<&'a Labels>,
    /// For each pore label, from label 1, whether it looks like pull-out; labels beyond its end do not.
    pub pull_out: &'a [bool],
    /// Grains; a line is drawn where two of them meet.
    pub grains: Option<&'a Labels>,
    /// How likely the boundaries are; where known, doubtful ones are drawn as such.
    pub likely: Option<&'a Likely>,
    /// The measured part of the picture; what lies outside is dimmed.
    pub frame: Frame,
    /// The scale bar that was measured, in pixels of the whole picture.
    pub bar: Option<&'a Bar>,
    /// Test lines to be shown.
    pub lines: &'a [TestLine],
}

/// Draws `view` over the picture. 16-bit pictures are stretched from the 0.5th to the 99.5th percentile of their grey
/// levels; 8-bit pictures keep theirs. A label map that does not have the shape of the frame is not drawn.
pub fn overlay(grey: &Grey, view: &OverlayView) -> Overlay {
    let painted = match grey {
        Grey::Eight(grid) => painted(grid.as_slice(), grey.width(), view, &|level: u8| level / 2),
        Grey::Sixteen(grid) => {
            let levels = stretch(grid.as_slice());
            painted(grid.as_slice(), grey.width(), view, &|level: u16| levels[usize::from(level)])
        }
    };
    let mut indices = GrayImage::from_raw(grey.width() as u32, grey.height() as u32, painted)
        .expect("invariant: one byte for each pixel of the grid");
    draw_test_lines(&mut indices, view);
    draw_frame(&mut indices, view.frame);
    if let Some(bar) = view.bar {
        draw_bar(&mut indices, bar);
    }
    Overlay { indices }
}

/// The overlay with lines between grains `width_px` wide, for print, where one pixel of a large picture is not seen.
pub fn widened(overlay: &Overlay, width_px: u32) -> Overlay {
    let before = &overlay.indices;
    let mut indices = before.clone();
    let boundaries = before.enumerate_pixels().filter(|(_, _, index)| index.0[0] == place::BOUNDARY);
    for (x, y, _) in boundaries {
        let columns = x.saturating_sub((width_px - 1) / 2)..(x + 1 + width_px / 2).min(before.width());
        for row in y.saturating_sub((width_px - 1) / 2)..(y + 1 + width_px / 2).min(before.height()) {
            columns.clone().for_each(|column| indices.put_pixel(column, row, Luma([place::BOUNDARY])));
        }
    }
    Overlay { indices }
}

/// The overlay as PNG with a palette, packed for speed rather than for size.
pub fn png(overlay: &Overlay) -> Vec<u8> {
    encoded(overlay, png::Compression::Fast)
}

/// The same, packed for size.
pub fn packed_png(overlay: &Overlay) -> Vec<u8> {
    encoded(overlay, png::Compression::High)
}

fn encoded(overlay: &Overlay, compression: png::Compression) -> Vec<u8> {
    let indices = &overlay.indices;
    let mut bytes = Vec::with_capacity(indices.len() / 2);
    let mut encoder = png::Encoder::new(&mut bytes, indices.width(), indices.height());
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    let mut colours = palette();
    if !indices.contains(&place::POSSIBLE) {
        // Pictures without such boundaries keep the bytes that they always had.
        colours[usize::from(place::POSSIBLE)] = [0; 3];
    }
    encoder.set_palette(colours.concat());
    encoder.set_compression(compression);
    let mut writer = encoder.write_header().expect("invariant: memory takes every write");
    writer.write_image_data(indices).expect("invariant: the buffer has the size of the picture");
    writer.finish().expect("invariant: memory takes every write");
    bytes
}

/// A JPEG of the overlay, no side longer than `longest_side` px, for a page.
///
/// Coloured pixels weigh more than grey ones, so that one-pixel lines survive the reduction.
pub fn thumbnail(overlay: &Overlay, longest_side: u32) -> Vec<u8> {
    let indices = &overlay.indices;
    let (width, height) = indices.dimensions();
    let block = width.max(height).div_ceil(longest_side.max(1)).max(1);
    let (columns, rows) = (width.div_ceil(block), height.div_ceil(block));
    let weighted: Vec<[u64; 4]> = palette().iter().map(|&colour| weighted(colour, block)).collect();
    let reduced: Vec<u8> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| {
            let weighted = &weighted;
            (0..columns)
                .flat_map(move |column| block_colour(indices, (column * block, row * block), block, weighted))
        })
        .collect();
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 82)
        .encode(&reduced, columns, rows, ExtendedColorType::Rgb8)
        .expect("invariant: the buffer has the size of the picture, and memory takes every write");
    bytes
}

/// A colour times its weight, and the weight.
fn weighted(colour: [u8; 3], block: u32) -> [u64; 4] {
    let [r, g, b] = colour;
    let chroma = r.max(g).max(b) - r.min(g).min(b);
    let weight = 16 + u64::from(chroma) * u64::from(block.min(12)) / 8;
    [u64::from(r) * weight, u64::from(g) * weight, u64::from(b) * weight, weight]
}

fn block_colour(indices: &GrayImage, (left, top): (u32, u32), block: u32, weighted: &[[u64; 4]]) -> [u8; 3] {
    let columns = left as usize..(left + block).min(indices.width()) as usize;
    let mut sums = [0u64; 4];
    for y in top..(top + block).min(indices.height()) {
        let start = y as usize * indices.width() as usize;
        for &index in &indices.as_raw()[start + columns.start..start + columns.end] {
            sums.iter_mut().zip(weighted[usize::from(index)]).for_each(|(sum, part)| *sum += part);
        }
    }
    let weight = sums[3].max(1);
    [sums[0], sums[1], sums[2]].map(|sum| (sum / weight) as u8)
}

/// The colours: 128 greys, tints of them for pores, pull-out and what lies outside, and the colours of lines.
fn palette() -> [[u8; 3]; 256] {
    let mut colours = [[0; 3]; 256];
    fill_tints(&mut colours[..usize::from(place::PORE)], [0; 3], 0);
    fill_tints(&mut colours[usize::from(place::PORE)..usize::from(place::PULL_OUT)], PORE, 58);
    fill_tints(&mut colours[usize::from(place::PULL_OUT)..usize::from(place::OUTSIDE)], PULL_OUT, 78);
    fill_tints(&mut colours[usize::from(place::OUTSIDE)..usize::from(place::BOUNDARY)], MARK_EDGE, 55);
    for (place, colour) in [
        (place::BOUNDARY, BOUNDARY),
        (place::TEST_LINE, TEST_LINE),
        (place::MARK, MARK),
        (place::MARK_EDGE, MARK_EDGE),
        (place::POSSIBLE, POSSIBLE),
    ] {
        colours[usize::from(place)] = colour;
    }
    colours
}

/// Black to white in even steps, with `percent` of `colour` mixed in.
fn fill_tints(colours: &mut [[u8; 3]], colour: [u8; 3], percent: usize) {
    let last = colours.len() - 1;
    for (step, tint) in colours.iter_mut().enumerate() {
        let grey = step * 255 / last;
        *tint = colour.map(|c| ((usize::from(c) * percent + grey * (100 - percent)) / 100) as u8);
    }
}

/// The place in the palette of every 16-bit level.
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
            (above * 127 / (high - low)) as u8
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

fn painted<T: Copy + Sync>(
    levels: &[T],
    width: usize,
    view: &OverlayView,
    shown: &(impl Fn(T) -> u8 + Sync),
) -> Vec<u8> {
    let mut indices = vec![0; levels.len()];
    indices.par_chunks_mut(width).zip(levels.par_chunks(width)).enumerate().for_each(|(y, (out, row))| {
        for (index, &level) in out.iter_mut().zip(row) {
            *index = shown(level);
        }
        paint_row(out, y, view);
    });
    indices
}

/// Turns a row of grey into a row of the overlay.
fn paint_row(indices: &mut [u8], y: usize, view: &OverlayView) {
    let frame = view.frame;
    let right = frame.x + frame.width;
    if !(frame.y..frame.y + frame.height).contains(&y) || right > indices.len() {
        return dim(indices);
    }
    dim(&mut indices[..frame.x]);
    dim(&mut indices[right..]);
    let (inside, row) = (&mut indices[frame.x..right], y - frame.y);
    if let Some(grains) = fitting(view.grains, frame) {
        match view.likely {
            Some(likely) => paint_likely_boundaries(inside, grains, likely, row),
            None => paint_boundaries(inside, grains, row),
        }
    }
    if let Some(pores) = fitting(view.pores, frame) {
        paint_pores(inside, pores.grid.row(row), row, view.pull_out);
    }
}

fn dim(indices: &mut [u8]) {
    indices.iter_mut().for_each(|index| *index = place::OUTSIDE + *index / 4);
}

fn fitting(labels: Option<&Labels>, frame: Frame) -> Option<&Labels> {
    labels.filter(|labels| labels.grid.width() == frame.width && labels.grid.height() == frame.height)
}

/// A line lies on the left or upper of two pixels that belong to different grains, so it is one pixel wide.
fn paint_boundaries(indices: &mut [u8], grains: &Labels, row: usize) {
    let here = grains.grid.row(row);
    let below = grains.grid.row((row + 1).min(grains.grid.height() - 1));
    let right = here.iter().skip(1).chain(here.last());
    for (((index, &label), &right), &below) in indices.iter_mut().zip(here).zip(right).zip(below) {
        let meets_right = (right != label) & (right != 0);
        let meets_below = (below != label) & (below != 0);
        if (label != 0) & (meets_right | meets_below) {
            *index = place::BOUNDARY;
        }
    }
}

/// As [`paint_boundaries`], in dashes where a boundary is doubtful, and dots where one that was not taken is possible.
///
/// Breaks are counted along the columns where the line is crossed from above, else along the rows, so that a line in
/// any direction has them.
fn paint_likely_boundaries(indices: &mut [u8], grains: &Labels, likely: &Likely, row: usize) {
    let (width, height) = (grains.grid.width(), grains.grid.height());
    let step = width.max(height).div_ceil(PX_PER_STEP);
    for (column, index) in indices.iter_mut().enumerate() {
        let here = (column, row);
        let below = (row + 1 < height).then(|| passage(grains, likely, here, (column, row + 1))).flatten();
        let right = (column + 1 < width).then(|| passage(grains, likely, here, (column + 1, row))).flatten();
        let along = if below.is_some() { column } else { row };
        let shows = |(on, off): (usize, usize)| along / step % (on + off) < on;
        match [below, right].into_iter().flatten().max() {
            Some(Passage::Taken) => *index = place::BOUNDARY,
            Some(Passage::Doubtful) if shows(DASH) => *index = place::BOUNDARY,
            Some(Passage::Possible) if shows(DOT) => *index = place::POSSIBLE,
            _ => {}
        }
    }
}

fn paint_pores(indices: &mut [u8], labels: &[u32], row: usize, pull_out: &[bool]) {
    for (x, (index, &label)) in indices.iter_mut().zip(labels).enumerate() {
        if label == 0 {
            continue;
        }
        let grey = (*index).min(127);
        let torn = pull_out.get(label as usize - 1).copied().unwrap_or(false);
        let stripe = ((x + row) / STRIPE_PX).is_multiple_of(2);
        *index = if torn && stripe { place::PULL_OUT + grey / 6 } else { place::PORE + grey / 7 * 3 };
    }
}

fn draw_test_lines(picture: &mut GrayImage, view: &OverlayView) {
    let shifted = |(x, y): (f64, f64)| ((x + view.frame.x as f64) as f32, (y + view.frame.y as f64) as f32);
    for line in view.lines {
        match *line {
            TestLine::Straight { from, to } => {
                draw_line_segment_mut(picture, shifted(from), shifted(to), Luma([place::TEST_LINE]));
            }
            TestLine::Circle { centre, radius } => {
                let (x, y) = shifted(centre);
                let centre = (x.round() as i32, y.round() as i32);
                draw_hollow_circle_mut(picture, centre, radius.round() as i32, Luma([place::TEST_LINE]));
            }
        }
    }
}

/// A light line just inside the frame with a dark one inside it, where the frame is not the whole picture.
fn draw_frame(picture: &mut GrayImage, frame: Frame) {
    if (frame.width, frame.height) == (picture.width() as usize, picture.height() as usize) {
        return;
    }
    for (inset, colour) in [(0, place::MARK), (1, place::MARK_EDGE)] {
        let (width, height) = (frame.width as u32, frame.height as u32);
        if width > 2 * inset && height > 2 * inset {
            let corner = Rect::at((frame.x as u32 + inset) as i32, (frame.y as u32 + inset) as i32);
            draw_hollow_rect_mut(
                picture,
                corner.of_size(width - 2 * inset, height - 2 * inset),
                Luma([colour]),
            );
        }
    }
}

/// Two posts at the ends of the bar and a line above it that joins them.
fn draw_bar(picture: &mut GrayImage, bar: &Bar) {
    let reach = (picture.height() as f32 / 60.0).clamp(5.0, 40.0);
    let (row, left, right) = (bar.row_px as f32, bar.left_px as f32, bar.right_px as f32);
    for (shift, colour) in [(1.0, place::MARK_EDGE), (-1.0, place::MARK_EDGE), (0.0, place::BOUNDARY)] {
        for x in [left, right] {
            draw_line_segment_mut(
                picture,
                (x + shift, row - reach),
                (x + shift, row + reach),
                Luma([colour]),
            );
        }
        let above = row - reach + shift;
        draw_line_segment_mut(picture, (left, above), (right, above), Luma([colour]));
    }
}

#[cfg(test)]
mod tests;
