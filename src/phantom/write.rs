//! Pictures, label maps and truth as files.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use tiff::encoder::{Compression, DeflateLevel, Predictor, Rational, TiffEncoder, colortype};
use tiff::tags::{ResolutionUnit, Tag};

use super::Phantom;
use crate::error::Error;
use crate::grid::{Grid, Labels};
use crate::micrograph::Grey;
use crate::whole_file::write_whole;

/// File format of a picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum PictureFormat {
    /// PNG with the pixel size as pHYs.
    #[default]
    Png,
    /// TIFF with the pixel size as resolution per centimetre.
    Tiff,
}

impl PictureFormat {
    fn ending(self) -> &'static str {
        match self {
            Self::Png => "png",
            Self::Tiff => "tif",
        }
    }
}

/// Where the files of one picture go.
#[derive(Clone, Debug)]
pub struct Target<'a> {
    /// Folder of the picture; it must exist.
    pub pictures: &'a Path,
    /// Folder of label map and truth; it must exist.
    pub truth: &'a Path,
    /// File name without ending.
    pub name: &'a str,
    /// Format of the picture.
    pub format: PictureFormat,
    /// Whether files that are there already may be written anew.
    pub replace: bool,
}

/// Writes the picture, `NAME.labels.png` and `NAME.truth.json`; returns their paths in this order.
///
/// The label map is 16 bit, 0 = pore. Each file is written beside its place and then renamed.
///
/// # Errors
/// [`Error::Write`] if a file exists and may not be replaced or the system refuses; [`Error::Option`] if there
/// are more than 65 535 grains.
pub fn write_phantom(phantom: &Phantom, target: &Target) -> Result<[PathBuf; 3], Error> {
    let picture = target.pictures.join(format!("{}.{}", target.name, target.format.ending()));
    let labels = target.truth.join(format!("{}.labels.png", target.name));
    let truth = target.truth.join(format!("{}.truth.json", target.name));
    let um_per_px = phantom.truth.um_per_px;
    let encoded = match target.format {
        PictureFormat::Png => encode_png(&phantom.grey, um_per_px),
        PictureFormat::Tiff => encode_tiff(&phantom.grey, um_per_px),
    };
    let mut json = serde_json::to_string_pretty(&phantom.truth).map_err(|e| failed(&truth, e))?;
    json.push('\n');
    let files =
        [(picture, encoded), (labels, encode_labels(&phantom.labels)?), (truth, Ok(json.into_bytes()))];
    if !target.replace {
        files.iter().try_for_each(|(path, _)| refuse_existing(path))?;
    }
    let mut paths = Vec::with_capacity(3);
    for (path, bytes) in files {
        let bytes = bytes.map_err(|source| failed(&path, source))?;
        write_whole(&path, &bytes)?;
        paths.push(path);
    }
    Ok(paths.try_into().expect("invariant: three files"))
}

/// An error if something is at `path` already.
pub(crate) fn refuse_existing(path: &Path) -> Result<(), Error> {
    if path.symlink_metadata().is_err() {
        return Ok(());
    }
    let why = "it exists already; --replace writes it anew, or choose another folder";
    let source = std::io::Error::new(std::io::ErrorKind::AlreadyExists, why);
    Err(Error::Write { path: path.to_path_buf(), source })
}

fn failed(path: &Path, source: impl Into<std::io::Error>) -> Error {
    Error::Write { path: path.to_path_buf(), source: source.into() }
}

/// PNG bytes with the pixel size in px per metre.
fn encode_png(grey: &Grey, um_per_px: f64) -> std::io::Result<Vec<u8>> {
    let per_metre = (1e6 / um_per_px).round().min(f64::from(u32::MAX)) as u32;
    match grey {
        Grey::Eight(grid) => png_bytes(grid, png::BitDepth::Eight, grid.as_slice(), Some(per_metre)),
        Grey::Sixteen(grid) => {
            png_bytes(grid, png::BitDepth::Sixteen, &big_endian(grid.as_slice()), Some(per_metre))
        }
    }
}

/// A 16-bit PNG whose grey levels are the labels.
fn encode_labels(labels: &Labels) -> Result<std::io::Result<Vec<u8>>, Error> {
    if labels.count > u32::from(u16::MAX) {
        return Err(Error::Option {
            name: "--grains",
            why: format!("{} grains do not fit a 16-bit label map; at most 65535 do", labels.count),
        });
    }
    let narrow: Vec<u16> = labels.grid.as_slice().iter().map(|&label| label as u16).collect();
    Ok(png_bytes(&labels.grid, png::BitDepth::Sixteen, &big_endian(&narrow), None))
}

fn big_endian(values: &[u16]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_be_bytes()).collect()
}

fn png_bytes<T>(
    grid: &Grid<T>,
    depth: png::BitDepth,
    data: &[u8],
    per_metre: Option<u32>,
) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, grid.width() as u32, grid.height() as u32);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(depth);
    encoder.set_compression(png::Compression::High);
    encoder.set_filter(if per_metre.is_some() { png::Filter::Adaptive } else { png::Filter::Up });
    encoder.set_pixel_dims(per_metre.map(|p| png::PixelDimensions {
        xppu: p,
        yppu: p,
        unit: png::Unit::Meter,
    }));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(data)?;
    writer.finish()?;
    Ok(bytes)
}

/// TIFF bytes with the pixel size in px per centimetre.
fn encode_tiff(grey: &Grey, um_per_px: f64) -> std::io::Result<Vec<u8>> {
    match grey {
        Grey::Eight(grid) => tiff_bytes::<colortype::Gray8>(grid, um_per_px),
        Grey::Sixteen(grid) => tiff_bytes::<colortype::Gray16>(grid, um_per_px),
    }
    .map_err(std::io::Error::other)
}

fn tiff_bytes<C>(grid: &Grid<C::Inner>, um_per_px: f64) -> tiff::TiffResult<Vec<u8>>
where
    C: colortype::ColorType,
    [C::Inner]: tiff::encoder::TiffValue,
{
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes)?
        .with_compression(Compression::Deflate(DeflateLevel::Best))
        .with_predictor(Predictor::Horizontal);
    let mut image = encoder.new_image::<C>(grid.width() as u32, grid.height() as u32)?;
    image.resolution(ResolutionUnit::Centimeter, per_centimetre(um_per_px));
    image.encoder().write_tag(Tag::Software, "ceramograph phantom")?;
    image.write_data(grid.as_slice())?;
    Ok(bytes.into_inner())
}

/// Pixels per centimetre as a fraction with the largest power of ten below it that fits.
fn per_centimetre(um_per_px: f64) -> Rational {
    let exact = 1e4 / um_per_px;
    let d = [1000u32, 100, 10].into_iter().find(|&d| exact * f64::from(d) < f64::from(u32::MAX)).unwrap_or(1);
    Rational { n: (exact * f64::from(d)).round() as u32, d }
}
