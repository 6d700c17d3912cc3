//! Reading pictures: every format and sample kind, from files made here, and every way a file can be bad.

mod shared_pictures;

use std::borrow::Cow;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use ceramograph::error::Error;
use ceramograph::micrograph::{self, Grey, Micrograph, ReadOptions, info_strip};
use image::{ImageEncoder, codecs};
use shared_pictures::shared_micrographs;

mod tagged_file;
use tagged_file::{TaggedFile, Value};

fn read_page(bytes: &[u8], index: usize) -> Result<Micrograph, Error> {
    micrograph::pages(bytes, Path::new("field.png"), &ReadOptions::default())?.read(index)
}

fn read(bytes: &[u8]) -> Micrograph {
    read_page(bytes, 0).unwrap()
}

fn eight(picture: &Micrograph) -> &[u8] {
    match &picture.grey {
        Grey::Eight(grid) => grid.as_slice(),
        Grey::Sixteen(_) => panic!("8 bit expected"),
    }
}

fn sixteen(picture: &Micrograph) -> &[u16] {
    match &picture.grey {
        Grey::Sixteen(grid) => grid.as_slice(),
        Grey::Eight(_) => panic!("16 bit expected"),
    }
}

fn codes(picture: &Micrograph) -> Vec<Cow<'static, str>> {
    picture.warnings.iter().map(|warning| warning.code.clone()).collect()
}

fn png_file(width: u32, height: u32, colour: png::ColorType, depth: png::BitDepth, data: &[u8]) -> Vec<u8> {
    png_with(width, height, colour, depth, data, |_| {})
}

fn png_with(
    width: u32,
    height: u32,
    colour: png::ColorType,
    depth: png::BitDepth,
    data: &[u8],
    change: impl FnOnce(&mut png::Encoder<'_, &mut Vec<u8>>),
) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(colour);
    encoder.set_depth(depth);
    change(&mut encoder);
    encoder.write_header().unwrap().write_image_data(data).unwrap();
    bytes
}

#[test]
fn names_are_judged_by_their_ending_in_any_case() {
    for name in ["a.png", "a.TIF", "b.tiff", "c.Jpg", "d.JPEG", "e.bmp", "f.g.PNG"] {
        assert!(micrograph::is_picture_name(Path::new(name)), "{name}");
    }
    for name in ["a.csv", "png", ".png.txt", "a.", "a.gif"] {
        assert!(!micrograph::is_picture_name(Path::new(name)), "{name}");
    }
}

#[test]
fn png_greys_of_every_depth_fill_their_range() {
    use png::{BitDepth::*, ColorType::Grayscale};
    assert_eq!(eight(&read(&png_file(4, 1, Grayscale, One, &[0b0101_0000]))), [0, 255, 0, 255]);
    assert_eq!(eight(&read(&png_file(4, 1, Grayscale, Two, &[0b00_01_10_11]))), [0, 85, 170, 255]);
    assert_eq!(eight(&read(&png_file(3, 1, Grayscale, Four, &[0x0f, 0x80]))), [0, 255, 136]);
    assert_eq!(eight(&read(&png_file(3, 1, Grayscale, Eight, &[1, 2, 250]))), [1, 2, 250]);
    assert_eq!(sixteen(&read(&png_file(2, 1, Grayscale, Sixteen, &[1, 2, 0xff, 0xfe]))), [0x0102, 0xfffe]);
}

#[test]
fn png_colour_alpha_and_palette_become_grey() {
    use png::{BitDepth, ColorType};
    let rgb = read(&png_file(2, 1, ColorType::Rgb, BitDepth::Eight, &[9, 9, 9, 255, 0, 0]));
    assert_eq!(eight(&rgb), [9, 54]);
    assert_eq!(codes(&rgb), ["colour-to-grey"]);
    let rgba = read(&png_file(1, 1, ColorType::Rgba, BitDepth::Eight, &[7, 7, 7, 0]));
    assert_eq!((eight(&rgba), codes(&rgba)), (&[7u8][..], vec!["alpha-ignored".into()]));
    let grey_alpha = read(&png_file(1, 1, ColorType::GrayscaleAlpha, BitDepth::Sixteen, &[1, 2, 0, 9]));
    assert_eq!((sixteen(&grey_alpha), codes(&grey_alpha)), (&[0x0102u16][..], vec!["alpha-ignored".into()]));
    let indexed = png_with(2, 1, ColorType::Indexed, BitDepth::Eight, &[1, 0], |encoder| {
        encoder.set_palette(vec![10, 10, 10, 0, 255, 0]);
    });
    assert_eq!(eight(&read(&indexed)), [182, 10]);
    let wide =
        read(&png_file(1, 1, ColorType::Rgb, BitDepth::Sixteen, &[0x12, 0x34, 0x12, 0x34, 0x12, 0x34]));
    assert_eq!(sixteen(&wide), [0x1234]);
}

