//! Which source of scale is trusted, and what is said about the others.

use super::labelled_bar::{self, LabelledBar};
use super::{
    Bar, BarReading, BarStyle, LabelReading, Scale, ScaleClaim, ScaleOptions, ScaleReading, ScaleSource,
    TypedScale, bar,
};
use crate::error::Error;
use crate::micrograph::{InfoStrip, Micrograph};
use crate::warning::Warning;

/// Relative standard uncertainty of a source of pixel size.
///
/// Typed sizes and bars: 1 %, the calibration of a microscope that is checked against a graticule; tags and texts written by an
/// instrument, and the bar that it drew: 1.5 %, for a magnification that is usually stated to ±3 %; EXIF: 3 %, because cameras round. The
/// uncertainty of the bar's ends is added by [`bar_scale`]. (Common practice; no standard fixes them.)
fn relative_uncertainty(source: ScaleSource) -> f64 {
    match source {
        ScaleSource::PixelSize | ScaleSource::ScaleBar => 0.01,
        ScaleSource::ReadBar
        | ScaleSource::OmeXml
        | ScaleSource::InstrumentTag
        | ScaleSource::TextBeside
        | ScaleSource::TiffResolution
        | ScaleSource::PngPhys => 0.015,
        ScaleSource::ExifResolution => 0.03,
    }
}

/// The scale of a picture, the bar that was seen, and a warning for every doubt.
///
/// What the user typed is taken, for this picture before for all. Otherwise the picture's own sources are held against each
/// other: the value that most of them confirm counts, with equal numbers that of the more trusted one ([`ScaleSource`]), and
/// of the sources that agree on it the most precise one is used; `confirmed_by` names the others. A difference of more than
/// two combined standard uncertainties gives the warning `scale-sources-disagree`. Without any source there is no scale, and
/// the warning `no-scale` is given.
///
/// # Errors
/// [`Error::Network`] if the network that reads labels is damaged.
pub fn determine(
    micrograph: &Micrograph,
    strip: Option<InfoStrip>,
    options: &ScaleOptions,
) -> Result<ScaleReading, Error> {
    let candidates = bar::find(&micrograph.grey, strip);
    let read = labelled_bar::find(&micrograph.grey, strip, &candidates)?;
    Ok(chosen(&micrograph.claims, (candidates, read), options))
}

/// The scale of a picture in which no bar is looked for: as [`determine`], from what was typed and what the file claims.
pub(crate) fn without_bar(claims: &[ScaleClaim], options: &ScaleOptions) -> ScaleReading {
    chosen(claims, (Vec::new(), None), options)
}

fn chosen(
    claims: &[ScaleClaim],
    (candidates, read): (Vec<bar::BarCandidate>, Option<LabelledBar>),
    options: &ScaleOptions,
) -> ScaleReading {
    let (mut scales, mut warnings) = typed_scales(options, &candidates);
    let is_typed = !scales.is_empty();
    scales.extend(read.as_ref().filter(|read| read.doubt.is_none()).map(read_scale));
    let mut claims: Vec<&ScaleClaim> = claims.iter().collect();
    claims.sort_by_key(|claim| claim.source);
    scales.extend(claims.iter().map(|c| plain(c.source, c.detail.clone(), c.um_per_px_x, c.um_per_px_y)));
    if scales.is_empty() {
        warnings.extend(read.as_ref().map(doubtful_label));
        // A bar with a doubtful label has been named already.
        warnings.push(no_scale(if read.is_none() { &candidates } else { &[] }));
        return ScaleReading { scale: None, bar: seen(None, read.as_ref(), &candidates), warnings };
    }
    let mut chosen = scales.remove(if is_typed { 0 } else { most_confirmed(&scales) });
    for other in &scales {
        if chosen.agrees_with(other) {
            chosen.confirmed_by.push(other.source);
        } else {
            warnings.push(disagreement(&chosen, other));
        }
        chosen.bar = chosen.bar.or(other.bar);
    }
    let bar = seen(Some(&chosen), read.as_ref(), &candidates);
    ScaleReading { scale: Some(chosen), bar, warnings }
}

/// What a person gave, in the order in which it counts. The bar is named in a warning once, however often it was given.
fn typed_scales(options: &ScaleOptions, candidates: &[bar::BarCandidate]) -> (Vec<Scale>, Vec<Warning>) {
    let listed = options.listed.as_ref().map(|listed| (listed.scale, listed.place.as_str()));
    let pixel_size = options.pixel_size_um.map(|(x, y)| (TypedScale::PixelSize(x, y), "typed"));
    let bar_length = options.scale_bar_um.map(|um| (TypedScale::BarLength(um), "typed"));
    let mut warnings = Vec::new();
    let mut scales = Vec::new();
    for (given, place) in [listed, pixel_size, bar_length].into_iter().flatten() {
        match given {
            TypedScale::PixelSize(x, y) => {
                scales.push(plain(ScaleSource::PixelSize, format!("{place}: {x} x {y} µm"), x, y));
            }
            TypedScale::BarLength(um) => {
                warnings.clear();
                scales.extend(bar_scale(um, place, candidates, &mut warnings));
            }
        }
    }
    (scales, warnings)
}

