//! TIFF: strips and tiles of every kind of sample and compression, in both byte orders and offset sizes, with the tags of
//! instruments, and several pages.

use std::io::Cursor;

use image::ImageEncoder as _;

use crate::Format;
use crate::change::{Change, change_bytes, noise};
use crate::pictures;
use crate::tagged_file::{TaggedFile, Value, several};

/// Tags that a reader goes by.
const TAGS: [u16; 30] = [
    254, 256, 257, 258, 259, 262, 266, 270, 273, 274, 277, 278, 279, 282, 283, 284, 292, 296, 317, 320, 322,
    323, 324, 325, 338, 339, 347, 530, 34_118, 34_682,
];

/// Numbers of compressions, predictors and kinds of samples among them.
const COMPRESSIONS: [u64; 12] = [1, 2, 3, 4, 5, 6, 7, 8, 32_773, 32_946, 50_000, 50_001];

fn grey(width: u32, height: u32, bits: u16) -> TaggedFile {
    TaggedFile::new(width, height).short(258, &[bits]).short(262, &[1]).short(277, &[1])
}

fn talkative(file: TaggedFile) -> TaggedFile {
    let xml = r#"<?xml version="1.0"?><OME><Image><Pixels SizeX="13" PhysicalSizeX="0.025"/></Image></OME>"#;
    file.add(270, Value::Ascii(xml.as_bytes().to_vec()))
        .add(282, Value::Rational(vec![(400_000, 1)]))
        .add(283, Value::Rational(vec![(400_000, 1)]))
        .short(296, &[3])
        .add(34_118, Value::Ascii(b"AP_PIXEL_SIZE\r\nPixel Size = 25 nm\r\n\0".to_vec()))
        .add(34_682, Value::Ascii(b"[Scan]\nPixelWidth=2.5e-008\nHorFieldsize=3.25e-007\n\0".to_vec()))
}

fn sound_files() -> Vec<Vec<u8>> {
    let (w, h) = (13u32, 11u32);
    let mut files = Vec::new();
    for order in [false, true] {
        for bits in [1, 2, 4, 8, 16] {
            let row = (w as usize * usize::from(bits)).div_ceil(8);
            files.push(talkative(grey(w, h, bits)).order(order).strips(
                3,
                &noise(row * 11, bits.into()),
                row,
            ));
        }
        files.push(grey(40, 35, 8).order(order).tiles(16, &noise(40 * 35, 3), 40));
        files.push(talkative(grey(w, h, 8)).order(order).big().strips(4, &noise(143, 4), 13));
        let palette = TaggedFile::new(w, h).order(order).short(258, &[8]).short(262, &[3]).short(277, &[1]);
        let map: Vec<u16> = noise(768, 5).into_iter().map(|v| u16::from(v) * 257).collect();
        files.push(palette.clone().short(320, &map).strips(11, &noise(143, 6), 13));
        files.push(palette.big().short(320, &map).strips(11, &noise(143, 6), 13));
        let colour = TaggedFile::new(w, h).order(order).short(258, &[8; 3]).short(262, &[2]).short(277, &[3]);
        files.push(colour.clone().short(317, &[2]).strips(2, &noise(429, 7), 39));
        // Planes one after another.
        let planes: Vec<Vec<u8>> = (0..3).map(|plane| noise(143, plane)).collect();
        let planes: Vec<&[u8]> = planes.iter().map(Vec::as_slice).collect();
        files.push(colour.short(284, &[2]).strip_set(&planes, 11));
        let alpha = TaggedFile::new(w, h).order(order).short(258, &[16; 2]).short(262, &[1]).short(277, &[2]);
        files.push(alpha.short(338, &[2]).strips(11, &noise(572, 8), 52));
        let page = |seed| talkative(grey(w, h, 8)).order(order).strips_later(11, noise(143, seed), 13);
        let reduced = grey(w, h, 8).order(order).long(254, &[1]).strips_later(11, noise(143, 9), 13);
        files.push(several(vec![page(1), reduced, page(2), page(3)]));
    }
    files.extend(packed());
    files
}

