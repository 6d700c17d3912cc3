//! Whether the grains are one population or two.

use crate::study::result::Populations;
use crate::units::{Length, LengthUnit};

/// Fewer diameters than this cannot tell two populations from one.
const DIAMETERS_NEEDED: usize = 50;

/// Cells that the logarithms are sorted into before fitting, so that the cost does not grow with the sample.
const CELLS: usize = 512;

/// One lognormal population of diameters against two; `None` below 50 diameters.
///
/// The distribution by area is fitted, each diameter weighted by its square: by number, the small sections of large grains
/// pose as a finer population in every structure (with one population, Poisson-Voronoi sections always showed two). The
/// likelihoods count as many grains as the weights are worth, (Σw)²/Σw². Two populations are claimed where the Bayesian
/// information criterion gains more than 10, the medians differ by a factor of 2 at least, and the fitted curve has a
/// valley between two peaks. Fitting by expectation and maximisation starts from fixed splits, so the answer is the same
/// every time.
///
/// # References
/// Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1; Schwarz, Ann. Stat. 6 (1978) 461; Kass and Raftery, J. Am.
/// Stat. Assoc. 90 (1995) 773 for the limit of 10 (all from memory).
pub fn populations(diameters: &[f64], unit: LengthUnit) -> Option<Populations> {
    let usable: Vec<f64> = diameters.iter().copied().filter(|d| *d > 0.0 && d.is_finite()).collect();
    if usable.len() < DIAMETERS_NEEDED {
        return None;
    }
    let cells = Cells::new(&usable)?;
    let one = cells.normal();
    let two = STARTS
        .into_iter()
        .map(|share| cells.fit_two(share, one.deviation))
        .max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood))?;
    // Two normals have five parameters, one has two.
    let gain = 2.0 * (two.log_likelihood - cells.log_likelihood(&[one])) - 3.0 * cells.total().ln();
    let [fine, coarse] = two.parts;
    let length = |value: f64| match unit {
        LengthUnit::Um => Length::Um(value),
        LengthUnit::Px => Length::Px(value),
    };
    Some(Populations {
        bic_one_minus_two: gain,
        two_populations: gain > 10.0 && coarse.mean - fine.mean >= 2f64.ln() && has_valley(&two.parts),
        medians: [length(fine.mean.exp()), length(coarse.mean.exp())],
        coarser_percent: 100.0 * coarse.share,
    })
}

/// Whether the sum of both parts falls and rises again between their means.
fn has_valley(parts: &[Part; 2]) -> bool {
    let curve: Vec<f64> = (0..=200)
        .map(|i| parts[0].mean + (parts[1].mean - parts[0].mean) * f64::from(i) / 200.0)
        .map(|x| parts.iter().map(|p| p.density(x)).sum())
        .collect();
    let lowest = curve.iter().copied().fold(f64::MAX, f64::min);
    lowest < curve[0].min(curve[200])
}

/// Shares of the sample that start as the finer population.
const STARTS: [f64; 4] = [0.2, 0.5, 0.8, 0.95];

/// A part of the mixture: normal in the logarithm.
#[derive(Clone, Copy)]
struct Part {
    share: f64,
    mean: f64,
    deviation: f64,
}

impl Part {
    fn density(&self, x: f64) -> f64 {
        let z = (x - self.mean) / self.deviation;
        self.share / self.deviation * (-0.5 * z * z).exp()
    }
}

struct TwoParts {
    parts: [Part; 2],
    log_likelihood: f64,
}

/// Logarithms of the diameters sorted into cells: centre and weight, empty cells left out.
struct Cells(Vec<(f64, f64)>);

impl Cells {
    fn new(diameters: &[f64]) -> Option<Self> {
        let low = diameters.iter().copied().fold(f64::MAX, f64::min).ln();
        let high = diameters.iter().copied().fold(f64::MIN, f64::max).ln();
        let width = (high - low) / CELLS as f64;
        if width <= 1e-9 {
            return None;
        }
        let mut areas = vec![0.0; CELLS];
        for d in diameters {
            areas[(((d.ln() - low) / width) as usize).min(CELLS - 1)] += d * d;
        }
        let all: f64 = diameters.iter().map(|d| d * d).sum();
        let worth = all / diameters.iter().map(|d| d.powi(4)).sum::<f64>();
        let filled = areas.iter().enumerate().filter(|(_, area)| **area > 0.0);
        Some(Self(filled.map(|(i, area)| (low + (i as f64 + 0.5) * width, area * worth)).collect()))
    }

    fn total(&self) -> f64 {
        self.0.iter().map(|(_, n)| n).sum()
    }

    /// Mean and deviation of the cells, each weighted by `share` of its count.
    fn weighted_normal(&self, share: impl Fn(f64) -> f64) -> Part {
        let total = self.total();
        let weights: Vec<f64> = self.0.iter().map(|&(x, n)| n * share(x)).collect();
        let sum: f64 = weights.iter().sum();
        let mean = self.0.iter().zip(&weights).map(|((x, _), w)| w * x).sum::<f64>() / sum;
        let square = self.0.iter().zip(&weights).map(|((x, _), w)| w * (x - mean).powi(2)).sum::<f64>() / sum;
        Part { share: sum / total, mean, deviation: square.sqrt() }
    }

    fn normal(&self) -> Part {
        self.weighted_normal(|_| 1.0)
    }

    /// Up to a constant that is the same for every mixture.
    fn log_likelihood(&self, parts: &[Part]) -> f64 {
        self.0
            .iter()
            .map(|&(x, n)| n * parts.iter().map(|p| p.density(x)).sum::<f64>().max(1e-300).ln())
            .sum()
    }

    /// Expectation and maximisation from the split that puts `finer_share` of the sample into the finer part.
    fn fit_two(&self, finer_share: f64, spread: f64) -> TwoParts {
        let total = self.total();
        let mut below = 0.0;
        let split = self.0.iter().find(|(_, n)| {
            below += n;
            below >= finer_share * total
        });
        let split = split.map_or(f64::MAX, |cell| cell.0);
        // A part narrower than this would describe a few equal sizes, not a population.
        let floor = 0.05 * spread;
        let sound = |p: Part| Part { deviation: p.deviation.max(floor), ..p };
        let last = self.0[self.0.len() - 1].0;
        let split = split.min(last - 1e-12);
        let mut parts = [
            sound(self.weighted_normal(|x| f64::from(u8::from(x <= split)))),
            sound(self.weighted_normal(|x| f64::from(u8::from(x > split)))),
        ];
        let mut likelihood = self.log_likelihood(&parts);
        for _ in 0..500 {
            let before = parts;
            let share = |x: f64, i: usize| {
                let both = before[0].density(x) + before[1].density(x);
                if both > 0.0 { before[i].density(x) / both } else { 0.5 }
            };
            parts =
                [sound(self.weighted_normal(|x| share(x, 0))), sound(self.weighted_normal(|x| share(x, 1)))];
            let gained = self.log_likelihood(&parts) - likelihood;
            likelihood += gained;
            if gained.abs() < 1e-6 {
                break;
            }
        }
        if parts[0].mean > parts[1].mean {
            parts.swap(0, 1);
        }
        TwoParts { parts, log_likelihood: likelihood }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_or_equal_diameters_say_nothing_about_populations() {
        assert!(populations(&[1.0; 200], LengthUnit::Um).is_none());
        let few: Vec<f64> = (1..40).map(f64::from).collect();
        assert!(populations(&few, LengthUnit::Um).is_none());
    }
}
