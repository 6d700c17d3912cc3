//! Statements about the pixel size in text that instruments leave in a file or beside it: `Pixel Size = 2.615 µm`,
//! `PixelWidth=3.3724e-006`, `"PixelSizeX": "12.5 nm"`, `Scale: 0.4 um/px`.
//!
//! Nothing here depends on the maker. A number without a unit is taken as metres only where it is too small to be
//! anything else; otherwise it states nothing. A pixel size can be valid for another frame width than that of the picture
//! (the picture was stored or resampled at another size), so it is held against the width of the frame in px and the
//! width of the field, where the text states them.

use super::{ScaleClaim, ScaleSource};
use crate::units::um_per_unit;
use crate::warning::Warning;

/// A bare number below this is a pixel size in metres (1 mm).
const LARGEST_BARE_PIXEL_M: f64 = 1e-3;
/// A bare number below this is a field width in metres (10 mm).
const LARGEST_BARE_FIELD_M: f64 = 1e-2;
/// A pixel size agrees with field width over frame width within this, both being rounded in print.
const AGREEMENT: f64 = 0.02;
/// Two statements of one text closer than this are the same value.
const SAME: f64 = 1e-3;
/// Pixel sizes, and frame widths, that are kept of a text; one with more describes no picture.
const MOST_STATEMENTS: usize = 256;

/// What a text states.
#[derive(Default)]
pub(crate) struct Statements {
    /// Pixel sizes, those of this picture's own width first.
    pub claims: Vec<ScaleClaim>,
    /// Pixel sizes that were left out, and why.
    pub warnings: Vec<Warning>,
}

/// Text of a tag or file: UTF-8, or UTF-16 where a byte order mark or every other byte being zero says so, or else
/// Latin-1, which fits any bytes.
pub(crate) fn decode_text(bytes: &[u8]) -> String {
    let marks: [&[u8]; 3] = [b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf"];
    let marked = marks.map(|mark| bytes.strip_prefix(mark));
    let pairs = marked[0].or(marked[1]).unwrap_or(bytes).chunks_exact(2);
    let zeros = |position: usize| pairs.clone().filter(|pair| pair[position] == 0).count() * 2 > pairs.len();
    let utf16 = |read: fn([u8; 2]) -> u16| {
        String::from_utf16_lossy(&pairs.clone().map(|pair| read([pair[0], pair[1]])).collect::<Vec<_>>())
    };
    match (zeros(0), zeros(1)) {
        _ if marked[0].is_some() => utf16(u16::from_le_bytes),
        _ if marked[1].is_some() => utf16(u16::from_be_bytes),
        (false, true) => utf16(u16::from_le_bytes),
        (true, false) => utf16(u16::from_be_bytes),
        _ => match std::str::from_utf8(marked[2].unwrap_or(bytes)) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().map(|&b| char::from(b)).collect(),
        },
    }
}

/// Reads every statement in `text`, which stands in the place `label` and is a source of this kind, of a picture of
/// `size` px.
pub(crate) fn read(text: &str, source: ScaleSource, label: &str, size: (u32, u32)) -> Statements {
    let mut found = Found::default();
    for piece in pieces(text) {
        if let Some((key, value)) = key_and_value(piece) {
            found.add(key, value, label);
        }
    }
    found.judged(source, size.0)
}

/// The parts of a text between line ends and the marks of lists, JSON and XML; a decimal comma does not part.
fn pieces(text: &str) -> impl Iterator<Item = &str> {
    let bytes = text.as_bytes();
    let digit = |i: Option<usize>| i.and_then(|i| bytes.get(i)).is_some_and(u8::is_ascii_digit);
    let parts = move |i: usize| match bytes[i] {
        b'\n' | b'\r' | b'\0' | b';' | b'{' | b'}' | b'<' => true,
        b',' => !(digit(i.checked_sub(1)) && digit(Some(i + 1))),
        _ => false,
    };
    let mut start = Some(0);
    let next = move || {
        let begin = start?;
        let end = (begin..bytes.len()).find(|&i| parts(i));
        start = end.map(|end| end + 1);
        Some(&text[begin..end.unwrap_or(bytes.len())])
    };
    std::iter::from_fn(next).filter(|part| part.len() < 200)
}

fn key_and_value(piece: &str) -> Option<(&str, &str)> {
    let at = piece.find(['=', ':', '>', '\t'])?;
    let trim = |c: char| c.is_whitespace() || c == '"' || c == '\'';
    let (key, value) = (piece[..at].trim_matches(trim), piece[at + 1..].trim_matches(trim));
    (!key.is_empty() && !value.is_empty()).then_some((key, value))
}

/// What a key speaks of.
#[derive(Clone, Copy, PartialEq)]
enum Subject {
    Pixel {
        of_image: bool,
    },
    PixelX,
    PixelY,
    Field,
    Frame,
    /// A width in a unit of length is that of the field, a bare number that of the frame.
    Width,
}

