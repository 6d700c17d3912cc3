//! Broken files that are made here, each with what must be said of it, and files that are small and unpack to much: those that
//! once did harm, and those that every reader must expect.

use std::cell::Cell;
use std::path::Path;

use ceramograph::error::Error;
use ceramograph::grid::Grid;
use ceramograph::micrograph::beside::TextBeside;
use ceramograph::micrograph::{self, Grey, Micrograph, ReadOptions};

use crate::tagged_file::{TaggedFile, Value, crc, png_from_parts, several};
use crate::watch::Watch;

/// Reads every page under watch: at most so many bytes of memory.
fn read(name: &'static str, file: &[u8], most: usize) -> Result<usize, String> {
    let count = Cell::new(0);
    let read = |bytes: &[u8]| {
        let options = ReadOptions::default();
        let text = |error: Error| error.to_string();
        let pages = micrograph::pages(bytes, Path::new("ring-1.tif"), &options).map_err(text)?;
        count.set(pages.count());
        (0..pages.count()).try_for_each(|page| pages.read(page).map(drop)).map_err(text)
    };
    let mut watch = Watch::new(name);
    let verdict = watch.read(file, most, &read).unwrap_or_else(|fault| panic!("{name}: {fault}"));
    watch.end();
    verdict.map(|()| count.get())
}

fn png_head(width: u32, height: u32, bits: u8, colour: u8) -> Vec<u8> {
    [&width.to_be_bytes()[..], &height.to_be_bytes(), &[bits, colour, 0, 0, 0]].concat()
}

/// A PNG of 2 x 1 px with more chunks before its pixels.
fn png_with(colour: u8, more: &[(&[u8; 4], &[u8])]) -> Vec<u8> {
    let rows: &[u8] = if colour == 3 { &[0, 0, 0] } else { &[0, 7, 9] };
    let file = png_from_parts(&png_head(2, 1, 8, colour), rows);
    let chunks = more.iter().flat_map(|(name, data)| {
        let body = [&name[..], data].concat();
        [&(data.len() as u32).to_be_bytes()[..], &body, &crc(&body).to_be_bytes()].concat()
    });
    [&file[..33], &chunks.collect::<Vec<u8>>(), &file[33..]].concat()
}

fn packed_text(text: &[u8]) -> Vec<u8> {
    let packed = miniz_oxide::deflate::compress_to_vec_zlib(text, 9);
    [&b"Pixel Size\0\x01\0\0\0"[..], &packed].concat()
}

fn grey(width: u32, height: u32) -> TaggedFile {
    TaggedFile::new(width, height).short(258, &[8]).short(262, &[1]).short(277, &[1])
}

fn bmp(width: i32, height: i32, bits: u16, packing: u32, pixels: &[u8]) -> Vec<u8> {
    let mut file = b"BM\0\0\0\0\0\0\0\0\x36\x04\0\0\x28\0\0\0".to_vec();
    file.extend(width.to_le_bytes());
    file.extend(height.to_le_bytes());
    file.extend([1, 0]);
    file.extend(bits.to_le_bytes());
    file.extend(packing.to_le_bytes());
    file.resize(54 + 1024, 0);
    file.extend(pixels);
    file
}

/// A JPEG of one frame head and nothing behind it.
fn jpeg(marker: u8, bits: u8, rows: u16, columns: u16, channels: u8) -> Vec<u8> {
    let mut file = vec![0xff, 0xd8, 0xff, marker, 0, 8 + 3 * channels, bits];
    file.extend(rows.to_be_bytes());
    file.extend(columns.to_be_bytes());
    file.push(channels);
    (1..=channels).for_each(|i| file.extend([i, 0x11, 0]));
    file.extend([0xff, 0xd9]);
    file
}

/// Such a JPEG with the head of a scan of three channels behind the frame head, so that its size counts.
fn scanned(mut file: Vec<u8>) -> Vec<u8> {
    file.truncate(file.len() - 2);
    file.extend([0xff, 0xda, 0, 12, 3, 1, 0, 2, 0, 3, 0, 0, 63, 0, 0xff, 0xd9]);
    file
}

