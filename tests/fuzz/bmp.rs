//! BMP: every head, depth and packing.

use crate::Format;
use crate::change::{Change, change_bytes, noise};
use crate::pictures;

/// Places and sizes of the numbers in the head.
const NUMBERS: [(usize, usize); 19] = [
    (2, 4),
    (10, 4),
    (14, 4),
    (18, 4),
    (22, 4),
    (18, 2),
    (20, 2),
    (26, 2),
    (28, 2),
    (30, 4),
    (34, 4),
    (38, 4),
    (42, 4),
    (46, 4),
    (50, 4),
    (54, 4),
    (58, 4),
    (62, 4),
    (66, 4),
];

const RLE8: u32 = 1;
const RLE4: u32 = 2;
const BITFIELDS: u32 = 3;

struct Kind {
    head: u32,
    bits: u16,
    packing: u32,
    height: i32,
}

/// A picture of 13 x 11 px; packed ones hold `pixels` as they are.
fn file(kind: &Kind, pixels: Option<&[u8]>) -> Vec<u8> {
    let Kind { head, bits, packing, height } = *kind;
    let mut bytes = head.to_le_bytes().to_vec();
    if head == 12 {
        bytes.extend([13, 0, 11, 0, 1, 0]);
        bytes.extend(bits.to_le_bytes());
    } else {
        bytes.extend(13u32.to_le_bytes());
        bytes.extend(height.to_le_bytes());
        bytes.extend(1u16.to_le_bytes());
        bytes.extend(bits.to_le_bytes());
        for number in [packing, 0, 40_000_000, 40_000_000, 0, 0] {
            bytes.extend(number.to_le_bytes());
        }
        let masks: [u32; 4] =
            if bits == 16 { [0xf800, 0x7e0, 0x1f, 0] } else { [0xff_0000, 0xff00, 0xff, 0] };
        if packing == BITFIELDS || head > 40 {
            masks
                .iter()
                .take(if head >= 56 { 4 } else { 3 })
                .for_each(|mask| bytes.extend(mask.to_le_bytes()));
        }
        bytes.resize(bytes.len().max(head as usize), 0);
    }
    if bits <= 8 {
        let entry = if head == 12 { 3 } else { 4 };
        bytes.extend(noise(entry << bits, 1));
    }
    let start = bytes.len() + 14;
    let row = (13 * usize::from(bits)).div_ceil(32) * 4;
    bytes.extend(pixels.map_or_else(|| noise(row * 11, bits.into()), <[u8]>::to_vec));
    let mut whole = b"BM".to_vec();
    whole.extend((bytes.len() as u32 + 14).to_le_bytes());
    whole.extend([0; 4]);
    whole.extend((start as u32).to_le_bytes());
    whole.extend(bytes);
    whole
}

fn sound_files() -> Vec<Vec<u8>> {
    let mut files = Vec::new();
    for head in [12, 40, 52, 56, 108, 124] {
        for bits in [1, 4, 8, 24, 16, 32] {
            if head > 12 || bits <= 24 && bits != 16 {
                files.push(file(&Kind { head, bits, packing: 0, height: 11 }, None));
            }
        }
    }
    for (bits, packing) in [(16, BITFIELDS), (32, BITFIELDS)] {
        files.push(file(&Kind { head: 40, bits, packing, height: 11 }, None));
        files.push(file(&Kind { head: 124, bits, packing, height: 11 }, None));
    }
    files.push(file(&Kind { head: 40, bits: 8, packing: 0, height: -11 }, None));
    // Runs, pixels one by one, a move, ends of rows, the end.
    let rows: Vec<u8> = (0..11u8).flat_map(|row| [9, row, 0, 4, 1, 2, 3, 4, 0, 0]).collect();
    let packed = [&rows[..20], &[0, 2, 3, 1, 5, 7, 0, 0], &rows[20..90], &[0, 1]].concat();
    files.push(file(&Kind { head: 40, bits: 8, packing: RLE8, height: 11 }, Some(&packed)));
    let rows: Vec<u8> = (0..11u8).flat_map(|row| [9, row << 4 | 3, 0, 4, 0x12, 0x34, 0, 0]).collect();
    files.push(file(
        &Kind { head: 40, bits: 4, packing: RLE4, height: 11 },
        Some(&[&rows[..], &[0, 1]].concat()),
    ));
    files
}

fn changed(file: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    match change.kind % 6 {
        0..=2 => {
            let (at, size) = NUMBERS[change.of(NUMBERS.len())];
            if let Some(number) = file.get_mut(at..at + size) {
                number.copy_from_slice(&change.number().to_le_bytes()[..size]);
            }
        }
        3 => {
            // A code among packed pixels.
            let at = change.of(file.len());
            let codes =
                [[0, 0, 0, 0], [0, 1, 0, 0], [0, 2, 255, 255], [0, 255, 1, 1], [255, 9, 0, 0], [0, 3, 1, 2]];
            file.splice(at..at, codes[change.second(codes.len())]);
        }
        4 => {
            let (at, size) = [(28, 2), (30, 4), (14, 4)][change.of(3)];
            let value =
                [0, 1, 2, 3, 4, 6, 8, 11, 12, 16, 24, 32, 40, 52, 56, 64, 108, 124][change.second(18)];
            if let Some(number) = file.get_mut(at..at + size) {
                number.copy_from_slice(&u32::to_le_bytes(value)[..size]);
            }
        }
        _ => change_bytes(file, change, others),
    }
}

#[test]
fn bmp() {
    Format {
        name: "bmp",
        one_in: 1,
        files: sound_files(),
        change: &changed,
        read: &pictures::read,
        budget: &pictures::budget,
    }
    .try_all(8);
}
