//! From label maps to numbers: one file per quantity.

pub mod hull;
pub mod pore;
pub mod region;
