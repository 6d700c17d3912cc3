//! Grain growth: Gⁿ − G0ⁿ = K t with K = K0 exp(−Q/RT).

use super::observation::{GRAIN_SIZE, HOLD, Observation, TEMPERATURE};
use super::relation::{Growth, GrowthFit, GrowthRate};
use crate::firing::thermal_work::GAS_CONSTANT_J_MOL_K;
use crate::statistics::nonlinear::{Fit, fit};
use crate::statistics::student;
use crate::units::ZERO_CELSIUS_K;

/// An exponent to start from: growth held back by solutes or pores.
const USUAL_EXPONENT: f64 = 3.0;

/// What is known about grain growth before it is fitted.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GrowthQuestion {
    /// Exponent n, if it is not to be fitted.
    pub exponent: Option<f64>,
    /// Grain size at the start of the hold in µm; 0 if it can be neglected.
    pub initial_grain_um: f64,
}

/// A specimen's hold and what came out.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Hold {
    kelvin: f64,
    hours: f64,
    grain_um: f64,
}

/// Fits the law of grain growth to the specimens that have a temperature, a hold and a grain size.
///
/// Least squares on ln G, because grain sizes scatter in proportion. Only the hold counts: growth on the way up and down is
/// left out, which makes short holds look fast. Fitted are K, the exponent n unless it is given (with two hold times at
/// least), and Q (with two temperatures at least); the study must have more different conditions than that.
///
/// # References
/// J. E. Burke, D. Turnbull, Prog. Met. Phys. 3 (1952) 220 (n = 2; from memory).
pub fn growth(observations: &[Observation], question: &GrowthQuestion) -> Growth {
    let holds: Vec<Hold> = observations.iter().filter_map(hold).collect();
    match model(&holds, question) {
        Ok(model) => fitted(&holds, &model),
        Err(why) => Growth { fit: None, refused: vec![why] },
    }
}

fn hold(observation: &Observation) -> Option<Hold> {
    let hold = Hold {
        kelvin: observation.numbers.get(TEMPERATURE)? + ZERO_CELSIUS_K,
        hours: observation.numbers.get(HOLD)? / 60.0,
        grain_um: observation.properties.get(GRAIN_SIZE.key)?.value,
    };
    (hold.kelvin > 0.0 && hold.hours > 0.0 && hold.grain_um > 0.0).then_some(hold)
}

/// What is fitted. Parameters are, in this order: ln K at the mean temperature, then Q and n if they are fitted.
struct Model {
    exponent: Option<f64>,
    with_energy: bool,
    initial_grain_um: f64,
    /// Harmonic mean of the temperatures: K and Q are nearly independent there.
    reference_kelvin: f64,
    conditions: u64,
}

fn different(values: impl Iterator<Item = f64>) -> usize {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    values.len()
}

fn model(holds: &[Hold], question: &GrowthQuestion) -> Result<Model, String> {
    if holds.is_empty() {
        return Err(format!(
            "no law of grain growth: no specimen has {TEMPERATURE}, {HOLD} and a grain size in µm"
        ));
    }
    let temperatures = different(holds.iter().map(|hold| hold.kelvin));
    let times = different(holds.iter().map(|hold| hold.hours));
    if question.exponent.is_none() && times < 2 {
        return Err(format!(
            "no law of grain growth: all holds last {} h, and the exponent n shows only in different times; give it with \
             --growth-exponent, or fire for two or more times",
            holds[0].hours
        ));
    }
    let mut conditions: Vec<(f64, f64)> = holds.iter().map(|hold| (hold.kelvin, hold.hours)).collect();
    conditions.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    conditions.dedup();
    let parameters = 1 + usize::from(temperatures > 1) + usize::from(question.exponent.is_none());
    if conditions.len() <= parameters {
        return Err(format!(
            "no law of grain growth: {} different firings cannot carry {parameters} parameters and show how well they fit",
            conditions.len()
        ));
    }
    if let Some(small) = holds.iter().find(|hold| hold.grain_um <= question.initial_grain_um) {
        return Err(format!(
            "no law of grain growth: grains of {} µm are not larger than the {} µm they are said to have started from",
            small.grain_um, question.initial_grain_um
        ));
    }
    let inverse = holds.iter().map(|hold| 1.0 / hold.kelvin).sum::<f64>() / holds.len() as f64;
    Ok(Model {
        exponent: question.exponent,
        with_energy: temperatures > 1,
        initial_grain_um: question.initial_grain_um,
        reference_kelvin: 1.0 / inverse,
        conditions: conditions.len() as u64,
    })
}

