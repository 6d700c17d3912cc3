//! What the terminal shows: one line for each field, and a table of the specimens at the end.

use comfy_table::{
    Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width,
};

use super::name::printable;
use super::number::{UNKNOWN, significant, significant_or_unknown, with_interval};
use super::phrase;
use crate::study::result::{Distribution, Estimate, Field, Grade, Specimen, Study};
use crate::timing::StageTime;
use crate::units::LengthUnit;

/// Lines below the heads and at the end.
pub(super) const LINES: TableStyle = TableStyle::new()
    .header_separator(LineStyle::none().fill('─').junction('─'))
    .bottom_border(LineStyle::none().fill('─').junction('─'));

const HEAD: [&str; 8] =
    ["specimen", "fields", "porosity, %", "mean intercept", "G", "warnings", "grains sized", "pores sized"];

/// Narrower terminals get fewer columns rather than broken numbers.
const WIDE: u16 = 110;

/// The table of specimens, at most `width` characters wide, with a line below that names the intervals.
pub fn specimens(study: &Study, width: u16) -> String {
    let columns = if width < WIDE { 6 } else { HEAD.len() };
    let mut table = Table::new();
    table.load_style(LINES);
    table.set_content_arrangement(ContentArrangement::Dynamic).set_width(width);
    table.set_header(HEAD.into_iter().take(columns));
    for specimen in &study.specimens {
        table.add_row(specimen_row(study, specimen).into_iter().take(columns));
    }
    if let Some(names) = table.column_mut(0) {
        names.set_constraint(ColumnConstraint::UpperBoundary(Width::Percentage(30)));
    }
    for number in 1..columns {
        if let Some(column) = table.column_mut(number) {
            column.set_cell_alignment(CellAlignment::Right);
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
    }
    let single = study.specimens.iter().any(|s| s.field_count < 2);
    let note = if single { "; one field has no interval between fields" } else { "" };
    let lines: Vec<String> = table.lines().map(|line| line.trim_end().to_owned()).collect();
    format!("{}\n± 95 % t-interval of the mean, the fields being the replicates{note}", lines.join("\n"))
}

/// The table of stages: calls, seconds, share of the sum, and millions of pixels a second.
pub fn stages(stages: &[StageTime]) -> String {
    // A sum over nothing is -0.
    let total = stages.iter().fold(0.0, |sum, stage| sum + stage.seconds);
    let mut table = Table::new();
    table.load_style(LINES);
    table.set_header(["stage", "calls", "s", "share, %", "Mpx/s"]);
    for stage in stages {
        table.add_row([
            stage.stage.name().to_owned(),
            stage.calls.to_string(),
            format!("{:.3}", stage.seconds),
            format!("{:.1}", 100.0 * stage.seconds / total),
            format!("{:.1}", stage.megapixels_per_second()),
        ]);
    }
    table.add_row(["sum".to_owned(), String::new(), format!("{total:.3}")]);
    for number in 1..5 {
        if let Some(column) = table.column_mut(number) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let lines: Vec<String> = table.lines().map(|line| line.trim_end().to_owned()).collect();
    lines.join("\n")
}

fn specimen_row(study: &Study, specimen: &Specimen) -> Vec<Cell> {
    let fields = study.fields.iter().filter(|field| field.specimen == specimen.name);
    let warnings = specimen.warnings.len() + fields.map(|field| field.warnings.len()).sum::<usize>();
    vec![
        Cell::new(printable(&specimen.name)),
        Cell::new(specimen.field_count),
        Cell::new(estimate(specimen.porosity_percent.as_ref())),
        Cell::new(intercept(specimen)),
        Cell::new(significant_or_unknown(specimen.astm_grain_number.as_ref().map(|number| number.value), 3)),
        Cell::new(if warnings == 0 { String::new() } else { warnings.to_string() }),
        Cell::new(sized(specimen.grain_size.as_ref())),
        Cell::new(sized(specimen.pore_size.as_ref())),
    ]
}

fn sized(sizes: Option<&Distribution>) -> String {
    sizes.map_or_else(|| UNKNOWN.to_owned(), |sizes| sizes.count.to_string())
}

/// An estimate with its interval, without a unit.
pub(super) fn estimate(estimate: Option<&Estimate>) -> String {
    estimate.map_or_else(|| UNKNOWN.to_owned(), |e| with_interval(e.mean, e.ci95_low, e.ci95_high))
}

/// The mean linear intercept of a specimen with interval and unit.
pub(super) fn intercept(specimen: &Specimen) -> String {
    let in_um = specimen.mean_linear_intercept_um.as_ref().map(|e| (e, LengthUnit::Um));
    let in_px = specimen.mean_linear_intercept_px.as_ref().map(|e| (e, LengthUnit::Px));
    match in_um.or(in_px) {
        Some((e, unit)) => format!("{} {}", estimate(Some(e)), unit.symbol()),
        None => UNKNOWN.to_owned(),
    }
}

/// The grain size number of a specimen with its interval.
pub(super) fn grain_number(specimen: &Specimen) -> String {
    match &specimen.astm_grain_number {
        Some(number) => with_interval(number.value, number.ci95_low, number.ci95_high),
        None => UNKNOWN.to_owned(),
    }
}

/// One line about a field, without a line end.
pub fn field_line(field: &Field) -> String {
    let mut parts = vec![porosity(field), grain_size(field)];
    if field.warnings.len() > 1 {
        parts.push(format!("{} warnings", field.warnings.len()));
    } else if let Some(warning) = field.warnings.first() {
        parts.push(format!("warning: {}", warning.code));
    }
    if field.picture_check.grade != Grade::Use {
        parts.push(format!("picture: {}", phrase::grade(field.picture_check.grade)));
    }
    format!("{}: {}", phrase::field_name(field), parts.join("; "))
}

fn porosity(field: &Field) -> String {
    let Some(porosity) = field.porosity_percent else {
        return "porosity unknown".to_owned();
    };
    let pores = phrase::counted(field.pore_count.unwrap_or(0), "pore");
    let sensitivity = field.pores.as_ref().and_then(|pores| pores.sensitivity.as_ref());
    let band = sensitivity.map_or_else(String::new, |s| {
        let (low, high) = (s.porosity_low_percent, s.porosity_high_percent);
        format!(", {} to {} % as the threshold moves", significant(low, 3), significant(high, 3))
    });
    format!("porosity {} % ({pores}{band})", significant(porosity, 3))
}

fn grain_size(field: &Field) -> String {
    let in_um = field.mean_linear_intercept_um.map(|v| (v, LengthUnit::Um));
    let in_px = field.mean_linear_intercept_px.map(|v| (v, LengthUnit::Px));
    let Some((mean, unit)) = in_um.or(in_px) else {
        return "grains unknown".to_owned();
    };
    let crossings = phrase::counted(field.intercept_count.unwrap_or(0), "passage");
    let number = match field.astm_grain_number {
        Some(_) => format!(", G {}", significant_or_unknown(field.astm_grain_number, 3)),
        None => String::new(),
    };
    let doubt = field.intercepts.as_ref().and_then(|intercepts| intercepts.segmentation.as_ref());
    let open = doubt.map_or_else(String::new, |doubt| {
        let (low, high) = (doubt.ci95_low.value(), doubt.ci95_high.value());
        format!(", {} to {} from finding boundaries", significant(low, 3), significant(high, 3))
    });
    format!("mean intercept {} {} ({crossings}{number}{open})", significant(mean, 3), unit.symbol())
}
