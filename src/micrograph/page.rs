//! A file as a series of pages, each a micrograph, told apart by content and not by name.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::{Grey, Micrograph, ReadOptions, raster, tagged};
use crate::error::Error;
use crate::grid::Grid;
use crate::scale::ScaleClaim;
use crate::scale::statement::Statements;
use crate::warning::Warning;

/// Bytes of text that are searched for statements about pixel size, over all texts of a page; instruments write kilobytes.
pub(super) const LONGEST_TEXT: usize = 8 << 20;
/// Statements about pixel size that are kept of a page; an instrument makes one or two.
const MOST_STATEMENTS: usize = 256;

/// The pictures in one file; each is decoded only when it is read.
#[derive(Debug)]
pub struct Pages<'a> {
    source: Source<'a>,
    format: Format,
}

/// Where pixels come from, and how many are allowed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Source<'a> {
    pub bytes: &'a [u8],
    pub path: &'a Path,
    pub max_pixels: u64,
}

#[derive(Debug)]
enum Format {
    Png,
    Jpeg,
    Bmp,
    /// Where the directories of full-size pictures lie in the file.
    Tiff(Vec<u64>),
}

impl Source<'_> {
    /// An error about the content of this file.
    pub fn refuse(&self, why: impl Into<String>) -> Error {
        Error::Picture { path: self.path.to_owned(), why: why.into() }
    }

    /// An error from a decoder, with what usually helps.
    pub fn damaged(&self, cause: impl std::fmt::Display) -> Error {
        self.refuse(format!("the file is damaged, incomplete or of an unusual kind ({cause}); copy it again from the microscope or save it as 8 or 16 bit TIFF or PNG"))
    }

    /// Runs a decoder; one that panics on a damaged file has refused it. The decoders are libraries, which have done so.
    fn guarded<T>(&self, decode: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
        catch_unwind(AssertUnwindSafe(decode)).unwrap_or_else(|_| Err(self.damaged("its decoder gave up")))
    }

    /// Checks the size that the header states before anything is decoded.
    pub fn check_size(&self, width: u64, height: u64) -> Result<(), Error> {
        if width == 0 || height == 0 {
            return Err(self.refuse("its header states a size of zero; copy it again from the microscope"));
        }
        if width.checked_mul(height).is_none_or(|pixels| pixels > self.max_pixels) {
            return Err(Error::TooLarge {
                path: self.path.to_owned(),
                width,
                height,
                budget: self.max_pixels,
            });
        }
        Ok(())
    }
}

/// What a decoder hands over.
pub(super) struct Decoded {
    pub grey: Grey,
    pub warnings: Vec<Warning>,
    pub claims: Vec<ScaleClaim>,
}

impl Decoded {
    /// Adds what a text states.
    pub fn add(&mut self, found: Statements) {
        add_statements((&mut self.claims, &mut self.warnings), found);
    }
}

/// Adds what a text states, up to a number that no picture needs.
pub(super) fn add_statements(
    (claims, warnings): (&mut Vec<ScaleClaim>, &mut Vec<Warning>),
    found: Statements,
) {
    let room = |held: usize| MOST_STATEMENTS.saturating_sub(held);
    claims.extend(found.claims.into_iter().take(room(claims.len())));
    warnings.extend(found.warnings.into_iter().take(room(warnings.len())));
}

impl From<Decoded> for Micrograph {
    fn from(decoded: Decoded) -> Self {
        Self { grey: decoded.grey, claims: decoded.claims, warnings: decoded.warnings }
    }
}

/// An 8 bit picture, if the samples fill it.
pub(super) fn eight(source: &Source<'_>, width: u32, height: u32, data: Vec<u8>) -> Result<Grey, Error> {
    Grid::new(width as usize, height as usize, data).map(Grey::Eight).map_err(|e| source.damaged(e))
}

/// A 16 bit picture, if the samples fill it.
pub(super) fn sixteen(source: &Source<'_>, width: u32, height: u32, data: Vec<u16>) -> Result<Grey, Error> {
    Grid::new(width as usize, height as usize, data).map(Grey::Sixteen).map_err(|e| source.damaged(e))
}

/// Opens the pictures in `bytes`; `path` is used for messages only.
///
/// PNG, TIFF, JPEG and BMP are told apart by their first bytes. Reduced copies and transparency masks inside a TIFF are
/// no pages.
///
/// # Errors
/// [`Error::Picture`] if the bytes are no picture in one of these formats or the directory of pages is damaged.
pub fn pages<'a>(bytes: &'a [u8], path: &'a Path, options: &ReadOptions) -> Result<Pages<'a>, Error> {
    let source = Source { bytes, path, max_pixels: options.max_pixels };
    let format = match bytes {
        [] => return Err(source.refuse("it has zero bytes; copy it again from the microscope")),
        [0x89, b'P', b'N', b'G', ..] => Format::Png,
        [0xff, 0xd8, 0xff, ..] => Format::Jpeg,
        [b'B', b'M', ..] => Format::Bmp,
        [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => {
            Format::Tiff(tagged::page_offsets(&source)?)
        }
        _ => {
            return Err(source.refuse(
                "its first bytes are not those of PNG, TIFF, JPEG or BMP; save the picture in one of these formats or move the file out of the folder",
            ));
        }
    };
    Ok(Pages { source, format })
}

impl Pages<'_> {
    /// Number of pictures in the file.
    pub fn count(&self) -> usize {
        match &self.format {
            Format::Tiff(offsets) => offsets.len(),
            _ => 1,
        }
    }

    /// Decodes the picture at `index`, counted from 0.
    ///
    /// # Errors
    /// [`Error::TooLarge`] if the header states more pixels than allowed; [`Error::Picture`] if the picture is damaged,
    /// of a kind that is not read, or absent.
    pub fn read(&self, index: usize) -> Result<Micrograph, Error> {
        if index >= self.count() {
            return Err(self.source.refuse(format!("it has no page {}", index + 1)));
        }
        let source = &self.source;
        let decoded = source.guarded(|| match &self.format {
            Format::Png => raster::png(source),
            Format::Jpeg => raster::jpeg(source),
            Format::Bmp => raster::bmp(source),
            Format::Tiff(offsets) => tagged::read(source, offsets[index]),
        });
        decoded.map(Micrograph::from)
    }
}
