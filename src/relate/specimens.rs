//! From the measured study and the study sheet to the specimens that are related.

use std::collections::{BTreeMap, BTreeSet};

use super::Question;
use super::observation::{
    GRAIN_SIZE, HOLD, INSIDE_GRAINS, Measured, OPEN_POROSITY, Observation, POROSITY, RAMP_RATE,
    RELATIVE_DENSITY, SHRINKAGE, TEMPERATURE,
};
use super::relation::{Firing, Property, RelatedSpecimen};
use crate::body::agreement::{Method, PicturePorosity, compare};
use crate::body::result::{Body, body};
use crate::body::value::Value;
use crate::error::Error;
use crate::firing::programme::Programme;
use crate::firing::thermal_work::thermal_work;
use crate::study::result::{Field, Study};
use crate::study::sheet::columns::{Meaning, Quantity, Text, meaning};
use crate::study::sheet::{Sheet, SheetRow};
use crate::warning::Warning;

/// Columns of words that are conditions.
const WORDS: [(Text, &str); 3] =
    [(Text::Material, "material"), (Text::Atmosphere, "atmosphere"), (Text::Furnace, "furnace")];
/// The pressure that follows from force and die.
const PRESSURE: &str = "pressing_pressure_mpa";

/// A specimen as it is reported and as a point of the study.
pub struct Piece {
    /// For the report.
    pub related: RelatedSpecimen,
    /// For the statistics.
    pub observation: Observation,
}

