//! Whether pores are told by the greys of a picture or by the network, where the program chooses.

use crate::error::Error;
use crate::grid::Grid;
use crate::micrograph::Grey;
use crate::options::{PoreMethod, PoreOptions};
use crate::segment::grey_levels::histogram;
use crate::segment::pores::{PoreMap, found};
use crate::warning::Warning;

/// Threshold and network agree within this many percentage points, or within this share of what the network finds. On 100
/// phantoms the threshold was then off by 0.2 points in the median, else by 5.1, and the network by 0.1 and 0.7.
const AGREEING_POINTS: f64 = 0.5;
const AGREEING_SHARE: f64 = 0.15;
/// Mean probability of being none, over the expected area of pores, above which learned pores are doubtful. Pores between
/// packed bodies gave 0.03 to 0.26, dark phases that are no pores 0.23 to 0.54.
const DOUBTFUL: f64 = 0.2;

/// The pores of a picture by the threshold that suits its greys where the network confirms it, else by the network.
///
/// # Errors
/// [`Error::Option`] if the options name a grey that the file cannot hold.
pub(super) fn chosen(grey: &Grey, probability: &Grid<u8>, options: &PoreOptions) -> Result<PoreMap, Error> {
    let learned = Learned::of(probability);
    let mut by_greys = found(grey, None, options)?;
    let rule = std::mem::take(&mut by_greys.numbers.threshold.method);
    let difference = by_greys.numbers.porosity_percent.map(|percent| (percent - learned.percent).abs());
    let agree = difference.is_some_and(|d| d <= AGREEING_POINTS.max(AGREEING_SHARE * learned.percent));
    let two_phases = rule == PoreMethod::EdgeLevel.name() && learned.doubt > DOUBTFUL;
    if agree || two_phases {
        let told = if agree {
            "and the trained network finds about the same"
        } else {
            "and the trained network is in doubt"
        };
        let reason = by_greys.numbers.threshold.reason.unwrap_or_default();
        by_greys.numbers.threshold.reason = Some(format!("{reason}; {told}: {:.2} %", learned.percent));
        by_greys.numbers.threshold.method = rule;
        return Ok(by_greys);
    }
    let instead =
        by_greys.numbers.porosity_percent.map_or("none".to_owned(), |percent| format!("{percent:.2} %"));
    drop(by_greys);
    let mut map = found(grey, Some(probability), options)?;
    map.numbers.threshold.reason = Some(format!(
        "the trained network finds {:.2} %, the threshold that suits the greys best ({rule}) {instead}: where they differ, \
         the network was closer on drawn pictures",
        learned.percent
    ));
    Ok(map)
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
