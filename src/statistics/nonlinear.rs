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
/// Full steps that may finish a fit, from a step of this share of a parameter on.
const MOST_FINISHING_STEPS: usize = 100;
const FINISHED_FROM: f64 = 1e-6;
/// At a minimum the residuals' part along the model is at most this share of their part across it, per degree of freedom.
const MOST_OFFSET: f64 = 1e-3;
/// Residuals of data without error are this share of the data or less, and then have no direction.
const WITHOUT_ERROR: f64 = 1e-10;

/// A fitted model.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Parameters.
    pub parameters: Vec<f64>,
    /// Their standard errors, from the linearised model.
    pub standard_errors: Vec<f64>,
    /// Their covariance, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// Sum of squared residuals.
    pub residual_sum_of_squares: f64,
    /// Root of that over the degrees of freedom.
    pub residual_standard_deviation: f64,
    /// Observations less parameters.
    pub degrees_of_freedom: usize,
    /// Whether the parameters stopped moving, and did so at a minimum.
    pub converged: bool,
}

/// Minimises the sum of squares of `observed[i] − model(i, parameters)` from the start given.
///
/// Derivatives by differences of the fourth order; damping in proportion to the squared length of each column, so that the
/// units of parameters do not matter. `None` without degrees of freedom, if the model is not finite at the start, or if the
/// parameters cannot be told apart at the end.
///
/// # References
/// K. Levenberg, Q. Appl. Math. 2 (1944) 164; D. W. Marquardt, J. SIAM 11 (1963) 431; D. M. Bates, D. G. Watts,
/// Technometrics 23 (1981) 179 (relative offset as the sign of a minimum; all from memory).
pub fn fit(model: impl Fn(usize, &[f64]) -> f64, observed: &[f64], start: &[f64]) -> Option<Fit> {
    if observed.len() <= start.len() || start.is_empty() {
        return None;
    }
    let residuals = |parameters: &[f64]| residuals(&model, observed, parameters);
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
    if converged {
        parameters = settled(&model, observed, parameters);
        left = residuals(&parameters);
    }
    let slopes = jacobian(&model, observed.len(), &parameters);
    let fit = finished(&slopes, parameters, &left, converged)?;
    // Strong damping also makes steps small: stopped at a minimum is more than stopped.
    let without_error = fit.residual_sum_of_squares.sqrt() <= WITHOUT_ERROR * square(observed).sqrt();
    let converged = fit.converged && (without_error || relative_offset(&slopes, &left)? <= MOST_OFFSET);
    Some(Fit { converged, ..fit })
}

fn residuals(model: &impl Fn(usize, &[f64]) -> f64, observed: &[f64], parameters: &[f64]) -> Vec<f64> {
    observed.iter().enumerate().map(|(i, y)| y - model(i, parameters)).collect()
}

/// Goes on with full steps while they shrink. The sum of squares is flat at its minimum and cannot tell parameters
/// apart that agree to half of their digits; the step still can.
fn settled(model: &impl Fn(usize, &[f64]) -> f64, observed: &[f64], mut parameters: Vec<f64>) -> Vec<f64> {
    let mut last = FINISHED_FROM;
    for _ in 0..MOST_FINISHING_STEPS {
        let left = residuals(model, observed, &parameters);
        let Some(linear) = least_squares(&jacobian(model, observed.len(), &parameters), &left, None) else {
            break;
        };
        let shares = linear.coefficients.iter().zip(&parameters).map(|(step, p)| (step / p).abs());
        let largest =
            shares.fold(0.0, |most, share| if share > most || share.is_nan() { share } else { most });
        if largest.is_nan() || largest >= last {
            break;
        }
        parameters.iter_mut().zip(&linear.coefficients).for_each(|(p, step)| *p += step);
        last = largest;
    }
    parameters
}

/// Length of the residuals along the model over that across it, each per degree of freedom.
fn relative_offset(slopes: &[Vec<f64>], left: &[f64]) -> Option<f64> {
    let linear = least_squares(slopes, left, None)?;
    let along: f64 = slopes.iter().map(|row| dot(row, &linear.coefficients).powi(2)).sum();
    let (parameters, free) = (linear.coefficients.len() as f64, linear.degrees_of_freedom as f64);
    Some(((along / parameters) / (linear.residual_sum_of_squares / free)).sqrt())
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn finished(slopes: &[Vec<f64>], parameters: Vec<f64>, left: &[f64], converged: bool) -> Option<Fit> {
    let linear = least_squares(slopes, left, None)?;
    let degrees_of_freedom = left.len() - parameters.len();
    let sum = dot(left, left);
    let deviation = (sum / degrees_of_freedom as f64).sqrt();
    let scaled = |row: &Vec<f64>| row.iter().map(|entry| deviation * deviation * entry).collect();
    let covariance: Vec<Vec<f64>> = linear.inverse.iter().map(scaled).collect();
    Some(Fit {
        parameters,
        standard_errors: covariance.iter().enumerate().map(|(i, row)| row[i].sqrt()).collect(),
        covariance,
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
        // The fifth root of the rounding would balance it against the error of fourth-order differences for a model
        // that bends on the scale of its parameters; ratios near a pole bend faster, hence a narrower step, whose
        // rounding is 2e-12.
        let wanted = f64::EPSILON.sqrt().sqrt() * if here == 0.0 { 1.0 } else { here.abs() };
        let step = (here + wanted) - here;
        for (steps, weight) in [(1.0, 8.0), (-1.0, -8.0), (2.0, -1.0), (-2.0, 1.0)] {
            moved[j] = here + steps * step;
            rows.iter_mut()
                .enumerate()
                .for_each(|(i, row)| row[j] += weight * model(i, &moved) / (12.0 * step));
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_offset_is_zero_at_a_minimum_and_nowhere_else() {
        let slopes = vec![vec![1.0]; 4];
        assert!(relative_offset(&slopes, &[1.0, -1.0, 2.0, -2.0]).unwrap() < 1e-15);
        // Residuals about a mean of 1 instead of 0: 4 along the model, 10 across it on 3 degrees.
        let moved = relative_offset(&slopes, &[2.0, 0.0, 3.0, -1.0]).unwrap();
        assert!((moved - (4.0 / (10.0 / 3.0_f64)).sqrt()).abs() < 1e-14 && moved > MOST_OFFSET);
    }

    #[test]
    fn data_without_error_give_their_law_back() {
        let law = |i: usize, b: &[f64]| b[0] * (b[1] * i as f64).exp();
        let observed: Vec<f64> = (0..6).map(|i| law(i, &[2.5, -0.4])).collect();
        let found = fit(law, &observed, &[1.0, -1.0]).unwrap();
        assert!(found.converged);
        assert!((found.parameters[0] - 2.5).abs() < 1e-12 && (found.parameters[1] + 0.4).abs() < 1e-12);
    }
}
