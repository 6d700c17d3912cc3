//! Which pixels of a picture count as pore, by the rule that was chosen, and what is doubtful about it.

use rayon::prelude::*;

use crate::error::Error;
use crate::grid::{Grid, Mask};
use crate::micrograph::Grey;
use crate::options::{PoreMethod, PoreOptions};
use crate::segment::grey_levels::GreyLevels;
use crate::segment::threshold::modes::{SMALLEST_SHARE, dark_tail, modes};
use crate::segment::threshold::{GLOBAL_RULES, half_contrast, sauvola, steepest_edge};
use crate::warning::Warning;

/// A picture with fewer grey levels than this between its darkest and its brightest pixel has no contrast.
pub(super) const FEWEST_LEVELS: usize = 4;
/// Pixels that one task works on.
const CHUNK_PX: usize = 1 << 18;

/// What decides, for each pixel, whether it belongs to a pore.
pub(super) enum Cut<'a> {
    /// One level of the working picture for all: at or below it.
    At(f64),
    /// A level for each pixel: below it; pores without a pixel at or below the second grey are none.
    Below(Grid<u8>, u8),
    /// A typed level on the file's own greys.
    Typed(&'a Grey, u16),
}

impl Cut<'_> {
    /// The pores with the level moved by `shift` working levels towards the solid.
    pub fn mask(&self, picture: &Grid<u8>, levels: &GreyLevels, shift: f64) -> Mask {
        let data = match self {
            Self::At(level) => mask_at(picture, level + shift),
            Self::Below(cuts, _) => mask_below(picture, cuts, shift.round() as i32),
            Self::Typed(grey, level) => return levels.typed_mask(grey, *level, shift * levels.step()),
        };
        Grid::new(picture.width(), picture.height(), data).expect("invariant: one value for each pixel")
    }
}

fn mask_at(picture: &Grid<u8>, level: f64) -> Vec<bool> {
    if level < 0.0 {
        return vec![false; picture.len()];
    }
    let level = level.min(255.0) as u8;
    let mut mask = vec![false; picture.len()];
    mask.par_chunks_mut(CHUNK_PX).zip(picture.as_slice().par_chunks(CHUNK_PX)).for_each(|(mask, greys)| {
        mask.iter_mut().zip(greys).for_each(|(pore, &grey)| *pore = grey <= level);
    });
    mask
}

fn mask_below(picture: &Grid<u8>, cuts: &Grid<u8>, shift: i32) -> Vec<bool> {
    let (up, down) = (shift.clamp(0, 255) as u8, (-shift).clamp(0, 255) as u8);
    let mut mask = vec![false; picture.len()];
    let inputs = picture.as_slice().par_chunks(CHUNK_PX).zip(cuts.as_slice().par_chunks(CHUNK_PX));
    mask.par_chunks_mut(CHUNK_PX).zip(inputs).for_each(|(mask, (greys, cuts))| {
        for ((pore, &grey), &cut) in mask.iter_mut().zip(greys).zip(cuts) {
            *pore = grey < cut.saturating_add(up).saturating_sub(down);
        }
    });
    mask
}

/// The cut of the chosen rule, or none with the reason why not.
pub(super) fn choose_cut<'a>(
    grey: &'a Grey,
    levels: &GreyLevels,
    options: &PoreOptions,
    picture: &Grid<u8>,
    histogram: &[u64],
) -> Result<(Option<Cut<'a>>, Vec<Warning>), Error> {
    if let PoreMethod::Fixed(level) = options.method {
        if f64::from(level) > levels.largest() {
            let why = format!("grey {level} does not occur in a file of {} bits", grey.bits());
            return Err(Error::Option { name: "--pores", why });
        }
        return Ok((Some(Cut::Typed(grey, level)), Vec::new()));
    }
    if occurring_range(histogram) < FEWEST_LEVELS {
        return Ok((None, vec![no_contrast(occurring_range(histogram))]));
    }
    let modes = modes(histogram);
    let cut = match (options.method, modes) {
        (PoreMethod::HalfContrast, Some(modes)) => {
            let half = half_contrast::cuts(picture, modes);
            let cuts = steepest_edge::raised(&half, picture, modes.pore as u8);
            Some(Cut::Below(cuts, modes.valley as u8))
        }
        (PoreMethod::HalfContrast, None) => None,
        (PoreMethod::Sauvola, _) => Some(Cut::Below(sauvola::cuts(picture), u8::MAX)),
        (method, _) => global_level(method, histogram).map(Cut::At),
    };
    let doubt = match (&cut, modes) {
        (None, _) if dark_tail(histogram) > SMALLEST_SHARE => Some(pores_unclear(dark_tail(histogram))),
        (None, _) => Some(no_pores_found()),
        (Some(_), None) => Some(single_peak(options.method)),
        (Some(_), Some(_)) => None,
    };
    Ok((cut, doubt.into_iter().collect()))
}

/// Brightest minus darkest grey that occurs.
pub(super) fn occurring_range(histogram: &[u64]) -> usize {
    let present = |&grey: &usize| histogram[grey] > 0;
    (0..histogram.len()).rev().find(present).unwrap_or(0) - (0..histogram.len()).find(present).unwrap_or(0)
}

/// Name of a rule on the command line; `fixed` for a typed grey value.
pub fn method_name(method: PoreMethod) -> &'static str {
    match method {
        PoreMethod::HalfContrast => "half-contrast",
        PoreMethod::Otsu => "otsu",
        PoreMethod::MinimumError => "minimum-error",
        PoreMethod::Kapur => "kapur",
        PoreMethod::Li => "li",
        PoreMethod::Iterative => "iterative",
        PoreMethod::Triangle => "triangle",
        PoreMethod::MultiOtsu => "multi-otsu",
        PoreMethod::Sauvola => "sauvola",
        PoreMethod::Fixed(_) => "fixed",
    }
}

fn global_level(method: PoreMethod, histogram: &[u64]) -> Option<f64> {
    let name = method_name(method);
    GLOBAL_RULES.iter().find(|(rule, _)| *rule == name).and_then(|(_, level)| level(histogram))
}

fn no_contrast(range: usize) -> Warning {
    let text = format!("the picture has only {} grey levels: nothing tells pores from solid", range + 1);
    Warning::new("no-contrast", text)
}

pub(super) fn light_too_uneven() -> Warning {
    let text = "the light falls so low in part of the field that solid there is hardly brighter than the pores; it \
                was evened out, but check the overlay there, crop that part away, or take the picture again";
    Warning::new("light-too-uneven", text)
}

fn no_pores_found() -> Warning {
    let text = "the histogram has neither a peak nor a tail of dark greys: no pores are counted; if you see some, type \
                their grey value (--pores 90) or ask for a rule by name";
    Warning::new("no-pores-found", text)
}

fn pores_unclear(tail: f64) -> Warning {
    let text = format!(
        "{:.2} % of the picture is much darker than the solid without a peak of its own: grooves, cracks, or pores \
         too small or too pale to tell; porosity is left open; type a grey value (--pores 90) or ask for a rule by name",
        100.0 * tail
    );
    Warning::new("pores-unclear", text)
}

fn single_peak(method: PoreMethod) -> Warning {
    let name = method_name(method);
    let text = format!(
        "the histogram has no peak for pores that stands clear of the solid; {name} splits it all the same, and \
         what it counts may be dark grains, grooves or noise: look at the overlay"
    );
    Warning::new("single-peak", text)
}
