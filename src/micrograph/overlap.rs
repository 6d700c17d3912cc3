//! Fields that show the same place: copies, other saves of one picture, and fields that were not moved far enough apart.
//!
//! Fields are the replicates of a specimen. A place that is counted twice makes its interval too narrow.

use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex};
use serde::{Deserialize, Serialize};

use super::Grey;
use crate::error::Error;
use crate::grid::{Grid, IN_MEMORY, Rows};

/// Cells along each side of the reduced copy; a transform of this length is quick.
const SIDE: usize = 128;
/// Half the window whose mean is taken off, in cells: removes shading and keeps grains and pores.
const HIGH_PASS_REACH: usize = 8;
/// Smallest share of the area that is looked for.
const SMALLEST_SHARE: f64 = 0.15;
/// Correlation over the common part from which two fields show the same place. Measured on crops of drawn pictures: at most
/// 0.42 between different places (7 000 pairs), at least 0.91 where a fifth or more is in common.
const SAME_PLACE: f64 = 0.6;
/// Peaks of the phase correlation that are tried.
const PEAKS: usize = 4;

/// A reduced copy of a field, freed of brightness, contrast and shading, with the phases of its spectrum.
///
/// It is kept as its cells, row by row.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "Vec<f32>", into = "Vec<f32>")]
pub struct Fingerprint {
    cells: Grid<f32>,
    /// Phases, weighted towards low frequencies, column by column.
    phases: Vec<Complex<f32>>,
}

/// Reduces the measured part of a picture to what tells it from others, about 200 KB.
pub fn fingerprint(grey: &Grey) -> Fingerprint {
    match grey {
        Grey::Eight(grid) => fingerprint_of(grid),
        Grey::Sixteen(grid) => fingerprint_of(grid),
    }
    .expect(IN_MEMORY)
}

/// The same of rows that may lie in a file.
///
/// # Errors
/// Those of the rows.
pub(crate) fn fingerprint_of<T: Copy + Into<u32> + Send + Sync>(
    rows: &impl Rows<T>,
) -> Result<Fingerprint, Error> {
    Ok(Fingerprint::of(evened(&reduced(rows)?)))
}

impl Fingerprint {
    fn of(cells: Grid<f32>) -> Self {
        let phases = phases(&cells);
        Self { cells, phases }
    }
}

impl From<Fingerprint> for Vec<f32> {
    fn from(fingerprint: Fingerprint) -> Self {
        fingerprint.cells.into_vec()
    }
}

impl TryFrom<Vec<f32>> for Fingerprint {
    type Error = Error;

    fn try_from(cells: Vec<f32>) -> Result<Self, Error> {
        Grid::new(SIDE, SIDE, cells).map(Self::of)
    }
}

/// For each earlier field, in its order, the share of the area that it has in common with `field`, if both show the same place.
///
/// Found are equal pictures, copies saved in another format, brightness, contrast or size, and shifted fields with about
/// a fifth of their area or more in common. Fields of the same place at another magnification or angle are not found.
pub fn common_shares(field: &Fingerprint, earlier: &[&Fingerprint]) -> Vec<Option<f64>> {
    let share =
        |correlator: &mut PhaseCorrelator, other: &&Fingerprint| correlator.common_share(other, field);
    earlier.par_iter().map_init(PhaseCorrelator::new, share).collect()
}

/// Means over the cells of a `SIDE` by `SIDE` raster.
fn reduced<T: Copy + Into<u32> + Send + Sync>(grid: &impl Rows<T>) -> Result<Grid<f32>, Error> {
    // A picture smaller than the raster repeats pixels.
    let span = |i: usize, side: usize| {
        let start = i * side / SIDE;
        start..((i + 1) * side / SIDE).max(start + 1)
    };
    let mut cells = Grid::filled(SIDE, SIDE, 0.0f32);
    cells.as_mut_slice().par_chunks_mut(SIDE).enumerate().try_for_each(|(cy, cells)| {
        let rows = span(cy, grid.height());
        let mut sums = [0u64; SIDE];
        for y in rows.clone() {
            let row = grid.row(y)?;
            for (cx, sum) in sums.iter_mut().enumerate() {
                let pixels = &row[span(cx, grid.width())];
                *sum += u64::from(pixels.iter().map(|&v| v.into()).sum::<u32>());
            }
        }
        for (cx, (cell, sum)) in cells.iter_mut().zip(sums).enumerate() {
            *cell = sum as f32 / (rows.len() * span(cx, grid.width()).len()) as f32;
        }
        Ok(())
    })?;
    Ok(cells)
}

