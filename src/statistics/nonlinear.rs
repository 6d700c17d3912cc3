//! Nonlinear least squares after Levenberg and Marquardt.

use crate::statistics::least_squares::least_squares;

/// Steps after which a fit is given up.
const MOST_STEPS: usize = 500;
/// Damping at the start, as a share of the squared length of each column.
const FIRST_DAMPING: f64 = 1e-3;
const LEAST_DAMPING: f64 = 1e-15;
const MOST_DAMPING: f64 = 1e15;
/// A fit has settled when no parameter moves by more than this share of itself.
const SETTLED: f64 = 1e-12;

/// A fitted model.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Parameters.
    pub parameters: Vec<f64>,
    /// Their standard errors, from the linearised model.
    pub standard_errors: Vec<f64>,
    /// Sum of squared residuals.
    pub residual_sum_of_squares: f64,
    /// Root of that over the degrees of freedom.
    pub residual_standard_deviation: f64,
    /// Observations less parameters.
    pub degrees_of_freedom: usize,
    /// Whether the parameters stopped moving.
    pub converged: bool,
}

/// Minimises the sum of squares of `observed[i] − model(i, parameters)` from the start given.
///
/// Derivatives by central differences; damping in proportion to the squared length of each column, so that the units of
/// parameters do not matter. `None` without degrees of freedom, if the model is not finite at the start, or if the
/// parameters cannot be told apart at the end.
///
/// # References
/// K. Levenberg, Q. Appl. Math. 2 (1944) 164; D. W. Marquardt, J. SIAM 11 (1963) 431 (from memory).
pub fn fit(model: impl Fn(usize, &[f64]) -> f64, observed: &[f64], start: &[f64]) -> Option<Fit> {
    if observed.len() <= start.len() || start.is_empty() {
        return None;
    }
    let residuals = |parameters: &[f64]| -> Vec<f64> {
        observed.iter().enumerate().map(|(i, y)| y - model(i, parameters)).collect()
    };
    let square = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
    let mut parameters = start.to_vec();
    let mut left = residuals(&parameters);
    let mut sum = square(&left);
    if !sum.is_finite() {
        return None;
    }
    let (mut damping, mut converged) = (FIRST_DAMPING, false);
    for _ in 0..MOST_STEPS {
        let slopes = jacobian(&model, observed.len(), &parameters);
        let Some(step) = damped_step(&slopes, &left, damping) else {
            damping *= 10.0;
            if damping > MOST_DAMPING {
                break;
            }
            continue;
        };
        let tried: Vec<f64> = parameters.iter().zip(&step).map(|(p, s)| p + s).collect();
        let tried_left = residuals(&tried);
        let tried_sum = square(&tried_left);
        let small = step.iter().zip(&tried).all(|(s, p)| s.abs() <= SETTLED * (p.abs() + SETTLED));
        if tried_sum <= sum {
            (parameters, left, sum) = (tried, tried_left, tried_sum);
            damping = (damping / 10.0).max(LEAST_DAMPING);
        } else {
            damping *= 10.0;
        }
        converged = small;
        if small || damping > MOST_DAMPING {
            break;
        }
    }
    finished(&jacobian(&model, observed.len(), &parameters), parameters, &left, sum, converged)
}

fn finished(
    slopes: &[Vec<f64>],
    parameters: Vec<f64>,
    left: &[f64],
    sum: f64,
    converged: bool,
) -> Option<Fit> {
    let linear = least_squares(slopes, left, None)?;
    let degrees_of_freedom = left.len() - parameters.len();
    let deviation = (sum / degrees_of_freedom as f64).sqrt();
    let standard_errors = (0..parameters.len()).map(|i| deviation * linear.inverse[i][i].sqrt()).collect();
    Some(Fit {
        parameters,
        standard_errors,
        residual_sum_of_squares: sum,
        residual_standard_deviation: deviation,
        degrees_of_freedom,
        converged,
    })
}

/// Derivatives of the model by its parameters, a row for each observation.
fn jacobian(model: &impl Fn(usize, &[f64]) -> f64, count: usize, parameters: &[f64]) -> Vec<Vec<f64>> {
    let mut rows = vec![vec![0.0; parameters.len()]; count];
    let mut moved = parameters.to_vec();
    for (j, &here) in parameters.iter().enumerate() {
        // The cube root of the rounding balances it against the error of the difference.
        let step = f64::EPSILON.cbrt() * if here == 0.0 { 1.0 } else { here.abs() };
        let (above, below) = (here + step, here - step);
        moved[j] = above;
        rows.iter_mut().enumerate().for_each(|(i, row)| row[j] = model(i, &moved));
        moved[j] = below;
        rows.iter_mut()
            .enumerate()
            .for_each(|(i, row)| row[j] = (row[j] - model(i, &moved)) / (above - below));
        moved[j] = here;
    }
    rows
}

/// Solves the linearised problem with a row more for each parameter that holds it back.
fn damped_step(slopes: &[Vec<f64>], left: &[f64], damping: f64) -> Option<Vec<f64>> {
    let size = slopes[0].len();
    let length = |j: usize| slopes.iter().map(|row| row[j] * row[j]).sum::<f64>().sqrt();
    let mut rows = slopes.to_vec();
    for j in 0..size {
        let mut row = vec![0.0; size];
        row[j] = damping.sqrt() * length(j);
        rows.push(row);
    }
    let mut wanted = left.to_vec();
    wanted.resize(left.len() + size, 0.0);
    Some(least_squares(&rows, &wanted, None)?.coefficients)
}
