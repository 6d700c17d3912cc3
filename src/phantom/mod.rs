//! Micrographs drawn with exactly known truth, for tests, training and demonstration.

mod cells;
mod power_diagram;
mod random;
mod sites;
mod smooth_field;
pub mod structure;
pub mod truth;
