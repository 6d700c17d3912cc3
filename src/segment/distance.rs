//! Exact Euclidean distance to the background, to any length or to a short one.

use std::ops::Add;

use multiversion::multiversion;
use rayon::prelude::*;

use crate::grid::{Grid, Mask};

/// Squared distance in px² from each pixel to the nearest `false` pixel; 0 on `false` pixels themselves.
///
/// Where the mask has no `false` pixel at all, every distance is `u32::MAX`. What lies beyond the rim counts neither
/// as `true` nor as `false`. Exact for pictures up to 46 340 px a side.
///
/// # References
/// A. Meijster, J. B. T. M. Roerdink, W. H. Hesselink, A general algorithm for computing distance transforms in linear
/// time, in: Mathematical Morphology and its Applications (2000) 331.
pub fn squared_distance(mask: &Mask) -> Grid<u32> {
    let (width, height) = (mask.width(), mask.height());
    if mask.as_slice().iter().all(|&inside| inside) {
        return Grid::filled(width, height, u32::MAX);
    }
    // Longer than any true distance, so that a column without background never wins.
    let unreached = (width + height) as u32;
    let mut distance = mask.map(|inside| if inside { unreached } else { 0 });
    distances_along_columns(distance.as_mut_slice(), width);
    distance
        .as_mut_slice()
        .par_chunks_mut(width)
        .for_each_init(|| Envelope::with_width(width), |envelope, row| envelope.lower(row));
    distance
}

/// Distance in whole px, rounded down, from each pixel to the nearest `false` pixel, and `reach` where it is that far or
/// further; 0 on `false` pixels themselves. What lies beyond the rim counts neither as `true` nor as `false`.
///
/// Bytes suffice, so a vector register holds sixteen pixels and more: many times as fast as [`squared_distance`].
///
/// # Panics
/// If `reach` is above [`LONGEST_REACH`], whose square is the largest that a byte holds.
pub fn distance_within(mask: &Mask, reach: u8) -> Grid<u8> {
    let mut distance = mask.map(|inside| if inside { reach } else { 0 });
    shorten(distance.as_mut_slice(), mask.width(), reach);
    distance
}

/// Turns rows of `reach` and, on the background, 0 into the distances of [`distance_within`].
pub(super) fn shorten(distance: &mut [u8], width: usize, reach: u8) {
    assert!(reach <= LONGEST_REACH, "invariant: {reach} px is too far for bytes");
    distances_along_columns(distance, width);
    // Columns left and right of the picture have no background, and so are as far as can be.
    let margin = usize::from(reach);
    let mut squares = vec![reach * reach; width.next_multiple_of(BLOCK) + 2 * margin];
    for row in distance.chunks_exact_mut(width) {
        for (square, &g) in squares[margin..].iter_mut().zip(&*row) {
            *square = g * g;
        }
        shortest_in_row(&squares, reach, row);
    }
}

/// The longest reach of [`distance_within`], in px.
pub const LONGEST_REACH: u8 = 15;
/// Pixels that are kept in registers while all columns within reach are looked at.
const BLOCK: usize = 64;

/// Least of dx² + g² over columns nearer than `reach`, and its root rounded down; `squares` has `reach` more columns of g²
/// than `row` on either side.
#[multiversion(targets("x86_64+avx2"))]
fn shortest_in_row(squares: &[u8], reach: u8, row: &mut [u8]) {
    let margin = usize::from(reach);
    for (block, out) in row.chunks_mut(BLOCK).enumerate() {
        let mut least = [reach * reach; BLOCK];
        for step in 0..margin {
            let square = (step * step) as u8;
            let middle = block * BLOCK + margin;
            let (left, right) = (&squares[middle - step..][..BLOCK], &squares[middle + step..][..BLOCK]);
            for x in 0..BLOCK {
                least[x] = least[x].min(left[x].min(right[x]).saturating_add(square));
            }
        }
        let mut roots = [0u8; BLOCK];
        for root in 1..=reach {
            for x in 0..BLOCK {
                roots[x] += u8::from(least[x] >= root * root);
            }
        }
        out.copy_from_slice(&roots[..out.len()]);
    }
}

fn distances_along_columns<T: Copy + Ord + Add<Output = T> + From<u8>>(data: &mut [T], width: usize) {
    let height = data.len() / width;
    for y in 1..height {
        let (above, row) = data.split_at_mut(y * width);
        step_from_neighbour(&above[(y - 1) * width..], &mut row[..width]);
    }
    for y in (0..height - 1).rev() {
        let (row, below) = data.split_at_mut((y + 1) * width);
        step_from_neighbour(&below[..width], &mut row[y * width..]);
    }
}

