//! What a row says of body and firing.

use std::collections::BTreeSet;

use super::columns::{Quantity, SegmentPart, Text};
use super::row::SheetRow;
use super::unit::key;
use crate::body::readings::{Reading, Readings, Size};
use crate::firing::programme::{Programme, ROOM_TEMPERATURE_C, Segment};

/// Standard uncertainty in g of a weighing where none is stated: a laboratory balance that shows 1 mg.
pub const MASS_UNCERTAINTY_G: f64 = 0.001;

/// Standard uncertainty in mm of a size where none is stated: a caliper with divisions of 0.02 mm (common practice).
pub const LENGTH_UNCERTAINTY_MM: f64 = 0.02;

/// Standard uncertainty of a press's gauge in its reading where none is stated, 2 % (common practice).
pub const FORCE_UNCERTAINTY_SHARE: f64 = 0.02;

/// Standard uncertainty in K of the temperature of the liquid where none is stated.
pub const LIQUID_TEMPERATURE_UNCERTAINTY_K: f64 = 0.5;

/// Standard uncertainty in g/cm³ of a stated density of the liquid where none is stated.
pub const LIQUID_DENSITY_UNCERTAINTY_G_CM3: f64 = 0.001;

impl SheetRow {
    /// The readings of the row with their standard uncertainties, and the heads, without unit, of the uncertainties that
    /// were assumed because the row does not state them.
    ///
    /// The theoretical density is taken as exact unless its uncertainty is stated. A body whose inner diameter is left
    /// empty has no hole; one whose inner diameter cannot be read has no volume.
    pub fn readings(&self) -> (Readings, Vec<&'static str>) {
        let mass = |quantity| self.reading(quantity, Quantity::MassUncertainty, |_| MASS_UNCERTAINTY_G);
        let length =
            |quantity| self.reading(quantity, Quantity::LengthUncertainty, |_| LENGTH_UNCERTAINTY_MM);
        let gauge = |reading: f64| FORCE_UNCERTAINTY_SHARE * reading;
        let water = self.liquid_is_water();
        let readings = Readings {
            theoretical_density_g_cm3: self.reading(
                Quantity::TheoreticalDensity,
                Quantity::TheoreticalDensityUncertainty,
                |_| 0.0,
            ),
            pressing_force_kn: self.reading(Quantity::PressingForce, Quantity::ForceUncertainty, gauge),
            pressing_pressure_mpa: self
                .value(Quantity::PressingPressure)
                .map(|value| Reading { value, standard_uncertainty: FORCE_UNCERTAINTY_SHARE * value }),
            // A die is made to hundredths of a millimetre, which is nothing beside the gauge.
            die_diameter_mm: self.value(Quantity::DieDiameter).map(exact),
            die_inner_diameter_mm: self.hole(Quantity::DieInnerDiameter, |value| Some(exact(value))),
            green_mass_g: mass(Quantity::GreenMass),
            green: Size {
                outer_diameter_mm: length(Quantity::GreenOuterDiameter),
                inner_diameter_mm: self
                    .hole(Quantity::GreenInnerDiameter, |_| length(Quantity::GreenInnerDiameter)),
                height_mm: length(Quantity::GreenHeight),
            },
            fired_mass_g: mass(Quantity::FiredMass),
            fired: Size {
                outer_diameter_mm: length(Quantity::FiredOuterDiameter),
                inner_diameter_mm: self
                    .hole(Quantity::FiredInnerDiameter, |_| length(Quantity::FiredInnerDiameter)),
                height_mm: length(Quantity::FiredHeight),
            },
            dry_mass_g: mass(Quantity::DryMass),
            suspended_mass_g: mass(Quantity::SuspendedMass),
            saturated_mass_g: mass(Quantity::SaturatedMass),
            liquid_density_g_cm3: self.reading(
                Quantity::LiquidDensity,
                Quantity::LiquidDensityUncertainty,
                |_| LIQUID_DENSITY_UNCERTAINTY_G_CM3,
            ),
            water_temperature_c: self
                .reading(Quantity::LiquidTemperature, Quantity::LiquidTemperatureUncertainty, |_| {
                    LIQUID_TEMPERATURE_UNCERTAINTY_K
                })
                .filter(|_| water),
        };
        (readings, self.assumed())
    }

