//! Grains of a picture: boundary map, basins, merging.

use super::basin_graph::{Edge, Merging, Sums, edges};
use super::basins::basins;
use super::boundary;
use crate::grid::{Grid, Labels};
use crate::options::GrainOptions;
use crate::warning::Warning;

/// Regions of fewer px are joined to a neighbour.
const SMALLEST_PX: u64 = 40;
/// Cap.
const CAP: u8 = 76;

/// The grains of a picture.
#[derive(Clone, Debug)]
pub struct GrainMap {
    /// One label for each grain; 0 in pores.
    pub labels: Labels,
    /// The boundary map that they were found on.
    pub boundaries: Grid<u8>,
    /// Mean strength along all boundaries, 0 to 1.
    pub mean_boundary_strength: f64,
    /// Boundaries between grains, ordered by labels.
    pub edges: Vec<Edge>,
    /// Whether.
    pub reliable: bool,
    /// Doubts.
    pub warnings: Vec<Warning>,
}

/// Finds the grains.
pub fn find(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> GrainMap {
    let found = boundary::with_levels(picture, pores, options);
    let strength = found.strength;
    let basins = basins(&strength, pores, (options.shallowest * 255.0) as u8);
    let mut merging = Merging::new(sums(&basins, picture, &strength, (options.shallowest * 255.0) as u8), edges(&basins, &strength, CAP), 0.3 * 255.0 / found.report.full, 16.0 * found.report.reversed[0]);
    merging.merge_below(options.merge_below * 255.0);
    merging.absorb_below(SMALLEST_PX);
    let ids = basins.grid.map(|label| merging.root(label));
    let labels = Labels::from_ids(ids);
    let edges = edges(&labels, &strength, 255);
    let (sum, length) = edges.iter().fold((0, 0), |(s, l), e| (s + e.strength_sum, l + e.length_px));
    GrainMap {
        mean_boundary_strength: sum as f64 / (length.max(1) as f64 * 255.0),
        labels,
        boundaries: strength,
        edges,
        reliable: true,
        warnings: Vec::new(),
    }
}

fn sums(labels: &Labels, picture: &Grid<u8>, strength: &Grid<u8>, most: u8) -> Vec<Sums> {
    let mut sums = vec![Sums::default(); labels.count as usize + 1];
    for ((&label, &grey), &s) in labels.grid.as_slice().iter().zip(picture.as_slice()).zip(strength.as_slice()) {
        sums[label as usize].area_px += 1;
        if s > most { continue; }
        sums[label as usize].inner_px += 1;
        sums[label as usize].grey += u64::from(grey);
    }
    sums
}
