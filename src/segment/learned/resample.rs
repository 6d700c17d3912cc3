//! Pictures and maps from one number of pixels to another.

use rayon::prelude::*;

use crate::grid::Grid;

/// Shares of neighbouring values in one new value.
struct Taps {
    first: usize,
    weights: Vec<f32>,
}

/// A picture with another number of pixels.
///
/// Along a side that becomes shorter, new greys are means over the area that a new pixel covers, parts of pixels counted
/// as such; along one that becomes longer, cubic convolution between the centres of the old pixels.
///
/// # References
/// R. G. Keys, "Cubic convolution interpolation for digital image processing", IEEE Trans. Acoust. Speech Signal Process.
/// 29 (1981) 1153–1160, doi:10.1109/TASSP.1981.1163711, with a = -1/2.
pub(super) fn picture(grid: &Grid<u16>, width: usize, height: usize) -> Grid<u16> {
    let along = |from, to| if to < from { area(from, to) } else { between(from, to, 4, keys) };
    let (across, down) = (along(grid.width(), width), along(grid.height(), height));
    weighted(grid, &across, &down, |grey| (grey + 0.5).clamp(0.0, 65535.0) as u16)
}

/// A map with another number of pixels: linear along a side that becomes longer, means over areas along a shorter one.
///
/// Both keep the sum of probabilities, and with it the area that they say.
pub(super) fn map(grid: &Grid<u8>, width: usize, height: usize) -> Grid<u8> {
    let along = |from, to| if to < from { area(from, to) } else { between(from, to, 2, linear) };
    let (across, down) = (along(grid.width(), width), along(grid.height(), height));
    weighted(grid, &across, &down, |level| (level + 0.5) as u8)
}

/// A map of lines with another number of pixels: as [`map`], but where it becomes smaller the largest value of those
/// whose centres lie within the new pixel.
///
/// Lines are about two pixels wide. Means would thin them to fainter ones, and what is faint counts as no boundary;
/// the largest value keeps the height of the crest, which is what strengths are read from.
pub(super) fn lines(grid: &Grid<u8>, width: usize, height: usize) -> Grid<u8> {
    if width >= grid.width() && height >= grid.height() {
        return map(grid, width, height);
    }
    let (wide, high) = (width.min(grid.width()), height.min(grid.height()));
    let smaller = largest(grid, wide, high);
    if (wide, high) == (width, height) { smaller } else { map(&smaller, width, height) }
}

fn largest(grid: &Grid<u8>, width: usize, height: usize) -> Grid<u8> {
    let centres = |from: usize, to: usize| -> Vec<usize> {
        // The centre of old pixel j lies at (j + ½) to / from, in new pixels.
        (0..=to).map(|i| (2 * i * from).saturating_sub(to).div_ceil(2 * to)).collect()
    };
    let (across, down) = (centres(grid.width(), width), centres(grid.height(), height));
    let mut out = Grid::filled(width, height, 0);
    out.as_mut_slice().par_chunks_mut(width).zip(down.par_windows(2)).for_each_init(
        || vec![0u8; grid.width()],
        |crest, (row, rows)| {
            crest.fill(0);
            for y in rows[0]..rows[1] {
                crest.iter_mut().zip(grid.row(y)).for_each(|(c, &level)| *c = (*c).max(level));
            }
            for (level, columns) in row.iter_mut().zip(across.windows(2)) {
                *level = crest[columns[0]..columns[1]].iter().copied().fold(0, u8::max);
            }
        },
    );
    out
}

/// Weighted sums along columns, then along rows; `close` rounds.
fn weighted<T: Copy + Default + PartialEq + Into<f32> + Send + Sync>(
    grid: &Grid<T>,
    across: &[Taps],
    down: &[Taps],
    close: impl Fn(f32) -> T + Sync,
) -> Grid<T> {
    let mut out = Grid::filled(across.len(), down.len(), T::default());
    out.as_mut_slice().par_chunks_mut(across.len()).zip(down).for_each_init(
        || vec![0f32; grid.width()],
        |sums, (row, taps)| {
            sums.fill(0.0);
            for (y, &weight) in (taps.first..).zip(&taps.weights) {
                sums.iter_mut().zip(grid.row(y)).for_each(|(sum, &value)| *sum += weight * value.into());
            }
            for (new, taps) in row.iter_mut().zip(across) {
                let values = &sums[taps.first..][..taps.weights.len()];
                *new = close(values.iter().zip(&taps.weights).map(|(value, weight)| value * weight).sum());
            }
        },
    );
    out
}

