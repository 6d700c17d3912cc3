//! A sheet in millimetres to draw on, as SVG and from that as PNG.

use std::cell::RefCell;
use std::sync::{Arc, LazyLock, Once};

use ab_glyph::{Font, FontRef};
use base64::Engine as _;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontTransform, register_font};
use resvg::{tiny_skia, usvg};

use crate::report::name::clipped;

const FONT: &str = "DejaVu Sans";

/// Units of the sheet in one CSS pixel (1/96 inch). The drawing library knows whole units only; eighths of a pixel keep
/// sloped lines straight.
const UNITS_PER_CSS_PX: f64 = 8.0;

/// Units in a millimetre.
const UNITS_PER_MM: f64 = UNITS_PER_CSS_PX * 96.0 / 25.4;

/// The drawing library divides font sizes by this when it writes SVG.
const FONT_SIZE_DIVISOR: f64 = 1.24;

pub(super) const INK: RGBColor = RGBColor(20, 28, 44);
pub(super) const FAINT: RGBColor = RGBColor(120, 130, 145);
pub(super) const GRID: RGBColor = RGBColor(222, 227, 233);
pub(super) const BAR_FILL: RGBColor = RGBColor(200, 221, 236);
const BAR_EDGE: RGBColor = RGBColor(84, 118, 143);
pub(super) const CURVE: RGBColor = RGBColor(150, 68, 0);

/// Where a text stands from its point.
#[derive(Clone, Copy)]
pub(super) enum Anchor {
    Left,
    Middle,
    Right,
}

/// Strokes of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Stroke {
    Solid,
    Dashed,
    Dotted,
    DashDotted,
}

impl Stroke {
    /// Lengths drawn and left out in turn, in millimetres.
    fn pattern(self) -> &'static [f64] {
        match self {
            Self::Solid => &[],
            Self::Dashed => &[1.1, 0.7],
            Self::Dotted => &[0.35, 0.55],
            Self::DashDotted => &[1.6, 0.55, 0.35, 0.55],
        }
    }
}

/// Shapes that mark a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Marker {
    Disc,
    Square,
    Triangle,
    Diamond,
    Ring,
}

/// How one of several series is told from the others: by lightness and stroke or shape, not by hue alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Style {
    pub colour: RGBColor,
    pub stroke: Stroke,
    pub marker: Marker,
}

/// Neighbours, and colours drawn in the same stroke, differ in lightness, for grey print; blue stands against orange where
/// hues are confused.
const SERIES: [RGBColor; 6] = [
    RGBColor(18, 42, 84),
    RGBColor(190, 84, 8),
    RGBColor(120, 172, 220),
    RGBColor(92, 30, 92),
    RGBColor(226, 160, 40),
    RGBColor(0, 94, 108),
];

/// The style of series number `index`; twelve differ.
pub(super) fn style(index: usize) -> Style {
    let strokes = [Stroke::Solid, Stroke::Dashed, Stroke::DashDotted, Stroke::Dotted];
    let markers = [Marker::Disc, Marker::Square, Marker::Triangle, Marker::Diamond, Marker::Ring];
    Style {
        colour: SERIES[index % SERIES.len()],
        stroke: strokes[index % strokes.len()],
        marker: markers[index % markers.len()],
    }
}

/// Tints of areas behind curves, the wider area first.
pub(super) const TINTS: [RGBColor; 3] =
    [RGBColor(232, 239, 245), RGBColor(203, 221, 234), RGBColor(240, 226, 212)];

/// A white sheet; positions and sizes are in millimetres from the upper left corner.
pub(super) struct Canvas<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
    /// Pictures that lie below everything drawn, as SVG.
    pictures: RefCell<String>,
}

/// Draws a figure and returns it as SVG with its size in millimetres and `title` for those who cannot see it.
pub(super) fn svg((width, height): (f64, f64), title: &str, draw: impl FnOnce(&Canvas)) -> String {
    static FONT_IS_KNOWN: Once = Once::new();
    FONT_IS_KNOWN.call_once(|| {
        // The crate's own bytes are a valid font; were they not, text could not be measured and drawing would say so.
        let _ = register_font(FONT, FontStyle::Normal, dejavu::sans::regular());
    });
    let size = (units(width) as u32, units(height) as u32);
    let mut text = String::new();
    let pictures = {
        let area = SVGBackend::with_string(&mut text, size).into_drawing_area();
        let canvas = Canvas { area, pictures: RefCell::default() };
        canvas.area.fill(&WHITE).expect(DRAWN);
        draw(&canvas);
        canvas.area.present().expect(DRAWN);
        canvas.pictures.take()
    };
    in_millimetres(&text, &pictures, (width, height), title)
}

