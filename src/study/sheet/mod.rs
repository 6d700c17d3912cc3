//! The study sheet: which pictures belong to which specimen, how it was pressed and fired, and what it weighs.
//!
//! One wrong cell never costs another: it becomes a [`Problem`] and its value is unknown. Only what makes the table itself
//! unreadable is an error.

pub(in crate::study) mod cells;
pub mod columns;
mod plausibility;
pub mod problem;
pub mod quantities;
pub(in crate::study) mod reading;
pub(in crate::study) mod row;
mod template;
pub mod unit;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use cells::{Decimal, decimal_mark};
use columns::{Meaning, Text, meaning, suggestion};
use plausibility::Heads;
pub use problem::{Problem, ProblemKind};
use reading::Table;
pub use row::SheetRow;
use row::{Column, Line};
pub use template::template;
use unit::key;

use crate::error::Error;
use crate::study::read_file::read_table;
use crate::warning::Warning;

/// File name that is looked for in a measured folder.
pub const SHEET_NAME: &str = "specimens.csv";

/// A study sheet.
#[derive(Clone, Debug, Default)]
pub struct Sheet {
    /// Rows in the order of the file.
    pub rows: Vec<SheetRow>,
    /// Heads as written, in their order.
    pub heads: Vec<String>,
    /// Everything that is wrong, row by row.
    pub problems: Vec<Problem>,
    /// Whether the text was not UTF-8 and was read as Windows-1252.
    pub decoded: bool,
}

impl Sheet {
    /// The problems as warnings of the study.
    pub fn warnings(&self) -> Vec<Warning> {
        let decoded = self.decoded.then(|| {
            let text = "the study sheet is not UTF-8 and was read as Windows-1252; look at names and notes with \
                        letters beyond the English ones, or save it as CSV in UTF-8";
            Warning::new("sheet-not-utf-8", text)
        });
        decoded.into_iter().chain(self.problems.iter().map(Problem::warning)).collect()
    }
}

/// Reads a study sheet: a CSV table with a row of heads and at least the column `specimen`.
///
/// `pictures` is a pattern relative to the measured folder, such as `ring-A/*`; empty, it is the sub-folder of the
/// specimen's name. `surface` takes the words of `--surface`. [`columns`] has the other known columns, [`mod@unit`] the
/// units of their heads; columns that are not known are kept. [`template`] writes an empty sheet.
///
/// # Errors
/// [`Error::Read`] if the file cannot be read; [`Error::Sheet`] if it is no table, lacks the column `specimen`, or names a
/// specimen twice, so that it is not known which row holds.
pub fn read(path: &Path) -> Result<Sheet, Error> {
    let bytes = read_table(path)?;
    parse(&bytes, path)
}

/// Reads the bytes of the study sheet `path`, as [`read`] does.
///
/// # Errors
/// [`Error::Sheet`] as for [`read`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<Sheet, Error> {
    parsed(bytes).map_err(|why| Error::Sheet { path: path.to_owned(), why })
}

fn parsed(bytes: &[u8]) -> Result<Sheet, String> {
    let table = reading::table(bytes)?;
    let mut problems = Vec::new();
    let columns = columns(&table, &mut problems);
    if !columns.iter().any(|column| column.meaning == Meaning::Text(Text::Specimen)) {
        return Err(no_specimen(&table));
    }
    let decimal = decimal_of(&table, &columns);
    let mut rows: Vec<SheetRow> = Vec::new();
    let mut named = BTreeSet::new();
    for (number, cells) in &table.rows {
        let cells = fitting(&columns, *number, cells, &table, &mut problems);
        let line = Line { columns: &columns, number: *number, cells };
        let Some(row) = row::row(line, decimal, &mut problems) else { continue };
        if !named.insert(row.specimen.clone()) {
            let name = &row.specimen;
            return Err(format!("row {number}, column 'specimen': '{name}' already has a row"));
        }
        rows.push(row);
    }
    let heads: Heads = columns.iter().rev().filter_map(known_head).collect();
    problems.extend(rows.iter_mut().flat_map(|row| plausibility::check(row, &heads)));
    problems.extend(plausibility::holes_left_open(&mut rows, &heads));
    problems.sort_by_key(|problem| problem.row);
    Ok(Sheet { rows, heads: table.heads, problems, decoded: table.decoded })
}

