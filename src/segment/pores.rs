//! Pores of one picture: even light, denoising, threshold, labels, and how far the answer can be trusted.

use rayon::prelude::*;

use crate::error::Error;
use crate::grid::{Grid, Labels, Mask};
use crate::micrograph::Grey;
use crate::options::{PoreMethod, PoreOptions};
use crate::segment::background::{self, Surface};
use crate::segment::denoise::median3;
use crate::segment::grey_levels::{GreyLevels, histogram};
use crate::segment::label::{Keep, area_kept, label_kept};
use crate::segment::learned;
use crate::segment::pore_choice::{Learned, chosen};
use crate::segment::pore_cut::{
    Choice, Cut, FEWEST_LEVELS, choose_cut, light_too_uneven, occurring_range, probable_cut,
};
use crate::segment::threshold::{GLOBAL_RULES, Rule, count_at_or_below};
use crate::study::result::{Background, RuleResult, ThresholdReport, ThresholdSensitivity};
use crate::warning::Warning;

/// Pixels that one task sums, in 32 bits: 2¹⁶ · 255 is below 2³².
const CHUNK_PX: usize = 1 << 16;

/// Pores of a picture and everything that porosity rests on.
#[derive(Clone, Debug)]
pub struct PoreMap {
    /// The picture with even light, after a 3 × 3 median, on 256 levels.
    pub picture: Grid<u8>,
    /// Counted pores.
    pub labels: Labels,
    /// What porosity rests on.
    pub numbers: PoreNumbers,
}

impl PoreMap {
    /// Takes over the doubt of the network about boundaries, where the pores rest on the network alone and carry no doubt yet.
    ///
    /// Of 100 phantoms three were so; their porosity was off by 10.6, 0.6 and 0.3 points, that of 15 without any doubt by 0.3
    /// on average.
    pub(crate) fn doubt_with(&mut self, boundaries: &[Warning]) {
        let has = |warnings: &[Warning], code: &str| warnings.iter().any(|warning| warning.code == code);
        let alone = self.numbers.threshold.method == PoreMethod::Learned.name();
        if alone
            && has(boundaries, "grain-boundaries-faint")
            && !has(&self.numbers.warnings, "pores-doubtful")
        {
            let text = "pores are told by the trained network alone, which is in doubt of the boundaries in this picture: \
                        porosity may be far off; look at the overlay, or name a threshold (--pores half-contrast)";
            self.numbers.warnings.push(Warning::new("pores-doubtful", text));
        }
    }
}

/// Finds the pores of a picture that is already cropped to its measured area.
///
/// Learned pores, and the program's own choice, ask the network, at the scale of the picture, and go on as [`find_on`].
///
/// Greys are brought to 256 levels (8-bit files keep theirs) and, for bright pores, inverted; a 3 × 3 median takes
/// counting noise out; uneven light is removed where it is strong enough; the rule separates; connected pores of at
/// least the smallest size are numbered; by the default rule, only those with a pixel on the pores' side of the valley
/// of the histogram, so that the rim of a dark grain or a shaded face is none. An added constant grey, or inverted
/// greys with the tone flipped, change nothing. A typed grey value is applied to the file's own greys, with the median
/// and without the rest.
///
/// A picture of one grey has no porosity (`no-contrast`). Where the histogram has no peak for the pores, the default
/// rule finds a porosity of zero if nothing is much darker than the solid (`no-pores-found`) and leaves it open
/// otherwise (`pores-unclear`); other rules split such a picture, with a doubt (`single-peak`).
///
/// # Errors
/// [`Error::Option`] if a typed grey value exceeds the greys of the file; [`Error::Network`] for learned pores, if the
/// network in the program is damaged.
pub fn find(grey: &Grey, options: &PoreOptions) -> Result<PoreMap, Error> {
    match options.method {
        PoreMethod::Learned | PoreMethod::Auto => {
            let seen = learned::with_dark_pores(grey, options.tone);
            find_on(grey, &learned::maps(&seen, 1.0)?.pore, options)
        }
        _ => found(grey, None, options, as_it_is),
    }
}

/// Finds the pores of a picture whose probability is known in 255 parts: one half and more is pore, whatever its grey.
///
/// The rest is as in [`find`]; the sensitivity is the area at probabilities of 0.7 and 0.3. Where the program chooses
/// ([`PoreMethod::Auto`]), it takes the threshold that suits the greys if the probabilities give about the same porosity
/// (half contrast is then moved, so that porosity comes to half way between both), or if the greys show two phases and the
/// probabilities are doubtful; else the probabilities.
///
/// # Errors
/// [`Error::GridShape`] if the map does not have the size of the picture.
pub fn find_on(grey: &Grey, probability: &Grid<u8>, options: &PoreOptions) -> Result<PoreMap, Error> {
    let (width, height) = (grey.width(), grey.height());
    if (probability.width(), probability.height()) != (width, height) {
        return Err(Error::GridShape { width, height, length: probability.len() });
    }
    match options.method {
        PoreMethod::Auto => chosen(grey, probability, options),
        _ => found(grey, Some(probability), options, as_it_is),
    }
}