/// Name, file, and what is said of it.
fn broken() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let good_png = png_with(0, &[]);
    let good_tiff = grey(8, 8).strips(8, &[5; 64], 8);
    let mut bad_sum = good_png.clone();
    bad_sum[32] ^= 1;
    let mut unpacked = good_png.clone();
    unpacked.truncate(good_png.len() - 20);
    let mut strip_outside = good_tiff.clone();
    let at = strip_outside.windows(4).position(|w| w == [0x11, 1, 4, 0]).unwrap();
    strip_outside[at + 8..at + 12].copy_from_slice(&[0, 0, 0, 0x40]);
    vec![
        ("png-without-pixels", good_png[..33].to_vec(), "incomplete"),
        ("png-cut-in-its-pixels", unpacked, "incomplete"),
        ("png-with-a-wrong-sum", bad_sum, "CRC"),
        ("png-of-size-zero", png_from_parts(&png_head(0, 1, 8, 0), &[]), "damaged"),
        ("png-of-many-pixels", png_from_parts(&png_head(70_000, 70_000, 8, 0), &[]), "--max-pixels"),
        ("png-of-odd-depth", png_from_parts(&png_head(2, 1, 3, 0), &[0, 0]), "damaged"),
        ("png-with-an-empty-palette", png_with(3, &[(b"PLTE", &[])]), "PLTE"),
        ("png-with-a-palette-of-one-byte", png_with(3, &[(b"PLTE", &[9]), (b"tRNS", &[1])]), "PLTE"),
        ("png-without-a-palette", png_with(3, &[]), "palette"),
        ("tiff-head-alone", good_tiff[..8].to_vec(), "its first directory is not there"),
        (
            "tiff-cut-in-its-directory",
            good_tiff[..good_tiff.len() - 30].to_vec(),
            "its first directory is not there",
        ),
        ("tiff-without-size", TaggedFile::new(0, 0).strips(1, &[0], 1), "0x0"),
        ("tiff-of-many-pixels", grey(60_000, 60_000).strips(60_000, &[0], 60_000), "--max-pixels"),
        ("tiff-with-pixels-outside", strip_outside, "damaged, incomplete"),
        (
            "tiff-of-printing-colours",
            TaggedFile::new(1, 1).short(258, &[8; 4]).short(262, &[5]).short(277, &[4]).strips(1, &[0; 4], 4),
            "printing colours",
        ),
        (
            "tiff-of-reduced-copies",
            grey(8, 8).long(254, &[1]).strips(8, &[5; 64], 8),
            "export the picture at full size",
        ),
        (
            "tiff-palette-without-colours",
            TaggedFile::new(8, 8).short(258, &[8]).short(262, &[3]).strips(8, &[5; 64], 8),
            "damaged",
        ),
        ("jpeg-without-pixels", jpeg(0xc0, 8, 16, 16, 1), "damaged"),
        ("jpeg-of-no-rows", jpeg(0xc0, 8, 0, 16, 1), "damaged"),
        ("jpeg-of-many-pixels", scanned(jpeg(0xc0, 8, 65_500, 65_500, 3)), "--max-pixels"),
        ("jpeg-of-12-bits", jpeg(0xc1, 12, 16, 16, 1), "damaged, incomplete or of an unusual kind"),
        ("jpeg-without-loss", jpeg(0xc3, 8, 16, 16, 1), "damaged, incomplete or of an unusual kind"),
        ("jpeg-of-arithmetic-codes", jpeg(0xc9, 8, 16, 16, 1), "damaged, incomplete or of an unusual kind"),
        ("bmp-head-alone", bmp(8, 8, 8, 0, &[])[..54].to_vec(), "damaged"),
        ("bmp-of-no-columns", bmp(0, 8, 8, 0, &[]), "0x8"),
        ("bmp-of-columns-below-zero", bmp(-8, 8, 8, 0, &[]), "damaged"),
        ("bmp-of-many-pixels", bmp(40_000, 40_000, 8, 0, &[]), "--max-pixels"),
        ("bmp-of-odd-depth", bmp(8, 8, 7, 0, &[]), "damaged"),
        ("bmp-without-pixels", bmp(8, 8, 8, 0, &[1; 9]), "damaged"),
        ("bmp-without-runs", bmp(8, 8, 8, 1, &[]), "damaged"),
    ]
}

