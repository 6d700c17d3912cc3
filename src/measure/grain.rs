//! What the boundary graph adds to the size and shape of each grain.

use super::region::Region;
use crate::segment::grains::GrainMap;
use crate::study::result::Grain;

/// Joins each region of a grain map with its number of neighbours and the mean strength of its boundaries.
///
/// Neighbours share at least one pixel edge; grains that meet only at a corner or through a pore are none. The strength
/// is the mean over all boundary pixel edges of the grain, 0 to 1, and 0 for a grain without neighbours.
pub fn grains(map: &GrainMap, regions: Vec<Region>) -> Vec<Grain> {
    let mut around = vec![(0u32, 0u64, 0u64); map.labels.count as usize + 1];
    for edge in &map.edges {
        for label in [edge.a, edge.b] {
            let (neighbours, length_px, strength_sum) = &mut around[label as usize];
            *neighbours += 1;
            *length_px += edge.length_px;
            *strength_sum += edge.strength_sum;
        }
    }
    regions
        .into_iter()
        .map(|region| {
            let (neighbours, length_px, strength_sum) =
                around.get(region.label as usize).copied().unwrap_or_default();
            let boundary_strength = strength_sum as f64 / (255.0 * length_px.max(1) as f64);
            Grain { region, neighbours, boundary_strength }
        })
        .collect()
}
