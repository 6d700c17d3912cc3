//! What a picture itself tells about its quality, measured in grey levels and pixels on a fixed part of it.

use rayon::prelude::*;

use super::Grey;
use crate::error::Error;
use crate::grid::{Grid, IN_MEMORY, Rows};

/// Pixels looked at where a part of the picture is enough.
const SAMPLE_PX: usize = 1 << 20;
/// Side of the blocks whose means stand for the picture without most of its noise.
const BLOCK_PX: usize = 4;
/// Tiles along each side for the fit of a smooth surface.
const TILES: usize = 16;
/// Pixels of a row or column that enter its jump, in four stretches.
const LINE_SAMPLE_PX: usize = 1024;
/// Distances of the structure function, in px.
const LAGS: [usize; 5] = [1, 2, 4, 8, 16];

/// Quality of a picture in numbers, all lengths in px and all brightness in grey levels of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PictureStatistics {
    /// Range between the 1st and the 99th percentile of block means, smooth shading removed.
    pub contrast: f64,
    /// Range of the fitted second-order surface over the picture.
    pub shading: f64,
    /// Share of pixels at the darkest grey level that occurs, 0 to 1.
    pub darkest_share: f64,
    /// Share of pixels at the brightest grey level that occurs, 0 to 1.
    pub brightest_share: f64,
    /// Largest step in brightness from one row to the next.
    pub row_jump: Jump,
    /// Largest step in brightness from one column to the next.
    pub column_jump: Jump,
    /// Width of an edge from 10 to 90 % of its height, in px; `None` if no edge stands out of the noise.
    pub edge_width_px: Option<f64>,
    /// Standard deviation of the noise from pixel to pixel.
    pub noise: f64,
}

/// The largest step between neighbouring lines taken as a whole, and what chance makes of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Jump {
    /// Size of the step in grey levels.
    pub size: f64,
    /// Standard error of one such step from noise and structure.
    pub standard_error: f64,
}

/// Measures the quality of a picture, cropped to the part that counts.
pub fn picture_statistics(grey: &Grey) -> PictureStatistics {
    match grey {
        Grey::Eight(grid) => statistics_of(grid),
        Grey::Sixteen(grid) => statistics_of(grid),
    }
    .expect(IN_MEMORY)
}

/// The same of rows that may lie in a file.
///
/// # Errors
/// Those of the rows.
pub(crate) fn statistics_of<T: Copy + Into<u32> + Send + Sync>(
    grid: &impl Rows<T>,
) -> Result<PictureStatistics, Error> {
    let blocks = block_means(grid)?;
    let surface = Surface::fitted(&blocks);
    let contrast = contrast(&blocks, &surface);
    let noise = noise(grid)?;
    let (darkest_share, brightest_share) = shares_at_the_ends(grid)?;
    let clip = (4.0 * noise).max(0.3 * contrast).ceil() as i32;
    Ok(PictureStatistics {
        contrast,
        shading: surface.range(),
        darkest_share,
        brightest_share,
        row_jump: row_jump(grid, clip)?,
        column_jump: column_jump(grid, clip)?,
        edge_width_px: edge_width_px(grid)?,
        noise,
    })
}

/// Rows that are looked at where a sample of about `pixels` is enough.
fn sampled_rows<T: Clone>(grid: &impl Rows<T>, pixels: usize) -> std::iter::StepBy<std::ops::Range<usize>> {
    (0..grid.height()).step_by((grid.width() * grid.height() / pixels).clamp(1, grid.height()))
}

/// Means of blocks, on evenly spread rows of blocks where all of them would be more than is needed.
fn block_means<T: Copy + Into<u32> + Send + Sync>(grid: &impl Rows<T>) -> Result<Grid<f32>, Error> {
    let side = if grid.width().min(grid.height()) < TILES * BLOCK_PX { 1 } else { BLOCK_PX };
    let (width, all_rows) = (grid.width() / side, grid.height() / side);
    let rows = (SAMPLE_PX / (8 * width)).clamp(TILES, all_rows.max(TILES)).min(all_rows);
    let mut means = Grid::filled(width, rows, 0.0f32);
    means.as_mut_slice().par_chunks_mut(width).enumerate().try_for_each(|(row, means)| {
        let first = row * all_rows / rows * side;
        for y in first..first + side {
            for (mean, block) in means.iter_mut().zip(grid.row(y)?.chunks_exact(side)) {
                *mean += block.iter().map(|&v| v.into()).sum::<u32>() as f32;
            }
        }
        means.iter_mut().for_each(|mean| *mean /= (side * side) as f32);
        Ok(())
    })?;
    Ok(means)
}

