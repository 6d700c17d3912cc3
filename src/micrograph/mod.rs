//! Reading pictures: formats, pages, grey levels, and the strip of text that instruments add.

pub mod beside;
pub mod check;
mod directory;
#[cfg(test)]
pub(crate) mod drawn;
pub mod info_strip;
mod luminance;
pub mod overlap;
mod page;
pub mod picture_statistics;
mod raster;
pub(crate) mod streamed;
mod tagged;

use std::path::Path;

pub use page::{Pages, pages};

use crate::grid::Grid;
use crate::scale::ScaleClaim;
use crate::warning::Warning;

/// Grey levels as they stand in the file, 8 or 16 bit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Grey {
    /// 0 to 255.
    Eight(Grid<u8>),
    /// 0 to 65535.
    Sixteen(Grid<u16>),
}

impl Grey {
    /// Pixels per row.
    pub fn width(&self) -> usize {
        match self {
            Self::Eight(g) => g.width(),
            Self::Sixteen(g) => g.width(),
        }
    }

    /// Rows.
    pub fn height(&self) -> usize {
        match self {
            Self::Eight(g) => g.height(),
            Self::Sixteen(g) => g.height(),
        }
    }

    /// Bits of a grey level: 8 or 16.
    pub fn bits(&self) -> u8 {
        match self {
            Self::Eight(_) => 8,
            Self::Sixteen(_) => 16,
        }
    }
}

/// One picture: a page of a file, in grey, with what the file says about its scale.
#[derive(Clone, Debug)]
pub struct Micrograph {
    /// Grey levels of the whole picture, info strip included.
    pub grey: Grey,
    /// What tags and text of the file state about the pixel size, in file order.
    pub claims: Vec<ScaleClaim>,
    /// Doubts about the reading: alpha ignored, colour turned to grey, …
    pub warnings: Vec<Warning>,
}

/// Limits on what is decoded.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadOptions {
    /// Largest picture that is decoded, in px; checked before any pixel is. Default: 400 million.
    pub max_pixels: u64,
}

impl Default for ReadOptions {
    fn default() -> Self {
        Self { max_pixels: 400_000_000 }
    }
}

impl ReadOptions {
    /// Memory in bytes that reading a page of a file of `length` bytes takes at most, whatever stands in the file.
    ///
    /// Four channels of 16 bits, once as decoded and once put in order, and the grey picture: 24 bytes a pixel are enough. Tags
    /// take up to 32 times their bytes in the file, texts are searched up to 8 MiB.
    pub fn most_memory(&self, length: usize) -> u64 {
        self.max_pixels.saturating_mul(24).saturating_add(64 * length as u64).saturating_add(MOST_FOR_TEXTS)
    }
}

/// Texts are decoded to [`page::LONGEST_TEXT`] at most, and a few copies of that are made while they are read.
const MOST_FOR_TEXTS: u64 = 8 * page::LONGEST_TEXT as u64;

/// Where an instrument's strip of text lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
pub struct InfoStrip {
    /// First row of the strip.
    pub first_row_px: usize,
    /// Rows of the strip; it reaches the upper or lower rim of the picture.
    pub rows_px: usize,
}

/// Endings of picture files that [`pages`] reads.
const PICTURE_ENDINGS: [&str; 6] = ["png", "tif", "tiff", "jpg", "jpeg", "bmp"];

/// `true` if the file name ends in `.png`, `.tif`, `.tiff`, `.jpg`, `.jpeg` or `.bmp`, in any case.
///
/// Only the name is looked at; [`pages`] goes by the content.
pub fn is_picture_name(path: &Path) -> bool {
    path.extension()
        .and_then(|ending| ending.to_str())
        .is_some_and(|ending| PICTURE_ENDINGS.iter().any(|known| ending.eq_ignore_ascii_case(known)))
}
