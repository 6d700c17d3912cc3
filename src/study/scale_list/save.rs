//! Adding rows to a file of scales without touching the others.

use std::ops::Range;
use std::path::Path;

use super::{HEADS, columns, parsed, path_from};
use crate::error::Error;
use crate::scale::TypedScale;
use crate::study::input::Input;
use crate::study::read_file::read_regular;
use crate::study::sheet::reading::table;
use crate::study::sheet::row::escaped;
use crate::whole_file::write_whole;

/// Significant digits of a pixel size that was found: far beyond what any is known to.
const DIGITS: usize = 6;

/// A row to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct NewRow {
    /// Pattern of its picture, which fits no other: see [`pattern_of`].
    pub file: String,
    /// Its scale.
    pub scale: TypedScale,
    /// Anything that helps a reader.
    pub note: String,
}

impl NewRow {
    /// The row of a picture in the file at `path`, which need not exist yet.
    pub fn new(path: &Path, input: &Input, scale: TypedScale, note: String) -> Self {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let below = folder.canonicalize().ok().and_then(|folder| path_from(&folder, &input.path));
        Self { file: pattern_of(&below.unwrap_or_else(|| input.relative.clone())), scale, note }
    }

    fn cell(&self, head: &str) -> String {
        match (head, self.scale) {
            ("file", _) => self.file.clone(),
            ("pixel_size", TypedScale::PixelSize(x, y)) if x == y => length(x),
            ("pixel_size", TypedScale::PixelSize(x, y)) => format!("{} x {}", length(x), length(y)),
            ("scale_bar", TypedScale::BarLength(um)) => length(um),
            ("note", _) => self.note.clone(),
            _ => String::new(),
        }
    }
}

/// The path of a picture as a pattern that fits it alone, and that neither a comment nor a formula begins like.
pub fn pattern_of(name: &str) -> String {
    let pattern = escaped(name);
    match pattern.chars().next() {
        Some(first @ ('#' | '=' | '+' | '-' | '@')) => format!("[{first}]{}", &pattern[1..]),
        _ => pattern,
    }
}

/// A length as it is typed, in nm or µm.
fn length(um: f64) -> String {
    let rounded = |value: f64| format!("{value:.*e}", DIGITS - 1).parse::<f64>().unwrap_or(value);
    if um < 1.0 { format!("{}nm", rounded(1e3 * um)) } else { format!("{}um", rounded(um)) }
}

/// Adds rows to the file at `path`, or begins it. Rows that name the same pictures alone give way; every other byte stays.
///
/// The file is written beside and renamed.
///
/// # Errors
/// [`Error::Sheet`] if the file there is none of scales, lacks a column that is needed, or cannot be added to without
/// touching other rows; [`Error::Read`] and [`Error::Write`] if the system refuses.
pub fn save(path: &Path, rows: &[NewRow]) -> Result<(), Error> {
    let path = &path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let before = match read_regular(path) {
        Ok(bytes) => bytes,
        Err(Error::Read { source, .. }) if source.kind() == std::io::ErrorKind::NotFound => {
            format!("{}\n", HEADS.join(",")).into_bytes()
        }
        Err(error) => return Err(error),
    };
    let after = with_rows(&before, rows).map_err(|why| Error::Sheet { path: path.clone(), why })?;
    write_whole(path, &after)
}

fn with_rows(before: &[u8], rows: &[NewRow]) -> Result<Vec<u8>, String> {
    let (earlier, table) = parsed(before)?;
    if table.decoded {
        return Err(
            "the text is not UTF-8, and rows are added in UTF-8; save it as CSV in UTF-8 first".into()
        );
    }
    let columns = columns(&table)?;
    let lacking = |head: &str| !columns.contains(&head) && rows.iter().any(|row| !row.cell(head).is_empty());
    if let Some(head) = ["pixel_size", "scale_bar"].into_iter().find(|head| lacking(head)) {
        return Err(format!("row {} has no head '{head}', which is needed now; add it", table.head_row));
    }
    let gives_way: Vec<u64> = earlier
        .iter()
        .filter(|row| rows.iter().any(|new| row.names_the_same_as(&new.file)))
        .map(|row| row.number)
        .collect();
    let text = std::str::from_utf8(before).map_err(|e| e.to_string())?;
    let line_end = if text.contains("\r\n") { "\r\n" } else { "\n" };
    let mut after = String::with_capacity(text.len() + 64 * rows.len());
    for (number, line) in (1..).zip(lines(text)) {
        if !gives_way.contains(&number) {
            after.push_str(&text[line]);
        }
    }
    if !after.ends_with(['\n', '\r']) {
        after.push_str(line_end);
    }
    let mut writer = csv::WriterBuilder::new()
        .delimiter(table.separator)
        .terminator(if line_end == "\r\n" { csv::Terminator::CRLF } else { csv::Terminator::Any(b'\n') })
        .from_writer(Vec::new());
    for row in rows {
        writer.write_record(columns.iter().map(|head| row.cell(head))).map_err(|e| e.to_string())?;
    }
    after.push_str(&String::from_utf8_lossy(&writer.into_inner().map_err(|e| e.to_string())?));
    is_as_meant(before, after.as_bytes(), &gives_way, rows)?;
    Ok(after.into_bytes())
}

