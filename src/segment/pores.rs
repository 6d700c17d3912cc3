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
use crate::segment::pore_cut::{
    Choice, Cut, FEWEST_LEVELS, choose_cut, light_too_uneven, occurring_range, probable_cut,
};
use crate::segment::threshold::{GLOBAL_RULES, Rule, count_at_or_below};
use crate::study::result::{Background, RuleResult, ThresholdReport, ThresholdSensitivity};
use crate::warning::Warning;

/// Pixels that one task sums, in 32 bits: 2¹⁶ · 255 is below 2³².
const CHUNK_PX: usize = 1 << 16;

/// Pores of a picture and everything that porosity rests on.
///
/// Greys in `threshold`, `rules` and `sensitivity` are greys of the file. `picture` and `contrast` are on 256 working
/// levels, which for 8-bit files are the same.
#[derive(Clone, Debug)]
pub struct PoreMap {
    /// The picture with even light, after a 3 × 3 median, on 256 levels.
    pub picture: Grid<u8>,
    /// Counted pores.
    pub labels: Labels,
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
        _ => found(grey, None, options),
    }
}

/// Finds the pores of a picture whose probability is known in 255 parts: one half and more is pore, whatever its grey.
///
/// The rest is as in [`find`]; the sensitivity is the area at probabilities of 0.7 and 0.3. Where the program chooses
/// ([`PoreMethod::Auto`]), it takes the threshold that suits the greys if the probabilities give about the same porosity,
/// or if the greys show two phases and the probabilities are doubtful; else the probabilities.
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
        _ => found(grey, Some(probability), options),
    }
}

/// Threshold and network agree within this many percentage points, or within this share of what the network finds. On 100
/// phantoms the threshold was then off by 0.2 points in the median, else by 5.1, and the network by 0.1 and 0.7.
const AGREEING_POINTS: f64 = 0.5;
const AGREEING_SHARE: f64 = 0.15;
/// Mean probability of being none, over the expected area of pores, above which learned pores are doubtful. Pores between
/// packed bodies gave 0.03 to 0.26, dark phases that are no pores 0.23 to 0.54.
const DOUBTFUL: f64 = 0.2;

fn chosen(grey: &Grey, probability: &Grid<u8>, options: &PoreOptions) -> Result<PoreMap, Error> {
    let learned = Learned::of(probability);
    let mut by_greys = found(grey, None, options)?;
    let rule = std::mem::take(&mut by_greys.threshold.method);
    let difference = by_greys.porosity_percent.map(|percent| (percent - learned.percent).abs());
    let agree = difference.is_some_and(|d| d <= AGREEING_POINTS.max(AGREEING_SHARE * learned.percent));
    let two_phases = rule == PoreMethod::EdgeLevel.name() && learned.doubt > DOUBTFUL;
    if agree || two_phases {
        let told = if agree {
            "and the trained network finds about the same"
        } else {
            "and the trained network is in doubt"
        };
        let reason = by_greys.threshold.reason.unwrap_or_default();
        by_greys.threshold.reason = Some(format!("{reason}; {told}: {:.2} %", learned.percent));
        by_greys.threshold.method = rule;
        return Ok(by_greys);
    }
    let instead = by_greys.porosity_percent.map_or("none".to_owned(), |percent| format!("{percent:.2} %"));
    drop(by_greys);
    let mut map = found(grey, Some(probability), options)?;
    map.threshold.reason = Some(format!(
        "the trained network finds {:.2} %, the threshold that suits the greys best ({rule}) {instead}: where they differ, \
         the network was closer on drawn pictures",
        learned.percent
    ));
    Ok(map)
}

/// What learned probabilities say of the whole picture.
struct Learned {
    /// Share of pixels with a probability of one half and more, in percent.
    percent: f64,
    /// Mean of 1 - p over the expected area; 0 where every pore is certain or there is none.
    doubt: f64,
}

