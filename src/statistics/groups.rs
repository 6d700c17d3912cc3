//! Whether groups differ: analysis of variance with equal and unequal variances, ranks, and pairs.

use crate::statistics::rank::ranks;
use crate::statistics::summary::Summary;
use crate::statistics::{studentized_range, tails};

/// An F test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FTest {
    /// F.
    pub f: f64,
    /// Degrees of freedom between groups.
    pub degrees_between: f64,
    /// Degrees of freedom within groups.
    pub degrees_within: f64,
    /// p.
    pub p: f64,
}

/// A test by ranks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RankTest {
    /// H, corrected for ties.
    pub h: f64,
    /// Degrees of freedom.
    pub degrees: f64,
    /// p by the χ² approximation, which is rough below five values a group.
    pub p: f64,
}

/// Two groups compared, with regard to all pairs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairTest {
    /// Index of one group.
    pub first: usize,
    /// Index of the other.
    pub second: usize,
    /// Mean of the second less mean of the first.
    pub difference: f64,
    /// Lower end of its simultaneous 95 % interval.
    pub ci95_low: f64,
    /// Upper end.
    pub ci95_high: f64,
    /// p, good to 1e-7: far smaller ones may read 0.
    pub p: f64,
}

fn summaries(groups: &[&[f64]]) -> Option<Vec<Summary>> {
    groups.iter().map(|values| Summary::of(values)).collect()
}

/// One-way analysis of variance, equal variances assumed. `None` with fewer than two groups, an empty one, no scatter
/// within groups, or one value in each.
pub fn anova(groups: &[&[f64]]) -> Option<FTest> {
    anova_of_summaries(&summaries(groups)?)
}

/// The same from mean, variance and number of each group.
pub fn anova_of_summaries(groups: &[Summary]) -> Option<FTest> {
    let (within, free) = pooled(groups)?;
    let n: f64 = groups.iter().map(|group| group.count as f64).sum();
    let mean = groups.iter().map(|group| group.count as f64 * group.mean).sum::<f64>() / n;
    let between: f64 = groups.iter().map(|group| group.count as f64 * (group.mean - mean).powi(2)).sum();
    let degrees = groups.len() as f64 - 1.0;
    let f = between / degrees / within;
    Some(FTest { f, degrees_between: degrees, degrees_within: free, p: tails::f_upper(f, degrees, free)? })
}

/// Pooled variance and its degrees of freedom.
fn pooled(groups: &[Summary]) -> Option<(f64, f64)> {
    if groups.iter().any(|group| group.count == 0) {
        return None;
    }
    let n: usize = groups.iter().map(|group| group.count).sum();
    let free = n.checked_sub(groups.len()).filter(|&free| free > 0 && groups.len() > 1)? as f64;
    let squares: f64 = groups.iter().map(|group| (group.count as f64 - 1.0) * group.variance).sum();
    (squares > 0.0).then_some((squares / free, free))
}

/// One-way analysis of variance without equal variances. `None` with fewer than two groups, or one of fewer than two
/// values or without scatter.
///
/// # References
/// B. L. Welch, Biometrika 38 (1951) 330 (from memory).
pub fn welch(groups: &[&[f64]]) -> Option<FTest> {
    let groups = summaries(groups)?;
    if groups.len() < 2 || groups.iter().any(|group| group.count < 2 || group.variance <= 0.0) {
        return None;
    }
    let k = groups.len() as f64;
    let weights: Vec<f64> = groups.iter().map(|group| group.count as f64 / group.variance).collect();
    let total: f64 = weights.iter().sum();
    let mean = groups.iter().zip(&weights).map(|(group, w)| w * group.mean).sum::<f64>() / total;
    let between = groups.iter().zip(&weights).map(|(group, w)| w * (group.mean - mean).powi(2)).sum::<f64>()
        / (k - 1.0);
    let spread: f64 = groups
        .iter()
        .zip(&weights)
        .map(|(group, w)| (1.0 - w / total).powi(2) / (group.count as f64 - 1.0))
        .sum();
    let f = between / (1.0 + 2.0 * (k - 2.0) / (k * k - 1.0) * spread);
    let within = (k * k - 1.0) / (3.0 * spread);
    Some(FTest {
        f,
        degrees_between: k - 1.0,
        degrees_within: within,
        p: tails::f_upper(f, k - 1.0, within)?,
    })
}

