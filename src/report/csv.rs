//! Tables for spreadsheets: `fields.csv`, `pores.csv`, `grains.csv`, `chords.csv`, `intercepts.csv`.
//!
//! Comma-separated after RFC 4180, UTF-8, decimal points. An empty cell is an unknown value. Lengths stand in the `_um`
//! column of fields with a scale and in the `_px` column of fields without one. Text that a spreadsheet would run as a
//! formula gets an apostrophe in front.

use std::borrow::Cow;
use std::fmt::{Display, Write as _};

use serde::Serialize;

use super::phrase::pore_place;
use crate::measure::grain_size::frame_weight;
use crate::measure::region::Region;
use crate::study::result::{Distribution, Field, Study};
use crate::units::{Area, Length, LengthUnit};

const FIELD_COLUMNS: &[&str] = &[
    "specimen",
    "file",
    "page",
    "sha256",
    "surface",
    "width_px",
    "height_px",
    "bits_per_sample",
    "frame_x_px",
    "frame_y_px",
    "frame_width_px",
    "frame_height_px",
    "um_per_px",
    "scale_source",
    "scale_relative_uncertainty",
    "picture_grade",
    "porosity_percent",
    "porosity_without_pull_out_percent",
    "porosity_standard_error_points",
    "porosity_low_percent",
    "porosity_high_percent",
    "rule_spread_points",
    "threshold_method",
    "threshold_grey_level",
    "pore_count",
    "pull_out_count",
    "smallest_counted_pore_um",
    "smallest_counted_pore_px",
    "dropped_area_percent",
    "median_pore_diameter_um",
    "median_pore_diameter_px",
    "grain_count",
    "whole_grain_count",
    "boundaries",
    "mean_linear_intercept_um",
    "mean_linear_intercept_px",
    "intercept_standard_error_um",
    "intercept_standard_error_px",
    "intercept_count",
    "astm_grain_number",
    "anisotropy",
    "mean_equivalent_diameter_um",
    "mean_equivalent_diameter_px",
    "median_grain_diameter_um",
    "median_grain_diameter_px",
    "mean_grain_area_um2",
    "mean_grain_area_px2",
    "diameter_to_intercept_ratio",
    "mean_aspect_ratio",
    "boundary_area_per_volume_per_um",
    "warnings",
    "overlay",
];

const REGION_COLUMNS: &[&str] = &[
    "pixel_count",
    "area_um2",
    "area_px2",
    "equivalent_diameter_um",
    "equivalent_diameter_px",
    "perimeter_um",
    "perimeter_px",
    "feret_max_um",
    "feret_max_px",
    "feret_min_um",
    "feret_min_px",
    "form_factor",
    "aspect_ratio",
    "solidity",
    "orientation_deg",
    "centroid_x_px",
    "centroid_y_px",
    "touches_frame",
];

const INTERCEPT_COLUMNS: &[&str] = &[
    "specimen",
    "file",
    "page",
    "kind",
    "angle_deg",
    "line_length_um",
    "line_length_px",
    "length_in_pores_um",
    "length_in_pores_px",
    "intercept_count",
    "mean_intercept_um",
    "mean_intercept_px",
];

/// `fields.csv`: one row for each measured picture, numbers as in the summary.
pub fn fields(study: &Study) -> Vec<u8> {
    let mut sheet = Sheet::new();
    sheet.head(FIELD_COLUMNS.iter().copied());
    study.fields.iter().for_each(|field| field_row(&mut sheet, field));
    sheet.into_bytes()
}

/// `intercepts.csv`: one row for each set of test lines of each field.
pub fn intercepts(study: &Study) -> Vec<u8> {
    let mut sheet = Sheet::new();
    sheet.head(INTERCEPT_COLUMNS.iter().copied());
    study.fields.iter().for_each(|field| intercept_rows(&mut sheet, field));
    sheet.into_bytes()
}

