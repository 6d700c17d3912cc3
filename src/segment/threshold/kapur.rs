//! Maximum entropy.

use super::largest;

/// The level with the largest sum of the entropies of both classes' grey distributions; `None` for a single grey.
///
/// # References
/// J. N. Kapur, P. K. Sahoo, A. K. C. Wong, Comput. Vis. Graph. Image Process. 29 (1985) 273.
pub fn level(histogram: &[u64]) -> Option<f64> {
    let term = |count: u64| if count == 0 { 0.0 } else { count as f64 * (count as f64).ln() };
    let pixels: u64 = histogram.iter().sum();
    let all: f64 = histogram.iter().map(|&count| term(count)).sum();
    let (mut dark, mut dark_terms) = (0u64, 0.0);
    largest(histogram.iter().enumerate().filter_map(|(level, &count)| {
        dark += count;
        dark_terms += term(count);
        let bright = pixels - dark;
        // Entropy of counts c with sum n: ln n − Σ c ln c / n.
        let entropy = |terms: f64, sum: u64| (sum as f64).ln() - terms / sum as f64;
        (count > 0 && bright > 0)
            .then(|| (level, entropy(dark_terms, dark) + entropy(all - dark_terms, bright)))
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::two_normal_classes;

    #[test]
    fn two_normal_classes_split_at_136() {
        assert_eq!(level(&two_normal_classes()), Some(136.0));
    }
}
