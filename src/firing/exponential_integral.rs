//! The exponential integral E1, scaled so that it does not vanish.

/// eˣ·E1(x) = ∫₀^∞ e⁻ᵗ/(x + t) dt for x > 0; `None` otherwise.
///
/// Good to 1e-13 of its value. Scaled, because E1 itself is zero in double precision above x = 740, which sintering at room
/// temperature reaches (Q/RT = 196 for 485 kJ/mol, more for larger Q).
///
/// # References
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 5.1.11 (series) and 5.1.22 (continued fraction; numbers from
/// memory).
pub fn scaled_e1(x: f64) -> Option<f64> {
    if !(x > 0.0 && x.is_finite()) {
        return None;
    }
    Some(if x <= 1.0 { x.exp() * series(x) } else { continued_fraction(x) })
}

/// E1(x) = −γ − ln x − Σ (−x)ᵏ/(k·k!).
fn series(x: f64) -> f64 {
    const EULER: f64 = 0.577_215_664_901_532_9;
    let mut sum = -EULER - x.ln();
    let mut power = 1.0;
    // Terms fall faster than 1/k! for x up to 1: the 25th is below 1e-26.
    for k in 1..=25 {
        let k = f64::from(k);
        power *= -x / k;
        sum -= power / k;
    }
    sum
}

/// 1/(x + 1 − 1²/(x + 3 − 2²/(x + 5 − …))), from its end, which needs no test for convergence.
fn continued_fraction(x: f64) -> f64 {
    // The error falls as exp(−4·√(n·x)): 120 terms leave 1e-19 at x = 1.
    let terms = 120;
    let mut tail = x + 2.0 * f64::from(terms) + 1.0;
    for k in (1..=terms).rev() {
        let k = f64::from(k);
        tail = x + 2.0 * k - 1.0 - k * k / tail;
    }
    1.0 / tail
}
