//! Distribution of the range of several normal means over an independent standard deviation.

use statrs::function::erf::erfc;
use statrs::function::gamma::ln_gamma;

/// Positive nodes and their weights of the 16-point rule of Gauss and Legendre on (-1, 1); the others mirror them.
const HALF_RULE: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_5),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.458_016_777_657_227_4, 0.169_156_519_395_002_54),
    (0.617_876_244_402_643_7, 0.149_595_988_816_576_73),
    (0.755_404_408_355_003, 0.124_628_971_255_533_87),
    (0.865_631_202_387_831_7, 0.095_158_511_682_492_78),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_89),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_095),
];
/// Parts that the integral over the normal variable is cut into.
const NORMAL_PANELS: usize = 6;
/// Fewest parts of the integral over the standard deviation.
const FEWEST_PANELS: usize = 4;
/// The density of the standard deviation is followed down to exp(-18) = 1.5e-8 of its peak.
const DEEPEST: f64 = 18.0;
/// Beyond so many standard deviations a normal variable has no weight.
const FARTHEST: f64 = 8.5;
/// Above this many degrees of freedom the standard deviation is taken as known.
const KNOWN_FROM: f64 = 1e7;

/// Steps of the search for a quantile; it takes about ten.
const MOST_STEPS: usize = 200;
/// Share of the tail, or of the quantile, to which a quantile is searched.
const CLOSE_ENOUGH: f64 = 1e-9;

/// Share of the studentized range of `count` means with `degrees` of freedom below `q`.
///
/// Good to 1e-7 (checked against SciPy for 2 to 60 means from one degree on). `None` unless there are at least two
/// means and one degree of freedom, and `q` is 0 or more.
///
/// # References
/// H. O. Hartley, Biometrika 32 (1942) 334 (the double integral; from memory).
pub fn below(q: f64, count: usize, degrees: f64) -> Option<f64> {
    if count < 2 || degrees.is_nan() || degrees < 1.0 || q.is_nan() || q < 0.0 {
        return None;
    }
    if degrees > KNOWN_FROM {
        return Some(range_below(q, count));
    }
    let half = degrees / 2.0;
    let scale = std::f64::consts::LN_2 + half * half.ln() - half - ln_gamma(half);
    // Over u = ln s: with few degrees a large q is decided by standard deviations far below 1, which equal steps of s miss.
    let density = |u: f64| (scale + degrees * (u - (2.0 * u).exp_m1() / 2.0)).exp();
    let depth = DEEPEST / degrees;
    let (from, to) = (-depth - depth.sqrt(), depth.sqrt().min(0.5 * (2.0 * depth + 5.0).ln()));
    let panels = FEWEST_PANELS.max((to - from).ceil() as usize);
    let share = integral(from, to, panels, |u| density(u) * range_below(q * u.exp(), count));
    Some(share.clamp(0.0, 1.0))
}

/// The value below which a share `p` of the studentized range lies. `None` as for [`below`], and unless 0 < p < 1.
pub fn quantile(p: f64, count: usize, degrees: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    let (mut low, mut high) = (0.0, 4.0);
    while below(high, count, degrees)? < p {
        low = high;
        high *= 2.0;
    }
    let (mut under, mut over) = (below(low, count, degrees)? - p, below(high, count, degrees)? - p);
    // False position with the stale end's weight halved (Illinois): the root stays enclosed, in a tenth of the steps of
    // halving.
    for _ in 0..MOST_STEPS {
        let middle = high - over * (high - low) / (over - under);
        let found = below(middle, count, degrees)? - p;
        if found.abs() <= CLOSE_ENOUGH * (1.0 - p) || high - low <= CLOSE_ENOUGH * high {
            return Some(middle);
        }
        if found < 0.0 {
            (low, under, over) = (middle, found, over / 2.0);
        } else {
            (high, over, under) = (middle, found, under / 2.0);
        }
    }
    Some((low + high) / 2.0)
}

/// Share of the range of `count` standard normal variables below `w`: k ∫ φ(z) (Φ(z) − Φ(z − w))ᵏ⁻¹ dz.
fn range_below(w: f64, count: usize) -> f64 {
    let inside = |z: f64| {
        let density = (-z * z / 2.0).exp() / std::f64::consts::TAU.sqrt();
        density * (normal_below(z) - normal_below(z - w)).powi(count as i32 - 1)
    };
    (count as f64 * integral(-FARTHEST, FARTHEST, NORMAL_PANELS, inside)).clamp(0.0, 1.0)
}

fn normal_below(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

fn integral(from: f64, to: f64, panels: usize, value: impl Fn(f64) -> f64) -> f64 {
    let half = (to - from) / (2 * panels) as f64;
    let panel = |index: usize| {
        let middle = from + half * (2 * index + 1) as f64;
        HALF_RULE.iter().map(|(x, w)| w * (value(middle - half * x) + value(middle + half * x))).sum::<f64>()
    };
    half * (0..panels).map(panel).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn printed_critical_values_have_their_level() {
        // Upper 5 % points of the studentized range as in any printed table: means, degrees of freedom, value.
        for (count, degrees, q) in
            [(2, 1.0, 17.97), (3, 6.0, 4.339), (3, 10.0, 3.877), (4, 20.0, 3.958), (10, 60.0, 4.646)]
        {
            let share = below(q, count, degrees).unwrap();
            assert!((share - 0.95).abs() < 2e-4, "{count} {degrees}: {share}");
            assert!((quantile(0.95, count, degrees).unwrap() / q - 1.0).abs() < 4e-4);
        }
    }

    #[test]
    fn two_means_are_a_t_test() {
        // q = √2 t.
        let t = crate::statistics::student::quantile(0.975, 7.0).unwrap();
        assert!((below(t * 2f64.sqrt(), 2, 7.0).unwrap() - 0.95).abs() < 1e-8);
        assert!(
            below(1.0, 1, 5.0).is_none() && below(1.0, 3, 0.5).is_none() && quantile(1.0, 3, 5.0).is_none()
        );
    }
}
