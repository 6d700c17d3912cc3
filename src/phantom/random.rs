//! Random numbers that are the same on every machine and for any thread count.
//!
//! Every row, grain or pore list draws from a stream of its own, so the order in which threads work does not
//! matter. Transcendental functions come from `libm`, because those of C libraries differ in the last bits.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// What a stream is drawn for; two purposes never share numbers.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Purpose {
    Sites = 1,
    Discs,
    Pores,
    PullOut,
    WarpX,
    WarpY,
    Grains,
    Edges,
    Texture,
    Light,
    Scratches,
    Bodies,
    Noise,
    Sampling,
    Regions,
    CoarseGrains,
    Fading,
    Powder,
    Drift,
    Charging,
    Dust,
    Finish,
    Films,
    Steps,
    Facets,
    Layers,
    Clear,
    Ground,
}

/// A stream of random numbers for one purpose and one index (a row, a grain, …) under one seed.
pub(crate) struct Stream(ChaCha8Rng);

impl Stream {
    pub(crate) fn new(seed: u64, purpose: Purpose, index: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(((purpose as u64) << 40) | index);
        Self(generator)
    }

    /// Uniform in [0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in [low, high).
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// One of `0..count`.
    pub(crate) fn index(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// Exponential with mean 1.
    pub(crate) fn exponential(&mut self) -> f64 {
        -libm::log(1.0 - self.unit())
    }

    /// Two independent normal variates with mean 0 and standard deviation 1 (Box and Muller 1958).
    pub(crate) fn normal_pair(&mut self) -> (f64, f64) {
        let radius = libm::sqrt(2.0 * self.exponential());
        let angle = 2.0 * std::f64::consts::PI * self.unit();
        (radius * libm::cos(angle), radius * libm::sin(angle))
    }

    /// Normal with mean 0 and standard deviation 1.
    pub(crate) fn normal(&mut self) -> f64 {
        self.normal_pair().0
    }

    /// Lognormal with median 1 and standard deviation `spread` of its logarithm, cut at three of them.
    pub(crate) fn lognormal(&mut self, spread: f64) -> f64 {
        libm::exp(spread * self.normal().clamp(-3.0, 3.0))
    }

    /// A direction uniform on the sphere.
    pub(crate) fn direction(&mut self) -> [f64; 3] {
        let z = self.between(-1.0, 1.0);
        let angle = 2.0 * std::f64::consts::PI * self.unit();
        let rho = libm::sqrt(1.0 - z * z);
        [rho * libm::cos(angle), rho * libm::sin(angle), z]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_repeat_themselves_and_differ_from_each_other() {
        let draw = |seed, purpose, index| Stream::new(seed, purpose, index).unit();
        assert_eq!(draw(1, Purpose::Sites, 0), draw(1, Purpose::Sites, 0));
        assert_ne!(draw(1, Purpose::Sites, 0), draw(2, Purpose::Sites, 0));
        assert_ne!(draw(1, Purpose::Sites, 0), draw(1, Purpose::Pores, 0));
        assert_ne!(draw(1, Purpose::Sites, 0), draw(1, Purpose::Sites, 1));
    }

    #[test]
    fn moments_are_those_of_the_distributions() {
        let mut stream = Stream::new(5, Purpose::Noise, 0);
        let n = 200_000;
        let normal: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
        let mean = normal.iter().sum::<f64>() / n as f64;
        let variance = normal.iter().map(|v| v * v).sum::<f64>() / n as f64;
        assert!(mean.abs() < 4.0 / libm::sqrt(n as f64), "mean {mean}");
        assert!((variance - 1.0).abs() < 4.0 * libm::sqrt(2.0 / n as f64), "variance {variance}");
        let gaps = (0..n).map(|_| stream.exponential()).sum::<f64>() / n as f64;
        assert!((gaps - 1.0).abs() < 4.0 / libm::sqrt(n as f64), "exponential {gaps}");
    }
}
