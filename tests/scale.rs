//! Scale: which source is trusted, what the others say, and bars and tags of real pictures against their truth.

mod shared_pictures;

use std::borrow::Cow;
use std::path::Path;

use ceramograph::grid::Grid;
use ceramograph::micrograph::{self, Grey, Micrograph, ReadOptions, info_strip};
use ceramograph::scale::{ScaleClaim, ScaleOptions, ScaleReading, ScaleSource, bar, determine};
use shared_pictures::shared_micrographs;

mod tagged_file;
use tagged_file::{TaggedFile, Value};

fn read(bytes: &[u8]) -> Micrograph {
    let options = ReadOptions::default();
    micrograph::pages(bytes, Path::new("field"), &options).unwrap().read(0).unwrap()
}

/// A picture with a white bar of 100 px and its label on a dark panel.
fn with_bar(claims: Vec<ScaleClaim>) -> Micrograph {
    let grid = Grid::from_fn(400, 300, |x, y| {
        let bar = (250..350).contains(&x) && (280..286).contains(&y);
        let label = (262..272).contains(&y) && (285..312).contains(&x) && (x - 285) % 9 < 4;
        if bar || label {
            255
        } else if y < 250 {
            90 + ((x * 31 + y * 17) % 47) as u8
        } else {
            20
        }
    });
    Micrograph { grey: Grey::Eight(grid), claims, warnings: Vec::new() }
}

fn plain(claims: Vec<ScaleClaim>) -> Micrograph {
    Micrograph { grey: Grey::Eight(Grid::filled(64, 64, 100)), claims, warnings: Vec::new() }
}

fn claim(source: ScaleSource, um: f64) -> ScaleClaim {
    ScaleClaim { source, detail: format!("{source:?} of {um}"), um_per_px_x: um, um_per_px_y: um }
}

fn codes(warnings: &[ceramograph::warning::Warning]) -> Vec<Cow<'static, str>> {
    warnings.iter().map(|w| w.code.clone()).collect()
}

#[test]
fn sources_are_trusted_in_their_order() {
    let all = [
        ScaleSource::ExifResolution,
        ScaleSource::PngPhys,
        ScaleSource::TiffResolution,
        ScaleSource::TextBeside,
        ScaleSource::InstrumentTag,
        ScaleSource::OmeXml,
    ];
    for kept in 1..=all.len() {
        let claims = all[..kept].iter().map(|&s| claim(s, 0.5)).collect();
        let ScaleReading { scale, warnings, .. } =
            determine(&plain(claims), None, &ScaleOptions::default()).unwrap();
        assert_eq!(scale.unwrap().source, all[kept - 1]);
        assert!(warnings.is_empty());
    }
    let bar = ScaleOptions { scale_bar_um: Some(50.0), ..ScaleOptions::default() };
    let ScaleReading { scale, warnings, .. } =
        determine(&with_bar(vec![claim(ScaleSource::OmeXml, 0.5)]), None, &bar).unwrap();
    let scale = scale.unwrap();
    assert_eq!(scale.source, ScaleSource::ScaleBar);
    assert!((scale.um_per_px - 0.5).abs() < 1e-3 && scale.bar.is_some() && warnings.is_empty());
    let typed = ScaleOptions { pixel_size_um: Some((0.5, 0.48)), ..bar };
    let ScaleReading { scale, .. } = determine(&with_bar(vec![]), None, &typed).unwrap();
    let scale = scale.unwrap();
    assert_eq!(scale.source, ScaleSource::PixelSize);
    assert_eq!((scale.um_per_px_x, scale.um_per_px_y), (0.5, 0.48));
    assert!((scale.um_per_px - (0.5f64 * 0.48).sqrt()).abs() < 1e-12);
    assert!(scale.bar.is_some(), "the bar is drawn on the overlay even where it is not trusted");
}

#[test]
fn sources_that_disagree_are_both_named() {
    let bar = ScaleOptions { scale_bar_um: Some(50.0), ..ScaleOptions::default() };
    let ScaleReading { warnings, .. } =
        determine(&with_bar(vec![claim(ScaleSource::InstrumentTag, 0.6)]), None, &bar).unwrap();
    assert_eq!(codes(&warnings), ["scale-sources-disagree"]);
    assert!(warnings[0].message.contains("0.5") && warnings[0].message.contains("0.6"));
    // One per cent apart is within the uncertainty of either.
    let ScaleReading { warnings, .. } =
        determine(&with_bar(vec![claim(ScaleSource::InstrumentTag, 0.505)]), None, &bar).unwrap();
    assert!(warnings.is_empty());
}

