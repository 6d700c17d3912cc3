//! Intervals, lines, tests and fits: statistics that know nothing of micrographs.

pub mod covariance;
pub mod groups;
pub mod interval;
pub mod least_squares;
pub mod line;
pub mod nonlinear;
pub mod rank;
pub mod student;
pub mod studentized_range;
pub mod summary;
pub mod tails;
