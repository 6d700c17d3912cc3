//! Three classes by between-class variance.

/// The lower of [`levels`]: pores are the darkest of three classes.
pub fn level(histogram: &[u64]) -> Option<f64> {
    levels(histogram).map(|(lower, _)| lower as f64)
}

/// The two levels with the largest variance between three classes; `None` with fewer than three greys.
///
/// # References
/// P.-S. Liao, T.-S. Chen, P.-C. Chung, J. Inf. Sci. Eng. 17 (2001) 713.
pub fn levels(histogram: &[u64]) -> Option<(usize, usize)> {
    let mut cumulative = vec![(0u64, 0u64)];
    for (grey, &count) in histogram.iter().enumerate() {
        let (pixels, sum) = cumulative[grey];
        cumulative.push((pixels + count, sum + count * grey as u64));
    }
    // Total variance is fixed, so the sum of n·μ² over the classes decides.
    let weight = |from: usize, to: usize| {
        let pixels = cumulative[to].0 - cumulative[from].0;
        let sum = (cumulative[to].1 - cumulative[from].1) as f64;
        (pixels > 0).then(|| sum * sum / pixels as f64)
    };
    let mut best: Option<(f64, (usize, usize))> = None;
    let greys = histogram.len();
    for lower in (0..greys).filter(|&grey| histogram[grey] > 0) {
        let Some(dark) = weight(0, lower + 1) else { continue };
        for upper in (lower + 1..greys).filter(|&grey| histogram[grey] > 0) {
            let classes = weight(lower + 1, upper + 1).zip(weight(upper + 1, greys));
            let Some(total) = classes.map(|(middle, bright)| dark + middle + bright) else { continue };
            if best.is_none_or(|(value, _)| total > value) {
                best = Some((total, (lower, upper)));
            }
        }
    }
    best.map(|(_, levels)| levels)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_normal_classes_split_at_80_and_159() {
        let normal = |grey: i32, mean: f64, deviation: f64| {
            (-0.5 * ((f64::from(grey) - mean) / deviation).powi(2)).exp()
        };
        let count = |grey| {
            1500.0 * normal(grey, 40.0, 9.0)
                + 5000.0 * normal(grey, 120.0, 14.0)
                + 2500.0 * normal(grey, 200.0, 10.0)
        };
        let histogram: Vec<u64> = (0..256).map(|grey| count(grey).round() as u64).collect();
        assert_eq!(levels(&histogram), Some((80, 159)));
    }

    #[test]
    fn two_greys_are_not_three_classes() {
        assert_eq!(levels(&[5, 0, 7]), None);
    }
}
