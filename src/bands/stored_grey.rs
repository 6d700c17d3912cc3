//! The grey levels of a picture in a scratch file.

use std::ops::Range;
use std::path::Path;

use super::scratch::{Scratch, bands};
use crate::error::Error;
use crate::grid::{Frame, Grid};
use crate::micrograph::info_strip::{self, EightBit, shift_to_eight_bit};
use crate::micrograph::overlap::{Fingerprint, fingerprint_of};
use crate::micrograph::picture_statistics::{PictureStatistics, statistics_of};
use crate::micrograph::streamed::{GreyRows, PageHead, StreamedTiff};
use crate::micrograph::{Grey, InfoStrip};
use crate::options::Tone;
use crate::segment::grey_levels::{GreyLevels, counts};

/// Rows that are read at once to count greys.
const COUNTED_ROWS: usize = 256;

/// The grey levels of a picture, or of the part of it that is measured.
pub(super) enum StoredGrey {
    Eight(Scratch<u8>),
    /// With every bit that is set in some level.
    Sixteen(Scratch<u16>, u16),
}

impl StoredGrey {
    /// Copies the page that was turned to into a scratch file.
    ///
    /// # Errors
    /// Those of reading and writing.
    pub fn copied(
        tiff: &mut StreamedTiff,
        head: &PageHead,
        memory: u64,
        folder: &Path,
    ) -> Result<Self, Error> {
        if head.bits == 8 {
            let scratch = Scratch::create(folder, head.width, head.height)?;
            tiff.for_each_rows(head, memory, |first, rows| match rows {
                GreyRows::Eight(rows) => scratch.write(first, &rows),
                GreyRows::Sixteen(_) => unreachable!("invariant: samples have the bits that the head states"),
            })?;
            return Ok(Self::Eight(scratch));
        }
        let scratch = Scratch::create(folder, head.width, head.height)?;
        let mut used = 0;
        tiff.for_each_rows(head, memory, |first, rows| match rows {
            GreyRows::Sixteen(rows) => {
                used = rows.iter().fold(used, |all, &grey| all | grey);
                scratch.write(first, &rows)
            }
            GreyRows::Eight(_) => unreachable!("invariant: samples have the bits that the head states"),
        })?;
        Ok(Self::Sixteen(scratch, used))
    }

    /// Columns.
    pub fn width(&self) -> usize {
        match self {
            Self::Eight(scratch) => scratch.width(),
            Self::Sixteen(scratch, _) => scratch.width(),
        }
    }

    /// Rows.
    pub fn height(&self) -> usize {
        match self {
            Self::Eight(scratch) => scratch.height(),
            Self::Sixteen(scratch, _) => scratch.height(),
        }
    }

    /// Bits of a grey level: 8 or 16.
    pub fn bits(&self) -> u8 {
        match self {
            Self::Eight(_) => 8,
            Self::Sixteen(..) => 16,
        }
    }

    /// The part inside `frame`.
    pub fn framed(self, frame: Frame) -> Self {
        match self {
            Self::Eight(scratch) => Self::Eight(scratch.framed(frame)),
            Self::Sixteen(scratch, used) => Self::Sixteen(scratch.framed(frame), used),
        }
    }

    /// Some rows.
    pub fn read(&self, rows: Range<usize>) -> Result<Grey, Error> {
        Ok(match self {
            Self::Eight(scratch) => Grey::Eight(scratch.read(rows)?),
            Self::Sixteen(scratch, _) => Grey::Sixteen(scratch.read(rows)?),
        })
    }

    /// The strip of text that an instrument added.
    pub fn info_strip(&self) -> Result<Option<InfoStrip>, Error> {
        match self {
            Self::Eight(scratch) => info_strip::find_in(scratch),
            Self::Sixteen(scratch, used) => {
                info_strip::find_in(&EightBit { shift: shift_to_eight_bit(*used), rows: scratch })
            }
        }
    }

    /// What tells about the fitness of the picture.
    pub fn statistics(&self) -> Result<PictureStatistics, Error> {
        match self {
            Self::Eight(scratch) => statistics_of(scratch),
            Self::Sixteen(scratch, _) => statistics_of(scratch),
        }
    }

    /// What tells it from other pictures.
    pub fn fingerprint(&self) -> Result<Fingerprint, Error> {
        match self {
            Self::Eight(scratch) => fingerprint_of(scratch),
            Self::Sixteen(scratch, _) => fingerprint_of(scratch),
        }
    }

    /// The levels that the picture is worked on.
    pub fn levels(&self, tone: Tone) -> Result<GreyLevels, Error> {
        let Self::Sixteen(scratch, _) = self else { return Ok(GreyLevels::eight_bit(tone)) };
        let mut total = vec![0; 1 << 16];
        for rows in bands(scratch.height(), COUNTED_ROWS) {
            let band: Grid<u16> = scratch.read(rows)?;
            total.iter_mut().zip(counts(&band)).for_each(|(sum, count)| *sum += count);
        }
        Ok(GreyLevels::of_counts(&total, tone))
    }
}
