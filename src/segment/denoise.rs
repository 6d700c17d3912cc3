//! Light denoising before thresholding.

use rayon::prelude::*;

use crate::grid::Grid;

/// Rows that one task filters.
const BAND_ROWS: usize = 64;

/// Median of each pixel and its eight neighbours; the rim is continued outwards by its own pixels.
///
/// Removes counting noise and single bright or dark pixels, moves straight edges nowhere, and rounds corners by less
/// than a pixel.
///
/// # References
/// J. W. Tukey, Exploratory Data Analysis (1977). The network of minima and maxima sorts the three pixels of each
/// column, then takes the median of the largest minimum, the median of the medians and the smallest maximum
/// (J. L. Smith, 1996; from memory).
pub fn median3(picture: &Grid<u8>) -> Grid<u8> {
    let (width, height) = (picture.width(), picture.height());
    let mut filtered = Grid::filled(width, height, 0);
    filtered.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, out)| {
        let mut sorted = SortedColumns::new(width);
        for (row, out) in out.chunks_exact_mut(width).enumerate() {
            let y = band * BAND_ROWS + row;
            let rows = [y.saturating_sub(1), y, (y + 1).min(height - 1)].map(|y| picture.row(y));
            sorted.fill(rows);
            sorted.medians(out);
        }
    });
    filtered
}

/// Smallest, middle and largest of three pixels above each other, with one column more on either side.
struct SortedColumns {
    low: Vec<u8>,
    middle: Vec<u8>,
    high: Vec<u8>,
}

impl SortedColumns {
    fn new(width: usize) -> Self {
        Self { low: vec![0; width + 2], middle: vec![0; width + 2], high: vec![0; width + 2] }
    }

    fn fill(&mut self, [above, here, below]: [&[u8]; 3]) {
        let width = here.len();
        let out =
            self.low[1..=width].iter_mut().zip(&mut self.middle[1..=width]).zip(&mut self.high[1..=width]);
        let columns = above.iter().zip(here).zip(below);
        for (((low, middle), high), ((&a, &b), &c)) in out.zip(columns) {
            let (small, large) = (a.min(b), a.max(b));
            *low = small.min(c);
            *high = large.max(c);
            *middle = small.max(large.min(c));
        }
        for line in [&mut self.low, &mut self.middle, &mut self.high] {
            line[0] = line[1];
            line[width + 1] = line[width];
        }
    }

    fn medians(&self, out: &mut [u8]) {
        let width = out.len();
        // Slices of equal length let the compiler drop the bound checks and work on 16 pixels at a time.
        let [low0, low1, low2] = [0, 1, 2].map(|shift| &self.low[shift..shift + width]);
        let [middle0, middle1, middle2] = [0, 1, 2].map(|shift| &self.middle[shift..shift + width]);
        let [high0, high1, high2] = [0, 1, 2].map(|shift| &self.high[shift..shift + width]);
        for x in 0..width {
            let low = low0[x].max(low1[x]).max(low2[x]);
            let high = high0[x].min(high1[x]).min(high2[x]);
            let middle = median_of_three(middle0[x], middle1[x], middle2[x]);
            out[x] = median_of_three(low, middle, high);
        }
    }
}

fn median_of_three(a: u8, b: u8, c: u8) -> u8 {
    a.min(b).max(a.max(b).min(c))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Slow and obvious: sort the nine pixels.
    fn sorted_median(picture: &Grid<u8>) -> Grid<u8> {
        let clamp = |v: usize, step: usize, length: usize| (v + step).saturating_sub(1).min(length - 1);
        Grid::from_fn(picture.width(), picture.height(), |x, y| {
            let mut nine: Vec<u8> = (0..9)
                .map(|k| picture.at(clamp(x, k % 3, picture.width()), clamp(y, k / 3, picture.height())))
                .collect();
            nine.sort_unstable();
            nine[4]
        })
    }

    proptest! {
        #[test]
        fn agrees_with_sorting(width in 1usize..40, height in 1usize..150, seed in any::<u64>()) {
            let mut state = seed | 1;
            let picture = Grid::from_fn(width, height, |_, _| {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                (state >> 56) as u8
            });
            prop_assert_eq!(median3(&picture), sorted_median(&picture));
        }
    }

    #[test]
    fn a_straight_edge_stays_where_it_is() {
        let picture = Grid::from_fn(20, 20, |x, _| if x < 7 { 10 } else { 200 });
        assert_eq!(median3(&picture), picture);
    }
}
