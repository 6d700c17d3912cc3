//! Pixels per inch, centimetre or metre: a scale only where the writer meant the specimen, not paper or screen.

use super::{ScaleClaim, ScaleSource};
use crate::warning::Warning;

const INCH_UM: f64 = 25_400.0;

/// Usual resolutions of screens, printers and desktop scanners in px per inch.
const USUAL_PRINT_DPI: [f64; 9] = [300.0, 350.0, 360.0, 400.0, 500.0, 600.0, 720.0, 1200.0, 2400.0];

/// Pixels coarser than this (254 px per inch) belong to paper or screen; no micrograph has them.
const COARSEST_UM_PER_PX: f64 = 100.0;

/// A stated resolution.
pub(crate) struct Resolution {
    /// Which kind of field states it.
    pub source: ScaleSource,
    /// Name of the field in print.
    pub name: &'static str,
    /// Pixels per unit along a row and along a column.
    pub per_unit: (f64, f64),
    /// Name of the unit.
    pub unit: &'static str,
    /// µm in one unit.
    pub unit_um: f64,
}

/// Name and µm of a TIFF or EXIF ResolutionUnit; `None` for 1, no unit.
pub(crate) fn tiff_unit(code: u32) -> Option<(&'static str, f64)> {
    match code {
        2 => Some(("inch", INCH_UM)),
        3 => Some(("cm", 1e4)),
        _ => None,
    }
}

/// The pixel size that a resolution states, a warning if it is one of print or screen, `None` if it is no number.
pub(crate) fn judge(resolution: Resolution) -> Option<Result<ScaleClaim, Warning>> {
    let Resolution { source, name, per_unit: (x, y), unit, unit_um } = resolution;
    if !(x > 0.0 && y > 0.0 && x.is_finite() && y.is_finite()) {
        return None;
    }
    let detail = if x == y {
        format!("{name}: {x} px per {unit}")
    } else {
        format!("{name}: {x} x {y} px per {unit}")
    };
    let (um_per_px_x, um_per_px_y) = (unit_um / x, unit_um / y);
    if is_print(INCH_UM / um_per_px_x) {
        return Some(Err(Warning::new(
            "print-resolution-ignored",
            format!(
                "{detail} is a resolution for screen or print, not the scale of a micrograph, and was ignored"
            ),
        )));
    }
    Some(Ok(ScaleClaim { source, detail, um_per_px_x, um_per_px_y }))
}

/// Usual values are recognised within 0.1 %, because PNG and centimetre units round them.
fn is_print(dpi: f64) -> bool {
    dpi <= INCH_UM / COARSEST_UM_PER_PX
        || USUAL_PRINT_DPI.iter().any(|usual| (dpi / usual - 1.0).abs() < 1e-3)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged(per_unit: f64, unit_um: f64) -> Option<Result<ScaleClaim, Warning>> {
        judge(Resolution {
            source: ScaleSource::TiffResolution,
            name: "TIFF resolution",
            per_unit: (per_unit, per_unit),
            unit: "unit",
            unit_um,
        })
    }

    #[test]
    fn print_and_screen_resolutions_are_no_scale() {
        for dpi in [1.0, 64.0, 72.0, 96.0, 150.0, 200.0, 300.0, 600.0, 1200.0] {
            assert_eq!(judged(dpi, INCH_UM).unwrap().unwrap_err().code, "print-resolution-ignored", "{dpi}");
        }
        // 72 and 300 per inch as PNG writes them, per metre.
        for per_metre in [2835.0, 11_811.0] {
            assert!(judged(per_metre, 1e6).unwrap().is_err());
        }
        // 300 per inch as centimetre units write it.
        assert!(judged(118.11, 1e4).unwrap().is_err());
    }

    #[test]
    fn a_fine_resolution_is_a_scale() {
        let claim = judged(400_000.0, 1e4).unwrap().unwrap();
        assert!((claim.um_per_px_x - 0.025).abs() < 1e-12);
    }

    #[test]
    fn no_number_is_no_statement() {
        assert!(judged(0.0, 1e4).is_none());
        assert!(judged(f64::NAN, 1e4).is_none());
        assert!(tiff_unit(1).is_none());
    }
}
