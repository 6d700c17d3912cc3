//! TIFF: pages, sample kinds, and the tags that speak of pixel size.

use std::io::{Read, Seek};

use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::{Tag, Type};

use super::Grey;
use super::directory::{Shown, pictures};
use super::luminance::{Level, grey_of, grey_of_planes, luminance};
use super::page::{Decoded, LONGEST_TEXT, Source, add_statements, eight, sixteen};
use super::raster::add_resolution;
use crate::error::Error;
use crate::scale::resolution::{self, Resolution};
use crate::scale::statement::Statements;
use crate::scale::{ScaleClaim, ScaleSource, ome, statement};
use crate::warning::Warning;

/// PhotometricInterpretation: indices into a palette.
const PALETTE: u32 = 3;
type Tiff<'a> = Decoder<Shown<'a>>;

fn open<'a>(source: &Source<'a>, file: Shown<'a>) -> Result<Tiff<'a>, Error> {
    let decoder = Decoder::new(file).map_err(|e| source.damaged(e))?;
    // Four 16 bit channels and one buffer beside them; the number of pixels itself is checked first.
    let bytes = usize::try_from(source.max_pixels.saturating_mul(8)).unwrap_or(usize::MAX);
    let mut limits = Limits::default();
    limits.decoding_buffer_size = bytes;
    limits.intermediate_buffer_size = bytes;
    // A value that does not fit the file is not in it.
    limits.ifd_value_size = source.bytes.len();
    Ok(decoder.with_limits(limits))
}

/// The file with the directory at `offset` as its first; a palette is returned beside it, and the samples are then its
/// indices.
fn open_at<'a>(source: &Source<'a>, offset: u64) -> Result<(Tiff<'a>, Option<Vec<u16>>), Error> {
    let mut decoder = open(source, Shown::starting_at(source.bytes, offset))?;
    let photometric =
        decoder.find_tag_unsigned::<u32>(Tag::PhotometricInterpretation).map_err(|e| source.damaged(e))?;
    if photometric != Some(PALETTE) {
        return Ok((decoder, None));
    }
    let map = decoder.get_tag_u16_vec(Tag::ColorMap).map_err(|e| source.damaged(e))?;
    Ok((open(source, Shown::grey_starting_at(source.bytes, offset))?, Some(map)))
}

/// Where the directories of full-size pictures lie, in the order of their chain.
pub(super) fn page_offsets(source: &Source<'_>) -> Result<Vec<u64>, Error> {
    let offsets = pictures(source.bytes).ok_or_else(|| source.damaged("its first directory is not there"))?;
    if offsets.is_empty() {
        return Err(
            source.refuse("it holds only reduced copies of a picture; export the picture at full size")
        );
    }
    Ok(offsets)
}

pub(super) fn read(source: &Source<'_>, offset: u64) -> Result<Decoded, Error> {
    let (mut decoder, palette) = open_at(source, offset)?;
    let (width, height) = decoder.dimensions().map_err(|e| source.damaged(e))?;
    source.check_size(width.into(), height.into())?;
    let (grey, warnings) = pixels(source, &mut decoder, palette)?;
    let mut decoded = Decoded { grey, warnings, claims: Vec::new() };
    let longest = source.bytes.len().min(LONGEST_TEXT) as u64;
    decoded.add(statements(&mut decoder, (width, height), longest));
    Ok(decoded)
}

/// What tags of a picture of `size` columns and rows state about its pixel size; of its texts as many bytes are searched as
/// `longest` says.
pub(super) fn statements<R: Read + Seek>(
    decoder: &mut Decoder<R>,
    size: (u32, u32),
    longest: u64,
) -> Statements {
    let mut found = text_statements(decoder, size, longest);
    add_resolution(tiff_resolution(decoder), &mut found.claims, &mut found.warnings);
    found
}

fn pixels(
    source: &Source<'_>,
    decoder: &mut Tiff<'_>,
    palette: Option<Vec<u16>>,
) -> Result<(Grey, Vec<Warning>), Error> {
    let colour = decoder.colortype().map_err(|e| source.damaged(e))?;
    refuse_unsupported(source, colour)?;
    if palette.is_some() && colour.bit_depth() > 8 {
        return Err(refuse_samples(source, "a palette of more than 256 colours"));
    }
    let (width, height) = decoder.dimensions().map_err(|e| source.damaged(e))?;
    let mut samples = DecodingResult::U8(Vec::new());
    let layout = decoder.read_image_to_buffer(&mut samples).map_err(|e| source.damaged(e))?;
    let channels = usize::from(colour.num_samples());
    match samples {
        DecodingResult::U8(bytes) => {
            let bytes = match colour.bit_depth() {
                bits @ (1 | 2 | 4) => unpack(&bytes, bits, width as usize, palette.is_none()),
                _ => bytes,
            };
            let (grey, warnings) = match palette {
                Some(map) => (through_palette(&bytes, &map), Vec::new()),
                None => to_grey(bytes, colour, channels, layout.planes),
            };
            Ok((eight(source, width, height, grey)?, warnings))
        }
        DecodingResult::U16(words) => {
            let (grey, warnings) = to_grey(words, colour, channels, layout.planes);
            Ok((sixteen(source, width, height, grey)?, warnings))
        }
        _ => Err(refuse_samples(source, "samples that are not whole numbers of 8 or 16 bits")),
    }
}

fn refuse_unsupported(source: &Source<'_>, colour: ColorType) -> Result<(), Error> {
    match (colour, colour.bit_depth()) {
        (ColorType::Gray(_), 1 | 2 | 4) => Ok(()),
        (ColorType::CMYK(_) | ColorType::CMYKA(_) | ColorType::Lab(_), _) => {
            Err(refuse_samples(source, "printing colours"))
        }
        (ColorType::YCbCr(bits), _) if bits != 8 => Err(refuse_samples(source, "an unusual colour coding")),
        (_, 8 | 16) => Ok(()),
        (_, bits) => Err(refuse_samples(source, &format!("samples of {bits} bits"))),
    }
}