/// Each new pixel covers `from / to` old ones.
fn area(from: usize, to: usize) -> Vec<Taps> {
    let width = from as f64 / to as f64;
    let taps = |i: usize| {
        // Whole numbers, so that neighbouring pixels end and start at the very same place.
        let (first, end) = (i * from / to, ((i + 1) * from).div_ceil(to));
        let (left, right) = (i as f64 * width, (i + 1) as f64 * width);
        let share = |j: usize| ((j + 1) as f64).min(right) - (j as f64).max(left);
        Taps { first, weights: (first..end).map(|j| (share(j).max(0.0) / width) as f32).collect() }
    };
    (0..to).map(taps).collect()
}

/// Interpolation by a kernel that reaches over `count` values; beyond the rim the value at the rim counts.
fn between(from: usize, to: usize, count: usize, kernel: fn(f64) -> f64) -> Vec<Taps> {
    let taps = |i: usize| {
        let place = (i as f64 + 0.5) * from as f64 / to as f64 - 0.5;
        let start = place.floor() as isize + 1 - count as isize / 2;
        let inside = |j: isize| j.clamp(0, from as isize - 1) as usize;
        let first = inside(start);
        let mut weights = vec![0.0; inside(start + count as isize - 1) + 1 - first];
        for j in start..start + count as isize {
            weights[inside(j) - first] += kernel((place - j as f64).abs()) as f32;
        }
        Taps { first, weights }
    };
    (0..to).map(taps).collect()
}

fn linear(distance: f64) -> f64 {
    (1.0 - distance).max(0.0)
}

fn keys(distance: f64) -> f64 {
    match distance {
        d if d < 1.0 => (1.5 * d - 2.5) * d * d + 1.0,
        d if d < 2.0 => ((-0.5 * d + 2.5) * d - 4.0) * d + 2.0,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_even_picture_stays_even_at_any_size() {
        let even = Grid::filled(37, 23, 40_000u16);
        for (width, height) in [(1, 1), (5, 40), (37, 23), (36, 24), (100, 61)] {
            assert!(picture(&even, width, height).as_slice().iter().all(|&grey| grey == 40_000));
            let level = map(&Grid::filled(37, 23, 201u8), width, height);
            assert!(level.as_slice().iter().all(|&level| level == 201));
            assert!(
                lines(&Grid::filled(37, 23, 7u8), width, height).as_slice().iter().all(|&level| level == 7)
            );
        }
    }

    #[test]
    fn areas_count_parts_of_pixels() {
        // Three pixels on two: (10 + 20 / 2) / 1.5 and (20 / 2 + 40) / 1.5.
        let row = Grid::new(3, 1, vec![10u16, 20, 40]).unwrap();
        assert_eq!(picture(&row, 2, 1).as_slice(), [13, 33]);
        let block = Grid::new(2, 2, vec![1000u16, 2000, 3000, 5000]).unwrap();
        assert_eq!(picture(&block, 1, 1).as_slice(), [2750]);
    }

    #[test]
    fn a_straight_ramp_stays_straight_between_its_pixels() {
        // Keys' kernel reproduces polynomials up to the second degree; the rim, where values repeat, is left out.
        let ramp = Grid::from_fn(12, 1, |x, _| (1000 * x + 20 * x * x) as u16);
        let large = picture(&ramp, 36, 1);
        for x in 6..30 {
            let place = (x as f64 + 0.5) / 3.0 - 0.5;
            let expected = 1000.0 * place + 20.0 * place * place;
            assert!((f64::from(large.at(x, 0)) - expected).abs() <= 0.6, "{x}");
        }
        let level = Grid::from_fn(5, 1, |x, _| (40 * x) as u8);
        assert_eq!(map(&level, 10, 1).as_slice(), [0, 10, 30, 50, 70, 90, 110, 130, 150, 160]);
    }

    #[test]
    fn a_line_keeps_its_strength_where_a_map_becomes_smaller() {
        let line = Grid::from_fn(60, 30, |x, _| if x == 31 || x == 32 { 200u8 } else { 0 });
        for (width, height) in [(30, 15), (23, 12), (13, 30), (20, 40)] {
            let small = lines(&line, width, height);
            for y in 0..height {
                assert_eq!(small.row(y).iter().copied().max(), Some(200), "{width} {height} {y}");
                assert!(small.row(y).iter().filter(|&&level| level > 0).count() <= 2);
            }
        }
    }

    #[test]
    fn every_old_pixel_counts_once_in_the_largest() {
        for (from, to) in [(7, 3), (10, 9), (5, 1), (64, 63)] {
            for place in 0..from {
                let one = Grid::from_fn(from, 1, |x, _| if x == place { 9u8 } else { 0 });
                assert_eq!(
                    lines(&one, to, 1).as_slice().iter().filter(|&&v| v == 9).count(),
                    1,
                    "{from} {to} {place}"
                );
            }
        }
    }

    #[test]
    fn any_number_of_threads_gives_the_same() {
        let grid = Grid::from_fn(91, 77, |x, y| (x * 517 + y * 1203) as u16);
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| (picture(&grid, 40, 120), picture(&grid, 33, 20)))
        };
        assert!(with(1) == with(3));
    }
}