/// A second-order surface over a picture whose sides run from -1 to 1.
struct Surface {
    /// Factors of 1, u, v, u² - c, v² - c and uv, which are orthogonal on the tiles.
    factors: [f64; 6],
    centre_of_squares: f64,
}

impl Surface {
    /// Least-squares fit to the medians of tiles; level where the picture has too few pixels for tiles.
    fn fitted(blocks: &Grid<f32>) -> Self {
        let place = |i: usize| (2 * i + 1) as f64 / TILES as f64 - 1.0;
        let centre_of_squares = (0..TILES).map(|i| place(i).powi(2)).sum::<f64>() / TILES as f64;
        let mut surface = Self { factors: [0.0; 6], centre_of_squares };
        if blocks.width().min(blocks.height()) < TILES {
            return surface;
        }
        let medians = tile_medians(blocks);
        let (mut products, mut squares) = ([0.0; 6], [0.0; 6]);
        for (i, median) in medians.into_iter().enumerate() {
            let terms = surface.terms(place(i % TILES), place(i / TILES));
            for ((product, square), term) in products.iter_mut().zip(&mut squares).zip(terms) {
                *product += term * median;
                *square += term * term;
            }
        }
        for ((factor, product), square) in surface.factors.iter_mut().zip(products).zip(squares) {
            *factor = product / square;
        }
        surface
    }

    fn terms(&self, u: f64, v: f64) -> [f64; 6] {
        [1.0, u, v, u * u - self.centre_of_squares, v * v - self.centre_of_squares, u * v]
    }

    /// Height over the mean at (u, v).
    fn at(&self, u: f64, v: f64) -> f64 {
        self.terms(u, v).iter().zip(self.factors).skip(1).map(|(term, factor)| term * factor).sum()
    }

    fn range(&self) -> f64 {
        let steps = (0..=TILES).map(|i| 2.0 * i as f64 / TILES as f64 - 1.0);
        let heights =
            steps.clone().flat_map(|v| steps.clone().map(move |u| (u, v))).map(|(u, v)| self.at(u, v));
        let (low, high) = heights.fold((f64::MAX, f64::MIN), |(low, high), h| (low.min(h), high.max(h)));
        high - low
    }
}

fn tile_medians(blocks: &Grid<f32>) -> Vec<f64> {
    let edge = |i: usize, side: usize| i * side / TILES;
    (0..TILES * TILES)
        .into_par_iter()
        .map(|tile| {
            let (tx, ty) = (tile % TILES, tile / TILES);
            let columns = edge(tx, blocks.width())..edge(tx + 1, blocks.width());
            let mut values: Vec<f32> = (edge(ty, blocks.height())..edge(ty + 1, blocks.height()))
                .flat_map(|y| &blocks.row(y)[columns.clone()])
                .copied()
                .collect();
            f64::from(quantile(&mut values, 0.5))
        })
        .collect()
}

fn contrast(blocks: &Grid<f32>, surface: &Surface) -> f64 {
    let place = |i: usize, side: usize| (2 * i + 1) as f64 / side as f64 - 1.0;
    let mut values = Vec::with_capacity(blocks.len());
    for (y, row) in blocks.rows().enumerate() {
        let v = place(y, blocks.height());
        values.extend(
            row.iter().enumerate().map(|(x, &block)| block - surface.at(place(x, blocks.width()), v) as f32),
        );
    }
    f64::from(quantile(&mut values, 0.99) - quantile(&mut values, 0.01))
}

fn quantile(values: &mut [f32], share: f64) -> f32 {
    let index = ((values.len() - 1) as f64 * share).round() as usize;
    *values.select_nth_unstable_by(index, f32::total_cmp).1
}

