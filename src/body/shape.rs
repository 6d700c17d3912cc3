//! Pressure, volume, density and shrinkage of discs and rings, in mm, g, kN and MPa.

use std::f64::consts::FRAC_PI_4;

use super::readings::{Reading, Readings, Size};

/// Area in mm² of a disc, or of a ring with a hole; `None` unless 0 ≤ inner < outer diameter.
pub fn ring_area_mm2(outer_diameter_mm: f64, inner_diameter_mm: f64) -> Option<f64> {
    let sound = inner_diameter_mm >= 0.0 && outer_diameter_mm > inner_diameter_mm;
    sound.then(|| FRAC_PI_4 * (outer_diameter_mm.powi(2) - inner_diameter_mm.powi(2)))
}

/// Volume of a disc or ring in cm³; `None` where a size is unknown or contradicts another.
pub fn volume_cm3(size: &Size) -> Option<f64> {
    let area = ring_area_mm2(size.outer_diameter_mm?.value, size.inner_diameter_mm?.value)?;
    let height = size.height_mm?.value;
    (height > 0.0).then(|| area * height / 1000.0)
}

/// Pressing pressure in MPa: what was noted, or force over the area of the die.
pub fn pressing_pressure_mpa(readings: &Readings) -> Option<f64> {
    let from_force = || {
        let die = ring_area_mm2(readings.die_diameter_mm?.value, readings.die_inner_diameter_mm?.value)?;
        Some(1000.0 * readings.pressing_force_kn?.value / die)
    };
    readings.pressing_pressure_mpa.map(|p| p.value).or_else(from_force)
}

/// Density in g/cm³ from mass and sizes.
pub fn geometrical_density_g_cm3(mass_g: Option<Reading>, size: &Size) -> Option<f64> {
    Some(mass_g?.value / volume_cm3(size)?)
}

/// Shrinkage in percent of the green size, positive where the body became smaller: 100·(1 − fired/green).
pub fn shrinkage_percent(green: Option<Reading>, fired: Option<Reading>) -> Option<f64> {
    let (green, fired) = (green?.value, fired?.value);
    (green > 0.0).then(|| 100.0 * (1.0 - fired / green))
}

/// Relative density (a share) after firing, from that of the green body, the linear shrinkage alike in all directions and
/// the mass loss (both shares): ρ = ρ₀·(1 − m)/(1 − ε)³. `None` unless shrinkage is below 1.
pub fn relative_density_after_shrinkage(green: f64, shrinkage: f64, mass_loss: f64) -> Option<f64> {
    (shrinkage < 1.0).then(|| green * (1.0 - mass_loss) / (1.0 - shrinkage).powi(3))
}