/// A level that stays where the rule has it.
pub(super) fn as_it_is(_: &Levelled) -> f64 {
    0.0
}

/// Pores by `probability` if there is one, else by the rule of the options, its level moved by `shift` working levels towards
/// the solid.
pub(super) fn found(
    grey: &Grey,
    probability: Option<&Grid<u8>>,
    options: &PoreOptions,
    shift: impl FnOnce(&Levelled) -> f64,
) -> Result<PoreMap, Error> {
    let learned = probability.map(Learned::of);
    let levels = GreyLevels::of(grey, options.tone);
    let mut picture = median3(&levels.working(grey));
    let light = background::fit(&picture);
    let uneven = to_be_removed(light.as_ref(), options);
    if let Some(light) = uneven {
        background::remove(&mut picture, light);
    }
    let histogram = histogram(&picture);
    let Choice { cut, rule, reason, doubt } = match probability {
        Some(map) => probable_cut(map, &histogram),
        None => choose_cut(grey, &levels, options, &picture, &histogram)?,
    };
    let found = cut.map(|cut| {
        let levelled = Levelled { cut: &cut, rule, picture: &picture, levels: &levels, options };
        Separated::by(&levelled, shift(&levelled))
    });
    let none = || Labels { grid: Grid::filled(picture.width(), picture.height(), 0), count: 0 };
    let (labels, separation) = found.map_or_else(|| (none(), None), |f| (f.labels, Some(f.separation)));
    let numbers = PoreNumbers::of(&Evidence {
        levels: &levels,
        histogram: &histogram,
        light: light.as_ref(),
        is_evened: uneven.is_some(),
        separation,
        learned,
        rule,
        reason,
        doubt,
        smallest_px: options.smallest_px,
    });
    Ok(PoreMap { picture: levels.own(picture), labels, numbers })
}

/// Light that is evened out before the threshold: where that is asked for, and strong.
pub(crate) fn to_be_removed<'a>(light: Option<&'a Surface>, options: &PoreOptions) -> Option<&'a Surface> {
    let automatic = !matches!(options.method, PoreMethod::Fixed(_));
    light.filter(|light| options.flatten && automatic && light.is_uneven())
}

/// Everything that a [`PoreMap`] says in numbers.
///
/// Greys in `threshold`, `rules` and `sensitivity` are greys of the file; `contrast` is on 256 working levels, which for
/// 8-bit files are the same.
#[derive(Clone, Debug)]
pub struct PoreNumbers {
    /// The rule and what it separated.
    pub threshold: ThresholdReport,
    /// Uneven light.
    pub background: Background,
    /// How far porosity moves with the threshold; null without pores.
    pub sensitivity: Option<ThresholdSensitivity>,
    /// All automatic global rules on the same picture, small features included; empty without contrast.
    pub rules: Vec<RuleResult>,
    /// Largest minus smallest porosity among the rules, in percentage points.
    pub rule_spread_points: Option<f64>,
    /// Pores of fewer pixels were dropped.
    pub smallest_counted_px: u32,
    /// Area of features that were dropped, as too small or (default rule) nowhere as dark as pore floors, in percent of
    /// the picture.
    pub dropped_area_percent: f64,
    /// Area of the counted pores in percent of the picture; null where greys cannot carry a threshold.
    pub porosity_percent: Option<f64>,
    /// Sum of the probabilities of learned pores, those too small to be counted included, in percent of the picture; null
    /// by other rules.
    pub expected_porosity_percent: Option<f64>,
    /// Grey distance between solid and pores in working levels; null without pores.
    pub contrast: Option<f64>,
    /// Doubts.
    pub warnings: Vec<Warning>,
}

/// What the numbers follow from.
pub(crate) struct Evidence<'a> {
    pub levels: &'a GreyLevels,
    /// Of the evened picture.
    pub histogram: &'a [u64],
    pub light: Option<&'a Surface>,
    pub is_evened: bool,
    pub separation: Option<Separation>,
    pub learned: Option<Learned>,
    pub rule: PoreMethod,
    pub reason: Option<String>,
    pub doubt: Option<Warning>,
    pub smallest_px: u32,
}

