//! The pixel size in an OME-XML block.
//!
//! # References
//! OME data model, schema 2016-06, element Pixels: PhysicalSizeX and PhysicalSizeY are in µm unless PhysicalSizeXUnit
//! and PhysicalSizeYUnit say otherwise (from memory).

use super::{ScaleClaim, ScaleSource};
use crate::units::um_per_unit;

/// Longest element, attributes included: each attribute is compared with all others of its element.
const LONGEST_ELEMENT: usize = 4096;
/// Elements and texts that are read; a block for many thousand planes has fewer.
const MOST_NODES: u32 = 200_000;

/// What the first `Pixels` element states that fits a picture of `size`.
///
/// `None` if the text is no OME-XML, states no physical size, or states it for another frame width.
pub(crate) fn claim(text: &str, size: (u32, u32)) -> Option<ScaleClaim> {
    let start = text.find('<')?;
    if !text.contains("PhysicalSizeX") {
        return None;
    }
    let element = |rest: &str| rest.split('>').next().map_or(0, str::len);
    if text[start..].split('<').any(|rest| element(rest) > LONGEST_ELEMENT) {
        return None;
    }
    let block = text[start..].trim_end_matches('\0').trim_end();
    let limits = roxmltree::ParsingOptions { nodes_limit: MOST_NODES, ..Default::default() };
    let document = roxmltree::Document::parse_with_options(block, limits).ok()?;
    let pixels = document.descendants().find(|node| {
        node.tag_name().name() == "Pixels"
            && node.attribute("SizeX").and_then(|v| v.parse().ok()).is_none_or(|width: u32| width == size.0)
    })?;
    let size_um = |value: &str, unit: &str| {
        let number: f64 = pixels.attribute(value)?.trim().parse().ok()?;
        let um = number * um_per_unit(pixels.attribute(unit).unwrap_or("µm"))?;
        (um > 0.0 && um.is_finite()).then_some(um)
    };
    let um_per_px_x = size_um("PhysicalSizeX", "PhysicalSizeXUnit")?;
    let um_per_px_y = size_um("PhysicalSizeY", "PhysicalSizeYUnit").unwrap_or(um_per_px_x);
    let detail = format!(
        "OME-XML: PhysicalSizeX = {} {}",
        pixels.attribute("PhysicalSizeX")?,
        pixels.attribute("PhysicalSizeXUnit").unwrap_or("µm")
    );
    Some(ScaleClaim { source: ScaleSource::OmeXml, detail, um_per_px_x, um_per_px_y })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn xml(attributes: &str) -> String {
        format!(
            r#"<?xml version="1.0" encoding="UTF-8"?><OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06"><Image ID="Image:0"><Pixels SizeX="640" SizeY="480" {attributes}/></Image></OME>"#
        )
    }

    #[test]
    fn micrometres_are_the_default_and_other_units_are_converted() {
        let claim = claim(&xml(r#"PhysicalSizeX="0.25" PhysicalSizeY="0.5""#), (640, 480)).unwrap();
        assert_eq!((claim.um_per_px_x, claim.um_per_px_y), (0.25, 0.5));
        let nm = super::claim(&xml(r#"PhysicalSizeX="25" PhysicalSizeXUnit="nm""#), (640, 480)).unwrap();
        assert!((nm.um_per_px_x - 0.025).abs() < 1e-15 && nm.um_per_px_x == nm.um_per_px_y);
    }

    #[test]
    fn pixels_without_a_length_or_of_another_frame_state_nothing() {
        assert!(claim(&xml(r#"PhysicalSizeX="1" PhysicalSizeXUnit="pixel""#), (640, 480)).is_none());
        assert!(claim(&xml(r#"PhysicalSizeX="0""#), (640, 480)).is_none());
        assert!(claim(&xml(r#"PhysicalSizeX="0.25""#), (320, 240)).is_none());
        assert!(claim("<OME PhysicalSizeX", (640, 480)).is_none());
        assert!(claim("no xml", (640, 480)).is_none());
    }
}