/// The reduced copy less its local mean, clipped to three standard deviations, slightly smoothed.
///
/// Clipping keeps a few large pores from deciding alone; smoothing makes shifts by half a cell harmless.
fn evened(cells: &Grid<f32>) -> Grid<f32> {
    let around = box_mean(&box_mean(cells, HIGH_PASS_REACH), HIGH_PASS_REACH);
    let high = Grid::from_fn(SIDE, SIDE, |x, y| cells.at(x, y) - around.at(x, y));
    let deviation = (high.as_slice().iter().map(|v| v * v).sum::<f32>() / high.len() as f32).sqrt();
    let limit = 3.0 * deviation;
    box_mean(&high.map(|v| v.clamp(-limit, limit)), 1)
}

/// Mean over a window of 2·`reach` + 1 cells each way, smaller at the rim.
fn box_mean(cells: &Grid<f32>, reach: usize) -> Grid<f32> {
    let along = |line: &[f32], i: usize| {
        let window = &line[i.saturating_sub(reach)..(i + reach + 1).min(line.len())];
        window.iter().sum::<f32>() / window.len() as f32
    };
    let rows = Grid::from_fn(SIDE, SIDE, |x, y| along(cells.row(y), x));
    let turned = Grid::from_fn(SIDE, SIDE, |x, y| rows.at(y, x));
    Grid::from_fn(SIDE, SIDE, |x, y| along(turned.row(x), y))
}

/// Phases of the two-dimensional spectrum, weighted so that cells of one phase product peak smoothly.
fn phases(cells: &Grid<f32>) -> Vec<Complex<f32>> {
    let mut spectrum: Vec<Complex<f32>> = cells.as_slice().iter().map(|&v| Complex::new(v, 0.0)).collect();
    let transform = FftPlanner::new().plan_fft_forward(SIDE);
    transform.process(&mut spectrum);
    transpose(&mut spectrum);
    transform.process(&mut spectrum);
    let frequency = |i: usize| i.min(SIDE - i) as f32 / SIDE as f32;
    for (i, value) in spectrum.iter_mut().enumerate() {
        let square = frequency(i % SIDE).powi(2) + frequency(i / SIDE).powi(2);
        let weight = (-square / (2.0 * 0.15 * 0.15)).exp().sqrt();
        let size = value.norm();
        *value = if size > 0.0 { *value * (weight / size) } else { *value };
    }
    spectrum
}

fn transpose(values: &mut [Complex<f32>]) {
    for y in 0..SIDE {
        for x in y + 1..SIDE {
            values.swap(y * SIDE + x, x * SIDE + y);
        }
    }
}