/// The bar that was used, or the likeliest one with the reason why it was not.
fn seen(
    scale: Option<&Scale>,
    read: Option<&LabelledBar>,
    candidates: &[bar::BarCandidate],
) -> Option<BarReading> {
    let (is_known, used) = (scale.is_some(), scale.and_then(|scale| scale.bar));
    if let Some(read) = read.filter(|read| used.is_none_or(|bar| bar == read.bar.bar)) {
        let label = LabelReading {
            text: read.label.text.clone(),
            length_um: read.label.length_um,
            probability: read.label.probability,
            frame: read.label.frame,
        };
        return Some(BarReading {
            bar: read.bar.bar,
            confidence: read.bar.confidence,
            label: Some(label),
            doubt: read.doubt.clone(),
        });
    }
    let candidate = match used {
        Some(bar) => candidates.iter().find(|candidate| candidate.bar == bar),
        // Where the scale is known without it, only what surely is a bar is worth a look.
        None => candidates.first().filter(|best| !is_known || best.is_likely()),
    }?;
    let doubt = if used.is_some() {
        (!candidate.is_certain()).then(|| candidate.doubt())
    } else if candidate.is_certain() {
        Some("no length can be read beside it".to_owned())
    } else {
        Some(format!("no length can be read beside it, and the bar is uncertain ({})", candidate.doubt()))
    };
    Some(BarReading { bar: candidate.bar, confidence: candidate.confidence, label: None, doubt })
}

/// Which of the scales, in falling order of trust, is used.
fn most_confirmed(scales: &[Scale]) -> usize {
    let confirmations = |k: usize| scales.iter().filter(|other| scales[k].agrees_with(other)).count();
    let most = (0..scales.len()).map(confirmations).max().unwrap_or(0);
    let first = (0..scales.len()).find(|&k| confirmations(k) == most).unwrap_or(0);
    let agreeing =
        (first..scales.len()).filter(|&k| confirmations(k) == most && scales[first].agrees_with(&scales[k]));
    let precision = |k: usize| scales[k].relative_uncertainty;
    agreeing.fold(first, |best, k| if precision(k) < precision(best) { k } else { best })
}

/// The scale that bar and label of a picture give.
fn read_scale(read: &LabelledBar) -> Scale {
    let Bar { left_px, right_px, row_px, uncertainty_px, .. } = read.bar.bar;
    let length_px = read.bar.bar.length_px();
    let um = read.label.length_um / length_px;
    let detail = format!(
        "bar labelled “{}” (read with {:.0} %) is {length_px:.2} px ({}; x {left_px:.1} to {right_px:.1}, row {row_px:.0})",
        read.label.text,
        100.0 * read.label.probability,
        drawn(&read.bar.bar)
    );
    let mut scale = plain(ScaleSource::ReadBar, detail, um, um);
    // Of a scale drawn twice with two lengths either may be meant.
    scale.relative_uncertainty =
        scale.relative_uncertainty.hypot(uncertainty_px / length_px).hypot(read.spread / 2.0);
    scale.bar = Some(read.bar.bar);
    scale
}

fn doubtful_label(read: &LabelledBar) -> Warning {
    Warning::new(
        "bar-label-doubtful",
        format!(
            "a scale bar of {:.1} px with the label “{}” may stand at row {:.0}, but it was not relied on: {}; if it is right, type --scale-bar with the printed length",
            read.bar.bar.length_px(),
            read.label.text,
            read.bar.bar.row_px,
            read.doubt.as_deref().unwrap_or_default()
        ),
    )
}

fn no_scale(candidates: &[bar::BarCandidate]) -> Warning {
    let found = candidates.first().filter(|best| best.is_certain()).map_or(String::new(), |best| {
        format!(
            " (a bar of {:.1} px stands at row {:.0}, but no length can be read beside it)",
            best.bar.length_px(),
            best.bar.row_px
        )
    });
    Warning::new(
        "no-scale",
        format!(
            "no source of scale was found{found}, so lengths are in px; type --pixel-size, or --scale-bar with the printed length of the bar; a magnification is no scale, for it holds only at the size at which its maker showed the picture"
        ),
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
        confirmed_by: Vec::new(),
    }
}

fn bar_scale(
    length_um: f64,
    place: &str,
    candidates: &[bar::BarCandidate],
    warnings: &mut Vec<Warning>,
) -> Option<Scale> {
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
    let Bar { left_px, right_px, row_px, uncertainty_px, .. } = best.bar;
    let length_px = best.bar.length_px();
    let um = length_um / length_px;
    let drawn = drawn(&best.bar);
    let detail = format!(
        "{place}: bar of {length_um} µm is {length_px:.2} px ({drawn}; x {left_px:.1} to {right_px:.1}, row {row_px:.0})"
    );
    let mut scale = plain(ScaleSource::ScaleBar, detail, um, um);
    scale.relative_uncertainty = scale.relative_uncertainty.hypot(uncertainty_px / length_px);
    scale.bar = Some(best.bar);
    Some(scale)
}

/// How the length of a bar is taken, in words.
fn drawn(bar: &Bar) -> &'static str {
    match bar.style {
        BarStyle::Solid => "solid bar, outer ends",
        BarStyle::Bracket => "line with end caps, cap centres",
        BarStyle::Ticks => "row of ticks, first to last centre",
    }
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

fn disagreement(chosen: &Scale, other: &Scale) -> Warning {
    Warning::new(
        "scale-sources-disagree",
        format!(
            "two sources of scale disagree: {:.6} µm per px ({}) was used, {:.6} µm per px ({}) was not; find out which one is right",
            chosen.um_per_px, chosen.detail, other.um_per_px, other.detail
        ),
    )
}
