//! Mean over fields: its t-interval, its relative accuracy, and how many more fields would narrow it.

use crate::statistics::student;

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
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let count = values.len() as u64;
    if count == 1 {
        return Some(MeanInterval { mean, standard_deviation: None, half_width: None, count });
    }
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let deviation = (squares / (n - 1.0)).sqrt();
    let half_width = student::quantile(0.975, n - 1.0).map(|t| t * deviation / n.sqrt());
    Some(MeanInterval { mean, standard_deviation: Some(deviation), half_width, count })
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
