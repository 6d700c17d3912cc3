//! The file of scales: what a person has settled about the scale of single pictures.

mod save;

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use globset::GlobMatcher;

pub use save::{NewRow, pattern_of, save};

use crate::error::Error;
use crate::scale::{ListedScale, ScaleOptions, TypedScale, parse_pixel_size};
use crate::study::input::Input;
use crate::study::read_file::read_table;
use crate::study::record::{Entry, sha256};
use crate::study::sheet::cells::is_unknown;
use crate::study::sheet::reading::{self, Table};
use crate::study::sheet::row::matcher;
use crate::study::sheet::unit::key;
use crate::units::parse_um;
use crate::warning::Warning;

/// File name that is looked for in a measured folder.
pub const SCALES_NAME: &str = "scales.csv";

/// Heads, in the order in which they are written.
const HEADS: [&str; 4] = ["file", "pixel_size", "scale_bar", "note"];

/// A file of scales.
#[derive(Clone, Debug, Default)]
pub struct ScaleList {
    /// Rows in the order of the file.
    pub rows: Vec<ScaleRow>,
    /// Name and hash of the file; `None` if there is none.
    pub entry: Option<Entry>,
    /// Whether the text was not UTF-8 and was read as Windows-1252.
    pub decoded: bool,
    /// The folder that it lies in, links followed.
    folder: Option<PathBuf>,
}

/// One row: a scale and the pictures that have it.
#[derive(Clone, Debug)]
pub struct ScaleRow {
    /// Row as a spreadsheet counts it, from 1.
    pub number: u64,
    /// Name or pattern of the pictures, as written.
    pub file: String,
    /// Their scale.
    pub scale: TypedScale,
    pattern: GlobMatcher,
}

/// Reads a file of scales: a CSV table with the heads `file`, `pixel_size`, `scale_bar` and `note`.
///
/// `file` is the path of a picture or a pattern, from the folder of the file or from the measured folder; exactly one of
/// `pixel_size` (`25nm`, `25nm x 24nm`) and `scale_bar` (`10um`, the printed length) is filled. Cells are parted and quoted
/// as in the study sheet.
///
/// # Errors
/// [`Error::Read`] if the file cannot be read; [`Error::Sheet`], with row and column, for anything in it that cannot be
/// understood: a scale that was settled and is not used would be worse than none.
pub fn read(path: &Path) -> Result<ScaleList, Error> {
    let bytes = read_table(path)?;
    let (rows, table) = parsed(&bytes).map_err(|why| Error::Sheet { path: path.to_owned(), why })?;
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let folder = path.canonicalize().ok().and_then(|path| path.parent().map(Path::to_owned));
    let entry = Some(Entry { file: name, sha256: sha256(&bytes) });
    Ok(ScaleList { rows, entry, decoded: table.decoded, folder })
}

fn parsed(bytes: &[u8]) -> Result<(Vec<ScaleRow>, Table), String> {
    let table = reading::table(bytes)?;
    let columns = columns(&table)?;
    let mut rows: Vec<ScaleRow> = Vec::new();
    let mut numbers = HashMap::new();
    for (number, cells) in &table.rows {
        let row = row(*number, cells, &columns)?;
        if let Some(earlier) = numbers.insert(row.file.clone(), row.number) {
            return Err(format!(
                "row {number}, column 'file': '{}' already has row {earlier}; delete one of them",
                row.file
            ));
        }
        rows.push(row);
    }
    Ok((rows, table))
}

/// Which of the heads each column has.
fn columns(table: &Table) -> Result<Vec<&'static str>, String> {
    let row = table.head_row;
    let mut columns: Vec<&'static str> = Vec::new();
    for head in &table.heads {
        let written = key(head);
        let known = HEADS.into_iter().find(|known| *known == written).ok_or_else(|| {
            format!(
                "row {row}: '{head}' is no head of a file of scales; they are {}, and anything else goes into note",
                HEADS.join(", ")
            )
        })?;
        if columns.contains(&known) {
            return Err(format!("row {row}: two columns are called '{known}'; delete one of them"));
        }
        columns.push(known);
    }
    let has = |head| columns.contains(&head);
    if !has("file") || !(has("pixel_size") || has("scale_bar")) {
        return Err(format!(
            "row {row} lacks the head 'file', or both 'pixel_size' and 'scale_bar'; begin the file with {}",
            HEADS.join(",")
        ));
    }
    Ok(columns)
}