/// Whether groups have the same ranks. `None` with fewer than two groups, an empty one, a value that is
/// not a number, or all values equal.
///
/// # References
/// W. H. Kruskal, W. A. Wallis, J. Am. Stat. Assoc. 47 (1952) 583 (from memory).
pub fn kruskal_wallis(groups: &[&[f64]]) -> Option<RankTest> {
    if groups.len() < 2 || groups.iter().any(|group| group.is_empty()) {
        return None;
    }
    let all: Vec<f64> = groups.concat();
    if all.iter().any(|value| value.is_nan()) {
        return None;
    }
    let (ranks, n) = (ranks(&all), all.len() as f64);
    let mut first = 0;
    let mut sum = 0.0;
    for group in groups {
        let total: f64 = ranks[first..first + group.len()].iter().sum();
        sum += total * total / group.len() as f64;
        first += group.len();
    }
    let mut sorted = all;
    sorted.sort_by(f64::total_cmp);
    let ties =
        sorted.chunk_by(|a, b| a == b).map(|tie| (tie.len() as f64).powi(3) - tie.len() as f64).sum::<f64>();
    let correction = 1.0 - ties / (n * n * n - n);
    if correction <= 0.0 {
        return None;
    }
    let h = ((12.0 / (n * (n + 1.0)) * sum - 3.0 * (n + 1.0)) / correction).max(0.0);
    let degrees = groups.len() as f64 - 1.0;
    Some(RankTest { h, degrees, p: tails::chi_squared_upper(h, degrees)? })
}

/// All pairs of groups with one common variance, after Tukey and, for unequal numbers, Kramer. `None` as for [`anova`].
///
/// # References
/// J. W. Tukey, The Problem of Multiple Comparisons (1953); C. Y. Kramer, Biometrics 12 (1956) 307 (from memory).
pub fn tukey(groups: &[&[f64]]) -> Option<Vec<PairTest>> {
    let groups = summaries(groups)?;
    let (variance, free) = pooled(&groups)?;
    let critical = studentized_range::quantile(0.95, groups.len(), free)?;
    each_pair(groups.len(), |first, second| {
        let (a, b) = (&groups[first], &groups[second]);
        let error = (variance / 2.0 * (1.0 / a.count as f64 + 1.0 / b.count as f64)).sqrt();
        pair((first, second), (a, b), error, (groups.len(), free, critical))
    })
}

/// All pairs of groups, each with its own variance. `None` as for [`welch`].
///
/// # References
/// P. A. Games, J. F. Howell, J. Educ. Stat. 1 (1976) 113 (from memory).
pub fn games_howell(groups: &[&[f64]]) -> Option<Vec<PairTest>> {
    let groups = summaries(groups)?;
    if groups.len() < 2 || groups.iter().any(|group| group.count < 2 || group.variance <= 0.0) {
        return None;
    }
    each_pair(groups.len(), |first, second| {
        let (a, b) = (&groups[first], &groups[second]);
        let part = |group: &Summary| group.variance / group.count as f64;
        let (one, other) = (part(a), part(b));
        let (few, many) = (a.count as f64 - 1.0, b.count as f64 - 1.0);
        // Never fewer than those of the smaller group, from which rounding could take them.
        let free = ((one + other).powi(2) / (one * one / few + other * other / many)).max(few.min(many));
        let critical = studentized_range::quantile(0.95, groups.len(), free)?;
        pair((first, second), (a, b), ((one + other) / 2.0).sqrt(), (groups.len(), free, critical))
    })
}

fn each_pair(count: usize, test: impl Fn(usize, usize) -> Option<PairTest>) -> Option<Vec<PairTest>> {
    let pairs = (0..count).flat_map(|first| (first + 1..count).map(move |second| (first, second)));
    pairs.map(|(first, second)| test(first, second)).collect()
}

fn pair(
    (first, second): (usize, usize),
    (a, b): (&Summary, &Summary),
    error: f64,
    (count, free, critical): (usize, f64, f64),
) -> Option<PairTest> {
    let difference = b.mean - a.mean;
    let p = 1.0 - studentized_range::below(difference.abs() / error, count, free)?;
    Some(PairTest {
        first,
        second,
        difference,
        ci95_low: difference - critical * error,
        ci95_high: difference + critical * error,
        p: p.max(0.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_have_no_variance_of_rounding() {
        let (low, high) = ([0.1; 3], [0.3; 3]);
        assert!(anova(&[&low, &high]).is_none() && welch(&[&low, &high]).is_none());
        assert!(tukey(&[&low, &high]).is_none() && games_howell(&[&low, &high]).is_none());
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        let (good, bad): (&[f64], &[f64]) = (&[1.0, 2.0, 4.0], &[1.0, f64::NAN, 3.0]);
        assert!(kruskal_wallis(&[good, bad]).is_none() && anova(&[good, bad]).is_none());
        assert!(welch(&[good, bad]).is_none() && games_howell(&[good, bad]).is_none());
        let nothing = Summary { mean: 1.0, variance: 1.0, count: 0 };
        assert!(anova_of_summaries(&[nothing, Summary { count: 5, ..nothing }]).is_none());
    }

    #[test]
    fn a_pair_of_unlike_variances_keeps_one_degree() {
        let pairs = games_howell(&[&[1.0, 1.000_001], &[5.0, 9.0]]).unwrap();
        assert!(pairs[0].p > 0.05 && pairs[0].ci95_high > 25.0, "{pairs:?}");
    }
}
