//! Sizes that count with a weight: by number or by area, and against the chance of being cut by the rim.

use crate::measure::distribution::{lognormal, middles, moments, weighted_percentile};
use crate::study::result::Lognormal;
use crate::units::LengthUnit;

/// A size that occurs some times.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// The size, in the unit of the sample.
    pub size: f64,
    /// How often it occurs.
    pub count: u64,
    /// Weight of each occurrence.
    pub weight: f64,
}

/// A sample of weighted sizes, never empty.
#[derive(Clone, Debug, PartialEq)]
pub struct WeightedSizes {
    /// By rising size.
    sizes: Vec<Size>,
    middles: Vec<(f64, f64)>,
}

impl WeightedSizes {
    /// Takes a sample; what does not occur, or has no finite size and weight above zero, is left out. `None` if nothing
    /// is left.
    pub fn new(mut sizes: Vec<Size>) -> Option<Self> {
        let counts = |value: f64| value > 0.0 && value.is_finite();
        sizes.retain(|s| s.count > 0 && counts(s.size) && counts(s.weight));
        sizes.sort_by(|a, b| a.size.total_cmp(&b.size));
        let middles = middles(sizes.iter().map(|s| (s.size, s.count as f64, s.weight)));
        (!sizes.is_empty()).then_some(Self { sizes, middles })
    }

    /// Sizes in the sample.
    pub fn count(&self) -> u64 {
        self.sizes.iter().map(|s| s.count).sum()
    }

    /// The smallest and the largest size.
    pub fn range(&self) -> (f64, f64) {
        (self.sizes[0].size, self.sizes[self.sizes.len() - 1].size)
    }

    /// Weighted mean, Σ weight·size / Σ weight.
    pub fn mean(&self) -> f64 {
        moments(self.runs()).0
    }

    /// Size below which this share, 0 to 1, of the weight lies. A size stands in the middle of its own share; between
    /// the sizes it is linear.
    ///
    /// ```
    /// use ceramograph::measure::weighted::{Size, WeightedSizes};
    ///
    /// let sizes = [1.0, 2.0, 3.0].map(|size| Size { size, count: 1, weight: 1.0 });
    /// assert_eq!(WeightedSizes::new(sizes.to_vec()).unwrap().percentile(0.5), 2.0);
    /// ```
    pub fn percentile(&self, share: f64) -> f64 {
        weighted_percentile(&self.middles, share)
    }

    /// Sizes with the share of the weight, 0 to 1, below the middle of their own; both rise.
    pub fn cumulative(&self) -> &[(f64, f64)] {
        &self.middles
    }

    /// Share of the weight in each class, in percent; a size on an edge belongs to the class above it.
    pub fn class_percent(&self, edges: &[f64]) -> Vec<f64> {
        let mut weights = vec![0.0; edges.len().saturating_sub(1)];
        for s in &self.sizes {
            let class = edges.partition_point(|&edge| edge <= s.size);
            if let Some(weight) = class.checked_sub(1).and_then(|class| weights.get_mut(class)) {
                *weight += s.weight * s.count as f64;
            }
        }
        let all: f64 = self.sizes.iter().map(|s| s.weight * s.count as f64).sum();
        weights.iter().map(|weight| 100.0 * weight / all).collect()
    }

    /// Lognormal distribution with the weighted mean and standard deviation of the logarithms; `None` if all sizes are
    /// equal.
    pub fn lognormal(&self, unit: LengthUnit) -> Option<Lognormal> {
        lognormal(&self.runs().collect::<Vec<_>>(), unit)
    }

    /// Sizes with their weights, scaled so that the weights sum to the count of sizes: n - 1 then means what it says.
    fn runs(&self) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
        let all: f64 = self.sizes.iter().map(|s| s.weight * s.count as f64).sum();
        let scale = self.count() as f64 / all;
        self.sizes.iter().map(move |s| (s.size, s.weight * s.count as f64 * scale))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::distribution::distribution;

    fn sample(sizes: &[(f64, u64, f64)]) -> Option<WeightedSizes> {
        WeightedSizes::new(sizes.iter().map(|&(size, count, weight)| Size { size, count, weight }).collect())
    }

    #[test]
    fn nothing_usable_is_no_sample() {
        assert_eq!(sample(&[]), None);
        assert_eq!(
            sample(&[(1.0, 0, 1.0), (0.0, 1, 1.0), (2.0, 1, f64::NAN), (f64::INFINITY, 1, 1.0)]),
            None
        );
        assert!(sample(&[(3.0, 1, 1.0)]).unwrap().lognormal(LengthUnit::Um).is_none());
    }

    #[test]
    fn a_count_is_so_many_sizes_and_a_weight_has_no_unit() {
        let spelt = sample(&[(4.0, 1, 2.0), (1.0, 1, 2.0), (1.0, 1, 2.0), (1.0, 1, 2.0)]).unwrap();
        let short = sample(&[(1.0, 3, 0.5), (4.0, 1, 0.5)]).unwrap();
        assert_eq!((short.count(), short.mean()), (4, 1.75));
        assert_eq!(spelt.mean(), 1.75);
        for share in [0.1, 0.5, 0.8, 0.95] {
            assert!((spelt.percentile(share) - short.percentile(share)).abs() < 1e-12);
        }
        let (a, b) = (spelt.lognormal(LengthUnit::Um).unwrap(), short.lognormal(LengthUnit::Um).unwrap());
        assert!((a.median.value() - b.median.value()).abs() < 1e-12);
        // Logarithms 0, 0, 0, ln 4: mean ln 4 / 4, standard deviation (n - 1) ln 4 / 2.
        assert!((b.median.value() - 4f64.powf(0.25)).abs() < 1e-12);
        assert!((b.geometric_standard_deviation - 2.0).abs() < 1e-12);
        assert_eq!(short.class_percent(&[1.0, 2.0, 4.0, 8.0]), [75.0, 0.0, 25.0]);
    }

    #[test]
    fn squares_as_weights_give_the_percentiles_by_area() {
        let sizes = [1.0, 1.0, 2.5, 3.0, 3.0, 4.0, 7.0];
        let weighted = sample(&sizes.map(|size| (size, 1, size * size))).unwrap();
        let by_area = distribution(&sizes, LengthUnit::Um).unwrap().area_weighted_percentiles;
        for (share, want) in [(0.1, by_area.p10), (0.25, by_area.p25), (0.5, by_area.p50), (0.9, by_area.p90)]
        {
            assert!((weighted.percentile(share) - want.value()).abs() < 1e-12);
        }
    }
}
