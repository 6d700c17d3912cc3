//! From grey levels to label maps: background, threshold, labelling, boundary maps, watershed.

pub mod basin_graph;
pub mod basins;
pub mod bottoms;
pub mod boundary;
pub mod distance;
pub mod edges;
pub mod grains;

pub mod background;
pub mod denoise;
pub mod grey_levels;
pub mod label;
pub mod learned;
pub(crate) mod pore_choice;
pub(crate) mod pore_cut;
pub mod pores;
mod runs;
pub mod threshold;
pub mod watershed;
pub(crate) mod working_scale;
