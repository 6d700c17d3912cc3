//! From label maps to numbers: one file per quantity.

pub mod grain;
pub mod region;
