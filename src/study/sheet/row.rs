//! One row of the sheet.

use std::collections::{BTreeMap, BTreeSet};

use globset::{GlobBuilder, GlobMatcher};

use super::cells::{Decimal, impossible, is_unknown, number};
use super::columns::{Meaning, NumberColumn, Quantity, Text};
use super::problem::{Problem, ProblemKind};
use crate::options::Surface;

/// One row of the sheet.
#[derive(Clone, Debug)]
pub struct SheetRow {
    /// Row as a spreadsheet counts it, from 1.
    pub number: u64,
    /// Column `specimen`.
    pub specimen: String,
    /// Column `surface`, if it is filled.
    pub surface: Option<Surface>,
    /// All other filled columns, by head, as written.
    pub firing: BTreeMap<String, String>,
    /// Every number of those columns, known or not, by head as written, in the unit of the head.
    pub numbers: BTreeMap<String, f64>,
    /// Known quantities, each in the unit that its [`super::unit::Kind`] is kept in.
    pub values: BTreeMap<Quantity, f64>,
    /// Known quantities whose cell is filled but cannot be used, which is not the same as an empty one.
    pub unusable: BTreeSet<Quantity>,
    texts: BTreeMap<Text, String>,
    pictures: GlobMatcher,
}

impl SheetRow {
    /// Whether the picture at this path from the measured folder belongs to the specimen.
    pub fn covers(&self, relative: &str) -> bool {
        self.pictures.is_match(relative)
    }

    /// A known quantity in the unit that its kind is kept in.
    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        self.values.get(&quantity).copied()
    }

    /// A known text column, as written.
    pub fn text(&self, text: Text) -> Option<&str> {
        self.texts.get(&text).map(String::as_str)
    }

    /// Takes a quantity out of use.
    pub(super) fn discard(&mut self, quantity: Quantity, head: Option<&str>) {
        self.values.remove(&quantity);
        self.unusable.insert(quantity);
        if let Some(head) = head {
            self.numbers.remove(head);
        }
    }
}

/// A column of the sheet.
#[derive(Clone, Debug)]
pub(super) struct Column {
    /// Head as written, made unlike the others.
    pub head: String,
    pub meaning: Meaning,
}

/// Reads the cells of a row. `None`, with the reason among the problems, for a row without a specimen.
pub(super) fn row(
    columns: &[Column],
    number: u64,
    cells: &[String],
    decimal: Decimal,
    problems: &mut Vec<Problem>,
) -> Option<SheetRow> {
    let cell_of = |wanted: Text| {
        let place = columns.iter().position(|column| column.meaning == Meaning::Text(wanted));
        place.and_then(|place| cells.get(place)).map(String::as_str).filter(|cell| !cell.is_empty())
    };
    let head_of =
        |wanted: Text| columns.iter().find(|c| c.meaning == Meaning::Text(wanted)).map(|c| c.head.clone());
    let problem = |column: Option<String>, value: &str, expected: String, kind| Problem {
        row: number,
        column: column.unwrap_or_default(),
        value: value.to_owned(),
        expected,
        kind,
    };
    let Some(specimen) = cell_of(Text::Specimen) else {
        let expected =
            "the name of a specimen; without it the row belongs to nothing and is left out".to_owned();
        problems.push(problem(head_of(Text::Specimen), "", expected, ProblemKind::Unreadable));
        return None;
    };
    let own_folder = format!("{}/**", escaped(specimen));
    let pattern = cell_of(Text::Pictures).unwrap_or(&own_folder);
    let pictures = matcher(pattern).or_else(|why| {
        let expected = format!("a pattern such as ring-A/* ({why})");
        problems.push(problem(head_of(Text::Pictures), pattern, expected, ProblemKind::Unreadable));
        matcher(&own_folder)
    });
    let surface = cell_of(Text::Surface).filter(|word| !is_unknown(word)).and_then(|word| {
        let read = <Surface as clap::ValueEnum>::from_str(&word.replace([' ', '_'], "-"), true);
        if read.is_err() {
            let expected = "polished, thermally-etched, chemically-etched, as-fired or fracture".to_owned();
            problems.push(problem(head_of(Text::Surface), word, expected, ProblemKind::Unreadable));
        }
        read.ok()
    });
    let mut row = SheetRow {
        number,
        specimen: specimen.to_owned(),
        surface,
        firing: BTreeMap::new(),
        numbers: BTreeMap::new(),
        values: BTreeMap::new(),
        unusable: BTreeSet::new(),
        texts: BTreeMap::new(),
        pictures: pictures.expect("invariant: the pattern of a folder is escaped"),
    };
    for (column, cell) in columns.iter().zip(cells).filter(|(_, cell)| !cell.is_empty()) {
        let own = matches!(column.meaning, Meaning::Text(Text::Specimen | Text::Pictures | Text::Surface));
        if !own {
            row.firing.insert(column.head.clone(), cell.clone());
        }
        match column.meaning {
            Meaning::Text(text) => drop(row.texts.insert(text, cell.clone())),
            Meaning::Number(known) => problems.extend(take(&mut row, column, &known, cell, decimal)),
            Meaning::Unknown => {
                let value = super::cells::number(cell, decimal, None).ok().flatten();
                row.numbers.extend(value.map(|value| (column.head.clone(), value)));
            }
        }
    }
    Some(row)
}

/// Puts the number of a known column into the row; the problem, if it is wrong.
fn take(
    row: &mut SheetRow,
    column: &Column,
    known: &NumberColumn,
    cell: &str,
    decimal: Decimal,
) -> Option<Problem> {
    let wrong = |expected: String, kind| Problem {
        row: row.number,
        column: column.head.clone(),
        value: cell.to_owned(),
        expected,
        kind,
    };
    let problem = match number(cell, decimal, Some(known.unit)) {
        Ok(None) => {
            row.unusable.insert(known.quantity);
            return None;
        }
        Ok(Some(value)) => match impossible(value, known) {
            Some(expected) => wrong(expected, ProblemKind::Impossible),
            None if row.values.contains_key(&known.quantity) => {
                wrong("one column for this quantity; the first is used".to_owned(), ProblemKind::Impossible)
            }
            None => {
                row.values.insert(known.quantity, known.unit.kept(value));
                row.numbers.insert(column.head.clone(), value);
                return None;
            }
        },
        Err(expected) => wrong(expected, ProblemKind::Unreadable),
    };
    row.unusable.insert(known.quantity);
    Some(problem)
}

fn matcher(pattern: &str) -> Result<GlobMatcher, String> {
    let glob = GlobBuilder::new(pattern).literal_separator(true).build();
    glob.map(|glob| glob.compile_matcher()).map_err(|e| e.kind().to_string())
}

/// The name of a folder as a pattern that matches it alone.
fn escaped(name: &str) -> String {
    let mut pattern = String::new();
    for letter in name.chars() {
        if "?*[]{}!\\".contains(letter) {
            pattern.extend(['[', letter, ']']);
        } else {
            pattern.push(letter);
        }
    }
    pattern
}
