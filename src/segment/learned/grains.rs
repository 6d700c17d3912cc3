//! Grains of a learned boundary map: fine regions, how likely each boundary between them is, and the cut at one half.

use std::borrow::Cow;
use std::ops::Range;

use rayon::prelude::*;

use super::levels::{LEVELS_PER_LOGIT, logit_level, logit_of, probability_level};
use super::likelihood::{FEATURES, PictureTraits, features, probability};
use crate::grid::{Grid, Labels};
use crate::segment::basin_graph::{Merging, Sums, UNIT};
use crate::segment::basins::{Springs, basins};
use crate::segment::edges::{Edge, edges};
use crate::segment::grains::{joined, sums};

/// Logit up to which there is no boundary: a probability of 0.02.
const OPEN_LOGIT: f64 = -4.0;
/// Logit up to which a pixel lies within a grain: a probability of 0.12.
const INNER_LOGIT: f64 = -2.0;
/// Hollows shallower than this in logits are no regions of their own.
const HOLLOW_LOGIT: f64 = 0.5;
/// Smaller regions, in px² of the network, are joined to a neighbour: a boundary is two pixels wide.
const SMALLEST_PX: f64 = 12.0;

/// Regions finer than grains, and how likely each boundary between two of them is real.
#[derive(Clone, Debug)]
pub struct Likely {
    /// The regions; 0 in pores, and in solid that belongs to no grain.
    pub regions: Labels,
    /// The grain that each region belongs to if boundaries are cut at one half, by region; 0 if it belongs to none.
    pub grain_of: Vec<u32>,
    /// Pairs of touching regions in ascending order.
    pub edges: Vec<LikelyEdge>,
    /// How the network saw the picture.
    pub view: View,
}

/// How the network saw a picture as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// Pixels of the network for one pixel of the picture.
    pub scale: f64,
    /// Of [`Maps::shortfall`](super::Maps::shortfall).
    pub shortfall: f64,
}

impl Default for View {
    /// The picture as it is, without a shortfall.
    fn default() -> Self {
        Self { scale: 1.0, shortfall: 0.0 }
    }
}

/// A boundary between two regions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LikelyEdge {
    /// The smaller label.
    pub a: u32,
    /// The larger label.
    pub b: u32,
    /// Pairs of edge-sharing pixels, one in each region.
    pub length_px: u64,
    /// Probability that it lies between two grains.
    pub probability: f64,
}

/// Regions and grains of `boundary`, a map of logits; `picture` gives the contrast.
pub fn likely(boundary: &Grid<u8>, picture: &Grid<u8>, pores: &Labels, view: View) -> (Likely, Labels) {
    let fine = fine_regions(boundary, picture, pores);
    let traits = PictureTraits::of(&fine.sums, &fine.edges, view.scale);
    let edges = fine
        .edges
        .iter()
        .map(|edge| {
            let (a, b) = (fine.sums[edge.a as usize], fine.sums[edge.b as usize]);
            LikelyEdge {
                a: edge.a,
                b: edge.b,
                length_px: edge.length_px,
                probability: probability(edge, a, b, traits),
            }
        })
        .collect();
    let weigh =
        |edge: &Edge, a: Sums, b: Sums| (probability(edge, a, b, traits) * 255.0 * UNIT as f64) as u64;
    let merging = Merging::new(fine.sums, fine.edges, weigh);
    let smallest = (SMALLEST_PX / (traits.scale * traits.scale)).ceil() as u64;
    let (grains, grain_of) = joined(fine.regions.clone(), merging, 0.5, smallest);
    let regions = without_specks(fine.regions, &grain_of);
    (Likely { regions, grain_of, edges, view }, grains)
}

/// The regions without those that belong to no grain, for a line would pass them as grains on its way across a pore. The
/// others keep their labels.
fn without_specks(mut regions: Labels, grain_of: &[u32]) -> Labels {
    if grain_of[1..].contains(&0) {
        let of_grain = |region: &mut u32| *region *= u32::from(grain_of[*region as usize] != 0);
        regions.grid.as_mut_slice().par_iter_mut().for_each(of_grain);
    }
    regions
}

impl Likely {
    /// Mean of 1 - p over the expected length of boundaries, p their probability: 0 where every boundary is certain.
    /// `None` without boundaries.
    pub fn ambiguity(&self) -> Option<f64> {
        let expected = self.expected_length_px(0.0);
        let doubt = |edge: &LikelyEdge| edge.length_px as f64 * edge.probability * (1.0 - edge.probability);
        (expected > 0.0).then(|| self.edges.iter().map(doubt).sum::<f64>() / expected)
    }

    /// Expected length in px of the boundaries with a probability of at least `least`.
    pub fn expected_length_px(&self, least: f64) -> f64 {
        let counted = self.edges.iter().filter(|edge| edge.probability >= least);
        // A sum over nothing is -0.
        counted.map(|edge| edge.length_px as f64 * edge.probability).fold(0.0, |sum, length| sum + length)
    }

    /// Mean linear intercept along rows and columns, in pixels of `regions`: every pair of pixels across a boundary is a
    /// passage of a row or a column, counted by its probability. `None` without boundaries.
    pub fn mean_intercept_px(&self) -> Option<f64> {
        let passages = self.expected_length_px(0.0);
        let solid = self.regions.grid.as_slice().par_iter().filter(|&&region| region != 0).count();
        (passages > 0.0).then(|| 2.0 * solid as f64 / passages)
    }
}

/// A boundary between fine regions with the features that its probability is fitted on.
pub struct EdgeSample {
    /// The boundary.
    pub edge: Edge,
    /// Its features.
    pub features: [f64; FEATURES],
}

/// The fine regions of a map and the features of every boundary between them, for calibration.
pub fn edge_samples(boundary: &Grid<u8>, picture: &Grid<u8>, pores: &Labels) -> (Labels, Vec<EdgeSample>) {
    let fine = fine_regions(boundary, picture, pores);
    let traits = PictureTraits::of(&fine.sums, &fine.edges, 1.0);
    let samples = fine.edges.iter().map(|&edge| {
        let (a, b) = (fine.sums[edge.a as usize], fine.sums[edge.b as usize]);
        EdgeSample { edge, features: features(&edge, a, b, traits) }
    });
    let samples = samples.collect();
    (fine.regions, samples)
}

struct Fine {
    regions: Labels,
    edges: Vec<Edge>,
    sums: Vec<Sums>,
}

fn fine_regions(boundary: &Grid<u8>, picture: &Grid<u8>, pores: &Labels) -> Fine {
    let hollow = (HOLLOW_LOGIT * LEVELS_PER_LOGIT).round() as u8;
    let regions = basins(boundary, pores, logit_level(OPEN_LOGIT), Springs::Hollows(hollow));
    let edges = edges(&regions, boundary, u8::MAX);
    let greys = |rows: &Range<usize>| {
        Cow::Borrowed(&picture.as_slice()[rows.start * picture.width()..rows.end * picture.width()])
    };
    let sums = sums(&regions, boundary, logit_level(INNER_LOGIT), greys);
    Fine { regions, edges, sums }
}

/// The map with its logits turned into probabilities, 255 for certain.
pub fn as_probabilities(boundary: &Grid<u8>) -> Grid<u8> {
    let table: Vec<u8> =
        (0..=u8::MAX).map(|level| probability_level(logit_of(f64::from(level)) as f32)).collect();
    boundary.map(|level| table[usize::from(level)])
}
