//! Figures as PDF: vectors stay vectors, text stays text, and the font travels with it.

use std::collections::BTreeMap;

use miniz_oxide::deflate::compress_to_vec_zlib;
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str};
use resvg::tiny_skia::{PathSegment, Point, Transform};
use resvg::usvg::{self, Node, Paint};
use subsetter::GlyphRemapper;

use super::canvas::tree;

/// Units of the font in its em.
const EM: f32 = 2048.0;
const FONT: Name<'static> = Name(b"F1");
const FONT_NAME: Name<'static> = Name(b"CERAMO+DejaVuSans");
const IDENTITY: SystemInfo<'static> =
    SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };
const LEVEL: u8 = 8;

const CATALOG: Ref = Ref::new(1);
const PAGES: Ref = Ref::new(2);
const PAGE: Ref = Ref::new(3);
const CONTENT: Ref = Ref::new(4);
const TYPE0: Ref = Ref::new(5);
const CID_FONT: Ref = Ref::new(6);
const DESCRIPTOR: Ref = Ref::new(7);
const FONT_FILE: Ref = Ref::new(8);
const CMAP: Ref = Ref::new(9);
const INFORMATION: Ref = Ref::new(10);
const FIRST_PICTURE: i32 = 11;

/// A page as it fills.
struct Page {
    content: Content,
    /// From the SVG, whose rows count downwards, to the page, whose rows count upwards.
    to_page: Transform,
    glyphs: GlyphRemapper,
    /// Text of each glyph of the embedded font, so that it can be searched and copied.
    text: BTreeMap<u16, String>,
    pictures: Vec<image::RgbImage>,
}

/// A figure as a PDF of its own size with the title that it has for those who cannot see it. `None` if `svg` is not an
/// SVG, or holds what figures do not.
pub fn pdf(svg: &str, title: &str) -> Option<Vec<u8>> {
    // A seventy-second of an inch is the unit of the page.
    let tree = tree(svg, 72)?;
    let (width, height) = (tree.size().width(), tree.size().height());
    let mut page = Page {
        content: Content::new(),
        to_page: Transform::from_row(1.0, 0.0, 0.0, -1.0, 0.0, height),
        glyphs: GlyphRemapper::new(),
        text: BTreeMap::new(),
        pictures: Vec::new(),
    };
    page.group(tree.root())?;
    written(page, (width, height), title)
}

impl Page {
    fn group(&mut self, group: &usvg::Group) -> Option<()> {
        group.children().iter().try_for_each(|node| match node {
            Node::Group(group) => self.group(group),
            Node::Path(path) => self.path(path),
            Node::Text(text) => self.text(text),
            Node::Image(picture) => self.picture(picture),
        })
    }

    fn path(&mut self, path: &usvg::Path) -> Option<()> {
        self.content.save_state();
        self.content.transform(matrix(self.to_page.pre_concat(path.abs_transform())));
        if let Some(fill) = path.fill() {
            let [red, green, blue] = rgb(fill.paint())?;
            self.content.set_fill_rgb(red, green, blue);
            self.outline(path);
            self.content.fill_nonzero();
        }
        if let Some(stroke) = path.stroke() {
            let [red, green, blue] = rgb(stroke.paint())?;
            self.content.set_stroke_rgb(red, green, blue).set_line_width(stroke.width().get());
            self.outline(path);
            self.content.stroke();
        }
        self.content.restore_state();
        Some(())
    }

    fn outline(&mut self, path: &usvg::Path) {
        let content = &mut self.content;
        let mut last = Point::zero();
        for segment in path.data().segments() {
            match segment {
                PathSegment::MoveTo(p) => {
                    content.move_to(p.x, p.y);
                    last = p;
                }
                PathSegment::LineTo(p) => {
                    content.line_to(p.x, p.y);
                    last = p;
                }
                PathSegment::QuadTo(c, p) => {
                    // A quadratic curve is a cubic one whose control points lie two thirds of the way.
                    let toward = |from: Point| {
                        (from.x + 2.0 / 3.0 * (c.x - from.x), from.y + 2.0 / 3.0 * (c.y - from.y))
                    };
                    let ((x1, y1), (x2, y2)) = (toward(last), toward(p));
                    content.cubic_to(x1, y1, x2, y2, p.x, p.y);
                    last = p;
                }
                PathSegment::CubicTo(a, b, p) => {
                    content.cubic_to(a.x, a.y, b.x, b.y, p.x, p.y);
                    last = p;
                }
                PathSegment::Close => {
                    content.close_path();
                }
            }
        }
    }

    fn text(&mut self, text: &usvg::Text) -> Option<()> {
        let to_page = self.to_page.pre_concat(text.abs_transform());
        for span in text.layouted() {
            let [red, green, blue] = rgb(span.fill.as_ref()?.paint())?;
            self.content.begin_text().set_font(FONT, 1.0).set_fill_rgb(red, green, blue);
            for glyph in &span.positioned_glyphs {
                let place = to_page.pre_concat(glyph.outline_transform()).pre_scale(EM, EM);
                let id = self.glyphs.remap(u16::try_from(glyph.id.0).ok()?);
                self.text.entry(id).or_insert_with(|| glyph.text.clone());
                self.content.set_text_matrix(matrix(place)).show(Str(&id.to_be_bytes()));
            }
            self.content.end_text();
        }
        Some(())
    }