impl PoreNumbers {
    /// The numbers, with a doubt for everything that is odd about them.
    pub(crate) fn of(evidence: &Evidence<'_>) -> Self {
        let Evidence { levels, histogram, light, is_evened, rule, .. } = *evidence;
        let found = evidence.separation.as_ref();
        let warnings = doubts(evidence);
        let rules = if occurring_range(histogram) >= FEWEST_LEVELS {
            automatic_rules(histogram, levels)
        } else {
            Vec::new()
        };
        let contrast = found.and_then(Separation::contrast).filter(|contrast| *contrast > 0.0);
        let pixels: u64 = histogram.iter().sum();
        let percent = |px: u64| 100.0 * px as f64 / pixels as f64;
        Self {
            threshold: ThresholdReport {
                reason: evidence.reason.clone(),
                ..found.map_or_else(|| without_pores(rule), |f| f.report(levels, rule))
            },
            background: shading(light, contrast, is_evened),
            sensitivity: found.and_then(|found| found.sensitivity.clone()),
            rule_spread_points: spread(&rules),
            rules,
            smallest_counted_px: evidence.smallest_px,
            dropped_area_percent: found.map_or(0.0, |found| percent(found.dropped_px)),
            porosity_percent: match found {
                Some(found) => Some(percent(found.counted_px)),
                None => warnings.iter().any(|doubt| doubt.code == "no-pores-found").then_some(0.0),
            },
            expected_porosity_percent: evidence
                .learned
                .as_ref()
                .filter(|_| found.is_some())
                .map(|learned| learned.expected_percent),
            contrast,
            warnings,
        }
    }
}

fn doubts(evidence: &Evidence<'_>) -> Vec<Warning> {
    let mut warnings: Vec<Warning> = evidence.doubt.iter().cloned().collect();
    let found = evidence.separation.as_ref();
    if evidence.light.filter(|_| evidence.is_evened).is_some_and(Surface::is_hardly_lit) {
        warnings.push(light_too_uneven());
    }
    if found.is_some_and(|found| found.counted_px == 0) {
        let text =
            "the rule leaves no pore of the smallest size or more: check tone, threshold and smallest size";
        warnings.push(Warning::new("no-pores-found", text));
    }
    if let Some(learned) =
        evidence.learned.as_ref().filter(|_| found.is_some_and(|found| found.counted_px > 0))
    {
        let reversed = found.and_then(Separation::contrast).is_some_and(|contrast| contrast < 0.0);
        warnings.extend(learned.doubtful().or_else(|| reversed.then(of_the_other_tone)));
    }
    if found.is_some_and(|found| found.solid.count == 0) {
        warnings.push(Warning::new("all-pore", "every pixel counts as pore: check tone and threshold"));
    }
    warnings
}

fn of_the_other_tone() -> Warning {
    let text = "what the trained network takes for pores is not darker than the solid but brighter (or the other way round, \
                where pores are said to be bright): look at the overlay; if it is right, say so with --pore-tone";
    Warning::new("pores-doubtful", text)
}

/// A picture with the level that separates it.
pub(super) struct Levelled<'a> {
    cut: &'a Cut<'a>,
    /// The rule that the level follows.
    pub rule: PoreMethod,
    picture: &'a Grid<u8>,
    levels: &'a GreyLevels,
    options: &'a PoreOptions,
}

impl Levelled<'_> {
    /// The pores with the level moved by so much towards the solid.
    fn mask(&self, shift: f64) -> Mask {
        self.cut.mask(self.picture, self.levels, shift)
    }

    fn keep(&self) -> Keep<'_> {
        let dark = if let Cut::Below(_, darkest) = self.cut { Some((self.picture, *darkest)) } else { None };
        Keep { smallest_px: self.options.smallest_px, dark }
    }

    /// Porosity in percent with the level moved by so much towards the solid.
    pub fn percent(&self, shift: f64) -> f64 {
        let rows = self.cut.rows(self.picture, self.levels, shift);
        let size = (self.picture.width(), self.picture.height());
        let area = area_kept(size, |y, row| rows.write(y, row), self.options.connectivity, self.keep());
        100.0 * area as f64 / self.picture.len() as f64
    }
}

/// Pores and solid, separated.
struct Separated {
    labels: Labels,
    separation: Separation,
}

/// Pores and solid in numbers.
pub(crate) struct Separation {
    pub counted_px: u64,
    pub dropped_px: u64,
    pub pores: Class,
    pub solid: Class,
    pub level: Option<f64>,
    pub sensitivity: Option<ThresholdSensitivity>,
}

