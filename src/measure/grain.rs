//! What the boundary graph adds to the size and shape of each grain.

use super::region::Region;
use crate::segment::edges::Edge;
use crate::segment::grains::GrainMap;
use crate::study::result::Grain;

/// Joins each region of a grain map with its number of neighbours and the mean strength of its boundaries.
///
/// Neighbours share at least one pixel edge; grains that meet only at a corner or through a pore are none. The strength
/// is the mean over all boundary pixel edges of the grain, 0 to 1, and 0 for a grain without neighbours.
pub fn grains(map: &GrainMap, regions: Vec<Region>) -> Vec<Grain> {
    grains_of(&map.edges, map.labels.count, regions)
}

/// The same from the boundaries between `count` grains.
pub(crate) fn grains_of(edges: &[Edge], count: u32, regions: Vec<Region>) -> Vec<Grain> {
    let mut around = vec![(0u32, 0u64, 0u64); count as usize + 1];
    for edge in edges {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::{Frame, Grid, Labels};
    use crate::segment::edges::Edge;

    fn region(label: u32) -> Region {
        Region {
            label,
            area_px: 4,
            area: 4.0,
            centroid_x_px: 0.5,
            centroid_y_px: 0.5,
            bounding_box: Frame { x: 0, y: 0, width: 2, height: 2 },
            equivalent_diameter: 2.0,
            perimeter: 6.0,
            feret_max: 2.0,
            feret_min: 2.0,
            orientation_deg: 0.0,
            solidity: 1.0,
            touches_frame: true,
        }
    }

    #[test]
    fn neighbours_and_strength_come_from_the_edges() {
        let edge = |a, b, length_px, strength_sum| Edge { a, b, length_px, strength_sum };
        let map = GrainMap {
            labels: Labels { grid: Grid::new(4, 1, vec![1, 2, 3, 4]).unwrap(), count: 4 },
            boundaries: Grid::filled(4, 1, 0),
            mean_boundary_strength: 0.5,
            edges: vec![edge(1, 2, 1, 255), edge(2, 3, 3, 0)],
            likely: None,
            reliable: true,
            warnings: Vec::new(),
        };
        let grains = grains(&map, (1..=4).map(region).collect());
        assert_eq!(grains.iter().map(|g| g.neighbours).collect::<Vec<_>>(), [1, 2, 1, 0]);
        assert_eq!(grains.iter().map(|g| g.boundary_strength).collect::<Vec<_>>(), [1.0, 0.25, 0.0, 0.0]);
        assert_eq!(grains[2].region.label, 3);
    }
}