/// What each head means. Heads that are written twice, or are empty above filled cells, get the number of their column.
fn columns(table: &Table, problems: &mut Vec<Problem>) -> Vec<Column> {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let known: BTreeSet<String> = table.heads.iter().map(|head| key(head)).collect();
    let mut problem = |column: &str, value: &str, expected: String, kind| {
        let (column, value) = (column.to_owned(), value.to_owned());
        problems.push(Problem { row: table.head_row, column, value, expected, kind });
    };
    let mut columns = Vec::new();
    for (index, head) in table.heads.iter().enumerate() {
        let numbered = format!("column {}", index + 1);
        let filled =
            || table.rows.iter().any(|(_, cells)| cells.get(index).is_some_and(|cell| !cell.is_empty()));
        if head.is_empty() {
            if filled() {
                problem(
                    &numbered,
                    head,
                    "a head above cells that are filled".into(),
                    ProblemKind::Unreadable,
                );
            }
            columns.push(Column { head: numbered, meaning: Meaning::Unknown });
            continue;
        }
        if seen.insert(head.clone(), index).is_some() {
            let expected = "another head; the first column with this one is used".into();
            problem(&numbered, head, expected, ProblemKind::Unreadable);
            columns.push(Column { head: format!("{head} ({numbered})"), meaning: Meaning::Unknown });
            continue;
        }
        let meaning = meaning(head);
        if matches!(meaning, Meaning::Text(_)) && columns.iter().any(|c: &Column| c.meaning == meaning) {
            let expected = "one column of this name; the first is used".into();
            problem(head, head, expected, ProblemKind::Unreadable);
            columns.push(Column { head: head.clone(), meaning: Meaning::Unknown });
            continue;
        }
        if meaning == Meaning::Unknown
            && let Some(near) = suggestion(head).filter(|near| !known.contains(near))
        {
            problem(head, head, near, ProblemKind::Head);
        }
        columns.push(Column { head: head.clone(), meaning });
    }
    columns
}

fn known_head(column: &Column) -> Option<(columns::Quantity, String)> {
    match &column.meaning {
        Meaning::Number(known) => Some((known.quantity, column.head.clone())),
        _ => None,
    }
}

fn no_specimen(table: &Table) -> String {
    let row = table.head_row;
    let near = table.heads.iter().find(|head| suggestion(head).as_deref() == Some("specimen"));
    let advice = near.map_or_else(
        || " (cells are parted by commas, semicolons or tabs)".to_owned(),
        |head| format!(", but '{head}'; did you mean 'specimen'?"),
    );
    format!("row {row} has no column named 'specimen'{advice}")
}

fn decimal_of(table: &Table, columns: &[Column]) -> Decimal {
    let numeric = |index: usize| columns.get(index).is_some_and(|c| !matches!(c.meaning, Meaning::Text(_)));
    let cells = table.rows.iter().flat_map(|(_, cells)| cells.iter().enumerate());
    decimal_mark(table.separator, cells.filter(|(index, _)| numeric(*index)).map(|(_, cell)| cell.as_str()))
}

/// The cells of a row that can be trusted: all of them, or, where more are filled than there are heads, those before the
/// first that may have been shifted.
fn fitting<'a>(
    columns: &[Column],
    number: u64,
    cells: &'a [String],
    table: &Table,
    problems: &mut Vec<Problem>,
) -> &'a [String] {
    let filled = cells.iter().rposition(|cell| !cell.is_empty()).map_or(0, |last| last + 1);
    if filled <= columns.len() {
        return cells;
    }
    let advice = if table.separator == b',' {
        "; a decimal comma in a sheet whose cells are parted by commas shifts all that follow: save it with semicolons \
         or decimal points"
    } else {
        ""
    };
    let expected = format!("{} cells, as many as heads{advice}", columns.len());
    let safe = columns.iter().take_while(|column| matches!(column.meaning, Meaning::Text(_))).count();
    let column = columns.get(safe).map_or_else(|| "specimen".to_owned(), |column| column.head.clone());
    problems.push(Problem {
        row: number,
        column,
        value: format!("{filled} cells"),
        expected,
        kind: ProblemKind::Row,
    });
    &cells[..safe]
}

#[cfg(test)]
mod tests;