/// The head of `pores.csv`.
pub fn pores_header() -> Vec<u8> {
    let mut sheet = Sheet::new();
    let head = ["specimen", "file", "page", "pore"].into_iter();
    sheet.head(head.chain(REGION_COLUMNS.iter().copied()).chain(["place", "pull_out"]));
    sheet.into_bytes()
}

/// The rows of one field for `pores.csv`, to follow [`pores_header`]; numbers to six digits.
pub fn pores(field: &Field) -> Vec<u8> {
    let mut sheet = Sheet::new();
    for pore in &field.rows.pores {
        row_start(&mut sheet, field);
        region_cells(&mut sheet, &pore.region, field);
        sheet.text(pore_place(pore.place));
        sheet.boolean(pore.pull_out);
        sheet.end_row();
    }
    sheet.into_bytes()
}

/// The head of `grains.csv`.
pub fn grains_header() -> Vec<u8> {
    let mut sheet = Sheet::new();
    let head = ["specimen", "file", "page", "grain"].into_iter();
    sheet.head(head.chain(REGION_COLUMNS.iter().copied()).chain([
        "neighbours",
        "boundary_strength",
        "frame_weight",
    ]));
    sheet.into_bytes()
}

/// The rows of one field for `grains.csv`, to follow [`grains_header`]; numbers to six digits.
pub fn grains(field: &Field) -> Vec<u8> {
    let mut sheet = Sheet::new();
    for grain in &field.rows.grains {
        row_start(&mut sheet, field);
        region_cells(&mut sheet, &grain.region, field);
        sheet.count(u64::from(grain.neighbours));
        sheet.rounded(grain.boundary_strength);
        let whole = !grain.region.touches_frame;
        sheet.number(whole.then(|| six_digits(frame_weight(grain, field.frame))));
        sheet.end_row();
    }
    sheet.into_bytes()
}

/// The head of `chords.csv`.
pub fn chords_header() -> Vec<u8> {
    let mut sheet = Sheet::new();
    sheet.head(["specimen", "file", "page", "chord_um", "chord_px", "count"].into_iter());
    sheet.into_bytes()
}

/// The rows of one field for `chords.csv`, to follow [`chords_header`]: lengths to six digits, rising, and how many
/// chords have each. Lines cross a grid of pixels, so chords have few different lengths.
pub fn chords(field: &Field) -> Vec<u8> {
    let mut lengths: Vec<f64> = field.rows.chords.iter().map(|&c| six_digits(f64::from(c))).collect();
    lengths.sort_unstable_by(f64::total_cmp);
    let mut sheet = Sheet::new();
    for equal in lengths.chunk_by(|a, b| a == b) {
        row_start(&mut sheet, field);
        sheet.in_unit(equal[0], unit_of(field));
        sheet.count(equal.len() as u64);
        sheet.end_row();
    }
    sheet.into_bytes()
}

/// A table that is filled cell by cell.
pub(super) struct Sheet {
    writer: csv::Writer<Vec<u8>>,
    /// The text of the present cell, kept so that a table of many rows does not ask for memory cell by cell.
    cell: String,
}

const WRITTEN: &str = "invariant: memory takes every write";

impl Sheet {
    pub(super) fn new() -> Self {
        let writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .flexible(true)
            .from_writer(Vec::new());
        Self { writer, cell: String::new() }
    }

