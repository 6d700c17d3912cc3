//! What a cell says: a number, nothing, or something that is neither.

use super::columns::{NumberColumn, Range};
use super::unit::{Unit, key};
use crate::units::ZERO_CELSIUS_K;

/// No solid is denser: osmium has 22.6 g/cm³.
const DENSEST_G_CM3: f64 = 23.0;

/// Words for a value that is not known.
const UNKNOWN_WORDS: [&str; 12] =
    ["-", "--", "–", "—", "?", "n/a", "na", "n.a.", "n.d.", "unknown", "none", "not measured"];

/// Beginnings of the names of months in English, German, French and Spanish, as spreadsheets write them into cells that
/// they take for dates.
const MONTHS: [&str; 23] = [
    "jan", "feb", "mar", "mär", "mrz", "apr", "may", "mai", "jun", "jul", "aug", "sep", "oct", "okt", "nov",
    "dec", "dez", "fév", "avr", "aoû", "déc", "ene", "dic",
];

/// The mark between whole number and decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decimal {
    /// A point.
    Point,
    /// A comma.
    Comma,
}

/// The decimal mark of a sheet: always a point where commas part the cells, else the mark that more of its numbers have,
/// and a point where that is undecided.
///
/// A cell with the other mark is then wrong, not guessed at: 1.450 is 1450 in a sheet with decimal commas.
pub fn decimal_mark<'a>(separator: u8, cells: impl Iterator<Item = &'a str>) -> Decimal {
    if separator == b',' {
        return Decimal::Point;
    }
    let (mut commas, mut points) = (0, 0);
    for cell in cells {
        let number = numeric_part(cell.trim()).0;
        match (number.matches(',').count(), number.matches('.').count()) {
            (1, 0) => commas += 1,
            (0, 1) => points += 1,
            _ => (),
        }
    }
    if commas > points { Decimal::Comma } else { Decimal::Point }
}

/// Whether the cell is empty or says that the value is not known.
pub fn is_unknown(cell: &str) -> bool {
    let cell = cell.trim();
    cell.is_empty() || UNKNOWN_WORDS.contains(&cell.to_lowercase().as_str())
}

/// The number in a cell, in the unit of its head; `None` for a value that is not known.
///
/// # Errors
/// What was expected instead.
pub fn number(cell: &str, decimal: Decimal, unit: Option<&Unit>) -> Result<Option<f64>, String> {
    if is_unknown(cell) {
        return Ok(None);
    }
    let cell = cell.trim().replace('\u{2212}', "-");
    let wanted = unit.map_or_else(|| "a number".to_owned(), |unit| format!("a number in {}", unit.symbol));
    if looks_like_date(&cell) {
        return Err(format!(
            "{wanted}; this is a date or a time, which a spreadsheet may have made of a number: give the column the \
             format 'number' or 'text' and type it again"
        ));
    }
    let (digits, rest) = numeric_part(&cell);
    let rest = rest.trim();
    if digits.is_empty() || rest.starts_with(|c: char| c.is_ascii_digit() || c == '\'' || c == '’') {
        let advice = if digits.is_empty() { "leave the cell empty if it is not known" } else { THOUSANDS };
        return Err(format!("{wanted}; {advice}"));
    }
    if !rest.is_empty() && unit.is_none_or(|unit| key(rest) != unit.key || rest.contains(['<', '>', '±'])) {
        return Err(format!("{wanted} and nothing after it, as the head says"));
    }
    let plain = plain_number(digits, decimal).map_err(|advice| format!("{wanted}; {advice}"))?;
    let value = plain.parse::<f64>().map_err(|_| wanted.clone())?;
    if value.is_finite() { Ok(Some(value)) } else { Err(format!("{wanted} that is finite")) }
}

const THOUSANDS: &str = "write it without thousands separators";

/// The digits with a decimal point.
fn plain_number(digits: &str, decimal: Decimal) -> Result<String, &'static str> {
    match (digits.matches(',').count(), digits.matches('.').count(), decimal) {
        (0, 0, _) | (0, 1, Decimal::Point) => Ok(digits.to_owned()),
        (1, 0, Decimal::Comma) => Ok(digits.replace(',', ".")),
        (1, 0, Decimal::Point) => Err(
            "the comma may stand before decimals or thousands: write decimals with a point, as the rest of the sheet",
        ),
        (0, 1, Decimal::Comma) => Err(
            "the point may stand before decimals or thousands: write decimals with a comma, as the rest of the sheet",
        ),
        _ => Err(THOUSANDS),
    }
}

/// Splits a cell after its leading number, decimal marks and exponent included.
fn numeric_part(cell: &str) -> (&str, &str) {
    let bytes = cell.as_bytes();
    let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let sign = |at: usize| matches!(bytes.get(at), Some(b'+' | b'-'));
    let mut end = 0;
    while end < bytes.len() {
        let exponent = end > 0 && digit(end - 1) && (digit(end + 1) || sign(end + 1) && digit(end + 2));
        let part = match bytes[end] {
            b'0'..=b'9' => true,
            // A mark counts only beside a digit: "1450, later" ends before its comma.
            b'.' | b',' => digit(end + 1) || end > 0 && digit(end - 1),
            b'+' | b'-' => end == 0 || matches!(bytes[end - 1], b'e' | b'E'),
            b'e' | b'E' => exponent,
            _ => false,
        };
        if !part {
            break;
        }
        end += 1;
    }
    let (number, rest) = cell.split_at(end);
    if number.contains(|c: char| c.is_ascii_digit()) { (number, rest) } else { ("", cell) }
}

/// Whether the cell holds a month's name, or whole numbers parted as in a date or a time.
fn looks_like_date(cell: &str) -> bool {
    let has_digit = cell.contains(|c: char| c.is_ascii_digit());
    let month = cell.split(|c: char| !c.is_alphabetic()).any(|word| {
        let begin: String = word.chars().flat_map(char::to_lowercase).take(3).collect();
        MONTHS.contains(&begin.as_str())
    });
    let parts = |mark: char| {
        let parts: Vec<&str> = cell.split(mark).collect();
        let whole = |part: &&str| (1..=4).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
        if parts.iter().all(whole) { parts.len() } else { 0 }
    };
    let dotted = cell.trim_end_matches('.');
    has_digit && (month || ['-', '/', ':'].into_iter().any(|mark| parts(mark) > 1))
        || dotted.split('.').count() == 3
            && dotted.split('.').all(|part| (1..=2).contains(&part.len()) || part.len() == 4)
            && dotted.bytes().all(|b| b.is_ascii_digit() || b == b'.')
}

/// Why a value in the unit of its head cannot be, if so: what was expected.
pub fn impossible(value: f64, column: &NumberColumn) -> Option<String> {
    let kept = column.unit.kept(value);
    let symbol = column.unit.symbol;
    match column.range {
        Range::AboveZero if kept <= 0.0 => Some(format!("more than 0 {symbol}")),
        Range::FromZero if kept < 0.0 => Some(format!("0 {symbol} or more")),
        // The conversion from kelvin rounds.
        Range::Temperature if kept < -ZERO_CELSIUS_K - 1e-9 => {
            Some(format!("a temperature in {symbol} that is not below absolute zero"))
        }
        Range::Density if kept <= 0.0 || kept > DENSEST_G_CM3 => Some(format!(
            "a density in {symbol}, above 0 and below that of the densest solid ({DENSEST_G_CM3} g/cm³)"
        )),
        _ => None,
    }
}
