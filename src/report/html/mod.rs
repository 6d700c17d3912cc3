//! `report.html`: one page with everything a reader needs, without scripts and without anything from outside.

mod field;
mod firing;
mod methods;
mod specimen;

use std::collections::BTreeSet;

use askama::Template;
use serde::{Deserialize, Serialize};

use super::figure;
use super::name::printable;
use super::number::UNKNOWN;
use super::phrase::{counted, picture};
use crate::options::Options;
use crate::study::result::{Grade, Specimen, Study};
use field::{FieldView, PictureFinding};
pub use firing::with_firing;
use specimen::{EstimateRow, SpecimenView};

/// Everything that the page says, in words and rounded numbers.
#[derive(Template)]
#[template(path = "report.html", config = "src/report/html/askama.toml")]
struct Page<'a> {
    version: String,
    summary: String,
    specimens: Vec<SpecimenView>,
    estimates: Vec<EstimateRow>,
    fields: Vec<FieldView<'a>>,
    findings: Vec<PictureFinding>,
    check_names: Vec<String>,
    failures: Vec<(String, String)>,
    warnings: Vec<String>,
    overview: Option<String>,
    methods: Vec<String>,
    options: Vec<(String, String)>,
    firings: Vec<FiringRow>,
    single_fields: bool,
    surface_estimates: bool,
    unscaled: bool,
}

/// Small pictures of a field; missing ones are left out of the page.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FieldPictures {
    /// JPEG of the overlay.
    #[serde(with = "as_text")]
    pub overlay: Option<Vec<u8>>,
    /// PNG of the surroundings of the scale bar.
    #[serde(with = "as_text")]
    pub bar: Option<Vec<u8>>,
}

/// Bytes as base64.
mod as_text {
    use base64::Engine as _;
    use base64::prelude::BASE64_STANDARD;
    use serde::{Deserialize as _, Deserializer, Serialize as _, Serializer, de::Error as _};

    pub fn serialize<S: Serializer>(bytes: &Option<Vec<u8>>, serializer: S) -> Result<S::Ok, S::Error> {
        bytes.as_ref().map(|bytes| BASE64_STANDARD.encode(bytes)).serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Vec<u8>>, D::Error> {
        let text = Option::<String>::deserialize(deserializer)?;
        text.map(|text| BASE64_STANDARD.decode(text)).transpose().map_err(D::Error::custom)
    }
}

/// Bytes of the page for each field beside its pictures, and for all else, roughly; only how often memory is asked for depends on
/// them.
const TEXT_OF_A_FIELD: usize = 8 << 10;
const TEXT_OF_A_PAGE: usize = 256 << 10;

/// The page. `pictures` holds those of each field of the study, in its order.
pub fn page(study: &Study, pictures: &[FieldPictures]) -> String {
    let none = FieldPictures::default();
    let check_names = field::check_names(&study.fields);
    let fields: Vec<FieldView<'_>> = study
        .fields
        .iter()
        .enumerate()
        .map(|(i, field)| FieldView::new(field, &check_names, pictures.get(i).unwrap_or(&none)))
        .collect();
    let page = Page {
        version: format!("{} {}", study.tool.name, study.tool.version),
        summary: summary(study),
        specimens: study.specimens.iter().enumerate().map(|(i, s)| SpecimenView::new(study, s, i)).collect(),
        estimates: study.specimens.iter().flat_map(specimen::estimate_rows).collect(),
        findings: study.fields.iter().flat_map(field::findings).collect(),
        check_names: check_names.iter().map(|name| name.replace('-', " ")).collect(),
        failures: failures(study),
        warnings: study.warnings.iter().map(|warning| printable(&warning.message)).collect(),
        overview: figure::overview(study),
        methods: methods::paragraphs(study),
        options: options(&study.options),
        firings: firings(study),
        single_fields: study.specimens.iter().any(|specimen| specimen.field_count < 2),
        surface_estimates: study.fields.iter().any(field::is_surface_estimate),
        unscaled: study.fields.iter().any(|field| field.scale.is_none()),
        fields,
    };
    let coded = |bytes: &Option<Vec<u8>>| bytes.as_ref().map_or(0, |bytes| bytes.len() * 4 / 3);
    let of_pictures: usize = pictures.iter().map(|set| coded(&set.overlay) + coded(&set.bar)).sum();
    // A text that grows step by step would lie in memory twice.
    let mut text = String::with_capacity(of_pictures + TEXT_OF_A_FIELD * study.fields.len() + TEXT_OF_A_PAGE);
    page.render_into(&mut text).expect("invariant: rendering text into memory does not fail");
    text
}

/// The side of thumbnails that keeps a page of so many fields below about 20 MB.
pub fn thumbnail_side(field_count: usize) -> u32 {
    match field_count {
        0..=40 => 560,
        41..=150 => 400,
        _ => 260,
    }
}

/// The width of crops around the scale bar that keeps their share of such a page below about 1 MB.
pub fn crop_width(field_count: usize) -> u32 {
    match field_count {
        0..=40 => 360,
        41..=150 => 280,
        _ => 200,
    }
}

/// One column of the study sheet, a value for each specimen.
struct FiringRow {
    head: String,
    values: Vec<String>,
}

fn firings(study: &Study) -> Vec<FiringRow> {
    let heads: BTreeSet<&String> =
        study.specimens.iter().flat_map(|specimen| specimen.firing.keys()).collect();
    let value = |specimen: &Specimen, head: &String| {
        specimen.firing.get(head).map_or_else(|| UNKNOWN.to_owned(), |value| printable(value))
    };
    heads
        .into_iter()
        .map(|head| FiringRow {
            head: printable(head),
            values: study.specimens.iter().map(|specimen| value(specimen, head)).collect(),
        })
        .collect()
}

fn summary(study: &Study) -> String {
    let fields = counted(study.fields.len() as u64, "picture");
    let specimens = counted(study.specimens.len() as u64, "specimen");
    let mut text = format!("{fields} of {specimens} measured");
    if !study.failures.is_empty() {
        text += &format!(", {} could not be", study.failures.len());
    }
    let doubtful = study.fields.iter().filter(|field| field.picture_check.grade != Grade::Use).count();
    if doubtful > 0 {
        text += &format!("; {} to be looked at before use", counted(doubtful as u64, "picture"));
    }
    text + "."
}

fn failures(study: &Study) -> Vec<(String, String)> {
    let failures = study.failures.iter();
    failures.map(|failure| (picture(&failure.file, failure.page), printable(&failure.error))).collect()
}

/// Options by name, lists on one line.
fn options(options: &Options) -> Vec<(String, String)> {
    let value = serde_json::to_value(options).expect("invariant: options are plain data");
    let object = value.as_object().expect("invariant: options are named");
    let shown = |value: &serde_json::Value| match value {
        serde_json::Value::Null => "not given".to_owned(),
        serde_json::Value::String(text) => printable(text),
        other => printable(&other.to_string()),
    };
    object.iter().map(|(name, value)| (name.clone(), shown(value))).collect()
}
