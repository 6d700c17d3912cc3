//! Text in the info strip, in the fonts that the `dejavu` crate carries.

use serde::{Deserialize, Serialize};

use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};

use crate::grid::Grid;

/// Letters that there are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Typeface {
    /// Without serifs.
    #[default]
    Sans,
    /// The same, bold.
    Bold,
    /// Narrow, without serifs.
    Condensed,
    /// Letters of one width.
    Mono,
    /// With serifs.
    Serif,
}

impl Typeface {
    fn bytes(self) -> &'static [u8] {
        match self {
            Self::Sans => dejavu::sans::regular(),
            Self::Bold => dejavu::sans::bold(),
            Self::Condensed => dejavu::sans_condensed::regular(),
            Self::Mono => dejavu::sans_mono::regular(),
            Self::Serif => dejavu::serif::regular(),
        }
    }
}

/// Text laid out at one size, its left end at x = 0.
pub(crate) struct Lettering {
    font: FontRef<'static>,
    glyphs: Vec<Glyph>,
    /// Width of the text in px.
    pub(crate) width: f32,
    /// Height of a capital letter in px.
    pub(crate) cap_height: f32,
}

/// Lays out `text` with `size` px from ascender to descender.
pub(crate) fn lettering(text: &str, size: f32, typeface: Typeface) -> Lettering {
    let font = FontRef::try_from_slice(typeface.bytes()).expect("invariant: the embedded font is sound");
    let scaled = font.as_scaled(PxScale::from(size));
    let mut pen = 0.0;
    let mut glyphs: Vec<Glyph> = Vec::new();
    for letter in text.chars() {
        let mut glyph = scaled.scaled_glyph(letter);
        if let Some(last) = glyphs.last() {
            pen += scaled.kern(last.id, glyph.id);
        }
        glyph.position = point(pen, 0.0);
        pen += scaled.h_advance(glyph.id);
        glyphs.push(glyph);
    }
    // Capitals of this font are 0.729 em high; its em is 0.859 of ascender plus descender.
    Lettering { font, glyphs, width: pen, cap_height: 0.626 * size }
}

impl Lettering {
    /// Draws the text with its left end at `left` and its baseline at `baseline`, both in whole px.
    pub(crate) fn draw(&self, strip: &mut Grid<f32>, (left, baseline): (usize, usize), ink: f32) {
        for glyph in &self.glyphs {
            let Some(outline) = self.font.outline_glyph(glyph.clone()) else { continue };
            let bounds = outline.px_bounds();
            let (x0, y0) = (left as f32 + bounds.min.x, baseline as f32 + bounds.min.y);
            outline.draw(|dx, dy, cover| {
                let (x, y) = ((x0 + dx as f32) as usize, (y0 + dy as f32) as usize);
                if x < strip.width() && y < strip.height() {
                    let below = strip.at(x, y);
                    strip.set(x, y, below + (ink - below) * cover.min(1.0));
                }
            });
        }
    }
}
