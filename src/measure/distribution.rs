//! A sample of sizes in numbers: moments, percentiles, lognormal fit and histogram.

use rayon::slice::ParallelSliceMut;
use statrs::distribution::{ContinuousCDF, Normal};

use crate::study::result::{Distribution, Histogram, Lognormal, Percentiles};
use crate::units::{Length, LengthUnit};

/// Describes sizes in `unit`; sizes that are not finite and above zero are left out, `None` if none is left.
///
/// Percentiles by number interpolate linearly between the sorted sizes, the smallest being 0 % and the largest 100 %.
/// Percentiles by area weigh each size by its square; a size stands in the middle of its share of the area.
///
/// ```
/// use ceramograph::measure::distribution::distribution;
/// use ceramograph::units::LengthUnit;
///
/// let sizes = distribution(&[1.0, 2.0, 3.0, 4.0], LengthUnit::Um).unwrap();
/// assert_eq!(sizes.percentiles.p25.value(), 1.75);
/// ```
pub fn distribution<T: Copy + Into<f64>>(sizes: &[T], unit: LengthUnit) -> Option<Distribution> {
    let mut sorted: Vec<f64> =
        sizes.iter().map(|&s| s.into()).filter(|s: &f64| *s > 0.0 && s.is_finite()).collect();
    sorted.par_sort_unstable_by(f64::total_cmp);
    if sorted.is_empty() {
        return None;
    }
    // Chords are few different lengths many times over, so all that follows works on runs of equal sizes.
    let runs: Vec<(f64, f64)> =
        sorted.chunk_by(|a, b| a == b).map(|run| (run[0], run.len() as f64)).collect();
    let (mean, deviation) = moments(runs.iter().copied());
    Some(Distribution {
        count: sorted.len() as u64,
        mean: length(mean, unit),
        standard_deviation: (sorted.len() > 1).then(|| length(deviation, unit)),
        percentiles: percentiles(unit, |share| percentile(&sorted, share)),
        area_weighted_percentiles: area_weighted(&runs, unit),
        lognormal: lognormal(&runs, unit),
        histogram: histogram(&sorted, unit),
    })
}

