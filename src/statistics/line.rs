//! A straight line through points, its intervals, and whether a line is the right form.

use crate::statistics::least_squares::least_squares;
use crate::statistics::{student, tails};

/// With fewer points a line leaves no residual.
const FEWEST: usize = 3;
/// With fewer points a cubic leaves fewer than two residuals.
const FEWEST_FOR_CUBIC: usize = 6;
/// Share of y that reading x and y and following the line may round off, four times the step of a double.
const ROUNDING: f64 = 4.0 * f64::EPSILON;

/// A line y = intercept + slope x by (weighted) least squares.
#[derive(Clone, Debug, PartialEq)]
pub struct LineFit {
    /// Change of y for one of x.
    pub slope: f64,
    /// Its standard error.
    pub slope_standard_error: f64,
    /// y at x = 0.
    pub intercept: f64,
    /// Its standard error.
    pub intercept_standard_error: f64,
    /// Share of the sum of squares of y about its mean that the line explains; 0 where all y are equal.
    pub r_squared: f64,
    /// Residual standard deviation, of unit weight.
    pub residual_standard_deviation: f64,
    /// Points less two.
    pub degrees_of_freedom: u64,
    /// Mean of x (weighted).
    pub mean_x: f64,
    /// Sum of squares of x about its mean (weighted).
    pub sum_of_squares_x: f64,
    /// Sum of the weights; their number where all are 1.
    pub sum_of_weights: f64,
    /// y of the line at the mean of x.
    mean_y: f64,
}

/// Fits a line; with `weights` in proportion to 1/variance.
///
/// `None` with fewer than three points, all at one x, or weights that are not above zero.
pub fn fit(x: &[f64], y: &[f64], weights: Option<&[f64]>) -> Option<LineFit> {
    if x.len() < FEWEST || x.len() != y.len() || weights.is_some_and(|w| w.len() != x.len()) {
        return None;
    }
    let weight = |i: usize| weights.map_or(1.0, |weights| weights[i]);
    let sum_of_weights: f64 = (0..x.len()).map(weight).sum();
    let mean_of =
        |values: &[f64]| values.iter().enumerate().map(|(i, v)| weight(i) * v).sum::<f64>() / sum_of_weights;
    // From the first y on, so that equal y make a level line without residuals instead of a slope of rounding.
    let raised: Vec<f64> = y.iter().map(|value| value - y[0]).collect();
    let (mean_x, mean_y) = (mean_of(x), mean_of(&raised));
    let rows: Vec<Vec<f64>> = x.iter().map(|x| vec![1.0, x - mean_x]).collect();
    let found = least_squares(&rows, &raised, weights)?;
    let (errors, deviation) = (found.standard_errors()?, found.residual_standard_deviation()?);
    let (middle, slope) = (y[0] + found.coefficients[0], found.coefficients[1]);
    let total: f64 = raised.iter().enumerate().map(|(i, y)| weight(i) * (y - mean_y).powi(2)).sum();
    Some(LineFit {
        slope,
        slope_standard_error: errors[1],
        intercept: middle - slope * mean_x,
        intercept_standard_error: errors[0].hypot(errors[1] * mean_x),
        r_squared: if total > 0.0 { 1.0 - found.residual_sum_of_squares / total } else { 0.0 },
        residual_standard_deviation: deviation,
        degrees_of_freedom: found.degrees_of_freedom as u64,
        mean_x,
        sum_of_squares_x: 1.0 / found.inverse[1][1],
        sum_of_weights,
        mean_y: middle,
    })
}

impl LineFit {
    /// y of the line.
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// Half the 95 % interval of the line at x: t s √(1/Σw + (x − x̄)²/Sxx).
    pub fn mean_half_width(&self, x: f64) -> f64 {
        self.t() * self.residual_standard_deviation * self.leverage(x).sqrt()
    }

    /// Half the 95 % interval for one further point at x, of weight 1: as for the line, with 1 more under the root.
    pub fn prediction_half_width(&self, x: f64) -> f64 {
        self.t() * self.residual_standard_deviation * (1.0 + self.leverage(x)).sqrt()
    }

    /// Half the 95 % interval of the slope.
    pub fn slope_half_width(&self) -> f64 {
        self.t() * self.slope_standard_error
    }

    /// Two-sided p of the t test that the slope is zero; a line without residuals has 0 (or 1, if it is level).
    pub fn slope_p(&self) -> f64 {
        if self.slope == 0.0 {
            return 1.0;
        }
        let t = self.slope / self.slope_standard_error;
        tails::t_two_sided(t, self.degrees_of_freedom as f64).unwrap_or(1.0)
    }

    fn leverage(&self, x: f64) -> f64 {
        1.0 / self.sum_of_weights + (x - self.mean_x).powi(2) / self.sum_of_squares_x
    }

    fn t(&self) -> f64 {
        student::quantile(0.975, self.degrees_of_freedom as f64).unwrap_or(f64::INFINITY)
    }
}