fn row(number: u64, cells: &[String], columns: &[&str]) -> Result<ScaleRow, String> {
    let filled = cells.iter().rposition(|cell| !cell.is_empty()).map_or(0, |last| last + 1);
    if filled > columns.len() {
        return Err(format!(
            "row {number} has {filled} cells and there are {} heads; quote a cell with a comma in it, as in \"0,5um\"",
            columns.len()
        ));
    }
    let cell = |head: &str| {
        let place = columns.iter().position(|column| *column == head)?;
        cells.get(place).map(String::as_str).filter(|cell| !is_unknown(cell))
    };
    let file = cell("file").ok_or_else(|| {
        format!("row {number}, column 'file' is empty; name the picture, or the pictures with a pattern such as ring-A/*")
    })?;
    let pattern = matcher(file).map_err(|why| {
        format!("row {number}, column 'file': '{file}' is no pattern ({why}); write a bracket as [[]")
    })?;
    let unread =
        |column: &str, text: &str, why: Error| format!("row {number}, column '{column}', '{text}': {why}");
    let scale = match (cell("pixel_size"), cell("scale_bar")) {
        (Some(text), None) => {
            let (x, y) = parse_pixel_size(text).map_err(|why| unread("pixel_size", text, why))?;
            TypedScale::PixelSize(x, y)
        }
        (None, Some(text)) => {
            TypedScale::BarLength(parse_um(text).map_err(|why| unread("scale_bar", text, why))?)
        }
        (None, None) => {
            return Err(format!(
                "row {number} ('{file}') has neither pixel_size nor scale_bar; fill one of them, or delete the row"
            ));
        }
        (Some(_), Some(_)) => {
            return Err(format!(
                "row {number} ('{file}') has both pixel_size and scale_bar; empty one of them"
            ));
        }
    };
    Ok(ScaleRow { number, file: file.to_owned(), scale, pattern })
}

impl ScaleList {
    /// The row that holds for a picture: one that names it alone before one whose pattern it fits, the first of several.
    pub fn row_of(&self, input: &Input) -> Option<&ScaleRow> {
        let names = self.names_of(input);
        let by = |fits: &dyn Fn(&ScaleRow, &str) -> bool| {
            names.iter().find_map(|name| self.rows.iter().find(|row| fits(row, name)))
        };
        by(&ScaleRow::names).or_else(|| by(&|row, name| row.pattern.is_match(name)))
    }

    /// What is said about the scale of a picture: what is said about all, and its row before it.
    pub fn said_of(&self, input: &Input, of_all: &ScaleOptions) -> ScaleOptions {
        let name = self.entry.as_ref().map_or("", |entry| entry.file.as_str());
        let listed = self
            .row_of(input)
            .map(|row| ListedScale { scale: row.scale, place: format!("{name}, row {}", row.number) });
        ScaleOptions { listed, ..of_all.clone() }
    }

    /// Doubts about the file: rows that hold for none of the pictures, and an encoding that was guessed.
    pub fn warnings(&self, inputs: &[Input]) -> Vec<Warning> {
        let decoded = self.decoded.then(|| {
            let text = "the file of scales is not UTF-8 and was read as Windows-1252; look at names with letters beyond the \
                        English ones, or save it as CSV in UTF-8";
            Warning::new("scales-not-utf-8", text)
        });
        let used: Vec<u64> = inputs.iter().filter_map(|input| Some(self.row_of(input)?.number)).collect();
        let idle = self.rows.iter().filter(|row| !used.contains(&row.number)).map(|row| {
            let text = format!(
                "the file of scales has row {} for '{}', but it holds for no picture; correct the name, or delete the row",
                row.number, row.file
            );
            Warning::new("scale-row-without-pictures", text)
        });
        decoded.into_iter().chain(idle).collect()
    }