    pub(super) fn head<'a>(&mut self, columns: impl Iterator<Item = &'a str>) {
        columns.for_each(|column| self.writer.write_field(column).expect(WRITTEN));
        self.end_row();
    }

    pub(super) fn end_row(&mut self) {
        self.writer.write_record(None::<&[u8]>).expect(WRITTEN);
    }

    pub(super) fn into_bytes(self) -> Vec<u8> {
        self.writer.into_inner().expect(WRITTEN)
    }

    fn show(&mut self, value: Option<impl Display>) {
        self.cell.clear();
        if let Some(value) = value {
            write!(self.cell, "{value}").expect(WRITTEN);
        }
        self.writer.write_field(&self.cell).expect(WRITTEN);
    }

    pub(super) fn text(&mut self, text: &str) {
        self.writer.write_field(defused(text).as_bytes()).expect(WRITTEN);
    }

    fn name(&mut self, value: Option<impl Serialize>) {
        let name = value.and_then(|v| serde_json::to_value(v).ok());
        self.text(name.as_ref().and_then(|v| v.as_str()).unwrap_or_default());
    }

    fn boolean(&mut self, value: bool) {
        self.show(Some(value));
    }

    pub(super) fn count(&mut self, value: impl Into<Option<u64>>) {
        self.show(value.into());
    }

    pub(super) fn number(&mut self, value: impl Into<Option<f64>>) {
        self.show(value.into().filter(|v| v.is_finite()));
    }

    pub(super) fn rounded(&mut self, value: f64) {
        self.number(six_digits(value));
    }

    fn length(&mut self, length: Option<Length>) {
        self.number(length.and_then(Length::um));
        self.number(length.and_then(Length::px));
    }

    fn area(&mut self, area: Option<Area>) {
        let (um2, px2) = match area {
            Some(Area::Um2(v)) => (Some(v), None),
            Some(Area::Px2(v)) => (None, Some(v)),
            None => (None, None),
        };
        self.number(um2);
        self.number(px2);
    }

    fn in_unit(&mut self, value: f64, unit: LengthUnit) {
        let value = six_digits(value);
        self.number(Some(value).filter(|_| unit == LengthUnit::Um));
        self.number(Some(value).filter(|_| unit == LengthUnit::Px));
    }
}

/// The nearest number with six significant digits.
fn six_digits(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let places = 5 - libm::floor(libm::log10(value.abs())) as i32;
    if !(0..=22).contains(&places) {
        return value.round();
    }
    // Powers of ten up to 22 are exact, so the quotient is the double nearest to the decimal number.
    let power = 10f64.powi(places);
    (value * power).round() / power
}

fn unit_of(field: &Field) -> LengthUnit {
    if field.scale.is_some() { LengthUnit::Um } else { LengthUnit::Px }
}

fn row_start(sheet: &mut Sheet, field: &Field) {
    sheet.text(&field.specimen);
    sheet.text(&field.file);
    sheet.count(field.page.map(u64::from));
}

fn field_row(sheet: &mut Sheet, field: &Field) {
    row_start(sheet, field);
    picture_cells(sheet, field);
    pore_cells(sheet, field);
    grain_cells(sheet, field);
    let codes: Vec<&str> = field.warnings.iter().map(|warning| &*warning.code).collect();
    sheet.text(&codes.join(" "));
    sheet.text(field.overlay.as_deref().unwrap_or_default());
    sheet.end_row();
}

fn picture_cells(sheet: &mut Sheet, field: &Field) {
    sheet.text(&field.sha256);
    sheet.name(field.surface);
    let frame = field.frame;
    for pixels in [field.width_px, field.height_px] {
        sheet.count(pixels as u64);
    }
    sheet.count(u64::from(field.bits_per_sample));
    for pixels in [frame.x, frame.y, frame.width, frame.height] {
        sheet.count(pixels as u64);
    }
    let scale = field.scale.as_ref();
    sheet.number(scale.map(|s| s.um_per_px));
    sheet.name(scale.map(|s| s.source));
    sheet.number(scale.map(|s| s.relative_uncertainty));
    sheet.name(Some(field.picture_check.grade));
}

fn pore_cells(sheet: &mut Sheet, field: &Field) {
    let pores = field.pores.as_ref();
    let sensitivity = pores.and_then(|p| p.sensitivity.as_ref());
    sheet.number(field.porosity_percent);
    sheet.number(field.porosity_without_pull_out_percent);
    sheet.number(pores.and_then(|p| p.standard_error_points));
    sheet.number(sensitivity.map(|s| s.porosity_low_percent));
    sheet.number(sensitivity.map(|s| s.porosity_high_percent));
    sheet.number(pores.and_then(|p| p.rule_spread_points));
    sheet.text(pores.map_or("", |p| &p.threshold.method));
    sheet.number(pores.and_then(|p| p.threshold.grey_level));
    sheet.count(field.pore_count);
    sheet.count(pores.map(|p| p.pull_out_count));
    sheet.length(pores.map(|p| p.smallest_counted));
    sheet.number(pores.map(|p| p.dropped_area_percent));
    sheet.length(pores.and_then(|p| p.diameters.as_ref()).map(median));
}

