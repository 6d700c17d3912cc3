//! Whether pores are told by the greys of a picture or by the network, where the program chooses.

use crate::error::Error;
use crate::grid::Grid;
use crate::micrograph::Grey;
use crate::options::{PoreMethod, PoreOptions};
use crate::segment::grey_levels::histogram;
use crate::segment::pores::{Levelled, PoreMap, as_it_is, found};
use crate::warning::Warning;

/// Threshold and network agree within this many percentage points, or within this share of what the network finds. On 100
/// phantoms the threshold was then off by 0.2 points in the median, else by 5.1, and the network by 0.1 and 0.7.
const AGREEING_POINTS: f64 = 0.5;
const AGREEING_SHARE: f64 = 0.15;
/// A threshold that agrees is moved by this many of 256 levels at most.
const MOST_LEVELS: u8 = 16;
/// Mean probability of being none, over the expected area of pores, above which learned pores are doubtful. Pores between
/// packed bodies gave 0.03 to 0.26, dark phases that are no pores 0.23 to 0.54.
const DOUBTFUL: f64 = 0.2;

/// The pores of a picture by the threshold that suits its greys where the network confirms it, else by the network.
///
/// # Errors
/// [`Error::Option`] if the options name a grey that the file cannot hold.
pub(super) fn chosen(grey: &Grey, probability: &Grid<u8>, options: &PoreOptions) -> Result<PoreMap, Error> {
    let learned = Learned::of(probability);
    let mut moved = 0.0;
    let mut by_greys = found(grey, None, options, |levelled| {
        if levelled.rule == PoreMethod::HalfContrast {
            moved = learned.halfway(levelled);
        }
        moved
    })?;
    let rule = std::mem::take(&mut by_greys.numbers.threshold.method);
    let agree = by_greys.numbers.porosity_percent.is_some_and(|percent| learned.agrees_with(percent));
    let two_phases = rule == PoreMethod::EdgeLevel.name() && learned.doubt > DOUBTFUL;
    if agree || two_phases {
        let told = if agree {
            "and the trained network finds about the same"
        } else {
            "and the trained network is in doubt"
        };
        let reason = by_greys.numbers.threshold.reason.unwrap_or_default();
        by_greys.numbers.threshold.reason =
            Some(format!("{reason}; {told}: {:.2} %{}", learned.percent, halfway_in_words(moved)));
        by_greys.numbers.threshold.method = rule;
        return Ok(by_greys);
    }
    let instead =
        by_greys.numbers.porosity_percent.map_or("none".to_owned(), |percent| format!("{percent:.2} %"));
    drop(by_greys);
    let mut map = found(grey, Some(probability), options, as_it_is)?;
    map.numbers.threshold.reason = Some(format!(
        "the trained network finds {:.2} %, the threshold that suits the greys best ({rule}) {instead}: where they differ, \
         the network was closer on drawn pictures",
        learned.percent
    ));
    Ok(map)
}

fn halfway_in_words(moved: f64) -> String {
    if moved == 0.0 {
        return String::new();
    }
    let towards = if moved > 0.0 { "solid" } else { "pores" };
    format!(
        "; half way between both was nearer on drawn pictures, so the level was moved by {} of 256 levels towards the {towards}",
        moved.abs()
    )
}

/// What learned probabilities say of the whole picture.
pub(crate) struct Learned {
    /// Share of pixels with a probability of one half and more, in percent.
    percent: f64,
    /// Sum of the probabilities, in percent of the picture.
    pub expected_percent: f64,
    /// Mean of 1 - p over the expected area; 0 where every pore is certain or there is none.
    doubt: f64,
}

impl Learned {
    /// Sums over the map of probabilities in 255 parts.
    pub fn of(probability: &Grid<u8>) -> Self {
        let counts = histogram(probability);
        let sum = |weight: fn(f64) -> f64| -> f64 {
            counts.iter().enumerate().map(|(part, &count)| count as f64 * weight(part as f64 / 255.0)).sum()
        };
        let expected = sum(|p| p);
        let parts: u64 = counts.iter().zip(0u64..).map(|(&count, part)| count * part).sum();
        Self {
            expected_percent: 100.0 * parts as f64 / (255.0 * probability.len() as f64),
            percent: 100.0 * sum(|p| f64::from(u8::from(p >= 0.5))) / probability.len() as f64,
            doubt: if expected > 0.0 { sum(|p| p * (1.0 - p)) / expected } else { 0.0 },
        }
    }

    /// Whether another porosity in percent is about the same.
    fn agrees_with(&self, percent: f64) -> bool {
        (percent - self.percent).abs() <= AGREEING_POINTS.max(AGREEING_SHARE * self.percent)
    }

    /// Working levels by which a level is to be moved so that porosity comes to half way between its own and the network's, in
    /// whole levels; 0 where both do not agree.
    ///
    /// Their errors have little to do with each other: one goes by the greys of the whole picture, the other by what surrounds
    /// each pixel.
    fn halfway(&self, levelled: &Levelled) -> f64 {
        let own = levelled.percent(0.0);
        let middle = f64::midpoint(own, self.percent);
        let step = if middle < own { -1.0 } else { 1.0 };
        // Where either finds nothing, no rims are there to lie between.
        if own == 0.0 || self.percent == 0.0 || !self.agrees_with(own) {
            return 0.0;
        }
        let (mut best, mut missed) = (0.0, (own - middle).abs());
        for levels in 1..=MOST_LEVELS {
            let there = (levelled.percent(step * f64::from(levels)) - middle).abs();
            if there > missed {
                break;
            }
            if there < missed {
                (best, missed) = (step * f64::from(levels), there);
            }
        }
        best
    }

