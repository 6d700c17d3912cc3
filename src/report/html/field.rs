//! What the page says about a picture.

use std::fmt;

use base64::display::Base64Display;
use base64::engine::general_purpose::STANDARD;

use crate::options::Surface;
use crate::report::html::FieldPictures;
use crate::report::number::{UNKNOWN, count, decimals, places_for, significant, significant_or_unknown};
use crate::report::survey::in_words;
use crate::report::{name::printable, phrase};
use crate::scale::dispute;
use crate::study::result::{Field, Finding, Grade};

/// One picture in print.
pub(super) struct FieldView {
    pub name: String,
    pub specimen: String,
    pub grade: &'static str,
    pub grade_class: &'static str,
    pub scale: ScaleView,
    pub frame: String,
    /// One value for each name of [`check_names`], with its class.
    pub checks: Vec<(String, &'static str)>,
    pub porosity: String,
    pub porosity_band: String,
    pub porosity_error: String,
    pub without_pull_out: String,
    pub rule_spread: String,
    pub pores: String,
    pub intercept: String,
    pub from_boundaries: String,
    pub passages: String,
    pub grains: String,
    pub grain_number: String,
    pub ratio: String,
    pub warnings: Vec<String>,
    pub overlay: Option<String>,
    pub thumbnail: Option<DataUrl>,
    pub bar: BarView,
}

impl FieldView {
    pub(super) fn new(field: &Field, check_names: &[&str], pictures: FieldPictures) -> Self {
        let pores = field.pores.as_ref();
        Self {
            name: phrase::field_name(field),
            specimen: printable(&field.specimen),
            grade: phrase::grade(field.picture_check.grade),
            grade_class: grade_class(field.picture_check.grade),
            scale: scale(field),
            frame: format!("{} × {}", field.frame.width, field.frame.height),
            checks: check_names.iter().map(|name| check(field, name)).collect(),
            porosity: significant_or_unknown(field.porosity_percent, 3),
            porosity_band: pores.and_then(|p| p.sensitivity.as_ref()).map_or_else(unknown, |s| {
                let (low, high) = (s.porosity_low_percent, s.porosity_high_percent);
                format!("{} to {}", significant(low, 3), significant(high, 3))
            }),
            porosity_error: significant_or_unknown(pores.and_then(|p| p.standard_error_points), 2),
            without_pull_out: significant_or_unknown(field.porosity_without_pull_out_percent, 3),
            rule_spread: significant_or_unknown(pores.and_then(|p| p.rule_spread_points), 2),
            pores: field.pore_count.map_or_else(unknown, count),
            intercept: intercept(field),
            from_boundaries: from_boundaries(field),
            passages: field.intercept_count.map_or_else(unknown, count),
            grains: field.grain_count.map_or_else(unknown, count),
            grain_number: field.astm_grain_number.map_or_else(unknown, |number| decimals(number, 1)),
            ratio: significant_or_unknown(
                field.grains.as_ref().and_then(|g| g.diameter_to_intercept_ratio),
                3,
            ),
            warnings: field.warnings.iter().map(|warning| printable(&warning.message)).collect(),
            overlay: field.overlay.clone(),
            thumbnail: pictures.overlay.map(|bytes| DataUrl { kind: "jpeg", bytes }),
            bar: bar(field, pictures.bar.map(|bytes| DataUrl { kind: "png", bytes })),
        }
    }
}

/// The bytes of a picture as an address within the page, coded as the page is written: those of all fields together are most
/// of it.
pub(super) struct DataUrl {
    kind: &'static str,
    bytes: Vec<u8>,
}

impl fmt::Display for DataUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "data:image/{};base64,{}", self.kind, Base64Display::new(&self.bytes, &STANDARD))
    }
}

/// The scale bar of a picture, shown.
pub(super) struct BarView {
    pub data: Option<DataUrl>,
    /// What was read, or why nothing was.
    pub words: String,
    pub class: &'static str,
}

fn bar(field: &Field, data: Option<DataUrl>) -> BarView {
    let reading = field.bar_reading.as_ref();
    let doubt = reading.and_then(|reading| reading.doubt.as_deref()).map(printable);
    let label = reading.and_then(|reading| reading.label.as_ref());
    let text = label.map_or_else(String::new, |label| format!("“{}” ", printable(&label.text)));
    let disputed = dispute(&field.warnings).map_or("", |_| "; another source contradicts it");
    let words = match (&field.scale, doubt) {
        (Some(scale), None) => format!("scale: {}{disputed}", in_words(scale)),
        (Some(scale), Some(doubt)) => {
            format!("scale: {}{disputed}; bar {text}not relied on: {doubt}", in_words(scale))
        }
        (None, Some(doubt)) => format!("no scale; bar {text}not relied on: {doubt}"),
        (None, None) => "no scale, and no bar was seen".to_owned(),
    };
    let is_good = field.scale.is_some() && disputed.is_empty();
    BarView { data, words, class: if is_good { "" } else { "doubt" } }
}

