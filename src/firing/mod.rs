//! Firing programmes: how long they take, how long they stay hot, and how much thermal work they do.
//!
//! The programme is what the furnace was asked for. The temperature in the body may differ from it by tens of kelvin.

pub mod exponential_integral;
pub mod programme;
pub mod thermal_work;
