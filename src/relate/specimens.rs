//! From the measured study and the study sheet to the specimens that are related.

use std::collections::{BTreeMap, BTreeSet};

use super::Question;
use super::observation::{
    GRAIN_SIZE, INSIDE_GRAINS, Measured, OPEN_POROSITY, Observation, POROSITY, RELATIVE_DENSITY, SHRINKAGE,
};
use super::relation::{Firing, Property, RelatedSpecimen};
use crate::body::agreement::{Method, PicturePorosity, compare};
use crate::body::result::{Body, body};
use crate::body::value::Value;
use crate::error::Error;
use crate::firing::thermal_work::thermal_work;
use crate::study::result::{Field, Study};
use crate::study::sheet::columns::{Meaning, Quantity, Text, meaning};
use crate::study::sheet::{Sheet, SheetRow};
use crate::warning::Warning;

/// Columns of words that are conditions.
const WORDS: [(Text, &str); 3] =
    [(Text::Material, "material"), (Text::Atmosphere, "atmosphere"), (Text::Furnace, "furnace")];
/// Known quantities that are conditions of pressing and firing, with the head that they are related under. All other known
/// quantities are readings on the specimen.
const CONDITIONS: [(Quantity, &str); 3] = [
    (Quantity::PeakTemperature, "peak_temperature_c"),
    (Quantity::Hold, "hold_min"),
    (Quantity::RampRate, "ramp_rate_k_min"),
];
/// The pressure that follows from force and die.
const PRESSURE: &str = "pressing_pressure_mpa";

/// Every specimen that has pictures or a row, by name.
pub fn related(study: &Study, sheet: &Sheet, question: &Question) -> Vec<RelatedSpecimen> {
    let measured = study.specimens.iter().map(|specimen| specimen.name.as_str());
    let names: BTreeSet<&str> = measured.chain(sheet.rows.iter().map(|row| row.specimen.as_str())).collect();
    let mut specimens: Vec<RelatedSpecimen> = names
        .into_iter()
        .map(|name| {
            let row = sheet.rows.iter().find(|row| row.specimen == name);
            let fields: Vec<&Field> = study.fields.iter().filter(|field| field.specimen == name).collect();
            specimen(name, row, &fields, question)
        })
        .collect();
    add_relative_density(&mut specimens);
    specimens
}

/// Adds the relative density, by one method for all specimens, since the two differ by more than their uncertainties: by
/// weighing in a liquid where every specimen that has any density has that, else from mass and sizes.
fn add_relative_density(specimens: &mut [RelatedSpecimen]) {
    let by_weighing = specimens.iter().all(|specimen| {
        let body = &specimen.body;
        body.fired_relative_density_percent.is_none() || body.archimedes_relative_density_percent.is_some()
    });
    for specimen in specimens {
        let body = &specimen.body;
        let (value, from) = if by_weighing {
            (body.archimedes_relative_density_percent, Method::Archimedes)
        } else {
            (body.fired_relative_density_percent, Method::Geometrical)
        };
        specimen.relative_density_from = value.map(|_| from);
        let found = value.map(|value| (RELATIVE_DENSITY.key.to_owned(), property(&of_body(value))));
        specimen.properties.extend(found);
    }
}

fn specimen(name: &str, row: Option<&SheetRow>, fields: &[&Field], question: &Question) -> RelatedSpecimen {
    let (readings, assumed) = row.map(SheetRow::readings).unwrap_or_default();
    let body = body(&readings);
    let properties: BTreeMap<String, Property> =
        measured(fields, &body).into_iter().map(|(key, found)| (key.to_owned(), property(&found))).collect();
    let pictures = properties.get(POROSITY.key).map(|porosity| PicturePorosity {
        mean_percent: porosity.value,
        half_width_points: porosity.half_width,
    });
    RelatedSpecimen {
        name: name.to_owned(),
        has_pictures: !fields.is_empty(),
        in_sheet: row.is_some(),
        conditions: row.map(|row| numbers(row, &body)).unwrap_or_default(),
        words: row.map(words).unwrap_or_default(),
        properties,
        firing: row.and_then(|row| firing(row, question)),
        comparisons: pictures.map(|pictures| compare(&pictures, &body)).unwrap_or_default(),
        relative_density_from: None,
        assumed_uncertainties: assumed.into_iter().map(str::to_owned).collect(),
        body,
    }
}

/// Properties of a specimen with the fields behind them.
fn measured(fields: &[&Field], body: &Body) -> Vec<(&'static str, Measured)> {
    let of_fields = |value: fn(&Field) -> Option<f64>| {
        Measured::from_fields(fields.iter().filter_map(|field| value(field)).collect())
    };
    let found = [
        (POROSITY, of_fields(|field| field.porosity_percent)),
        (GRAIN_SIZE, of_fields(|field| field.mean_linear_intercept_um)),
        (INSIDE_GRAINS, of_fields(inside_grains)),
        (OPEN_POROSITY, body.open_porosity_percent.map(of_body)),
        (SHRINKAGE, body.outer_diameter_shrinkage_percent.map(of_body)),
    ];
    found.into_iter().filter_map(|(property, found)| Some((property.key, found?))).collect()
}

fn of_body(found: Value) -> Measured {
    Measured::single(found.value, Some(found.standard_uncertainty).filter(|u| *u > 0.0))
}