/// Median |second difference| along rows over 0.6745·√6, its value for normal noise of standard deviation 1.
///
/// Edges are rare among second differences, so the median nearly ignores them; where structure is fine and noise small,
/// it adds to the value. Noise that is correlated from pixel to pixel is understated.
fn noise<T: Copy + Into<u32>>(grid: &impl Rows<T>) -> Result<f64, Error> {
    let mut differences: Vec<u32> = Vec::new();
    for y in sampled_rows(grid, SAMPLE_PX / 4) {
        let row = grid.row(y)?;
        let second = row.windows(3).map(|w| (w[0].into() + w[2].into()).abs_diff(2 * w[1].into()));
        differences.extend(second);
    }
    if differences.is_empty() {
        return Ok(0.0);
    }
    let middle = differences.len() / 2;
    let median = *differences.select_nth_unstable(middle).1;
    // Grey levels are whole numbers: within its level, the median is interpolated, or small noise would read as 0.
    let below = differences.iter().filter(|&&d| d < median).count();
    let equal = differences.iter().filter(|&&d| d == median).count();
    let inside = (middle - below) as f64 / equal as f64;
    let interpolated = if median == 0 { 0.5 * inside } else { f64::from(median) - 0.5 + inside };
    let is_even = equal == differences.len() && median == 0;
    Ok(if is_even { 0.0 } else { interpolated / (0.674_49 * 6f64.sqrt()) })
}

fn shares_at_the_ends<T: Copy + Into<u32>>(grid: &impl Rows<T>) -> Result<(f64, f64), Error> {
    let mut counts = vec![0u64; 1 << 16];
    for y in sampled_rows(grid, SAMPLE_PX) {
        for &value in grid.row(y)?.iter() {
            counts[value.into() as usize] += 1;
        }
    }
    let total: u64 = counts.iter().sum();
    let mut occurring = counts.into_iter().filter(|&n| n > 0).map(|n| n as f64 / total as f64);
    let darkest = occurring.next().unwrap_or(0.0);
    // A picture of one level counts once.
    Ok((darkest, occurring.next_back().unwrap_or(0.0)))
}

/// Largest mean of clipped differences between neighbouring rows; clipping keeps single edges from counting much.
fn row_jump<T: Copy + Into<u32> + Send + Sync>(grid: &impl Rows<T>, clip: i32) -> Result<Jump, Error> {
    let stretches = stretches(grid.width());
    let sums = (1..grid.height())
        .into_par_iter()
        .map(|y| {
            let mut sum = (0, 0);
            let (above, below) = (grid.row(y - 1)?, grid.row(y)?);
            for columns in &stretches {
                let (above, below) = (&above[columns.clone()], &below[columns.clone()]);
                let differences = above.iter().zip(below).map(|(&a, &b)| clipped_difference(a, b, clip));
                for d in differences {
                    sum.0 += i64::from(d);
                    sum.1 += i64::from(d) * i64::from(d);
                }
            }
            Ok(sum)
        })
        .collect::<Result<Vec<(i64, i64)>, Error>>()?;
    Ok(largest_jump(&sums, stretches.iter().map(ExactSizeIterator::len).sum()))
}

/// The same between neighbouring columns.
fn column_jump<T: Copy + Into<u32> + Send + Sync>(grid: &impl Rows<T>, clip: i32) -> Result<Jump, Error> {
    let rows: Vec<usize> = stretches(grid.height()).into_iter().flatten().collect();
    let empty = || vec![(0i64, 0i64); grid.width() - 1];
    let sums = rows
        .par_chunks(LINE_SAMPLE_PX / 16)
        .map(|rows| {
            let mut sums = empty();
            for &y in rows {
                for (sum, pair) in sums.iter_mut().zip(grid.row(y)?.windows(2)) {
                    let d = i64::from(clipped_difference(pair[0], pair[1], clip));
                    sum.0 += d;
                    sum.1 += d * d;
                }
            }
            Ok::<_, Error>(sums)
        })
        .try_reduce(empty, |mut all, part| {
            all.iter_mut().zip(part).for_each(|(all, part)| *all = (all.0 + part.0, all.1 + part.1));
            Ok(all)
        })?;
    Ok(largest_jump(&sums, rows.len()))
}

fn clipped_difference<T: Into<u32>>(a: T, b: T, clip: i32) -> i32 {
    (b.into() as i32 - a.into() as i32).clamp(-clip, clip)
}

/// Four stretches that spread `LINE_SAMPLE_PX` over a line, or the whole line where it is shorter.
fn stretches(side: usize) -> Vec<std::ops::Range<usize>> {
    if side <= LINE_SAMPLE_PX {
        return std::iter::once(0..side).collect();
    }
    let length = LINE_SAMPLE_PX / 4;
    (0..4).map(|i| i * (side - length) / 3).map(|start| start..start + length).collect()
}

