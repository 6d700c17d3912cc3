//! Grains of a picture: boundary map, basins, merging.

use super::basin_graph::{Edge, Merging, edges};
use super::{boundary, markers, watershed};
use crate::grid::{Grid, Labels};
use crate::options::{Connectivity, GrainOptions};
use crate::warning::Warning;

/// Regions of fewer px are joined to a neighbour.
const SMALLEST_PX: u64 = 40;

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
    let mut merging = Merging::new(areas(&basins), edges(&basins, &strength));
    merging.merge_below(options.merge_below * 255.0);
    merging.absorb_below(SMALLEST_PX);
    let ids = basins.grid.map(|label| merging.root(label));
    let labels = Labels::from_ids(ids);
    let edges = edges(&labels, &strength);
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

fn basins(strength: &Grid<u8>, pores: &Labels, shallowest: u8) -> Labels {
    let relief = markers::relief(strength, pores, shallowest);
    let bottoms = markers::bottoms(&relief, pores);
    let solid = pores.grid.map(|label| label == 0);
    watershed::watershed(&relief, &bottoms, Some(&solid), Connectivity::Four)
}

fn areas(labels: &Labels) -> Vec<u64> {
    let mut areas = vec![0; labels.count as usize + 1];
    for &label in labels.grid.as_slice() {
        areas[label as usize] += 1;
    }
    areas
}
