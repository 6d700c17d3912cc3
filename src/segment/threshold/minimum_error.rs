//! Minimum error for two normal classes.

use super::{largest, splits};

/// The level with the smallest criterion 1 + Σω ln σ² − 2Σω ln ω; `None` if no split has spread in both classes.
///
/// Suits few pores in a solid of even grey; a solid of several greys is not one normal class, and misleads it.
///
/// # References
/// J. Kittler, J. Illingworth, Pattern Recognition 19 (1986) 41.
pub fn level(histogram: &[u64]) -> Option<f64> {
    largest(splits(histogram).filter_map(|(level, dark, bright)| {
        let pixels = (dark.count + bright.count) as f64;
        let term = |count: u64, variance: f64| {
            let share = count as f64 / pixels;
            share * variance.ln() - 2.0 * share * share.ln()
        };
        let (dark_variance, bright_variance) = (dark.variance(), bright.variance());
        let spread = dark_variance > 0.0 && bright_variance > 0.0;
        let criterion = term(dark.count, dark_variance) + term(bright.count, bright_variance);
        spread.then_some((level, -criterion))
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::{count_at_or_below, two_normal_classes};

    #[test]
    fn two_normal_classes_split_at_104() {
        let histogram = two_normal_classes();
        assert_eq!(level(&histogram), Some(104.0));
        // True share of the dark class: 0.13042.
        let share = count_at_or_below(&histogram, 104.0) as f64 / 461_217.0;
        assert!((share - 0.13063).abs() < 5e-6, "{share}");
    }
}
