//! From label maps to numbers: one file per quantity.

pub mod distribution;
pub mod grain_number;
pub mod grain_size;
pub mod intercept;
pub mod populations;
pub mod region;
mod test_line;
pub mod unfold;
