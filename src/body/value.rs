//! A value with its standard uncertainty, and how uncertainty is carried from readings to results.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::readings::Readings;

/// A result with its standard uncertainty, both in the unit that the key names.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Value {
    /// The value.
    pub value: f64,
    /// Standard uncertainty (one standard deviation), from the stated or assumed uncertainty of the readings.
    pub standard_uncertainty: f64,
}

impl Value {
    /// Half the width of the interval of about 95 %: two standard uncertainties.
    pub fn expanded(self) -> f64 {
        2.0 * self.standard_uncertainty
    }
}

/// The result that `quantity` gives, with the uncertainty of all readings behind it; `None` where a reading is missing or
/// the result is no finite number.
///
/// u² = Σ ½²·[f(x + uᵢ) − f(x − uᵢ)]², each reading moved by its own standard uncertainty: first order, as the derivative
/// form is, and exact for results that are linear in a reading.
///
/// # References
/// JCGM 100:2008 (GUM), 5.1.2 and the note 2 to 5.1.3 (clause numbers from memory).
pub fn propagate(readings: &Readings, quantity: impl Fn(&Readings) -> Option<f64>) -> Option<Value> {
    let finite = |readings: &Readings| quantity(readings).filter(|value| value.is_finite());
    let value = finite(readings)?;
    let mut start = *readings;
    let uncertainties = start.all_mut().map(|reading| reading.map_or(0.0, |r| r.standard_uncertainty));
    let mut variance = 0.0;
    for (index, uncertainty) in uncertainties.into_iter().enumerate().filter(|(_, u)| *u > 0.0) {
        let moved = |step: f64| {
            let mut readings = *readings;
            if let Some(reading) = readings.all_mut()[index] {
                reading.value += step;
            }
            finite(&readings)
        };
        let change = 0.5 * (moved(uncertainty)? - moved(-uncertainty)?);
        variance += change * change;
    }
    Some(Value { value, standard_uncertainty: variance.sqrt() })
}

#[cfg(test)]
mod tests {
    use super::super::readings::Reading;
    use super::*;

    fn reading(value: f64, standard_uncertainty: f64) -> Option<Reading> {
        Some(Reading { value, standard_uncertainty })
    }

    #[test]
    fn a_difference_and_a_quotient_have_the_uncertainty_of_the_textbook() {
        let readings = Readings {
            dry_mass_g: reading(20.0, 0.003),
            saturated_mass_g: reading(21.0, 0.004),
            ..Default::default()
        };
        let difference =
            propagate(&readings, |r| Some(r.saturated_mass_g?.value - r.dry_mass_g?.value)).unwrap();
        assert!((difference.standard_uncertainty - 0.005).abs() < 1e-12);
        // Relative uncertainties of a quotient add in squares: 0.003/20 and 0.004/21.
        let quotient =
            propagate(&readings, |r| Some(r.saturated_mass_g?.value / r.dry_mass_g?.value)).unwrap();
        let want = quotient.value * f64::hypot(0.003 / 20.0, 0.004 / 21.0);
        assert!((quotient.standard_uncertainty / want - 1.0).abs() < 1e-6);
    }

    #[test]
    fn unknown_readings_and_infinite_results_are_none() {
        let readings = Readings { dry_mass_g: reading(20.0, 0.0), ..Default::default() };
        assert!(propagate(&readings, |r| Some(r.green_mass_g?.value)).is_none());
        assert!(propagate(&readings, |r| Some(r.dry_mass_g?.value / 0.0)).is_none());
        let exact = propagate(&readings, |r| Some(2.0 * r.dry_mass_g?.value)).unwrap();
        assert_eq!(exact, Value { value: 40.0, standard_uncertainty: 0.0 });
    }
}