fn in_millimetres(svg: &str, pictures: &str, (width, height): (f64, f64), title: &str) -> String {
    let body = svg.split_once(">\n").map_or("", |(_, body)| body);
    let (ground, drawn) = body.split_once('\n').unwrap_or((body, ""));
    let (columns, rows) = (units(width), units(height));
    let title = escaped(title);
    let head = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" \
         viewBox=\"0 0 {columns} {rows}\" role=\"img\" aria-label=\"{title}\">\n<title>{title}</title>\n"
    );
    // Verdana has the same widths where a viewer lacks the measured font.
    let drawn = drawn
        .replace(&format!("font-family=\"{FONT}\""), &format!("font-family=\"{FONT}, Verdana, sans-serif\""));
    format!("{head}{ground}\n{pictures}{drawn}")
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
        .replace('\'', "&apos;")
}

fn units(millimetres: f64) -> i32 {
    (millimetres * UNITS_PER_MM).round() as i32
}

fn point((x, y): (f64, f64)) -> (i32, i32) {
    (units(x), units(y))
}

fn stroke(colour: RGBColor, width: f64) -> ShapeStyle {
    ShapeStyle { color: colour.to_rgba(), filled: false, stroke_width: units(width).max(1) as u32 }
}

impl Canvas<'_> {
    /// A line through `points`, `width` millimetres wide.
    pub(super) fn line(&self, points: &[(f64, f64)], colour: RGBColor, width: f64) {
        let path: Vec<(i32, i32)> = points.iter().copied().map(point).collect();
        self.area.draw(&PathElement::new(path, stroke(colour, width))).expect(DRAWN);
    }

    /// A line through `points` in strokes.
    pub(super) fn stroked(&self, points: &[(f64, f64)], strokes: Stroke, colour: RGBColor, width: f64) {
        for piece in pieces(points, strokes.pattern()) {
            self.line(&piece, colour, width);
        }
    }

    /// A filled area.
    pub(super) fn area(&self, corners: &[(f64, f64)], colour: RGBColor) {
        let corners: Vec<(i32, i32)> = corners.iter().copied().map(point).collect();
        self.area.draw(&Polygon::new(corners, colour.filled())).expect(DRAWN);
    }

    /// A point of a series, of about the same area in every shape.
    pub(super) fn mark(&self, centre: (f64, f64), style: Style, radius: f64) {
        let corner = |dx: f64, dy: f64| (centre.0 + radius * dx, centre.1 + radius * dy);
        let corners = match style.marker {
            Marker::Disc | Marker::Ring => {
                let inner = if style.marker == Marker::Disc { style.colour } else { WHITE };
                self.area.draw(&Circle::new(point(centre), units(radius), inner.filled())).expect(DRAWN);
                let rim = stroke(style.colour, 0.3);
                self.area.draw(&Circle::new(point(centre), units(radius), rim)).expect(DRAWN);
                return;
            }
            Marker::Square => {
                vec![corner(-0.9, -0.9), corner(0.9, -0.9), corner(0.9, 0.9), corner(-0.9, 0.9)]
            }
            Marker::Triangle => vec![corner(-1.15, 0.85), corner(1.15, 0.85), corner(0.0, -1.2)],
            Marker::Diamond => vec![corner(0.0, -1.3), corner(1.3, 0.0), corner(0.0, 1.3), corner(-1.3, 0.0)],
        };
        self.area(&corners, style.colour);
    }

    /// A filled rectangle with an edge.
    pub(super) fn bar(&self, from: (f64, f64), to: (f64, f64)) {
        let corners = [point(from), point(to)];
        self.area.draw(&Rectangle::new(corners, BAR_FILL.filled())).expect(DRAWN);
        self.line(&[(from.0, to.1), from, (to.0, from.1), to], BAR_EDGE, 0.2);
    }

    /// A picture (PNG) that fills the rectangle, below everything that is drawn.
    pub(super) fn picture(&self, png: &[u8], from: (f64, f64), to: (f64, f64)) {
        let ((x, y), (right, bottom)) = (point(from), point(to));
        let data = base64::engine::general_purpose::STANDARD.encode(png);
        let (width, height) = (right - x, bottom - y);
        self.pictures.borrow_mut().push_str(&format!(
            "<image x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\" preserveAspectRatio=\"none\" \
             href=\"data:image/png;base64,{data}\"/>\n"
        ));
    }

    /// A disc with a white rim, or a ring.
    pub(super) fn dot(&self, centre: (f64, f64), radius: f64, filled: bool) {
        let inner = if filled { INK.filled() } else { WHITE.filled() };
        self.area.draw(&Circle::new(point(centre), units(radius), inner)).expect(DRAWN);
        let rim = if filled { WHITE } else { FAINT };
        self.area.draw(&Circle::new(point(centre), units(radius), stroke(rim, 0.2))).expect(DRAWN);
    }

    /// Text of `size` pt, whose middle line is at the height of `at`.
    pub(super) fn text(&self, text: &str, at: (f64, f64), size: f64, anchor: Anchor) {
        let horizontal = match anchor {
            Anchor::Left => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::Right => HPos::Right,
        };
        let style = font(size).color(&INK).pos(Pos::new(horizontal, VPos::Center));
        self.area.draw(&Text::new(text, point(at), style)).expect(DRAWN);
    }

    /// Text that reads upwards, centred on `at`.
    pub(super) fn upward_text(&self, text: &str, at: (f64, f64), size: f64) {
        let style = TextStyle::from(font_description(size).transform(FontTransform::Rotate270)).color(&INK);
        let style = style.pos(Pos::new(HPos::Center, VPos::Center));
        self.area.draw(&Text::new(text, point(at), style)).expect(DRAWN);
    }
}

