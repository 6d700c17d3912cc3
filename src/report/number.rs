//! Rounding for print: as many digits as a number can carry.

/// What stands where a value is not known.
pub const UNKNOWN: &str = "–";

/// A number to `digits` significant digits, without an exponent between 10⁻⁴ and 10⁷.
///
/// ```
/// assert_eq!(ceramograph::report::number::significant(5.9299, 3), "5.93");
/// assert_eq!(ceramograph::report::number::significant(12345.6, 3), "12346");
/// ```
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let exponent = decimal_exponent(value, digits);
    if !(-4..7).contains(&exponent) {
        return format!("{value:.*e}", digits.saturating_sub(1));
    }
    decimals(value, (digits as i32 - 1 - exponent).max(0) as usize)
}

/// The same for a value that may be unknown.
pub fn significant_or_unknown(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| UNKNOWN.to_owned(), |v| significant(v, digits))
}

/// A number with a fixed count of decimals, without a negative zero.
pub fn decimals(value: f64, places: usize) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    let text = format!("{value:.places$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        _ => text,
    }
}

/// Decimals that show `uncertainty` to two significant digits; 6 at most.
pub fn places_for(uncertainty: f64) -> usize {
    if !(uncertainty.is_finite() && uncertainty > 0.0) {
        return 3;
    }
    (1 - decimal_exponent(uncertainty, 2)).clamp(0, 6) as usize
}

/// A value with its interval, to two significant digits of half the interval: `5.93 ± 0.48`, or `0.31 (0 to 0.75)` where
/// the interval does not lie evenly about the value. Without an interval, the value to three digits.
pub fn with_interval(value: f64, low: Option<f64>, high: Option<f64>) -> String {
    let (Some(low), Some(high)) = (low, high) else {
        return significant(value, 3);
    };
    let half = (high - low) / 2.0;
    if !(half.is_finite() && half > 0.0) {
        return significant(value, 3);
    }
    let places = places_for(half);
    if ((low + high) / 2.0 - value).abs() < 0.02 * half {
        format!("{} ± {}", decimals(value, places), decimals(half, places))
    } else {
        format!("{} ({} to {})", decimals(value, places), decimals(low, places), decimals(high, places))
    }
}

/// A count with a narrow space between thousands from 10 000 on.
///
/// ```
/// assert_eq!(ceramograph::report::number::count(1204), "1204");
/// assert_eq!(ceramograph::report::number::count(1234567), "1\u{202f}234\u{202f}567");
/// ```
pub fn count(value: u64) -> String {
    let digits = value.to_string();
    if digits.len() < 5 {
        return digits;
    }
    let mut grouped = String::with_capacity(digits.len() + digits.len() / 3 * 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            grouped.push('\u{202f}');
        }
        grouped.push(digit);
    }
    grouped
}

/// The power of ten of the first digit, after rounding to `digits` significant digits.
fn decimal_exponent(value: f64, digits: usize) -> i32 {
    let text = format!("{:.*e}", digits.saturating_sub(1), value.abs());
    text.rsplit('e').next().and_then(|exponent| exponent.parse().ok()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_uncertainty() {
        // check-values worked example: 5.9299 µm with a half interval of 0.4805 µm.
        assert_eq!(with_interval(5.9299, Some(5.4494), Some(6.4104)), "5.93 ± 0.48");
        assert_eq!(with_interval(4.52, Some(3.8665), Some(5.1735)), "4.52 ± 0.65");
        assert_eq!(with_interval(1234.0, Some(1114.0), Some(1354.0)), "1234 ± 120");
        assert_eq!(with_interval(5.0, Some(4.0043), Some(5.9957)), "5.0 ± 1.0");
        assert_eq!(with_interval(0.31, Some(0.0), Some(0.75)), "0.31 (0.00 to 0.75)");
        assert_eq!(with_interval(0.31234, None, None), "0.312");
        assert_eq!(with_interval(2.0, Some(2.0), Some(2.0)), "2.00");
    }

    #[test]
    fn numbers_keep_their_size() {
        for (value, text) in [
            (0.0, "0"),
            (9.996, "10.0"),
            (99.96, "100"),
            (0.00098765, "0.000988"),
            (0.0000123, "1.23e-5"),
            (-12.345, "-12.3"),
            (123456.0, "123456"),
            (1.0e9, "1.00e9"),
            (f64::NAN, UNKNOWN),
        ] {
            assert_eq!(significant(value, 3), text);
        }
        assert_eq!(decimals(-0.0004, 2), "0.00");
    }
}
