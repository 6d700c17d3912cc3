//! The scale as typed by the user.

use serde::Serialize;

use crate::error::Error;
use crate::units::parse_um;

/// A scale as a person gives it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub enum TypedScale {
    /// µm between columns and between rows.
    PixelSize(f64, f64),
    /// Printed length of the bar in µm; the bar itself is found and measured.
    BarLength(f64),
}

/// Reads a pixel size such as `25nm`, or `25nm x 24nm` for columns by rows, and returns µm between columns and rows.
///
/// The second length may carry the only unit: `25 x 24 nm`. The sign between may be `x`, `X` or `×`.
///
/// # Errors
/// [`Error::LengthText`] if a part is not a length above zero with a known unit.
///
/// ```
/// assert_eq!(ceramograph::scale::parse_pixel_size("25nm").unwrap(), (0.025, 0.025));
/// assert_eq!(ceramograph::scale::parse_pixel_size("25 x 24 nm").unwrap(), (0.025, 0.024));
/// ```
pub fn parse_pixel_size(text: &str) -> Result<(f64, f64), Error> {
    let Some((x, y)) = text.split_once(['x', 'X', '×']) else {
        return parse_um(text).map(|size| (size, size));
    };
    let rows = parse_um(y)?;
    let unit: String = y.chars().skip_while(|c| !c.is_alphabetic()).collect();
    let columns =
        if x.chars().any(char::is_alphabetic) { parse_um(x)? } else { parse_um(&format!("{x}{unit}"))? };
    Ok((columns, rows))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_length_serves_both_directions_and_two_serve_one_each() {
        assert_eq!(parse_pixel_size("0,5 µm").unwrap(), (0.5, 0.5));
        assert_eq!(parse_pixel_size("25nm x 24nm").unwrap(), (0.025, 0.024));
        assert_eq!(parse_pixel_size("25×24nm").unwrap(), (0.025, 0.024));
    }

    #[test]
    fn what_is_no_size_is_refused() {
        for text in ["", "25", "0nm", "-1nm", "25nm x", "25nm x 0nm", "x 24nm", "25nm x 24nm x 3nm"] {
            assert!(parse_pixel_size(text).is_err(), "{text}");
        }
    }
}
