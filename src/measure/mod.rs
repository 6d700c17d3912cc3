//! From label maps to numbers: one file per quantity.

pub mod agreement;
pub mod region;
