//! `report.html`: one page with everything a reader needs, without scripts and without anything from outside.

mod field;
mod firing;
mod methods;
mod pictures;
mod specimen;

use std::collections::BTreeSet;
use std::io::Write;

use askama::Template;

use super::figure;
use super::name::printable;
use super::number::UNKNOWN;
use super::phrase::{counted, picture};
use crate::options::Options;
use crate::study::result::{Field, Grade, Specimen, Study};
use field::{FieldView, PictureFinding};
pub use firing::with_firing;
pub use pictures::{FieldPictures, Pictures, StoredPictures};
use specimen::{EstimateRow, SpecimenView};

/// Everything that the page says, in words and rounded numbers.
#[derive(Template)]
#[template(path = "report.html", config = "src/report/html/askama.toml")]
struct Page<'a> {
    version: String,
    summary: String,
    specimens: Vec<SpecimenView>,
    estimates: Vec<EstimateRow>,
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
    of_fields: OfFields<'a>,
}

/// What the page shows of single fields is made when its turn comes, for there may be thousands.
struct OfFields<'a> {
    fields: &'a [Field],
    pictures: &'a dyn Pictures,
    check_names: Vec<&'a str>,
}

impl OfFields<'_> {
    fn shown(&self, index: &usize) -> askama::Result<FieldView> {
        let pictures = self.pictures.of(*index).map_err(askama::Error::custom)?;
        Ok(FieldView::new(&self.fields[*index], &self.check_names, pictures))
    }

    /// Without pictures.
    fn listed(&self) -> impl Iterator<Item = FieldView> + '_ {
        let view = |field| FieldView::new(field, &self.check_names, FieldPictures::default());
        self.fields.iter().map(view)
    }

    fn findings(&self) -> impl Iterator<Item = PictureFinding> + '_ {
        self.fields.iter().flat_map(field::findings)
    }
}

/// Writes the page. `pictures` holds those of each field of the study, in its order.
///
/// # Errors
/// Those of `to`.
pub fn write_page(study: &Study, pictures: &dyn Pictures, to: &mut dyn Write) -> std::io::Result<()> {
    page_of(study, pictures).write_into(to)
}

/// The page as text.
pub fn page(study: &Study, pictures: &[FieldPictures]) -> String {
    page_of(study, &pictures).render().expect("invariant: rendering text into memory does not fail")
}

fn page_of<'a>(study: &'a Study, pictures: &'a dyn Pictures) -> Page<'a> {
    let check_names = field::check_names(&study.fields);
    Page {
        version: format!("{} {}", study.tool.name, study.tool.version),
        summary: summary(study),
        specimens: study.specimens.iter().enumerate().map(|(i, s)| SpecimenView::new(study, s, i)).collect(),
        estimates: study.specimens.iter().flat_map(specimen::estimate_rows).collect(),
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
        of_fields: OfFields { fields: &study.fields, pictures, check_names },
    }
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
