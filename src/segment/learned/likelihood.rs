//! How likely it is that a boundary of the learned map is a real one.

use std::sync::OnceLock;

use serde::Deserialize;

use super::levels::logit_of;
use crate::segment::basin_graph::Sums;
use crate::segment::edges::Edge;

/// Contrasts beyond this many standard deviations of the grey levels within grains tell nothing more.
const MOST_CONTRAST: f64 = 3.0;
/// Regions with fewer pixels away from boundaries tell nothing of the noise.
const LEAST_INNER_PX: u64 = 30;

/// What was fitted on phantoms; made by `training/calibrate.py`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// How likely a boundary is real.
    pub edge: EdgeLayers,
    /// Coefficients of a², a³, s and e of the logarithm of the mean intercept found over the true one, most likely on
    /// pictures of two drawers; a the ambiguity of a field, 0.3 at most, s its shortfall, a at most in size, and e its excess.
    pub bias: [f64; 4],
    /// Coefficients of 1 and a of the standard deviation of what is left, a the ambiguity of a field.
    pub spread: [f64; 2],
}

/// Ambiguity up to which the bias was fitted.
const MOST_CORRECTED: f64 = 0.3;

impl Calibration {
    /// Logarithm of the mean intercept found over the true one, most likely for a field of this ambiguity and shortfall.
    ///
    /// `excess` is the logarithm of the expected passages over those of the boundaries that are more likely real than not.
    /// The bias is 0 where every boundary is certain, whatever the surface looks like: a shortfall counts up to the ambiguity,
    /// and there is no excess then.
    pub fn bias_at(&self, ambiguity: f64, shortfall: f64, excess: f64) -> f64 {
        let a = ambiguity.min(MOST_CORRECTED);
        a * a * (self.bias[0] + self.bias[1] * a)
            + self.bias[2] * shortfall.clamp(-a, a)
            + self.bias[3] * excess
    }
}

/// The calibration that belongs to the network.
pub fn calibration() -> &'static Calibration {
    static LOADED: OnceLock<Calibration> = OnceLock::new();
    LOADED.get_or_init(|| {
        serde_json::from_str(include_str!("../../../models/calibration.json"))
            .expect("invariant: a test reads the embedded calibration")
    })
}

/// Numbers that describe a boundary between two regions and the picture that it lies in.
pub const FEATURES: usize = 7;

/// Units of each of the two layers between features and probability.
const UNITS: usize = 16;

/// Features further from their mean than this many standard deviations count as if they lay there: phantoms hold hardly any.
const FARTHEST: f64 = 4.0;

/// Two small layers, from the features of a boundary to the logit of its probability.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EdgeLayers {
    /// Means of the features on phantoms.
    pub mean: [f64; FEATURES],
    /// Their standard deviations.
    pub deviation: [f64; FEATURES],
    /// For each unit of the first layer its constant and its weights.
    pub first: [[f64; FEATURES + 1]; UNITS],
    /// As [`first`](Self::first), of the second layer.
    pub second: [[f64; UNITS + 1]; UNITS],
    /// Constant and weights of the logit.
    pub last: [f64; UNITS + 1],
}

impl EdgeLayers {
    /// Probability that a boundary with these features is real.
    pub fn probability(&self, features: &[f64; FEATURES]) -> f64 {
        let standard = std::array::from_fn::<f64, FEATURES, _>(|k| {
            ((features[k] - self.mean[k]) / self.deviation[k]).clamp(-FARTHEST, FARTHEST)
        });
        let first = self.first.map(|unit| squashed(sum(&unit, &standard)));
        let second = self.second.map(|unit| squashed(sum(&unit, &first)));
        1.0 / (1.0 + libm::exp(-sum(&self.last, &second)))
    }
}

/// Constant and weights applied to the inputs.
fn sum(unit: &[f64], inputs: &[f64]) -> f64 {
    unit[1..].iter().zip(inputs).fold(unit[0], |sum, (weight, input)| sum + weight * input)
}

/// To between -1 and 1: as good as a hyperbolic tangent and without a transcendental function, of which there would be 32
/// for every boundary.
fn squashed(sum: f64) -> f64 {
    sum / (1.0 + sum.abs())
}

/// What the features of all boundaries of a picture have in common.
#[derive(Clone, Copy, Debug)]
pub struct PictureTraits {
    /// Standard deviation of grey levels within regions.
    pub noise: f64,
    /// Scale at which the network saw the picture: pixels of the network for one pixel of regions.
    pub scale: f64,
    /// Logarithms of the length of boundaries that are hardly any, rather not and rather real over the length of the clear ones:
    /// where most are clear, a faint one is more likely false.
    pub doubts: [f64; 3],
}

/// Bounds of mean logits: boundaries that hardly are any, those rather not, those rather real. Above the last they are clear.
const DOUBTS: [[f64; 2]; 3] = [[f64::NEG_INFINITY, -2.0], [-2.0, 0.0], [0.0, 2.0]];
/// Shares beyond this, and below one over it, tell nothing more.
const MOST_DOUBT: f64 = 1e4;

