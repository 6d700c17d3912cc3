//! Lengths with their unit, the spacing of pixels, and the text forms users type.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::error::Error;

/// 0 °C in K, by definition of the degree Celsius.
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// The unit that a field is measured in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum LengthUnit {
    /// Micrometres: the field has a scale.
    Um,
    /// Pixels: the field has no scale.
    Px,
}

impl LengthUnit {
    /// The unit in print: `µm` or `px`.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Um => "µm",
            Self::Px => "px",
        }
    }

    /// The unit in keys and column heads: `um` or `px`.
    pub fn key(self) -> &'static str {
        match self {
            Self::Um => "um",
            Self::Px => "px",
        }
    }
}

/// A length in µm, or in px where the field has no scale; in JSON `{"um": 5.9}` or `{"px": 31.2}`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Length {
    /// Micrometres.
    Um(f64),
    /// Pixels.
    Px(f64),
}

/// An area in µm², or in px² where the field has no scale; in JSON `{"um2": …}` or `{"px2": …}`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Area {
    /// Square micrometres.
    Um2(f64),
    /// Square pixels.
    Px2(f64),
}

impl Length {
    /// The bare number, in the unit of [`Length::unit`].
    pub fn value(self) -> f64 {
        match self {
            Self::Um(v) | Self::Px(v) => v,
        }
    }

    /// The unit of the number.
    pub fn unit(self) -> LengthUnit {
        match self {
            Self::Um(_) => LengthUnit::Um,
            Self::Px(_) => LengthUnit::Px,
        }
    }

    /// The length in µm, if it has a scale.
    pub fn um(self) -> Option<f64> {
        match self {
            Self::Um(v) => Some(v),
            Self::Px(_) => None,
        }
    }

    /// The length in px, if it has no scale.
    pub fn px(self) -> Option<f64> {
        match self {
            Self::Um(_) => None,
            Self::Px(v) => Some(v),
        }
    }
}

/// Distance between neighbouring pixel centres, which every measure takes as its input.
///
/// A measure works in the unit of its spacing, so only this type turns pixels into lengths.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spacing {
    /// Distance between columns.
    pub x: f64,
    /// Distance between rows.
    pub y: f64,
    /// What `x` and `y` count.
    pub unit: LengthUnit,
}

impl Spacing {
    /// Square pixels without a scale: everything is measured in px.
    pub const PIXELS: Self = Self { x: 1.0, y: 1.0, unit: LengthUnit::Px };

    /// Pixels of `x` by `y` µm.
    pub fn um(x: f64, y: f64) -> Self {
        Self { x, y, unit: LengthUnit::Um }
    }

    /// Area of one pixel.
    pub fn pixel_area(self) -> f64 {
        self.x * self.y
    }

    /// A number in this spacing's unit, as a length.
    pub fn length(self, value: f64) -> Length {
        match self.unit {
            LengthUnit::Um => Length::Um(value),
            LengthUnit::Px => Length::Px(value),
        }
    }

    /// A number in this spacing's unit squared, as an area.
    pub fn area(self, value: f64) -> Area {
        match self.unit {
            LengthUnit::Um => Area::Um2(value),
            LengthUnit::Px => Area::Px2(value),
        }
    }
}

/// Reads a length such as `25nm`, `0.5 µm`, `10um`, `0,2 mm` or `500 Å` and returns it in µm.
///
/// The decimal mark may be a point or a comma; µ may be U+00B5, U+03BC or `u`.
///
/// # Errors
/// [`Error::LengthText`] if there is no number, no known unit, or the length is not above zero and finite.
///
/// ```
/// assert_eq!(ceramograph::units::parse_um("25nm").unwrap(), 0.025);
/// assert_eq!(ceramograph::units::parse_um("0,2 mm").unwrap(), 200.0);
/// assert!(ceramograph::units::parse_um("0nm").is_err());
/// ```
pub fn parse_um(text: &str) -> Result<f64, Error> {
    let refuse = |why| Error::LengthText { text: text.to_owned(), why };
    let trimmed = text.trim();
    let split = trimmed
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+')))
        .ok_or_else(|| refuse("a unit is missing; write for example 25nm or 0.5um"))?;
    let (number, unit) = trimmed.split_at(split);
    let number: f64 =
        number.replace(',', ".").parse().map_err(|_| refuse("a number must come first, for example 25nm"))?;
    let um = um_per_unit(unit.trim())
        .ok_or_else(|| refuse("known units are pm, Å, nm, um or µm, mm, cm and m"))?;
    if !(number > 0.0 && number.is_finite()) {
        return Err(refuse("it must be larger than zero"));
    }
    // Division where the unit is small keeps 25 nm at exactly 0.025 µm.
    Ok(if um < 1.0 { number / (1.0 / um).round() } else { number * um })
}

/// Micrometres in one of the named unit, if it is known.
pub fn um_per_unit(unit: &str) -> Option<f64> {
    Some(match unit {
        "pm" => 1e-6,
        "Å" | "\u{212b}" | "A" => 1e-4,
        "nm" => 1e-3,
        "um" | "µm" | "μm" | "micron" | "microns" => 1.0,
        "mm" => 1e3,
        "cm" => 1e4,
        "m" => 1e6,
        _ => return None,
    })
}

/// Bytes from a number and a unit, either decimal (1 GB is 10⁹ bytes) or binary (1 GiB is 2³⁰).
pub(crate) fn parse_bytes(text: &str) -> Option<u64> {
    let text = text.trim();
    let (number, unit) = text.split_at(text.find(|c: char| c.is_ascii_alphabetic())?);
    let factor = match unit.to_ascii_lowercase().as_str() {
        "b" => 1.0,
        "kb" => 1e3,
        "mb" => 1e6,
        "gb" => 1e9,
        "kib" => 1024.0,
        "mib" => 1024.0 * 1024.0,
        "gib" => 1024.0 * 1024.0 * 1024.0,
        _ => return None,
    };
    let bytes = number.trim().parse::<f64>().ok()? * factor;
    (bytes.is_finite() && bytes >= 1.0).then_some(bytes as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_with_either_mark_and_any_micro_sign() {
        for (text, um) in [
            ("10um", 10.0),
            ("10 µm", 10.0),
            ("10 μm", 10.0),
            ("0,5mm", 500.0),
            ("500 Å", 0.05),
            ("200nm", 0.2),
        ] {
            assert_eq!(parse_um(text).unwrap(), um, "{text}");
        }
    }

    #[test]
    fn wrong_lengths_are_refused_with_a_reason() {
        for text in ["", "nm", "10", "10 parsec", "-5nm", "0um", "1.2.3nm", "NaN um"] {
            assert!(parse_um(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_length_carries_its_unit_into_json() {
        assert_eq!(serde_json::to_string(&Length::Um(5.5)).unwrap(), r#"{"um":5.5}"#);
        assert_eq!(serde_json::to_string(&Spacing::PIXELS.area(4.0)).unwrap(), r#"{"px2":4.0}"#);
    }
}
