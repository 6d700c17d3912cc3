//! Which pixels of a picture count as pore, by the rule that was chosen, and what is doubtful about it.

use rayon::prelude::*;

use crate::error::Error;
use crate::grid::{Grid, Mask};
use crate::micrograph::Grey;
use crate::options::{PoreMethod, PoreOptions};
use crate::segment::grey_levels::GreyLevels;
use crate::segment::threshold::edge_level::{EdgeLevel, edge_level};
use crate::segment::threshold::modes::{Modes, SMALLEST_SHARE, dark_tail, modes};
use crate::segment::threshold::{GLOBAL_RULES, count_at_or_below, half_contrast, sauvola, steepest_edge};
use crate::warning::Warning;

/// A picture with fewer grey levels than this between its darkest and its brightest pixel has no contrast.
pub(crate) const FEWEST_LEVELS: usize = 4;
/// The threshold is moved by this share of the grey distance between the classes to see how porosity follows.
const SHIFT: f64 = 0.05;
/// A probability is counted from 0.3 and from 0.7 instead.
const PROBABILITY_SHIFT: f64 = 0.2;
/// Rows that one task works on at least.
const LEAST_ROWS: usize = 32;

/// What decides, for each pixel, whether it belongs to a pore.
pub(crate) enum Cut<'a> {
    /// One level of the working picture for all: at or below it.
    At(f64),
    /// A level for each pixel: below it; pores without a pixel at or below the second grey are none.
    Below(Grid<u8>, u8),
    /// A probability in 255 parts for each pixel: one half or more.
    Probable(&'a Grid<u8>),
    /// The level of the steepest edges around each pixel.
    Edges(Box<EdgeLevel>),
    /// A typed level on the file's own greys.
    Typed(&'a Grey, u16),
}

impl Cut<'_> {
    /// How far the level is moved to see how porosity follows: a share of the contrast in working levels, or a share
    /// of probability.
    pub fn shift(&self, contrast: f64) -> f64 {
        if let Self::Probable(_) = self { PROBABILITY_SHIFT } else { SHIFT * contrast }
    }

    /// The pores with the level moved by `shift` working levels (or probability) towards the solid.
    pub fn mask(&self, picture: &Grid<u8>, levels: &GreyLevels, shift: f64) -> Mask {
        self.rows(picture, levels, shift).into_mask((picture.width(), picture.height()))
    }

    /// The same row by row; what a rule cannot tell from single pixels is made as a whole.
    pub fn rows<'a>(&'a self, picture: &'a Grid<u8>, levels: &GreyLevels, shift: f64) -> PoreRows<'a> {
        match self {
            Self::At(level) => {
                let level = level + shift;
                PoreRows::UpTo(picture, (level >= 0.0).then(|| level.min(255.0) as u8))
            }
            Self::Below(cuts, _) => {
                let shift = shift.round() as i32;
                let (up, down) = (shift.clamp(0, 255) as u8, (-shift).clamp(0, 255) as u8);
                PoreRows::Below { picture, cuts, up, down }
            }
            Self::Probable(map) => PoreRows::From(map, (255.0 * (0.5 - shift)).ceil() as u8),
            Self::Edges(found) => PoreRows::Whole(found.mask(shift)),
            Self::Typed(grey, level) => {
                PoreRows::Whole(levels.typed_mask(grey, *level, shift * levels.step()))
            }
        }
    }
}

/// The rows of a mask that need not be there as a whole: one takes as much memory as the picture.
pub(crate) enum PoreRows<'a> {
    /// Pixels up to a level; none without one.
    UpTo(&'a Grid<u8>, Option<u8>),
    /// Pixels from a value on.
    From(&'a Grid<u8>, u8),
    /// Pixels below a level of their own, which is moved up or down.
    Below { picture: &'a Grid<u8>, cuts: &'a Grid<u8>, up: u8, down: u8 },
    /// The mask itself.
    Whole(Mask),
}

impl PoreRows<'_> {
    /// Writes row `y` into `row`.
    pub fn write(&self, y: usize, row: &mut [bool]) {
        match self {
            Self::UpTo(_, None) => row.fill(false),
            Self::UpTo(picture, Some(level)) => set_where(row, picture.row(y), |grey| grey <= *level),
            Self::From(map, least) => set_where(row, map.row(y), |part| part >= *least),
            Self::Below { picture, cuts, up, down } => {
                for ((pore, &grey), &cut) in row.iter_mut().zip(picture.row(y)).zip(cuts.row(y)) {
                    *pore = grey < cut.saturating_add(*up).saturating_sub(*down);
                }
            }
            Self::Whole(mask) => row.copy_from_slice(mask.row(y)),
        }
    }

    fn into_mask(self, (width, height): (usize, usize)) -> Mask {
        if let Self::Whole(mask) = self {
            return mask;
        }
        let mut mask = Grid::filled(width, height, false);
        let rows = mask.as_mut_slice().par_chunks_mut(width).enumerate();
        rows.with_min_len(LEAST_ROWS).for_each(|(y, row)| self.write(y, row));
        mask
    }
}