/// 8x8 Adam7 file with the levels 0 to 63 in raster order, written by another encoder (Pillow cannot, so by hand: the
/// seven passes are stored one after another, each row with filter 0, in one uncompressed deflate block).
#[test]
fn interlaced_png_is_put_in_order() {
    let passes =
        [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)];
    let mut raw = Vec::new();
    for (x0, y0, dx, dy) in passes {
        for y in (y0..8).step_by(dy) {
            raw.push(0);
            raw.extend((x0..8).step_by(dx).map(|x| (y * 8 + x) as u8));
        }
    }
    let bytes = tagged_file::png_from_parts(&[0, 0, 0, 8, 0, 0, 0, 8, 8, 0, 0, 0, 1], &raw);
    assert_eq!(eight(&read(&bytes)), (0..64).collect::<Vec<u8>>());
}

fn grey_tags(width: u32, height: u32, bits: u16, photometric: u16) -> TaggedFile {
    TaggedFile::new(width, height).short(258, &[bits]).short(262, &[photometric])
}

#[test]
fn tiff_strips_and_tiles_of_8_and_16_bits_in_both_byte_orders() {
    let levels: Vec<u8> = (0..48 * 40u32).map(|i| (i % 251) as u8).collect();
    for big_endian in [false, true] {
        let strips = grey_tags(48, 40, 8, 1).order(big_endian).strips(7, &levels, 48);
        assert_eq!(eight(&read(&strips)), levels);
        let tiles = grey_tags(48, 40, 8, 1).order(big_endian).tiles(16, &levels, 48);
        assert_eq!(eight(&read(&tiles)), levels);
        let words: Vec<u16> = levels.iter().map(|&v| u16::from(v) * 257 - 3 * u16::from(v > 0)).collect();
        let coded: Vec<u8> =
            words.iter().flat_map(|w| if big_endian { w.to_be_bytes() } else { w.to_le_bytes() }).collect();
        let wide = grey_tags(48, 40, 16, 1).order(big_endian).strips(9, &coded, 96);
        assert_eq!(sixteen(&read(&wide)), words);
        let big = grey_tags(48, 40, 8, 1).order(big_endian).big().strips(40, &levels, 48);
        assert_eq!(eight(&read(&big)), levels);
    }
}

#[test]
fn tiff_white_is_zero_is_turned_over() {
    let file = grey_tags(4, 1, 8, 0).strips(1, &[0, 10, 200, 255], 4);
    assert_eq!(eight(&read(&file)), [255, 245, 55, 0]);
    let bits = grey_tags(10, 2, 1, 0).strips(2, &[0b1010_1010, 0b1100_0000, 0, 0], 2);
    assert_eq!(eight(&read(&bits))[..10], [0, 255, 0, 255, 0, 255, 0, 255, 0, 0]);
    assert_eq!(eight(&read(&bits))[10..], [255; 10]);
}

#[test]
fn tiff_palettes_are_looked_up_in_both_file_kinds() {
    let mut map = vec![0u16; 3 * 256];
    for (i, level) in [(1usize, 0x1010u16), (2, 0xffff)] {
        map[i] = level;
        map[256 + i] = level;
        map[512 + i] = level;
    }
    // Entry 3 is pure green.
    map[256 + 3] = 0xffff;
    for big in [false, true] {
        for big_endian in [false, true] {
            let mut tags = grey_tags(4, 1, 8, 3).order(big_endian).short(320, &map);
            if big {
                tags = tags.big();
            }
            let picture = read(&tags.strips(1, &[0, 1, 2, 3], 4));
            assert_eq!(eight(&picture), [0, 0x10, 255, 182], "big {big}, big-endian {big_endian}");
        }
    }
    let small_map: Vec<u16> = (0..16).map(|i| i * 0x1111).cycle().take(48).collect();
    let four_bit = grey_tags(3, 1, 4, 3).short(320, &small_map).strips(1, &[0x0f, 0x80], 2);
    assert_eq!(eight(&read(&four_bit)), [0, 255, 0x88]);
}

#[test]
fn tiff_colour_is_read_interleaved_and_in_planes() {
    let rgb = |planar: u16| {
        TaggedFile::new(2, 1).short(258, &[8, 8, 8]).short(262, &[2]).short(277, &[3]).short(284, &[planar])
    };
    let chunky = read(&rgb(1).strips(1, &[9, 9, 9, 255, 0, 0], 6));
    assert_eq!(eight(&chunky), [9, 54]);
    let planes = read(&rgb(2).strip_set(&[&[9, 255], &[9, 0], &[9, 0]], 1));
    assert_eq!(eight(&planes), [9, 54]);
    assert_eq!(codes(&planes), ["colour-to-grey"]);
}