/// Reads the new text again: it must hold the rows that stay, cell by cell, and then the new ones.
fn is_as_meant(before: &[u8], after: &[u8], gives_way: &[u64], rows: &[NewRow]) -> Result<(), String> {
    let cells = |bytes: &[u8]| table(bytes).map(|table| table.rows);
    let staying = cells(before)?.into_iter().filter(|(number, _)| !gives_way.contains(number));
    let staying: Vec<Vec<String>> = staying.map(|(_, cells)| cells).collect();
    let now: Vec<Vec<String>> = cells(after)?.into_iter().map(|(_, cells)| cells).collect();
    let added = parsed(after)?.0.split_off(staying.len().min(now.len()));
    let same = |(read, new): (&super::ScaleRow, &NewRow)| read.file == new.file;
    if now.starts_with(&staying) && added.len() == rows.len() && added.iter().zip(rows).all(same) {
        return Ok(());
    }
    Err("rows cannot be added here without changing others; write them into the file by hand".into())
}

/// The lines of a table, as a spreadsheet counts them: a line break within quotes does not end one. A comment has no quotes.
fn lines(text: &str) -> Vec<Range<usize>> {
    let bytes = text.as_bytes();
    let mut lines = Vec::new();
    let (mut start, mut quoted) = (0, false);
    for (at, byte) in text.bytes().enumerate() {
        let end = match byte {
            b'"' if !text[start..].trim_start_matches('\u{feff}').starts_with('#') => {
                quoted = !quoted;
                false
            }
            b'\n' => !quoted,
            b'\r' => !quoted && bytes.get(at + 1) != Some(&b'\n'),
            _ => false,
        };
        if end {
            lines.push(start..at + 1);
            start = at + 1;
        }
    }
    if start < text.len() {
        lines.push(start..text.len());
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(file: &str, um: f64) -> NewRow {
        NewRow { file: file.into(), scale: TypedScale::PixelSize(um, um), note: String::new() }
    }

    fn added(before: &str, rows: &[NewRow]) -> Result<String, String> {
        with_rows(before.as_bytes(), rows).map(|after| String::from_utf8(after).unwrap())
    }

    #[test]
    fn other_rows_keep_every_byte() {
        let before = "# a 5\" die\r\nnote;file;scale_bar;pixel_size\r\n\"two\nlines\" ; a.png;  10um;\r\n\r\nx;b.png;;25 nm";
        let after = added(before, &[row("c.png", 0.03)]).unwrap();
        assert_eq!(after, format!("{before}\r\n;c.png;;30nm\r\n"));
        let after = added(before, &[row("a.png", 0.03)]).unwrap();
        let kept = before.replace("\"two\nlines\" ; a.png;  10um;\r\n", "");
        assert_eq!(after, format!("{kept}\r\n;a.png;;30nm\r\n"));
    }

    #[test]
    fn names_that_look_like_patterns_formulas_or_comments_are_read_back_as_names() {
        let heads = "file,pixel_size,scale_bar,note\n";
        for name in ["ring[1].png", "#1.png", "=2+2.png", "a, \"b\".png", "{a,b}.png", "-1.png", "ä*.png"] {
            let pattern = pattern_of(name);
            let (rows, _) = parsed(added(heads, &[row(&pattern, 0.5)]).unwrap().as_bytes()).unwrap();
            assert!(rows[0].pattern.is_match(name) && rows[0].names(name), "{name}: {pattern}");
            assert!(!rows[0].pattern.is_match("ring1.png"), "{name}");
        }
    }

    #[test]
    fn lengths_are_written_as_they_are_typed() {
        let cell = |x, y| NewRow { scale: TypedScale::PixelSize(x, y), ..row("a", 1.0) }.cell("pixel_size");
        assert_eq!(cell(0.025, 0.025), "25nm");
        assert_eq!(cell(0.025, 0.024), "25nm x 24nm");
        assert_eq!(cell(5.0 / 204.0, 5.0 / 204.0), "24.5098nm");
        assert_eq!(cell(2.5, 2.5), "2.5um");
        let bar = NewRow { scale: TypedScale::BarLength(200.0), ..row("a", 1.0) };
        assert_eq!(bar.cell("scale_bar"), "200um");
    }

    #[test]
    fn what_cannot_be_added_to_is_refused() {
        let bar = NewRow { scale: TypedScale::BarLength(10.0), ..row("b.png", 1.0) };
        assert!(added("file,pixel_size\na.png,25nm\n", &[bar]).unwrap_err().contains("'scale_bar'"));
        assert!(with_rows(b"file,pixel_size,note\na.png,25nm,\xe4\n", &[row("b.png", 1.0)]).is_err());
    }
}
