//! TIFF and BigTIFF by strips or rows of tiles, for pictures that do not fit into memory.

use std::fs::File;
use std::io::{BufReader, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use tiff::ColorType;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::{ByteOrder, Tag};

use super::page::{LONGEST_TEXT, Source};
use super::tagged::statements;
use crate::error::Error;
use crate::scale::ScaleClaim;
use crate::warning::Warning;

/// Longest list of strips or tiles, in bytes.
const LONGEST_LIST: usize = 256 << 20;
/// Longer strips without compression are read in pieces of so many bytes.
const PIECE_BYTES: usize = 1 << 20;
/// PhotometricInterpretation: grey levels from black to white.
const BLACK_IS_ZERO: u32 = 1;
/// Bits of NewSubfileType: a reduced copy, or a transparency mask.
const NOT_A_PICTURE: u32 = 0b101;
/// More pages than any stack has; guards against endless chains.
const MOST_PAGES: usize = 100_000;

/// A TIFF that is read from its file piece by piece.
pub(crate) struct StreamedTiff {
    path: PathBuf,
    decoder: Decoder<BufReader<File>>,
    indices: Vec<usize>,
}

/// What a page says before its pixels are read.
#[derive(Debug)]
pub(crate) struct PageHead {
    pub width: usize,
    pub height: usize,
    /// Bits of a grey level: 8 or 16.
    pub bits: u8,
    pub claims: Vec<ScaleClaim>,
    pub warnings: Vec<Warning>,
}

/// Grey levels of whole rows.
pub(crate) enum GreyRows {
    Eight(Vec<u8>),
    Sixteen(Vec<u16>),
}

impl StreamedTiff {
    /// Opens a file, of which pieces of up to `memory` bytes may be decoded at once.
    ///
    /// # Errors
    /// [`Error::Read`] if it cannot be read; [`Error::Picture`] if it is no TIFF or holds no page.
    pub fn open(path: &Path, memory: u64) -> Result<Self, Error> {
        let file = File::open(path).map_err(|source| Error::Read { path: path.to_owned(), source })?;
        let decoder = Decoder::new(BufReader::new(file)).map_err(|e| source(path).damaged(e))?;
        let mut limits = Limits::default();
        let bytes = usize::try_from(memory).unwrap_or(usize::MAX);
        limits.decoding_buffer_size = bytes;
        limits.intermediate_buffer_size = bytes;
        limits.ifd_value_size = LONGEST_LIST.min(bytes);
        let mut decoder = decoder.with_limits(limits);
        let indices = full_size(&mut decoder);
        if indices.is_empty() {
            let why = "it holds only reduced copies of a picture; export the picture at full size";
            return Err(source(path).refuse(why));
        }
        Ok(Self { path: path.to_owned(), decoder, indices })
    }

    /// Number of pages.
    pub fn pages(&self) -> usize {
        self.indices.len()
    }

    /// Columns and rows of the page at `index`, counted from 0.
    ///
    /// # Errors
    /// [`Error::Picture`] if its directory is damaged.
    pub fn size(&mut self, index: usize) -> Result<(usize, usize), Error> {
        self.decoder.seek_to_image(self.indices[index]).map_err(|e| source(&self.path).damaged(e))?;
        let (width, height) = self.decoder.dimensions().map_err(|e| source(&self.path).damaged(e))?;
        source(&self.path).check_size(width.into(), height.into())?;
        Ok((width as usize, height as usize))
    }

    /// Turns to the page at `index`.
    ///
    /// # Errors
    /// [`Error::Picture`] if it is damaged, or has samples other than grey ones of 8 or 16 bits.
    pub fn turn_to(&mut self, index: usize) -> Result<PageHead, Error> {
        let (width, height) = self.size(index)?;
        let bits = match self.decoder.colortype().map_err(|e| source(&self.path).damaged(e))? {
            ColorType::Gray(bits @ (8 | 16)) => bits,
            _ => {
                let why = "it is measured by bands, for which it must be grey of 8 or 16 bits; save it as that, \
                           or allow more --memory";
                return Err(source(&self.path).refuse(why));
            }
        };
        let mut head = PageHead { width, height, bits, claims: Vec::new(), warnings: Vec::new() };
        let said = statements(&mut self.decoder, (width as u32, height as u32), LONGEST_TEXT as u64);
        head.claims.extend(said.claims);
        head.warnings.extend(said.warnings);
        Ok(head)
    }

    /// Decodes all rows of the page that was turned to; `take` gets them with the number of their first one.
    ///
    /// # Errors
    /// [`Error::Picture`] if a strip or tile is damaged, or strips or rows of tiles are larger than the memory allowed;
    /// those of `take`.
    pub fn for_each_rows(
        &mut self,
        head: &PageHead,
        memory: u64,
        mut take: impl FnMut(usize, GreyRows) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let (chunk_width, chunk_height) = self.decoder.chunk_dimensions();
        if let Some(strips) = self.plain_strips(head)? {
            return self.for_each_plain_rows(head, &strips, take);
        }
        let rows = (chunk_height as usize).min(head.height);
        let across = head.width.div_ceil(chunk_width as usize);
        if (rows * head.width * usize::from(head.bits / 8)) as u64 > memory {
            let why = format!(
                "its strips or tiles are {rows} rows high, which --memory does not hold; allow more, or save it with \
                 smaller ones"
            );
            return Err(source(&self.path).refuse(why));
        }
        for (band, first) in (0..head.height).step_by(rows).enumerate() {
            let high = rows.min(head.height - first);
            let chunks = (0..across).map(|column| {
                let chunk = (band * across + column) as u32;
                self.decoder.read_chunk(chunk).map_err(|e| source(&self.path).damaged(e))
            });
            take(first, joined(chunks, head.width, high, chunk_width as usize, &source(&self.path))?)?;
        }
        Ok(())
    }
}

/// Strips without compression, of which single rows can be read.
struct PlainStrips {
    offsets: Vec<u64>,
    /// Rows of each but the last.
    rows: usize,
    /// Whether white is zero.
    is_inverted: bool,
}

impl StreamedTiff {
    /// The strips, if they are plain and too long to be read at once: many programs write a picture as one.
    fn plain_strips(&mut self, head: &PageHead) -> Result<Option<PlainStrips>, Error> {
        let rows = (self.decoder.chunk_dimensions().1 as usize).min(head.height);
        let bytes = rows * head.width * usize::from(head.bits / 8);
        if self.decoder.get_chunk_type() != ChunkType::Strip || bytes <= PIECE_BYTES {
            return Ok(None);
        }
        let path = &self.path;
        let mut number = |tag, usual| {
            let found = self.decoder.find_tag_unsigned::<u32>(tag).map_err(|e| source(path).damaged(e))?;
            Ok::<_, Error>(found.unwrap_or(usual))
        };
        if number(Tag::Compression, 1)? != 1 || number(Tag::Predictor, 1)? != 1 {
            return Ok(None);
        }
        let is_inverted = number(Tag::PhotometricInterpretation, BLACK_IS_ZERO)? != BLACK_IS_ZERO;
        let offsets =
            self.decoder.get_tag_u64_vec(Tag::StripOffsets).map_err(|e| source(&self.path).damaged(e))?;
        if offsets.len() < head.height.div_ceil(rows) {
            return Err(source(&self.path).damaged("there are fewer strips than the rows need"));
        }
        Ok(Some(PlainStrips { offsets, rows, is_inverted }))
    }

    fn for_each_plain_rows(
        &mut self,
        head: &PageHead,
        strips: &PlainStrips,
        mut take: impl FnMut(usize, GreyRows) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let row_bytes = head.width * usize::from(head.bits / 8);
        let at_once = (PIECE_BYTES / row_bytes).max(1);
        let order = self.decoder.byte_order();
        for (first, &offset) in (0..head.height).step_by(strips.rows).zip(&strips.offsets) {
            let end = (first + strips.rows).min(head.height);
            for top in (first..end).step_by(at_once) {
                let mut bytes = vec![0; at_once.min(end - top) * row_bytes];
                let file = self.decoder.inner();
                file.seek(SeekFrom::Start(offset.saturating_add(((top - first) * row_bytes) as u64)))
                    .and_then(|_| file.read_exact(&mut bytes))
                    .map_err(|e| source(&self.path).damaged(e))?;
                take(top, levels(bytes, head.bits, order, strips.is_inverted))?;
            }
        }
        Ok(())
    }
}

/// Grey levels from bytes as they stand in the file.
fn levels(mut bytes: Vec<u8>, bits: u8, order: ByteOrder, is_inverted: bool) -> GreyRows {
    if bits == 8 {
        let flip = if is_inverted { u8::MAX } else { 0 };
        bytes.iter_mut().for_each(|level| *level ^= flip);
        return GreyRows::Eight(bytes);
    }
    let flip = if is_inverted { u16::MAX } else { 0 };
    let level = |pair: &[u8]| match order {
        ByteOrder::LittleEndian => u16::from_le_bytes([pair[0], pair[1]]),
        ByteOrder::BigEndian => u16::from_be_bytes([pair[0], pair[1]]),
    };
    GreyRows::Sixteen(bytes.chunks_exact(2).map(|pair| level(pair) ^ flip).collect())
}

/// Places of the full-size pictures in the chain of directories. A damaged later directory ends the list: the pictures
/// before it are still good.
fn full_size(decoder: &mut Decoder<BufReader<File>>) -> Vec<usize> {
    let mut indices = Vec::new();
    for index in 0..MOST_PAGES {
        let kind = decoder.find_tag_unsigned::<u32>(Tag::NewSubfileType).ok().flatten().unwrap_or(0);
        if kind & NOT_A_PICTURE == 0 {
            indices.push(index);
        }
        if !decoder.more_images() || decoder.next_image().is_err() {
            break;
        }
    }
    indices
}

/// What errors about a file say.
fn source(path: &Path) -> Source<'_> {
    Source { bytes: &[], path, max_pixels: u64::MAX }
}

