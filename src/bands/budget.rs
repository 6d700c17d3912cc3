//! How many rows are worked on at once, so that the memory that is allowed is not exceeded.

use crate::error::Error;
use crate::report::number::count;

/// Rows of a band are a multiple of this: the rows of the tiles that are flooded.
const ROWS: usize = crate::segment::basins::BAND_ROWS;
/// Rows beyond a band that are worked on with it, on both sides together.
const HALO_ROWS: usize = 64;
/// Bytes for each pixel of a band that are in memory at once.
const BYTES_PER_PX: u64 = 22;
/// More rows make nothing faster.
const MOST_ROWS: usize = 8 * ROWS;
/// Memory of the program itself.
pub(super) const OWN_BYTES: u64 = 64 << 20;

/// The memory that is allowed, and the bands that it is divided into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Budget {
    bytes: u64,
    rows: usize,
    band_bytes: u64,
}

impl Budget {
    /// For pictures of so many columns; at most half of the memory goes to a band.
    ///
    /// # Errors
    /// [`Error::Option`] if the smallest band does not fit.
    pub fn new(bytes: u64, width: usize) -> Result<Self, Error> {
        let of_rows = |rows: usize| (rows + HALO_ROWS) as u64 * width as u64 * BYTES_PER_PX;
        let half = bytes.saturating_sub(OWN_BYTES) / 2;
        let rows = (1..=MOST_ROWS / ROWS).rev().map(|bands| bands * ROWS).find(|&rows| of_rows(rows) <= half);
        match rows {
            Some(rows) => Ok(Self { bytes, rows, band_bytes: of_rows(rows) }),
            None => {
                let needed = 2 * of_rows(ROWS) + OWN_BYTES;
                let why = format!(
                    "a band of a picture of {width} columns does not fit into {}; allow at least {}",
                    in_words(bytes),
                    in_words(needed)
                );
                Err(Error::Option { name: "--memory", why })
            }
        }
    }

    /// Rows of a band.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Bytes that one strip or row of tiles may take.
    pub fn piece_bytes(&self) -> u64 {
        self.band_bytes
    }

    /// An error if tables of so many bytes do not fit beside a band; `what` names what they are of.
    ///
    /// # Errors
    /// [`Error::Option`] with the memory that would do.
    pub fn check(&self, bytes: u64, what: impl Fn() -> String) -> Result<(), Error> {
        self.check_alone(bytes + self.band_bytes, what)
    }

    /// The same of tables that are there when bands no longer are.
    ///
    /// # Errors
    /// As [`Budget::check`].
    pub fn check_alone(&self, bytes: u64, what: impl Fn() -> String) -> Result<(), Error> {
        let needed = bytes + OWN_BYTES;
        if needed <= self.bytes {
            return Ok(());
        }
        let why = format!(
            "{} do not fit into {}; allow at least {}, or measure a part with --crop",
            what(),
            in_words(self.bytes),
            in_words(needed)
        );
        Err(Error::Option { name: "--memory", why })
    }
}

/// Bytes as people write them, rounded up.
pub(crate) fn in_words(bytes: u64) -> String {
    format!("{} MiB", count(bytes.div_ceil(1 << 20)))
}