impl Model {
    fn exponent(&self, parameters: &[f64]) -> f64 {
        self.exponent.unwrap_or(parameters[parameters.len() - 1])
    }

    /// Q in J/mol.
    fn energy(&self, parameters: &[f64]) -> f64 {
        if self.with_energy { 1000.0 * parameters[1] } else { 0.0 }
    }

    /// ln K, K in µmⁿ/h.
    fn ln_rate(&self, kelvin: f64, parameters: &[f64]) -> f64 {
        let inverse = 1.0 / kelvin - 1.0 / self.reference_kelvin;
        parameters[0] - self.energy(parameters) / GAS_CONSTANT_J_MOL_K * inverse
    }

    /// ln G in µm.
    fn ln_grain(&self, hold: &Hold, parameters: &[f64]) -> f64 {
        let n = self.exponent(parameters);
        let grown = self.ln_rate(hold.kelvin, parameters).exp() * hold.hours;
        (self.initial_grain_um.powf(n) + grown).ln() / n
    }

    /// A start from the usual exponent and the mean growth.
    fn start(&self, holds: &[Hold]) -> Vec<f64> {
        let n = self.exponent.unwrap_or(USUAL_EXPONENT);
        let rate = |hold: &Hold| ((hold.grain_um.powf(n) - self.initial_grain_um.powf(n)) / hold.hours).ln();
        let mut start = vec![holds.iter().map(rate).sum::<f64>() / holds.len() as f64];
        start.extend(self.with_energy.then_some(300.0));
        start.extend(self.exponent.is_none().then_some(n));
        start
    }
}

fn fitted(holds: &[Hold], model: &Model) -> Growth {
    let observed: Vec<f64> = holds.iter().map(|hold| hold.grain_um.ln()).collect();
    let found =
        fit(|index, parameters| model.ln_grain(&holds[index], parameters), &observed, &model.start(holds));
    match found {
        Some(found) if found.converged => {
            Growth { fit: Some(result(&found, model, holds)), refused: Vec::new() }
        }
        _ => Growth {
            fit: None,
            refused: vec![
                "no law of grain growth: the fit does not settle; the grain sizes do not follow the law"
                    .into(),
            ],
        },
    }
}

