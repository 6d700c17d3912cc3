//! What can go wrong, where, and what to do about it.

use std::path::PathBuf;

/// Every error of the library. Its text says what failed, where, and what the user can do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A grid was made from data that does not fit its sides.
    #[error("{length} values do not fill a grid of {width} x {height} pixels")]
    GridShape {
        /// Columns asked for.
        width: usize,
        /// Rows asked for.
        height: usize,
        /// Values given.
        length: usize,
    },
    /// A typed length could not be read.
    #[error("the length '{text}' cannot be read: {why}")]
    LengthText {
        /// What was typed.
        text: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// An option has a value that cannot be used.
    #[error("option {name}: {why}")]
    Option {
        /// The option as typed on the command line.
        name: &'static str,
        /// What is wrong and what is expected.
        why: String,
    },
    /// A file or folder could not be read.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// Which one.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file or folder could not be written.
    #[error("cannot write {}: {source}; nothing there was changed", path.display())]
    Write {
        /// Which one.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file is not a picture in a format that is read, or is damaged.
    #[error("{} is not a picture that can be read: {why}", path.display())]
    Picture {
        /// Which file.
        path: PathBuf,
        /// What the decoder found, and what to do.
        why: String,
    },
    /// A picture has more pixels than the budget allows.
    #[error(
        "{} is {width} x {height} px, more than the {budget} px allowed; raise --max-pixels if this is meant",
        path.display()
    )]
    TooLarge {
        /// Which file.
        path: PathBuf,
        /// Columns.
        width: u64,
        /// Rows.
        height: u64,
        /// The budget in pixels.
        budget: u64,
    },
    /// A picture, or the part of it to be measured, is too small to hold a measurement.
    #[error("{width} x {height} px are too small to be measured; at least {least} px a side are needed")]
    TooSmall {
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
        /// Least columns and rows.
        least: usize,
    },
    /// The network within the program cannot be used.
    #[error(
        "the network for boundaries and pores cannot be used: {why}; choose --boundaries ridge and --pores half-contrast"
    )]
    Network {
        /// What is wrong.
        why: String,
    },
    /// A picture cannot be measured.
    #[error("{}: {why}", path.display())]
    Field {
        /// Which picture.
        path: PathBuf,
        /// Why, and what to do.
        why: String,
    },
    /// A label map has too many labels for its file form.
    #[error(
        "{count} grains do not fit a 16-bit label map; measure a part with --crop, or leave out --label-maps"
    )]
    Labels {
        /// Labels in the map.
        count: u32,
    },
    /// The study sheet is wrong.
    #[error("{}: {why}", path.display())]
    Sheet {
        /// Which sheet.
        path: PathBuf,
        /// Row, column, value and what was expected.
        why: String,
    },
}
