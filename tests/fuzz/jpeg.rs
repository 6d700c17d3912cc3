//! JPEG: baseline and progressive, grey, colour and four channels, subsampled, with restarts, and EXIF.

use image::ImageEncoder as _;

use crate::Format;
use crate::change::{Change, change_bytes, noise};
use crate::tagged_file::{TaggedFile, Value};
use crate::{pictures, tiff};

const START_OF_SCAN: u8 = 0xda;
const END: u8 = 0xd9;

/// Markers that change how a file is read.
const MARKERS: [u8; 20] = [
    0xc0, 0xc1, 0xc2, 0xc3, 0xc4, 0xc9, 0xca, 0xcc, 0xd0, 0xd7, 0xd8, 0xd9, 0xda, 0xdb, 0xdc, 0xdd, 0xe0,
    0xe1, 0xee, 0xfe,
];

/// A marker, what it holds, and the coded pixels behind it.
#[derive(Clone)]
struct Segment {
    marker: u8,
    data: Vec<u8>,
    coded: Vec<u8>,
}

fn parted(file: &[u8]) -> Vec<Segment> {
    let mut segments = Vec::new();
    let mut rest = file.get(2..).unwrap_or_default();
    while let [0xff, marker, more @ ..] = rest {
        if *marker == END {
            break;
        }
        let Some((length, _)) = more.split_first_chunk::<2>() else { break };
        let length = usize::from(u16::from_be_bytes(*length));
        if length < 2 || more.len() < length {
            break;
        }
        let after = &more[length..];
        let coded = match *marker {
            START_OF_SCAN => {
                let ends = |pair: &[u8]| pair[0] == 0xff && pair[1] != 0 && !(0xd0..=0xd7).contains(&pair[1]);
                after.windows(2).position(ends).unwrap_or(after.len())
            }
            _ => 0,
        };
        segments.push(Segment {
            marker: *marker,
            data: more[2..length].to_vec(),
            coded: after[..coded].to_vec(),
        });
        rest = &after[coded..];
    }
    segments
}

fn joined(segments: &[Segment]) -> Vec<u8> {
    let mut file = vec![0xff, 0xd8];
    for Segment { marker, data, coded } in segments {
        file.extend([0xff, *marker]);
        file.extend((data.len() as u16).wrapping_add(2).to_be_bytes());
        file.extend(data);
        file.extend(coded);
    }
    file.extend([0xff, END]);
    file
}

fn segment(marker: u8, data: &[u8]) -> Segment {
    Segment { marker, data: data.to_vec(), coded: Vec::new() }
}

/// Bits that no marker is among.
fn coded(count: usize, seed: u64) -> Vec<u8> {
    noise(count, seed).into_iter().map(|byte| byte & 0x7f).collect()
}

fn exif() -> Vec<u8> {
    let tags = TaggedFile::new(19, 17)
        .add(282, Value::Rational(vec![(400_000, 1)]))
        .add(283, Value::Rational(vec![(400_000, 1)]))
        .short(296, &[3])
        .strip_set(&[], 1);
    [&b"Exif\0\0"[..], &tags].concat()
}

fn sound_files() -> Vec<Vec<u8>> {
    let (w, h) = (19u32, 17u32);
    let mut files = Vec::new();
    for (colour, channels) in [(image::ExtendedColorType::L8, 1), (image::ExtendedColorType::Rgb8, 3)] {
        let mut bytes = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 60)
            .write_image(&noise((w * h * channels) as usize, 2), w, h, colour)
            .unwrap();
        let mut segments = parted(&bytes);
        segments.insert(1, segment(0xe1, &exif()));
        files.push(joined(&segments));
        files.push(progressive(&segments, channels as u8));
        files.push(with_frame(&segments, 0xc0, &frame(channels as u8, 0x11), Some(2)));
    }
    let colour = parted(&files[3]);
    // Half and quarter colour, and four channels as printers have them.
    for sampling in [0x21, 0x22, 0x12, 0x41] {
        files.push(with_frame(&colour, 0xc0, &frame(3, sampling), None));
        files.push(with_frame(&colour, 0xc0, &frame(3, sampling), Some(1)));
        files.push(progressive(&parted(&with_frame(&colour, 0xc0, &frame(3, sampling), None)), 3));
    }
    let mut four = parted(&with_frame(&colour, 0xc0, &frame(4, 0x11), None));
    four.insert(1, segment(0xee, b"Adobe\0\x64\0\0\0\0\x02"));
    files.push(joined(&four));
    files
}

/// The head of a frame of 19 x 17 px whose first channel is sampled so.
fn frame(channels: u8, sampling: u8) -> Vec<u8> {
    let mut data = vec![8, 0, 17, 0, 19, channels];
    (1..=channels).for_each(|i| {
        data.extend([i, if i == 1 { sampling } else { 0x11 }, u8::from(i > 1 && channels == 3)])
    });
    data
}

