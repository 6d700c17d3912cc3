//! Specimens gathered by the value of a condition.

use std::borrow::Cow;

use super::observation::{Measured, Observation, Property};
use super::relation::Level;
use crate::statistics::interval::mean_interval;

/// Values of one condition with the specimens that have it, rising; words in the order of the alphabet.
pub(super) struct Levels<'a>(pub(super) Vec<Members<'a>>);

/// Specimens under one value of a condition.
pub(super) struct Members<'a> {
    pub(super) value: Option<f64>,
    pub(super) text: String,
    pub(super) specimens: Vec<(&'a Observation, &'a Measured)>,
}

impl<'a> Levels<'a> {
    /// Gathers the specimens that have both the condition and the property.
    pub(super) fn of(observations: &'a [Observation], condition: &str, property: Property) -> Self {
        let mut levels: Vec<Members> = Vec::new();
        for observation in observations {
            let Some(measured) = observation.properties.get(property.key) else { continue };
            let value = observation.numbers.get(condition).copied();
            let text = match (value, observation.words.get(condition)) {
                (Some(value), _) => value.to_string(),
                (None, Some(word)) => word.clone(),
                (None, None) => continue,
            };
            match levels.iter_mut().find(|level| level.value == value && level.text == text) {
                Some(level) => level.specimens.push((observation, measured)),
                None => levels.push(Members { value, text, specimens: vec![(observation, measured)] }),
            }
        }
        levels.sort_by(|a, b| match (a.value, b.value) {
            (Some(one), Some(other)) => one.total_cmp(&other),
            // Numbers before words.
            (one, other) => other.is_some().cmp(&one.is_some()).then_with(|| a.text.cmp(&b.text)),
        });
        Self(levels)
    }

    /// Lowest and highest value, if all are numbers.
    pub(super) fn range(&self) -> Option<(f64, f64)> {
        let values: Option<Vec<f64>> = self.0.iter().map(|level| level.value).collect();
        let values = values?;
        Some((*values.first()?, *values.last()?))
    }

    /// Condition, value and standard error of each specimen, if the condition is a number.
    pub(super) fn points(&self) -> Vec<(f64, f64, Option<f64>)> {
        let of_level = |level: &Members| {
            let value = level.value;
            let errors = level.specimens.iter().map(|(_, m)| (m.value, m.standard_error));
            value.map(|x| errors.map(move |(y, error)| (x, y, error)).collect::<Vec<_>>()).unwrap_or_default()
        };
        self.0.iter().flat_map(of_level).collect()
    }

    /// Values that count as replicates: of specimens where some level has two, else of fields.
    pub(super) fn replicates(&self) -> (Cow<'static, str>, Vec<Vec<f64>>) {
        if self.0.iter().any(|level| level.specimens.len() > 1) {
            let values = |level: &Members| level.specimens.iter().map(|(_, m)| m.value).collect();
            ("specimens".into(), self.0.iter().map(values).collect())
        } else {
            let fields =
                |level: &Members| level.specimens.iter().flat_map(|(_, m)| m.fields.clone()).collect();
            ("fields".into(), self.0.iter().map(fields).collect())
        }
    }
}

impl Members<'_> {
    /// Mean of the level and its interval: between specimens, else between the fields of the only one, else from readings.
    pub(super) fn level(&self) -> Level {
        let values: Vec<f64> = self.specimens.iter().map(|(_, measured)| measured.value).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let (half_width, interval_from) = match &self.specimens[..] {
            [(_, only)] if only.fields.is_empty() => (only.half_width(), "readings"),
            [(_, only)] => (only.half_width(), "fields"),
            _ => (mean_interval(&values).and_then(|m| m.half_width), "specimens"),
        };
        Level {
            value: self.value,
            text: self.text.clone(),
            specimens: self.specimens.iter().map(|(observation, _)| observation.specimen.clone()).collect(),
            mean,
            ci95_low: half_width.map(|half| mean - half),
            ci95_high: half_width.map(|half| mean + half),
            interval_from: half_width.map(|_| interval_from.into()),
        }
    }
}
