//! Linear least squares by orthogonal reflections.

/// Columns whose part that the others do not explain is smaller than this share of them carry nothing.
const SMALLEST_PIVOT: f64 = 1e-11;

/// The solution of a linear least squares problem.
#[derive(Clone, Debug, PartialEq)]
pub struct Solution {
    /// One coefficient for each column.
    pub coefficients: Vec<f64>,
    /// (XᵀWX)⁻¹, row by row: times the squared residual standard deviation, the covariance of the coefficients.
    pub inverse: Vec<Vec<f64>>,
    /// Sum of squared (weighted) residuals.
    pub residual_sum_of_squares: f64,
    /// Rows less columns.
    pub degrees_of_freedom: usize,
}

impl Solution {
    /// Residual standard deviation; `None` without degrees of freedom.
    pub fn residual_standard_deviation(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0)
            .then(|| (self.residual_sum_of_squares / self.degrees_of_freedom as f64).sqrt())
    }

    /// Standard error of each coefficient; `None` without degrees of freedom.
    pub fn standard_errors(&self) -> Option<Vec<f64>> {
        let deviation = self.residual_standard_deviation()?;
        Some((0..self.coefficients.len()).map(|i| deviation * self.inverse[i][i].sqrt()).collect())
    }
}

/// Minimises Σ wᵢ (yᵢ − Σⱼ Xᵢⱼ bⱼ)²; `rows` are the rows of X, all weights 1 where `weights` is `None`.
///
/// Columns are scaled to length 1 and reflected (QR). `None` if there are fewer rows than columns, lengths differ, a number
/// is not finite, a weight is not above zero, or a column is a combination of the others.
///
/// # References
/// A. S. Householder, J. ACM 5 (1958) 339; G. H. Golub, Numer. Math. 7 (1965) 206 (from memory).
pub fn least_squares(rows: &[Vec<f64>], y: &[f64], weights: Option<&[f64]>) -> Option<Solution> {
    let (n, columns) = (rows.len(), rows.first()?.len());
    let finite = |values: &[f64]| values.iter().all(|value| value.is_finite());
    let fits = n >= columns && columns > 0 && y.len() == n && finite(y);
    if !fits || rows.iter().any(|row| row.len() != columns || !finite(row)) {
        return None;
    }
    if weights.is_some_and(|w| w.len() != n || !w.iter().all(|w| w.is_finite() && *w > 0.0)) {
        return None;
    }
    let root = |i: usize| weights.map_or(1.0, |weights| weights[i].sqrt());
    let mut x: Vec<Vec<f64>> = (0..columns).map(|j| (0..n).map(|i| root(i) * rows[i][j]).collect()).collect();
    let rhs: Vec<f64> = (0..n).map(|i| root(i) * y[i]).collect();
    let lengths: Vec<f64> = x.iter().map(|column| norm(column)).collect();
    if lengths.contains(&0.0) {
        return None;
    }
    x.iter_mut().zip(&lengths).for_each(|(column, length)| column.iter_mut().for_each(|v| *v /= length));
    let reflected = Reflected::of(x)?;
    let mut scaled = reflected.solved(rhs);
    // One step of refinement with residuals to twice the precision: it wins back the digits that powers of x cost.
    let left = (0..n).map(|i| root(i) * residual(&rows[i], y[i], &scaled, &lengths)).collect();
    scaled.iter_mut().zip(reflected.solved(left)).for_each(|(b, correction)| *b += correction);
    let coefficients: Vec<f64> = scaled.iter().zip(&lengths).map(|(b, length)| b / length).collect();
    let squares = (0..n).map(|i| (root(i) * residual(&rows[i], y[i], &scaled, &lengths)).powi(2));
    Some(Solution {
        residual_sum_of_squares: squares.sum(),
        inverse: inverse(&reflected.r, &lengths),
        degrees_of_freedom: n - columns,
        coefficients,
    })
}

/// y less the row's combination, as if in twice the precision.
///
/// # References
/// T. Ogita, S. M. Rump, S. Oishi, SIAM J. Sci. Comput. 26 (2005) 1955 (sums of products; from memory).
fn residual(row: &[f64], y: f64, scaled: &[f64], lengths: &[f64]) -> f64 {
    let (mut sum, mut lost) = (y, 0.0);
    for ((x, b), length) in row.iter().zip(scaled).zip(lengths) {
        let b = b / length;
        let product = -x * b;
        let product_lost = (-x).mul_add(b, -product);
        let next = sum + product;
        let part = next - sum;
        lost += (sum - (next - part)) + (product - part) + product_lost;
        sum = next;
    }
    sum + lost
}

