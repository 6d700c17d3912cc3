//! Mean and variance of a sample.

/// Mean, variance and number of a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Mean.
    pub mean: f64,
    /// Variance, n − 1 in the denominator; 0 for one value.
    pub variance: f64,
    /// Number of values.
    pub count: usize,
}

impl Summary {
    /// Of values; `None` without values.
    pub fn of(values: &[f64]) -> Option<Self> {
        let n = values.len() as f64;
        // From the first value on, so that equal values have no variance at all instead of that of rounding.
        let first = *values.first()?;
        let shift = values.iter().map(|value| value - first).sum::<f64>() / n;
        let squares: f64 = values.iter().map(|value| (value - first - shift).powi(2)).sum();
        let variance = if values.len() > 1 { squares / (n - 1.0) } else { 0.0 };
        Some(Self { mean: first + shift, variance, count: values.len() })
    }
}

#[cfg(test)]
mod tests {
    use super::Summary;

    #[test]
    fn equal_values_have_no_variance_of_rounding() {
        assert_eq!(Summary::of(&[0.1; 3]), Some(Summary { mean: 0.1, variance: 0.0, count: 3 }));
        assert_eq!(Summary::of(&[7.0]), Some(Summary { mean: 7.0, variance: 0.0, count: 1 }));
        assert_eq!(Summary::of(&[]), None);
    }

    #[test]
    fn a_large_offset_costs_no_digits() {
        let far = Summary::of(&[1e9 + 1.0, 1e9 + 2.0, 1e9 + 4.0]).unwrap();
        assert!((far.variance - 7.0 / 3.0).abs() < 1e-12 && far.mean == 1e9 + 7.0 / 3.0);
    }
}
