//! Quantiles of Student's t distribution.

use statrs::distribution::{Continuous, ContinuousCDF, Normal, StudentsT};

/// Above this many degrees of freedom the expansion about the normal quantile is exact to 12 digits.
const EXPANSION_FROM: f64 = 1000.0;

/// The value below which a share `p` of Student's t with `degrees` of freedom lies.
///
/// Good to 1e-9 from 1 degree of freedom up, without limit. `None` unless 0 < p < 1 and there is at least one degree.
/// The root is found here because the inverse in statrs 0.19 loses digits from 10⁵ degrees on and hangs at 10⁸.
///
/// # References
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5 (expansion; from memory).
///
/// ```
/// let t = ceramograph::statistics::student::quantile(0.975, 4.0).unwrap();
/// assert!((t - 2.7764451).abs() < 1e-7);
/// ```
pub fn quantile(p: f64, degrees: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && degrees >= 1.0) {
        return None;
    }
    if p < 0.5 {
        return Some(-upper(p, degrees));
    }
    Some(upper(1.0 - p, degrees))
}

/// The value above which a share `q` of at most one half lies.
fn upper(q: f64, degrees: f64) -> f64 {
    if degrees == 1.0 {
        return 1.0 / (std::f64::consts::PI * q).tan();
    }
    if degrees == 2.0 {
        return (1.0 - 2.0 * q) / (2.0 * q * (1.0 - q)).sqrt();
    }
    let z = -Normal::standard().inverse_cdf(q);
    if degrees >= EXPANSION_FROM { expansion(z, degrees) } else { newton(z, q, degrees) }
}

/// Quantile of t from the normal quantile, in powers of 1 / degrees.
fn expansion(z: f64, degrees: f64) -> f64 {
    let s = z * z;
    let g1 = (s + 1.0) / 4.0;
    let g2 = ((5.0 * s + 16.0) * s + 3.0) / 96.0;
    let g3 = (((3.0 * s + 19.0) * s + 17.0) * s - 15.0) / 384.0;
    let g4 = ((((79.0 * s + 776.0) * s + 1482.0) * s - 1920.0) * s - 945.0) / 92160.0;
    z + z * (g1 + (g2 + (g3 + g4 / degrees) / degrees) / degrees) / degrees
}

/// Newton's method on the upper tail. It starts below the root, where the tail is convex, so it cannot overshoot.
fn newton(z: f64, q: f64, degrees: f64) -> f64 {
    let Ok(t) = StudentsT::new(0.0, 1.0, degrees) else { return f64::NAN };
    let mut x = z;
    for _ in 0..200 {
        let step = (t.sf(x) - q) / t.pdf(x);
        x += step;
        if step.abs() <= 1e-14 * x.abs().max(1.0) {
            break;
        }
    }
    x
}