#[test]
fn without_a_bar_or_any_source_it_is_said() {
    let bar = ScaleOptions { scale_bar_um: Some(50.0), ..ScaleOptions::default() };
    let ScaleReading { scale, warnings, .. } = determine(&plain(vec![]), None, &bar).unwrap();
    assert!(scale.is_none());
    assert_eq!(codes(&warnings), ["bar-not-found", "no-scale"]);
    let ScaleReading { scale, warnings, .. } =
        determine(&plain(vec![claim(ScaleSource::PngPhys, 0.1)]), None, &bar).unwrap();
    assert_eq!(scale.unwrap().source, ScaleSource::PngPhys);
    assert_eq!(codes(&warnings), ["bar-not-found"]);
}

fn tiny_tiff() -> TaggedFile {
    TaggedFile::new(32, 8).short(258, &[8]).short(262, &[1])
}

fn claims_of(file: TaggedFile) -> (Vec<ScaleClaim>, Vec<Cow<'static, str>>) {
    let picture = read(&file.strips(8, &[0; 256], 32));
    (picture.claims, picture.warnings.iter().map(|w| w.code.clone()).collect())
}

#[test]
fn tiff_resolution_is_a_scale_unless_it_is_for_print() {
    let with = |per_unit: u32, unit: u16| {
        tiny_tiff()
            .add(282, Value::Rational(vec![(per_unit, 1)]))
            .add(283, Value::Rational(vec![(per_unit, 2)]))
            .short(296, &[unit])
    };
    let (claims, warnings) = claims_of(with(400_000, 3));
    assert!((claims[0].um_per_px_x - 0.025).abs() < 1e-12 && (claims[0].um_per_px_y - 0.05).abs() < 1e-12);
    assert!(warnings.is_empty());
    for dpi in [72, 96, 150, 200, 300, 600] {
        let (claims, warnings) = claims_of(with(dpi, 2));
        assert!(claims.is_empty());
        assert_eq!(warnings, ["print-resolution-ignored"], "{dpi}");
    }
    assert_eq!(claims_of(with(400_000, 1)), (vec![], vec![]), "no unit states nothing");
}

#[test]
fn ome_xml_in_the_description_is_a_scale() {
    let xml = "<?xml version=\"1.0\"?><OME><Image><Pixels SizeX=\"32\" PhysicalSizeX=\"40\" PhysicalSizeXUnit=\"nm\" \
               PhysicalSizeY=\"0.05\"/></Image></OME>\0";
    let (claims, _) = claims_of(tiny_tiff().add(270, Value::Ascii(xml.as_bytes().to_vec())));
    assert_eq!(claims[0].source, ScaleSource::OmeXml);
    assert!((claims[0].um_per_px_x - 0.04).abs() < 1e-12 && (claims[0].um_per_px_y - 0.05).abs() < 1e-12);
}

#[test]
fn png_phys_and_text_are_scales() {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 2, 1);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_pixel_dims(Some(png::PixelDimensions {
        xppu: 40_000_000,
        yppu: 20_000_000,
        unit: png::Unit::Meter,
    }));
    encoder.add_text_chunk("Pixel Size".to_owned(), "25 nm".to_owned()).unwrap();
    encoder.write_header().unwrap().write_image_data(&[0, 9]).unwrap();
    let picture = read(&bytes);
    assert_eq!(picture.claims.len(), 2);
    assert!((picture.claims[0].um_per_px_x - 0.025).abs() < 1e-12);
    let phys = &picture.claims[1];
    assert_eq!((phys.source, phys.um_per_px_x, phys.um_per_px_y), (ScaleSource::PngPhys, 0.025, 0.05));
}

#[test]
fn exif_resolution_of_a_jpeg_is_a_scale_unless_it_is_for_print() {
    use image::ImageEncoder;
    let with = |per_cm: u32| {
        let block = tiny_tiff()
            .add(282, Value::Rational(vec![(per_cm, 1)]))
            .add(283, Value::Rational(vec![(per_cm, 1)]))
            .short(296, &[3])
            .strips(8, &[0; 256], 32);
        let mut jpeg = Vec::new();
        image::codecs::jpeg::JpegEncoder::new(&mut jpeg)
            .write_image(&[90; 64], 8, 8, image::ExtendedColorType::L8)
            .unwrap();
        // The block goes right behind the start of the file.
        let body = [&b"Exif\0\0"[..], &block].concat();
        let length = (body.len() as u16 + 2).to_be_bytes();
        let segment = [&[0xff, 0xe1][..], &length, &body].concat();
        jpeg.splice(2..2, segment);
        read(&jpeg)
    };
    let picture = with(50_000);
    assert_eq!(picture.claims[0].source, ScaleSource::ExifResolution);
    assert!((picture.claims[0].um_per_px_x - 0.2).abs() < 1e-12);
    // 72 and 300 per inch as whole numbers per cm.
    for per_cm in [28, 118] {
        let print = with(per_cm);
        assert!(print.claims.is_empty());
        assert_eq!(codes(&print.warnings), ["print-resolution-ignored"]);
    }
}