/// The subject of a key and the unit that it names, if any: `Pixel Size (nm)`, `pixel_size_um`, `nm per pixel`.
fn subject(key: &str) -> Option<(Subject, Option<f64>)> {
    let (name, bracket) = match key.split_once(['(', '[']) {
        Some((name, rest)) => (name, rest.trim_end_matches([')', ']'])),
        None => (key, ""),
    };
    let name: String = name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect();
    let bracket_um = um_per_unit(bracket.trim());
    if let Some(subject) = named(&name) {
        return Some((subject, bracket_um));
    }
    if let Some(unit) = name.strip_suffix("perpixel").or_else(|| name.strip_suffix("perpx")) {
        return Some((Subject::Pixel { of_image: false }, Some(um_per_unit(unit)?)));
    }
    ["nm", "um", "µm", "μm", "mm"].iter().find_map(|unit| {
        let subject = named(name.strip_suffix(unit)?)?;
        Some((subject, um_per_unit(unit)))
    })
}

fn named(name: &str) -> Option<Subject> {
    Some(match name {
        "imagepixelsize" => Subject::Pixel { of_image: true },
        "pixelsize" | "pixsize" | "pixelspacing" | "pixelpitch" | "sempixelsize" => {
            Subject::Pixel { of_image: false }
        }
        "pixelwidth" | "pixelsizex" | "xpixelsize" | "pixelspacingx" | "imagepixelwidth" => Subject::PixelX,
        "pixelheight" | "pixelsizey" | "ypixelsize" | "pixelspacingy" | "imagepixelheight" => Subject::PixelY,
        "horfieldsize"
        | "hfw"
        | "horizontalfieldwidth"
        | "fieldwidth"
        | "fieldofview"
        | "fieldofviewx"
        | "hfov"
        | "width" => Subject::Field,
        "imagewidth" | "framewidth" | "imagesize" | "imagesizex" => Subject::Width,
        "resolutionx" | "storeresolution" | "imageresolution" | "datasize" | "columns" | "imagecolumns" => {
            Subject::Frame
        }
        _ => return None,
    })
}

/// A leading number and the unit behind it: `2.615 µm`, `1e-9`, `0,4 um/px`.
fn number_and_unit(value: &str) -> Option<(f64, &str, &str)> {
    let end = value
        .char_indices()
        .find(|&(i, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && value[i + 1..].starts_with(|n: char| n.is_ascii_digit() || n == '-' || n == '+');
            let sign = matches!(c, '-' | '+') && (i == 0 || value[..i].ends_with(['e', 'E']));
            !(c.is_ascii_digit() || matches!(c, '.' | ',') || exponent || sign)
        })
        .map_or(value.len(), |(i, _)| i);
    let number: f64 = value[..end].replace(',', ".").parse().ok()?;
    let rest = value[end..].trim_start();
    let unit_end = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
    Some((number, &rest[..unit_end], rest[unit_end..].trim_start()))
}

/// A length above zero in µm, with the text behind it.
fn length_um(value: &str, key_unit_um: Option<f64>, largest_bare_m: f64) -> Option<(f64, &str)> {
    let (number, unit, rest) = number_and_unit(value)?;
    let um = match (um_per_unit(unit), key_unit_um) {
        (Some(unit_um), _) => number * unit_um,
        (None, Some(unit_um)) => number * unit_um,
        (None, None) if number < largest_bare_m => number * 1e6,
        _ => return None,
    };
    (um > 0.0 && um.is_finite()).then_some((um, rest))
}

struct PixelSize {
    of_image: bool,
    um_x: f64,
    um_y: Option<f64>,
    detail: String,
}

/// Statements as they come.
#[derive(Default)]
struct Found {
    pixels: Vec<PixelSize>,
    field_um: Option<f64>,
    frames_px: Vec<u32>,
}

impl Found {
    fn add(&mut self, key: &str, value: &str, label: &str) {
        let detail = || format!("{label}: {key} = {value}");
        let Some((subject, key_unit_um)) = subject(key) else {
            if let Some(um) = per_pixel_um(value) {
                self.add_pixel(PixelSize { of_image: false, um_x: um, um_y: None, detail: detail() });
            }
            return;
        };
        let pixel = || length_um(value, key_unit_um, LARGEST_BARE_PIXEL_M);
        match subject {
            Subject::Pixel { of_image } => {
                if let Some((um_x, rest)) = pixel() {
                    let second = rest.trim_start_matches(['x', '×', '*', ',', ' ']);
                    let um_y = length_um(second, key_unit_um, LARGEST_BARE_PIXEL_M).map(|(um, _)| um);
                    self.add_pixel(PixelSize { of_image, um_x, um_y, detail: detail() });
                }
            }
            Subject::PixelX => {
                if let Some((um_x, _)) = pixel() {
                    self.add_pixel(PixelSize { of_image: false, um_x, um_y: None, detail: detail() });
                }
            }
            Subject::PixelY => {
                if let (Some((um, _)), Some(last)) = (pixel(), self.pixels.last_mut()) {
                    last.um_y.get_or_insert(um);
                }
            }
            Subject::Field => self.add_field(value, key_unit_um, LARGEST_BARE_FIELD_M),
            Subject::Frame => self.add_frame(value),
            Subject::Width => {
                self.add_field(value, key_unit_um, 0.0);
                if key_unit_um.is_none() {
                    self.add_frame(value);
                }
            }
        }
    }

