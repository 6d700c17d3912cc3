//! Views of a relation between microstructure and firing: tables and figures.

mod figures;
mod sentences;
mod tables;

pub use figures::{RelationFigure, figures};
pub use sentences::{growth_law, sentences};
pub use tables::{levels, specimens};