#[test]
fn tiff_pages_are_fields_and_reduced_copies_are_not() {
    let page = |level: u8| grey_tags(20, 10, 8, 1).strips_later(10, vec![level; 200], 20);
    let thumbnail = grey_tags(4, 2, 8, 1).long(254, &[1]).strips_later(2, vec![9; 8], 4);
    let bytes = tagged_file::several(vec![page(1), thumbnail, page(3)]);
    let options = ReadOptions::default();
    let pages = micrograph::pages(&bytes, Path::new("stack.tif"), &options).unwrap();
    assert_eq!(pages.count(), 2);
    assert!(eight(&pages.read(0).unwrap()).iter().all(|&v| v == 1));
    assert!(eight(&pages.read(1).unwrap()).iter().all(|&v| v == 3));
    assert!(pages.read(2).unwrap_err().to_string().contains("no page 3"));
}

#[test]
fn tiff_compressions_give_the_same_picture() {
    use tiff::encoder::{Compression, TiffEncoder, colortype};
    let levels: Vec<u16> = (0..64 * 50u32).map(|i| (i * 37 % 65_521) as u16).collect();
    for compression in [Compression::Packbits, Compression::Lzw, Compression::Deflate(Default::default())] {
        let mut bytes = Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut bytes).unwrap().with_compression(compression);
        encoder.write_image::<colortype::Gray16>(64, 50, &levels).unwrap();
        assert_eq!(sixteen(&read(bytes.get_ref())), levels);
    }
}

#[test]
fn tiff_kinds_that_are_not_read_say_so() {
    let float = grey_tags(2, 1, 32, 1).short(339, &[3]).strips(1, &[0; 8], 8);
    let message = read_page(&float, 0).unwrap_err().to_string();
    assert!(message.contains("32 bits") && message.contains("8 or 16 bit"), "{message}");
    let cmyk =
        TaggedFile::new(1, 1).short(258, &[8; 4]).short(262, &[5]).short(277, &[4]).strips(1, &[0; 4], 4);
    assert!(read_page(&cmyk, 0).unwrap_err().to_string().contains("printing colours"));
}

#[test]
fn jpeg_and_bmp_are_read_whatever_their_name() {
    let levels: Vec<u8> = (0..64 * 64).map(|i| (i / 64 * 4) as u8).collect();
    let mut jpeg = Vec::new();
    codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 98)
        .write_image(&levels, 64, 64, image::ExtendedColorType::L8)
        .unwrap();
    let read_back = read(&jpeg);
    assert!(eight(&read_back).iter().zip(&levels).all(|(a, b)| a.abs_diff(*b) <= 4));
    let mut bmp = Vec::new();
    codecs::bmp::BmpEncoder::new(&mut bmp)
        .write_image(&levels, 64, 64, image::ExtendedColorType::L8)
        .unwrap();
    let picture = read(&bmp);
    assert_eq!((eight(&picture), codes(&picture)), (&levels[..], vec![]));
}

#[test]
fn what_is_no_picture_is_refused_with_advice() {
    for (bytes, expected) in [
        (&b""[..], "zero bytes"),
        (b"hello, this is text", "PNG, TIFF, JPEG or BMP"),
        (b"\x89PNG", "damaged"),
        (b"II*\0", "damaged"),
        (b"II*\0\xff\xff\xff\x7f", "damaged"),
        (b"\xff\xd8\xff\xe0", "damaged"),
        (b"BM", "damaged"),
        (b"MM\0*\0\0\0\x08\0\0", "damaged"),
    ] {
        let message = read_page(bytes, 0).unwrap_err().to_string();
        assert!(message.starts_with("field.png is not a picture") && message.contains(expected), "{message}");
    }
}

#[test]
fn truncated_files_of_every_format_are_refused_without_a_panic() {
    let levels: Vec<u8> = (0..100 * 80u32).map(|i| (i * i % 253) as u8).collect();
    let png = png_file(100, 80, png::ColorType::Grayscale, png::BitDepth::Eight, &levels);
    let tiff = grey_tags(100, 80, 8, 1).strips(8, &levels, 100);
    let mut jpeg = Vec::new();
    codecs::jpeg::JpegEncoder::new(&mut jpeg)
        .write_image(&levels, 100, 80, image::ExtendedColorType::L8)
        .unwrap();
    let mut bmp = Vec::new();
    codecs::bmp::BmpEncoder::new(&mut bmp)
        .write_image(&levels, 100, 80, image::ExtendedColorType::L8)
        .unwrap();
    for (name, file) in [("png", &png), ("tiff", &tiff), ("jpeg", &jpeg), ("bmp", &bmp)] {
        for share in 1..40 {
            // The JPEG decoder may fill up what is missing at the end; it must only not panic.
            let result = read_page(&file[..file.len() * share / 40], 0);
            assert!(result.is_err() || name == "jpeg", "{name} cut to {share}/40 was read");
        }
    }
}

