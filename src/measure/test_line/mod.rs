//! Test lines on a label map: which pixels a line sees, and what is counted on the way.

mod circles;
mod parallel;
mod walk;

pub(crate) use circles::count_circles;
pub(crate) use parallel::count_parallel;
pub(crate) use walk::{LineCount, TILES};
