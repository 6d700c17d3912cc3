//! PNG, JPEG and BMP.

use std::io::Cursor;

use image::codecs::{bmp::BmpDecoder, jpeg::JpegDecoder};
use image::{ColorType, ImageDecoder, Limits};
use png::{BitDepth, Transformations};

use super::luminance::grey_of;
use super::page::{Decoded, LONGEST_TEXT, Source, eight, sixteen};
use crate::error::Error;
use crate::scale::resolution::{self, Resolution};
use crate::scale::{ScaleClaim, ScaleSource, statement};
use crate::warning::Warning;

pub(super) fn png(source: &Source<'_>) -> Result<Decoded, Error> {
    let mut decoder = png::Decoder::new(Cursor::new(source.bytes));
    // Palettes and 1, 2 and 4 bit greys come out as full 8 bit levels.
    decoder.set_transformations(Transformations::EXPAND);
    decoder.set_ignore_iccp_chunk(true);
    let (width, height) = {
        let header = decoder.read_header_info().map_err(|e| source.damaged(e))?;
        (header.width, header.height)
    };
    source.check_size(width.into(), height.into())?;
    decoder.set_limits(png::Limits { bytes: LONGEST_TEXT.saturating_add(source.bytes.len()) });
    let mut reader = decoder.read_info().map_err(|e| source.damaged(e))?;
    let size =
        reader.output_buffer_size().ok_or_else(|| source.damaged("its size does not fit this machine"))?;
    let mut bytes = vec![0; size];
    let layout = reader.next_frame(&mut bytes).map_err(|e| source.damaged(e))?;
    let channels = layout.color_type.samples();
    let (grey, warnings) = match layout.bit_depth {
        BitDepth::Sixteen => {
            let samples = bytes.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect();
            let (grey, warnings) = grey_of(samples, channels);
            (sixteen(source, width, height, grey)?, warnings)
        }
        _ => {
            let (grey, warnings) = grey_of(bytes, channels);
            (eight(source, width, height, grey)?, warnings)
        }
    };
    let mut decoded = Decoded { grey, warnings, claims: Vec::new() };
    png_claims(reader.info(), &mut decoded);
    Ok(decoded)
}

fn png_claims(info: &png::Info<'_>, decoded: &mut Decoded) {
    let size = (info.width, info.height);
    let mut left = LONGEST_TEXT;
    for text in &info.uncompressed_latin1_text {
        add_statements(&text.keyword, &text.text, size, &mut left, decoded);
    }
    for text in &info.utf8_text {
        let mut text = text.clone();
        // One that does not unpack to what may still be read ends the reading, so that many cannot unpack one by one.
        if text.decompress_text_with_limit(left).is_err() {
            break;
        }
        if let Ok(content) = text.get_text() {
            add_statements(&text.keyword, &content, size, &mut left, decoded);
        }
    }
    if let Some(dims) = info.pixel_dims
        && dims.unit == png::Unit::Meter
    {
        let per_metre = (f64::from(dims.xppu), f64::from(dims.yppu));
        let found = resolution::judge(Resolution {
            source: ScaleSource::PngPhys,
            name: "PNG pHYs",
            per_unit: per_metre,
            unit: "m",
            unit_um: 1e6,
        });
        add_resolution(found, &mut decoded.claims, &mut decoded.warnings);
    }
}

/// The keyword of a text chunk may itself be the key, so it is offered as one. `left` is the length of text that may still be
/// read.
fn add_statements(keyword: &str, text: &str, size: (u32, u32), left: &mut usize, decoded: &mut Decoded) {
    let Some(rest) = left.checked_sub(text.len()) else { return };
    *left = rest;
    let label = format!("text '{keyword}'");
    let statements = format!("{keyword} = {text}\n{text}");
    decoded.add(statement::read(&statements, ScaleSource::InstrumentTag, &label, size));
}

/// Files a judged resolution under claims or warnings.
pub(super) fn add_resolution(
    judged: Option<Result<ScaleClaim, Warning>>,
    claims: &mut Vec<ScaleClaim>,
    warnings: &mut Vec<Warning>,
) {
    match judged {
        Some(Ok(claim)) => claims.push(claim),
        Some(Err(warning)) => warnings.push(warning),
        None => {}
    }
}

pub(super) fn jpeg(source: &Source<'_>) -> Result<Decoded, Error> {
    let decoder = JpegDecoder::new(Cursor::new(source.bytes)).map_err(|e| source.damaged(e))?;
    let mut decoded = eight_bit(source, decoder)?;
    // A photograph without EXIF, or with a damaged block, is still a picture.
    if let Ok(exif) = exif::Reader::new().read_from_container(&mut Cursor::new(source.bytes)) {
        add_resolution(exif_resolution(&exif), &mut decoded.claims, &mut decoded.warnings);
    }
    Ok(decoded)
}

fn exif_resolution(exif: &exif::Exif) -> Option<Result<ScaleClaim, Warning>> {
    let number = |tag| match &exif.get_field(tag, exif::In::PRIMARY)?.value {
        exif::Value::Rational(v) => v.first().map(|r| r.to_f64()),
        _ => None,
    };
    let unit = exif
        .get_field(exif::Tag::ResolutionUnit, exif::In::PRIMARY)
        .and_then(|field| field.value.get_uint(0))
        .unwrap_or(2);
    let (unit, unit_um) = resolution::tiff_unit(unit)?;
    resolution::judge(Resolution {
        source: ScaleSource::ExifResolution,
        name: "EXIF resolution",
        per_unit: (number(exif::Tag::XResolution)?, number(exif::Tag::YResolution)?),
        unit,
        unit_um,
    })
}

pub(super) fn bmp(source: &Source<'_>) -> Result<Decoded, Error> {
    let decoder = BmpDecoder::new(Cursor::new(source.bytes)).map_err(|e| source.damaged(e))?;
    eight_bit(source, decoder)
}

fn eight_bit(source: &Source<'_>, mut decoder: impl ImageDecoder) -> Result<Decoded, Error> {
    let (width, height) = decoder.dimensions();
    source.check_size(width.into(), height.into())?;
    // The size has been checked, and the default allowance counts the buffer twice.
    decoder.set_limits(Limits::no_limits()).map_err(|e| source.damaged(e))?;
    let channels = match decoder.color_type() {
        ColorType::L8 => 1,
        ColorType::Rgb8 => 3,
        ColorType::Rgba8 => 4,
        other => return Err(source.damaged(format!("{other:?} samples"))),
    };
    let mut samples = vec![0; width as usize * height as usize * channels];
    decoder.read_image(&mut samples).map_err(|e| source.damaged(e))?;
    let (grey, warnings) = grey_of(samples, channels);
    Ok(Decoded { grey: eight(source, width, height, grey)?, warnings, claims: Vec::new() })
}