fn step_from_neighbour<T: Copy + Ord + Add<Output = T> + From<u8>>(neighbour: &[T], row: &mut [T]) {
    for (value, &next) in row.iter_mut().zip(neighbour) {
        *value = (*value).min(next + T::from(1));
    }
}

/// The lower envelope of the parabolas (x - i)² + g(i)² of one row.
struct Envelope {
    columns: Vec<i64>,
    starts: Vec<i64>,
    heights: Vec<i64>,
}

impl Envelope {
    fn with_width(width: usize) -> Self {
        Self {
            columns: Vec::with_capacity(width),
            starts: Vec::with_capacity(width),
            heights: Vec::with_capacity(width),
        }
    }

    /// Replaces the column distances g of `row` by the squared distances.
    fn lower(&mut self, row: &mut [u32]) {
        self.columns.clear();
        self.starts.clear();
        self.heights.clear();
        for (x, &g) in row.iter().enumerate() {
            self.add(x as i64, i64::from(g) * i64::from(g), row.len() as i64);
        }
        let mut k = self.columns.len();
        for x in (0..row.len()).rev() {
            while self.starts[k - 1] > x as i64 {
                k -= 1;
            }
            let offset = x as i64 - self.columns[k - 1];
            row[x] = (offset * offset + self.heights[k - 1]) as u32;
        }
    }

    fn add(&mut self, x: i64, height: i64, width: i64) {
        while let (Some(&column), Some(&top), Some(&start)) =
            (self.columns.last(), self.heights.last(), self.starts.last())
        {
            let first = first_below(x, height, column, top);
            if first > start {
                if first < width {
                    self.push(x, first, height);
                }
                return;
            }
            self.columns.pop();
            self.heights.pop();
            self.starts.pop();
        }
        self.push(x, 0, height);
    }

    fn push(&mut self, column: i64, start: i64, height: i64) {
        self.columns.push(column);
        self.starts.push(start);
        self.heights.push(height);
    }
}

/// First column, 0 at least, where the parabola at `x` lies below the one at `column`, which is further left.
fn first_below(x: i64, height: i64, column: i64, top: i64) -> i64 {
    let numerator = x * x - column * column + height - top;
    if x - column == 1 {
        return ((numerator >> 1) + 1).max(0);
    }
    // A double holds both numbers exactly, and their quotient is never nearer to a whole number than its rounding.
    let crossing = numerator as f64 / (2 * (x - column)) as f64;
    if crossing < 0.0 { 0 } else { crossing as i64 + 1 }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn by_search(mask: &Mask) -> Vec<u32> {
        let width = mask.width();
        let background: Vec<_> = (0..mask.len()).filter(|&i| !mask.as_slice()[i]).collect();
        let squared = |i: usize, j: usize| {
            let (dx, dy) = ((i % width).abs_diff(j % width), (i / width).abs_diff(j / width));
            (dx * dx + dy * dy) as u32
        };
        (0..mask.len()).map(|i| background.iter().map(|&j| squared(i, j)).min().unwrap_or(u32::MAX)).collect()
    }

    #[test]
    fn without_background_there_is_no_distance() {
        assert_eq!(squared_distance(&Mask::filled(3, 2, true)).as_slice(), [u32::MAX; 6]);
        assert_eq!(squared_distance(&Mask::filled(3, 2, false)).as_slice(), [0; 6]);
    }

    #[test]
    fn one_background_pixel_gives_circles() {
        let mask = Mask::from_fn(4, 3, |x, y| (x, y) != (0, 0));
        assert_eq!(squared_distance(&mask).as_slice(), [0, 1, 4, 9, 1, 2, 5, 10, 4, 5, 8, 13]);
    }

    proptest! {
        #[test]
        fn equals_a_search_over_all_background_pixels(
            width in 1usize..24, height in 1usize..24, seed in prop::collection::vec(0u8..20, 24 * 24)
        ) {
            let mask = Mask::from_fn(width, height, |x, y| seed[y * 24 + x] != 0);
            prop_assert_eq!(squared_distance(&mask).into_vec(), by_search(&mask));
        }

        #[test]
        fn a_short_distance_is_the_long_one_cut_off(
            width in 1usize..70, height in 1usize..24, reach in 0u8..=LONGEST_REACH,
            seed in prop::collection::vec(0u8..200, 70 * 24)
        ) {
            let mask = Mask::from_fn(width, height, |x, y| seed[y * 70 + x] != 0);
            let cut_off = squared_distance(&mask).map(|squared| squared.isqrt().min(u32::from(reach)) as u8);
            prop_assert_eq!(distance_within(&mask, reach), cut_off);
        }
    }
}
