//! Which source of scale is trusted, and what is said about the others.

use super::{Bar, BarStyle, Scale, ScaleClaim, ScaleOptions, ScaleSource, bar};
use crate::micrograph::{InfoStrip, Micrograph};
use crate::warning::Warning;

/// Two sources disagree where their difference exceeds this many combined standard uncertainties (95 %).
const COVERAGE: f64 = 2.0;

/// Relative standard uncertainty of a source of pixel size.
///
/// Typed sizes and bars: 1 %, the calibration of a microscope that is checked against a graticule; tags written by an
/// instrument: 1.5 %, for a magnification that is usually stated to ±3 %; EXIF: 3 %, because cameras round. The
/// uncertainty of the bar's ends is added by [`bar_scale`]. (Common practice; no standard fixes them.)
fn relative_uncertainty(source: ScaleSource) -> f64 {
    match source {
        ScaleSource::PixelSize | ScaleSource::ScaleBar => 0.01,
        ScaleSource::OmeXml
        | ScaleSource::InstrumentTag
        | ScaleSource::TiffResolution
        | ScaleSource::PngPhys => 0.015,
        ScaleSource::ExifResolution => 0.03,
    }
}

/// The scale of a picture from the most trusted source that speaks, with a warning for every doubt.
///
/// Order of trust: [`ScaleSource`]. Every source is held against the chosen one: a difference of more than two
/// combined standard uncertainties gives the warning `scale-sources-disagree`. `None` without any source; then the
/// warning `no-scale` is given.
pub fn determine(
    micrograph: &Micrograph,
    strip: Option<InfoStrip>,
    options: &ScaleOptions,
) -> (Option<Scale>, Vec<Warning>) {
    let mut warnings = Vec::new();
    let mut scales = Vec::new();
    if let Some((x, y)) = options.pixel_size_um {
        scales.push(plain(ScaleSource::PixelSize, format!("typed: {x} x {y} µm"), x, y));
    }
    if let Some(length_um) = options.scale_bar_um {
        let candidates = bar::find(&micrograph.grey, strip);
        scales.extend(bar_scale(length_um, &candidates, &mut warnings));
    }
    let mut claims: Vec<&ScaleClaim> = micrograph.claims.iter().collect();
    claims.sort_by_key(|claim| claim.source);
    scales.extend(claims.iter().map(|c| plain(c.source, c.detail.clone(), c.um_per_px_x, c.um_per_px_y)));
    let mut scales = scales.into_iter();
    let Some(mut chosen) = scales.next() else {
        warnings.push(no_scale());
        return (None, warnings);
    };
    for other in scales {
        warnings.extend(disagreement(&chosen, &other));
        chosen.bar = chosen.bar.or(other.bar);
    }
    (Some(chosen), warnings)
}

fn no_scale() -> Warning {
    Warning::new(
        "no-scale",
        "no source of scale was found, so lengths are in px; type --pixel-size, or --scale-bar with the printed length of the bar",
    )
}

fn plain(source: ScaleSource, detail: String, x: f64, y: f64) -> Scale {
    Scale {
        um_per_px: (x * y).sqrt(),
        um_per_px_x: x,
        um_per_px_y: y,
        source,
        detail,
        relative_uncertainty: relative_uncertainty(source),
        bar: None,
    }
}

fn bar_scale(length_um: f64, candidates: &[bar::BarCandidate], warnings: &mut Vec<Warning>) -> Option<Scale> {
    let Some(best) = candidates.first() else {
        warnings.push(Warning::new(
            "bar-not-found",
            "no scale bar was found in the strip or the picture; type --pixel-size instead, or measure the bar and divide",
        ));
        return None;
    };
    if !best.is_certain() {
        warnings.push(uncertain(best, candidates.get(1)));
    }
    let Bar { left_px, right_px, row_px, style, uncertainty_px } = best.bar;
    let length_px = best.bar.length_px();
    let um = length_um / length_px;
    let drawn = match style {
        BarStyle::Solid => "solid bar, outer ends",
        BarStyle::Bracket => "line with end caps, cap centres",
        BarStyle::Ticks => "row of ticks, first to last centre",
    };
    let detail = format!(
        "bar of {length_um} µm is {length_px:.2} px ({drawn}; x {left_px:.1} to {right_px:.1}, row {row_px:.0})"
    );
    let mut scale = plain(ScaleSource::ScaleBar, detail, um, um);
    scale.relative_uncertainty = scale.relative_uncertainty.hypot(uncertainty_px / length_px);
    scale.bar = Some(best.bar);
    Some(scale)
}

fn uncertain(best: &bar::BarCandidate, next: Option<&bar::BarCandidate>) -> Warning {
    let other = next.map_or(String::new(), |n| {
        format!("; the next likely one is {:.1} px at row {:.0}", n.bar.length_px(), n.bar.row_px)
    });
    Warning::new(
        "bar-uncertain",
        format!(
            "the scale bar of {:.1} px at row {:.0} is uncertain ({}){other}; look at the overlay, or type --pixel-size",
            best.bar.length_px(),
            best.bar.row_px,
            best.doubt()
        ),
    )
}

fn disagreement(chosen: &Scale, other: &Scale) -> Option<Warning> {
    let limit = COVERAGE * chosen.relative_uncertainty.hypot(other.relative_uncertainty);
    let apart = |a: f64, b: f64| (a / b).ln().abs() > limit;
    let differ = apart(chosen.um_per_px_x, other.um_per_px_x) || apart(chosen.um_per_px_y, other.um_per_px_y);
    differ.then(|| {
        Warning::new(
            "scale-sources-disagree",
            format!(
                "two sources of scale disagree: {:.6} µm per px ({}) was used, {:.6} µm per px ({}) was not; find out which one is right",
                chosen.um_per_px, chosen.detail, other.um_per_px, other.detail
            ),
        )
    })
}