/// Pore area inside grains in percent of all pore area whose place is known.
fn inside_grains(field: &Field) -> Option<f64> {
    let pores = field.pores.as_ref()?;
    let known: f64 =
        pores.percent_by_place.iter().filter(|(place, _)| *place != "unknown").map(|(_, p)| p).sum();
    let inside = pores.percent_by_place.get("inside-grain").copied().unwrap_or(0.0);
    (known > 0.0).then(|| 100.0 * inside / known)
}

fn property(found: &Measured) -> Property {
    Property {
        value: found.value,
        standard_error: found.standard_error,
        half_width: found.half_width(),
        field_count: found.fields.len() as u64,
    }
}

/// Conditions that are numbers: those of pressing and firing in their own units, and the user's own columns.
fn numbers(row: &SheetRow, body: &Body) -> BTreeMap<String, f64> {
    let own = row.numbers.iter().filter(|(head, _)| meaning(head) == Meaning::Unknown);
    let mut numbers: BTreeMap<String, f64> = own.map(|(head, value)| (head.clone(), *value)).collect();
    for (quantity, head) in CONDITIONS {
        numbers.extend(row.value(quantity).map(|value| (head.to_owned(), value)));
    }
    numbers.extend(body.pressing_pressure_mpa.map(|pressure| (PRESSURE.to_owned(), pressure.value)));
    numbers
}

/// Conditions that are words: material, atmosphere, furnace, and the user's own columns that are no numbers.
fn words(row: &SheetRow) -> BTreeMap<String, String> {
    let known =
        WORDS.iter().filter_map(|(text, head)| Some(((*head).to_owned(), row.text(*text)?.to_owned())));
    let own = row
        .firing
        .iter()
        .filter(|(head, _)| meaning(head) == Meaning::Unknown && !row.numbers.contains_key(*head));
    known.chain(own.map(|(head, cell)| (head.clone(), cell.clone()))).collect()
}

fn firing(row: &SheetRow, question: &Question) -> Option<Firing> {
    let programme = row.programme()?;
    Some(Firing {
        duration_min: programme.duration_min(),
        segment_times: programme.segment_times(),
        minutes_near_peak: programme.minutes_above(programme.peak_c() - NEAR_PEAK_K),
        thermal_work: question.activation_energy_kj_mol.and_then(|energy| thermal_work(&programme, energy)),
        programme,
    })
}

/// What counts as near the peak temperature, in K below it.
const NEAR_PEAK_K: f64 = 50.0;

/// The specimens as points of the study.
///
/// # Errors
/// [`Error::Option`] if the question names a condition that no specimen has.
pub fn observations(
    study: &Study,
    sheet: &Sheet,
    specimens: &[RelatedSpecimen],
    question: &Question,
) -> Result<Vec<Observation>, Error> {
    let mut observations: Vec<Observation> = specimens
        .iter()
        .map(|specimen| {
            let fields: Vec<&Field> =
                study.fields.iter().filter(|field| field.specimen == specimen.name).collect();
            let mut properties: BTreeMap<&'static str, Measured> =
                measured(&fields, &specimen.body).into_iter().collect();
            let density = specimen.properties.get(RELATIVE_DENSITY.key);
            properties
                .extend(density.map(|d| (RELATIVE_DENSITY.key, Measured::single(d.value, d.standard_error))));
            Observation {
                specimen: specimen.name.clone(),
                numbers: specimen.conditions.clone(),
                words: specimen.words.clone(),
                properties,
            }
        })
        .collect();
    let asked = question.conditions.iter().map(|head| (head, "--condition"));
    let places = question.at.iter().map(|(head, _)| (head, "--at"));
    for (head, option) in asked.chain(places) {
        let known = |o: &Observation| o.numbers.contains_key(head) || o.words.contains_key(head);
        if observations.iter().any(known) {
            continue;
        }
        // Readings are no conditions, but whoever asks for one by name gets it.
        let rows = || sheet.rows.iter().filter(|row| row.numbers.contains_key(head));
        if rows().next().is_none() {
            return Err(Error::Option { name: option, why: no_such_column(head, &observations) });
        }
        for row in rows() {
            if let Some(observation) = observations.iter_mut().find(|o| o.specimen == row.specimen) {
                observation.numbers.insert(head.clone(), row.numbers[head]);
            }
        }
    }
    Ok(observations)
}

fn no_such_column(head: &str, observations: &[Observation]) -> String {
    let numbers = observations.iter().flat_map(|observation| observation.numbers.keys());
    let words = observations.iter().flat_map(|observation| observation.words.keys());
    let known: BTreeSet<&str> = numbers.chain(words).map(String::as_str).collect();
    let known: Vec<&str> = known.into_iter().collect();
    format!("no specimen has a value for '{head}'; the conditions of this study are {}", known.join(", "))
}

/// Doubts about the sheet, its values, and specimens that only one of the two sides knows.
pub fn warnings(specimens: &[RelatedSpecimen], sheet: &Sheet) -> Vec<Warning> {
    let mut warnings = sheet.warnings();
    for specimen in specimens {
        let name = &specimen.name;
        if !specimen.in_sheet {
            warnings.push(Warning::new(
                "specimen-without-row",
                format!(
                    "specimen {name} has pictures and no row in the study sheet: its conditions are not known"
                ),
            ));
        }
        if !specimen.has_pictures {
            warnings.push(Warning::new(
                "specimen-without-pictures",
                format!("specimen {name} has a row in the study sheet and no measured picture"),
            ));
        }
        let of_body = specimen.body.warnings.iter();
        warnings.extend(of_body.map(|doubt| Warning {
            code: doubt.code.clone(),
            message: format!("{name}: {}", doubt.message),
        }));
    }
    warnings
}
