//! Intervals and errors: what a mean over fields, or a single field, can say about the specimen.

pub mod covariance;
pub mod interval;
pub mod student;
