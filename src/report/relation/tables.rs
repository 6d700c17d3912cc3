//! `relation.csv` and `specimens.csv` of a relation.

use std::collections::BTreeSet;

use crate::relate::observation::PROPERTIES;
use crate::relate::relation::Relation;
use crate::report::csv::Sheet;

const LEVEL_COLUMNS: [&str; 9] = [
    "condition",
    "property",
    "level",
    "specimens",
    "specimen_count",
    "mean",
    "ci95_low",
    "ci95_high",
    "interval_from",
];

/// `relation.csv`: one row for each property at each value of each condition.
pub fn levels(relation: &Relation) -> Vec<u8> {
    let mut sheet = Sheet::new();
    sheet.head(LEVEL_COLUMNS.into_iter());
    for effect in &relation.effects {
        for level in &effect.levels {
            sheet.text(&effect.condition);
            sheet.text(&effect.property);
            sheet.text(&level.text);
            sheet.text(&level.specimens.join(" "));
            sheet.count(level.specimens.len() as u64);
            sheet.number(level.mean);
            sheet.number(level.ci95_low);
            sheet.number(level.ci95_high);
            sheet.text(level.interval_from.as_deref().unwrap_or_default());
            sheet.end_row();
        }
    }
    sheet.into_bytes()
}

/// `specimens.csv`: one row for each specimen with its conditions, and each property with its standard error.
pub fn specimens(relation: &Relation) -> Vec<u8> {
    let of_all = relation.specimens.iter();
    let numbers: BTreeSet<&String> = of_all.clone().flat_map(|specimen| specimen.conditions.keys()).collect();
    let words: BTreeSet<&String> = of_all.flat_map(|specimen| specimen.words.keys()).collect();
    let mut sheet = Sheet::new();
    let errors: Vec<String> = PROPERTIES.iter().map(|p| format!("{}_standard_error", p.key)).collect();
    let properties = PROPERTIES.iter().zip(&errors).flat_map(|(p, error)| [p.key, error.as_str()]);
    let conditions = numbers.iter().chain(&words).map(|head| head.as_str());
    sheet.head(std::iter::once("specimen").chain(conditions).chain(properties));
    for specimen in &relation.specimens {
        sheet.text(&specimen.name);
        numbers.iter().for_each(|head| sheet.number(specimen.conditions.get(*head).copied()));
        words.iter().for_each(|head| sheet.text(specimen.words.get(*head).map_or("", String::as_str)));
        for property in &PROPERTIES {
            let found = specimen.properties.get(property.key);
            sheet.number(found.map(|found| found.value));
            sheet.number(found.and_then(|found| found.standard_error));
        }
        sheet.end_row();
    }
    sheet.into_bytes()
}