/// One file for each compression that is written by others.
fn packed() -> Vec<Vec<u8>> {
    use tiff::encoder::{Compression, Predictor, TiffEncoder, colortype};
    let words: Vec<u16> = noise(143, 10).into_iter().map(|v| u16::from(v) * 251).collect();
    let compressions = [Compression::Packbits, Compression::Lzw, Compression::Deflate(Default::default())];
    let mut files: Vec<Vec<u8>> = compressions
        .into_iter()
        .flat_map(|compression| [(compression, Predictor::None), (compression, Predictor::Horizontal)])
        .map(|(compression, predictor)| {
            let mut bytes = Cursor::new(Vec::new());
            let encoder = TiffEncoder::new(&mut bytes).unwrap().with_compression(compression);
            encoder.with_predictor(predictor).write_image::<colortype::Gray16>(13, 11, &words).unwrap();
            bytes.into_inner()
        })
        .collect();
    let mut jpeg = Vec::new();
    image::codecs::jpeg::JpegEncoder::new(&mut jpeg)
        .write_image(&noise(256, 11), 16, 16, image::ExtendedColorType::L8)
        .unwrap();
    let mut file = grey(16, 16, 8).strip_set(&[&jpeg], 16);
    let compression = entries(&file).into_iter().find(|entry| entry.tag == 259).unwrap();
    compression.put_value(&mut file, 7);
    files.push(file);
    files
}

/// Where the parts of a directory's entry lie.
#[derive(Clone, Copy)]
struct Entry {
    at: usize,
    tag: u16,
    big: bool,
    big_endian: bool,
}

fn number_at(file: &[u8], at: usize, size: usize, big_endian: bool) -> Option<u64> {
    let bytes = file.get(at..at.checked_add(size)?)?;
    let fold = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
    Some(if big_endian { bytes.iter().fold(0, fold) } else { bytes.iter().rev().fold(0, fold) })
}

fn put(file: &mut [u8], at: usize, size: usize, big_endian: bool, number: u64) {
    let Some(bytes) = at.checked_add(size).and_then(|end| file.get_mut(at..end)) else { return };
    let little = number.to_le_bytes();
    bytes.copy_from_slice(&little[..size]);
    if big_endian {
        bytes.reverse();
    }
}

impl Entry {
    fn offset_size(self) -> usize {
        if self.big { 8 } else { 4 }
    }

    fn put_tag(self, file: &mut [u8], tag: u16) {
        put(file, self.at, 2, self.big_endian, tag.into());
    }

    fn put_type(self, file: &mut [u8], kind: u64) {
        put(file, self.at + 2, 2, self.big_endian, kind);
    }

    fn put_count(self, file: &mut [u8], count: u64) {
        put(file, self.at + 4, self.offset_size(), self.big_endian, count);
    }

    /// Writes the value as the first number of the entry's own type, which fills the whole if it is an offset.
    fn put_value(self, file: &mut [u8], value: u64) {
        let short = number_at(file, self.at + 2, 2, self.big_endian) == Some(3);
        let single = number_at(file, self.at + 4, self.offset_size(), self.big_endian) == Some(1);
        let size = if short && single { 2 } else { self.offset_size() };
        put(file, self.at + 4 + self.offset_size(), size, self.big_endian, value);
    }

    fn value(self, file: &[u8]) -> Option<u64> {
        number_at(file, self.at + 4 + self.offset_size(), self.offset_size(), self.big_endian)
    }
}

/// Places of the directories, of their links to the next, and whether offsets have 64 bits and numbers begin with the largest.
struct Chain {
    links: Vec<usize>,
    directories: Vec<usize>,
    big: bool,
    big_endian: bool,
}

