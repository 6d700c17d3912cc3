//! From the bytes of a file to a table of text.

/// What bytes 0x80 to 0x9F are in Windows-1252; `\0` where they are nothing.
const WINDOWS_1252: [char; 32] = [
    '€', '\0', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\0', 'Ž', '\0', '\0', '‘', '’', '“',
    '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\0', 'ž', 'Ÿ',
];

/// A table of text.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Byte between cells.
    pub separator: u8,
    /// Row of the heads, as a spreadsheet counts it.
    pub head_row: u64,
    /// Heads, empty ones at the end left out.
    pub heads: Vec<String>,
    /// Number and cells of each row that is neither empty nor a comment.
    pub rows: Vec<(u64, Vec<String>)>,
    /// Whether the text was not UTF-8 and was read as Windows-1252.
    pub decoded: bool,
}

/// Reads a table that a spreadsheet saved as CSV.
///
/// Cells are parted by comma, semicolon or tab, whichever is most frequent in the head row; they may be quoted and may
/// then hold line breaks. Lines end with CR-LF, LF or CR. A byte order mark, a first line `sep=;`, empty rows and rows
/// that begin with `#` are passed over. Text that is not UTF-8 is read as Windows-1252 (which holds Latin-1): a spreadsheet
/// of that age writes it, the letters that differ stand in names and notes, and numbers are the same in both.
///
/// # Errors
/// Why this is no such table.
pub fn table(bytes: &[u8]) -> Result<Table, String> {
    let (text, decoded) = text(bytes)?;
    let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n").replace('\r', "\n") + "\n";
    let (named, skipped, body) = match text.split_once('\n') {
        Some((first, rest)) if first.len() < 8 && first.to_lowercase().starts_with("sep=") => {
            (first.as_bytes().get(4).copied(), 1, rest)
        }
        _ => (None, 0, text.as_str()),
    };
    let separator = named.filter(|s| matches!(s, b',' | b';' | b'\t')).unwrap_or_else(|| separator(body));
    let mut rows = rows(body, separator, skipped)?.into_iter();
    let (head_row, mut heads) = rows.next().ok_or("the sheet is empty; a row of heads is expected")?;
    while heads.last().is_some_and(String::is_empty) {
        heads.pop();
    }
    Ok(Table { separator, head_row, heads, rows: rows.collect(), decoded })
}

fn text(bytes: &[u8]) -> Result<(String, bool), String> {
    let workbook = bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"\xd0\xcf\x11\xe0");
    if workbook {
        return Err("this is a spreadsheet's own file, not a text; save the sheet as CSV".into());
    }
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") || bytes.contains(&0) {
        return Err("the text is UTF-16 or no text at all; save the sheet as CSV in UTF-8".into());
    }
    if let Ok(text) = std::str::from_utf8(bytes) {
        return Ok((text.to_owned(), false));
    }
    let letter = |&byte: &u8| match byte {
        0x80..=0x9f => Some(WINDOWS_1252[usize::from(byte - 0x80)]).filter(|&c| c != '\0'),
        _ => Some(char::from(byte)),
    };
    let text: Option<String> = bytes.iter().map(letter).collect();
    Ok((text.ok_or("the text is neither UTF-8 nor Windows-1252; save the sheet as CSV in UTF-8")?, true))
}

/// The separator that is most frequent in the head row, outside quotes.
fn separator(text: &str) -> u8 {
    let begin =
        text.lines().take_while(|line| is_passed_over(line)).map(|line| line.len() + 1).sum::<usize>();
    let mut quoted = false;
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    for byte in text.bytes().skip(begin) {
        match byte {
            b'"' => quoted = !quoted,
            b'\n' if !quoted => break,
            _ if !quoted => counts.iter_mut().filter(|(mark, _)| *mark == byte).for_each(|(_, n)| *n += 1),
            _ => (),
        }
    }
    // The last of equal ones would win, so that a comma does for a head row without any.
    counts.into_iter().rev().max_by_key(|&(_, count)| count).map_or(b',', |(mark, _)| mark)
}

/// Whether a line is a comment or holds no cell that is filled. A spreadsheet quotes a comment that has commas in it.
fn is_passed_over(line: &str) -> bool {
    line.trim_start_matches('"').starts_with('#') || line.trim_matches([',', ';', '\t', ' ', '"']).is_empty()
}

/// Rows that are neither empty nor comments. A spreadsheet counts every line, but a cell's own line breaks not.
fn rows(text: &str, separator: u8, skipped: u64) -> Result<Vec<(u64, Vec<String>)>, String> {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator)
        .has_headers(false)
        .flexible(true)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let mut rows = Vec::new();
    let mut breaks_in_cells = 0;
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).map_err(|e| e.to_string())? {
        breaks_in_cells += record.iter().map(|cell| cell.matches('\n').count() as u64).sum::<u64>();
        // The reader stands at the beginning of the next line. The record's own position would be that of the comments
        // before it.
        let number = (reader.position().line() + skipped).saturating_sub(1 + breaks_in_cells);
        let cells: Vec<String> = record.iter().map(|cell| cell.trim().to_owned()).collect();
        if cells.iter().all(|cell| is_passed_over(cell)) || cells[0].starts_with('#') {
            continue;
        }
        rows.push((number, cells));
    }
    Ok(rows)
}