impl Separated {
    fn by(levelled: &Levelled, moved: f64) -> Self {
        let Levelled { cut, picture, levels, options, .. } = levelled;
        let mask = levelled.mask(moved);
        let (pores, solid) = classes(picture, &mask);
        let (labels, dropped_px) = label_kept(&mask, options.connectivity, levelled.keep());
        let counted_px = pores.count - dropped_px;
        let level = match cut {
            Cut::At(level) => Some(levels.own_threshold(*level)),
            Cut::Below(..) | Cut::Edges(_) | Cut::Probable(_) => None,
            Cut::Typed(_, level) => Some(f64::from(*level)),
        };
        let mut separation = Separation { counted_px, dropped_px, pores, solid, level, sensitivity: None };
        separation.sensitivity = separation.contrast().map(|contrast| {
            let shift = cut.shift(contrast);
            let on_greys = !matches!(cut, Cut::Probable(_));
            let (low, high) =
                rayon::join(|| levelled.percent(moved - shift), || levelled.percent(moved + shift));
            ThresholdSensitivity {
                shift_grey_levels: on_greys.then(|| shift * levels.step()),
                porosity_low_percent: low,
                porosity_high_percent: high,
            }
        });
        Self { labels, separation }
    }
}

impl Separation {
    /// Grey distance between solid and pores; null if either is missing.
    pub fn contrast(&self) -> Option<f64> {
        Some(self.solid.mean()? - self.pores.mean()?)
    }

    fn report(&self, levels: &GreyLevels, method: PoreMethod) -> ThresholdReport {
        let mean = |class: Class| class.mean().map(|grey| levels.own_grey(grey));
        ThresholdReport {
            method: method.name().to_owned(),
            reason: None,
            grey_level: self.level,
            automatic: !matches!(method, PoreMethod::Fixed(_)),
            pore_mean_grey: mean(self.pores),
            solid_mean_grey: mean(self.solid),
        }
    }
}

/// Number of pixels and sum of their greys.
#[derive(Clone, Copy, Default)]
pub(crate) struct Class {
    pub count: u64,
    pub sum: u64,
}

impl Class {
    fn mean(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum as f64 / self.count as f64)
    }
}

/// Greys of the pores and of the rest.
fn classes(picture: &Grid<u8>, mask: &Mask) -> (Class, Class) {
    classes_of(picture.as_slice(), mask.as_slice())
}

/// The same of any stretch of pixels.
pub(crate) fn classes_of(greys: &[u8], mask: &[bool]) -> (Class, Class) {
    let chunk = |(greys, mask): (&[u8], &[bool])| {
        let (mut count, mut dark, mut all) = (0u32, 0u32, 0u32);
        for (&grey, &pore) in greys.iter().zip(mask) {
            count += u32::from(pore);
            dark += if pore { u32::from(grey) } else { 0 };
            all += u32::from(grey);
        }
        [u64::from(count), u64::from(dark), u64::from(all)]
    };
    let pairs = greys.par_chunks(CHUNK_PX).zip(mask.par_chunks(CHUNK_PX));
    let [count, dark, all] =
        pairs.map(chunk).reduce(|| [0; 3], |a, b| [a[0] + b[0], a[1] + b[1], a[2] + b[2]]);
    (Class { count, sum: dark }, Class { count: greys.len() as u64 - count, sum: all - dark })
}

/// Every automatic global rule on the evened and denoised picture, without leaving small features out.
fn automatic_rules(histogram: &[u64], levels: &GreyLevels) -> Vec<RuleResult> {
    let pixels: u64 = histogram.iter().sum();
    let result = |(name, rule): (&str, Rule)| {
        let level = rule(histogram);
        let percent = |level| 100.0 * count_at_or_below(histogram, level) as f64 / pixels as f64;
        RuleResult {
            method: name.to_owned(),
            grey_level: level.map(|level| levels.own_threshold(level)),
            porosity_percent: level.map(percent),
        }
    };
    GLOBAL_RULES.into_iter().map(result).collect()
}

fn spread(rules: &[RuleResult]) -> Option<f64> {
    let found: Vec<f64> = rules.iter().filter_map(|rule| rule.porosity_percent).collect();
    let largest = found.iter().copied().reduce(f64::max)?;
    let smallest = found.iter().copied().reduce(f64::min)?;
    Some(largest - smallest)
}

/// Range of the light in percent of the contrast; without pores, of the height of the solid above the darkest grey.
fn shading(light: Option<&Surface>, contrast: Option<f64>, removed: bool) -> Background {
    let percent = light.map_or(0.0, |light| 100.0 * light.range / contrast.unwrap_or(light.reference));
    Background { shading_percent: percent, removed }
}

fn without_pores(method: PoreMethod) -> ThresholdReport {
    ThresholdReport {
        method: method.name().to_owned(),
        reason: None,
        grey_level: None,
        automatic: true,
        pore_mean_grey: None,
        solid_mean_grey: None,
    }
}

#[cfg(test)]
mod tests;
