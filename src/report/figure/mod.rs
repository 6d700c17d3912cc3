//! Figures for a report or a journal: column width, readable in grey print, the same bytes every time.

mod axis;
mod canvas;
mod histogram;
mod legend;
mod overview;
mod scatter;

pub use canvas::png;
pub use histogram::{chord_histogram, grain_size_histogram, pore_size_histogram};
pub use overview::overview;
pub use scatter::{Band, BandPoint, Curve, Point, Scatter, Series, scatter};
