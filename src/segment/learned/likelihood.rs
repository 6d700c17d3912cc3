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
    /// Coefficients of [`features`], the constant first.
    pub edge: [f64; FEATURES + 1],
    /// Coefficients of a, a², s and e of the logarithm of the mean intercept found over the true one, most likely on
    /// phantoms; a the ambiguity of a field, 0.3 at most, s its shortfall, a at most in size, and e its excess.
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
        a * (self.bias[0] + self.bias[1] * a) + self.bias[2] * shortfall.clamp(-a, a) + self.bias[3] * excess
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

/// Numbers that describe a boundary between two regions.
pub const FEATURES: usize = 13;

/// What the features of all boundaries of a picture have in common.
#[derive(Clone, Copy, Debug)]
pub struct PictureTraits {
    /// Standard deviation of grey levels within regions.
    pub noise: f64,
    /// Scale at which the network saw the picture: pixels of the network for one pixel of regions.
    pub scale: f64,
    /// Length of the boundaries that are clear over the length of those that are at least suspected: where most are
    /// clear, a faint one is more likely false.
    pub clarity: f64,
}

/// Mean logits from which a boundary is clear, and from which it is suspected.
const CLEAR_LOGIT: f64 = 2.0;
const SUSPECTED_LOGIT: f64 = -1.0;

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
        let length = |least: f64| -> u64 {
            edges.iter().filter(|edge| mean_logit(edge) > least).map(|edge| edge.length_px).sum()
        };
        let clarity = length(CLEAR_LOGIT) as f64 / length(SUSPECTED_LOGIT).max(1) as f64;
        Self { noise, clarity, scale }
    }
}

fn mean_logit(edge: &Edge) -> f64 {
    logit_of(edge.strength_sum as f64 / edge.length_px as f64)
}

/// Features of a boundary: mean logit, contrast in units of the noise, length, smaller area, products of them, and of the
/// clarity of the picture with some.
pub fn features(edge: &Edge, a: Sums, b: Sums, traits: PictureTraits) -> [f64; FEATURES] {
    let logit = mean_logit(edge);
    // Twice the standard error of the difference is what chance explains.
    let contrast = (a.contrast_to(b, 2.0 * traits.noise) / traits.noise).min(MOST_CONTRAST);
    let length = libm::log(edge.length_px as f64 * traits.scale);
    let area = libm::log(a.area_px.min(b.area_px).max(1) as f64 * traits.scale * traits.scale);
    [
        logit,
        logit * logit,
        contrast,
        contrast * contrast,
        logit * contrast,
        length,
        area,
        length * contrast,
        area * logit,
        area * contrast,
        traits.clarity,
        traits.clarity * logit,
        traits.clarity * contrast,
    ]
}

/// Probability that a boundary is real, after the calibration.
pub fn probability(edge: &Edge, a: Sums, b: Sums, traits: PictureTraits) -> f64 {
    let [constant, slopes @ ..] = &calibration().edge;
    let sum = features(edge, a, b, traits).iter().zip(slopes).fold(*constant, |sum, (f, c)| sum + f * c);
    1.0 / (1.0 + libm::exp(-sum))
}