fn norm(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>().sqrt()
}

/// Columns reflected so that a triangle R remains.
struct Reflected {
    /// Mirror and its squared length for each column, from its diagonal on.
    mirrors: Vec<(Vec<f64>, f64)>,
    /// R by columns, down to the diagonal.
    r: Vec<Vec<f64>>,
}

impl Reflected {
    fn of(mut columns: Vec<Vec<f64>>) -> Option<Self> {
        let mut mirrors = Vec::with_capacity(columns.len());
        for j in 0..columns.len() {
            let below = norm(&columns[j][j..]);
            if below < SMALLEST_PIVOT {
                return None;
            }
            let diagonal = if columns[j][j] > 0.0 { -below } else { below };
            let mut mirror = columns[j][j..].to_vec();
            mirror[0] -= diagonal;
            let square: f64 = mirror.iter().map(|v| v * v).sum();
            columns[j..].iter_mut().for_each(|column| reflect(&mirror, square, &mut column[j..]));
            mirrors.push((mirror, square));
        }
        let r = columns.iter().enumerate().map(|(j, column)| column[..=j].to_vec()).collect();
        Some(Self { mirrors, r })
    }

    /// The least squares solution for one right side.
    fn solved(&self, mut rhs: Vec<f64>) -> Vec<f64> {
        for (j, (mirror, square)) in self.mirrors.iter().enumerate() {
            reflect(mirror, *square, &mut rhs[j..]);
        }
        back_substituted(&self.r, &rhs)
    }
}

fn reflect(mirror: &[f64], square: f64, values: &mut [f64]) {
    let along = 2.0 * mirror.iter().zip(&*values).map(|(m, v)| m * v).sum::<f64>() / square;
    values.iter_mut().zip(mirror).for_each(|(value, m)| *value -= along * m);
}

/// Solves R b = rhs; R by columns, upper triangle.
fn back_substituted(r: &[Vec<f64>], rhs: &[f64]) -> Vec<f64> {
    let mut b = rhs[..r.len()].to_vec();
    for j in (0..r.len()).rev() {
        b[j] /= r[j][j];
        let found = b[j];
        b[..j].iter_mut().zip(&r[j]).for_each(|(value, above)| *value -= found * above);
    }
    b
}

/// (RᵀR)⁻¹ with the scale of the columns taken back.
fn inverse(r: &[Vec<f64>], lengths: &[f64]) -> Vec<Vec<f64>> {
    let size = r.len();
    let unit = |k: usize| (0..size).map(|i| f64::from(u8::from(i == k))).collect::<Vec<f64>>();
    // Columns of R⁻¹; the inverse of RᵀR is R⁻¹ R⁻ᵀ.
    let columns: Vec<Vec<f64>> = (0..size).map(|k| back_substituted(r, &unit(k))).collect();
    let entry = |i: usize, j: usize| {
        columns.iter().map(|column| column[i] * column[j]).sum::<f64>() / (lengths[i] * lengths[j])
    };
    (0..size).map(|i| (0..size).map(|j| entry(i, j)).collect()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_solved_is_refused() {
        let rows = |columns: &[[f64; 2]]| columns.iter().map(|row| row.to_vec()).collect::<Vec<_>>();
        let dependent = rows(&[[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]]);
        assert!(least_squares(&dependent, &[1.0, 2.0, 3.0], None).is_none());
        let good = rows(&[[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]]);
        assert!(least_squares(&good[..1], &[1.0], None).is_none());
        assert!(least_squares(&good, &[1.0, f64::NAN, 2.0], None).is_none());
        assert!(least_squares(&good, &[1.0, 2.0, 2.0], Some(&[1.0, 0.0, 1.0])).is_none());
        let exact = least_squares(&good[..2], &[1.0, 3.0], None).unwrap();
        assert!((exact.coefficients[1] - 2.0).abs() < 1e-12 && exact.standard_errors().is_none());
    }

    #[test]
    fn a_weight_of_two_is_a_row_twice() {
        let rows: Vec<Vec<f64>> = [0.0, 1.0, 2.0, 2.0].iter().map(|&x| vec![1.0, x]).collect();
        let twice = least_squares(&rows, &[0.1, 1.3, 1.8, 1.8], None).unwrap();
        let weighted = least_squares(&rows[..3], &[0.1, 1.3, 1.8], Some(&[1.0, 1.0, 2.0])).unwrap();
        for (a, b) in twice.coefficients.iter().zip(&weighted.coefficients) {
            assert!((a - b).abs() < 1e-12);
        }
        assert!((twice.inverse[0][1] - weighted.inverse[0][1]).abs() < 1e-12);
    }
}
