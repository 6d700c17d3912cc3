//! Largest between-class variance.

use super::{largest, splits};

/// The level with the largest variance between the classes, ω₀ω₁(μ₀ − μ₁)²; `None` for a single grey.
///
/// Draws the level towards the larger class: with few pores it counts too much.
///
/// # References
/// N. Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62.
pub fn level(histogram: &[u64]) -> Option<f64> {
    largest(splits(histogram).map(|(level, dark, bright)| {
        let distance = dark.mean() - bright.mean();
        (level, dark.count as f64 * bright.count as f64 * distance * distance)
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::two_normal_classes;

    #[test]
    fn six_grey_levels_by_hand() {
        // A widely printed exercise: within-class variance is least, 0.4909, at level 2.
        assert_eq!(level(&[8, 7, 2, 6, 9, 4]), Some(2.0));
    }

    #[test]
    fn two_normal_classes_split_at_121() {
        assert_eq!(level(&two_normal_classes()), Some(121.0));
    }
}