impl Learned {
    fn of(probability: &Grid<u8>) -> Self {
        let counts = histogram(probability);
        let sum = |weight: fn(f64) -> f64| -> f64 {
            counts.iter().enumerate().map(|(part, &count)| count as f64 * weight(part as f64 / 255.0)).sum()
        };
        let expected = sum(|p| p);
        Self {
            percent: 100.0 * sum(|p| f64::from(u8::from(p >= 0.5))) / probability.len() as f64,
            doubt: if expected > 0.0 { sum(|p| p * (1.0 - p)) / expected } else { 0.0 },
        }
    }
}

fn found(grey: &Grey, probability: Option<&Grid<u8>>, options: &PoreOptions) -> Result<PoreMap, Error> {
    let levels = GreyLevels::of(grey, options.tone);
    let mut picture = median3(&levels.working(grey));
    let light = background::fit(&picture);
    let automatic = !matches!(options.method, PoreMethod::Fixed(_));
    let uneven = light.as_ref().filter(|light| options.flatten && automatic && light.is_uneven());
    if let Some(light) = uneven {
        background::remove(&mut picture, light);
    }
    let histogram = histogram(&picture);
    let Choice { cut, rule, reason, doubt } = match probability {
        Some(map) => probable_cut(map, &histogram),
        None => choose_cut(grey, &levels, options, &picture, &histogram)?,
    };
    let mut warnings: Vec<Warning> = doubt.into_iter().collect();
    let found = cut.map(|cut| Separated::by(&cut, &picture, &levels, options));
    if uneven.is_some_and(Surface::is_hardly_lit) {
        warnings.push(light_too_uneven());
    }
    if found.as_ref().is_some_and(|found| found.counted_px == 0) {
        let text =
            "the rule leaves no pore of the smallest size or more: check tone, threshold and smallest size";
        warnings.push(Warning::new("no-pores-found", text));
    }
    if let Some(map) = probability.filter(|_| found.as_ref().is_some_and(|found| found.counted_px > 0)) {
        warnings.extend(pores_doubtful(&Learned::of(map)));
    }
    if found.as_ref().is_some_and(|found| found.solid.count == 0) {
        warnings.push(Warning::new("all-pore", "every pixel counts as pore: check tone and threshold"));
    }
    let has_contrast = occurring_range(&histogram) >= FEWEST_LEVELS;
    let rules = if has_contrast { rules(&histogram, &levels) } else { Vec::new() };
    let contrast = found.as_ref().and_then(Separated::contrast).filter(|contrast| *contrast > 0.0);
    let percent = |px: u64| 100.0 * px as f64 / picture.len() as f64;
    let none = || Labels { grid: Grid::filled(picture.width(), picture.height(), 0), count: 0 };
    Ok(PoreMap {
        threshold: ThresholdReport {
            reason,
            ..found.as_ref().map_or_else(|| without_pores(rule), |f| f.report(&levels, rule))
        },
        background: shading(light.as_ref(), contrast, uneven.is_some()),
        sensitivity: found.as_ref().and_then(|found| found.sensitivity.clone()),
        rule_spread_points: spread(&rules),
        rules,
        smallest_counted_px: options.smallest_px,
        dropped_area_percent: found.as_ref().map_or(0.0, |found| percent(found.dropped_px)),
        porosity_percent: match &found {
            Some(found) => Some(percent(found.counted_px)),
            None => warnings.iter().any(|doubt| doubt.code == "no-pores-found").then_some(0.0),
        },
        expected_porosity_percent: probability.filter(|_| found.is_some()).map(expected_percent),
        contrast,
        warnings,
        labels: found.map_or_else(none, |found| found.labels),
        picture: levels.own(picture),
    })
}

fn pores_doubtful(learned: &Learned) -> Option<Warning> {
    (learned.doubt > DOUBTFUL).then(|| {
        let text = format!(
            "what the trained network takes for pores is none with a mean probability of {:.2}, where {DOUBTFUL} is much: \
             porosity may be far off; look at the overlay, or name a threshold (--pores half-contrast)",
            learned.doubt
        );
        Warning::new("pores-doubtful", text)
    })
}

/// Pores and solid, separated.
struct Separated {
    labels: Labels,
    counted_px: u64,
    dropped_px: u64,
    pores: Class,
    solid: Class,
    level: Option<f64>,
    sensitivity: Option<ThresholdSensitivity>,
}

