//! Palette pictures inside a TIFF, which the decoder would refuse.
//!
//! Only the tag that says "these are palette indices" stands in the way: [`AsGrey`] shows the decoder the same file
//! with that tag saying "these are grey levels", and so the indices come out.

use std::io::{Cursor, Read, Result, Seek, SeekFrom};

const PHOTOMETRIC: u16 = 262;
const BLACK_IS_ZERO: u16 = 1;

/// The bytes of a file with one 16 bit number replaced.
pub(super) struct AsGrey<'a> {
    bytes: Cursor<&'a [u8]>,
    replaced: Option<(u64, [u8; 2])>,
}

impl<'a> AsGrey<'a> {
    /// The file as it is.
    pub fn unchanged(bytes: &'a [u8]) -> Self {
        Self { bytes: Cursor::new(bytes), replaced: None }
    }

    /// The file with the directory at `offset` saying that its samples are grey.
    pub fn with_grey_directory(bytes: &'a [u8], offset: u64) -> Self {
        let replaced = photometric_value(bytes, offset);
        Self { bytes: Cursor::new(bytes), replaced }
    }
}

/// Where the value of the tag lies in the directory at `offset`, and the bytes that say "grey".
fn photometric_value(bytes: &[u8], offset: u64) -> Option<(u64, [u8; 2])> {
    let little = bytes.first() == Some(&b'I');
    let short = |at: u64| {
        let at = usize::try_from(at).ok()?;
        let pair = [*bytes.get(at)?, *bytes.get(at + 1)?];
        Some(if little { u16::from_le_bytes(pair) } else { u16::from_be_bytes(pair) })
    };
    let big = short(2)? == 43;
    // Counts beyond 16 bits do not occur: a directory has a few dozen entries.
    let count_at = if big && !little { offset + 6 } else { offset };
    let (first, size, value) = if big { (offset + 8, 20, 12) } else { (offset + 2, 12, 8) };
    let entry = (0..u64::from(short(count_at)?))
        .map(|i| first + i * size)
        .find(|&entry| short(entry) == Some(PHOTOMETRIC))?;
    let grey = if little { BLACK_IS_ZERO.to_le_bytes() } else { BLACK_IS_ZERO.to_be_bytes() };
    Some((entry + value, grey))
}

impl Read for AsGrey<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize> {
        let start = self.bytes.position();
        let count = self.bytes.read(buffer)?;
        if let Some((at, value)) = self.replaced {
            for (i, byte) in value.into_iter().enumerate() {
                if let Some(place) = (at + i as u64).checked_sub(start).filter(|&p| p < count as u64) {
                    buffer[place as usize] = byte;
                }
            }
        }
        Ok(count)
    }
}

impl Seek for AsGrey<'_> {
    fn seek(&mut self, position: SeekFrom) -> Result<u64> {
        self.bytes.seek(position)
    }
}