/// Mean and standard deviation (n - 1) of values that occur so many times each.
pub(super) fn moments(runs: impl Iterator<Item = (f64, f64)> + Clone) -> (f64, f64) {
    let n: f64 = runs.clone().map(|(_, count)| count).sum();
    let mean = runs.clone().map(|(value, count)| value * count).sum::<f64>() / n;
    let squares: f64 = runs.map(|(value, count)| count * (value - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

pub(super) fn length(value: f64, unit: LengthUnit) -> Length {
    match unit {
        LengthUnit::Um => Length::Um(value),
        LengthUnit::Px => Length::Px(value),
    }
}

fn percentiles(unit: LengthUnit, at: impl Fn(f64) -> f64) -> Percentiles {
    let [p10, p25, p50, p75, p90] = [0.10, 0.25, 0.50, 0.75, 0.90].map(|share| length(at(share), unit));
    Percentiles { p10, p25, p50, p75, p90 }
}

/// Size below which a share of the `sorted` sizes lies; linear between the sizes.
///
/// # References
/// Hyndman and Fan, Am. Stat. 50 (1996) 361, definition 7 (from memory).
pub(crate) fn percentile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

fn area_weighted(runs: &[(f64, f64)], unit: LengthUnit) -> Percentiles {
    let middles = middles(runs.iter().map(|&(size, count)| (size, count, size * size)));
    percentiles(unit, |share| weighted_percentile(&middles, share))
}

/// Sizes with the share of the whole weight below the middle of their own, rising; of rising sizes that occur so many
/// times with such a weight each. The first and the last of equal sizes stand in the middle of their own shares.
pub(super) fn middles(runs: impl Iterator<Item = (f64, f64, f64)>) -> Vec<(f64, f64)> {
    let mut sum = 0.0;
    let mut middles: Vec<(f64, f64)> = runs
        .flat_map(|(size, count, weight)| {
            let before = sum;
            sum += weight * count;
            [(size, before + weight / 2.0), (size, sum - weight / 2.0)]
        })
        .collect();
    middles.iter_mut().for_each(|middle| middle.1 /= sum);
    middles
}

/// Size below which a share of the weight lies; linear between the middles.
pub(super) fn weighted_percentile(middles: &[(f64, f64)], share: f64) -> f64 {
    let above = middles.partition_point(|m| m.1 < share);
    if above == 0 || above == middles.len() {
        return middles[above.min(middles.len() - 1)].0;
    }
    let ((small, low), (large, high)) = (middles[above - 1], middles[above]);
    small + (share - low) / (high - low) * (large - small)
}

/// Lognormal with the mean and standard deviation (n - 1) of the logarithms; `None` if all sizes are equal.
pub(super) fn lognormal(runs: &[(f64, f64)], unit: LengthUnit) -> Option<Lognormal> {
    if runs.len() < 2 {
        return None;
    }
    let logarithms: Vec<(f64, f64)> = runs.iter().map(|&(size, count)| (size.ln(), count)).collect();
    let (mean, deviation) = moments(logarithms.iter().copied());
    let normal = Normal::new(mean, deviation).ok()?;
    let n: f64 = runs.iter().map(|(_, count)| count).sum();
    // Equal sizes make one step of the observed curve; the fit is compared below and above it.
    let mut below = 0.0;
    let mut distance: f64 = 0.0;
    for &(logarithm, count) in &logarithms {
        let fitted = normal.cdf(logarithm);
        distance = distance.max(fitted - below / n).max((below + count) / n - fitted);
        below += count;
    }
    Some(Lognormal {
        median: length(mean.exp(), unit),
        geometric_standard_deviation: deviation.exp(),
        kolmogorov_distance: distance,
    })
}

impl Lognormal {
    /// Share of sizes below `size`, 0 to 1.
    pub fn share_below(&self, size: f64) -> f64 {
        let spread = self.geometric_standard_deviation.ln();
        Normal::standard().cdf((size / self.median.value()).ln() / spread)
    }
}

/// Preferred numbers of ten steps a decade, ISO 3 series R10; every second one is series R5.
const PREFERRED: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// Below this many sizes classes are twice as wide, so that few classes stand empty by chance.
const FINE_CLASSES_FROM: usize = 100;

/// Counts in classes that widen by a constant factor, with edges that are preferred numbers: 1, 1.25, 1.6, 2, 2.5, 3.15,
/// 4, 5, 6.3, 8, 10, or every second of them below 100 sizes.
///
/// Sizes of grains are near to lognormal, so such classes show both tails, and equal samples get equal edges, so that
/// fields and specimens can be laid over each other.
fn histogram(sorted: &[f64], unit: LengthUnit) -> Histogram {
    let edges = class_edges(sorted[0], sorted[sorted.len() - 1], sorted.len());
    let counts = edges
        .windows(2)
        .map(|class| {
            let below = |edge: f64| sorted.partition_point(|&s| s < edge);
            (below(class[1]) - below(class[0])) as u64
        })
        .collect();
    let (bin_edges_um, bin_edges_px) = match unit {
        LengthUnit::Um => (Some(edges), None),
        LengthUnit::Px => (None, Some(edges)),
    };
    Histogram { bin_edges_um, bin_edges_px, counts }
}

/// Edges of the classes that hold all of `count` sizes between the smallest and the largest.
pub(crate) fn class_edges(smallest: f64, largest: f64, count: usize) -> Vec<f64> {
    let stride = if count < FINE_CLASSES_FROM { 2 } else { 1 };
    let mut step = (10.0 * smallest.log10() / f64::from(stride)).floor() as i32 + 1;
    while preferred(step * stride) > smallest {
        step -= 1;
    }
    let mut edges = vec![preferred(step * stride)];
    while edges.last().is_some_and(|&edge| edge <= largest) {
        step += 1;
        edges.push(preferred(step * stride));
    }
    edges
}

/// The preferred number with this place in the series; place 0 is 1, place 10 is 10.
fn preferred(place: i32) -> f64 {
    let mantissa = PREFERRED[place.rem_euclid(10) as usize];
    let decade = place.div_euclid(10);
    // Dividing by a whole power keeps edges below 1 readable: 0.315, not 0.31500000000000006.
    if decade < 0 { mantissa / 10f64.powi(-decade) } else { mantissa * 10f64.powi(decade) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_and_unusable_sizes_give_no_distribution() {
        assert!(distribution::<f64>(&[], LengthUnit::Um).is_none());
        assert!(distribution(&[f64::NAN, -1.0, 0.0, f64::INFINITY], LengthUnit::Um).is_none());
    }

    #[test]
    fn one_size_has_no_scatter_and_no_fit() {
        let one = distribution(&[3.0], LengthUnit::Px).unwrap();
        assert_eq!((one.count, one.mean), (1, Length::Px(3.0)));
        assert!(one.standard_deviation.is_none() && one.lognormal.is_none());
        assert_eq!(one.area_weighted_percentiles.p10, Length::Px(3.0));
        assert_eq!(one.histogram.counts, [1]);
    }

    #[test]
    fn percentiles_agree_with_numpy() {
        // numpy.percentile([1, 2, 4, 8, 16], [10, 25, 50, 75, 90]), numpy 2.
        let p = distribution(&[16.0, 1.0, 8.0, 2.0, 4.0], LengthUnit::Um).unwrap().percentiles;
        let got = [p.p10, p.p25, p.p50, p.p75, p.p90].map(Length::value);
        for (got, want) in got.into_iter().zip([1.4, 2.0, 4.0, 8.0, 12.8]) {
            assert!((got - want).abs() < 1e-12, "{got} {want}");
        }
    }

    #[test]
    fn area_weighted_median_is_where_half_the_area_lies() {
        // Areas 1, 1, 1, 1 and 16: middles of the shares at 0.5, 1.5, 2.5, 3.5 and 12 of 20; half is 10.
        let sizes = distribution(&[1.0, 1.0, 1.0, 1.0, 4.0], LengthUnit::Um).unwrap();
        let want = 1.0 + 3.0 * (10.0 - 3.5) / (12.0 - 3.5);
        assert!((sizes.area_weighted_percentiles.p50.value() - want).abs() < 1e-12);
    }

    #[test]
    fn lognormal_quantiles_return_their_parameters() {
        let normal = Normal::standard();
        let sizes: Vec<f64> =
            (0..999).map(|i| (0.7 + 0.4 * normal.inverse_cdf((f64::from(i) + 0.5) / 999.0)).exp()).collect();
        let fit = distribution(&sizes, LengthUnit::Um).unwrap().lognormal.unwrap();
        assert!((fit.median.value() - 0.7f64.exp()).abs() < 1e-9);
        assert!((fit.geometric_standard_deviation - 0.4f64.exp()).abs() < 3e-3);
        assert!(fit.kolmogorov_distance < 0.002, "{}", fit.kolmogorov_distance);
    }

    #[test]
    fn classes_have_readable_edges_and_hold_every_size() {
        let sizes: Vec<f64> = (1..=400).map(|i| f64::from(i) * 0.01).collect();
        let histogram = distribution(&sizes, LengthUnit::Um).unwrap().histogram;
        let edges = histogram.bin_edges_um.unwrap();
        assert_eq!(edges[..4], [0.01, 0.0125, 0.016, 0.02]);
        assert_eq!(edges[edges.len() - 1], 5.0);
        assert_eq!(histogram.counts.iter().sum::<u64>(), 400);
        // 4.00 stands on an edge and belongs to the class above it.
        assert_eq!(*histogram.counts.last().unwrap(), 1);
        assert!(histogram.bin_edges_px.is_none());
    }
}
