//! Tails of the distributions behind the tests.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};

/// p of an F test: the share of F with these degrees of freedom above `f`.
///
/// `None` unless `f` is 0 or more and both degrees are above zero.
pub fn f_upper(f: f64, between: f64, within: f64) -> Option<f64> {
    let distribution = FisherSnedecor::new(between, within).ok()?;
    if f.is_infinite() && f > 0.0 {
        return Some(0.0);
    }
    (f >= 0.0).then(|| distribution.sf(f))
}

/// Share of χ² with `degrees` of freedom above `value`.
///
/// `None` unless `value` is 0 or more and `degrees` above zero.
pub fn chi_squared_upper(value: f64, degrees: f64) -> Option<f64> {
    let distribution = ChiSquared::new(degrees).ok()?;
    (value >= 0.0).then(|| distribution.sf(value))
}

/// Two-sided p of a t test: the share of Student's t beyond ±`t`.
///
/// `None` if `t` is not a number or `degrees` not above zero.
pub fn t_two_sided(t: f64, degrees: f64) -> Option<f64> {
    let distribution = StudentsT::new(0.0, 1.0, degrees).ok()?;
    if t.is_infinite() {
        return Some(0.0);
    }
    (!t.is_nan()).then(|| 2.0 * distribution.sf(t.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn printed_critical_values_have_their_level() {
        // Upper 5 % points as in any printed table, three or four digits.
        assert!((f_upper(3.239, 3.0, 16.0).unwrap() - 0.05).abs() < 1e-4);
        assert!((f_upper(161.4, 1.0, 1.0).unwrap() - 0.05).abs() < 1e-4);
        assert!((chi_squared_upper(5.991, 2.0).unwrap() - 0.05).abs() < 1e-4);
        assert!((t_two_sided(-2.776, 4.0).unwrap() - 0.05).abs() < 1e-4);
        assert!(f_upper(1.0, 0.0, 3.0).is_none() && f_upper(f64::NAN, 1.0, 3.0).is_none());
        assert_eq!(
            (t_two_sided(f64::INFINITY, 3.0), f_upper(f64::INFINITY, 1.0, 3.0)),
            (Some(0.0), Some(0.0))
        );
    }
}