fn unknown() -> String {
    UNKNOWN.to_owned()
}

fn grade_class(grade: Grade) -> &'static str {
    match grade {
        Grade::Use => "good",
        Grade::UseWithWarning => "doubt",
        Grade::DoNotUse => "bad",
    }
}

/// The scale of a picture in print.
pub(super) struct ScaleView {
    pub um_per_px: String,
    pub uncertainty: String,
    pub source: &'static str,
    pub detail: String,
}

fn scale(field: &Field) -> ScaleView {
    match &field.scale {
        Some(scale) => ScaleView {
            um_per_px: significant(scale.um_per_px, 4),
            uncertainty: significant(100.0 * scale.relative_uncertainty, 2),
            source: phrase::scale_source(scale.source),
            detail: printable(&scale.detail),
        },
        None => ScaleView {
            um_per_px: unknown(),
            uncertainty: unknown(),
            source: "no scale",
            detail: "sizes are in pixels".to_owned(),
        },
    }
}

/// Names of everything that was looked at in some picture, in the order of the findings.
pub(super) fn check_names(fields: &[Field]) -> Vec<&str> {
    let mut names: Vec<&str> = Vec::new();
    for finding in fields.iter().flat_map(|field| &field.picture_check.findings) {
        if !names.contains(&&*finding.name) {
            names.push(&finding.name);
        }
    }
    names
}

fn check(field: &Field, name: &str) -> (String, &'static str) {
    let found = field.picture_check.findings.iter().find(|finding| finding.name == name);
    found.map_or_else(|| (unknown(), ""), |finding| (value(finding), grade_class(finding.grade)))
}

fn value(finding: &Finding) -> String {
    format!("{} {}", significant(finding.value, 3), finding.unit.replace("percent", "%"))
}

fn intercept(field: &Field) -> String {
    let Some(intercepts) = &field.intercepts else {
        let known = field.mean_linear_intercept_um.map(|v| (v, "µm"));
        let known = known.or(field.mean_linear_intercept_px.map(|v| (v, "px")));
        return known.map_or_else(unknown, |(value, unit)| format!("{} {unit}", significant(value, 3)));
    };
    let unit = intercepts.mean.unit().symbol();
    match intercepts.standard_error.map(|error| error.value()).filter(|error| *error > 0.0) {
        Some(error) => {
            let places = places_for(error);
            format!("{} ± {} {unit}", decimals(intercepts.mean.value(), places), decimals(error, places))
        }
        None => format!("{} {unit}", significant(intercepts.mean.value(), 3)),
    }
}

/// The interval of the mean intercept from finding boundaries.
fn from_boundaries(field: &Field) -> String {
    let doubt = field.intercepts.as_ref().and_then(|intercepts| intercepts.segmentation.as_ref());
    doubt.map_or_else(unknown, |doubt| {
        let (low, high) = (doubt.ci95_low, doubt.ci95_high);
        format!("{} to {} {}", significant(low.value(), 3), significant(high.value(), 3), low.unit().symbol())
    })
}

/// Fracture and as-fired faces are no random plane sections.
pub(super) fn is_surface_estimate(field: &Field) -> bool {
    matches!(field.surface, Some(Surface::AsFired | Surface::Fracture))
}

/// One thing in a picture that is not as it should be.
pub(super) struct PictureFinding {
    pub field: String,
    pub name: String,
    pub value: String,
    pub grade: &'static str,
    pub grade_class: &'static str,
    pub advice: String,
}

/// The findings of a field that call for something.
pub(super) fn findings(field: &Field) -> Vec<PictureFinding> {
    let findings = field.picture_check.findings.iter();
    let remarkable = findings.filter(|finding| finding.grade != Grade::Use || finding.advice.is_some());
    remarkable
        .map(|finding| PictureFinding {
            field: phrase::field_name(field),
            name: finding.name.replace('-', " "),
            value: value(finding),
            grade: phrase::grade(finding.grade),
            grade_class: grade_class(finding.grade),
            advice: finding.advice.as_deref().map(printable).unwrap_or_default(),
        })
        .collect()
}
