//! Smooth random fields: cubic B-splines over a lattice of independent normal values.

use super::random::{Purpose, Stream};

/// A smooth random field with mean 0 and standard deviation 1, defined for pixels of a window.
pub(crate) struct SmoothField {
    spacing: f64,
    columns: usize,
    rows: usize,
    lattice: Vec<f32>,
    shift: (f64, f64),
}

/// Mean of the squared sum of B-spline weights in one direction over all positions, so that the variance is 1:
/// Σ_k ∫ b(k + t)² dt = 151/315 for the cubic B-spline.
const MEAN_SQUARE_WEIGHT: f64 = 151.0 / 315.0;

impl SmoothField {
    /// A field over `width` x `height` px that changes over about `spacing` px; `index` tells fields of one
    /// purpose apart.
    pub(crate) fn new(
        (seed, purpose, index): (u64, Purpose, u64),
        spacing: f64,
        (width, height): (usize, usize),
    ) -> Self {
        let mut stream = Stream::new(seed, purpose, index);
        let shift = (stream.unit(), stream.unit());
        let columns = (width as f64 / spacing) as usize + 5;
        let rows = (height as f64 / spacing) as usize + 5;
        let lattice = (0..columns * rows).map(|_| (stream.normal() / MEAN_SQUARE_WEIGHT) as f32).collect();
        Self { spacing, columns, rows, lattice, shift }
    }

    /// The values of row `y` into `row`.
    pub(crate) fn fill_row(&self, y: usize, row: &mut [f32]) {
        let (first, weights) = self.place(y as f64 / self.spacing + self.shift.1, self.rows);
        let blended: Vec<f32> = (0..self.columns)
            .map(|x| (0..4).map(|k| weights[k] * self.lattice[(first + k) * self.columns + x]).sum())
            .collect();
        for (x, value) in row.iter_mut().enumerate() {
            let (first, weights) = self.place(x as f64 / self.spacing + self.shift.0, self.columns);
            *value = (0..4).map(|k| weights[k] * blended[first + k]).sum();
        }
    }

    /// The value at one place, both coordinates at least 0.
    pub(crate) fn at(&self, x: f64, y: f64) -> f32 {
        let (row, down) = self.place(y / self.spacing + self.shift.1, self.rows);
        let (column, along) = self.place(x / self.spacing + self.shift.0, self.columns);
        let line = |k: usize| {
            let first = (row + k) * self.columns + column;
            (0..4).map(|i| along[i] * self.lattice[first + i]).sum::<f32>()
        };
        (0..4).map(|k| down[k] * line(k)).sum()
    }

    /// First of four lattice lines around `place`, and their weights.
    fn place(&self, place: f64, lines: usize) -> (usize, [f32; 4]) {
        let first = (place as usize).min(lines - 4);
        let t = (place - first as f64) as f32;
        let s = 1.0 - t;
        let inner = |t: f32| (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0;
        (first, [s * s * s / 6.0, inner(t), inner(s), t * t * t / 6.0])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_has_unit_variance_and_no_steps() {
        let (width, height) = (600, 400);
        let field = SmoothField::new((1, Purpose::Texture, 0), 5.0, (width, height));
        let (mut squares, mut largest_step) = (0.0, 0f32);
        let mut row = vec![0.0; width];
        for y in 0..height {
            field.fill_row(y, &mut row);
            squares += row.iter().map(|v| f64::from(v * v)).sum::<f64>();
            largest_step = row.windows(2).map(|p| (p[1] - p[0]).abs()).fold(largest_step, f32::max);
        }
        let variance = squares / (width * height) as f64;
        assert!((variance - 1.0).abs() < 0.1, "{variance}");
        assert!(largest_step < 1.5, "{largest_step}");
    }
}