fn result(found: &Fit, model: &Model, holds: &[Hold]) -> GrowthFit {
    let t = student::quantile(0.975, found.degrees_of_freedom as f64);
    let half_width = |index: usize| t.map(|t| t * found.standard_errors[index]);
    let parameters = &found.parameters;
    let mut temperatures: Vec<f64> = holds.iter().map(|hold| hold.kelvin).collect();
    temperatures.sort_by(f64::total_cmp);
    temperatures.dedup();
    GrowthFit {
        exponent: model.exponent(parameters),
        exponent_half_width: model.exponent.is_none().then(|| half_width(parameters.len() - 1)).flatten(),
        initial_grain_um: model.initial_grain_um,
        activation_energy_kj_mol: model.with_energy.then(|| parameters[1]),
        activation_energy_half_width: model.with_energy.then(|| half_width(1)).flatten(),
        rates: temperatures
            .into_iter()
            .map(|kelvin| GrowthRate {
                temperature_c: kelvin - ZERO_CELSIUS_K,
                k_um_n_per_h: model.ln_rate(kelvin, parameters).exp(),
            })
            .collect(),
        condition_count: model.conditions,
        parameter_count: parameters.len() as u64,
        residual_standard_deviation: found.residual_standard_deviation,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::relate::observation::Measured;

    fn fired(celsius: f64, hours: f64, grain_um: f64) -> Observation {
        let mut observation =
            Observation { specimen: format!("{celsius}-{hours}"), ..Observation::default() };
        observation.numbers.insert(TEMPERATURE.into(), celsius);
        observation.numbers.insert(HOLD.into(), 60.0 * hours);
        observation.properties.insert(GRAIN_SIZE.key, Measured::single(grain_um, None));
        observation
    }

    /// n = 3, G0 = 0.5 µm, K(1100 °C) = 1 µm³/h, Q = 332 kJ/mol: the worked table of the law itself, to four decimals.
    fn table() -> Vec<Observation> {
        let low = [(1.0, 1.0400), (2.0, 1.2856), (4.0, 1.6038), (8.0, 2.0104)];
        let high = [(1.0, 1.9420), (2.0, 2.4398), (4.0, 3.0695), (8.0, 3.8646)];
        let at =
            |celsius: f64, rows: [(f64, f64); 4]| rows.map(|(hours, grain)| fired(celsius, hours, grain));
        [at(1100.0, low), at(1200.0, high)].concat()
    }

    #[test]
    fn the_worked_table_gives_back_its_law() {
        let question = GrowthQuestion { exponent: None, initial_grain_um: 0.5 };
        let fit = growth(&table(), &question).fit.unwrap();
        assert!((fit.exponent / 3.0 - 1.0).abs() < 0.01, "{fit:?}");
        assert!((fit.activation_energy_kj_mol.unwrap() / 332.0 - 1.0).abs() < 0.01, "{fit:?}");
        assert!((fit.rates[0].k_um_n_per_h - 1.0).abs() < 0.01, "{fit:?}");
        assert!(
            (fit.rates[1].k_um_n_per_h / fit.rates[0].k_um_n_per_h / 7.1991 - 1.0).abs() < 0.01,
            "{fit:?}"
        );
        assert_eq!((fit.condition_count, fit.parameter_count), (8, 3));
        assert!(fit.exponent_half_width.unwrap() < 0.01 && fit.activation_energy_half_width.unwrap() < 1.0);
    }

    #[test]
    fn a_given_exponent_is_kept_and_one_temperature_has_no_energy() {
        let question = GrowthQuestion { exponent: Some(3.0), initial_grain_um: 0.5 };
        let fit = growth(&table()[..4], &question).fit.unwrap();
        assert_eq!((fit.exponent, fit.exponent_half_width), (3.0, None));
        assert!(fit.activation_energy_kj_mol.is_none() && (fit.rates[0].k_um_n_per_h - 1.0).abs() < 0.01);
    }

    #[test]
    fn what_the_firings_cannot_carry_is_refused() {
        let refused = |observations: &[Observation], question: GrowthQuestion| {
            let growth = growth(observations, &question);
            assert!(growth.fit.is_none());
            growth.refused[0].clone()
        };
        let table = table();
        let one_time = [fired(1100.0, 2.0, 1.0), fired(1200.0, 2.0, 2.0), fired(1300.0, 2.0, 4.0)];
        assert!(refused(&one_time, GrowthQuestion::default()).contains("--growth-exponent"));
        assert!(refused(&table[..2], GrowthQuestion::default()).contains("cannot carry 2 parameters"));
        assert!(refused(&[], GrowthQuestion::default()).contains("no specimen has"));
        let large = GrowthQuestion { exponent: Some(2.0), initial_grain_um: 1.2 };
        assert!(refused(&table, large).contains("not larger than"));
    }
}