impl Separated {
    fn by(cut: &Cut, picture: &Grid<u8>, levels: &GreyLevels, options: &PoreOptions) -> Self {
        let mask = cut.mask(picture, levels, 0.0);
        let (pores, solid) = classes(picture, &mask);
        let dark = if let Cut::Below(_, darkest) = cut { Some((picture, *darkest)) } else { None };
        let keep = Keep { smallest_px: options.smallest_px, dark, without: None };
        let (labels, dropped_px) = label_kept(&mask, options.connectivity, keep);
        let counted_px = pores.count - dropped_px;
        let level = match cut {
            Cut::At(level) => Some(levels.own_threshold(*level)),
            Cut::Below(..) | Cut::Edges(_) | Cut::Probable(_) => None,
            Cut::Typed(_, level) => Some(f64::from(*level)),
        };
        let mut separated = Self { labels, counted_px, dropped_px, pores, solid, level, sensitivity: None };
        separated.sensitivity = separated.contrast().map(|contrast| {
            let shift = cut.shift(contrast);
            let on_greys = !matches!(cut, Cut::Probable(_));
            let percent = |shift| {
                let mask = cut.mask(picture, levels, shift);
                let area = area_kept(&mask, options.connectivity, keep);
                100.0 * area as f64 / picture.len() as f64
            };
            ThresholdSensitivity {
                shift_grey_levels: on_greys.then(|| shift * levels.step()),
                porosity_low_percent: percent(-shift),
                porosity_high_percent: percent(shift),
            }
        });
        separated
    }

