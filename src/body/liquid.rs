//! Densities of water and air.

/// Density of air in g/cm³ that is taken for its buoyancy: about that at 20 °C and 100 kPa. Its change between
/// laboratories moves a bulk density by less than 0.02 %.
pub const AIR_DENSITY_G_CM3: f64 = 0.0012;

/// Density of air-free water in g/cm³ at a temperature in °C; `None` outside 0 to 40 °C, for which the formula was made.
///
/// ρ = 0.99997495·[1 − (t − 3.983035)²(t + 301.797) / (522528.9·(t + 69.34881))]
///
/// # References
/// M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell, Metrologia 38 (2001) 301 (constants from memory, checked
/// against an older published table).
pub fn water_density_g_cm3(temperature_c: f64) -> Option<f64> {
    let t = temperature_c;
    (0.0..=40.0).contains(&t).then(|| {
        let fall = (t - 3.983_035).powi(2) * (t + 301.797) / (522_528.9 * (t + 69.348_81));
        0.999_974_95 * (1.0 - fall)
    })
}