#[test]
fn every_broken_file_is_refused_with_what_where_and_what_to_do() {
    let advice =
        ["copy it again from the microscope", "raise --max-pixels", "save it as", "export the picture"];
    let mut wrong = Vec::new();
    for (name, file, says) in broken() {
        let why = read(name, &file, 8 << 20).expect_err(name);
        let sound = why.starts_with("ring-1.tif is ")
            && why.contains(says)
            && advice.iter().any(|advice| why.contains(advice));
        wrong.extend((!sound).then(|| format!("{name}: {why}")));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_text_that_unpacks_to_much_costs_little() {
    // 256 MiB from a quarter of one.
    let bomb = packed_text(&b"pixelsize=25nm;".repeat(18 << 20));
    let file = png_with(0, &[(b"iTXt", &bomb), (b"iTXt", &bomb), (b"iTXt", &packed_text(b"25 nm"))]);
    assert_eq!(read("png-text-bomb", &file, 64 << 20), Ok(1));
    // Many that each unpack to little less than what is read.
    let some = packed_text(&b"pixelsize=25nm;".repeat(500_000));
    let file = png_with(0, &vec![(b"iTXt", &some[..]); 500]);
    assert_eq!(read("png-many-texts", &file, 64 << 20), Ok(1));
}

#[test]
fn tags_that_claim_more_than_the_file_holds_set_no_memory_aside() {
    for tag in [284, 258, 273, 279, 282, 338, 339, 700, 34_118] {
        let file = grey(8, 8).add(tag, Value::Short(vec![1, 2])).strips(8, &[5; 64], 8);
        for little in (8..file.len() - 12).filter(|&i| file[i..i + 2] == u16::to_le_bytes(tag)) {
            let mut file = file.clone();
            file[little + 4..little + 8].copy_from_slice(&0x0fff_fff0u32.to_le_bytes());
            drop(read("tiff-claim", &file, 8 << 20));
        }
    }
}

#[test]
fn many_tags_of_one_text_are_read_once() {
    let text = b"PixelSize = 25 nm\n".repeat(200_000);
    let mut file = grey(8, 8);
    for tag in 40_000..43_000u16 {
        file = file.add(tag, Value::Ascii(vec![0; 12]));
    }
    let mut file = file.strips(8, &[5; 64], 8);
    let place = file.len() as u32;
    file.extend(&text);
    for i in (8..place as usize - 12).rev() {
        let tag = u16::from_le_bytes([file[i], file[i + 1]]);
        if (40_000..43_000).contains(&tag) && file[i + 2..i + 4] == [2, 0] {
            file[i + 4..i + 8].copy_from_slice(&(text.len() as u32).to_le_bytes());
            file[i + 8..i + 12].copy_from_slice(&place.to_le_bytes());
        }
    }
    assert_eq!(read("tiff-one-text-for-many", &file, 256 << 20), Ok(1));
}

#[test]
fn a_long_chain_of_pages_is_walked_once_and_a_chain_that_comes_back_ends() {
    let page = grey(1, 1).strips_later(1, vec![5], 1);
    let mut file = several(vec![page; 20_000]);
    assert_eq!(read("tiff-of-many-pages", &file, 64 << 20), Ok(20_000));
    // The last directory leads to the first.
    let end = file.len() - 4;
    let first: [u8; 4] = file[4..8].try_into().unwrap();
    file[end..].copy_from_slice(&first);
    let count = read("tiff-that-comes-back", &file, 64 << 20).unwrap();
    assert!((20_000..=40_000).contains(&count), "{count}");
}

#[test]
fn blocks_of_xml_cannot_take_the_time_or_memory_of_a_run() {
    let entities: String = (1..30).map(|i| format!("<!ENTITY e{i} \"&e{};&e{};\">", i - 1, i - 1)).collect();
    let laughing =
        format!("<!DOCTYPE OME [<!ENTITY e0 \"25\">{entities}]><OME><Pixels PhysicalSizeX=\"&e29;\"/></OME>");
    let attributes: String = (0..200_000).map(|i| format!(" a{i}=\"1\"")).collect();
    let wide = format!("<OME><Pixels PhysicalSizeX=\"1\"{attributes}/></OME>");
    let deep = format!("{}<Pixels PhysicalSizeX=\"1\"/>", "<OME>".repeat(1_000_000));
    let many = format!("<OME>{}<Pixels PhysicalSizeX=\"1\"/></OME>", "<a/>".repeat(1_000_000));
    for (name, xml) in
        [("xml-entities", laughing), ("xml-attributes", wide), ("xml-depth", deep), ("xml-many", many)]
    {
        let file = grey(8, 8).add(270, Value::Ascii(xml.into_bytes())).strips(8, &[5; 64], 8);
        assert_eq!(read(name, &file, 96 << 20), Ok(1), "{name}");
    }
}

#[test]
fn texts_full_of_statements_or_of_nothing_are_read_in_no_time() {
    let mut watch = Watch::new("texts-beside");
    for piece in
        ["PixelSize = 25 nm\n", ";", "PixelSize=25nm;Columns=99;", ",", "a=1um/px\n", "\u{b5}", "=\n"]
    {
        let text = piece.repeat((1 << 20) / piece.len()).into_bytes();
        let tell = |bytes: &[u8]| {
            let grey = Grey::Eight(Grid::filled(640, 1, 0));
            let mut micrograph = Micrograph { grey, claims: Vec::new(), warnings: Vec::new() };
            TextBeside { name: "ring-1.txt".into(), bytes: bytes.to_vec() }.tell(&mut micrograph);
            assert!(micrograph.claims.len() + micrograph.warnings.len() <= 512);
            Ok(())
        };
        assert_eq!(watch.read(&text, 16 << 20, &tell), Ok(Ok(())), "{piece:?}");
    }
    watch.end();
}