/// Whole rows from tiles beside each other, or from the one strip.
fn joined(
    mut chunks: impl ExactSizeIterator<Item = Result<DecodingResult, Error>>,
    width: usize,
    height: usize,
    chunk_width: usize,
    source: &Source<'_>,
) -> Result<GreyRows, Error> {
    let odd = || source.damaged("a strip or tile has samples of another kind or number than the picture");
    let (mut eight, mut sixteen) = (Vec::new(), Vec::new());
    for column in 0..chunks.len() {
        let chunk = chunks.next().ok_or_else(odd)??;
        let left = column * chunk_width;
        let fits = match &chunk {
            DecodingResult::U8(samples) => place(samples, &mut eight, (width, height), left, chunk_width),
            DecodingResult::U16(samples) => place(samples, &mut sixteen, (width, height), left, chunk_width),
            _ => false,
        };
        if !fits {
            return Err(odd());
        }
    }
    if sixteen.is_empty() { Ok(GreyRows::Eight(eight)) } else { Ok(GreyRows::Sixteen(sixteen)) }
}

/// Copies a chunk to its columns; `false` if it does not fill them.
fn place<T: Copy + Default>(
    samples: &[T],
    rows: &mut Vec<T>,
    (width, height): (usize, usize),
    left: usize,
    chunk_width: usize,
) -> bool {
    let wide = chunk_width.min(width - left);
    if samples.len() < wide * height {
        return false;
    }
    rows.resize(width * height, T::default());
    for (row, samples) in rows.chunks_exact_mut(width).zip(samples.chunks_exact(wide)) {
        row[left..left + wide].copy_from_slice(samples);
    }
    true
}