/// Whether points lie about a line, or about something else.
#[derive(Clone, Debug, PartialEq)]
pub struct LackOfFitTest {
    /// `repeated-levels` or `cubic`.
    pub name: &'static str,
    /// F.
    pub f: f64,
    /// p.
    pub p: f64,
}

/// Tests whether a line is the right form.
///
/// Where x repeat, the scatter of the means of equal x about the line against the scatter within (pure error). Where
/// none does, the line against a cubic, which follows one bend or an S. `None` if neither can be done: fewer than three
/// different x, fewer than six points without repetition, or no scatter beyond rounding to judge by.
///
/// # References
/// N. R. Draper, H. Smith, Applied Regression Analysis (pure error; extra sum of squares; from memory).
pub fn lack_of_fit(x: &[f64], y: &[f64]) -> Option<LackOfFitTest> {
    let line = fit(x, y, None)?;
    let residual = line.residual_standard_deviation.powi(2) * line.degrees_of_freedom as f64;
    let largest = |values: &[f64]| values.iter().fold(0.0, |most: f64, value| most.max(value.abs()));
    let rounding = ROUNDING * (largest(y) + line.slope.abs() * largest(x));
    if residual <= x.len() as f64 * rounding * rounding {
        return None;
    }
    let mut levels: Vec<f64> = x.to_vec();
    levels.sort_by(f64::total_cmp);
    levels.dedup();
    if levels.len() < x.len() {
        return repeated_levels(x, y, &levels, residual);
    }
    cubic(x, y, &line, residual)
}

fn repeated_levels(x: &[f64], y: &[f64], levels: &[f64], residual: f64) -> Option<LackOfFitTest> {
    if levels.len() < 3 {
        return None;
    }
    let within = |level: &f64| {
        let values: Vec<f64> = x.iter().zip(y).filter(|(x, _)| *x == level).map(|(_, y)| *y).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|value| (value - mean).powi(2)).sum::<f64>()
    };
    let pure: f64 = levels.iter().map(within).sum();
    let (between, free) = ((levels.len() - 2) as f64, (x.len() - levels.len()) as f64);
    test("repeated-levels", residual - pure, between, pure, free)
}

fn cubic(x: &[f64], y: &[f64], line: &LineFit, residual: f64) -> Option<LackOfFitTest> {
    if x.len() < FEWEST_FOR_CUBIC {
        return None;
    }
    let scale = line.sum_of_squares_x.sqrt();
    let rows: Vec<Vec<f64>> = x
        .iter()
        .map(|x| {
            let u = (x - line.mean_x) / scale;
            vec![1.0, u, u * u, u * u * u]
        })
        .collect();
    let bent = least_squares(&rows, y, None)?;
    let left = bent.residual_sum_of_squares;
    test("cubic", residual - left, 2.0, left, bent.degrees_of_freedom as f64)
}

fn test(name: &'static str, extra: f64, between: f64, left: f64, free: f64) -> Option<LackOfFitTest> {
    let f = (extra.max(0.0) / between) / (left / free);
    if !f.is_finite() {
        return None;
    }
    let p = tails::f_upper(f, between, free)?;
    Some(LackOfFitTest { name, f, p })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_make_a_level_line() {
        // 0.1 has no exact double: its mean and residuals would otherwise be those of rounding.
        let line = fit(&[1050.0, 1100.0, 1150.0, 1205.0], &[0.1; 4], None).unwrap();
        assert_eq!((line.slope, line.residual_standard_deviation, line.r_squared), (0.0, 0.0, 0.0));
        assert_eq!((line.slope_p(), line.at(1300.0)), (1.0, 0.1));
    }

    #[test]
    fn without_scatter_no_lack_of_fit_is_told() {
        let x: Vec<f64> = (0..9).map(|i| 1000.1 + 25.3 * f64::from(i)).collect();
        let y: Vec<f64> = x.iter().map(|x| 31.7 - 0.0123 * x).collect();
        assert!(lack_of_fit(&x, &y).is_none());
        // Repeats that agree to the last digit say nothing of the scatter.
        assert!(lack_of_fit(&[1.0, 1.0, 2.0, 2.0, 3.0, 3.0], &[1.0, 1.0, 2.0, 2.0, 4.0, 4.0]).is_none());
    }

    #[test]
    fn weights_are_those_of_the_inverse_variance() {
        // By hand: points (0, 0), (1, 2), (2, 2) with weights 1, 1, 4: x̄ 1.5, ȳ 5/3, Sxx 3.5, Sxy 3.
        let line = fit(&[0.0, 1.0, 2.0], &[0.0, 2.0, 2.0], Some(&[1.0, 1.0, 4.0])).unwrap();
        assert!((line.slope - 6.0 / 7.0).abs() < 1e-14 && (line.sum_of_squares_x - 3.5).abs() < 1e-14);
        assert!((line.at(1.5) - 5.0 / 3.0).abs() < 1e-14);
        assert!(fit(&[0.0, 1.0, 2.0], &[0.0, 2.0, 2.0], Some(&[1.0, -1.0, 4.0])).is_none());
        assert!(fit(&[1.0, 1.0, 1.0], &[0.0, 2.0, 2.0], None).is_none());
    }
}
