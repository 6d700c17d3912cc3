//! Ranks and their correlation.

use crate::statistics::tails;

/// Up to so many points every order is counted.
const MOST_EXACT: usize = 9;

/// Spearman's correlation of ranks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spearman {
    /// Coefficient, -1 to 1.
    pub rho: f64,
    /// Two-sided p.
    pub p: f64,
    /// Whether p counts all orders of the points, or comes from the t approximation.
    pub exact: bool,
}

/// Ranks from 1; equal values share the mean of their ranks.
pub fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut first = 0;
    for tie in order.chunk_by(|&a, &b| values[a] == values[b]) {
        let mean = first as f64 + (tie.len() as f64 + 1.0) / 2.0;
        tie.iter().for_each(|&index| ranks[index] = mean);
        first += tie.len();
    }
    ranks
}

/// Correlation of the ranks of x and y, ties sharing their mean rank.
///
/// Up to nine points p is the share of all orders whose coefficient is at least as far from zero; above that it comes from
/// t = ρ √((n − 2)/(1 − ρ²)). `None` with fewer than three points, or if x or y are all equal.
///
/// # References
/// C. Spearman, Am. J. Psychol. 15 (1904) 72 (from memory).
pub fn spearman(x: &[f64], y: &[f64]) -> Option<Spearman> {
    if x.len() != y.len() || x.len() < 3 || x.iter().chain(y).any(|value| value.is_nan()) {
        return None;
    }
    let (x, y) = (centred(ranks(x)), centred(ranks(y)));
    let square = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
    let scale = (square(&x) * square(&y)).sqrt();
    if scale == 0.0 {
        return None;
    }
    let product = |y: &[f64]| x.iter().zip(y).map(|(a, b)| a * b).sum::<f64>();
    let sum = product(&y);
    let rho = (sum / scale).clamp(-1.0, 1.0);
    if x.len() <= MOST_EXACT {
        return Some(Spearman { rho, p: exact_share(&y, &product, sum), exact: true });
    }
    let degrees = x.len() as f64 - 2.0;
    let t = rho * (degrees / (1.0 - rho * rho)).sqrt();
    Some(Spearman { rho, p: tails::t_two_sided(t, degrees)?, exact: false })
}

fn centred(mut ranks: Vec<f64>) -> Vec<f64> {
    let mean = (ranks.len() as f64 + 1.0) / 2.0;
    ranks.iter_mut().for_each(|rank| *rank -= mean);
    ranks
}

/// Share of all orders of y whose sum of products is at least as far from zero.
fn exact_share(y: &[f64], product: &impl Fn(&[f64]) -> f64, sum: f64) -> f64 {
    // Ranks are halves, their products quarters: sums of so few are exact.
    let mut order = y.to_vec();
    let (mut all, mut as_far) = (0u64, 0u64);
    for_each_order(&mut order, y.len(), &mut |order| {
        all += 1;
        as_far += u64::from(product(order).abs() >= sum.abs());
    });
    as_far as f64 / all as f64
}

/// Every order of the first `count` values, by Heap's exchanges.
fn for_each_order(values: &mut [f64], count: usize, each: &mut impl FnMut(&[f64])) {
    if count <= 1 {
        return each(values);
    }
    for index in 0..count {
        for_each_order(values, count - 1, each);
        let other = if count.is_multiple_of(2) { index } else { 0 };
        values.swap(other, count - 1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ties_share_their_rank() {
        assert_eq!(ranks(&[3.0, 1.0, 3.0, 2.0]), [3.5, 1.0, 3.5, 2.0]);
    }

    #[test]
    fn a_perfect_order_of_four_has_one_chance_in_twelve() {
        // 2 of 4! = 24 orders are as far: p = 0.0833.
        let found = spearman(&[1.0, 2.0, 3.0, 4.0], &[10.0, 20.0, 30.0, 50.0]).unwrap();
        assert!(found.exact && found.rho == 1.0 && (found.p - 2.0 / 24.0).abs() < 1e-12);
        assert!(spearman(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_none());
        assert!(spearman(&[1.0, 2.0], &[1.0, 2.0]).is_none());
    }
}
