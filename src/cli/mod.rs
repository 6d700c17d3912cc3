//! The command line: one file per command.

pub mod phantom;
