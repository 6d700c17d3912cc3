//! Minimum cross entropy.

use super::iterative::fixed_point;

/// The fixed point t = (μ₁ − μ₀)/(ln μ₁ − ln μ₀) reached from the mean grey; `None` for a single grey.
///
/// The formula depends on where grey zero lies. Greys are counted from the darkest one that occurs, so that an added
/// constant moves the level by itself and nothing else.
///
/// # References
/// C. H. Li, C. K. Lee, Pattern Recognition 26 (1993) 617; C. H. Li, P. K. S. Tam, Pattern Recognition Letters 19
/// (1998) 771.
pub fn level(histogram: &[u64]) -> Option<f64> {
    let darkest = histogram.iter().position(|&count| count > 0)?;
    let level = level_from_zero(&histogram[darkest..])?;
    Some(level + darkest as f64)
}

fn level_from_zero(histogram: &[u64]) -> Option<f64> {
    fixed_point(histogram, |dark, bright| (dark > 0.0).then(|| (bright - dark) / (bright.ln() - dark.ln())))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::two_normal_classes;

    #[test]
    fn two_normal_classes_split_at_the_known_levels() {
        let histogram = two_normal_classes();
        let raw = level_from_zero(&histogram).unwrap();
        assert!((raw - 113.154).abs() < 5e-4, "{raw}");
        let shifted = level(&histogram).unwrap();
        assert!((shifted - 111.146).abs() < 5e-4, "{shifted}");
    }
}
