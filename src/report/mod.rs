//! Views of the result: JSON, tables, overlays, figures and the page. Nothing is computed here that is not in the
//! result; reports round, format and draw.

pub mod csv;
mod doubt;
pub mod figure;
pub mod folder;
pub mod html;
pub mod json;
pub mod label_map;
pub mod name;
pub mod number;
pub mod overlay;
pub mod phrase;
pub mod relation;
pub mod survey;
pub mod table;

pub use name::{file_stem, file_stems, page_stem};
