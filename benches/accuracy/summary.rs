//! Numbers about several scores.

/// Mean, median and largest size of several errors.
pub struct Sizes {
    /// Mean size.
    pub mean: Option<f64>,
    /// Median size.
    pub median: Option<f64>,
    /// Largest size.
    pub worst: Option<f64>,
}

/// Of the sizes of `errors`; all `None` without any.
pub fn sizes(errors: impl Iterator<Item = f64>) -> Sizes {
    let sizes: Vec<f64> = errors.map(f64::abs).collect();
    Sizes {
        mean: mean(sizes.iter().copied()),
        worst: sizes.iter().copied().reduce(f64::max),
        median: median(sizes),
    }
}

/// Arithmetic mean.
pub fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0u32), |(sum, count), value| (sum + value, count + 1));
    (count > 0).then(|| sum / f64::from(count))
}

/// Median; of an even number the mean of both middle ones.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}
