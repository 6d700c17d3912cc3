//! Mean of the class means, iterated.

use super::{Moments, splits};

/// The fixed point t = (μ₀ + μ₁)/2 that is reached from the mean grey; `None` for a single grey.
///
/// # References
/// T. W. Ridler, S. Calvard, IEEE Trans. Syst. Man Cybern. 8 (1978) 630.
pub fn level(histogram: &[u64]) -> Option<f64> {
    fixed_point(histogram, |dark, bright| Some((dark + bright) / 2.0))
}

/// Iterates `next(mean of the dark class, mean of the bright class)` from the mean grey until the classes stay.
///
/// Stops as well where `next` has no answer.
pub(super) fn fixed_point(histogram: &[u64], mut next: impl FnMut(f64, f64) -> Option<f64>) -> Option<f64> {
    let classes: Vec<(usize, Moments, Moments)> = splits(histogram).collect();
    let split_at = |level: f64| classes.iter().rev().find(|(grey, ..)| *grey as f64 <= level);
    classes.first()?;
    let mut level = Moments::of(histogram).mean();
    // Each step moves the split to another grey or is the last.
    for _ in 0..histogram.len() {
        let Some(&(split, dark, bright)) = split_at(level) else { break };
        let Some(moved) = next(dark.mean(), bright.mean()) else { break };
        level = moved;
        if split_at(level).is_some_and(|(grey, ..)| *grey == split) {
            break;
        }
    }
    Some(level)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::two_normal_classes;

    #[test]
    fn two_normal_classes_split_at_121_302() {
        let level = level(&two_normal_classes()).unwrap();
        assert!((level - 121.302).abs() < 5e-4, "{level}");
    }
}
