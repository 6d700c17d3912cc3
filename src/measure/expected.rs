//! Expected boundary passages: each boundary counts by the probability that it is real.

use rayon::prelude::*;

use super::test_line::LineCount;
use crate::segment::learned::grains::Likely;
use crate::segment::learned::likelihood::calibration;
use crate::study::result::SegmentationDoubt;
use crate::units::Spacing;

/// What all sets together are expected to pass.
#[derive(Clone, Debug)]
pub(crate) struct Expected {
    /// Expected passages of each set of lines.
    pub sets: Vec<f64>,
    /// Their sum.
    pub passages: f64,
    /// Standard deviation of that sum if boundaries were real or not independently of each other.
    deviation: f64,
    /// Ambiguity: mean of 1 - p over the expected passages, p the probability of the boundary passed. 0 where every
    /// boundary is certain.
    ambiguity: f64,
}

impl Expected {
    /// Factor on a mean intercept that takes out the bias found on phantoms.
    pub fn correction(&self) -> f64 {
        libm::exp(-calibration().bias)
    }

    /// How far the segmentation leaves the corrected `mean` open.
    ///
    /// The logarithm of the mean is taken as normal; its variance is that of the count plus that of the correction. 1.96
    /// standard deviations either side hold 95 %.
    pub fn doubt(&self, mean: f64, spacing: Spacing) -> SegmentationDoubt {
        let [constant, linear] = calibration().spread;
        let of_count = self.deviation / self.passages.max(f64::MIN_POSITIVE);
        let deviation = of_count.hypot(constant + linear * self.ambiguity);
        let reach = libm::exp(1.96 * deviation);
        SegmentationDoubt {
            expected_count: self.passages,
            ambiguity: self.ambiguity,
            relative_deviation: deviation,
            ci95_low: spacing.length(mean / reach),
            ci95_high: spacing.length(mean * reach),
        }
    }
}

/// Adds up the probabilities of the boundaries that lines on `likely.regions` pass.
///
/// Regions on both sides of a pore may share no boundary; then the cut at one half decides.
pub(crate) fn expected<'a>(likely: &Likely, counts: impl Iterator<Item = &'a LineCount>) -> Expected {
    let mut all = Vec::new();
    let mut sets = Vec::new();
    for count in counts {
        let mut passed = count.passed.clone();
        passed.par_sort_unstable();
        let weighed = weigh(likely, &passed);
        sets.push(weighed.iter().map(|w| w.count * w.probability).sum());
        all.extend(weighed);
    }
    // Neighbouring lines and other directions cross the same boundary: it is real for all of them or for none.
    all.sort_unstable_by_key(|w| w.pair);
    all.dedup_by(|next, kept| {
        let same = next.pair == kept.pair;
        if same {
            kept.count += next.count;
        }
        same
    });
    let passages: f64 = all.iter().map(|w| w.count * w.probability).sum();
    let doubt: f64 = all.iter().map(|w| w.count * w.probability * (1.0 - w.probability)).sum();
    let variance: f64 = all.iter().map(|w| w.count * w.count * w.probability * (1.0 - w.probability)).sum();
    Expected {
        sets,
        passages,
        deviation: libm::sqrt(variance),
        ambiguity: if passages > 0.0 { doubt / passages } else { 1.0 },
    }
}

/// How often a boundary was passed.
struct Weighed {
    pair: (u32, u32),
    count: f64,
    probability: f64,
}

fn weigh(likely: &Likely, passed: &[(u32, u32)]) -> Vec<Weighed> {
    let mut edges = likely.edges.iter().peekable();
    passed
        .chunk_by(|first, second| first == second)
        .map(|run| {
            let pair = run[0];
            while edges.next_if(|edge| (edge.a, edge.b) < pair).is_some() {}
            let cut = || {
                let [a, b] = [pair.0, pair.1].map(|region| likely.grain_of[region as usize]);
                f64::from(u8::from(a != b))
            };
            let touching = edges.peek().filter(|edge| (edge.a, edge.b) == pair);
            let probability = touching.map_or_else(cut, |edge| edge.probability);
            Weighed { pair, count: run.len() as f64, probability }
        })
        .collect()
}
