//! The grammar of a length that is printed beside a bar: a number and a unit, nothing else.

use crate::units::parse_um;

/// A length as read.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct PrintedLength {
    /// The length in µm.
    pub um: f64,
    /// How likely such a number stands beside a bar: 1 for 1, 2 or 5 times a power of ten, less for others.
    pub usual: f64,
}

/// Units that are printed beside bars. A metre or a picometre beside the bar of a micrograph is a µm that was misread.
const UNITS: [&str; 6] = ["nm", "µm", "μm", "um", "mm", "Å"];
/// How usual an ångström is beside the bar of a micrograph: only single atoms are as small.
const RARE_UNIT: f64 = 0.6;
/// Lengths beyond these are printed beside no bar of a micrograph, in µm.
const LIMITS_UM: (f64, f64) = (1e-4, 1e5);

/// The length that `text` states; `None` if it is anything but one number and a unit of length.
///
/// Letters that look like digits count as those. Decimal point or comma; a space before the unit or none. Numbers with a leading zero that is no `0.`, with a sign, or
/// with more than four digits before the point are refused.
pub(crate) fn printed_length(text: &str) -> Option<PrintedLength> {
    let text: String = text.trim().chars().map(digit_like).collect();
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ','))?;
    let (number, unit) = (&text[..end], text[end..].trim_start());
    if !UNITS.contains(&unit) {
        return None;
    }
    let number = number.replace(',', ".");
    let (whole, part) = number.split_once('.').map_or((&*number, None), |(whole, part)| (whole, Some(part)));
    let sound = (1..=4).contains(&whole.len())
        && (whole == "0" || !whole.starts_with('0'))
        && part.is_none_or(|part| {
            !part.is_empty() && part.len() <= 3 && part.bytes().all(|b| b.is_ascii_digit())
        });
    if !sound {
        return None;
    }
    let um = parse_um(&format!("{number}{unit}")).ok()?;
    let rare = if unit == "Å" { RARE_UNIT } else { 1.0 };
    (LIMITS_UM.0..=LIMITS_UM.1).contains(&um).then(|| PrintedLength { um, usual: rare * usual(&number) })
}

/// Letters that look like a digit, as that digit; no unit has one of them.
fn digit_like(sign: char) -> char {
    match sign {
        'l' | 'I' => '1',
        'O' | 'o' => '0',
        'S' => '5',
        other => other,
    }
}

/// 1 for one leading digit 1, 2 or 5, less for other round numbers, least for any number.
fn usual(number: &str) -> f64 {
    let digits = number.replace('.', "");
    match digits.trim_start_matches('0').trim_end_matches('0') {
        "1" | "2" | "5" => 1.0,
        "3" | "4" | "15" | "25" => 0.9,
        digits if digits.len() <= 2 => 0.6,
        _ => 0.3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_and_a_unit_are_a_length() {
        for (text, um) in [
            ("200nm", 0.2),
            ("200 nm", 0.2),
            ("1µm", 1.0),
            ("1 µm", 1.0),
            ("1 \u{3bc}m", 1.0),
            ("10.0um", 10.0),
            ("0,5 mm", 500.0),
            ("500 Å", 0.05),
            ("1.00 µm", 1.0),
            ("1000 µm", 1000.0),
            ("lO µm", 10.0),
            ("S0 nm", 0.05),
        ] {
            let found = printed_length(text).unwrap_or_else(|| panic!("{text}"));
            assert!((found.um / um - 1.0).abs() < 1e-12, "{text}: {found:?}");
        }
    }

    #[test]
    fn whatever_is_not_exactly_that_is_no_length() {
        for text in [
            "",
            "nm",
            "200",
            "x200nm",
            "200 nm 5",
            "-5 µm",
            "05 µm",
            "00 nm",
            "0 nm",
            "0.0 µm",
            "5. µm",
            ".5 µm",
            "5 kV",
            "1 m",
            "10 pm",
            "1.2.3 µm",
            "1,000,0 nm",
            "20000 nm",
            "5000 mm",
            "5 µm/px",
            "15.0kV 8.5mm",
            "1 cm",
            "2 Nm",
        ] {
            assert_eq!(printed_length(text), None, "{text}");
        }
    }

    #[test]
    fn one_two_and_five_are_the_most_usual() {
        let usual = |text: &str| printed_length(text).unwrap().usual;
        assert_eq!(usual("0.2 µm"), 1.0);
        assert!(usual("2 Å") < usual("2 nm"));
        assert_eq!(usual("50.0um"), 1.0);
        assert!(usual("300 nm") < 1.0 && usual("25 µm") < 1.0);
        assert!(usual("18.3 µm") < usual("70 µm"));
    }
}
