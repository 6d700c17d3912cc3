//! A sheet in millimetres to draw on, as SVG and from that as PNG.

use std::sync::{Arc, LazyLock, Once};

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontTransform, register_font};
use resvg::{tiny_skia, usvg};

const FONT: &str = "DejaVu Sans";

/// Units of the sheet in one CSS pixel (1/96 inch). The drawing library knows whole units only; eighths of a pixel keep
/// sloped lines straight.
const UNITS_PER_CSS_PX: f64 = 8.0;

/// Units in a millimetre.
const UNITS_PER_MM: f64 = UNITS_PER_CSS_PX * 96.0 / 25.4;

/// The drawing library divides font sizes by this when it writes SVG.
const FONT_SIZE_DIVISOR: f64 = 1.24;

pub(super) const INK: RGBColor = RGBColor(20, 28, 44);
const FAINT: RGBColor = RGBColor(120, 130, 145);
pub(super) const GRID: RGBColor = RGBColor(222, 227, 233);
const BAR_FILL: RGBColor = RGBColor(200, 221, 236);
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
#[derive(Clone, Copy)]
pub(super) enum Stroke {
    Dashed,
    Dotted,
}

/// A white sheet; positions and sizes are in millimetres from the upper left corner.
pub(super) struct Canvas<'a>(DrawingArea<SVGBackend<'a>, Shift>);

/// Draws a figure and returns it as SVG with its size in millimetres and `title` for those who cannot see it.
pub(super) fn svg((width, height): (f64, f64), title: &str, draw: impl FnOnce(&Canvas)) -> String {
    static FONT_IS_KNOWN: Once = Once::new();
    FONT_IS_KNOWN.call_once(|| {
        // The crate's own bytes are a valid font; were they not, text could not be measured and drawing would say so.
        let _ = register_font(FONT, FontStyle::Normal, dejavu::sans::regular());
    });
    let size = (units(width) as u32, units(height) as u32);
    let mut text = String::new();
    {
        let canvas = Canvas(SVGBackend::with_string(&mut text, size).into_drawing_area());
        canvas.0.fill(&WHITE).expect(DRAWN);
        draw(&canvas);
        canvas.0.present().expect(DRAWN);
    }
    in_millimetres(&text, (width, height), title)
}

fn in_millimetres(svg: &str, (width, height): (f64, f64), title: &str) -> String {
    let body = svg.split_once(">\n").map_or("", |(_, body)| body);
    let (columns, rows) = (units(width), units(height));
    let title = escaped(title);
    let head = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" \
         viewBox=\"0 0 {columns} {rows}\" role=\"img\" aria-label=\"{title}\">\n<title>{title}</title>\n"
    );
    // Verdana has the same widths where a viewer lacks the measured font.
    head + &body
        .replace(&format!("font-family=\"{FONT}\""), &format!("font-family=\"{FONT}, Verdana, sans-serif\""))
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
        self.0.draw(&PathElement::new(path, stroke(colour, width))).expect(DRAWN);
    }

    /// A straight line in strokes.
    pub(super) fn stroked(&self, from: (f64, f64), to: (f64, f64), strokes: Stroke) {
        let (drawn, period) = match strokes {
            Stroke::Dashed => (1.1, 1.8),
            Stroke::Dotted => (0.35, 0.9),
        };
        let length = (to.0 - from.0).hypot(to.1 - from.1);
        let at = |distance: f64| {
            let share = (distance / length).min(1.0);
            (from.0 + share * (to.0 - from.0), from.1 + share * (to.1 - from.1))
        };
        for i in 0..(length / period).ceil() as u32 {
            let start = f64::from(i) * period;
            self.line(&[at(start), at(start + drawn)], INK, 0.35);
        }
    }

    /// A filled rectangle with an edge.
    pub(super) fn bar(&self, from: (f64, f64), to: (f64, f64)) {
        let corners = [point(from), point(to)];
        self.0.draw(&Rectangle::new(corners, BAR_FILL.filled())).expect(DRAWN);
        self.line(&[(from.0, to.1), from, (to.0, from.1), to], BAR_EDGE, 0.2);
    }

    /// A disc with a white rim, or a ring.
    pub(super) fn dot(&self, centre: (f64, f64), radius: f64, filled: bool) {
        let inner = if filled { INK.filled() } else { WHITE.filled() };
        self.0.draw(&Circle::new(point(centre), units(radius), inner)).expect(DRAWN);
        let rim = if filled { WHITE } else { FAINT };
        self.0.draw(&Circle::new(point(centre), units(radius), stroke(rim, 0.2))).expect(DRAWN);
    }

    /// Text of `size` pt, whose middle line is at the height of `at`.
    pub(super) fn text(&self, text: &str, at: (f64, f64), size: f64, anchor: Anchor) {
        let horizontal = match anchor {
            Anchor::Left => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::Right => HPos::Right,
        };
        let style = font(size).color(&INK).pos(Pos::new(horizontal, VPos::Center));
        self.0.draw(&Text::new(text, point(at), style)).expect(DRAWN);
    }

    /// Text that reads upwards, centred on `at`.
    pub(super) fn upward_text(&self, text: &str, at: (f64, f64), size: f64) {
        let style = TextStyle::from(font_description(size).transform(FontTransform::Rotate270)).color(&INK);
        let style = style.pos(Pos::new(HPos::Center, VPos::Center));
        self.0.draw(&Text::new(text, point(at), style)).expect(DRAWN);
    }
}

const DRAWN: &str = "invariant: drawing into memory with a known font does not fail";

fn font_description(size_pt: f64) -> FontDesc<'static> {
    (FONT, size_pt / 72.0 * 96.0 * UNITS_PER_CSS_PX * FONT_SIZE_DIVISOR).into_font()
}

fn font(size_pt: f64) -> TextStyle<'static> {
    TextStyle::from(font_description(size_pt))
}

/// A figure as PNG with its resolution, drawn with the built-in font only. `None` if `svg` is not an SVG.
pub fn png(svg: &str, dpi: u32) -> Option<Vec<u8>> {
    static FONTS: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(dejavu::sans::regular().to_vec());
        Arc::new(fonts)
    });
    let options = usvg::Options { dpi: dpi as f32, fontdb: FONTS.clone(), ..usvg::Options::default() };
    let tree = usvg::Tree::from_str(svg, &options).ok()?;
    let size = tree.size().to_int_size();
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height())?;
    pixels.fill(tiny_skia::Color::WHITE);
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    Some(encoded(&pixels, dpi))
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
