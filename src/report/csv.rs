//! Tables for spreadsheets: `fields.csv`, `pores.csv`, `grains.csv`, `intercepts.csv`.
//!
//! Comma-separated after RFC 4180, UTF-8, decimal points. An empty cell is an unknown value. Lengths stand in the `_um`
//! column of fields with a scale and in the `_px` column of fields without one. Text that a spreadsheet would run as a
//! formula gets an apostrophe in front.

use serde::Serialize;

use super::phrase::pore_place;
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
    table(FIELD_COLUMNS.iter().copied(), study.fields.iter().map(field_row))
}

/// `intercepts.csv`: one row for each set of test lines of each field.
pub fn intercepts(study: &Study) -> Vec<u8> {
    table(INTERCEPT_COLUMNS.iter().copied(), study.fields.iter().flat_map(intercept_rows))
}

/// The head of `pores.csv`.
pub fn pores_header() -> Vec<u8> {
    let head = ["specimen", "file", "page", "pore"].into_iter();
    table(head.chain(REGION_COLUMNS.iter().copied()).chain(["place", "pull_out"]), std::iter::empty())
}

/// The rows of one field for `pores.csv`, to follow [`pores_header`]; numbers to six digits.
pub fn pores(field: &Field) -> Vec<u8> {
    let unit = unit_of(field);
    rows(field.rows.pores.iter().map(|pore| {
        let mut row = row_start(field);
        region_cells(&mut row, &pore.region, field, unit);
        row.text(pore_place(pore.place));
        row.boolean(pore.pull_out);
        row
    }))
}

/// The head of `grains.csv`.
pub fn grains_header() -> Vec<u8> {
    let head = ["specimen", "file", "page", "grain"].into_iter();
    table(
        head.chain(REGION_COLUMNS.iter().copied()).chain(["neighbours", "boundary_strength"]),
        std::iter::empty(),
    )
}

/// The rows of one field for `grains.csv`, to follow [`grains_header`]; numbers to six digits.
pub fn grains(field: &Field) -> Vec<u8> {
    let unit = unit_of(field);
    rows(field.rows.grains.iter().map(|grain| {
        let mut row = row_start(field);
        region_cells(&mut row, &grain.region, field, unit);
        row.count(u64::from(grain.neighbours));
        row.rounded(grain.boundary_strength);
        row
    }))
}

/// One line of a table.
#[derive(Default)]
struct Row(Vec<String>);

impl Row {
    fn text(&mut self, text: &str) {
        self.0.push(defused(text));
    }

    fn name(&mut self, value: Option<impl Serialize>) {
        let name = value.and_then(|v| serde_json::to_value(v).ok());
        self.text(name.as_ref().and_then(|v| v.as_str()).unwrap_or_default());
    }

    fn boolean(&mut self, value: bool) {
        self.0.push(value.to_string());
    }

    fn count(&mut self, value: impl Into<Option<u64>>) {
        self.0.push(value.into().map_or_else(String::new, |v| v.to_string()));
    }

    fn number(&mut self, value: impl Into<Option<f64>>) {
        let known = value.into().filter(|v| v.is_finite());
        self.0.push(known.map_or_else(String::new, |v| v.to_string()));
    }

    fn rounded(&mut self, value: f64) {
        let six_digits: f64 = format!("{value:.5e}").parse().unwrap_or(value);
        self.number(six_digits);
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
        if unit == LengthUnit::Px {
            self.0.push(String::new());
        }
        self.rounded(value);
        if unit == LengthUnit::Um {
            self.0.push(String::new());
        }
    }
}

fn unit_of(field: &Field) -> LengthUnit {
    if field.scale.is_some() { LengthUnit::Um } else { LengthUnit::Px }
}

fn row_start(field: &Field) -> Row {
    let mut row = Row::default();
    row.text(&field.specimen);
    row.text(&field.file);
    row.count(field.page.map(u64::from));
    row
}

fn field_row(field: &Field) -> Row {
    let mut row = row_start(field);
    picture_cells(&mut row, field);
    pore_cells(&mut row, field);
    grain_cells(&mut row, field);
    let codes: Vec<&str> = field.warnings.iter().map(|warning| warning.code).collect();
    row.text(&codes.join(" "));
    row.text(field.overlay.as_deref().unwrap_or_default());
    row
}

fn picture_cells(row: &mut Row, field: &Field) {
    row.text(&field.sha256);
    row.name(field.surface);
    let frame = field.frame;
    for pixels in [field.width_px, field.height_px] {
        row.count(pixels as u64);
    }
    row.count(u64::from(field.bits_per_sample));
    for pixels in [frame.x, frame.y, frame.width, frame.height] {
        row.count(pixels as u64);
    }
    let scale = field.scale.as_ref();
    row.number(scale.map(|s| s.um_per_px));
    row.name(scale.map(|s| s.source));
    row.number(scale.map(|s| s.relative_uncertainty));
    row.name(Some(field.picture_check.grade));
}