fn refuse_samples(source: &Source<'_>, what: &str) -> Error {
    source.refuse(format!("it has {what}, which are not read; save it as 8 or 16 bit grey"))
}

fn to_grey<T: Level>(
    samples: Vec<T>,
    colour: ColorType,
    channels: usize,
    planes: usize,
) -> (Vec<T>, Vec<Warning>) {
    match colour {
        // The first component is luminance already (Rec. 601), or a grey with further channels beside it.
        ColorType::YCbCr(_) | ColorType::Multiband { .. } => first_channel(samples, colour, channels, planes),
        _ if planes > 1 => grey_of_planes(samples, channels),
        _ => grey_of(samples, channels),
    }
}

fn first_channel<T: Level>(
    mut samples: Vec<T>,
    colour: ColorType,
    channels: usize,
    planes: usize,
) -> (Vec<T>, Vec<Warning>) {
    let warning = match colour {
        ColorType::YCbCr(_) => Vec::new(),
        _ => vec![Warning::new(
            "alpha-ignored",
            format!(
                "the picture has {channels} channels; the first was taken as grey and the others were ignored"
            ),
        )],
    };
    if planes > 1 {
        samples.truncate(samples.len() / channels);
        return (samples, warning);
    }
    (samples.chunks_exact(channels).map(|pixel| pixel[0]).collect(), warning)
}

/// One sample a byte from rows of packed ones; `stretch` fills the range to 255.
fn unpack(packed: &[u8], bits: u8, width: usize, stretch: bool) -> Vec<u8> {
    let per_byte = usize::from(8 / bits);
    let largest = (1u8 << bits) - 1;
    let factor = if stretch { 255 / largest } else { 1 };
    let sample = |byte: u8, i: usize| ((byte >> (8 - usize::from(bits) * (i + 1))) & largest) * factor;
    packed
        .chunks_exact(width.div_ceil(per_byte))
        .flat_map(|row| row.iter().flat_map(|&byte| (0..per_byte).map(move |i| sample(byte, i))).take(width))
        .collect()
}

/// The luminance of palette entries, brought to 8 bits first so that a palette gives what direct colours give.
fn through_palette(indices: &[u8], map: &[u16]) -> Vec<u8> {
    let entries = map.len() / 3;
    // Some writers fill the 16 bit entries with 8 bit values.
    let shift = if map.iter().all(|&v| v < 256) { 0 } else { 8 };
    let level = |i: usize| (map[i] >> shift) as u8;
    let levels: Vec<u8> =
        (0..entries).map(|i| luminance(level(i), level(entries + i), level(2 * entries + i))).collect();
    indices.iter().map(|&i| levels.get(usize::from(i)).copied().unwrap_or(0)).collect()
}

/// What text tags of a picture of `size` columns and rows say, of which as many bytes are searched as `longest` says.
fn text_statements<R: Read + Seek>(decoder: &mut Decoder<R>, size: (u32, u32), longest: u64) -> Statements {
    let mut found = Statements::default();
    let mut add = |said| add_statements((&mut found.claims, &mut found.warnings), said);
    // Texts lie one beside the other in a file; many tags may not repeat one text.
    let mut left = longest;
    let tags: Vec<(Tag, u64)> = decoder
        .image_ifd()
        .directory()
        .iter()
        .filter(|(_, entry)| matches!(entry.field_type(), Type::ASCII | Type::BYTE | Type::UNDEFINED))
        .map(|(tag, entry)| (tag, entry.count()))
        .filter(|&(_, count)| count >= 8)
        .collect();
    for (tag, count) in tags {
        let Some(rest) = left.checked_sub(count) else { continue };
        left = rest;
        let mut bytes = vec![0; count as usize];
        // A tag that cannot be read says nothing; the picture itself is good.
        if !matches!(decoder.image_ifd().find_tag_bytes(tag, &mut bytes, 0), Ok(Some(_))) {
            continue;
        }
        let text = statement::decode_text(&bytes);
        if let Some(claim) = ome::claim(&text, size) {
            add(Statements { claims: vec![claim], warnings: Vec::new() });
            continue;
        }
        let label = format!("tag {}", tag.to_u16());
        add(statement::read(&text, ScaleSource::InstrumentTag, &label, size));
    }
    found
}

fn tiff_resolution<R: Read + Seek>(decoder: &mut Decoder<R>) -> Option<Result<ScaleClaim, Warning>> {
    let mut number = |tag| decoder.find_tag(tag).ok().flatten().and_then(rational);
    let x = number(Tag::XResolution)?;
    let y = number(Tag::YResolution).unwrap_or(x);
    let unit = decoder.find_tag_unsigned::<u32>(Tag::ResolutionUnit).ok().flatten().unwrap_or(2);
    let (unit, unit_um) = resolution::tiff_unit(unit)?;
    resolution::judge(Resolution {
        source: ScaleSource::TiffResolution,
        name: "TIFF resolution",
        per_unit: (x, y),
        unit,
        unit_um,
    })
}

fn rational(value: tiff::decoder::ifd::Value) -> Option<f64> {
    use tiff::decoder::ifd::Value;
    match value {
        Value::Rational(n, d) if d > 0 => Some(f64::from(n) / f64::from(d)),
        Value::Float(v) => Some(f64::from(v)),
        Value::Double(v) => Some(v),
        Value::List(values) => values.into_iter().next().and_then(rational),
        other => other.into_u32().ok().map(f64::from),
    }
}