const DRAWN: &str = "invariant: drawing into memory with a known font does not fail";

fn font_description(size_pt: f64) -> FontDesc<'static> {
    (FONT, size_pt / 72.0 * 96.0 * UNITS_PER_CSS_PX * FONT_SIZE_DIVISOR).into_font()
}

fn font(size_pt: f64) -> TextStyle<'static> {
    TextStyle::from(font_description(size_pt))
}

/// Width of a text of `size` pt, in millimetres.
pub(super) fn text_width(text: &str, size: f64) -> f64 {
    static FACE: LazyLock<FontRef<'static>> = LazyLock::new(|| {
        FontRef::try_from_slice(dejavu::sans::regular()).expect("invariant: the crate's own bytes are a font")
    });
    let em = FACE.units_per_em().map_or(2048.0, f64::from);
    let advance: f64 = text.chars().map(|c| f64::from(FACE.h_advance_unscaled(FACE.glyph_id(c)))).sum();
    advance / em * size / 72.0 * 25.4
}

/// The text, shortened to `width` millimetres.
pub(super) fn shortened(text: &str, size: f64, width: f64) -> String {
    let letters = text.chars().count();
    let texts = (1..=letters).rev().map(|longest| clipped(text, longest));
    texts.into_iter().find(|text| text_width(text, size) <= width).unwrap_or_default()
}

/// A line through `points` cut into what a repeated pattern of drawn and left-out lengths leaves of it.
fn pieces(points: &[(f64, f64)], pattern: &[f64]) -> Vec<Vec<(f64, f64)>> {
    if pattern.is_empty() {
        return vec![points.to_vec()];
    }
    let (mut part, mut left) = (0, pattern[0]);
    let mut pieces = vec![points[..points.len().min(1)].to_vec()];
    for pair in points.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let length = (to.0 - from.0).hypot(to.1 - from.1);
        let mut done = 0.0;
        while length - done > left {
            done += left;
            let at = (from.0 + done / length * (to.0 - from.0), from.1 + done / length * (to.1 - from.1));
            if part % 2 == 0 {
                pieces.last_mut().into_iter().for_each(|piece| piece.push(at));
            } else {
                pieces.push(vec![at]);
            }
            part = (part + 1) % pattern.len();
            left = pattern[part];
        }
        left -= length - done;
        if part % 2 == 0 {
            pieces.last_mut().into_iter().for_each(|piece| piece.push(to));
        }
    }
    pieces.retain(|piece| piece.len() > 1);
    pieces
}

