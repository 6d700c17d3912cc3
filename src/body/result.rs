//! Everything that follows from the readings of one specimen.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::archimedes::Weighings;
use super::liquid::{AIR_DENSITY_G_CM3, water_density_g_cm3};
use super::readings::{Reading, Readings};
use super::shape::{geometrical_density_g_cm3, pressing_pressure_mpa, shrinkage_percent, volume_cm3};
use super::value::{Value, propagate};
use crate::warning::Warning;

/// Open porosity in percent between which weighing in a liquid gives satisfactory results.
///
/// # References
/// Scope of ISO 18754:2020, method A (abstract).
pub const OPEN_POROSITY_SCOPE_PERCENT: [f64; 2] = [0.5, 10.0];

/// Densities, shrinkage and porosities of one specimen; null where a reading is missing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Body {
    /// Pressing pressure: as noted, or force over the area of the die.
    pub pressing_pressure_mpa: Option<Value>,
    /// Green density from mass and sizes.
    pub green_density_g_cm3: Option<Value>,
    /// The same in percent of the theoretical density.
    pub green_relative_density_percent: Option<Value>,
    /// Mass lost in the fire, in percent of the green mass.
    pub mass_loss_percent: Option<Value>,
    /// Shrinkage of the outer diameter, in percent of the green one; below zero where it grew.
    pub outer_diameter_shrinkage_percent: Option<Value>,
    /// Shrinkage of the inner diameter; null for a body without a hole.
    pub inner_diameter_shrinkage_percent: Option<Value>,
    /// Shrinkage of the height, or thickness.
    pub height_shrinkage_percent: Option<Value>,
    /// Shrinkage of the volume.
    pub volume_shrinkage_percent: Option<Value>,
    /// Fired density from mass and sizes.
    pub fired_density_g_cm3: Option<Value>,
    /// The same in percent of the theoretical density.
    pub fired_relative_density_percent: Option<Value>,
    /// Total porosity from mass and sizes, 100 − relative density.
    pub geometrical_porosity_percent: Option<Value>,
    /// Density of the liquid: as stated, or of water at the stated temperature.
    pub liquid_density_g_cm3: Option<Value>,
    /// Bulk density by weighing in the liquid, air buoyancy taken out.
    pub archimedes_density_g_cm3: Option<Value>,
    /// The same in percent of the theoretical density.
    pub archimedes_relative_density_percent: Option<Value>,
    /// Apparent solid density: mass over the volume of solid and closed pores.
    pub apparent_solid_density_g_cm3: Option<Value>,
    /// Open porosity: volume of pores that the liquid filled, in percent of the bulk volume.
    pub open_porosity_percent: Option<Value>,
    /// Liquid taken up, in percent of the dry mass.
    pub liquid_uptake_percent: Option<Value>,
    /// Total porosity by weighing, 100 − relative density.
    pub archimedes_porosity_percent: Option<Value>,
    /// Closed porosity: total by weighing minus open.
    pub closed_porosity_percent: Option<Value>,
    /// Doubts about these values.
    pub warnings: Vec<Warning>,
}

/// Everything that follows from the readings.
pub fn body(readings: &Readings) -> Body {
    let of = |quantity: &dyn Fn(&Readings) -> Option<f64>| propagate(readings, quantity);
    let relative = |density: fn(&Readings) -> Option<f64>| {
        of(&|r| Some(100.0 * density(r)? / r.theoretical_density_g_cm3?.value))
    };
    let porosity = |density: fn(&Readings) -> Option<f64>| {
        of(&|r| Some(100.0 - 100.0 * density(r)? / r.theoretical_density_g_cm3?.value))
    };
    let open = |r: &Readings| weighings(r)?.open_porosity_percent();
    let mut body = Body {
        pressing_pressure_mpa: of(&pressing_pressure_mpa),
        green_density_g_cm3: of(&green_density),
        green_relative_density_percent: relative(green_density),
        mass_loss_percent: of(&|r| shrinkage_percent(r.green_mass_g, r.fired_mass_g)),
        outer_diameter_shrinkage_percent: of(&|r| {
            shrinkage_percent(r.green.outer_diameter_mm, r.fired.outer_diameter_mm)
        }),
        inner_diameter_shrinkage_percent: of(&|r| {
            shrinkage_percent(r.green.inner_diameter_mm, r.fired.inner_diameter_mm)
        }),
        height_shrinkage_percent: of(&|r| shrinkage_percent(r.green.height_mm, r.fired.height_mm)),
        volume_shrinkage_percent: of(&|r| {
            Some(100.0 * (1.0 - volume_cm3(&r.fired)? / volume_cm3(&r.green)?))
        }),
        fired_density_g_cm3: of(&fired_density),
        fired_relative_density_percent: relative(fired_density),
        geometrical_porosity_percent: porosity(fired_density),
        liquid_density_g_cm3: of(&liquid_density),
        archimedes_density_g_cm3: of(&bulk_density),
        archimedes_relative_density_percent: relative(bulk_density),
        apparent_solid_density_g_cm3: of(&|r| {
            weighings(r)?.apparent_solid_density_g_cm3(liquid_density(r)?, AIR_DENSITY_G_CM3)
        }),
        open_porosity_percent: of(&open),
        liquid_uptake_percent: of(&|r| weighings(r)?.liquid_uptake_percent()),
        archimedes_porosity_percent: porosity(bulk_density),
        closed_porosity_percent: of(&|r| {
            Some(100.0 - 100.0 * bulk_density(r)? / r.theoretical_density_g_cm3?.value - open(r)?)
        }),
        warnings: Vec::new(),
    };
    body.warnings = doubts(readings, &body);
    body
}