fn grain_cells(sheet: &mut Sheet, field: &Field) {
    let grains = field.grains.as_ref();
    let intercepts = field.intercepts.as_ref();
    sheet.count(field.grain_count);
    sheet.count(grains.map(|g| g.whole_grain_count));
    sheet.text(grains.map_or("", |g| &g.boundaries));
    sheet.number(field.mean_linear_intercept_um);
    sheet.number(field.mean_linear_intercept_px);
    sheet.length(intercepts.and_then(|i| i.standard_error));
    sheet.count(field.intercept_count);
    sheet.number(field.astm_grain_number);
    sheet.number(intercepts.and_then(|i| i.anisotropy));
    sheet.length(grains.and_then(|g| g.mean_equivalent_diameter));
    sheet.length(grains.and_then(|g| g.diameters.as_ref()).map(median));
    sheet.area(grains.and_then(|g| g.mean_area));
    sheet.number(grains.and_then(|g| g.diameter_to_intercept_ratio));
    sheet.number(grains.and_then(|g| g.mean_aspect_ratio));
    sheet.number(grains.and_then(|g| g.boundary_area_per_volume_per_um));
}

fn median(distribution: &Distribution) -> Length {
    distribution.percentiles.p50
}

fn region_cells(sheet: &mut Sheet, region: &Region, field: &Field) {
    let unit = unit_of(field);
    sheet.count(u64::from(region.label));
    sheet.count(region.area_px);
    for value in
        [region.area, region.equivalent_diameter, region.perimeter, region.feret_max, region.feret_min]
    {
        sheet.in_unit(value, unit);
    }
    for value in [region.form_factor(), region.aspect_ratio(), region.solidity, region.orientation_deg] {
        sheet.rounded(value);
    }
    // Regions count from the corner of the measured frame; whoever looks for one on the picture needs its own corner.
    sheet.rounded(region.centroid_x_px + field.frame.x as f64);
    sheet.rounded(region.centroid_y_px + field.frame.y as f64);
    sheet.boolean(region.touches_frame);
}

fn intercept_rows(sheet: &mut Sheet, field: &Field) {
    for set in field.intercepts.iter().flat_map(|intercepts| &intercepts.sets) {
        row_start(sheet, field);
        sheet.text(&set.kind);
        sheet.number(set.angle_deg);
        sheet.length(Some(set.line_length));
        sheet.length(Some(set.length_in_pores));
        sheet.count(set.intercept_count);
        sheet.length(set.mean);
        sheet.end_row();
    }
}

/// The text, with an apostrophe in front where a spreadsheet would take it for a formula.
pub(crate) fn defused(text: &str) -> Cow<'_, str> {
    let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    if formula { Cow::Owned(format!("'{text}")) } else { Cow::Borrowed(text) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_numbers_are_not() {
        assert_eq!(defused("=1+1"), "'=1+1");
        assert_eq!(defused("@SUM(A1)"), "'@SUM(A1)");
        assert_eq!(defused("ring"), "ring");
        let mut sheet = Sheet::new();
        sheet.number(-45.0);
        sheet.number(None);
        sheet.number(f64::NAN);
        sheet.end_row();
        assert_eq!(sheet.into_bytes(), b"-45,,\r\n");
    }

    #[test]
    fn six_digits_are_kept() {
        for (value, text) in [
            (1.0 / 3.0, "0.333333"),
            (-2.0e5 / 3.0, "-66666.7"),
            (1234567.8, "1234568"),
            (0.1 + 0.2, "0.3"),
            (9.9999996, "10"),
            (1.23456789e-9, "0.00000000123457"),
            (0.0, "0"),
        ] {
            assert_eq!(six_digits(value).to_string(), text);
        }
        assert!(six_digits(f64::NAN).is_nan());
    }
}
