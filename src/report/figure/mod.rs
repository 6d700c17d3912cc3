//! Figures for a report or a journal: column width, readable in grey print, the same bytes every time.

mod axis;
mod canvas;
mod caption;
mod histogram;
mod legend;
mod micrograph;
mod overview;
mod pdf;
mod scatter;
mod size_data;
mod size_panels;
mod sizes;

pub use canvas::png;
pub use caption::{PanelWords, caption};
pub use histogram::{chord_histogram, grain_size_histogram, pore_size_histogram};
pub use micrograph::MicrographPanel;
pub use overview::overview;
pub use pdf::pdf;
pub use scatter::{Band, BandPoint, Curve, Point, Scatter, Series, scatter};
pub use size_data::{size_curve_data, size_panel_data, size_summary};
pub use size_panels::size_panels;
pub use sizes::{SizeFigure, size_boxes, size_curves};