    fn add_pixel(&mut self, pixel: PixelSize) {
        if self.pixels.len() < MOST_STATEMENTS {
            self.pixels.push(pixel);
        }
    }

    fn add_field(&mut self, value: &str, key_unit_um: Option<f64>, largest_bare_m: f64) {
        let field = length_um(value, key_unit_um, largest_bare_m).map(|(um, _)| um);
        self.field_um = self.field_um.or(field);
    }

    fn add_frame(&mut self, value: &str) {
        if let Some((number, unit, _)) = number_and_unit(value)
            && um_per_unit(unit).is_none()
            && number >= 16.0
            && number.fract() == 0.0
            && self.frames_px.len() < MOST_STATEMENTS
        {
            self.frames_px.push(number.min(f64::from(u32::MAX)) as u32);
        }
    }

    /// Keeps what can be valid for a picture of `width` px.
    fn judged(mut self, source: ScaleSource, width: u32) -> Statements {
        let expected_um = self.field_um.map(|field| field / f64::from(width));
        let this_frame = self.frames_px.contains(&width);
        self.add_field_width(expected_um, this_frame, width);
        let agrees = |p: &PixelSize| expected_um.is_some_and(|um| (p.um_x / um - 1.0).abs() < AGREEMENT);
        let any_agrees = self.pixels.iter().any(agrees);
        let any_of_image = self.pixels.iter().any(|p| p.of_image);
        let other_frame = self.frames_px.first().copied().filter(|_| !this_frame);
        let mut statements = Statements::default();
        for pixel in &self.pixels {
            let valid = if any_agrees {
                agrees(pixel)
            } else if expected_um.is_some() {
                this_frame
            } else {
                other_frame.is_none() && (pixel.of_image || !any_of_image)
            };
            if valid { statements.keep(pixel, source) } else { statements.leave_out(pixel, width) }
        }
        statements.drop_echoes();
        statements
    }

    /// Without a stated pixel size the field width gives one, if it is certain that it belongs to this frame.
    fn add_field_width(&mut self, expected_um: Option<f64>, this_frame: bool, width: u32) {
        if let (true, true, Some(um_x)) = (self.pixels.is_empty(), this_frame, expected_um) {
            let detail = format!("field width of {} µm over {width} px", um_x * f64::from(width));
            self.pixels.push(PixelSize { of_image: true, um_x, um_y: None, detail });
        }
    }
}

/// `0.4 um/px` or `12 nm per pixel` under any key.
fn per_pixel_um(value: &str) -> Option<f64> {
    let (number, unit, rest) = number_and_unit(value)?;
    let per = rest.strip_prefix('/').or_else(|| rest.strip_prefix("per"))?.trim_start().to_ascii_lowercase();
    let um = number * um_per_unit(unit)?;
    ((per.starts_with("px") || per.starts_with("pix")) && um > 0.0 && um.is_finite()).then_some(um)
}

impl Statements {
    fn keep(&mut self, pixel: &PixelSize, source: ScaleSource) {
        let same = |a: f64, b: f64| (a / b - 1.0).abs() < SAME;
        let um_y = pixel.um_y.unwrap_or(pixel.um_x);
        if self.claims.iter().any(|c| same(c.um_per_px_x, pixel.um_x) && same(c.um_per_px_y, um_y)) {
            return;
        }
        self.claims.push(ScaleClaim {
            source,
            detail: pixel.detail.clone(),
            um_per_px_x: pixel.um_x,
            um_per_px_y: um_y,
        });
    }

    fn leave_out(&mut self, pixel: &PixelSize, width: u32) {
        self.warnings.push(Warning::new(
            "pixel-size-for-other-width",
            format!(
                "{} does not fit the width of this picture, {width} px: it was stated for another frame width, or the picture was cropped or resampled; it was ignored; type --pixel-size if you know the value",
                pixel.detail
            ),
        ));
    }

