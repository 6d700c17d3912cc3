//! From grey levels to label maps: background, threshold, labelling, boundary maps, watershed.

pub mod basin_graph;
pub mod basins;
pub mod bottoms;
pub mod boundary;
pub mod distance;
pub mod grains;

pub mod watershed;
