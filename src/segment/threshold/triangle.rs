//! Largest distance from the line between peak and dark tail.

use super::largest;

/// The level farthest below the line from the darkest grey that occurs to the peak; `None` if the peak is the darkest.
///
/// Always the dark side of the peak, because pores are dark here, even where the bright tail is longer.
///
/// # References
/// G. W. Zack, W. E. Rogers, S. A. Latt, J. Histochem. Cytochem. 25 (1977) 741.
pub fn level(histogram: &[u64]) -> Option<f64> {
    let darkest = histogram.iter().position(|&count| count > 0)?;
    let height = *histogram.iter().max()?;
    let peak = histogram.iter().position(|&count| count == height)?;
    let width = (peak - darkest) as f64;
    // Distance times the length of the line, which is the same for all levels.
    largest(
        (darkest..peak)
            .map(|grey| (grey, height as f64 * (grey - darkest) as f64 - width * histogram[grey] as f64)),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::two_normal_classes;

    #[test]
    fn two_normal_classes_split_at_122() {
        assert_eq!(level(&two_normal_classes()), Some(122.0));
    }
}