    /// The same statement often stands in a text several times; one warning is enough.
    fn drop_echoes(&mut self) {
        let mut seen = Vec::new();
        self.warnings.retain(|w| {
            let new = !seen.contains(&w.message);
            seen.push(w.message.clone());
            new
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sizes(text: &str, width: u32) -> Vec<(f64, f64)> {
        let round = |um: f64| (um * 1e9).round() / 1e9;
        read(text, ScaleSource::InstrumentTag, "tag 1", (width, 10))
            .claims
            .iter()
            .map(|c| (round(c.um_per_px_x), round(c.um_per_px_y)))
            .collect()
    }

    #[test]
    fn statements_of_many_forms_are_read() {
        for (text, x, y) in [
            ("Pixel Size = 2.615 µm", 2.615, 2.615),
            ("Image Pixel Size = 36,85 nm\r\n", 0.03685, 0.03685),
            ("PixelWidth=3.3724e-006\nPixelHeight=3.5e-006", 3.3724, 3.5),
            ("{\"PixelSizeX\": \"12.5 nm\", \"PixelSizeY\": \"13 nm\"}", 0.0125, 0.013),
            ("<Root><PixelWidth unit=\"nm\">", 0.0, 0.0),
            ("<PixelWidth>2.5e-8</PixelWidth><PixelHeight>2.5e-8</PixelHeight>", 0.025, 0.025),
            ("pixel_size_um: 0.4", 0.4, 0.4),
            ("Pixel size (nm): 40", 0.04, 0.04),
            ("nm per pixel = 7", 0.007, 0.007),
            ("Calibration: 0.4 um/px", 0.4, 0.4),
            ("Pixel Size: 25 nm x 24 nm", 0.025, 0.024),
        ] {
            let expected = if x > 0.0 { vec![(x, y)] } else { vec![] };
            assert_eq!(sizes(text, 100), expected, "{text}");
        }
    }

    #[test]
    fn what_is_no_pixel_size_states_nothing() {
        for text in [
            "Pix Size state = calibrated",
            "Pixel Size = 0.0 fm",
            "FIB Pixel Size = 3 nm",
            "Pixel Size = 12.5",
            "Cursor Width = 3 nm",
            "PixelWidth = -3e-9",
            "PixelWidth = NaN",
            "= 3 nm",
            "Pixel Size",
            "",
        ] {
            assert!(sizes(text, 100).is_empty(), "{text}");
        }
    }

    #[test]
    fn latin_1_utf_8_and_utf_16_give_the_same_text() {
        let text = "Pixel Size = 2.615 µm";
        let latin: Vec<u8> = text.chars().map(|c| c as u8).collect();
        assert!(std::str::from_utf8(&latin).is_err());
        let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        for bytes in [latin, text.as_bytes().to_vec(), wide] {
            assert_eq!(decode_text(&bytes), text);
        }
        // Marked, also where hardly a byte is zero.
        for text in [text, "像素大小"] {
            let little: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
            let big: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
            assert_eq!(decode_text(&[&b"\xff\xfe"[..], &little].concat()), text);
            assert_eq!(decode_text(&[&b"\xfe\xff"[..], &big].concat()), text);
            assert_eq!(decode_text(&[&b"\xef\xbb\xbf"[..], text.as_bytes()].concat()), text);
        }
    }

    #[test]
    fn a_pixel_size_for_another_frame_width_is_left_out_with_a_warning() {
        let text = "Pixel Size = 2 µm\nStore resolution = 2048 * 1536";
        assert_eq!(sizes(text, 2048), [(2.0, 2.0)]);
        let other = read(text, ScaleSource::InstrumentTag, "tag 1", (1024, 768));
        assert!(other.claims.is_empty());
        assert_eq!(other.warnings[0].code, "pixel-size-for-other-width");
    }

    #[test]
    fn the_field_width_tells_which_pixel_size_is_this_pictures() {
        let text = "Pixel Size = 2 µm\nImage Pixel Size = 1 µm\nWidth = 2.048 mm";
        assert_eq!(sizes(text, 2048), [(1.0, 1.0)]);
        assert_eq!(sizes(text, 1024), [(2.0, 2.0)]);
        assert!(sizes(text, 512).is_empty());
        assert_eq!(sizes("Pixel Size = 2 µm\nImage Pixel Size = 1 µm", 512), [(1.0, 1.0)]);
        assert_eq!(sizes("HFW=0.001024\nResolutionX=512", 512), [(2.0, 2.0)]);
        assert!(sizes("HFW=0.001024", 512).is_empty());
        // By hand: 102.4 µm over 1024 columns are 0.1 µm each; over 512 columns nothing is certain.
        let text = "Image width: 102.4 µm\nImage size: 1024 x 768";
        assert_eq!(sizes(text, 1024), [(0.1, 0.1)]);
        assert!(sizes(text, 512).is_empty());
        assert_eq!(sizes("Image width (µm): 102.4\nColumns: 1024", 1024), [(0.1, 0.1)]);
    }
}
