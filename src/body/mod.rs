//! The pressed and the fired body: pressing pressure, densities, shrinkage and porosities from masses and sizes, each with
//! its uncertainty, and how they compare with the porosity seen in pictures.
//!
//! Every result is a function of [`readings::Readings`]; [`value::propagate`] carries the uncertainty of the readings to
//! it, so that readings that two results share act on both.

pub mod agreement;
pub mod archimedes;
pub mod liquid;
pub mod readings;
pub mod result;
pub mod shape;
pub mod value;
