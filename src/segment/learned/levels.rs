//! How logits are kept in the 256 levels of a map.

/// Logits beyond this in either direction are kept as this: a probability of 0.0025, or as much below one.
pub const LOGIT_REACH: f64 = 6.0;

/// Levels of a map of logits for one unit of logit.
pub const LEVELS_PER_LOGIT: f64 = 255.0 / (2.0 * LOGIT_REACH);

/// The level of a logit in a map of logits: 0 at -6, 255 at 6, rounded to the nearest.
pub fn logit_level(logit: f64) -> u8 {
    ((logit.clamp(-LOGIT_REACH, LOGIT_REACH) + LOGIT_REACH) * LEVELS_PER_LOGIT + 0.5) as u8
}

/// The logit that a level, or a mean of levels, of a map of logits stands for.
pub fn logit_of(level: f64) -> f64 {
    level / LEVELS_PER_LOGIT - LOGIT_REACH
}

/// Probability of a logit, 1 / (1 + e^-logit), in 255 parts, rounded to the nearest.
pub fn probability_level(logit: f32) -> u8 {
    (255.0 / (1.0 + libm::expf(-logit)) + 0.5) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_are_rounded_to_255_parts() {
        let levels: Vec<u8> =
            [f32::NEG_INFINITY, -100.0, 0.0, 100.0, f32::INFINITY].map(probability_level).to_vec();
        assert_eq!(levels, [0, 0, 128, 255, 255]);
        // A probability of 0.3 has the logit ln(0.3 / 0.7).
        assert_eq!(probability_level((0.3f32 / 0.7).ln()), 77);
    }

    #[test]
    fn logits_are_kept_to_half_a_level() {
        for logit in [-6.0, -4.03, -0.51, 0.0, 1.7, 5.99, 6.0] {
            let kept = logit_of(f64::from(logit_level(logit)));
            assert!((kept - logit).abs() <= 0.5 / LEVELS_PER_LOGIT + 1e-12, "{logit} {kept}");
        }
        assert_eq!((logit_level(-99.0), logit_level(99.0)), (0, 255));
    }
}
