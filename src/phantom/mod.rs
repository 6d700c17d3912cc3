//! Micrographs drawn with exactly known truth, for tests, training and demonstration.

mod power_diagram;
mod random;
mod sites;
pub mod structure;
pub mod truth;