/// The inverse transform with its working space.
struct PhaseCorrelator {
    inverse: std::sync::Arc<dyn rustfft::Fft<f32>>,
    product: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl PhaseCorrelator {
    fn new() -> Self {
        let inverse = FftPlanner::new().plan_fft_inverse(SIDE);
        let scratch = vec![Complex::default(); inverse.get_inplace_scratch_len()];
        Self { inverse, product: vec![Complex::default(); SIDE * SIDE], scratch }
    }

    /// Share of the area that two fields have in common, if they show the same place.
    fn common_share(&mut self, first: &Fingerprint, second: &Fingerprint) -> Option<f64> {
        let side = SIDE as isize;
        let share = |(dx, dy): (isize, isize)| {
            (side - dx.abs()) as f64 * (side - dy.abs()) as f64 / (side * side) as f64
        };
        self.likely_shifts(first, second)
            .into_iter()
            // The transform repeats in both directions: a shift stands for four.
            .flat_map(|(dx, dy)| [(dx, dy), (dx - side, dy), (dx, dy - side), (dx - side, dy - side)])
            .filter(|&shift| share(shift) >= SMALLEST_SHARE)
            .map(|shift| (correlation(&first.cells, &second.cells, shift), share(shift)))
            .filter(|&(correlation, _)| correlation >= SAME_PLACE)
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, share)| share)
    }

    /// The highest peaks of the phase correlation, as shifts from 0 to `SIDE` - 1.
    fn likely_shifts(&mut self, first: &Fingerprint, second: &Fingerprint) -> Vec<(isize, isize)> {
        for (product, (a, b)) in self.product.iter_mut().zip(first.phases.iter().zip(&second.phases)) {
            *product = a.conj() * b;
        }
        self.inverse.process_with_scratch(&mut self.product, &mut self.scratch);
        transpose(&mut self.product);
        self.inverse.process_with_scratch(&mut self.product, &mut self.scratch);
        let height = |i: usize| self.product[i].re;
        let mut peaks: Vec<usize> = (0..SIDE * SIDE)
            .filter(|&i| {
                let (x, y) = (i % SIDE, i / SIDE);
                let beside = [(1, 0), (SIDE - 1, 0), (0, 1), (0, SIDE - 1)];
                beside.iter().all(|(dx, dy)| height((y + dy) % SIDE * SIDE + (x + dx) % SIDE) <= height(i))
            })
            .collect();
        peaks.sort_by(|&a, &b| height(b).total_cmp(&height(a)).then(a.cmp(&b)));
        peaks.iter().take(PEAKS).map(|i| ((i % SIDE) as isize, (i / SIDE) as isize)).collect()
    }
}