fn set_where(row: &mut [bool], values: &[u8], is_set: impl Fn(u8) -> bool) {
    row.iter_mut().zip(values).for_each(|(set, &value)| *set = is_set(value));
}

/// What a rule takes from the histogram alone.
pub(crate) enum Level {
    /// One level of the working picture for all.
    At(f64),
    /// Half way between the greys of these modes, around each pixel.
    HalfContrast(Modes),
    /// A level from the surroundings of each pixel.
    Surroundings,
}

/// The level of a rule that asks nothing but the histogram, and what is doubtful about it; `None` for the other rules.
pub(crate) fn settled_level(rule: PoreMethod, histogram: &[u64]) -> Option<(Option<Level>, Option<Warning>)> {
    let modes = modes(histogram);
    let level = match rule {
        PoreMethod::Auto | PoreMethod::EdgeLevel | PoreMethod::Learned | PoreMethod::Fixed(_) => return None,
        PoreMethod::HalfContrast => modes.map(Level::HalfContrast),
        PoreMethod::Sauvola => Some(Level::Surroundings),
        _ => global_level(rule, histogram).map(Level::At),
    };
    let doubt = match (&level, modes) {
        (None, _) => Some(without_peak(histogram)),
        (Some(_), None) => Some(single_peak(rule)),
        (Some(_), Some(_)) => None,
    };
    Some((level, doubt))
}

/// The cut of a rule, or none with the reason why not.
pub(super) struct Choice<'a> {
    pub cut: Option<Cut<'a>>,
    /// The rule that was taken.
    pub rule: PoreMethod,
    /// Why the program took it; `None` where it was asked for by name.
    pub reason: Option<String>,
    pub doubt: Option<Warning>,
}

/// The cut of the rule that was asked for.
pub(super) fn choose_cut<'a>(
    grey: &'a Grey,
    levels: &GreyLevels,
    options: &PoreOptions,
    picture: &Grid<u8>,
    histogram: &[u64],
) -> Result<Choice<'a>, Error> {
    let rule = options.method;
    if let PoreMethod::Fixed(level) = rule {
        check_typed(level, levels, grey.bits())?;
        return Ok(Choice { cut: Some(Cut::Typed(grey, level)), rule, reason: None, doubt: None });
    }
    if occurring_range(histogram) < FEWEST_LEVELS {
        let doubt = Some(no_contrast(occurring_range(histogram)));
        return Ok(Choice { cut: None, rule, reason: None, doubt });
    }
    if let Some((level, doubt)) = settled_level(rule, histogram) {
        let cut = level.map(|level| match level {
            Level::At(level) => Cut::At(level),
            Level::HalfContrast(modes) => half_contrast_cut(picture, modes),
            Level::Surroundings => Cut::Below(sauvola::cuts(picture), u8::MAX),
        });
        return Ok(Choice { cut, rule, reason: None, doubt });
    }
    Ok(match rule {
        PoreMethod::EdgeLevel => {
            let found = edge_level(picture);
            let doubt = found.as_ref().is_none_or(|found| !found.has_two_phases()).then(|| single_peak(rule));
            Choice { cut: found.map(|found| Cut::Edges(Box::new(found))), rule, reason: None, doubt }
        }
        _ => suited(picture, histogram, modes(histogram)),
    })
}

/// An error if a file of so many bits does not hold a typed grey.
pub(crate) fn check_typed(level: u16, levels: &GreyLevels, bits: u8) -> Result<(), Error> {
    if f64::from(level) > levels.largest() {
        let why = format!("grey {level} does not occur in a file of {bits} bits");
        return Err(Error::Option { name: "--pores", why });
    }
    Ok(())
}

fn half_contrast_cut<'a>(picture: &Grid<u8>, modes: Modes) -> Cut<'a> {
    let half = half_contrast::cuts(picture, modes);
    let cuts = steepest_edge::raised(&half, picture, modes.pore as u8);
    Cut::Below(cuts, modes.valley as u8)
}

/// Half contrast takes the dark class for pores in a body that is most of the picture; beyond this share it is a phase
/// like the other.
const LARGEST_PORE_SHARE: f64 = 1.0 / 3.0;

