//! TIFF: pages, sample kinds, and the tags that speak of pixel size.

use std::io::{Read, Seek};

use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::{Tag, Type};

use super::Grey;
use super::luminance::{Level, grey_of, grey_of_planes, luminance};
use super::page::{Decoded, Source, eight, sixteen};
use super::palette::AsGrey;
use super::raster::add_resolution;
use crate::error::Error;
use crate::scale::resolution::{self, Resolution};
use crate::scale::{ScaleClaim, ScaleSource, ome, statement};
use crate::warning::Warning;

/// Longest text tag that is searched for statements about pixel size.
const LONGEST_TEXT: u64 = 16 << 20;
/// Bits of NewSubfileType: a reduced copy, or a transparency mask.
const NOT_A_PICTURE: u32 = 0b101;
/// PhotometricInterpretation: indices into a palette.
const PALETTE: u32 = 3;
/// More directories than any stack has; guards against endless chains.
const MOST_PAGES: usize = 100_000;

type Tiff<'a> = Decoder<AsGrey<'a>>;

fn open<'a>(source: &Source<'a>, file: AsGrey<'a>) -> Result<Tiff<'a>, Error> {
    let decoder = Decoder::new(file).map_err(|e| source.damaged(e))?;
    // Four 16 bit channels and one buffer beside them; the number of pixels itself is checked first.
    let bytes = usize::try_from(source.max_pixels.saturating_mul(8)).unwrap_or(usize::MAX);
    let mut limits = Limits::default();
    limits.decoding_buffer_size = bytes;
    limits.intermediate_buffer_size = bytes;
    limits.ifd_value_size = 256 << 20;
    Ok(decoder.with_limits(limits))
}

/// The file at directory `index`; a palette is returned beside it, and the samples are then its indices.
fn open_at<'a>(source: &Source<'a>, index: usize) -> Result<(Tiff<'a>, Option<Vec<u16>>), Error> {
    let mut decoder = open(source, AsGrey::unchanged(source.bytes))?;
    decoder.seek_to_image(index).map_err(|e| source.damaged(e))?;
    let photometric =
        decoder.find_tag_unsigned::<u32>(Tag::PhotometricInterpretation).map_err(|e| source.damaged(e))?;
    let offset = decoder.ifd_pointer().map(|pointer| pointer.0);
    let (Some(PALETTE), Some(offset)) = (photometric, offset) else { return Ok((decoder, None)) };
    let map = decoder.get_tag_u16_vec(Tag::ColorMap).map_err(|e| source.damaged(e))?;
    let mut decoder = open(source, AsGrey::with_grey_directory(source.bytes, offset))?;
    decoder.seek_to_image(index).map_err(|e| source.damaged(e))?;
    Ok((decoder, Some(map)))
}

/// Positions of the full-size pictures in the chain of directories.
///
/// A damaged later directory ends the list: the pictures before it are still good.
pub(super) fn page_indices(source: &Source<'_>) -> Result<Vec<usize>, Error> {
    full_size(source, &mut open(source, AsGrey::unchanged(source.bytes))?)
}

/// The same of an opened file.
pub(super) fn full_size<R: Read + Seek>(
    source: &Source<'_>,
    decoder: &mut Decoder<R>,
) -> Result<Vec<usize>, Error> {
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
    if indices.is_empty() {
        return Err(
            source.refuse("it holds only reduced copies of a picture; export the picture at full size")
        );
    }
    Ok(indices)
}

pub(super) fn read(source: &Source<'_>, index: usize) -> Result<Decoded, Error> {
    let (mut decoder, palette) = open_at(source, index)?;
    let (width, height) = decoder.dimensions().map_err(|e| source.damaged(e))?;
    source.check_size(width.into(), height.into())?;
    let (grey, warnings) = pixels(source, &mut decoder, palette)?;
    let mut decoded = Decoded { grey, warnings, claims: Vec::new() };
    add_claims(&mut decoder, (width, height), &mut decoded.claims, &mut decoded.warnings);
    Ok(decoded)
}

/// What tags of a picture of `size` columns and rows state about its pixel size.
pub(super) fn add_claims<R: Read + Seek>(
    decoder: &mut Decoder<R>,
    size: (u32, u32),
    claims: &mut Vec<ScaleClaim>,
    warnings: &mut Vec<Warning>,
) {
    add_text_claims(decoder, size, claims, warnings);
    add_resolution(tiff_resolution(decoder), claims, warnings);
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

fn add_text_claims<R: Read + Seek>(
    decoder: &mut Decoder<R>,
    size: (u32, u32),
    claims: &mut Vec<ScaleClaim>,
    warnings: &mut Vec<Warning>,
) {
    let tags: Vec<(Tag, u64)> = decoder
        .image_ifd()
        .directory()
        .iter()
        .filter(|(_, entry)| matches!(entry.field_type(), Type::ASCII | Type::BYTE | Type::UNDEFINED))
        .map(|(tag, entry)| (tag, entry.count()))
        .filter(|&(_, count)| (8..=LONGEST_TEXT).contains(&count))
        .collect();
    for (tag, count) in tags {
        let mut bytes = vec![0; count as usize];
        // A tag that cannot be read says nothing; the picture itself is good.
        if !matches!(decoder.image_ifd().find_tag_bytes(tag, &mut bytes, 0), Ok(Some(_))) {
            continue;
        }
        let text = statement::decode_text(&bytes);
        if let Some(claim) = ome::claim(&text, size) {
            claims.push(claim);
            continue;
        }
        let found =
            statement::read(&text, ScaleSource::InstrumentTag, &format!("tag {}", tag.to_u16()), size);
        claims.extend(found.claims);
        warnings.extend(found.warnings);
    }
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
