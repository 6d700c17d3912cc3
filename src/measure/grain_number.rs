//! ASTM grain size number G.
//!
//! G is defined by counts: 2^(G-1) grains in a square inch at 100×. The scale for intercepts is anchored at 32.00 mm at
//! 100× for G = 0. The two scales are not quite one: the diameter √A of G = 0 is 359.2 µm and its intercept 320.0 µm, a
//! ratio of 0.8908 where circles would give 0.8862. So intercepts take the intercept equation and areas the planimetric
//! one; a diameter in the intercept equation would be 0.33 G off.
//!
//! # References
//! After ASTM E112, from secondary sources.

/// G of a mean linear intercept in µm: -6.643856·log₁₀(mm) - 3.288, which is -2·log₂(mm) - 3.288. `None` unless the
/// intercept is above zero.
///
/// ```
/// use ceramograph::measure::grain_number::from_mean_intercept_um;
/// assert!((from_mean_intercept_um(5.9299).unwrap() - 11.51).abs() < 0.005);
/// assert_eq!(from_mean_intercept_um(-1.0), None);
/// ```
pub fn from_mean_intercept_um(mean_um: f64) -> Option<f64> {
    (mean_um > 0.0 && mean_um.is_finite()).then(|| -2.0 * (mean_um / 1000.0).log2() - 3.288)
}

/// G of a mean grain area in µm²: -3.321928·log₁₀(mm²) - 2.954, which is -log₂(mm²) - 2.954. `None` unless the area is
/// above zero.
pub fn from_mean_area_um2(mean_um2: f64) -> Option<f64> {
    (mean_um2 > 0.0 && mean_um2.is_finite()).then(|| -(mean_um2 / 1e6).log2() - 2.954)
}

/// Mean linear intercept in µm of a grain size number: 320·2^(-G/2).
pub fn mean_intercept_um(grain_number: f64) -> f64 {
    320.0 * (-grain_number / 2.0).exp2()
}
