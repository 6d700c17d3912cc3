//! The error of an area fraction within one field, from its covariance.

use rayon::prelude::*;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::grid::Grid;

/// The covariance is taken on a copy of at most this many blocks a side.
const MOST_BLOCKS: usize = 512;

/// Lags beyond this share of the shorter side are not looked at: too few pairs of places stand behind them.
const LONGEST_LAG_SHARE: usize = 4;

/// Fewer blocks a side than this carry no covariance.
const FEWEST_BLOCKS: usize = 16;

/// How far the area fraction of one field may be from that of the surface it was taken from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AreaFractionError {
    /// Standard error of the area fraction, from 0 to 1.
    pub standard_error: f64,
    /// Integral range in px²: the field counts as (its area / this) independent looks at one point each.
    pub integral_range_px2: f64,
    /// Lag in px at which the sum ended.
    pub longest_lag_px: f64,
    /// Whether the covariance had died out by then. If not, the structure is longer than a quarter of the field and the
    /// error is larger than stated.
    pub died_out: bool,
}

/// Standard error of the area fraction of what is true in a mask, or labelled in a label map, from the covariance summed over
/// lags.
///
/// The variance of the mean over a window of N places is Σ_h n(h)·C(h) / N², with n(h) pairs of places at lag h. The sum
/// ends at the first lag at which the covariance, averaged over directions, is no longer above zero, at most a quarter of
/// the shorter side. The fraction comes from the same window, which makes every covariance too small by just the variance
/// sought, V; so V = Σ n(h)·Ĉ(h) / (N² - Σ n(h)). Averaging over blocks leaves such sums as they are.
///
/// `None` where all or nothing is covered, or a side is shorter than 16 px. Pixel counts say nothing here: they understate
/// the error 13 to 35 times.
///
/// # References
/// Matheron (1971) and Lantuéjoul, J. Microsc. 161 (1991) 387 on the integral range (from memory).
pub fn area_fraction_error<T: Covers>(map: &Grid<T>) -> Option<AreaFractionError> {
    let mut counts = BlockCounts::new(map.width(), map.height());
    let block = counts.block;
    let columns = counts.columns;
    let rows = map.as_slice().par_chunks(block * map.width());
    counts.covered.par_chunks_mut(columns.max(1)).zip(rows).for_each(|(covered, rows)| {
        rows.chunks_exact(map.width()).for_each(|row| add_row(covered, row, block));
    });
    counts.area_fraction_error()
}

/// A pixel that covers its place or not.
pub trait Covers: Copy + Sync {
    /// Whether it does.
    fn covers(self) -> bool;
}

impl Covers for bool {
    fn covers(self) -> bool {
        self
    }
}

impl Covers for u32 {
    fn covers(self) -> bool {
        self != 0
    }
}

/// Covered pixels of each block of a map, of which rows may be taken in one by one.
pub(crate) struct BlockCounts {
    /// Pixels a side of a block.
    block: usize,
    columns: usize,
    rows: usize,
    covered: Vec<u32>,
}

impl BlockCounts {
    /// For a map of this size; what is left over at the right and below is not looked at.
    pub fn new(width: usize, height: usize) -> Self {
        let block = width.max(height).div_ceil(MOST_BLOCKS);
        let (columns, rows) = (width / block, height / block);
        Self { block, columns, rows, covered: vec![0; columns * rows] }
    }

    /// Takes in row `y` of the map.
    pub fn add_row<T: Covers>(&mut self, y: usize, row: &[T]) {
        let first = y / self.block * self.columns;
        if let Some(covered) = self.covered.get_mut(first..first + self.columns) {
            add_row(covered, row, self.block);
        }
    }

    /// As [`area_fraction_error`], once every row has been taken in.
    pub fn area_fraction_error(&self) -> Option<AreaFractionError> {
        if self.columns.min(self.rows) < FEWEST_BLOCKS {
            return None;
        }
        let area = (self.block * self.block) as f64;
        let shares = self.covered.iter().map(|&count| f64::from(count) / area).collect();
        let coverage =
            Grid::new(self.columns, self.rows, shares).expect("invariant: one count for each block");
        error_of(&coverage, self.block)
    }
}

fn add_row<T: Covers>(covered: &mut [u32], row: &[T], block: usize) {
    for (count, pixels) in covered.iter_mut().zip(row.chunks_exact(block)) {
        *count += pixels.iter().map(|&pixel| u32::from(pixel.covers())).sum::<u32>();
    }
}

