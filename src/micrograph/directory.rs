//! The directories of a TIFF, and the file as the decoder is shown it: with some of its bytes replaced.
//!
//! - Palette pictures are refused by the decoder, and only the tag that says "these are palette indices" stands in the way:
//!   with that tag saying "these are grey levels", the indices come out.
//! - A page is found by walking from the first directory, which takes a stack of many pages the square of their number: with
//!   the head pointing at the page itself, it is the first.
//! - The decoder sets memory aside for as many values as an entry claims: one that claims more than the file can hold is shown
//!   as empty.
//!
//! # References
//! TIFF revision 6.0 (1992), section 2; BigTIFF differs in the widths of offsets and counts.

use std::io::{Cursor, Read, Result, Seek, SeekFrom};

const NEW_SUBFILE_TYPE: u16 = 254;
const IMAGE_WIDTH: u16 = 256;
const IMAGE_LENGTH: u16 = 257;
const PHOTOMETRIC: u16 = 262;
const BLACK_IS_ZERO: u16 = 1;
/// Bits of NewSubfileType: a reduced copy, or a transparency mask.
const NOT_A_PICTURE: u64 = 0b101;
/// More directories than any stack has.
const MOST_DIRECTORIES: usize = 100_000;

/// The bytes of a file with some replaced.
pub(super) struct Shown<'a> {
    bytes: Cursor<&'a [u8]>,
    replaced: Vec<(u64, Vec<u8>)>,
}

/// How numbers are written in a file.
#[derive(Clone, Copy)]
struct Form<'a> {
    bytes: &'a [u8],
    little: bool,
    /// Bytes of an offset: 4, or 8 in a BigTIFF.
    wide: u64,
}

struct Directory {
    entries: Vec<Entry>,
    /// Where the next one lies; 0 if this is the last.
    next: u64,
}

struct Entry {
    /// Where it lies.
    at: u64,
    tag: u16,
    kind: u64,
    count: u64,
}

impl<'a> Form<'a> {
    fn of(bytes: &'a [u8]) -> Self {
        let form = Self { bytes, little: bytes.first() == Some(&b'I'), wide: 4 };
        if form.number(2, 2) == Some(43) { Self { wide: 8, ..form } } else { form }
    }

    fn number(self, at: u64, size: u64) -> Option<u64> {
        let at = usize::try_from(at).ok()?;
        let bytes = self.bytes.get(at..at.checked_add(size as usize)?)?;
        let add = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
        Some(if self.little { bytes.iter().rev().fold(0, add) } else { bytes.iter().fold(0, add) })
    }

    /// The `size` last significant bytes of a number.
    fn written(self, number: u64, size: u64) -> Vec<u8> {
        let mut bytes = number.to_le_bytes()[..size as usize].to_vec();
        if !self.little {
            bytes.reverse();
        }
        bytes
    }

    /// Where the head says where the first directory is.
    fn head(self) -> u64 {
        self.wide
    }

    /// The directory at `offset`, if all of it is in the file.
    fn directory(self, offset: u64) -> Option<Directory> {
        let count_bytes = if self.wide == 8 { 8 } else { 2 };
        let count = self.number(offset, count_bytes)?;
        let first = offset.checked_add(count_bytes)?;
        let end = first.checked_add(count.checked_mul(self.entry_bytes())?)?;
        let next = self.number(end, self.wide)?;
        let entry = |i| {
            let at = first + i * self.entry_bytes();
            let tag = self.number(at, 2)? as u16;
            Some(Entry { at, tag, kind: self.number(at + 2, 2)?, count: self.number(at + 4, self.wide)? })
        };
        Some(Directory { entries: (0..count).map_while(entry).collect(), next })
    }

    fn entry_bytes(self) -> u64 {
        4 + 2 * self.wide
    }

    fn value_of(self, entry: &Entry) -> u64 {
        entry.at + 4 + self.wide
    }

    /// Whether as many values as the entry claims can be in the file.
    fn can_hold(self, entry: &Entry) -> bool {
        let size = match entry.kind {
            3 | 8 => 2,
            4 | 9 | 11 | 13 => 4,
            5 | 10 | 12 | 16..=18 => 8,
            _ => 1,
        };
        entry.count.checked_mul(size).is_some_and(|bytes| bytes <= self.bytes.len() as u64)
    }
}

impl Directory {
    fn entry(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.tag == tag)
    }
}

/// Where the directories of full-size pictures lie, in the order of their chain; `None` if there is no directory at all.
///
/// A damaged later directory ends the chain: the pictures before it are still good. Directories lie one beside the other in a
/// file, so a chain that is longer than the file has come back to where it was.
pub(super) fn pictures(bytes: &[u8]) -> Option<Vec<u64>> {
    let form = Form::of(bytes);
    let mut offset = form.number(form.head(), form.wide)?;
    let mut directory = form.directory(offset)?;
    let mut pictures = Vec::new();
    let mut walked = 0;
    for _ in 0..MOST_DIRECTORIES {
        let kind = directory.entry(NEW_SUBFILE_TYPE).and_then(|entry| {
            let size = if entry.kind == 3 { 2 } else { 4 };
            form.number(form.value_of(entry), size)
        });
        if kind.unwrap_or(0) & NOT_A_PICTURE == 0 {
            pictures.push(offset);
        }
        walked += directory.entries.len() as u64 * form.entry_bytes();
        offset = directory.next;
        let next = Some(offset).filter(|&offset| offset != 0 && walked < bytes.len() as u64);
        let has_sides =
            |next: &Directory| [IMAGE_WIDTH, IMAGE_LENGTH].iter().all(|&tag| next.entry(tag).is_some());
        match next.and_then(|offset| form.directory(offset)).filter(has_sides) {
            Some(next) => directory = next,
            None => break,
        }
    }
    Some(pictures)
}

impl<'a> Shown<'a> {
    /// The file with the directory at `offset` as its first, and no entry that claims more than there is.
    pub fn starting_at(bytes: &'a [u8], offset: u64) -> Self {
        let form = Form::of(bytes);
        let mut replaced = vec![(form.head(), form.written(offset, form.wide))];
        for entry in form.directory(offset).iter().flat_map(|directory| &directory.entries) {
            if !form.can_hold(entry) {
                replaced.push((entry.at + 4, form.written(0, form.wide)));
            }
        }
        Self { bytes: Cursor::new(bytes), replaced }
    }

    /// The same, and that directory says that its samples are grey.
    pub fn grey_starting_at(bytes: &'a [u8], offset: u64) -> Self {
        let form = Form::of(bytes);
        let mut file = Self::starting_at(bytes, offset);
        if let Some(entry) = form.directory(offset).as_ref().and_then(|found| found.entry(PHOTOMETRIC)) {
            file.replaced.push((form.value_of(entry), form.written(BLACK_IS_ZERO.into(), 2)));
        }
        file
    }
}

impl Read for Shown<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize> {
        let start = self.bytes.position();
        let count = self.bytes.read(buffer)?;
        for (at, value) in &self.replaced {
            for (i, &byte) in value.iter().enumerate() {
                if let Some(place) = (at + i as u64).checked_sub(start).filter(|&p| p < count as u64) {
                    buffer[place as usize] = byte;
                }
            }
        }
        Ok(count)
    }
}

impl Seek for Shown<'_> {
    fn seek(&mut self, position: SeekFrom) -> Result<u64> {
        self.bytes.seek(position)
    }
}
