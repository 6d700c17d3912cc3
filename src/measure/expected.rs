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
    /// How far counts on such a surface fall short, as the network says.
    shortfall: f64,
}

impl Expected {
    /// Factor on a mean intercept that takes out the bias found on drawn pictures; `cut_passages` are those of the boundaries that
    /// are more likely real than not.
    pub fn correction(&self, cut_passages: u64) -> f64 {
        let excess = libm::log(self.passages / cut_passages as f64);
        libm::exp(-calibration().bias_at(self.ambiguity, self.shortfall, excess))
    }

    /// How far the segmentation leaves the `mean` open, which has been corrected by this factor.
    ///
    /// The logarithm of the mean is taken as normal; its variance is that of the count plus that of the correction. 1.96
    /// standard deviations either side hold 95 %.
    pub fn doubt(&self, mean: f64, correction: f64, spacing: Spacing) -> SegmentationDoubt {
        let [constant, linear] = calibration().spread;
        let of_count = self.deviation / self.passages.max(f64::MIN_POSITIVE);
        let deviation = of_count.hypot(constant + linear * self.ambiguity);
        let reach = libm::exp(1.96 * deviation);
        SegmentationDoubt {
            expected_count: self.passages,
            ambiguity: self.ambiguity,
            correction,
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
        shortfall: likely.view.shortfall,
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

#[cfg(test)]
mod tests {
    use super::super::test_line::{Kept, ParallelLines};
    use super::*;
    use crate::grid::{Grid, Labels};
    use crate::segment::learned::grains::{LikelyEdge, View};

    fn likely(grid: Grid<u32>, grain_of: &[u32], edges: &[(u32, u32, f64)]) -> Likely {
        let count = grain_of.len() as u32 - 1;
        let edge = |&(a, b, probability)| LikelyEdge { a, b, length_px: 1, probability };
        Likely {
            regions: Labels { grid, count },
            grain_of: grain_of.to_vec(),
            edges: edges.iter().map(edge).collect(),
            view: View::default(),
        }
    }

    /// What lines along every row (0°) or column (90°) are expected to pass.
    fn along(likely: &Likely, angles: &[f64]) -> Expected {
        let grid = &likely.regions.grid;
        let count = |&angle: &f64| {
            let size = (grid.width(), grid.height());
            let mut lines = ParallelLines::new(size, Spacing::PIXELS, (angle, 1), Kept::Labels);
            lines.walk(0, grid, 0..grid.height());
            lines.finish()
        };
        let counts: Vec<LineCount> = angles.iter().map(count).collect();
        expected(likely, counts.iter())
    }

    /// Four regions of 3 x 2 px: two rows pass 1|2 and two 3|4, three columns pass 1|3 and three 2|4.
    fn quarters() -> Likely {
        let grid = Grid::from_fn(6, 4, |x, y| 1 + u32::from(x >= 3) + 2 * u32::from(y >= 2));
        likely(grid, &[0, 1, 2, 3, 4], &[(1, 2, 0.9), (1, 3, 0.5), (2, 4, 1.0), (3, 4, 0.2)])
    }

    fn assert_close(found: f64, by_hand: f64) {
        assert!((found - by_hand).abs() < 1e-12, "{found} {by_hand}");
    }

    #[test]
    fn every_passage_counts_by_the_probability_of_its_boundary() {
        let found = along(&quarters(), &[0.0, 90.0]);
        assert_close(found.sets[0], 2.0 * 0.9 + 2.0 * 0.2);
        assert_close(found.sets[1], 3.0 * 0.5 + 3.0 * 1.0);
        assert_close(found.passages, 6.7);
        // Sum of n p (1 - p) over the passages: 0.18 + 0.32 + 0.75 + 0.
        assert_close(found.ambiguity, 1.25 / 6.7);
        // Sum of n² p (1 - p): 0.36 + 0.64 + 2.25 + 0.
        assert_close(found.deviation, 3.25f64.sqrt());
    }

    #[test]
    fn a_boundary_passed_by_two_sets_is_real_for_both_or_for_none() {
        let (once, twice) = (along(&quarters(), &[0.0]), along(&quarters(), &[0.0, 0.0]));
        // Four passages of each boundary vary by four, not by the root of two times two twice.
        assert_close(once.deviation, (4.0 * 0.09 + 4.0 * 0.16f64).sqrt());
        assert_close(twice.deviation, 2.0 * once.deviation);
        assert_close(twice.passages, 2.0 * once.passages);
        assert_close(twice.ambiguity, once.ambiguity);
    }

    #[test]
    fn certain_boundaries_leave_no_doubt_of_their_number() {
        let mut certain = quarters();
        certain.edges.iter_mut().for_each(|edge| edge.probability = 1.0);
        let found = along(&certain, &[0.0, 90.0]);
        assert_eq!((found.passages, found.deviation, found.ambiguity), (10.0, 0.0, 0.0));
    }

    #[test]
    fn across_a_pore_the_cut_at_one_half_decides() {
        let grid = || Grid::from_fn(6, 3, |x, _| [1, 1, 0, 0, 2, 2][x]);
        let two = along(&likely(grid(), &[0, 1, 2], &[]), &[0.0]);
        assert_eq!((two.passages, two.deviation, two.ambiguity), (3.0, 0.0, 0.0));
        let one = along(&likely(grid(), &[0, 1, 1], &[]), &[0.0]);
        assert_eq!((one.passages, one.deviation, one.ambiguity), (0.0, 0.0, 1.0));
    }

    #[test]
    fn the_interval_is_that_of_a_lognormal_mean() {
        let mut seen = quarters();
        seen.view.shortfall = 0.04;
        let found = along(&seen, &[0.0, 90.0]);
        let ambiguity: f64 = 1.25 / 6.7;
        let [first, second, third, fourth] = calibration().bias;
        let bias = first * ambiguity.powi(2) + second * ambiguity.powi(3) + third * 0.04;
        // With both boundaries of one half and more that makes 2 + 3 + 3 passages.
        let bias = bias + fourth * (6.7f64 / 8.0).ln();
        let correction = found.correction(8);
        assert_close(correction.ln(), -bias);
        // No surface hides more than the boundaries that are seen leave in doubt.
        seen.view.shortfall = -2.0;
        let most = along(&seen, &[0.0, 90.0]).correction(8).ln();
        assert_close(most, -bias + third * (0.04 + ambiguity));
        let [constant, linear] = calibration().spread;
        let deviation = (3.25 / (6.7 * 6.7) + (constant + linear * ambiguity).powi(2)).sqrt();
        let doubt = found.doubt(8.0, correction, Spacing::um(1.0, 1.0));
        assert_eq!(doubt.correction, correction);
        assert_close(doubt.relative_deviation, deviation);
        let [low, high] = [doubt.ci95_low, doubt.ci95_high].map(|end| end.um().unwrap());
        assert_close((8.0 / low).ln(), 1.96 * deviation);
        assert_close((high / 8.0).ln(), 1.96 * deviation);
    }
}
