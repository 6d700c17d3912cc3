//! Words for what the result holds as names.

use crate::options::{Surface, Tone};
use crate::scale::ScaleSource;
use crate::study::result::{Field, Grade, PorePlace};

/// A surface in words.
pub fn surface(surface: Surface) -> &'static str {
    match surface {
        Surface::Polished => "polished",
        Surface::ThermallyEtched => "thermally etched",
        Surface::ChemicallyEtched => "chemically etched",
        Surface::AsFired => "as fired",
        Surface::Fracture => "fracture",
    }
}

/// The tone of a feature as an adjective.
pub fn tone(tone: Tone) -> &'static str {
    match tone {
        Tone::Dark => "dark",
        Tone::Bright => "bright",
    }
}

/// A grade in words.
pub fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::Use => "use",
        Grade::UseWithWarning => "use with a warning",
        Grade::DoNotUse => "do not use",
    }
}

/// The source of a scale in words.
pub fn scale_source(source: ScaleSource) -> &'static str {
    match source {
        ScaleSource::PixelSize => "typed pixel size",
        ScaleSource::ScaleBar => "scale bar, length typed",
        ScaleSource::ReadBar => "scale bar, length read",
        ScaleSource::OmeXml => "OME-XML",
        ScaleSource::InstrumentTag => "instrument tag",
        ScaleSource::TextBeside => "text file beside it",
        ScaleSource::TiffResolution => "TIFF resolution",
        ScaleSource::PngPhys => "PNG pHYs",
        ScaleSource::ExifResolution => "EXIF resolution",
    }
}

/// The name of a source of scale, as in the results.
pub fn scale_source_name(source: ScaleSource) -> &'static str {
    match source {
        ScaleSource::PixelSize => "pixel-size",
        ScaleSource::ScaleBar => "scale-bar",
        ScaleSource::ReadBar => "read-bar",
        ScaleSource::OmeXml => "ome-xml",
        ScaleSource::InstrumentTag => "instrument-tag",
        ScaleSource::TextBeside => "text-beside",
        ScaleSource::TiffResolution => "tiff-resolution",
        ScaleSource::PngPhys => "png-phys",
        ScaleSource::ExifResolution => "exif-resolution",
    }
}

/// A probability in percent, never called certain.
pub fn probability(share: f64) -> String {
    if share > 0.99 { "over 99 %".to_owned() } else { format!("{:.0} %", 100.0 * share) }
}

/// The name of a pore's place, as in the tables.
pub fn pore_place(place: PorePlace) -> &'static str {
    match place {
        PorePlace::InsideGrain => "inside-grain",
        PorePlace::OnBoundary => "on-boundary",
        PorePlace::AtJunction => "at-junction",
        PorePlace::Unknown => "unknown",
    }
}

/// A threshold rule with its authors.
pub fn threshold_rule(method: &str) -> &str {
    match method {
        "otsu" => "the largest between-class variance (Otsu 1979)",
        "minimum-error" => "minimum error for two normal classes (Kittler and Illingworth 1986)",
        "kapur" => "maximum entropy (Kapur, Sahoo and Wong 1985)",
        "li" => "minimum cross entropy (Li and Lee 1993)",
        "iterative" => "the iterated mean of the class means (Ridler and Calvard 1978)",
        "triangle" => "the triangle rule (Zack, Rogers and Latt 1977)",
        "multi-otsu" => "the between-class variance of three classes (Liao, Chen and Chung 2001)",
        "sauvola" => "a local threshold (Sauvola and Pietikäinen 2000)",
        "learned" => "a probability of one half, as a network trained on drawn micrographs gives it",
        "fixed" => "a grey level typed by the operator",
        other => other,
    }
}

/// A boundary map in words.
pub fn boundary_map(method: &str) -> &str {
    match method {
        "ridge" => "the strength of ridges over several widths",
        "gradient" => "the steps in grey from grain to grain",
        "learned" => "the probability of a boundary, as a network trained on drawn micrographs gives it",
        other => other,
    }
}

/// Picture and page: `a.tif`, or `a.tif, page 2`.
pub fn picture(file: &str, page: Option<u32>) -> String {
    let file = super::name::printable(file);
    match page {
        Some(page) => format!("{file}, page {page}"),
        None => file,
    }
}

/// Picture and page of a field.
pub fn field_name(field: &Field) -> String {
    picture(&field.file, field.page)
}

/// A noun with its count: `1 field`, `3 fields`.
pub fn counted(count: u64, singular: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{} {singular}{ending}", super::number::count(count))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_named_as_in_the_summary() {
        for place in
            [PorePlace::InsideGrain, PorePlace::OnBoundary, PorePlace::AtJunction, PorePlace::Unknown]
        {
            assert_eq!(serde_json::json!(place), pore_place(place));
        }
    }

    #[test]
    fn sources_are_named_as_in_the_summary() {
        for source in [
            ScaleSource::PixelSize,
            ScaleSource::ScaleBar,
            ScaleSource::ReadBar,
            ScaleSource::OmeXml,
            ScaleSource::InstrumentTag,
            ScaleSource::TextBeside,
            ScaleSource::TiffResolution,
            ScaleSource::PngPhys,
            ScaleSource::ExifResolution,
        ] {
            assert_eq!(serde_json::json!(source), scale_source_name(source));
        }
    }

    #[test]
    fn one_is_not_many() {
        assert_eq!(counted(1, "field"), "1 field");
        assert_eq!(counted(0, "field"), "0 fields");
    }
}
