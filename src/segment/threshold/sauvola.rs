//! A threshold of its own for each pixel's surroundings.

use rayon::prelude::*;

use crate::grid::Grid;

/// Weight of the spread of greys.
pub const WEIGHT: f64 = 0.5;
/// Half of the grey levels of an 8-bit picture: the largest standard deviation that occurs.
pub const LARGEST_DEVIATION: f64 = 128.0;
/// Smallest side of the square of surroundings, in px.
const SMALLEST_WINDOW_PX: usize = 25;
/// Largest side: column sums of squares stay below 2³² and windows narrower than most pictures.
const LARGEST_WINDOW_PX: usize = 301;
/// Rows that one task works on: many, because each task first sums a whole window.
const BAND_ROWS: usize = 512;

/// Side of the square of surroundings in px: an eighth of the shorter side, odd, from 25 to 301.
pub fn window_px(picture: &Grid<u8>) -> usize {
    window_of(picture.width(), picture.height())
}

/// The same for a picture of this size.
pub(crate) fn window_of(width: usize, height: usize) -> usize {
    let side = width.min(height) / 8;
    side.clamp(SMALLEST_WINDOW_PX, LARGEST_WINDOW_PX) | 1
}

/// T = m (1 + k (s/R − 1)), with mean m and standard deviation s of the surroundings, k = [`WEIGHT`], R =
/// [`LARGEST_DEVIATION`].
pub fn level(mean: f64, deviation: f64) -> f64 {
    mean * (1.0 + WEIGHT * (deviation / LARGEST_DEVIATION - 1.0))
}

/// For each pixel the grey below which it belongs to a pore.
///
/// Surroundings are a square of [`window_px`], cut off by the frame. The formula depends on where grey zero lies, so
/// greys are counted from the darkest one of the picture; an added constant then changes nothing.
///
/// # References
/// J. Sauvola, M. Pietikäinen, Pattern Recognition 33 (2000) 225.
pub fn cuts(picture: &Grid<u8>) -> Grid<u8> {
    let darkest = picture.as_slice().iter().copied().min().unwrap_or(0);
    cuts_within(picture, window_px(picture) / 2, darkest)
}

/// The same with surroundings of `reach` px either way and greys counted from `darkest`.
pub(crate) fn cuts_within(picture: &Grid<u8>, reach: usize, darkest: u8) -> Grid<u8> {
    let (width, height) = (picture.width(), picture.height());
    let mut cuts = Grid::filled(width, height, 0);
    cuts.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, out)| {
        let top = band * BAND_ROWS;
        let mut columns = Columns { sums: vec![0; width], squares: vec![0; width] };
        let mut inside = top.saturating_sub(reach)..top.saturating_sub(reach);
        for (row, out) in out.chunks_exact_mut(width).enumerate() {
            let y = top + row;
            while inside.end < (y + reach + 1).min(height) {
                columns.update(picture.row(inside.end), darkest, u32::wrapping_add);
                inside.end += 1;
            }
            while inside.start < y.saturating_sub(reach) {
                columns.update(picture.row(inside.start), darkest, u32::wrapping_sub);
                inside.start += 1;
            }
            columns.cut_row(out, reach, inside.len(), darkest);
        }
    });
    cuts
}

/// Sums of greys and of their squares over the rows of the window, for each column.
struct Columns {
    sums: Vec<u32>,
    squares: Vec<u32>,
}

impl Columns {
    fn update(&mut self, row: &[u8], darkest: u8, change: impl Fn(u32, u32) -> u32) {
        for ((sum, square), &grey) in self.sums.iter_mut().zip(&mut self.squares).zip(row) {
            let grey = u32::from(grey - darkest);
            *sum = change(*sum, grey);
            *square = change(*square, grey * grey);
        }
    }

    fn cut_row(&self, out: &mut [u8], reach: usize, rows: usize, darkest: u8) {
        let width = out.len();
        let (mut sum, mut square, mut columns) = (0u64, 0u64, 0usize..0);
        for (x, out) in out.iter_mut().enumerate() {
            while columns.end < (x + reach + 1).min(width) {
                sum += u64::from(self.sums[columns.end]);
                square += u64::from(self.squares[columns.end]);
                columns.end += 1;
            }
            while columns.start < x.saturating_sub(reach) {
                sum -= u64::from(self.sums[columns.start]);
                square -= u64::from(self.squares[columns.start]);
                columns.start += 1;
            }
            let pixels = (rows * columns.len()) as f64;
            let mean = sum as f64 / pixels;
            let variance = (square as f64 / pixels - mean * mean).max(0.0);
            *out = (level(mean, variance.sqrt()).floor() + 1.0 + f64::from(darkest)).min(255.0) as u8;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_formula_gives_the_worked_value() {
        // Mean 120, standard deviation 20, k = 0.5, R = 128.
        assert!((level(120.0, 20.0) - 69.375).abs() < 1e-12);
    }

    #[test]
    fn agrees_with_plain_sums_at_the_rim_and_inside() {
        let picture = Grid::from_fn(61, 47, |x, y| ((x * x * 5 + y * 37 + x * y) % 241 + 9) as u8);
        let reach = window_px(&picture) / 2;
        let cuts = cuts(&picture);
        for (x, y) in [(0usize, 0usize), (60, 46), (30, 20), (3, 40), (59, 1)] {
            let mut greys = Vec::new();
            for row in picture.rows().take(y + reach + 1).skip(y.saturating_sub(reach)) {
                greys.extend(
                    row[x.saturating_sub(reach)..(x + reach + 1).min(61)].iter().map(|&g| f64::from(g) - 9.0),
                );
            }
            let mean = greys.iter().sum::<f64>() / greys.len() as f64;
            let variance = greys.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / greys.len() as f64;
            let expected = level(mean, variance.sqrt()).floor() + 10.0;
            assert_eq!(f64::from(cuts.at(x, y)), expected, "at {x}, {y}");
        }
    }
}