/// Correlation coefficient over the common part when cell (x, y) of `first` lies on (x + dx, y + dy) of `second`.
fn correlation(first: &Grid<f32>, second: &Grid<f32>, (dx, dy): (isize, isize)) -> f64 {
    let start = |d: isize| d.min(0).unsigned_abs();
    let length = |d: isize| SIDE - d.unsigned_abs();
    let (mut n, mut a1, mut b1, mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for y in start(dy)..start(dy) + length(dy) {
        let own = &first.row(y)[start(dx)..start(dx) + length(dx)];
        let other = &second.row(y.wrapping_add_signed(dy))[start(-dx)..start(-dx) + length(dx)];
        for (&a, &b) in own.iter().zip(other) {
            let (a, b) = (f64::from(a), f64::from(b));
            (n, a1, b1) = (n + 1.0, a1 + a, b1 + b);
            (aa, bb, ab) = (aa + a * a, bb + b * b, ab + a * b);
        }
    }
    let spread = (aa - a1 * a1 / n) * (bb - b1 * b1 / n);
    if spread > 0.0 { (ab - a1 * b1 / n) / spread.sqrt() } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Frame;
    use crate::micrograph::drawn;

    fn picture(seed: u64) -> Grid<f32> {
        drawn::blurred(&drawn::cells(600, 450, 24, seed), 1.0)
    }

    /// Pairs that show the same place, with the share that they have in common.
    fn overlaps(fields: &[Fingerprint]) -> Vec<(usize, usize, f64)> {
        let all: Vec<&Fingerprint> = fields.iter().collect();
        let with_earlier = |second: usize| {
            let shares = common_shares(all[second], &all[..second]).into_iter().enumerate();
            shares.filter_map(move |(first, share)| Some((first, second, share?)))
        };
        (0..fields.len()).flat_map(with_earlier).collect()
    }

    fn crop(picture: &Grid<f32>, x: usize, y: usize, noise_seed: u64) -> Fingerprint {
        fingerprint(&drawn::noisy(&picture.cropped(Frame { x, y, width: 400, height: 300 }), 8.0, noise_seed))
    }

    #[test]
    fn copies_are_found_whatever_format_brightness_or_size_they_were_saved_in() {
        let original = picture(1);
        let saved = drawn::noisy(&original, 6.0, 1);
        let Grey::Eight(eight) = &saved else { panic!("drawn pictures are 8 bit") };
        let mut jpeg = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 60)
            .encode(eight.as_slice(), 600, 450, image::ExtendedColorType::L8)
            .unwrap();
        let jpeg = image::load_from_memory(&jpeg).unwrap().into_luma8().into_raw();
        let copies = [
            saved.clone(),
            Grey::Sixteen(eight.map(|v| 60 * u16::from(v) + 900)),
            Grey::Eight(eight.map(|v| v / 2 + 70)),
            Grey::Eight(Grid::new(600, 450, jpeg).unwrap()),
            Grey::Eight(Grid::from_fn(300, 225, |x, y| eight.at(2 * x, 2 * y))),
        ];
        let prints: Vec<_> = copies.iter().map(fingerprint).collect();
        let found = overlaps(&prints);
        assert_eq!(found.len(), 10);
        assert!(found.iter().all(|&(_, _, share)| share > 0.97), "{found:?}");
    }

    #[test]
    fn shifted_fields_are_found_with_the_share_that_was_drawn() {
        let whole = picture(2);
        let first = crop(&whole, 0, 0, 1);
        for (x, y) in [(7, 3), (60, 0), (0, 90), (100, 100), (133, 61), (200, 40), (200, 150)] {
            let drawn_share = (400 - x) as f64 * (300 - y) as f64 / (400.0 * 300.0);
            for pair in [[first.clone(), crop(&whole, x, y, 2)], [crop(&whole, x, y, 3), first.clone()]] {
                let found = overlaps(&pair);
                assert_eq!(found.len(), 1, "shift {x}, {y}");
                assert!((found[0].2 - drawn_share).abs() < 0.02, "{} is not {drawn_share}", found[0].2);
            }
        }
    }

    #[test]
    fn different_fields_of_one_specimen_raise_no_alarm() {
        let fields: Vec<_> = (10..24).map(|seed| crop(&picture(seed), 0, 0, seed)).collect();
        assert_eq!(overlaps(&fields), []);
        let whole = picture(3);
        let mixed = [crop(&whole, 0, 0, 1), crop(&picture(4), 0, 0, 2), crop(&whole, 200, 100, 3)];
        assert_eq!(overlaps(&mixed).iter().map(|found| (found.0, found.1)).collect::<Vec<_>>(), [(0, 2)]);
    }

    #[test]
    fn quarters_of_the_development_pictures_do_not_overlap_and_shifted_ones_do() {
        let mut quarters = Vec::new();
        for name in drawn::even_names() {
            let Some(whole) = drawn::shared_picture(&name) else { return };
            let part = |x, y| {
                let frame = Frame { x, y, width: 512, height: 384 };
                fingerprint(&drawn::noisy(&whole.cropped(frame), 0.0, 1))
            };
            quarters.extend([part(0, 0), part(512, 0), part(0, 384), part(512, 384)]);
            for (x, y) in [(400, 0), (0, 300), (250, 200), (20, 10)] {
                let found = overlaps(&[part(0, 0), part(x, y)]);
                let drawn_share = (512 - x) as f64 * (384 - y) as f64 / (512.0 * 384.0);
                assert_eq!(found.len(), 1, "{name}, shift {x}, {y}");
                assert!(
                    (found[0].2 - drawn_share).abs() < 0.02,
                    "{name}: {} is not {drawn_share}",
                    found[0].2
                );
            }
        }
        assert_eq!(overlaps(&quarters), []);
    }

    #[test]
    fn even_and_tiny_pictures_overlap_with_nothing() {
        let black = fingerprint(&Grey::Eight(Grid::filled(64, 64, 0)));
        let pixel = fingerprint(&Grey::Sixteen(Grid::filled(1, 1, 9)));
        assert_eq!(overlaps(&[black.clone(), black, pixel]), []);
        assert_eq!(overlaps(&[]), []);
    }
}