/// The same tables with another frame and pixels of random bits in one scan.
fn with_frame(segments: &[Segment], marker: u8, frame: &[u8], restart: Option<u8>) -> Vec<u8> {
    let tables = segments.iter().filter(|s| matches!(s.marker, 0xdb | 0xc4 | 0xe0 | 0xe1)).cloned();
    let mut made: Vec<Segment> = tables.collect();
    made.extend(restart.map(|every| segment(0xdd, &[0, every])));
    made.push(segment(marker, frame));
    let channels = frame[5];
    let mut scan = vec![channels];
    (1..=channels).for_each(|i| scan.extend([i, if i > 1 && channels == 3 { 0x11 } else { 0 }]));
    scan.extend([0, 63, 0]);
    let mut bits = coded(600, u64::from(channels));
    if restart.is_some() {
        bits.splice(100..100, [0xff, 0xd0]);
        bits.splice(200..200, [0xff, 0xd1]);
    }
    made.push(Segment { marker: START_OF_SCAN, data: scan, coded: bits });
    joined(&made)
}

/// The same tables with the coefficients spread over several scans, first coarse, then refined.
fn progressive(segments: &[Segment], channels: u8) -> Vec<u8> {
    let mut made: Vec<Segment> =
        segments.iter().filter(|s| matches!(s.marker, 0xdb | 0xc4 | 0xe1)).cloned().collect();
    let frame = segments.iter().find(|s| matches!(s.marker, 0xc0 | 0xc2)).unwrap();
    made.push(Segment { marker: 0xc2, ..frame.clone() });
    let mut scan = |of: &[u8], bands: [u8; 2], bits: u8, seed: u64| {
        let mut data = vec![of.len() as u8];
        of.iter().for_each(|&i| data.extend([i, if i > 1 { 0x11 } else { 0 }]));
        data.extend([bands[0], bands[1], bits]);
        made.push(Segment { marker: START_OF_SCAN, data, coded: coded(3, seed) });
    };
    let all: Vec<u8> = (1..=channels).collect();
    scan(&all, [0, 0], 0x01, 1);
    all.iter().for_each(|&i| scan(&[i], [1, 5], 0x02, 2));
    scan(&all, [0, 0], 0x10, 3);
    scan(&[1], [6, 63], 0x02, 4);
    scan(&[1], [1, 63], 0x21, 5);
    joined(&made)
}

fn changed(file: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    let mut segments = parted(file);
    if segments.is_empty() {
        return change_bytes(file, change, others);
    }
    let at = change.of(segments.len());
    let number = change.number();
    let inside = Change { place: change.value as u32, value: change.value >> 16, ..*change };
    match change.kind % 18 {
        0 | 1 => {
            // Bits, rows, columns, channels, and for each its sampling and table.
            if let Some(frame) = segments.iter_mut().find(|s| (0xc0..=0xc3).contains(&s.marker)) {
                let place = change.of(frame.data.len());
                match (place, frame.data.get_mut(1 + 2 * change.second(2)..)) {
                    (0..=4, Some([a, b, ..])) => [*a, *b] = (number as u16).to_be_bytes(),
                    (5.., _) => {
                        frame.data[place] =
                            if number.is_multiple_of(3) { number as u8 } else { (number as u8 & 0x33) | 0x11 }
                    }
                    _ => {}
                }
            }
        }
        2..=4 => {
            // Tables of codes, of steps, and heads of scans.
            let kinds = [0xc4, START_OF_SCAN, 0xdb, 0xdd];
            let marker = kinds[change.second(kinds.len())];
            let of_these: Vec<usize> =
                (0..segments.len()).filter(|&i| segments[i].marker == marker).collect();
            if let Some(&i) = of_these.get(change.of(of_these.len())) {
                let data = &mut segments[i].data;
                let place = inside.of(data.len());
                if let Some(byte) = data.get_mut(place) {
                    *byte = number as u8;
                }
            }
        }
        5 | 6 => change_bytes(&mut segments[at].data, &inside, others),
        7 | 8 => {
            let scans: Vec<usize> = (0..segments.len()).filter(|&i| !segments[i].coded.is_empty()).collect();
            if let Some(&i) = scans.get(change.of(scans.len())) {
                change_bytes(&mut segments[i].coded, &inside, others);
            }
        }
        9 => {
            // A marker among coded pixels.
            let marker = [0xff, MARKERS[change.second(MARKERS.len())]];
            let coded = &mut segments[at].coded;
            let place = inside.of(coded.len() + 1).min(coded.len());
            coded.splice(place..place, marker);
        }
        10 => drop(segments.remove(at)),
        11 => {
            let copy = segments[at].clone();
            let copies = if number.is_multiple_of(4) { 60 } else { 1 };
            segments.splice(at..at, std::iter::repeat_n(copy, copies));
        }
        12 => segments.swap(at, change.second(1.max(at))),
        13 => segments[at].marker = MARKERS[change.second(MARKERS.len())],
        14 => {
            let foreign = parted(&others[change.second(others.len())]);
            segments.insert(at, foreign[change.of(foreign.len())].clone());
        }
        15 | 16 => {
            if let Some(exif) = segments.iter_mut().find(|s| s.marker == 0xe1 && s.data.len() > 6) {
                let mut tags = exif.data.split_off(6);
                tiff::changed(&mut tags, &Change { kind: (change.value >> 56) as u8, ..*change }, others);
                exif.data.extend(tags.into_iter().take(60_000));
            }
        }
        _ => return change_bytes(file, change, others),
    }
    *file = joined(&segments);
}

#[test]
fn jpeg() {
    Format {
        name: "jpeg",
        one_in: 1,
        files: sound_files(),
        change: &changed,
        read: &pictures::read,
        budget: &pictures::budget,
    }
    .try_all(10);
}