/// The largest mean step, and the standard error of one from the spread within the lines.
fn largest_jump(sums: &[(i64, i64)], line_length: usize) -> Jump {
    let largest = sums.iter().map(|sum| sum.0.unsigned_abs()).max().unwrap_or(0);
    let squares: i64 = sums.iter().map(|sum| sum.1).sum();
    let mean_square = squares as f64 / (sums.len().max(1) * line_length) as f64;
    Jump {
        size: largest as f64 / line_length as f64,
        standard_error: (mean_square / line_length as f64).sqrt(),
    }
}

/// Width of edges from the growth of squared differences with distance.
///
/// White noise adds the same to the mean squared difference D at every distance and cancels in D(2k) - D(k). Edges
/// blurred by a normal curve of standard deviation s make D(k) grow like E|N(k, 2s²)| - E|N(0, 2s²)| (the energy
/// distance of two normal curves): with k for sharp edges, with k² for blurred ones, so that the ratio
/// (D(2k) - D(k)) / (D(4k) - D(2k)) falls from 1/2 to 1/4 and gives s. The smallest k is taken at which s is well
/// conditioned.
fn edge_width_px<T: Copy + Into<u32> + Send + Sync>(grid: &impl Rows<T>) -> Result<Option<f64>, Error> {
    let differences: Vec<Option<f64>> =
        LAGS.iter().map(|&lag| mean_squared_difference(grid, lag)).collect::<Result<_, _>>()?;
    Ok(edge_width_from(&differences))
}

/// The width from the mean squared differences at the distances of [`LAGS`].
fn edge_width_from(differences: &[Option<f64>]) -> Option<f64> {
    const WELL_CONDITIONED: f64 = 1.5;
    const TEN_TO_NINETY_PERCENT: f64 = 2.563;
    let mut width = None;
    for (lag, d) in LAGS.iter().zip(differences.windows(3)) {
        let [near, middle, far] = [d[0]?, d[1]?, d[2]?];
        if far - middle <= 0.01 * near {
            break;
        }
        let blur = blur_from_ratio((middle - near) / (far - middle));
        width = Some(TEN_TO_NINETY_PERCENT * blur * *lag as f64);
        if blur < WELL_CONDITIONED {
            break;
        }
    }
    width
}

/// Mean squared difference of pixels `lag` apart along rows and columns; `None` if the picture is smaller than that.
fn mean_squared_difference<T: Copy + Into<u32> + Send + Sync>(
    grid: &impl Rows<T>,
    lag: usize,
) -> Result<Option<f64>, Error> {
    let rows: Vec<usize> = sampled_rows(grid, SAMPLE_PX / 2).filter(|y| y + lag < grid.height()).collect();
    if rows.is_empty() || grid.width() <= lag {
        return Ok(None);
    }
    let of_row = |&y: &usize| {
        let row = grid.row(y)?;
        Ok(squared_differences(&row, &row[lag..]) + squared_differences(&row, &grid.row(y + lag)?))
    };
    let sum: u64 = rows.par_iter().map(of_row).sum::<Result<u64, Error>>()?;
    Ok(Some(sum as f64 / (rows.len() * (2 * grid.width() - lag)) as f64))
}

fn squared_differences<T: Copy + Into<u32>>(a: &[T], b: &[T]) -> u64 {
    a.iter().zip(b).map(|(&a, &b)| u64::from(a.into().abs_diff(b.into()).pow(2))).sum()
}

