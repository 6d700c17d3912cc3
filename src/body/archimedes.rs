//! Density and open porosity by weighing in a liquid, after the methods of ISO 18754 and ASTM C373.

/// The three weighings in g.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighings {
    /// Dry, in air (m₁, or D).
    pub dry_g: f64,
    /// Saturated, hanging in the liquid (m₂, or S).
    pub suspended_g: f64,
    /// Saturated, in air (m₃, or W).
    pub saturated_g: f64,
}

impl Weighings {
    /// Bulk density in g/cm³, open and closed pores being part of the volume:
    /// ρ_b = m₁(ρ_L − ρ_air)/(m₃ − m₂) + ρ_air, with the density of the liquid and that of air (0 leaves its buoyancy out).
    pub fn bulk_density_g_cm3(&self, liquid_g_cm3: f64, air_g_cm3: f64) -> Option<f64> {
        let displaced = self.displaced_g()?;
        Some(self.dry_g * (liquid_g_cm3 - air_g_cm3) / displaced + air_g_cm3)
    }

    /// Apparent solid density in g/cm³, closed pores alone being part of the volume:
    /// ρ_a = m₁(ρ_L − ρ_air)/(m₁ − m₂) + ρ_air.
    pub fn apparent_solid_density_g_cm3(&self, liquid_g_cm3: f64, air_g_cm3: f64) -> Option<f64> {
        let displaced = self.dry_g - self.suspended_g;
        (displaced > 0.0).then(|| self.dry_g * (liquid_g_cm3 - air_g_cm3) / displaced + air_g_cm3)
    }

    /// Open (apparent) porosity in percent of the bulk volume, 100(m₃ − m₁)/(m₃ − m₂). The densities of liquid and air
    /// cancel. Slightly below zero where a dense body was read lighter when saturated.
    pub fn open_porosity_percent(&self) -> Option<f64> {
        Some(100.0 * (self.saturated_g - self.dry_g) / self.displaced_g()?)
    }

    /// Liquid taken up in percent of the dry mass, 100(m₃ − m₁)/m₁.
    pub fn liquid_uptake_percent(&self) -> Option<f64> {
        (self.dry_g > 0.0).then(|| 100.0 * (self.saturated_g - self.dry_g) / self.dry_g)
    }

    fn displaced_g(&self) -> Option<f64> {
        let displaced = self.saturated_g - self.suspended_g;
        (displaced > 0.0).then_some(displaced)
    }
}