/// Every specimen that has pictures or a row, by name.
///
/// # Errors
/// [`Error::Option`] if the question names a column that no specimen has filled.
pub fn pieces(study: &Study, sheet: &Sheet, question: &Question) -> Result<Vec<Piece>, Error> {
    let measured = study.specimens.iter().map(|specimen| specimen.name.as_str());
    let names: BTreeSet<&str> = measured.chain(sheet.rows.iter().map(|row| row.specimen.as_str())).collect();
    let rows: Vec<(&str, Option<&SheetRow>)> =
        names.into_iter().map(|name| (name, sheet.rows.iter().find(|row| row.specimen == name))).collect();
    let read: Vec<(Body, Vec<&'static str>)> = rows
        .iter()
        .map(|(_, row)| row.map(SheetRow::readings).unwrap_or_default())
        .map(|(readings, assumed)| (body(&readings), assumed))
        .collect();
    // One method for all specimens, since the two differ by more than their uncertainties.
    let by_weighing = read.iter().all(|(body, _)| {
        body.fired_relative_density_percent.is_none() || body.archimedes_relative_density_percent.is_some()
    });
    let mut pieces: Vec<Piece> = rows
        .into_iter()
        .zip(read)
        .map(|((name, row), read)| {
            let fields: Vec<&Field> = study.fields.iter().filter(|field| field.specimen == name).collect();
            piece(name, (row, &fields), read, (by_weighing, question))
        })
        .collect();
    add_asked_columns(&mut pieces, sheet, question)?;
    Ok(pieces)
}

fn piece(
    name: &str,
    (row, fields): (Option<&SheetRow>, &[&Field]),
    (body, assumed): (Body, Vec<&'static str>),
    (by_weighing, question): (bool, &Question),
) -> Piece {
    let (density, from) = if by_weighing {
        (body.archimedes_relative_density_percent, Method::Archimedes)
    } else {
        (body.fired_relative_density_percent, Method::Geometrical)
    };
    let programme = row.and_then(SheetRow::programme);
    let observation = Observation {
        specimen: name.to_owned(),
        numbers: row.map(|row| numbers(row, programme.as_ref(), &body)).unwrap_or_default(),
        words: row.map(words).unwrap_or_default(),
        properties: measured(fields, &body, density),
    };
    let pictures = observation.properties.get(POROSITY.key).map(|porosity| PicturePorosity {
        mean_percent: porosity.value,
        half_width_points: porosity.half_width(),
    });
    let properties = observation.properties.iter().map(|(key, found)| ((*key).to_owned(), property(found)));
    let related = RelatedSpecimen {
        name: name.to_owned(),
        has_pictures: !fields.is_empty(),
        in_sheet: row.is_some(),
        conditions: observation.numbers.clone(),
        words: observation.words.clone(),
        properties: properties.collect(),
        firing: programme.map(|programme| firing(programme, question)),
        comparisons: pictures.map(|pictures| compare(&pictures, &body)).unwrap_or_default(),
        relative_density_from: density.map(|_| from),
        assumed_uncertainties: assumed.into_iter().map(str::to_owned).collect(),
        body,
    };
    Piece { related, observation }
}

/// Properties of a specimen with the fields behind them.
fn measured(fields: &[&Field], body: &Body, density: Option<Value>) -> BTreeMap<&'static str, Measured> {
    let of_fields = |value: fn(&Field) -> Option<f64>| {
        Measured::from_fields(fields.iter().filter_map(|field| value(field)).collect())
    };
    let found = [
        (POROSITY, of_fields(|field| field.porosity_percent)),
        (GRAIN_SIZE, of_fields(|field| field.mean_linear_intercept_um)),
        (INSIDE_GRAINS, of_fields(inside_grains)),
        (RELATIVE_DENSITY, density.map(of_body)),
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

/// Conditions that are numbers: those of pressing and of the peak of the firing, in the units that they are kept in, and
/// the user's own columns. All other known columns are readings on the specimen.
fn numbers(row: &SheetRow, programme: Option<&Programme>, body: &Body) -> BTreeMap<String, f64> {
    let own = row.numbers.iter().filter(|(head, _)| meaning(head) == Meaning::Unknown);
    let mut numbers: BTreeMap<String, f64> = own.map(|(head, value)| (head.clone(), *value)).collect();
    // A programme is told by the segment that reaches its peak, whatever peak the sheet states beside its segments. Where
    // they do not make a programme, what is stated holds.
    let peak = programme.and_then(Programme::peak_segment);
    let conditions = [
        (TEMPERATURE, peak.map(|peak| peak.target_c).or(row.value(Quantity::PeakTemperature))),
        (HOLD, peak.and_then(|peak| peak.hold_min).or(row.value(Quantity::Hold))),
        (RAMP_RATE, peak.and_then(|peak| peak.ramp_rate_k_min).or(row.value(Quantity::RampRate))),
        (PRESSURE, body.pressing_pressure_mpa.map(|pressure| pressure.value)),
    ];
    numbers.extend(conditions.into_iter().filter_map(|(head, value)| Some((head.to_owned(), value?))));
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

fn firing(programme: Programme, question: &Question) -> Firing {
    Firing {
        duration_min: programme.duration_min(),
        segment_times: programme.segment_times(),
        minutes_near_peak: programme.minutes_above(programme.peak_c() - NEAR_PEAK_K),
        thermal_work: question.activation_energy_kj_mol.and_then(|energy| thermal_work(&programme, energy)),
        programme,
    }
}

/// What counts as near the peak temperature, in K below it.
const NEAR_PEAK_K: f64 = 50.0;

/// Readings are no conditions, but whoever asks for one by name gets it.
fn add_asked_columns(pieces: &mut [Piece], sheet: &Sheet, question: &Question) -> Result<(), Error> {
    let asked = question.conditions.iter().map(|head| (head, "--condition"));
    let places = question.at.iter().map(|(head, _)| (head, "--at"));
    for (head, option) in asked.chain(places) {
        let known = |o: &Observation| o.numbers.contains_key(head) || o.words.contains_key(head);
        if pieces.iter().any(|piece| known(&piece.observation)) {
            continue;
        }
        let rows = || sheet.rows.iter().filter(|row| row.numbers.contains_key(head));
        if rows().next().is_none() {
            return Err(Error::Option { name: option, why: no_such_column(head, pieces) });
        }
        for row in rows() {
            if let Some(piece) = pieces.iter_mut().find(|piece| piece.related.name == row.specimen) {
                piece.observation.numbers.insert(head.clone(), row.numbers[head]);
            }
        }
    }
    Ok(())
}

fn no_such_column(head: &str, pieces: &[Piece]) -> String {
    let numbers = pieces.iter().flat_map(|piece| piece.observation.numbers.keys());
    let words = pieces.iter().flat_map(|piece| piece.observation.words.keys());
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
