//! Rules that separate dark pores from a brighter solid: one file a rule.
//!
//! Every rule is written for dark pores; a picture with bright ones is inverted first, so that both tones give the
//! same answer. Global rules take a histogram (`histogram[v]` pixels have grey `v`) and return a level: pores are the
//! greys at or below it. Sums are exact in `u64` or carried in `f64`, so that pictures of any size are safe.

pub mod edge_level;
pub mod half_contrast;
pub mod iterative;
pub mod kapur;
pub mod li;
pub mod minimum_error;
pub mod modes;
pub mod multi_otsu;
pub mod otsu;
pub mod sauvola;
pub mod steepest_edge;
pub mod triangle;

/// Finds the level of a histogram at or below which pores lie; `None` if it cannot be split.
pub type Rule = fn(&[u64]) -> Option<f64>;

/// The automatic global rules, by their names on the command line.
pub const GLOBAL_RULES: [(&str, Rule); 7] = [
    ("otsu", otsu::level),
    ("minimum-error", minimum_error::level),
    ("kapur", kapur::level),
    ("li", li::level),
    ("iterative", iterative::level),
    ("triangle", triangle::level),
    ("multi-otsu", multi_otsu::level),
];

/// Number, sum and sum of squares of the greys of a class.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Moments {
    pub count: u64,
    pub sum: u64,
    pub squares: u64,
}

impl Moments {
    /// Of a whole histogram.
    pub fn of(histogram: &[u64]) -> Self {
        let mut all = Self::default();
        histogram.iter().enumerate().for_each(|(grey, &count)| all.add(grey, count));
        all
    }

    /// Takes `count` pixels of `grey` in.
    pub fn add(&mut self, grey: usize, count: u64) {
        let grey = grey as u64;
        self.count += count;
        self.sum += grey * count;
        self.squares += grey * grey * count;
    }

    /// What is left of `self` without `part`.
    pub fn without(self, part: Self) -> Self {
        Self {
            count: self.count - part.count,
            sum: self.sum - part.sum,
            squares: self.squares - part.squares,
        }
    }

    /// Mean grey; the class must not be empty.
    pub fn mean(self) -> f64 {
        self.sum as f64 / self.count as f64
    }

    /// Mean squared distance from the mean; the class must not be empty.
    pub fn variance(self) -> f64 {
        let count = u128::from(self.count);
        let spread = count * u128::from(self.squares) - u128::from(self.sum) * u128::from(self.sum);
        spread as f64 / (self.count as f64 * self.count as f64)
    }
}

/// Every split of a histogram into two classes that are not empty: the level, the dark class and the bright one.
pub(crate) fn splits(histogram: &[u64]) -> impl Iterator<Item = (usize, Moments, Moments)> + '_ {
    let all = Moments::of(histogram);
    let mut dark = Moments::default();
    histogram.iter().enumerate().filter_map(move |(grey, &count)| {
        dark.add(grey, count);
        let bright = all.without(dark);
        (count > 0 && bright.count > 0).then_some((grey, dark, bright))
    })
}

/// The level whose value is largest, the lowest of several; `None` if there is no split.
pub(crate) fn largest(values: impl Iterator<Item = (usize, f64)>) -> Option<f64> {
    let best = values.filter(|(_, value)| value.is_finite()).reduce(|a, b| if b.1 > a.1 { b } else { a });
    best.map(|(level, _)| level as f64)
}

/// Pixels at or below `level`.
pub(crate) fn count_at_or_below(histogram: &[u64], level: f64) -> u64 {
    histogram.iter().enumerate().take_while(|&(grey, _)| grey as f64 <= level).map(|(_, &count)| count).sum()
}

/// Histogram with two normal classes that all rules are checked on: 2000 at 70 ± 12 and 8000 at 170 ± 20.
#[cfg(test)]
pub(crate) fn two_normal_classes() -> Vec<u64> {
    let normal = |grey: f64, mean: f64, deviation: f64| (-0.5 * ((grey - mean) / deviation).powi(2)).exp();
    let count = |grey| 2000.0 * normal(grey, 70.0, 12.0) + 8000.0 * normal(grey, 170.0, 20.0);
    (0..256).map(|grey| count(f64::from(grey)).round() as u64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fixture_has_the_stated_size() {
        assert_eq!(two_normal_classes().iter().sum::<u64>(), 461_217);
    }

    #[test]
    fn no_rule_splits_a_single_grey_or_nothing() {
        for (name, level) in GLOBAL_RULES {
            assert_eq!(level(&[0; 256]), None, "{name}");
            let mut one = [0; 256];
            one[77] = 1000;
            assert_eq!(level(&one), None, "{name}");
        }
    }

    #[test]
    fn every_rule_splits_two_greys() {
        let mut two = [0; 256];
        two[40] = 300;
        two[200] = 700;
        for (name, level) in GLOBAL_RULES {
            // Rules that model the spread of a class, or need three classes, have nothing to say here.
            if !matches!(name, "minimum-error" | "multi-otsu") {
                let level = level(&two).unwrap();
                assert!((40.0..200.0).contains(&level), "{name} {level}");
            }
        }
    }

    #[test]
    fn an_added_constant_moves_every_level_by_itself() {
        let histogram = &two_normal_classes()[..250];
        let shifted: Vec<u64> = std::iter::repeat_n(0, 6).chain(histogram.iter().copied()).collect();
        for (name, level) in GLOBAL_RULES {
            let (before, after) = (level(histogram).unwrap(), level(&shifted).unwrap());
            assert!((after - before - 6.0).abs() < 1e-9, "{name}: {before} -> {after}");
        }
    }

    #[test]
    fn sums_hold_for_a_gigapixel() {
        let histogram: Vec<u64> = two_normal_classes().iter().map(|count| count * 100_000).collect();
        for (name, level) in GLOBAL_RULES {
            let (small, large) = (level(&two_normal_classes()).unwrap(), level(&histogram).unwrap());
            assert!((small - large).abs() < 1e-6, "{name}");
        }
    }
}