    /// Uncertainties that a reading of the row needs and that the row does not state.
    fn assumed(&self) -> Vec<&'static str> {
        let masses = [
            Quantity::GreenMass,
            Quantity::FiredMass,
            Quantity::DryMass,
            Quantity::SuspendedMass,
            Quantity::SaturatedMass,
        ];
        let lengths = [
            Quantity::GreenOuterDiameter,
            Quantity::GreenInnerDiameter,
            Quantity::GreenHeight,
            Quantity::FiredOuterDiameter,
            Quantity::FiredInnerDiameter,
            Quantity::FiredHeight,
        ];
        [
            ("mass_uncertainty", Quantity::MassUncertainty, &masses[..]),
            ("length_uncertainty", Quantity::LengthUncertainty, &lengths[..]),
            ("pressing_force_uncertainty", Quantity::ForceUncertainty, &[Quantity::PressingForce]),
            (
                "liquid_temperature_uncertainty",
                Quantity::LiquidTemperatureUncertainty,
                &[Quantity::LiquidTemperature],
            ),
            ("liquid_density_uncertainty", Quantity::LiquidDensityUncertainty, &[Quantity::LiquidDensity]),
        ]
        .into_iter()
        .filter(|(_, uncertainty, readings)| {
            self.value(*uncertainty).is_none()
                && readings.iter().any(|reading| self.value(*reading).is_some())
        })
        .map(|(name, ..)| name)
        .collect()
    }

    /// Standard uncertainty of a weighing in g, stated or assumed.
    pub(super) fn mass_uncertainty_g(&self) -> f64 {
        self.value(Quantity::MassUncertainty).unwrap_or(MASS_UNCERTAINTY_G)
    }

    /// Whether the weighings were made in water, which an empty cell means too.
    pub(super) fn liquid_is_water(&self) -> bool {
        const WATER: [&str; 8] = ["water", "wasser", "eau", "agua", "acqua", "h2o", "vatten", "vand"];
        self.text(Text::Liquid)
            .is_none_or(|liquid| key(liquid).split('_').any(|word| WATER.iter().any(|w| word.ends_with(w))))
    }

    /// The firing programme: numbered segments where there are any, else the one of ramp rate, peak temperature and hold.
    /// `None` without a temperature, and where a start or a target cannot be used, because all that follows hangs on it.
    ///
    /// The start is 25 °C unless it is stated.
    pub fn programme(&self) -> Option<Programme> {
        if self.unusable.contains(&Quantity::StartTemperature) {
            return None;
        }
        let start_c = self.value(Quantity::StartTemperature).unwrap_or(ROOM_TEMPERATURE_C);
        let mut segments = self.numbered_segments(start_c)?;
        if segments.is_empty() {
            segments.push(Segment {
                ramp_rate_k_min: self.value(Quantity::RampRate),
                target_c: self.value(Quantity::PeakTemperature)?,
                hold_min: self.value(Quantity::Hold),
            });
        }
        Some(Programme { start_c, segments })
    }

    /// `None` if a segment lacks its target.
    fn numbered_segments(&self, start_c: f64) -> Option<Vec<Segment>> {
        let filled = self.values.keys().chain(&self.unusable);
        let numbers: BTreeSet<u8> = filled
            .filter_map(|quantity| match quantity {
                Quantity::Segment(number, _) => Some(*number),
                _ => None,
            })
            .collect();
        let mut from_c = start_c;
        let mut segments = Vec::new();
        for number in numbers {
            let part = |part| self.value(Quantity::Segment(number, part));
            let target_c = part(SegmentPart::Target)?;
            let by_time = part(SegmentPart::RampTime).filter(|time| *time > 0.0);
            let by_time =
                by_time.map(|minutes| (target_c - from_c).abs() / minutes).filter(|rate| *rate > 0.0);
            let ramp_rate_k_min = part(SegmentPart::RampRate).or(by_time);
            segments.push(Segment { ramp_rate_k_min, target_c, hold_min: part(SegmentPart::Hold) });
            from_c = target_c;
        }
        Some(segments)
    }

    fn reading(&self, quantity: Quantity, uncertainty: Quantity, assumed: fn(f64) -> f64) -> Option<Reading> {
        let value = self.value(quantity)?;
        let standard_uncertainty = self.value(uncertainty).unwrap_or_else(|| assumed(value));
        Some(Reading { value, standard_uncertainty })
    }

    /// The diameter of a hole: exactly 0 where the cell is empty, unknown where it cannot be used.
    fn hole(&self, quantity: Quantity, filled: impl Fn(f64) -> Option<Reading>) -> Option<Reading> {
        match self.value(quantity) {
            Some(value) if value > 0.0 => filled(value),
            Some(_) => Some(exact(0.0)),
            None => (!self.unusable.contains(&quantity)).then(|| exact(0.0)),
        }
    }
}

fn exact(value: f64) -> Reading {
    Reading { value, standard_uncertainty: 0.0 }
}
