//! The study sheet: which pictures belong to which specimen, and how it was fired.

use std::collections::BTreeMap;
use std::path::Path;

use globset::{GlobBuilder, GlobMatcher};

use crate::error::Error;
use crate::options::Surface;

/// File name that is looked for in a measured folder.
pub const SHEET_NAME: &str = "specimens.csv";

/// One row of the sheet.
#[derive(Clone, Debug)]
pub struct SheetRow {
    /// Column `specimen`.
    pub specimen: String,
    /// Column `surface`, if it is filled.
    pub surface: Option<Surface>,
    /// All other filled columns, by head, as written.
    pub firing: BTreeMap<String, String>,
    pictures: GlobMatcher,
}

impl SheetRow {
    /// Whether the picture at this path from the measured folder belongs to the specimen.
    pub fn covers(&self, relative: &str) -> bool {
        self.pictures.is_match(relative)
    }
}

/// Reads a study sheet: a CSV table with a head row and at least the columns `specimen` and `pictures`.
///
/// `pictures` is a pattern relative to the measured folder, such as `ring-A/*`; empty, it is the sub-folder of the
/// specimen's name. `surface` is optional and takes the words of `--surface`. Fields may be separated by commas or
/// semicolons; a byte order mark is ignored.
///
/// # Errors
/// [`Error::Read`] if the file cannot be read; [`Error::Sheet`] naming row, column and value of the first wrong cell.
pub fn read(path: &Path) -> Result<Vec<SheetRow>, Error> {
    let bytes = std::fs::read(path).map_err(|source| Error::Read { path: path.to_owned(), source })?;
    let refuse = |why: String| Error::Sheet { path: path.to_owned(), why };
    let text = String::from_utf8(bytes)
        .map_err(|_| refuse("the text is not UTF-8; save the sheet as CSV in UTF-8".into()))?;
    let text = text.trim_start_matches('\u{feff}');
    let head = text.lines().next().unwrap_or_default();
    let separator = if head.matches(';').count() > head.matches(',').count() { b';' } else { b',' };
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let heads = reader.headers().map_err(|e| refuse(e.to_string()))?.clone();
    for needed in ["specimen", "pictures"] {
        if !heads.iter().any(|h| h == needed) {
            return Err(refuse(format!("row 1 has no column named '{needed}'")));
        }
    }
    let mut rows: Vec<SheetRow> = Vec::new();
    for (index, record) in reader.records().enumerate() {
        let record = record.map_err(|e| refuse(e.to_string()))?;
        let number = record.position().map_or(index as u64 + 2, |p| p.line());
        let row = row(&heads, &record).map_err(|why| refuse(format!("row {number}, {why}")))?;
        if rows.iter().any(|earlier| earlier.specimen == row.specimen) {
            let name = &row.specimen;
            return Err(refuse(format!("row {number}, column 'specimen': '{name}' already has a row")));
        }
        rows.push(row);
    }
    Ok(rows)
}

fn row(heads: &csv::StringRecord, record: &csv::StringRecord) -> Result<SheetRow, String> {
    let cells: BTreeMap<&str, &str> = heads.iter().zip(record).filter(|(_, cell)| !cell.is_empty()).collect();
    let specimen = cells.get("specimen").ok_or("column 'specimen' is empty; a name is expected")?.to_string();
    let pattern = cells.get("pictures").map_or_else(|| format!("{specimen}/**"), |p| p.to_string());
    let pictures = GlobBuilder::new(&pattern)
        .literal_separator(true)
        .build()
        .map_err(|e| format!("column 'pictures': '{pattern}' is not a pattern: {e}"))?
        .compile_matcher();
    let surface = cells.get("surface").map(|word| surface(word)).transpose()?;
    let firing = cells
        .iter()
        .filter(|(head, _)| !matches!(**head, "specimen" | "pictures" | "surface"))
        .map(|(head, cell)| (head.to_string(), cell.to_string()))
        .collect();
    Ok(SheetRow { specimen, surface, firing, pictures })
}

fn surface(word: &str) -> Result<Surface, String> {
    clap::ValueEnum::from_str(word, true).map_err(|_| {
        format!(
            "column 'surface': '{word}' is not one of polished, thermally-etched, chemically-etched, as-fired, fracture"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(text: &str) -> Result<Vec<SheetRow>, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(SHEET_NAME);
        std::fs::write(&path, text).unwrap();
        read(&path).map_err(|e| e.to_string())
    }

    #[test]
    fn rows_carry_pictures_surface_and_firing() {
        let rows =
            sheet("\u{feff}specimen;pictures;surface;peak °C\nA;a/*.png;as-fired;1450\nB;;;\n").unwrap();
        assert!(rows[0].covers("a/1.png") && !rows[0].covers("a/deep/1.png"));
        assert_eq!(rows[0].surface, Some(Surface::AsFired));
        assert_eq!(rows[0].firing["peak °C"], "1450");
        assert!(rows[1].covers("B/1.tif") && rows[1].firing.is_empty());
    }

    #[test]
    fn a_wrong_cell_is_named_by_row_and_column() {
        let error = sheet("specimen,pictures,surface\nA,*,shiny\n").unwrap_err();
        assert!(
            error.contains("row 2") && error.contains("'surface'") && error.contains("'shiny'"),
            "{error}"
        );
        let error = sheet("specimen,pictures\nA,x/*\nA,y/*\n").unwrap_err();
        assert!(error.contains("row 3") && error.contains("already"), "{error}");
        assert!(sheet("name,pictures\n").unwrap_err().contains("'specimen'"));
    }
}
