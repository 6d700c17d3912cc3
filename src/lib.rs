//! Porosity, grain size and their uncertainty from micrographs of fired ceramics.

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod cli;
pub mod error;
pub mod grid;
pub mod measure;
pub mod micrograph;
pub mod options;
pub mod phantom;
pub mod pipeline;
pub mod report;
pub mod scale;
pub mod segment;
pub mod statistics;
pub mod study;
pub mod units;
pub mod warning;