    /// The doubt that what the network takes for pores may be none.
    pub fn doubtful(&self) -> Option<Warning> {
        (self.doubt > DOUBTFUL).then(|| {
            let text = format!(
                "what the trained network takes for pores is none with a mean probability of {:.2}, where {DOUBTFUL} is much: \
                 porosity may be far off; look at the overlay, or name a threshold (--pores half-contrast)",
                self.doubt
            );
            Warning::new("pores-doubtful", text)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::options::Options;

    const SIDE: usize = 128;

    fn in_pore(x: usize, y: usize) -> bool {
        (x % 32).abs_diff(16).pow(2) + (y % 32).abs_diff(16).pow(2) < 36
    }

    fn choice(probability: impl Fn(usize, usize) -> u8) -> PoreMap {
        let picture = Grid::from_fn(SIDE, SIDE, |x, y| {
            let ripple = ((7 * x + 13 * y) % 11) as u8;
            ripple + if in_pore(x, y) { 40 } else { 170 }
        });
        let options = PoreOptions { method: PoreMethod::Auto, ..Options::default().pore_options() };
        chosen(&Grey::Eight(picture), &Grid::from_fn(SIDE, SIDE, probability), &options).unwrap()
    }

    #[test]
    fn the_threshold_counts_where_the_network_finds_as_much() {
        let map = choice(|x, y| if in_pore(x, y) { 250 } else { 3 });
        assert_eq!(map.numbers.threshold.method, "half-contrast");
        assert!(
            map.numbers.threshold.reason.unwrap().contains("about the same")
                && map.numbers.warnings.is_empty()
        );
    }

    fn from_middle(x: usize, y: usize) -> f64 {
        let along = |v: usize| (v % 32) as f64 - 15.5;
        along(x).hypot(along(y))
    }

    /// Pores whose rims rise by 16 greys a pixel, and the porosity in percent by half contrast alone.
    fn sloped() -> (Grey, f64) {
        let picture = Grid::from_fn(SIDE, SIDE, |x, y| {
            let ripple = ((7 * x + 13 * y) % 5) as u8;
            ripple + (40.0 + 16.0 * (from_middle(x, y) - 5.0)).clamp(40.0, 120.0) as u8
        });
        let grey = Grey::Eight(picture);
        let options = PoreOptions { method: PoreMethod::HalfContrast, ..Options::default().pore_options() };
        let own = found(&grey, None, &options, as_it_is).unwrap().numbers.porosity_percent.unwrap();
        (grey, own)
    }

    #[test]
    fn a_threshold_moves_half_way_to_a_network_that_finds_about_the_same() {
        let (grey, own) = sloped();
        let options = PoreOptions { method: PoreMethod::Auto, ..Options::default().pore_options() };
        let mut moved = Vec::new();
        for tenths in 60..110 {
            let reach = f64::from(tenths) / 10.0;
            let probability =
                Grid::from_fn(SIDE, SIDE, |x, y| if from_middle(x, y) < reach { 250 } else { 3 });
            let learned = Learned::of(&probability);
            let numbers = chosen(&grey, &probability, &options).unwrap().numbers;
            if !learned.agrees_with(own) {
                assert_eq!(numbers.threshold.method, "learned");
                continue;
            }
            let reason = numbers.threshold.reason.unwrap();
            let (middle, percent) = (f64::midpoint(own, learned.percent), numbers.porosity_percent.unwrap());
            // A ring of pixels of one grey is what a level can take in.
            assert!((percent - middle).abs() <= (own - middle).abs(), "{own} {percent} {}", learned.percent);
            if percent != own {
                let towards = if learned.percent > own { "towards the solid" } else { "towards the pores" };
                assert!((percent > own) == (learned.percent > own) && reason.contains(towards), "{reason}");
                moved.push(percent > own);
            }
        }
        assert!(moved.contains(&true) && moved.contains(&false), "{moved:?}");
    }

    #[test]
    fn a_threshold_stays_where_the_network_finds_the_same() {
        let told = choice(|x, y| if in_pore(x, y) { 250 } else { 3 }).numbers.threshold.reason.unwrap();
        assert!(!told.contains("moved"), "{told}");
    }

    #[test]
    fn the_network_counts_where_both_differ() {
        let map = choice(|x, y| if x < SIDE / 2 && in_pore(x, y) { 250 } else { 0 });
        assert_eq!((map.numbers.threshold.method.as_str(), map.labels.count), ("learned", 8));
        assert!(map.numbers.warnings.is_empty());
    }

    #[test]
    fn pores_that_the_network_is_not_sure_of_are_doubtful() {
        let map = choice(|x, _| if x < 20 { 140 } else { 0 });
        assert_eq!(map.numbers.threshold.method, "learned");
        assert!(map.numbers.warnings.iter().any(|doubt| doubt.code == "pores-doubtful"));
    }

    #[test]
    fn sums_over_probabilities_are_those_by_hand() {
        // A quarter of the pixels at 204 of 255, which is 0.8; the rest none.
        let learned = Learned::of(&Grid::from_fn(4, 4, |x, _| if x == 0 { 204 } else { 0 }));
        assert_eq!(learned.percent, 25.0);
        assert!((learned.expected_percent - 20.0).abs() < 1e-9 && (learned.doubt - 0.2).abs() < 1e-9);
    }
}