    /// Grey distance between solid and pores; null if either is missing.
    fn contrast(&self) -> Option<f64> {
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

fn expected_percent(probability: &Grid<u8>) -> f64 {
    let parts: u64 = probability.as_slice().par_iter().map(|&part| u64::from(part)).sum();
    100.0 * parts as f64 / (255.0 * probability.len() as f64)
}

/// Number of pixels and sum of their greys.
#[derive(Clone, Copy, Default)]
struct Class {
    count: u64,
    sum: u64,
}

impl Class {
    fn mean(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum as f64 / self.count as f64)
    }
}

/// Greys of the pores and of the rest.
fn classes(picture: &Grid<u8>, mask: &Mask) -> (Class, Class) {
    let chunk = |(greys, mask): (&[u8], &[bool])| {
        let (mut count, mut dark, mut all) = (0u32, 0u32, 0u32);
        for (&grey, &pore) in greys.iter().zip(mask) {
            count += u32::from(pore);
            dark += if pore { u32::from(grey) } else { 0 };
            all += u32::from(grey);
        }
        [u64::from(count), u64::from(dark), u64::from(all)]
    };
    let pairs = picture.as_slice().par_chunks(CHUNK_PX).zip(mask.as_slice().par_chunks(CHUNK_PX));
    let [count, dark, all] =
        pairs.map(chunk).reduce(|| [0; 3], |a, b| [a[0] + b[0], a[1] + b[1], a[2] + b[2]]);
    (Class { count, sum: dark }, Class { count: picture.len() as u64 - count, sum: all - dark })
}

/// Every automatic global rule on the evened and denoised picture, without leaving small features out.
fn rules(histogram: &[u64], levels: &GreyLevels) -> Vec<RuleResult> {
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
mod tests {
    use super::*;
    use crate::options::{Connectivity, Tone};

    fn options(method: PoreMethod) -> PoreOptions {
        PoreOptions {
            method,
            tone: Tone::Dark,
            smallest_px: 12,
            connectivity: Connectivity::Eight,
            flatten: true,
        }
    }

    /// Discs of radius 6 in a grid, grey 40 on 150, softened by a pixel, with noise and light that falls by a third.
    fn field(noise: i32) -> Grid<u8> {
        let mut state = 7u32;
        Grid::from_fn(400, 300, |x, y| {
            let distance = ((x % 40) as f64 - 20.3).hypot((y % 30) as f64 - 14.6);
            let inside = (6.5 - distance).clamp(0.0, 1.0);
            let light = 1.0 - x as f64 / 1200.0;
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            let wobble = if noise > 0 { (state >> 16) as i32 % (2 * noise + 1) - noise } else { 0 };
            (40.0 + 110.0 * light * (1.0 - inside)).round() as u8 + 15 + wobble as u8
        })
    }

    /// Share of the picture in [`field`]'s discs, whose edge lies at half height, 6 px from the centre.
    const SHARE_PERCENT: f64 = 100.0 * std::f64::consts::PI * 36.0 / 1200.0;

    const ALL_AUTOMATIC: [PoreMethod; 11] = [
        PoreMethod::HalfContrast,
        PoreMethod::Auto,
        PoreMethod::EdgeLevel,
        PoreMethod::Otsu,
        PoreMethod::MinimumError,
        PoreMethod::Kapur,
        PoreMethod::Li,
        PoreMethod::Iterative,
        PoreMethod::Triangle,
        PoreMethod::MultiOtsu,
        PoreMethod::Sauvola,
    ];

    #[test]
    fn pores_under_falling_light_are_found_whole() {
        let found = find(&Grey::Eight(field(8)), &options(PoreMethod::HalfContrast)).unwrap();
        assert_eq!(found.labels.count, 100);
        let porosity = found.porosity_percent.unwrap();
        assert!((porosity - SHARE_PERCENT).abs() < 0.3, "{porosity} against {SHARE_PERCENT}");
        let sensitivity = found.sensitivity.unwrap();
        assert!(sensitivity.porosity_low_percent < porosity && porosity < sensitivity.porosity_high_percent);
        assert!(found.warnings.is_empty(), "{:?}", found.warnings);
        assert_eq!(found.rules.len(), 7);
        assert!(found.background.removed);
    }

    #[test]
    fn an_added_constant_changes_nothing() {
        let picture = field(8);
        let brighter = picture.map(|grey| grey + 20);
        for method in ALL_AUTOMATIC {
            let one = find(&Grey::Eight(picture.clone()), &options(method)).unwrap();
            let other = find(&Grey::Eight(brighter.clone()), &options(method)).unwrap();
            assert_eq!(one.labels, other.labels, "{method:?}");
            assert_eq!(one.porosity_percent, other.porosity_percent);
        }
    }

    #[test]
    fn inverted_greys_with_the_other_tone_change_nothing() {
        let picture = field(8);
        let inverted = picture.map(|grey| 255 - grey);
        let wide = |grid: &Grid<u8>| Grey::Sixteen(grid.map(|grey| u16::from(grey) * 200 + 77));
        let fixed = [PoreMethod::Fixed(100)];
        for method in ALL_AUTOMATIC.into_iter().chain(fixed) {
            let bright = PoreOptions { tone: Tone::Bright, ..options(method) };
            let flipped = match method {
                // Dark: at or below 100. Bright: above 154, which is at or below 100 when inverted.
                PoreMethod::Fixed(grey) => {
                    PoreOptions { method: PoreMethod::Fixed(254 - grey), ..bright.clone() }
                }
                _ => bright.clone(),
            };
            let one = find(&Grey::Eight(picture.clone()), &options(method)).unwrap();
            let other = find(&Grey::Eight(inverted.clone()), &flipped).unwrap();
            assert_eq!(one.labels, other.labels, "{method:?}");
            assert_eq!(one.picture.map(|grey| 255 - grey), other.picture);
            if let (Some(dark), Some(light)) = (one.threshold.grey_level, other.threshold.grey_level) {
                assert!((dark + light - 254.0).abs() < 1e-9, "{method:?}: {dark} and {light}");
            }
        }
        let one = find(&wide(&picture), &options(PoreMethod::HalfContrast)).unwrap();
        let Grey::Sixteen(grid) = wide(&picture) else { unreachable!() };
        let inverted = Grey::Sixteen(grid.map(|grey| 65535 - grey));
        let bright = PoreOptions { tone: Tone::Bright, ..options(PoreMethod::HalfContrast) };
        assert_eq!(one.labels, find(&inverted, &bright).unwrap().labels);
    }

    #[test]
    fn sixteen_bits_say_what_eight_say() {
        let picture = field(8);
        let wide = Grey::Sixteen(picture.map(|grey| u16::from(grey) * 257));
        for method in [PoreMethod::HalfContrast, PoreMethod::Otsu] {
            let eight = find(&Grey::Eight(picture.clone()), &options(method)).unwrap();
            let sixteen = find(&wide, &options(method)).unwrap();
            let difference = eight.porosity_percent.unwrap() - sixteen.porosity_percent.unwrap();
            assert!(difference.abs() < 0.1, "{method:?}: {difference}");
            let greys = eight.threshold.solid_mean_grey.unwrap() * 257.0;
            let wide_greys = sixteen.threshold.solid_mean_grey.unwrap();
            assert!((greys / wide_greys - 1.0).abs() < 0.01, "{greys} and {wide_greys}");
        }
        let eight = find(&Grey::Eight(picture.clone()), &options(PoreMethod::Fixed(100))).unwrap();
        let sixteen = find(&wide, &options(PoreMethod::Fixed(100 * 257))).unwrap();
        assert_eq!(eight.labels, sixteen.labels);
    }

    #[test]
    fn small_features_are_dropped_and_their_area_is_told() {
        let mut picture = field(0);
        // A square of 3 px survives the median without its corners: 5 px.
        (0..9).for_each(|k| picture.set(38 + k % 3, 28 + k / 3, 20));
        let found = find(&Grey::Eight(picture), &options(PoreMethod::Fixed(100))).unwrap();
        assert_eq!(found.labels.count, 100);
        assert!((found.dropped_area_percent - 100.0 * 5.0 / 120_000.0).abs() < 1e-12);
    }

    #[test]
    fn a_picture_of_one_grey_has_no_porosity() {
        for grey in [0, 255, 100] {
            for method in ALL_AUTOMATIC {
                let found = find(&Grey::Eight(Grid::filled(50, 40, grey)), &options(method)).unwrap();
                assert_eq!(found.porosity_percent, None, "{method:?}");
                assert_eq!(found.warnings[0].code, "no-contrast");
                assert!(found.rules.is_empty() && found.sensitivity.is_none());
            }
        }
        let one = find(&Grey::Eight(Grid::filled(1, 1, 9)), &options(PoreMethod::HalfContrast)).unwrap();
        assert_eq!(one.porosity_percent, None);
    }

    #[test]
    fn a_solid_without_pores_is_not_split() {
        let mut state = 3u32;
        let mut wobble = move || {
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            (state >> 16) % 16
        };
        let noise = Grid::from_fn(300, 300, |_, _| (100 + wobble() + wobble() + wobble() + wobble()) as u8);
        let found = find(&Grey::Eight(noise.clone()), &options(PoreMethod::HalfContrast)).unwrap();
        assert_eq!((found.porosity_percent, found.labels.count), (Some(0.0), 0));
        assert_eq!(found.warnings[0].code, "no-pores-found");
        let found = find(&Grey::Eight(noise), &options(PoreMethod::Otsu)).unwrap();
        assert_eq!(found.warnings[0].code, "single-peak");
    }

    #[test]
    fn the_program_takes_half_contrast_for_pores_and_the_edges_for_two_phases() {
        let pores = Grey::Eight(field(8));
        let [chosen, named] =
            [PoreMethod::Auto, PoreMethod::HalfContrast].map(|m| find(&pores, &options(m)).unwrap());
        assert_eq!((chosen.labels, &*chosen.threshold.method), (named.labels, "half-contrast"));
        assert!(chosen.threshold.reason.is_some() && named.threshold.reason.is_none());
        assert!(chosen.warnings.is_empty());
        // Bands of 20 px, 24 greys apart, under light that falls by 60: no peak of its own for either.
        let mut state = 9u32;
        let bands = Grid::from_fn(300, 300, |x, y| {
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            let phase = if (x + y) % 40 < 20 { 0 } else { 24 };
            (100 + phase + x * 60 / 300) as u8 + (state >> 16) as u8 % 12
        });
        let chosen = find(&Grey::Eight(bands), &options(PoreMethod::Auto)).unwrap();
        assert_eq!(chosen.threshold.method, "edge-level");
        assert_eq!(chosen.warnings[0].code, "two-phases");
        // An outline of 2 · 300² / 40 · √2 px that is off by a quarter of a pixel.
        let error = chosen.porosity_percent.unwrap() - 50.0;
        assert!(error.abs() < 100.0 * 0.25 * 2.0 * 2f64.sqrt() / 40.0, "{error}");
    }

    #[test]
    fn grooves_alone_leave_porosity_open() {
        // Lines of all greys between 60 and that of the solid, on one tenth of the picture.
        let picture = Grid::from_fn(300, 360, |x, y| {
            let solid = 140 + ((x * 7 + y * 13) % 11) as u8;
            if x % 20 < 2 { solid.min(60 + (y % 90) as u8) } else { solid }
        });
        let found = find(&Grey::Eight(picture), &options(PoreMethod::HalfContrast)).unwrap();
        assert_eq!(found.porosity_percent, None);
        assert_eq!(found.warnings[0].code, "pores-unclear");
    }

    #[test]
    fn a_typed_grey_beyond_the_file_is_refused() {
        let refused = find(&Grey::Eight(field(0)), &options(PoreMethod::Fixed(300)));
        assert!(matches!(refused, Err(Error::Option { name: "--pores", .. })));
    }

    #[test]
    fn a_typed_grey_darker_than_all_says_that_it_finds_nothing() {
        let found = find(&Grey::Eight(field(0)), &options(PoreMethod::Fixed(3))).unwrap();
        assert_eq!((found.porosity_percent, found.labels.count), (Some(0.0), 0));
        assert_eq!(found.warnings[0].code, "no-pores-found");
    }

    #[test]
    fn a_picture_of_pore_only_says_so() {
        let found = find(&Grey::Eight(Grid::filled(30, 30, 9)), &options(PoreMethod::Fixed(90))).unwrap();
        assert_eq!(found.porosity_percent, Some(100.0));
        assert_eq!(found.warnings[0].code, "all-pore");
    }

    #[test]
    fn a_map_of_probabilities_is_counted_from_one_half_on() {
        // 20 squares of 10 px at 0.8, within squares of 14 px at 0.4; one of 3 px is too small.
        let map = Grid::from_fn(400, 300, |x, y| match (x % 80, y % 75) {
            (20..30, 20..30) => 204,
            (18..32, 18..32) => 102,
            _ if x < 3 && y < 3 => 255,
            _ => 0,
        });
        let found = find_on(&Grey::Eight(field(8)), &map, &options(PoreMethod::Learned)).unwrap();
        assert_eq!(found.labels.count, 20);
        let percent = |px: f64| 100.0 * px / 120_000.0;
        assert_eq!(found.porosity_percent, Some(percent(2000.0)));
        assert_eq!(found.dropped_area_percent, percent(9.0));
        let expected = percent(2000.0 * 0.8 + 20.0 * 96.0 * 0.4 + 9.0);
        assert!((found.expected_porosity_percent.unwrap() - expected).abs() < 1e-9);
        let band = found.sensitivity.unwrap();
        assert_eq!(band.shift_grey_levels, None);
        assert_eq!(band.porosity_low_percent, percent(2000.0));
        assert_eq!(band.porosity_high_percent, percent(20.0 * 196.0));
        assert_eq!((found.threshold.method.as_str(), found.threshold.grey_level), ("learned", None));
        assert!(
            find_on(&Grey::Eight(field(8)), &Grid::filled(4, 4, 0), &options(PoreMethod::Learned)).is_err()
        );
    }

    #[test]
    fn learned_pores_ask_the_network() {
        let grey = Grey::Eight(field(8));
        let maps = learned::maps(&grey, 1.0).unwrap();
        let options = options(PoreMethod::Learned);
        let (asked, given) = (find(&grey, &options).unwrap(), find_on(&grey, &maps.pore, &options).unwrap());
        assert_eq!(asked.labels, given.labels);
        let even = find(&Grey::Eight(Grid::filled(50, 40, 100)), &options).unwrap();
        assert_eq!((even.porosity_percent, even.expected_porosity_percent), (None, None));
        assert_eq!(even.warnings[0].code, "no-contrast");
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let grey = Grey::Eight(field(8));
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| find(&grey, &options(PoreMethod::HalfContrast)).unwrap())
        };
        let (one, four) = (with(1), with(4));
        assert_eq!((one.labels, one.picture), (four.labels, four.picture));
    }
}
