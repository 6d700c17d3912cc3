//! tmp
use crate::measure::region::Region;
use crate::segment::grains::GrainMap;
use crate::study::result::Grain;
/// tmp
pub fn grains(_map: &GrainMap, regions: Vec<Region>) -> Vec<Grain> {
    regions.into_iter().map(|region| Grain { region, neighbours: 0, boundary_strength: 0.0 }).collect()
}
