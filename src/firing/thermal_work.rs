//! The thermal work of a programme: one number for time and temperature together.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::exponential_integral::scaled_e1;
use super::programme::{Programme, Stretch};
use crate::units::ZERO_CELSIUS_K;

/// Molar gas constant in J/(mol·K), exact since the SI of 2019.
pub const GAS_CONSTANT_J_MOL_K: f64 = 8.314_462_618;

/// Thermal work of a programme for one activation energy.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ThermalWork {
    /// The activation energy that it is for.
    pub activation_energy_kj_mol: f64,
    /// Θ = ∫ (1/T)·exp(−Q/RT) dt over the programme.
    pub theta_s_per_k: f64,
    /// Its logarithm to base 10, which stays finite where Θ itself is below the smallest number.
    pub log10_theta: f64,
    /// Logarithm to base 10 of the part of each segment, ramp and hold together; null for a segment that takes no time.
    pub segment_log10_theta: Vec<Option<f64>>,
}

/// Thermal work of a programme, in closed form: t/T·exp(−Q/RT) for a hold of t seconds at T, and
/// |E1(Q/RT₁) − E1(Q/RT₀)|/c for a ramp from T₀ to T₁ at c K/s. `None` if the activation energy (kJ/mol) is not above zero,
/// a rate or hold is unknown, or the programme takes no time.
///
/// # References
/// H. Su and D. L. Johnson, J. Am. Ceram. Soc. 79 (1996) 3211 (concept; the closed forms are integrals of its definition).
pub fn thermal_work(programme: &Programme, activation_energy_kj_mol: f64) -> Option<ThermalWork> {
    let over_gas_constant = 1000.0 * activation_energy_kj_mol / GAS_CONSTANT_J_MOL_K;
    if !(over_gas_constant > 0.0 && over_gas_constant.is_finite()) {
        return None;
    }
    let parts = programme
        .stretches()
        .map(|stretch| ln_theta(&stretch, over_gas_constant))
        .collect::<Option<Vec<f64>>>()?;
    let ln_total = ln_sum(&parts);
    if !ln_total.is_finite() {
        return None;
    }
    let log10 = |ln: f64| ln / std::f64::consts::LN_10;
    let segments = parts.chunks_exact(2).map(ln_sum);
    Some(ThermalWork {
        activation_energy_kj_mol,
        theta_s_per_k: ln_total.exp(),
        log10_theta: log10(ln_total),
        segment_log10_theta: segments.map(|ln| ln.is_finite().then_some(log10(ln))).collect(),
    })
}

/// Natural logarithm of Θ of a stretch, −∞ for none at all; `None` if its time is unknown.
fn ln_theta(stretch: &Stretch, over_gas_constant: f64) -> Option<f64> {
    let seconds = 60.0 * stretch.minutes?;
    let kelvin = |celsius: f64| celsius + ZERO_CELSIUS_K;
    let (low, high) = (kelvin(stretch.from_c.min(stretch.to_c)), kelvin(stretch.from_c.max(stretch.to_c)));
    if low <= 0.0 {
        return None;
    }
    let exponent = over_gas_constant / high;
    if low == high {
        return Some((seconds / high).ln() - exponent);
    }
    let rate_k_s = (high - low) / seconds;
    // E1(a) − E1(b) = e⁻ᵃ·[s(a) − e^(a − b)·s(b)], s being the scaled integral.
    let other = over_gas_constant / low;
    let difference = scaled_e1(exponent)? - (exponent - other).exp() * scaled_e1(other)?;
    Some((difference / rate_k_s).ln() - exponent)
}

/// Logarithm of the sum of the numbers whose logarithms are given.
fn ln_sum(logarithms: &[f64]) -> f64 {
    let largest = logarithms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !largest.is_finite() {
        return f64::NEG_INFINITY;
    }
    largest + logarithms.iter().map(|ln| (ln - largest).exp()).sum::<f64>().ln()
}