#[test]
fn flipped_bytes_never_panic() {
    let levels: Vec<u8> = (0..40 * 30u32).map(|i| (i * i % 253) as u8).collect();
    let png = png_file(40, 30, png::ColorType::Grayscale, png::BitDepth::Eight, &levels);
    let tiff = grey_tags(40, 30, 8, 3).short(320, &[7; 768]).strips(8, &levels, 40);
    let mut jpeg = Vec::new();
    codecs::jpeg::JpegEncoder::new(&mut jpeg)
        .write_image(&levels, 40, 30, image::ExtendedColorType::L8)
        .unwrap();
    let options = ReadOptions { max_pixels: 1 << 20 };
    for file in [png, tiff, jpeg] {
        for i in (0..file.len()).step_by(3) {
            let mut broken = file.clone();
            broken[i] ^= 0xff;
            if let Ok(pages) = micrograph::pages(&broken, Path::new("broken"), &options) {
                (0..pages.count().min(3)).for_each(|page| drop(pages.read(page)));
            }
        }
    }
}

#[test]
fn dimensions_are_checked_before_anything_is_decoded() {
    let mut huge = png_file(1, 1, png::ColorType::Grayscale, png::BitDepth::Eight, &[0]);
    huge[16..20].copy_from_slice(&2_000_000_000u32.to_be_bytes());
    huge[20..24].copy_from_slice(&2_000_000_000u32.to_be_bytes());
    let checksum = tagged_file::crc(&huge[12..29]);
    huge[29..33].copy_from_slice(&checksum.to_be_bytes());
    assert!(matches!(read_page(&huge, 0), Err(Error::TooLarge { width: 2_000_000_000, .. })));
    let tiff = grey_tags(4_000_000_000, 4_000_000_000, 8, 1).strips(1, &[0], 1);
    assert!(matches!(read_page(&tiff, 0), Err(Error::TooLarge { .. } | Error::Picture { .. })));
    let small = png_file(3, 1, png::ColorType::Grayscale, png::BitDepth::Eight, &[0, 0, 0]);
    let tight = ReadOptions { max_pixels: 2 };
    let refused = micrograph::pages(&small, Path::new("a.png"), &tight).unwrap().read(0);
    assert!(refused.unwrap_err().to_string().contains("--max-pixels"));
}

#[test]
fn one_pixel_is_a_picture() {
    let file = png_file(1, 1, png::ColorType::Grayscale, png::BitDepth::Eight, &[77]);
    let picture = read(&file);
    assert_eq!(eight(&picture), [77]);
    assert!(info_strip::find(&picture.grey).is_none());
}

#[test]
fn latin_1_text_tags_do_not_stop_a_tiff_from_being_read() {
    let file = grey_tags(64, 1, 8, 1)
        .add(34_118, Value::Ascii(b"AP_PIXEL_SIZE\r\nPixel Size = 2.615 \xb5m\r\n\0".to_vec()))
        .strips(1, &[0; 64], 64);
    let picture = read(&file);
    assert_eq!(picture.claims.len(), 1);
    assert!((picture.claims[0].um_per_px_x - 2.615).abs() < 1e-12);
    assert!(picture.claims[0].detail.contains("34118"));
}

#[test]
fn strips_are_found_where_instruments_put_them_and_nowhere_else() {
    let Some(folder) = shared_micrographs() else { return };
    let strip_of = |path: PathBuf| {
        let bytes = std::fs::read(&path).unwrap();
        info_strip::find(&read(&bytes).grey)
    };
    // First rows read off enlarged pictures; blurred rows at the edge belong to the strip.
    for (name, first_row) in [
        ("scale-bars/images/2e4a3ab627.png", 486),
        ("scale-bars/images/39dda96b25.png", 515),
        ("scale-bars/images/7ecd3c2ab9.png", 516),
        ("scale-bars/images/a1dada3898.png", 480),
        ("scale-bars/images/a492171fa8.png", 513),
        ("scale-bars/images/b1fc590830.png", 470),
        ("scale-bars/images/eed04b7d68.png", 479),
        ("tagged-tiff/images/instrument_1.tif", 690),
        ("tagged-tiff/images/instrument_2.tif", 442),
        ("tagged-tiff/images/instrument_3.tif", 442),
    ] {
        let strip = strip_of(folder.join(name)).unwrap_or_else(|| panic!("{name} has a strip"));
        assert!(strip.first_row_px.abs_diff(first_row) <= 2, "{name}: {strip:?}");
    }
    for set in ["rendered", "alloy-phases/images", "porous-ceramic/images"] {
        for entry in std::fs::read_dir(folder.join(set)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "png") {
                assert_eq!(strip_of(path.clone()), None, "{}", path.display());
            }
        }
    }
}