/// Blur in units of the smallest distance, from the ratio of the two growths; 0 at 1/2 and above, 3 at the lower end.
fn blur_from_ratio(ratio: f64) -> f64 {
    let growth = |k: f64, s: f64| {
        let tail = 2.0 * s / std::f64::consts::PI.sqrt();
        tail * ((-(k * k) / (4.0 * s * s)).exp() - 1.0) + k * libm::erf(k / (2.0 * s))
    };
    let expected = |s: f64| (growth(2.0, s) - growth(1.0, s)) / (growth(4.0, s) - growth(2.0, s));
    let (mut sharp, mut blurred) = (0.0, 3.0);
    for _ in 0..24 {
        let middle = 0.5 * (sharp + blurred);
        if expected(middle) > ratio {
            sharp = middle;
        } else {
            blurred = middle;
        }
    }
    sharp
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::micrograph::drawn;

    #[test]
    fn noise_and_contrast_are_those_that_were_drawn() {
        let sharp = drawn::blurred(&drawn::cells(600, 400, 40, 3), 1.0);
        for drawn_noise in [5.0, 15.0] {
            let statistics = picture_statistics(&drawn::noisy(&sharp, drawn_noise, 1));
            let error = statistics.noise / f64::from(drawn_noise) - 1.0;
            assert!(error.abs() < 0.1, "{drawn_noise}: {}", statistics.noise);
            // Pores at 40, the brightest cells at 180; grooves and blur take a little away.
            assert!((120.0..145.0).contains(&statistics.contrast), "{}", statistics.contrast);
        }
        for drawn_noise in [1.0, 2.0, 8.0f32] {
            let flat =
                picture_statistics(&drawn::noisy(&Grid::filled(600, 400, 120.0), drawn_noise, 1)).noise;
            // Rounding to whole levels adds a variance of 1/12.
            let expected = f64::from(drawn_noise).hypot(12f64.recip().sqrt());
            assert!((flat / expected - 1.0).abs() < 0.03, "{flat} is not {expected}");
        }
    }

    #[test]
    fn the_edge_width_follows_the_blur_and_ignores_the_noise() {
        let sharp = drawn::cells(800, 600, 60, 5);
        for blur in [1.0, 2.0, 3.0] {
            let blurred = drawn::blurred(&sharp, blur);
            let width = |noise| picture_statistics(&drawn::noisy(&blurred, noise, 1)).edge_width_px.unwrap();
            let drawn_width = 2.563 * f64::from(blur);
            assert!((0.65..1.05).contains(&(width(1.0) / drawn_width)), "{blur}: {}", width(1.0));
            assert!(
                (width(10.0) / width(1.0) - 1.0).abs() < 0.05,
                "{blur}: {} and {}",
                width(1.0),
                width(10.0)
            );
        }
    }

    #[test]
    fn isolated_steps_give_the_exact_edge_width() {
        let bars = Grid::from_fn(512, 512, |x, y| if (x / 128 + y / 128) % 2 == 0 { 60.0 } else { 180.0 });
        for blur in [1.0, 2.0, 3.0] {
            let width = picture_statistics(&drawn::noisy(&drawn::blurred(&bars, blur), 3.0, 1)).edge_width_px;
            let ratio = width.unwrap() / (2.563 * f64::from(blur));
            assert!((ratio - 1.0).abs() < 0.1, "{blur}: {ratio}");
        }
    }

    #[test]
    fn a_slope_and_a_bowl_have_the_range_that_was_drawn() {
        let slope = Grid::from_fn(512, 384, |x, _| (x / 4) as f32 * 0.5 + 60.0);
        assert!((picture_statistics(&drawn::noisy(&slope, 2.0, 1)).shading - 64.0).abs() < 1.0);
        let bowl = Grid::from_fn(384, 384, |x, y| {
            let (u, v) = (x as f32 / 191.5 - 1.0, y as f32 / 191.5 - 1.0);
            180.0 - 20.0 * (u * u + v * v)
        });
        assert!((picture_statistics(&drawn::noisy(&bowl, 2.0, 1)).shading - 40.0).abs() < 1.5);
    }

    #[test]
    fn sixteen_bit_gives_the_same_picture_in_finer_levels() {
        let eight = drawn::noisy(&drawn::blurred(&drawn::cells(400, 300, 30, 2), 1.0), 5.0, 1);
        let Grey::Eight(grid) = &eight else { panic!("drawn pictures are 8 bit") };
        let fine = picture_statistics(&Grey::Sixteen(grid.map(|v| 257 * u16::from(v))));
        let coarse = picture_statistics(&eight);
        assert!((fine.contrast / coarse.contrast / 257.0 - 1.0).abs() < 1e-3);
        assert!((fine.shading / coarse.shading / 257.0 - 1.0).abs() < 1e-3);
        assert!((fine.noise / coarse.noise / 257.0 - 1.0).abs() < 0.15);
        assert!((fine.edge_width_px.unwrap() / coarse.edge_width_px.unwrap() - 1.0).abs() < 1e-6);
    }

    #[test]
    fn degenerate_pictures_have_no_structure_and_do_not_fail() {
        for (width, height) in [(1, 1), (1, 40), (40, 1), (2, 2), (17, 3), (64, 64)] {
            let statistics = picture_statistics(&Grey::Eight(Grid::filled(width, height, 7)));
            assert_eq!((statistics.contrast, statistics.shading, statistics.noise), (0.0, 0.0, 0.0));
            assert_eq!((statistics.darkest_share, statistics.edge_width_px), (1.0, None));
        }
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let picture = drawn::noisy(&drawn::cells(700, 500, 30, 2), 5.0, 1);
        let on = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| picture_statistics(&picture))
        };
        assert_eq!(on(1), on(3));
    }
}