impl PictureTraits {
    /// Traits of a picture: the noise is the median over its regions.
    pub fn of(regions: &[Sums], edges: &[Edge], scale: f64) -> Self {
        let mut variances: Vec<f64> = regions
            .iter()
            .filter(|region| region.inner_px >= LEAST_INNER_PX)
            .map(|region| region.inner_variance())
            .collect();
        variances.sort_by(f64::total_cmp);
        let median = variances.get(variances.len() / 2).copied().unwrap_or(1.0);
        // Grey levels are whole numbers, so their standard deviation is not known below about half a level.
        let noise = libm::sqrt(median).max(0.5);
        let lengths: Vec<(f64, u64)> = edges.iter().map(|edge| (mean_logit(edge), edge.length_px)).collect();
        let between = |[low, high]: [f64; 2]| -> u64 {
            lengths.iter().filter(|(logit, _)| (low..high).contains(logit)).map(|(_, length)| length).sum()
        };
        let clear = between([DOUBTS[2][1], f64::INFINITY]).max(1);
        let share = |bounds| between(bounds) as f64 / clear as f64;
        let doubts = DOUBTS.map(|bounds| libm::log(share(bounds).clamp(1.0 / MOST_DOUBT, MOST_DOUBT)));
        Self { noise, scale, doubts }
    }
}

fn mean_logit(edge: &Edge) -> f64 {
    logit_of(edge.strength_sum as f64 / edge.length_px as f64)
}

/// Features of a boundary: mean logit, contrast in units of the noise, logarithms of length and of the smaller area in pixels
/// of the network, and the doubts of its picture.
pub fn features(edge: &Edge, a: Sums, b: Sums, traits: PictureTraits) -> [f64; FEATURES] {
    // Twice the standard error of the difference is what chance explains.
    let contrast = (a.contrast_to(b, 2.0 * traits.noise) / traits.noise).min(MOST_CONTRAST);
    let length = libm::log(edge.length_px as f64 * traits.scale);
    let area = libm::log(a.area_px.min(b.area_px).max(1) as f64 * traits.scale * traits.scale);
    let [hardly, rather_not, rather] = traits.doubts;
    [mean_logit(edge), contrast, length, area, hardly, rather_not, rather]
}

/// Probability that a boundary is real, after the calibration.
pub fn probability(edge: &Edge, a: Sums, b: Sums, traits: PictureTraits) -> f64 {
    calibration().edge.probability(&features(edge, a, b, traits))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::learned::levels::logit_level;

    /// Layers that pass on the first feature alone, and 3 as a constant of the first layer's second unit.
    fn layers() -> EdgeLayers {
        let mut layers = EdgeLayers {
            mean: [0.0; FEATURES],
            deviation: [1.0; FEATURES],
            first: [[0.0; FEATURES + 1]; UNITS],
            second: [[0.0; UNITS + 1]; UNITS],
            last: [0.0; UNITS + 1],
        };
        (layers.mean[0], layers.deviation[0]) = (5.0, 2.0);
        layers.first[0][1] = 1.0;
        layers.first[1][0] = 3.0;
        layers.second[0][1] = 2.0;
        layers.second[0][2] = -4.0;
        layers.last[0] = 0.25;
        layers.last[1] = 2.0;
        layers
    }

    #[test]
    fn layers_standardise_squash_and_end_in_a_logit() {
        // (9 − 5) / 2 = 2, squashed 2/3; the constant 3, squashed 3/4; 4/3 − 3 = −5/3, squashed −5/8; 1/4 − 5/4 = −1.
        let found = layers().probability(&[9.0, 7.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        assert!((found - 1.0 / (1.0 + 1f64.exp())).abs() < 1e-12, "{found}");
    }

    #[test]
    fn features_beyond_four_deviations_count_as_if_they_lay_there() {
        let at = |value| layers().probability(&[value, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        assert!(at(1e9) == at(13.0) && at(-1e9) == at(-3.0) && at(13.0) > at(12.9));
    }

    #[test]
    fn doubts_are_logarithms_of_lengths_over_the_clear_ones() {
        let edge = |logit: f64, length_px: u64| Edge {
            a: 1,
            b: 2,
            length_px,
            strength_sum: u64::from(logit_level(logit)) * length_px,
        };
        let regions = vec![Sums::default(); 3];
        let edges = [edge(-3.0, 2000), edge(-1.0, 500), edge(1.0, 3000), edge(3.0, 1000)];
        let traits = PictureTraits::of(&regions, &edges, 1.0);
        for (found, expected) in traits.doubts.into_iter().zip([2.0f64, 0.5, 3.0]) {
            assert!((found - expected.ln()).abs() < 1e-12, "{:?}", traits.doubts);
        }
        // Nothing doubtful, nothing clear: neither is without bounds.
        let clear = PictureTraits::of(&regions, &edges[3..], 1.0);
        assert!(clear.doubts.iter().all(|&d| (d - 1e-4f64.ln()).abs() < 1e-12), "{:?}", clear.doubts);
    }
}
