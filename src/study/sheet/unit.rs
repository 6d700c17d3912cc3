//! The one table of units that heads may carry.

use crate::units::ZERO_CELSIUS_K;

/// What kind of quantity a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Kept in g.
    Mass,
    /// Kept in mm.
    Length,
    /// Kept in °C.
    Temperature,
    /// Kept in K.
    TemperatureDifference,
    /// Kept in min.
    Time,
    /// Kept in K/min.
    Rate,
    /// Kept in g/cm³.
    Density,
    /// Kept in MPa.
    Pressure,
    /// Kept in kN.
    Force,
}

/// A unit and how a number in it becomes one in the unit that its kind is kept in: (value + offset)·factor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// End of a head, such as `g_cm3`.
    pub key: &'static str,
    /// The unit in print.
    pub symbol: &'static str,
    factor: f64,
    offset: f64,
}

impl Unit {
    /// The number in the unit that its kind is kept in.
    pub fn kept(&self, value: f64) -> f64 {
        (value + self.offset) * self.factor
    }
}

impl Kind {
    /// Units that a head may name; the first is the one that values are kept in.
    pub fn units(self) -> &'static [Unit] {
        match self {
            Self::Mass => MASS_UNITS,
            Self::Length => LENGTH_UNITS,
            Self::Temperature => TEMPERATURE_UNITS,
            Self::TemperatureDifference => TEMPERATURE_DIFFERENCE_UNITS,
            Self::Time => TIME_UNITS,
            Self::Rate => RATE_UNITS,
            Self::Density => DENSITY_UNITS,
            Self::Pressure => PRESSURE_UNITS,
            Self::Force => FORCE_UNITS,
        }
    }

    /// The unit that values are kept in.
    pub fn kept(self) -> &'static Unit {
        &self.units()[0]
    }
}

/// Every kind.
pub const KINDS: [Kind; 9] = [
    Kind::Mass,
    Kind::Length,
    Kind::Temperature,
    Kind::TemperatureDifference,
    Kind::Time,
    Kind::Rate,
    Kind::Density,
    Kind::Pressure,
    Kind::Force,
];

const MASS_UNITS: &[Unit] = &[unit("g", "g", 1.0), unit("mg", "mg", 1e-3), unit("kg", "kg", 1e3)];

const LENGTH_UNITS: &[Unit] =
    &[unit("mm", "mm", 1.0), unit("um", "µm", 1e-3), unit("cm", "cm", 10.0), unit("m", "m", 1e3)];

const TEMPERATURE_UNITS: &[Unit] = &[
    unit("c", "°C", 1.0),
    Unit { key: "k", symbol: "K", factor: 1.0, offset: -ZERO_CELSIUS_K },
    Unit { key: "f", symbol: "°F", factor: 1.0 / 1.8, offset: -32.0 },
];

const TEMPERATURE_DIFFERENCE_UNITS: &[Unit] = &[unit("k", "K", 1.0), unit("c", "°C", 1.0)];

const TIME_UNITS: &[Unit] =
    &[unit("min", "min", 1.0), unit("h", "h", 60.0), unit("s", "s", 1.0 / 60.0), unit("d", "d", 1440.0)];

const RATE_UNITS: &[Unit] = &[
    unit("k_min", "K/min", 1.0),
    unit("c_min", "°C/min", 1.0),
    unit("k_h", "K/h", 1.0 / 60.0),
    unit("c_h", "°C/h", 1.0 / 60.0),
    unit("k_s", "K/s", 60.0),
];

const DENSITY_UNITS: &[Unit] =
    &[unit("g_cm3", "g/cm³", 1.0), unit("kg_m3", "kg/m³", 1e-3), unit("g_ml", "g/ml", 1.0)];

const PRESSURE_UNITS: &[Unit] = &[
    unit("mpa", "MPa", 1.0),
    unit("kpa", "kPa", 1e-3),
    unit("bar", "bar", 0.1),
    // Standard gravity, 9.80665 m/s², is exact by definition; so are inch and pound.
    unit("kgf_cm2", "kgf/cm²", 0.098_066_5),
    unit("psi", "psi", 6.894_757_293_168_361e-3),
];

const FORCE_UNITS: &[Unit] = &[
    unit("kn", "kN", 1.0),
    unit("n", "N", 1e-3),
    unit("kgf", "kgf", 9.806_65e-3),
    unit("tf", "tf", 9.806_65),
    unit("lbf", "lbf", 4.448_221_615_260_5e-3),
];

const fn unit(key: &'static str, symbol: &'static str, factor: f64) -> Unit {
    Unit { key, symbol, factor, offset: 0.0 }
}

/// A head, or a unit in a cell, in the one form in which they are compared: small letters, digits, and `_` for all else.
///
/// ```
/// use ceramograph::study::sheet::unit::key;
/// assert_eq!(key("Peak temperature\n(°C)"), "peak_temperature_c");
/// assert_eq!(key("g/cm³"), "g_cm3");
/// ```
pub fn key(text: &str) -> String {
    let mut key = String::new();
    for letter in text.trim().chars().flat_map(char::to_lowercase) {
        match letter {
            '°' | 'º' => (),
            'µ' | 'μ' => key.push('u'),
            '²' => key.push('2'),
            '³' => key.push('3'),
            '℃' => key.push('c'),
            _ if letter.is_alphanumeric() => key.push(letter),
            _ if !key.is_empty() && !key.ends_with('_') => key.push('_'),
            _ => (),
        }
    }
    key.trim_end_matches('_').to_owned()
}
