//! What is related: specimens with their firing conditions and what was measured on them.

use std::collections::BTreeMap;

use crate::statistics::interval::mean_interval;
use crate::study::sheet::columns::in_print;

/// One specimen as a point of the study.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observation {
    /// Name of the specimen.
    pub specimen: String,
    /// Conditions that are numbers, by head of the study sheet.
    pub numbers: BTreeMap<String, f64>,
    /// Conditions that are words, such as the atmosphere, by head.
    pub words: BTreeMap<String, String>,
    /// What was measured, by [`Property::key`].
    pub properties: BTreeMap<&'static str, Measured>,
}

/// One property of a specimen.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Value of the specimen.
    pub value: f64,
    /// Its standard error, from the scatter between fields or from the reading uncertainties; `None` if not known.
    pub standard_error: Option<f64>,
    /// Values of the single fields, where it was measured on pictures.
    pub fields: Vec<f64>,
}

impl Measured {
    /// The mean of field values with its standard error between fields; `None` without fields.
    pub fn from_fields(fields: Vec<f64>) -> Option<Self> {
        let of_fields = mean_interval(&fields)?;
        let error = of_fields.standard_deviation.map(|s| s / (of_fields.count as f64).sqrt());
        Some(Self { value: of_fields.mean, standard_error: error.filter(|e| *e > 0.0), fields })
    }

    /// Half the 95 % interval: Student's t over fields, or two standard uncertainties; `None` if it is not known.
    pub fn half_width(&self) -> Option<f64> {
        if self.fields.is_empty() {
            return self.standard_error.map(|error| 2.0 * error);
        }
        mean_interval(&self.fields)?.half_width
    }

    /// A value that was weighed or measured once, with its standard uncertainty if that is known.
    pub fn single(value: f64, standard_error: Option<f64>) -> Self {
        Self { value, standard_error, fields: Vec::new() }
    }
}

/// A property that is related to the conditions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Property {
    /// Its key in the results.
    pub key: &'static str,
    /// Its name in print, without unit.
    pub name: &'static str,
    /// Its unit in print.
    pub unit: &'static str,
}

/// Area fraction of pores in the pictures.
pub const POROSITY: Property = Property { key: "porosity_percent", name: "porosity", unit: "%" };
/// Mean linear intercept of the grains.
pub const GRAIN_SIZE: Property =
    Property { key: "mean_linear_intercept_um", name: "mean linear intercept", unit: "µm" };
/// Share of the pore area that lies inside grains, away from their boundaries.
pub const INSIDE_GRAINS: Property =
    Property { key: "pore_area_inside_grains_percent", name: "share of pore area inside grains", unit: "%" };
/// Bulk density over theoretical density.
pub const RELATIVE_DENSITY: Property =
    Property { key: "relative_density_percent", name: "relative density", unit: "%" };
/// Share of the volume that liquid can reach.
pub const OPEN_POROSITY: Property =
    Property { key: "open_porosity_percent", name: "open porosity", unit: "%" };
/// Shrinkage of the diameter on firing.
pub const SHRINKAGE: Property =
    Property { key: "diameter_shrinkage_percent", name: "shrinkage of the diameter", unit: "%" };

/// All of them, in the order of the reports.
pub const PROPERTIES: [Property; 6] =
    [POROSITY, GRAIN_SIZE, INSIDE_GRAINS, RELATIVE_DENSITY, OPEN_POROSITY, SHRINKAGE];

/// Condition: peak temperature of the firing.
pub const TEMPERATURE: &str = "peak_temperature_c";
/// Condition: time at the peak temperature.
pub const HOLD: &str = "hold_min";
/// Condition: rate of the ramp to the peak temperature.
pub const RAMP_RATE: &str = "ramp_rate_k_min";

/// A condition in print.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Condition {
    /// Its name without unit.
    pub name: String,
    /// Its unit; empty if the head states none.
    pub unit: &'static str,
}

impl Condition {
    /// The head of a column with the unit set off.
    ///
    /// ```
    /// use ceramograph::relate::observation::Condition;
    /// assert_eq!(Condition::of("peak_temperature_c").label(), "peak temperature, °C");
    /// assert_eq!(Condition::of("binder %").label(), "binder %");
    /// ```
    pub fn of(head: &str) -> Self {
        let (name, unit) = in_print(head);
        Self { name, unit }
    }

    /// Name and unit, as beside an axis.
    pub fn label(&self) -> String {
        if self.unit.is_empty() { self.name.clone() } else { format!("{}, {}", self.name, self.unit) }
    }

    /// A value with the unit.
    pub fn value(&self, text: &str) -> String {
        if self.unit.is_empty() { text.to_owned() } else { format!("{text} {}", self.unit) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_give_a_mean_with_its_standard_error() {
        let of_fields = Measured::from_fields(vec![4.2, 5.1, 3.8, 4.9, 4.6]).unwrap();
        // Worked example C: s 0.5263, five fields.
        assert!((of_fields.standard_error.unwrap() - 0.5263 / 5f64.sqrt()).abs() < 3e-5);
        assert!(Measured::from_fields(vec![4.2]).unwrap().standard_error.is_none());
        assert!(Measured::from_fields(Vec::new()).is_none());
    }

    #[test]
    fn heads_become_names_with_units() {
        let names = ["hold_min", "ramp_rate_k_min", "pressing_pressure_mpa", "atmosphere", "_c"]
            .map(|head| Condition::of(head).label());
        assert_eq!(names, ["hold, min", "ramp rate, K/min", "pressing pressure, MPa", "atmosphere", " c"]);
    }
}
