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

    /// Puts the number of a known column into the row; what is wrong with it, if it cannot be used.
    fn take(
        &mut self,
        head: &str,
        known: &NumberColumn,
        cell: &str,
        decimal: Decimal,
    ) -> Option<(String, ProblemKind)> {
        let wrong = match number(cell, decimal, Some(known.unit)) {
            Ok(Some(value)) => match impossible(value, known) {
                Some(expected) => Some((expected, ProblemKind::Impossible)),
                None if self.values.contains_key(&known.quantity) => {
                    // The value of the first column stays usable.
                    return Some((
                        "one column for this quantity; the first is used".into(),
                        ProblemKind::Impossible,
                    ));
                }
                None => {
                    self.values.insert(known.quantity, known.unit.kept(value));
                    self.numbers.insert(head.to_owned(), value);
                    return None;
                }
            },
            // A dash says that there is no such segment; for anything else it says that the value is not known.
            Ok(None) if matches!(known.quantity, Quantity::Segment(..)) => return None,
            Ok(None) => None,
            Err(expected) => Some((expected, ProblemKind::Unreadable)),
        };
        self.unusable.insert(known.quantity);
        wrong
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

/// Cells of a row below their columns.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line<'a> {
    pub columns: &'a [Column],
    /// Row as a spreadsheet counts it.
    pub number: u64,
    pub cells: &'a [String],
}

impl<'a> Line<'a> {
    /// Head and cell of a known text column, if the cell is filled.
    fn text(&self, wanted: Text) -> Option<(&'a str, &'a str)> {
        let place = self.columns.iter().position(|column| column.meaning == Meaning::Text(wanted))?;
        let cell = self.cells.get(place).filter(|cell| !cell.is_empty())?;
        Some((self.columns[place].head.as_str(), cell.as_str()))
    }

    fn problem(&self, head: &str, cell: &str, expected: String, kind: ProblemKind) -> Problem {
        Problem { row: self.number, column: head.to_owned(), value: cell.to_owned(), expected, kind }
    }

    /// Which pictures belong to the specimen; those of the folder of its name, where nothing sound is written.
    fn pictures(&self, specimen: &str, problems: &mut Vec<Problem>) -> GlobMatcher {
        let read = self.text(Text::Pictures).and_then(|(head, pattern)| {
            let read = matcher(pattern);
            problems.extend(read.as_ref().err().map(|why| {
                let expected = format!("a pattern such as ring-A/* ({why})");
                self.problem(head, pattern, expected, ProblemKind::Unreadable)
            }));
            read.ok()
        });
        let own_folder = format!("{}/**", escaped(specimen));
        // A name that is too long for a pattern is that of no folder.
        let own =
            || matcher(&own_folder).unwrap_or_else(|_| matcher("").expect("invariant: nothing is a pattern"));
        read.unwrap_or_else(own)
    }

    fn surface(&self, problems: &mut Vec<Problem>) -> Option<Surface> {
        let (head, word) = self.text(Text::Surface).filter(|(_, word)| !is_unknown(word))?;
        let read = <Surface as clap::ValueEnum>::from_str(&word.replace([' ', '_'], "-"), true).ok();
        if read.is_none() {
            let expected = "polished, thermally-etched, chemically-etched, as-fired or fracture".to_owned();
            problems.push(self.problem(head, word, expected, ProblemKind::Unreadable));
        }
        read
    }
}

/// Reads the cells of a row. `None`, with the reason among the problems, for a row without a specimen.
pub(super) fn row(line: Line<'_>, decimal: Decimal, problems: &mut Vec<Problem>) -> Option<SheetRow> {
    let Some((_, specimen)) = line.text(Text::Specimen) else {
        let expected =
            "the name of a specimen; without it the row belongs to nothing and is left out".to_owned();
        problems.push(line.problem("specimen", "", expected, ProblemKind::Unreadable));
        return None;
    };
    let mut row = SheetRow {
        number: line.number,
        specimen: specimen.to_owned(),
        surface: line.surface(problems),
        firing: BTreeMap::new(),
        numbers: BTreeMap::new(),
        values: BTreeMap::new(),
        unusable: BTreeSet::new(),
        texts: BTreeMap::new(),
        pictures: line.pictures(specimen, problems),
    };
    for (column, cell) in line.columns.iter().zip(line.cells).filter(|(_, cell)| !cell.is_empty()) {
        if !matches!(column.meaning, Meaning::Text(Text::Specimen | Text::Pictures | Text::Surface)) {
            row.firing.insert(column.head.clone(), cell.clone());
        }
        match column.meaning {
            Meaning::Text(text) => drop(row.texts.insert(text, cell.clone())),
            Meaning::Number(known) => {
                let wrong = row.take(&column.head, &known, cell, decimal);
                problems
                    .extend(wrong.map(|(expected, kind)| line.problem(&column.head, cell, expected, kind)));
            }
            Meaning::Unknown => {
                let value = number(cell, decimal, None).ok().flatten();
                row.numbers.extend(value.map(|value| (column.head.clone(), value)));
            }
        }
    }
    Some(row)
}

/// Longer patterns match no path, and very long ones make the matcher panic instead of refusing them.
const LONGEST_PATTERN: usize = 4096;

/// A pattern of paths, `*` not reaching over `/`.
///
/// # Errors
/// What is wrong with it.
pub(in crate::study) fn matcher(pattern: &str) -> Result<GlobMatcher, String> {
    if pattern.len() > LONGEST_PATTERN {
        return Err(format!("it is longer than {LONGEST_PATTERN} bytes"));
    }
    let glob = GlobBuilder::new(pattern).literal_separator(true).build();
    glob.map(|glob| glob.compile_matcher()).map_err(|e| e.kind().to_string())
}

/// A name as a pattern that matches it alone.
pub(in crate::study) fn escaped(name: &str) -> String {
    let mut pattern = String::new();
    for letter in name.chars() {
        if "?*[]{}\\".contains(letter) {
            pattern.extend(['[', letter, ']']);
        } else {
            pattern.push(letter);
        }
    }
    pattern
}