fn error_of(coverage: &Grid<f64>, block: usize) -> Option<AreaFractionError> {
    let (columns, rows) = (coverage.width(), coverage.height());
    let fraction = coverage.as_slice().iter().sum::<f64>() / coverage.len() as f64;
    if fraction <= 0.0 || fraction >= 1.0 {
        return None;
    }
    let longest = columns.min(rows) / LONGEST_LAG_SHARE;
    let products = lagged_products(coverage, fraction, longest);
    let (lag, died_out) = last_positive_lag(&products, longest, columns, rows);
    let (mut products_sum, mut pairs_sum, mut lags) = (0.0, 0.0, 0.0);
    for (product, x, y) in products.within(lag) {
        let pairs = ((columns - x.unsigned_abs()) * (rows - y.unsigned_abs())) as f64;
        products_sum += product;
        pairs_sum += pairs;
        lags += product / pairs;
    }
    let places = (columns * rows) as f64;
    let variance = products_sum / (places * places - pairs_sum);
    let count = products.within(lag).count() as f64;
    let block_area = (block * block) as f64;
    let integral_range = (lags + count * variance) * block_area / (fraction * (1.0 - fraction));
    (variance > 0.0).then(|| AreaFractionError {
        standard_error: variance.sqrt(),
        integral_range_px2: integral_range,
        longest_lag_px: (lag * block) as f64,
        died_out,
    })
}

/// Σ z(x)·z(x + h) over all pairs of places, for lags h up to a limit in both directions; z is coverage less its mean.
struct LaggedProducts {
    grid: Vec<f64>,
    width: usize,
    height: usize,
    longest: usize,
}

impl LaggedProducts {
    fn at(&self, x: isize, y: isize) -> f64 {
        let column = x.rem_euclid(self.width as isize) as usize;
        let row = y.rem_euclid(self.height as isize) as usize;
        self.grid[row * self.width + column]
    }

    /// Product and lag for every lag no longer than `limit`.
    fn within(&self, limit: usize) -> impl Iterator<Item = (f64, isize, isize)> + '_ {
        let reach = limit.min(self.longest) as isize;
        (-reach..=reach)
            .flat_map(move |y| (-reach..=reach).map(move |x| (x, y)))
            .filter(move |(x, y)| x * x + y * y <= reach * reach)
            .map(|(x, y)| (self.at(x, y), x, y))
    }
}

/// The first lag, rounded to whole blocks, at which the mean covariance over directions is not above zero.
fn last_positive_lag(
    products: &LaggedProducts,
    longest: usize,
    columns: usize,
    rows: usize,
) -> (usize, bool) {
    let mut sums = vec![(0.0, 0.0); longest + 1];
    for (product, x, y) in products.within(longest) {
        let ring = &mut sums[((x * x + y * y) as f64).sqrt().round() as usize];
        ring.0 += product;
        ring.1 += ((columns - x.unsigned_abs()) * (rows - y.unsigned_abs())) as f64;
    }
    match sums.iter().position(|&(product, pairs)| product / pairs <= 0.0) {
        Some(lag) => (lag, true),
        None => (longest, false),
    }
}

/// All lagged products at once by Fourier transform, with zeros around the field so that its sides do not meet.
fn lagged_products(coverage: &Grid<f64>, fraction: f64, longest: usize) -> LaggedProducts {
    let (columns, rows) = (coverage.width(), coverage.height());
    let (width, height) = (smooth_size(columns + longest), smooth_size(rows + longest));
    let mut field = vec![Complex::new(0.0, 0.0); width * height];
    for (out, row) in field.chunks_exact_mut(width).zip(coverage.rows()) {
        out.iter_mut().zip(row).for_each(|(o, &share)| o.re = share - fraction);
    }
    let mut planner = FftPlanner::new();
    let (along, down) = (planner.plan_fft_forward(width), planner.plan_fft_forward(height));
    let columns_first = transform(field, &*along, width, rows);
    let mut spectrum = transform(columns_first, &*down, height, width);
    spectrum.par_iter_mut().for_each(|c| *c = Complex::new(c.norm_sqr(), 0.0));
    // The power spectrum is even, so a second forward transform undoes the first.
    let columns_first = transform(spectrum, &*along, width, height);
    let field = transform(columns_first, &*down, height, width);
    let scale = 1.0 / (width * height) as f64;
    LaggedProducts { grid: field.iter().map(|c| c.re * scale).collect(), width, height, longest }
}

