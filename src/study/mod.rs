//! From fields to specimens to the study: the one result that every report is a view of.

pub mod result;
pub mod specimen;
