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

#[cfg(test)]
mod tests {
    use super::quantile;

    #[test]
    fn quantiles_agree_with_scipy() {
        // scipy.stats.t.ppf, SciPy 1.16.3: degrees, then the quantiles of 0.975, 0.9995 and 0.6.
        let reference = [
            (1.0, [12.706204736432095, 636.6192487687896, 0.32491969623407446]),
            (2.0, [4.302652729696142, 31.599054577041514, 0.28867513459481275]),
            (3.0, [3.182446305284263, 12.923978636637424, 0.27667066233268983]),
            (4.0, [2.7764451051977987, 8.610301581379899, 0.2707222947059493]),
            (5.0, [2.570581835636314, 6.868826625881279, 0.2671808657039658]),
            (9.0, [2.2621571628540993, 4.7809125859335495, 0.26095533647391045]),
            (29.0, [2.045229642132703, 3.6594050194045704, 0.2556836345712561]),
            (100.0, [1.9839715184496334, 3.390491311164263, 0.25402218245699415]),
            (999.0, [1.9623414611334487, 3.30029244039868, 0.25341458333036726]),
            (1000.0, [1.9623390808264074, 3.300282648423858, 0.25341451583949864]),
            (1001.0, [1.9623367052808787, 3.300272876065954, 0.25341444848349826]),
            (9999.0, [1.9602012636213575, 3.291500063300963, 0.2533538441198359]),
            (1e5, [1.9599877075346093, 3.2906240314119133, 0.2533477771571799]),
            (1e6, [1.9599663568141066, 3.290536461248722, 0.25334717053784156]),
            (1e8, [1.9599640082627663, 3.290526828789235, 0.25334710380982006]),
        ];
        for (degrees, wanted) in reference {
            for (p, want) in [0.975, 0.9995, 0.6].into_iter().zip(wanted) {
                let got = quantile(p, degrees).unwrap();
                assert!((got - want).abs() < 1e-9 * want.max(1.0), "p {p}, {degrees} degrees: {got} {want}");
                assert_eq!(quantile(1.0 - p, degrees).map(|t| (t * 1e9).round()), Some((-got * 1e9).round()));
            }
        }
    }

    #[test]
    fn printed_table_values_are_met() {
        // t(0.975, n - 1) by n, three decimals, as in any printed table.
        for (n, t) in [
            (2, 12.706),
            (6, 2.571),
            (11, 2.228),
            (16, 2.131),
            (21, 2.086),
            (25, 2.064),
            (61, 2.000),
            (121, 1.980),
        ] {
            assert!((quantile(0.975, f64::from(n - 1)).unwrap() - t).abs() < 6e-4, "{n}");
        }
    }

    #[test]
    fn far_tails_and_fractions_of_a_degree_converge() {
        assert!(quantile(1.0 - 1e-9, 3.0).unwrap() > 500.0);
        assert!(quantile(0.975, 1.5).unwrap() < 12.7 && quantile(0.975, 1.5).unwrap() > 4.3);
        assert_eq!(quantile(0.5, 7.0), Some(0.0));
        assert!(quantile(0.0, 7.0).is_none() && quantile(1.0, 7.0).is_none() && quantile(0.9, 0.5).is_none());
        assert!(quantile(f64::NAN, 7.0).is_none());
    }
}
