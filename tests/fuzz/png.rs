//! PNG: every kind of sample, with the chunks that speak of scale and those that do not.

use crate::Format;
use crate::change::{Change, change_bytes, noise};
use crate::pictures;
use crate::tagged_file::{crc, png_from_parts};

const SIGNATURE: &[u8] = b"\x89PNG\r\n\x1a\n";

/// Names that change how a file is read.
const NAMES: [&[u8; 4]; 18] = [
    b"IHDR", b"IDAT", b"IEND", b"PLTE", b"tRNS", b"pHYs", b"tEXt", b"zTXt", b"iTXt", b"gAMA", b"sBIT",
    b"iCCP", b"acTL", b"fcTL", b"fdAT", b"eXIf", b"cICP", b"abCD",
];

fn chunk(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let body = [&name[..], data].concat();
    [&(data.len() as u32).to_be_bytes()[..], &body, &crc(&body).to_be_bytes()].concat()
}

/// Name and data.
type Chunk = ([u8; 4], Vec<u8>);

/// Each chunk, and what follows the last whole one.
fn parted(file: &[u8]) -> (Vec<Chunk>, Vec<u8>) {
    let mut chunks = Vec::new();
    let mut rest = file.get(8..).unwrap_or_default();
    while let Some((head, after)) = rest.split_first_chunk::<8>() {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        if after.len() < length.saturating_add(4) {
            break;
        }
        chunks.push(([head[4], head[5], head[6], head[7]], after[..length].to_vec()));
        rest = &after[length + 4..];
    }
    (chunks, rest.to_vec())
}

fn joined(chunks: &[Chunk], rest: &[u8]) -> Vec<u8> {
    let chunks = chunks.iter().flat_map(|(name, data)| chunk(name, data));
    SIGNATURE.iter().copied().chain(chunks).chain(rest.iter().copied()).collect()
}

/// A text chunk of the international kind, its text packed.
fn packed_text(text: &[u8]) -> Vec<u8> {
    let packed = miniz_oxide::deflate::compress_to_vec_zlib(text, 6);
    [&b"Pixel Size\0\x01\0\0\0"[..], &packed].concat()
}

fn sound_files() -> Vec<Vec<u8>> {
    use png::{BitDepth, ColorType};
    let (width, height) = (13, 11);
    let kinds = [
        (ColorType::Grayscale, 1),
        (ColorType::Grayscale, 2),
        (ColorType::Grayscale, 4),
        (ColorType::Grayscale, 8),
        (ColorType::Grayscale, 16),
        (ColorType::Rgb, 8),
        (ColorType::Rgb, 16),
        (ColorType::Indexed, 1),
        (ColorType::Indexed, 2),
        (ColorType::Indexed, 4),
        (ColorType::Indexed, 8),
        (ColorType::GrayscaleAlpha, 8),
        (ColorType::GrayscaleAlpha, 16),
        (ColorType::Rgba, 8),
        (ColorType::Rgba, 16),
    ];
    let mut files = Vec::new();
    for (i, (colour, bits)) in kinds.into_iter().enumerate() {
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, width, height);
        encoder.set_color(colour);
        encoder.set_depth(BitDepth::from_u8(bits).unwrap());
        if colour == ColorType::Indexed {
            encoder.set_palette(noise(3 << bits, 7));
            encoder.set_trns(vec![0, 128, 255]);
        }
        encoder.set_filter(if i % 2 == 0 { png::Filter::Paeth } else { png::Filter::Avg });
        encoder.set_pixel_dims(Some(png::PixelDimensions {
            xppu: 40_000_000,
            yppu: 40_000_000,
            unit: png::Unit::Meter,
        }));
        encoder.add_text_chunk("Comment".into(), "PixelSize = 25 nm".into()).unwrap();
        encoder.add_itxt_chunk("Scale".into(), "0.025 µm/px".into()).unwrap();
        encoder.add_ztxt_chunk("Note".into(), "ring 1, polished".into()).unwrap();
        let row = (width as usize * colour.samples() * usize::from(bits)).div_ceil(8);
        encoder.write_header().unwrap().write_image_data(&noise(row * height as usize, i as u64)).unwrap();
        files.push(bytes);
    }
    let (mut chunks, rest) = parted(&files[3]);
    let frame = [&[0; 4][..], &13u32.to_be_bytes(), &11u32.to_be_bytes(), &[0; 12], &[0, 0]].concat();
    chunks.insert(1, (*b"iTXt", packed_text(b"Pixel Size = 25 nm\n")));
    chunks.insert(1, (*b"fcTL", frame));
    chunks.insert(1, (*b"acTL", [0, 0, 0, 1, 0, 0, 0, 0].to_vec()));
    chunks.insert(1, (*b"gAMA", vec![0, 0, 0xb1, 0x8f]));
    files.push(joined(&chunks, &rest));
    files.push(interlaced());
    files
}

