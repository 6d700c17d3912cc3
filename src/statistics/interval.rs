//! Mean over fields: its t-interval, its relative accuracy, and how many more fields would narrow it.

use crate::statistics::student;
use crate::statistics::summary::Summary;

/// Mean, scatter and 95 % interval of a sample of field values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeanInterval {
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation, n - 1 in the denominator; `None` for one value.
    pub standard_deviation: Option<f64>,
    /// Half the width of the 95 % t-interval of the mean; `None` for one value.
    pub half_width: Option<f64>,
    /// Values in the sample.
    pub count: u64,
}

/// Mean and t-interval of field values; `None` without values.
///
/// Half width = t(0.975, n - 1)·s/√n. Fields are the replicates; never pass pixels or grains.
///
/// ```
/// let pores = ceramograph::statistics::interval::mean_interval(&[4.2, 5.1, 3.8, 4.9, 4.6]).unwrap();
/// assert!((pores.half_width.unwrap() - 0.6535).abs() < 5e-5);
/// ```
pub fn mean_interval(values: &[f64]) -> Option<MeanInterval> {
    let Summary { mean, variance, count } = Summary::of(values)?;
    let n = count as f64;
    let deviation = (count > 1).then(|| variance.sqrt());
    let half_width = deviation.and_then(|s| Some(student::quantile(0.975, n - 1.0)? * s / n.sqrt()));
    Some(MeanInterval { mean, standard_deviation: deviation, half_width, count: count as u64 })
}

impl MeanInterval {
    /// Half the interval in percent of the mean; `None` for one value or a mean that is not above zero.
    pub fn relative_accuracy_percent(&self) -> Option<f64> {
        (self.mean > 0.0).then_some(100.0 * self.half_width? / self.mean)
    }

    /// Fields beyond those measured after which `percent` relative accuracy can be expected, if the scatter between
    /// fields stays what it is: the smallest n with t(0.975, n - 1)·s/√n at or below that share of the mean.
    ///
    /// t is taken at the new n: a t from two fields (12.7) would ask for forty times too many. `None` for one value or a
    /// mean that is not above zero.
    pub fn more_fields_for(&self, percent: f64) -> Option<u64> {
        let deviation = self.standard_deviation?;
        let wanted = percent / 100.0 * self.mean;
        if !(self.mean > 0.0 && wanted > 0.0) {
            return None;
        }
        let enough = |n: u64| {
            student::quantile(0.975, (n - 1) as f64)
                .is_some_and(|t| t * deviation / (n as f64).sqrt() <= wanted)
        };
        let (mut low, mut high) = (self.count, self.count);
        while !enough(high) {
            low = high;
            high = high.checked_mul(2)?;
        }
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if enough(middle) { high = middle } else { low = middle }
        }
        let needed = if enough(low) { low } else { high };
        Some(needed - self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::mean_interval;

    #[test]
    fn no_value_has_no_mean_and_one_has_no_interval() {
        assert!(mean_interval(&[]).is_none());
        let one = mean_interval(&[5.0]).unwrap();
        assert_eq!((one.mean, one.count), (5.0, 1));
        assert!(one.half_width.is_none() && one.relative_accuracy_percent().is_none());
        assert!(one.more_fields_for(10.0).is_none());
    }

    #[test]
    fn equal_fields_need_no_more() {
        let equal = mean_interval(&[2.0, 2.0, 2.0]).unwrap();
        assert_eq!((equal.half_width, equal.more_fields_for(10.0)), (Some(0.0), Some(0)));
        assert!(mean_interval(&[0.0, 0.0]).unwrap().relative_accuracy_percent().is_none());
    }

    #[test]
    fn the_number_of_further_fields_is_the_smallest_that_suffices() {
        // Mean 12, s 2.5820: t·s/√n is 1.2083 with 20 fields (t 2.0930) and 1.1753 with 21 (t 2.0860).
        let hits = [12.0, 15.0, 9.0, 14.0, 11.0, 13.0, 10.0, 16.0, 12.0, 8.0];
        assert_eq!(mean_interval(&hits).unwrap().more_fields_for(10.0), Some(11));
        // Two fields: the t of one degree, 12.7, would ask for 323.
        let two = mean_interval(&[9.0, 11.0]).unwrap();
        assert_eq!(two.more_fields_for(10.0), Some(9));
    }
}
