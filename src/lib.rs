//! Porosity, grain size and their uncertainty from micrographs of fired ceramics.
//!
//! ```text
//! bytes ─ micrograph ─► Micrograph ─ scale ─► Scale
//!                           │
//!                           └─ segment ─► PoreMap, GrainMap ─ measure ─► Field ─ study ─► Specimen, Study ─► report
//! ```
//!
//! One direction, one result: a stage is a function that borrows what comes before it and owns what it makes, and every
//! report is a view of [`study::result::Study`]. [`pipeline::measure`] is the way of one picture, [`study::run::run`] that
//! of a folder.
//!
//! ```
//! use ceramograph::micrograph::Micrograph;
//! use ceramograph::options::Options;
//! use ceramograph::phantom::{PhantomSpec, draw};
//! use ceramograph::pipeline::measure;
//!
//! // A drawn micrograph, whose truth is exactly known.
//! let phantom = draw(&PhantomSpec { width_px: 512, height_px: 384, ..PhantomSpec::default() })?;
//! let micrograph = Micrograph { grey: phantom.grey, claims: Vec::new(), warnings: Vec::new() };
//! let options = Options { pixel_size: Some("25nm".into()), ..Options::default() };
//! let measured = measure(&micrograph, &options)?;
//!
//! let porosity = measured.pore_map.numbers.porosity_percent.unwrap();
//! assert!((porosity - phantom.truth.porosity_percent).abs() < 1.0);
//! let intercept = measured.intercepts.unwrap().results.mean.um().unwrap();
//! assert!((intercept / phantom.truth.mean_intercept_um.unwrap() - 1.0).abs() < 0.1);
//! # Ok::<(), ceramograph::error::Error>(())
//! ```

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod bands;
mod blur;
pub mod body;
pub mod cli;
mod differences;
pub mod error;
pub mod firing;
pub mod grid;
pub mod measure;
pub mod micrograph;
mod network;
pub mod options;
pub mod phantom;
pub mod pipeline;
pub mod relate;
pub mod report;
pub mod scale;
pub mod segment;
pub mod statistics;
pub mod study;
pub mod timing;
pub mod units;
pub mod warning;
mod whole_file;