/// A figure as PNG with its resolution, drawn with the built-in font only. `None` if `svg` is not an SVG.
pub fn png(svg: &str, dpi: u32) -> Option<Vec<u8>> {
    let tree = tree(svg, dpi)?;
    let size = tree.size().to_int_size();
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height())?;
    pixels.fill(tiny_skia::Color::WHITE);
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    Some(encoded(&pixels, dpi))
}

/// What is drawn, with the built-in font only, in units of 1/`dpi` inch. `None` if `svg` is not an SVG.
pub(super) fn tree(svg: &str, dpi: u32) -> Option<usvg::Tree> {
    static FONTS: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(dejavu::sans::regular().to_vec());
        Arc::new(fonts)
    });
    let options = usvg::Options { dpi: dpi as f32, fontdb: FONTS.clone(), ..usvg::Options::default() };
    usvg::Tree::from_str(svg, &options).ok()
}

fn encoded(pixels: &tiny_skia::Pixmap, dpi: u32) -> Vec<u8> {
    let opaque: Vec<u8> =
        pixels.data().chunks_exact(4).flat_map(|rgba| [rgba[0], rgba[1], rgba[2]]).collect();
    let per_metre = (f64::from(dpi) / 0.0254).round() as u32;
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, pixels.width(), pixels.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_pixel_dims(Some(png::PixelDimensions {
        xppu: per_metre,
        yppu: per_metre,
        unit: png::Unit::Meter,
    }));
    let mut writer = encoder.write_header().expect("invariant: memory takes every write");
    writer.write_image_data(&opaque).expect("invariant: the buffer has the size of the picture");
    writer.finish().expect("invariant: memory takes every write");
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_go_round_corners_and_leave_gaps() {
        // 4 mm with a corner after 1.5 mm; drawn 0 to 1, 2 to 3; the last piece starts at the very end.
        let corner = [(0.0, 0.0), (1.5, 0.0), (1.5, 2.0)];
        let found = pieces(&corner, &[1.0, 1.0]);
        assert_eq!(found, [vec![(0.0, 0.0), (1.0, 0.0)], vec![(1.5, 0.5), (1.5, 1.5)]]);
        let whole = pieces(&corner, &[2.0, 9.0]);
        assert_eq!(whole, [vec![(0.0, 0.0), (1.5, 0.0), (1.5, 0.5)]]);
        assert_eq!(pieces(&corner, &[]), [corner.to_vec()]);
        assert!(pieces(&[], &[1.0, 1.0]).is_empty());
    }

    #[test]
    fn twelve_series_differ_and_neighbours_differ_in_lightness() {
        let styles: Vec<Style> = (0..12).map(style).collect();
        assert!((0..12).all(|i| (0..i).all(|j| styles[i] != styles[j])));
        // Relative luminance of IEC 61966-2-1 (from memory), without its linear toe.
        let luminance = |c: RGBColor| {
            let linear = |v: u8| (f64::from(v) / 255.0).powf(2.2);
            0.2126 * linear(c.0) + 0.7152 * linear(c.1) + 0.0722 * linear(c.2)
        };
        let lightness: Vec<f64> = SERIES.iter().map(|&c| luminance(c).cbrt() * 116.0 - 16.0).collect();
        for (i, j) in (0..6).flat_map(|i| (0..i).map(move |j| (i, j))) {
            let alike = styles[i].stroke == styles[j].stroke || i == j + 1;
            assert!(!alike || (lightness[i] - lightness[j]).abs() > 10.0, "{i} {j} {lightness:?}");
        }
    }

    #[test]
    fn text_is_as_wide_as_its_advances() {
        // DejaVu Sans: the advance of a digit is 1303 of 2048 units.
        let digits = text_width("0123456789", 72.0);
        assert!((digits - 10.0 * 1303.0 / 2048.0 * 25.4).abs() < 1e-6, "{digits}");
    }
}