    fn picture(&mut self, picture: &usvg::Image) -> Option<()> {
        let usvg::ImageKind::PNG(bytes) = picture.kind() else { return None };
        let size = picture.size();
        let unit_square = Transform::from_row(size.width(), 0.0, 0.0, -size.height(), 0.0, size.height());
        let place = self.to_page.pre_concat(picture.abs_transform()).pre_concat(unit_square);
        let name = picture_name(self.pictures.len());
        self.content.save_state();
        self.content.transform(matrix(place)).x_object(Name(name.as_bytes()));
        self.content.restore_state();
        self.pictures.push(image::load_from_memory(bytes).ok()?.into_rgb8());
        Some(())
    }
}

fn picture_name(index: usize) -> String {
    format!("P{index}")
}

fn picture_ref(index: usize) -> Ref {
    Ref::new(FIRST_PICTURE + index as i32)
}

fn matrix(t: Transform) -> [f32; 6] {
    [t.sx, t.ky, t.kx, t.sy, t.tx, t.ty]
}

fn rgb(paint: &Paint) -> Option<[f32; 3]> {
    let Paint::Color(colour) = paint else { return None };
    Some([colour.red, colour.green, colour.blue].map(|part| f32::from(part) / 255.0))
}

fn written(page: Page, (width, height): (f32, f32), title: &str) -> Option<Vec<u8>> {
    let mut pdf = Pdf::new();
    pdf.catalog(CATALOG).pages(PAGES);
    pdf.pages(PAGES).kids([PAGE]).count(1);
    let mut entry = pdf.page(PAGE);
    entry.media_box(Rect::new(0.0, 0.0, width, height)).parent(PAGES).contents(CONTENT);
    let mut resources = entry.resources();
    resources.fonts().pair(FONT, TYPE0);
    let mut objects = resources.x_objects();
    for index in 0..page.pictures.len() {
        objects.pair(Name(picture_name(index).as_bytes()), picture_ref(index));
    }
    objects.finish();
    resources.finish();
    entry.finish();
    pdf.stream(CONTENT, &compress_to_vec_zlib(&page.content.finish(), LEVEL)).filter(Filter::FlateDecode);
    write_font(&mut pdf, &page.glyphs, &page.text)?;
    for (index, picture) in page.pictures.iter().enumerate() {
        let samples = compress_to_vec_zlib(picture.as_raw(), LEVEL);
        let mut object = pdf.image_xobject(picture_ref(index), &samples);
        object.width(picture.width() as i32).height(picture.height() as i32).filter(Filter::FlateDecode);
        object.color_space().device_rgb();
        object.bits_per_component(8);
    }
    // No date: the same results give the same bytes.
    let mut information = pdf.document_info(INFORMATION);
    information.title(pdf_writer::TextStr(title)).producer(pdf_writer::TextStr(env!("CARGO_PKG_NAME")));
    information.finish();
    Some(pdf.finish())
}

/// The glyphs that are used, with widths and text.
fn write_font(pdf: &mut Pdf, glyphs: &GlyphRemapper, text: &BTreeMap<u16, String>) -> Option<()> {
    use ab_glyph::Font as _;
    let bytes = dejavu::sans::regular();
    let face = ab_glyph::FontRef::try_from_slice(bytes).ok()?;
    let subset = subsetter::subset(bytes, 0, glyphs).ok()?;
    let per_mille = |units: f32| units * 1000.0 / EM;
    pdf.type0_font(TYPE0)
        .base_font(FONT_NAME)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(CID_FONT)
        .to_unicode(CMAP);
    let mut font = pdf.cid_font(CID_FONT);
    font.subtype(CidFontType::Type2).base_font(FONT_NAME).system_info(IDENTITY).font_descriptor(DESCRIPTOR);
    font.cid_to_gid_map_predefined(Name(b"Identity"));
    let widths = glyphs.remapped_gids().map(|id| per_mille(face.h_advance_unscaled(ab_glyph::GlyphId(id))));
    font.widths().consecutive(0, widths);
    font.finish();
    // The bounding box that DejaVu Sans states in its head table.
    let bounds = [-2090.0, -948.0, 3673.0, 2524.0].map(per_mille);
    let ascent = per_mille(face.ascent_unscaled());
    pdf.font_descriptor(DESCRIPTOR)
        .name(FONT_NAME)
        .flags(FontFlags::NON_SYMBOLIC)
        .bbox(Rect::new(bounds[0], bounds[1], bounds[2], bounds[3]))
        .italic_angle(0.0)
        .ascent(ascent)
        .descent(per_mille(face.descent_unscaled()))
        .cap_height(per_mille(1493.0))
        .stem_v(80.0)
        .font_file2(FONT_FILE);
    let packed = compress_to_vec_zlib(&subset, LEVEL);
    let mut file = pdf.stream(FONT_FILE, &packed);
    file.filter(Filter::FlateDecode);
    file.pair(Name(b"Length1"), subset.len() as i32);
    file.finish();
    let mut cmap = UnicodeCmap::new(Name(b"Custom"), IDENTITY);
    for (id, text) in text {
        cmap.pair_with_multiple(*id, text.chars());
    }
    pdf.cmap(CMAP, &cmap.finish());
    Some(())
}