/// The rule that suits the picture, by what its greys show.
///
/// Half contrast where the histogram has a peak for the pores and they take up to a third of the picture; else the
/// level of the edges, where greys gather on both sides of it; else half contrast, which finds no pores or leaves
/// porosity open.
fn suited<'a>(picture: &Grid<u8>, histogram: &[u64], modes: Option<Modes>) -> Choice<'a> {
    let share = modes.map(|m| count_at_or_below(histogram, m.valley as f64) as f64 / picture.len() as f64);
    if share.is_none_or(|share| share > LARGEST_PORE_SHARE)
        && let Some(found) = edge_level(picture).filter(EdgeLevel::has_two_phases)
    {
        let peak = share.map_or_else(
            || "has no peak for pores".to_owned(),
            |share| format!("has a dark peak of {:.0} % of the picture, too much for pores", 100.0 * share),
        );
        let reason = format!(
            "the histogram {peak}, but greys gather on both sides of the level at which the edges around stand"
        );
        let doubt = Some(two_phases());
        let cut = Some(Cut::Edges(Box::new(found)));
        return Choice { cut, rule: PoreMethod::EdgeLevel, reason: Some(reason), doubt };
    }
    let reason = share.map_or_else(
        || {
            "the histogram has no peak for pores, and greys do not gather on both sides of any edge level"
                .to_owned()
        },
        |share| format!("the histogram has a dark peak for the pores, {:.2} % of the picture", 100.0 * share),
    );
    by_half_contrast(picture, histogram, modes, Some(reason))
}

fn by_half_contrast<'a>(
    picture: &Grid<u8>,
    histogram: &[u64],
    modes: Option<Modes>,
    reason: Option<String>,
) -> Choice<'a> {
    let cut = modes.map(|modes| half_contrast_cut(picture, modes));
    let doubt = cut.is_none().then(|| without_peak(histogram));
    Choice { cut, rule: PoreMethod::HalfContrast, reason, doubt }
}

fn without_peak(histogram: &[u64]) -> Warning {
    let tail = dark_tail(histogram);
    if tail > SMALLEST_SHARE { pores_unclear(tail) } else { no_pores_found() }
}

/// The cut at a probability of one half, or none where the picture has no contrast.
pub(super) fn probable_cut<'a>(map: &'a Grid<u8>, histogram: &[u64]) -> Choice<'a> {
    let range = occurring_range(histogram);
    let doubt = (range < FEWEST_LEVELS).then(|| no_contrast(range));
    let cut = doubt.is_none().then_some(Cut::Probable(map));
    Choice { cut, rule: PoreMethod::Learned, reason: None, doubt }
}

/// Brightest minus darkest grey that occurs.
pub(crate) fn occurring_range(histogram: &[u64]) -> usize {
    let present = |&grey: &usize| histogram[grey] > 0;
    (0..histogram.len()).rev().find(present).unwrap_or(0) - (0..histogram.len()).find(present).unwrap_or(0)
}

fn global_level(method: PoreMethod, histogram: &[u64]) -> Option<f64> {
    let name = method.name();
    GLOBAL_RULES.iter().find(|(rule, _)| *rule == name).and_then(|(_, level)| level(histogram))
}

pub(crate) fn no_contrast(range: usize) -> Warning {
    let text = format!("the picture has only {} grey levels: nothing tells pores from solid", range + 1);
    Warning::new("no-contrast", text)
}

pub(crate) fn light_too_uneven() -> Warning {
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

fn two_phases() -> Warning {
    let text = "the picture shows two phases rather than pores in a solid; what is given as porosity is the share of the \
                darker one: look at the overlay, and name a rule (--pores half-contrast) if only the darkest parts are pores";
    Warning::new("two-phases", text)
}

fn single_peak(method: PoreMethod) -> Warning {
    let name = method.name();
    let text = format!(
        "the histogram has no peak for pores that stands clear of the solid; {name} splits it all the same, and \
         what it counts may be dark grains, grooves or noise: look at the overlay"
    );
    Warning::new("single-peak", text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::options::Tone;

    #[test]
    fn a_level_that_is_moved_past_either_end_takes_nothing_or_all() {
        // With greys of 0, which a level below all of them must not take.
        let picture = Grid::from_fn(70, 50, |x, y| ((x * 3 + y * 5) % 210) as u8);
        let levels = GreyLevels::of(&Grey::Eight(picture.clone()), Tone::Dark);
        let cuts = Grid::from_fn(70, 50, |x, _| if x < 35 { 60 } else { 120 });
        let set = |cut: &Cut, shift: f64| -> Vec<bool> { cut.mask(&picture, &levels, shift).into_vec() };
        let plain =
            |is_set: &dyn Fn(usize, usize) -> bool| -> Vec<bool> { Grid::from_fn(70, 50, is_set).into_vec() };
        let level = Cut::At(60.5);
        assert_eq!(set(&level, 0.0), plain(&|x, y| picture.at(x, y) <= 60));
        assert_eq!(set(&level, 4.6), plain(&|x, y| picture.at(x, y) <= 65));
        assert!(set(&level, -61.0).iter().all(|&set| !set) && set(&level, 500.0).iter().all(|&set| set));
        let below = Cut::Below(cuts.clone(), 0);
        assert_eq!(set(&below, -7.0), plain(&|x, y| picture.at(x, y) < cuts.at(x, y) - 7));
        assert_eq!(set(&below, 7.0), plain(&|x, y| picture.at(x, y) < cuts.at(x, y) + 7));
        let probable = Cut::Probable(&picture);
        assert_eq!(set(&probable, 0.2), plain(&|x, y| picture.at(x, y) >= 77));
    }
}