fn chain(file: &[u8]) -> Chain {
    let big_endian = file.first() == Some(&b'M');
    let big = number_at(file, 2, 2, big_endian) == Some(43);
    let (size, count_size, entry) = if big { (8, 8, 20) } else { (4, 2, 12) };
    let mut chain = Chain { links: vec![if big { 8 } else { 4 }], directories: Vec::new(), big, big_endian };
    while let Some(directory) = number_at(file, *chain.links.last().unwrap(), size, big_endian) {
        let directory = directory as usize;
        let Some(count) = number_at(file, directory, count_size, big_endian) else { break };
        if directory == 0 || chain.directories.len() > 8 || count > 200 {
            break;
        }
        chain.directories.push(directory);
        chain.links.push(directory + count_size + entry * count as usize);
    }
    chain
}

fn entries(file: &[u8]) -> Vec<Entry> {
    let Chain { directories, big, big_endian, .. } = chain(file);
    let (count_size, size) = if big { (8, 20) } else { (2, 12) };
    let of = |directory: usize| {
        let count = number_at(file, directory, count_size, big_endian).unwrap_or(0) as usize;
        (0..count).filter_map(move |i| {
            let at = directory + count_size + size * i;
            Some(Entry { at, tag: number_at(file, at, 2, big_endian)? as u16, big, big_endian })
        })
    };
    directories.into_iter().flat_map(of).collect()
}

pub fn changed(file: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    let all = entries(file);
    if all.is_empty() {
        return change_bytes(file, change, others);
    }
    let entry = all[change.of(all.len())];
    let named = |tags: &[u16]| {
        let of_these: Vec<&Entry> = all.iter().filter(|entry| tags.contains(&entry.tag)).collect();
        of_these.get(change.of(of_these.len())).map_or(entry, |entry| **entry)
    };
    let number = change.number();
    let length = file.len() as u64;
    match change.kind % 20 {
        0 => entry.put_tag(file, TAGS[change.second(TAGS.len())]),
        1 | 2 => entry.put_type(file, number % 21),
        3 | 4 => entry.put_count(file, number),
        5 | 6 => entry.put_value(file, number),
        7 => {
            // Near the end of the file, where reading runs out.
            entry.put_value(file, (length + 8).saturating_sub(change.value >> 32 & 31));
        }
        8 | 9 => named(&[256, 257]).put_value(file, number),
        10 => named(&[259]).put_value(file, COMPRESSIONS[change.second(COMPRESSIONS.len())]),
        11 => named(&[262, 266, 277, 284, 317, 338, 339]).put_value(file, number % 10),
        12 => named(&[258]).put_value(file, [1, 2, 4, 8, 12, 16, 24, 32, 64][change.second(9)]),
        13 => named(&[278, 322, 323]).put_value(file, number),
        14 => {
            // One of the numbers that an offset leads to: of strips, tiles or their sizes.
            let far = named(&[273, 279, 324, 325]);
            let at = far.value(file).unwrap_or(0) as usize + 4 * change.second(8);
            put(file, at, 4, far.big_endian, number);
        }
        15 | 16 => relinked(file, change),
        17 => {
            let pages = file.clone();
            file.extend_from_slice(&pages[pages.len() - change.of(pages.len())..]);
        }
        _ => change_bytes(file, change, others),
    }
}

/// Changes where directories are, how many entries they have, or the head of the file.
fn relinked(file: &mut [u8], change: &Change) {
    let Chain { links, directories, big, big_endian } = chain(file);
    let (size, count_size) = if big { (8, 8) } else { (4, 2) };
    let directory = directories[change.of(directories.len())];
    match change.value % 4 {
        0 => put(file, links[change.second(links.len())], size, big_endian, directory as u64),
        1 => put(file, links[change.second(links.len())], size, big_endian, change.number()),
        2 => put(file, directory, count_size, big_endian, change.number()),
        _ => file[change.second(4)] = b"IMII*+*M"[change.of(8)],
    }
}

#[test]
fn tiff() {
    Format {
        name: "tiff",
        one_in: 1,
        files: sound_files(),
        change: &changed,
        read: &pictures::read,
        budget: &pictures::budget,
    }
    .try_all(40);
}
