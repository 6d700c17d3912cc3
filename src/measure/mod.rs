//! From label maps to numbers: one file per quantity.

pub mod agreement;
pub mod distribution;
pub(crate) mod expected;
pub mod grain;
pub mod grain_number;
pub mod grain_size;
pub mod hull;
pub mod intercept;
pub mod populations;
pub mod pore;
pub(crate) mod pull_out;
pub mod region;
pub mod test_line;
pub mod unfold;
pub mod weighted;