    /// Paths that a row may call a picture by: from the folder of the file, if the picture lies below it, and from the
    /// measured folder.
    fn names_of(&self, input: &Input) -> Vec<String> {
        let own = self.folder.as_deref().and_then(|folder| path_from(folder, &input.path));
        own.into_iter().chain([input.relative.clone()]).collect()
    }
}

impl ScaleRow {
    /// Whether the row names this picture and no other.
    fn names(&self, name: &str) -> bool {
        self.file == name && self.pattern.is_match(name) || self.file == pattern_of(name)
    }

    /// Whether the row names the picture of this pattern, which fits no other.
    fn names_the_same_as(&self, pattern: &str) -> bool {
        self.file == pattern || pattern_of(&self.file) == pattern && self.pattern.is_match(&self.file)
    }
}

/// The path of a file below `folder`, with `/` between parts; `None` if it is not below it.
fn path_from(folder: &Path, file: &Path) -> Option<String> {
    let full = file.canonicalize().ok()?;
    let parts: Vec<_> = full.strip_prefix(folder).ok()?.iter().map(|part| part.to_string_lossy()).collect();
    Some(parts.join("/"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &str) -> Result<Vec<ScaleRow>, String> {
        parsed(text.as_bytes()).map(|(rows, _)| rows)
    }

    #[test]
    fn both_kinds_of_scale_are_read_with_their_row() {
        let text = "# settled\nfile,pixel_size,scale_bar,note\na.png,25nm x 24nm,,\n\nb/*,,10um,\"by hand, twice\"\n";
        let rows = rows(text).unwrap();
        assert_eq!(rows[0].scale, TypedScale::PixelSize(0.025, 0.024));
        assert_eq!((rows[1].scale, rows[1].number), (TypedScale::BarLength(10.0), 5));
        let spreadsheet = "\u{feff}Scale bar;File\r\n0,5 mm;a.png\r\n";
        assert_eq!(self::rows(spreadsheet).unwrap()[0].scale, TypedScale::BarLength(500.0));
    }

    #[test]
    fn what_is_wrong_is_named_with_its_row_and_what_to_do() {
        let heads = "file,pixel_size,scale_bar,note\n";
        for (text, said) in [
            ("", "empty"),
            ("file,note\na,b\n", "'pixel_size'"),
            ("pixel_size\n25nm\n", "'file'"),
            ("file,pixel_size,magnification\n", "'magnification' is no head"),
            ("file,pixel_size,pixel size\n", "two columns"),
            (&format!("{heads}a.png,,,\n"), "row 2 ('a.png') has neither"),
            (&format!("{heads}a.png,25nm,10um,\n"), "row 2 ('a.png') has both"),
            (&format!("{heads},25nm,,\n"), "row 2, column 'file' is empty"),
            (&format!("{heads}a.png,25,,\n"), "row 2, column 'pixel_size', '25'"),
            (&format!("{heads}a.png,,ten,\n"), "row 2, column 'scale_bar', 'ten'"),
            (&format!("{heads}a.png,25nm,,a note, with a comma\n"), "row 2 has 5 cells"),
            // A decimal comma that parts cells is never read as another length.
            (&format!("{heads}a.png,2,5um,,\n"), "row 2 ('a.png') has both"),
            (&format!("{heads}a.png,,2,5um,\n"), "row 2, column 'scale_bar', '2'"),
            (&format!("{heads}a[.png,25nm,,\n"), "is no pattern"),
            (
                &format!("{heads}a.png,25nm,,\na.png,26nm,,\n"),
                "row 3, column 'file': 'a.png' already has row 2",
            ),
        ] {
            let why = rows(text).unwrap_err();
            assert!(why.contains(said), "{text:?}: {why}");
        }
    }
}