fn interlaced() -> Vec<u8> {
    let passes =
        [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)];
    let mut rows = Vec::new();
    for (x0, y0, dx, dy) in passes {
        for y in (y0..9).step_by(dy) {
            rows.push((y % 5) as u8);
            rows.extend((x0..9).step_by(dx).map(|x| (y * 9 + x) as u8));
        }
    }
    png_from_parts(&[0, 0, 0, 9, 0, 0, 0, 9, 8, 0, 0, 0, 1], &rows)
}

fn changed(file: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    let (mut chunks, mut rest) = parted(file);
    if chunks.is_empty() {
        return change_bytes(file, change, others);
    }
    let at = change.of(chunks.len());
    let number = change.number();
    match change.kind % 18 {
        0 | 1 => {
            // Columns or rows.
            let place = 4 * change.second(2);
            if let Some(side) = chunks[0].1.get_mut(place..place + 4) {
                side.copy_from_slice(&(number as u32).to_be_bytes());
            }
        }
        2 | 3 => {
            // Bits, kind of sample, compression, filter, interlacing.
            let place = 8 + change.second(5);
            if let Some(byte) = chunks[0].1.get_mut(place) {
                *byte = if place == 8 { 1 << (number % 6) } else { number as u8 % 9 };
            }
        }
        4 | 5 => change_bytes(&mut chunks[at].1, &Change { place: change.value as u32, ..*change }, others),
        6 | 7 => repacked(&mut chunks, change, others),
        8 => drop(chunks.remove(at)),
        9 => {
            let copy = chunks[at].clone();
            chunks.insert(change.second(chunks.len()), copy);
        }
        10 => chunks.swap(at, change.second(1.max(at))),
        11 => chunks[at].0 = *NAMES[change.second(NAMES.len())],
        12 => {
            let foreign = parted(&others[change.second(others.len())]).0;
            chunks.insert(at, foreign[change.of(foreign.len())].clone());
        }
        13 => {
            let text = b"pixelsize=25nm;".repeat(1 << (number % 17));
            chunks.insert(1.min(at), (*b"iTXt", packed_text(&text)));
        }
        14 => chunks[at].1.resize((number % 4096) as usize, 0x55),
        15 => {
            let sides = [number as u32, (change.value >> 16) as u32].map(u32::to_be_bytes).concat();
            chunks.insert(1.min(at), (*b"pHYs", [&sides[..], &[number as u8 % 3]].concat()));
        }
        16 => {
            // A length that is not that of the data, at the end, so that all before it is sound.
            rest = joined(&chunks.split_off(at), &rest)[8..].to_vec();
            if let Some(length) = rest.get_mut(..4) {
                length.copy_from_slice(&(number as u32).to_be_bytes());
            }
        }
        _ => return change_bytes(file, change, others),
    }
    *file = joined(&chunks, &rest);
}

/// Changes the pixels before they are packed, so that filters and not the unpacking see it.
fn repacked(chunks: &mut Vec<Chunk>, change: &Change, others: &[Vec<u8>]) {
    let data: Vec<u8> =
        chunks.iter().filter(|(name, _)| name == b"IDAT").flat_map(|(_, data)| data.clone()).collect();
    let Ok(mut rows) = miniz_oxide::inflate::decompress_to_vec_zlib_with_limit(&data, 1 << 16) else {
        return;
    };
    change_bytes(&mut rows, &Change { value: change.value / 18, ..*change }, others);
    let packed = miniz_oxide::deflate::compress_to_vec_zlib(&rows, (change.value % 10) as u8);
    let Some(first) = chunks.iter().position(|(name, _)| name == b"IDAT") else { return };
    chunks.retain(|(name, _)| name != b"IDAT");
    // In pieces, which a reader must put together.
    let size = 1 + (change.value >> 40) as usize % packed.len();
    let pieces = packed.chunks(size).map(|piece| (*b"IDAT", piece.to_vec()));
    chunks.splice(first.min(chunks.len())..first.min(chunks.len()), pieces);
}

#[test]
fn png() {
    Format {
        name: "png",
        one_in: 1,
        files: sound_files(),
        change: &changed,
        read: &pictures::read,
        budget: &pictures::budget,
    }
    .try_all(20);
}
