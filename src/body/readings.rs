//! What was read from balance, caliper, press and thermometer.

/// One reading with its standard uncertainty, in the unit of its field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// What was read.
    pub value: f64,
    /// Standard uncertainty (one standard deviation); 0 is exact.
    pub standard_uncertainty: f64,
}

/// Sizes of a disc or ring.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Size {
    /// Outer diameter in mm.
    pub outer_diameter_mm: Option<Reading>,
    /// Inner diameter in mm: exactly 0 for a body without a hole, `None` where it is not known.
    pub inner_diameter_mm: Option<Reading>,
    /// Height, or thickness, in mm.
    pub height_mm: Option<Reading>,
}

/// All readings of one specimen; `None` is unknown. Readings are taken to be independent of each other.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Readings {
    /// Density of the solid without pores, in g/cm³.
    pub theoretical_density_g_cm3: Option<Reading>,
    /// Force of the press in kN.
    pub pressing_force_kn: Option<Reading>,
    /// Pressing pressure in MPa, where it was noted itself; it goes before force and die.
    pub pressing_pressure_mpa: Option<Reading>,
    /// Outer diameter of the die in mm.
    pub die_diameter_mm: Option<Reading>,
    /// Diameter of the core rod in mm, exactly 0 without one.
    pub die_inner_diameter_mm: Option<Reading>,
    /// Mass of the pressed body in g.
    pub green_mass_g: Option<Reading>,
    /// Sizes of the pressed body.
    pub green: Size,
    /// Mass of the fired body in g.
    pub fired_mass_g: Option<Reading>,
    /// Sizes of the fired body.
    pub fired: Size,
    /// Mass of the dry body in air, in g.
    pub dry_mass_g: Option<Reading>,
    /// Apparent mass of the saturated body hanging in the liquid, in g.
    pub suspended_mass_g: Option<Reading>,
    /// Mass of the saturated body in air, in g.
    pub saturated_mass_g: Option<Reading>,
    /// Density of the liquid in g/cm³, where it was stated; it goes before the temperature.
    pub liquid_density_g_cm3: Option<Reading>,
    /// Temperature of the liquid in °C, where the liquid is water.
    pub water_temperature_c: Option<Reading>,
}

impl Readings {
    /// Every reading in a fixed order.
    pub(super) fn all_mut(&mut self) -> [&mut Option<Reading>; 18] {
        [
            &mut self.theoretical_density_g_cm3,
            &mut self.pressing_force_kn,
            &mut self.pressing_pressure_mpa,
            &mut self.die_diameter_mm,
            &mut self.die_inner_diameter_mm,
            &mut self.green_mass_g,
            &mut self.green.outer_diameter_mm,
            &mut self.green.inner_diameter_mm,
            &mut self.green.height_mm,
            &mut self.fired_mass_g,
            &mut self.fired.outer_diameter_mm,
            &mut self.fired.inner_diameter_mm,
            &mut self.fired.height_mm,
            &mut self.dry_mass_g,
            &mut self.suspended_mass_g,
            &mut self.saturated_mass_g,
            &mut self.liquid_density_g_cm3,
            &mut self.water_temperature_c,
        ]
    }
}