fn pore_cells(row: &mut Row, field: &Field) {
    let pores = field.pores.as_ref();
    row.number(field.porosity_percent);
    row.number(field.porosity_without_pull_out_percent);
    row.number(pores.and_then(|p| p.standard_error_points));
    row.number(pores.map(|p| p.sensitivity.porosity_low_percent));
    row.number(pores.map(|p| p.sensitivity.porosity_high_percent));
    row.number(pores.and_then(|p| p.rule_spread_points));
    row.text(pores.map_or("", |p| &p.threshold.method));
    row.number(pores.and_then(|p| p.threshold.grey_level));
    row.count(field.pore_count);
    row.count(pores.map(|p| p.pull_out_count));
    row.length(pores.map(|p| p.smallest_counted));
    row.number(pores.map(|p| p.dropped_area_percent));
    row.length(pores.and_then(|p| p.diameters.as_ref()).map(median));
}

fn grain_cells(row: &mut Row, field: &Field) {
    let grains = field.grains.as_ref();
    let intercepts = field.intercepts.as_ref();
    row.count(field.grain_count);
    row.count(grains.map(|g| g.whole_grain_count));
    row.text(grains.map_or("", |g| &g.boundaries));
    row.number(field.mean_linear_intercept_um);
    row.number(field.mean_linear_intercept_px);
    row.length(intercepts.and_then(|i| i.standard_error));
    row.count(field.intercept_count);
    row.number(field.astm_grain_number);
    row.number(intercepts.and_then(|i| i.anisotropy));
    row.length(grains.and_then(|g| g.mean_equivalent_diameter));
    row.length(grains.and_then(|g| g.diameters.as_ref()).map(median));
    row.area(grains.and_then(|g| g.mean_area));
    row.number(grains.and_then(|g| g.diameter_to_intercept_ratio));
    row.number(grains.and_then(|g| g.mean_aspect_ratio));
    row.number(grains.and_then(|g| g.boundary_area_per_volume_per_um));
}

fn median(distribution: &Distribution) -> Length {
    distribution.percentiles.p50
}

fn region_cells(row: &mut Row, region: &Region, field: &Field, unit: LengthUnit) {
    row.count(u64::from(region.label));
    row.count(region.area_px);
    for value in
        [region.area, region.equivalent_diameter, region.perimeter, region.feret_max, region.feret_min]
    {
        row.in_unit(value, unit);
    }
    for value in [region.form_factor(), region.aspect_ratio(), region.solidity, region.orientation_deg] {
        row.rounded(value);
    }
    // Regions count from the corner of the measured frame; whoever looks for one on the picture needs its own corner.
    row.rounded(region.centroid_x_px + field.frame.x as f64);
    row.rounded(region.centroid_y_px + field.frame.y as f64);
    row.boolean(region.touches_frame);
}

fn intercept_rows(field: &Field) -> impl Iterator<Item = Row> + '_ {
    field.intercepts.iter().flat_map(|intercepts| &intercepts.sets).map(|set| {
        let mut row = row_start(field);
        row.text(set.kind);
        row.number(set.angle_deg);
        row.length(Some(set.line_length));
        row.length(Some(set.length_in_pores));
        row.count(set.intercept_count);
        row.length(set.mean);
        row
    })
}

fn table<'a>(head: impl Iterator<Item = &'a str>, body: impl Iterator<Item = Row>) -> Vec<u8> {
    let head = Row(head.map(str::to_owned).collect());
    rows(std::iter::once(head).chain(body))
}

fn rows(rows: impl Iterator<Item = Row>) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for row in rows {
        writer
            .write_record(&row.0)
            .expect("invariant: rows of one table have one length, and memory takes every write");
    }
    writer.into_inner().expect("invariant: memory takes every write")
}

/// The text, with an apostrophe in front where a spreadsheet would take it for a formula.
fn defused(text: &str) -> String {
    let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    if formula { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_numbers_are_not() {
        assert_eq!(defused("=1+1"), "'=1+1");
        assert_eq!(defused("@SUM(A1)"), "'@SUM(A1)");
        assert_eq!(defused("ring"), "ring");
        let mut row = Row::default();
        row.number(-45.0);
        row.rounded(1.0 / 3.0);
        row.number(None);
        row.number(f64::NAN);
        assert_eq!(row.0, ["-45", "0.333333", "", ""]);
    }
}