#[test]
fn a_pixel_size_for_another_frame_width_is_not_used() {
    let text = b"PixelWidth=2e-007\r\nPixelHeight=2e-007\r\nResolutionX=64\r\n\0".to_vec();
    let (claims, warnings) = claims_of(tiny_tiff().add(34_682, Value::Ascii(text)));
    assert_eq!((claims, warnings), (vec![], vec!["pixel-size-for-other-width".into()]));
}

#[test]
fn tags_of_instruments_give_the_true_pixel_size() {
    let Some(folder) = shared_micrographs() else { return };
    let mut table = csv::Reader::from_path(folder.join("tagged-tiff/truth.csv")).unwrap();
    let head = table.headers().unwrap().clone();
    let column = |name: &str| head.iter().position(|h| h == name).unwrap();
    let mut rows = 0;
    for row in table.records().map(Result::unwrap) {
        let bytes = std::fs::read(folder.join("tagged-tiff/images").join(&row[column("file")])).unwrap();
        let picture = read(&bytes);
        let strip = info_strip::find(&picture.grey);
        let length_um = row[column("length_nm")].parse::<f64>().unwrap() / 1000.0;
        let options = ScaleOptions { scale_bar_um: Some(length_um), ..ScaleOptions::default() };
        let ScaleReading { scale: tag, warnings, .. } =
            determine(&picture, strip, &ScaleOptions::default()).unwrap();
        let tag = tag.unwrap();
        let truth_um = row[column("nm_per_px_from_metadata")].parse::<f64>().unwrap() / 1000.0;
        assert_eq!((tag.source, warnings), (ScaleSource::InstrumentTag, vec![]));
        assert_eq!(tag.confirmed_by, [ScaleSource::ReadBar], "bar and printed length, with nothing typed");
        assert!((tag.um_per_px / truth_um - 1.0).abs() < 1e-4, "{tag:?}");
        // Bar and tag of the same file agree.
        let ScaleReading { scale: bar, warnings, .. } = determine(&picture, strip, &options).unwrap();
        assert_eq!(bar.unwrap().source, ScaleSource::ScaleBar);
        assert_eq!(codes(&warnings), Vec::<&str>::new());
        rows += 1;
    }
    assert_eq!(rows, 3);
}

#[test]
fn bars_of_real_pictures_are_found_and_none_is_silently_wrong() {
    let Some(folder) = shared_micrographs() else { return };
    let mut table = csv::Reader::from_path(folder.join("scale-bars/truth.csv")).unwrap();
    let head = table.headers().unwrap().clone();
    let column = |name: &str| head.iter().position(|h| h == name).unwrap();
    let mut within = Vec::new();
    let mut off = Vec::new();
    for row in table.records().map(Result::unwrap) {
        let number = |name: &str| row[column(name)].parse::<f64>().unwrap();
        let bytes = std::fs::read(folder.join("scale-bars/images").join(&row[column("file")])).unwrap();
        let picture = read(&bytes);
        let candidates = bar::find(&picture.grey, info_strip::find(&picture.grey));
        let Some(best) = candidates.first() else {
            off.push(row[column("file")].to_owned());
            continue;
        };
        let (length, truth) = (best.bar.length_px(), number("bar_px"));
        let in_place = best.bar.left_px < number("bar_x1_exclusive") && best.bar.right_px > number("bar_x0");
        if in_place && (length - truth).abs() <= number("tol_px") {
            within.push(row[column("file")].to_owned());
        } else {
            off.push(row[column("file")].to_owned());
            let ratio = length / truth - 1.0;
            assert!(!best.is_certain() || ratio.abs() <= 0.1, "{} is silently wrong: {best:?}", &row[0]);
        }
    }
    assert_eq!(within.len() + off.len(), 36);
    assert!(within.len() >= 34, "only {} within tolerance; off: {off:?}", within.len());
}
