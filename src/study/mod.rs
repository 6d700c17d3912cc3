//! From fields to specimens to the study: the one result that every report is a view of.

pub mod agenda;
pub mod collect;
pub mod field;
pub mod figure;
mod files;
pub mod input;
mod measure_file;
pub mod merge;
pub mod output;
pub mod part;
pub(crate) mod read_file;
pub mod record;
pub mod result;
pub mod results;
pub mod run;
pub mod samples;
pub mod scale_list;
mod scale_spread;
pub mod shard;
pub mod sheet;
pub mod specimen;
pub mod survey;
pub mod verify;
mod workplace;
