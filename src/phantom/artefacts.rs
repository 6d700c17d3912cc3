//! What goes wrong between a surface and its file: drifting rows, dust, streaks of charge, JPEG.

use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use rayon::prelude::*;

use super::random::{Purpose, Stream};
use super::smooth_field::SmoothField;
use crate::grid::Grid;

/// Rows over which the drift changes.
const DRIFT_ROWS: f64 = 14.0;

/// Shifts each row by up to `most_px`, rows next to each other alike.
pub(crate) fn drift(picture: &mut Grid<f32>, most_px: f64, seed: u64) {
    if most_px == 0.0 {
        return;
    }
    let (width, height) = (picture.width(), picture.height());
    let field = SmoothField::new((seed, Purpose::Drift, 0), DRIFT_ROWS, (1, height));
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        // Two standard deviations of the field reach the bound.
        let shift = most_px as f32 * (0.5 * field.at(0.0, y as f64)).clamp(-1.0, 1.0);
        let source = row.to_vec();
        let (step, share) = (if shift < 0.0 { -1 } else { 1 }, shift.abs());
        for (x, grey) in row.iter_mut().enumerate() {
            let next = x.saturating_add_signed(step).min(width - 1);
            *grey = source[x] * (1.0 - share) + source[next] * share;
        }
    });
}

/// Specks of dust: small blots with a soft rim, most of them bright, some with a dark hem.
pub(crate) fn dust(picture: &mut Grid<f32>, count: f64, seed: u64) {
    let mut stream = Stream::new(seed, Purpose::Dust, 0);
    let (width, height) = (picture.width() as f64, picture.height() as f64);
    for _ in 0..(count * width * height / (1024.0 * 768.0)).round() as usize {
        let centre = (stream.between(0.0, width), stream.between(0.0, height));
        let radius = 1.6 * stream.lognormal(0.5);
        let stretch = stream.between(0.6, 1.0);
        let angle = stream.between(0.0, std::f64::consts::PI);
        let tone = if stream.unit() < 0.75 { stream.between(0.12, 0.45) } else { -stream.between(0.08, 0.2) };
        let hem = if stream.unit() < 0.5 { stream.between(0.0, 0.5) } else { 0.0 };
        let (sine, cosine) = (libm::sin(angle), libm::cos(angle));
        let reach = 4.0 * radius;
        let span = |middle: f64, side: usize| {
            let from = (middle - reach).max(0.0) as usize;
            from.min(side)..((middle + reach).max(0.0) as usize + 1).min(side)
        };
        for y in span(centre.1, picture.height()) {
            for x in span(centre.0, picture.width()) {
                let (dx, dy) = (x as f64 + 0.5 - centre.0, y as f64 + 0.5 - centre.1);
                let (u, v) = (cosine * dx + sine * dy, (cosine * dy - sine * dx) / stretch);
                let t = (u * u + v * v) / (radius * radius);
                let blot = 1.0 / (1.0 + t * t) - hem * t / (1.0 + t * t * t);
                picture.set(x, y, picture.at(x, y) + (tone * blot) as f32);
            }
        }
    }
}

/// Streaks of charge along row `y`: they begin at once and die away in the direction of the scan.
pub(crate) struct Charging {
    strength: f64,
    seed: u64,
    bands: SmoothField,
}

impl Charging {
    pub(crate) fn new(strength: f64, height: usize, seed: u64) -> Self {
        // Bands of some rows get brighter together, as the charge leaks away slowly.
        Self { strength, seed, bands: SmoothField::new((seed, Purpose::Charging, 0), 5.0, (1, height)) }
    }

    pub(crate) fn add(&self, y: usize, row: &mut [f32]) {
        if self.strength == 0.0 {
            return;
        }
        let mut stream = Stream::new(self.seed, Purpose::Charging, 1 + y as u64);
        let width = row.len() as f64;
        let band = 0.12 * self.strength as f32 * self.bands.at(0.0, y as f64);
        row.iter_mut().for_each(|grey| *grey += band);
        for _ in 0..2 {
            if stream.unit() > 0.06 {
                continue;
            }
            let start = stream.between(-0.2, 0.9) * width;
            let length = width * stream.between(0.05, 0.5);
            let sign = if stream.unit() < 0.7 { 1.0 } else { -0.7 };
            let tone = sign * self.strength * stream.lognormal(0.4);
            for (x, grey) in row.iter_mut().enumerate().skip(start.max(0.0) as usize) {
                *grey += (tone * libm::exp(-(x as f64 - start) / length)) as f32;
            }
        }
    }
}

/// The picture as it comes back from a JPEG file of this quality.
pub(crate) fn through_jpeg(picture: Grid<u8>, quality: u8) -> Grid<u8> {
    let (width, height) = (picture.width(), picture.height());
    let mut file = Vec::new();
    JpegEncoder::new_with_quality(&mut file, quality)
        .encode(picture.as_slice(), width as u32, height as u32, ExtendedColorType::L8)
        .expect("invariant: a grey picture within JPEG's sides, checked with the spec, can be encoded into memory");
    let decoded = image::load_from_memory_with_format(&file, image::ImageFormat::Jpeg)
        .expect("invariant: what was just encoded can be decoded")
        .into_luma8();
    Grid::new(width, height, decoded.into_raw()).expect("invariant: decoding keeps the size")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Grid<f32> {
        Grid::from_fn(64, 40, |x, _| x as f32)
    }

    #[test]
    fn drift_stays_within_its_bound() {
        let mut picture = ramp();
        drift(&mut picture, 0.7, 3);
        let mut largest = 0f32;
        for y in 0..40 {
            for x in 1..63 {
                largest = largest.max((picture.at(x, y) - x as f32).abs());
            }
        }
        assert!(largest > 0.1 && largest <= 0.7 + 1e-4, "{largest}");
    }

    #[test]
    fn jpeg_keeps_size_and_mean_and_leaves_traces() {
        let picture = Grid::from_fn(61, 37, |x, y| ((x * 7 + y * 13) % 200) as u8);
        let back = through_jpeg(picture.clone(), 40);
        assert_eq!((back.width(), back.height()), (61, 37));
        assert_ne!(back, picture);
        let mean = |grid: &Grid<u8>| grid.as_slice().iter().map(|&v| f64::from(v)).sum::<f64>() / 2257.0;
        // Blocks keep their mean to half a quantisation step, a few grey levels; clipping aside.
        assert!((mean(&back) - mean(&picture)).abs() < 4.0);
    }

    #[test]
    fn nothing_asked_for_changes_nothing() {
        let mut picture = ramp();
        drift(&mut picture, 0.0, 3);
        dust(&mut picture, 0.0, 3);
        let charging = Charging::new(0.0, 40, 3);
        (0..40).for_each(|y| charging.add(y, picture.row_mut(y)));
        assert_eq!(picture, ramp());
    }
}