/// Transforms the first `filled` rows of `length` values (the others are zero) and turns rows into columns.
fn transform(
    mut rows: Vec<Complex<f64>>,
    fft: &dyn Fft<f64>,
    length: usize,
    filled: usize,
) -> Vec<Complex<f64>> {
    rows.par_chunks_exact_mut(length).take(filled).for_each(|row| fft.process(row));
    let count = rows.len() / length;
    let mut turned = vec![Complex::new(0.0, 0.0); rows.len()];
    turned.par_chunks_exact_mut(count).enumerate().for_each(|(x, out)| {
        out.iter_mut().zip(rows.chunks_exact(length)).for_each(|(o, row)| *o = row[x]);
    });
    turned
}

/// The next length that is a product of twos, threes and fives, which transforms fast.
fn smooth_size(at_least: usize) -> usize {
    (at_least..)
        .find(|&n| {
            let rest = [2, 3, 5].into_iter().fold(n, |mut rest, prime| {
                while rest % prime == 0 {
                    rest /= prime;
                }
                rest
            });
            rest == 1
        })
        .unwrap_or(at_least)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Squares of `side` px in a checkerboard-like pattern that a fixed recurrence scatters.
    fn scattered(width: usize, height: usize, side: usize) -> Grid<bool> {
        Grid::from_fn(width, height, |x, y| {
            let cell = (x / side) as u64 * 7919 + (y / side) as u64 * 104_729 + 1;
            (cell.wrapping_mul(6_364_136_223_846_793_005) >> 33).is_multiple_of(5)
        })
    }

    #[test]
    fn nothing_all_and_too_little_have_no_error() {
        assert!(area_fraction_error(&Grid::filled(64, 64, false)).is_none());
        assert!(area_fraction_error(&Grid::filled(64, 64, true)).is_none());
        assert!(area_fraction_error(&scattered(400, 15, 2)).is_none());
        assert!(area_fraction_error(&Grid::filled(1, 1, true)).is_none());
    }

    #[test]
    fn the_transform_gives_the_products_that_a_double_loop_gives() {
        let coverage = scattered(40, 28, 3).map(|covered| f64::from(u8::from(covered)));
        let fraction = coverage.as_slice().iter().sum::<f64>() / coverage.len() as f64;
        let products = lagged_products(&coverage, fraction, 7);
        for (got, dx, dy) in products.within(7) {
            let mut want = 0.0;
            for y in 0..28isize {
                for x in 0..40isize {
                    let (u, v) = (x + dx, y + dy);
                    if (0..40).contains(&u) && (0..28).contains(&v) {
                        let z = |x, y| coverage.at(x as usize, y as usize) - fraction;
                        want += z(x, y) * z(u, v);
                    }
                }
            }
            assert!((got - want).abs() < 1e-9, "lag {dx} {dy}: {got} {want}");
        }
    }

    #[test]
    fn independent_squares_have_the_error_of_their_number() {
        // Squares of 8 px, each covered with chance 1/5 by itself: variance p(1-p)·64/area, integral range 64 px².
        let mask = scattered(512, 512, 8);
        let found = area_fraction_error(&mask).unwrap();
        let fraction = mask.area_fraction();
        let want = (fraction * (1.0 - fraction) * 64.0 / (512.0 * 512.0)).sqrt();
        assert!((found.standard_error / want - 1.0).abs() < 0.15, "{} {want}", found.standard_error);
        assert!((found.integral_range_px2 / 64.0 - 1.0).abs() < 0.3, "{}", found.integral_range_px2);
        assert!(found.died_out && found.longest_lag_px < 16.0);
    }

    #[test]
    fn a_drift_across_the_field_does_not_die_out() {
        let half = Grid::from_fn(256, 256, |x, _| x < 128);
        let found = area_fraction_error(&half).unwrap();
        assert!(!found.died_out && found.standard_error > 0.1, "{found:?}");
    }

    #[test]
    fn pixels_cut_finer_leave_the_error_as_it_is() {
        // The same picture at twice the pixels is averaged over blocks of two and gives the same answer, in finer pixels.
        let coarse = scattered(400, 300, 5);
        let fine = Grid::from_fn(800, 600, |x, y| coarse.at(x / 2, y / 2));
        let (a, b) = (area_fraction_error(&coarse).unwrap(), area_fraction_error(&fine).unwrap());
        assert!((a.standard_error / b.standard_error - 1.0).abs() < 1e-9);
        assert!((b.integral_range_px2 / a.integral_range_px2 / 4.0 - 1.0).abs() < 1e-9);
    }
}