fn green_density(readings: &Readings) -> Option<f64> {
    geometrical_density_g_cm3(readings.green_mass_g, &readings.green)
}

fn fired_density(readings: &Readings) -> Option<f64> {
    geometrical_density_g_cm3(readings.fired_mass_g, &readings.fired)
}

fn liquid_density(readings: &Readings) -> Option<f64> {
    let stated = readings.liquid_density_g_cm3.map(|density| density.value);
    stated.or_else(|| water_density_g_cm3(readings.water_temperature_c?.value))
}

fn bulk_density(readings: &Readings) -> Option<f64> {
    weighings(readings)?.bulk_density_g_cm3(liquid_density(readings)?, AIR_DENSITY_G_CM3)
}

fn weighings(readings: &Readings) -> Option<Weighings> {
    let value = |reading: Option<Reading>| reading.map(|r| r.value);
    Some(Weighings {
        dry_g: value(readings.dry_mass_g)?,
        suspended_g: value(readings.suspended_mass_g)?,
        saturated_g: value(readings.saturated_mass_g)?,
    })
}

/// What speaks against the values.
fn doubts(readings: &Readings, body: &Body) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if let Some(open) = body.open_porosity_percent {
        let [low, high] = OPEN_POROSITY_SCOPE_PERCENT;
        if !(low..=high).contains(&open.value) {
            let text = format!(
                "open porosity {:.2} % is outside {low} to {high} %, where weighing in a liquid is satisfactory; rely \
                 on the bulk density more than on the split into open and closed",
                open.value
            );
            warnings.push(Warning::new("open-porosity-out-of-scope", text));
        }
    }
    if weighings(readings).is_some() && body.liquid_density_g_cm3.is_none() {
        let text = "the weighings give no density, because the density of the liquid is not known: state it, or for \
                    water its temperature, 0 to 40 °C";
        warnings.push(Warning::new("liquid-density-unknown", text));
    }
    warnings.extend(too_dense("mass and sizes", body.fired_relative_density_percent));
    warnings.extend(too_dense("weighing in a liquid", body.archimedes_relative_density_percent));
    warnings.extend(closed_below_zero(body.closed_porosity_percent));
    warnings.extend(densities_differ(body.fired_density_g_cm3, body.archimedes_density_g_cm3));
    warnings
}

fn too_dense(source: &str, relative_percent: Option<Value>) -> Option<Warning> {
    let relative = relative_percent.filter(|r| r.value > 100.0)?;
    let within = if relative.value - relative.expanded() > 100.0 { "beyond" } else { "within" };
    let text = format!(
        "relative density by {source} is {:.2} %, above 100 % {within} its uncertainty: the theoretical density is too \
         low for this material, or a reading is wrong",
        relative.value
    );
    Some(Warning::new("relative-density-above-100", text))
}

fn closed_below_zero(closed: Option<Value>) -> Option<Warning> {
    let closed = closed.filter(|c| c.value + c.expanded() < 0.0)?;
    let text = format!(
        "closed porosity comes out as {:.2} %, below zero beyond its uncertainty: the theoretical density is too low, or \
         liquid stayed on the surface when the saturated body was weighed",
        closed.value
    );
    Some(Warning::new("closed-porosity-below-zero", text))
}

fn densities_differ(geometrical: Option<Value>, weighed: Option<Value>) -> Option<Warning> {
    let (geometrical, weighed) = (geometrical?, weighed?);
    let apart = (geometrical.value - weighed.value).abs();
    let allowed = f64::hypot(geometrical.expanded(), weighed.expanded());
    if apart <= allowed {
        return None;
    }
    let text = format!(
        "fired density is {:.4} g/cm³ by mass and sizes and {:.4} g/cm³ by weighing in a liquid, further apart than \
         their uncertainties ({allowed:.4} g/cm³) allow: chamfers, a warped or conical body and rough faces make the \
         first too low; air left in pores or on the body makes the second too low",
        geometrical.value, weighed.value
    );
    Some(Warning::new("fired-densities-differ", text))
}
