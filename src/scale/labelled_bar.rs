//! The bar and its printed length, read off a picture together.

use super::bar::{self, BarCandidate};
use super::label::{self, Label};
use crate::error::Error;
use crate::micrograph::{Grey, InfoStrip};

/// A scale bar with the length that is printed beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelledBar {
    /// The bar.
    pub bar: BarCandidate,
    /// Its label.
    pub label: Label,
    /// Why the two are not to be relied on; `None` if they are.
    pub doubt: Option<String>,
    /// Relative difference to other lines that may be meant by the same label: a scale that is drawn twice.
    pub spread: f64,
}

/// What a certain label at the bar adds to the worth of the bar, and what each height of distance takes off.
const LABEL: f64 = 0.5;
const DISTANCE: f64 = 0.05;
/// A labelled bar whose worth is less than that of the best one by this is no rival.
const BEHIND: f64 = 0.15;
/// Labels are looked for beside this many bars, the most likely ones.
const MOST_BARS: usize = 5;
/// Bars less likely than this are none, whatever stands beside them.
const LEAST_BAR: f64 = 0.35;
/// A bar of this confidence is enough where a clear label stands near it, in heights of its text.
const LIKELY_WITH_LABEL: f64 = 0.65;
const NEAR: f64 = 1.5;
const CLEAR: f64 = 0.95;
/// Two lines whose lengths differ by less are one scale drawn twice, and the difference is the uncertainty.
const SAME_BAR: f64 = 0.06;

/// The labelled bar of a picture; `None` if no likely bar has a length beside it.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub fn find(
    grey: &Grey,
    strip: Option<InfoStrip>,
    candidates: &[BarCandidate],
) -> Result<Option<LabelledBar>, Error> {
    let grid = bar::levels::eight_bit(grey);
    let mut found: Vec<LabelledBar> = Vec::new();
    for bar in candidates.iter().filter(|bar| bar.confidence >= LEAST_BAR).take(MOST_BARS) {
        // Whatever its label, it would be neither the best one nor a rival.
        if found.iter().any(|best| bar.confidence + LABEL <= best.worth() - BEHIND) {
            break;
        }
        if let Some(label) = label::beside(&grid, &bar.bar, strip)? {
            let mut bar = bar.clone();
            if bar.is_broken && !label.stands_in(&bar.bar) {
                bar.without_letters("its label does not stand in its gap");
            }
            found.push(LabelledBar { bar, label, doubt: None, spread: 0.0 });
        }
    }
    found.sort_by(|a, b| b.worth().total_cmp(&a.worth()));
    let rest = found.split_off(found.len().min(1));
    let Some(mut best) = found.pop() else { return Ok(None) };
    best.doubt = best.doubt(&rest);
    best.spread =
        rest.iter().map(|other| best.apart(other)).filter(|&apart| apart <= SAME_BAR).fold(0.0, f64::max);
    Ok(Some(best))
}

impl LabelledBar {
    fn worth(&self) -> f64 {
        self.bar.confidence + LABEL * self.label.probability - DISTANCE * self.label.distance.min(6.0)
    }

    /// µm in one pixel.
    fn um_per_px(&self) -> f64 {
        self.label.length_um / self.bar.bar.length_px()
    }

    fn doubt(&self, others: &[Self]) -> Option<String> {
        if let Some(doubt) = self.label.doubt {
            return Some(format!("{doubt} (“{}”, {:.0} %)", self.label.text, 100.0 * self.label.probability));
        }
        if self.bar.is_cut {
            return Some(self.bar.doubt());
        }
        if self.bar.is_blurred() {
            return Some("the ends of the bar are blurred".to_owned());
        }
        if self.label.between_lines {
            return Some("the line may be one half of a line that its label breaks".to_owned());
        }
        let clear = self.label.distance <= NEAR && self.label.probability >= CLEAR;
        if !(self.bar.is_likely() || clear && self.bar.confidence >= LIKELY_WITH_LABEL) {
            return Some(format!("the bar is uncertain ({})", self.bar.doubt()));
        }
        let rival = others.iter().find(|other| {
            other.bar.is_likely() && self.apart(other) > SAME_BAR && other.worth() > self.worth() - BEHIND
        });
        rival.map(|other| {
            format!(
                "“{}” at a line of {:.0} px would fit as well",
                other.label.text,
                other.bar.bar.length_px()
            )
        })
    }

    /// Difference of the pixel sizes that two labelled bars give, as a logarithm.
    fn apart(&self, other: &Self) -> f64 {
        libm::log(other.um_per_px() / self.um_per_px()).abs()
    }
}
