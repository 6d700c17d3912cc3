//! Whether the levels of a condition differ at all.

use super::effect::LEVEL;
use super::levels::Levels;
use super::relation::{Differences, Pair, RankTest, VarianceTest};
use crate::statistics::groups::{self, FTest, PairTest};

/// Tests between the levels that have replicates; `None` if fewer than two levels have a value, or none has two.
pub(super) fn differences(levels: &Levels) -> Option<Differences> {
    let (replicates, values) = levels.replicates();
    let (names, groups): (Vec<&str>, Vec<&[f64]>) = levels
        .0
        .iter()
        .zip(&values)
        .filter(|(_, values)| !values.is_empty())
        .map(|(level, values)| (level.text.as_str(), values.as_slice()))
        .unzip();
    if groups.len() < 2 || groups.iter().all(|group| group.len() < 2) {
        return None;
    }
    let anova = groups::anova(&groups).map(variance_test);
    let welch = groups::welch(&groups).map(variance_test);
    let kruskal_wallis =
        groups::kruskal_wallis(&groups).map(|test| RankTest { h: test.h, degrees: test.degrees, p: test.p });
    let (pairs, pair_method) = pairs(&groups, &names, anova.as_ref(), welch.as_ref());
    let below = |test: &Option<VarianceTest>| test.as_ref().is_none_or(|test| test.p < LEVEL);
    let shown = anova.is_some() && below(&anova) && below(&welch);
    Some(Differences { replicates, anova, welch, kruskal_wallis, pairs, pair_method, shown })
}

/// Pairs after Games and Howell where each level has its own variance, else after Tukey.
fn pairs(
    groups: &[&[f64]],
    names: &[&str],
    anova: Option<&VarianceTest>,
    welch: Option<&VarianceTest>,
) -> (Vec<Pair>, Option<std::borrow::Cow<'static, str>>) {
    let named = |tests: Vec<PairTest>| tests.into_iter().map(|test| pair(&test, names)).collect();
    if welch.is_some()
        && let Some(tests) = groups::games_howell(groups)
    {
        return (named(tests), Some("games-howell".into()));
    }
    match anova.and_then(|_| groups::tukey(groups)) {
        Some(tests) => (named(tests), Some("tukey".into())),
        None => (Vec::new(), None),
    }
}

fn variance_test(test: FTest) -> VarianceTest {
    VarianceTest {
        f: test.f,
        degrees_between: test.degrees_between,
        degrees_within: test.degrees_within,
        p: test.p,
    }
}

fn pair(test: &PairTest, names: &[&str]) -> Pair {
    Pair {
        first: names[test.first].to_owned(),
        second: names[test.second].to_owned(),
        difference: test.difference,
        ci95_low: test.ci95_low,
        ci95_high: test.ci95_high,
        p: test.p,
    }
}
