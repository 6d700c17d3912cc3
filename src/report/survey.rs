//! What `ceramograph scale` shows: a table with one line a picture, and the words below a crop.

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, Table};

use super::name::printable;
use super::number::{UNKNOWN, decimals, significant};
use super::phrase::{self, counted};
use super::table::LINES;
use crate::scale::{BarReading, Scale};
use crate::study::survey::{PictureScale, Standing, Survey};

const HEAD: [&str; 11] = [
    "picture",
    "µm per px",
    "± %",
    "from",
    "confirmed by",
    "label as read",
    "scale is",
    "bar, px",
    "left",
    "right",
    "row",
];

/// Columns that a narrow terminal goes without: where the bar is.
const PLACE: usize = 4;

/// Narrower terminals get fewer columns rather than broken numbers.
const WIDE: u16 = 132;

/// The table, at most `width` characters wide, and below it whatever is doubtful about a picture or the folder.
pub fn table(survey: &Survey, width: u16) -> String {
    let columns = if width < WIDE { HEAD.len() - PLACE } else { HEAD.len() };
    let mut table = Table::new();
    table.load_style(LINES);
    table.set_content_arrangement(ContentArrangement::Dynamic).set_width(width);
    table.set_header(HEAD.into_iter().take(columns));
    for picture in &survey.pictures {
        table.add_row(row(picture).into_iter().take(columns));
    }
    for failure in &survey.failures {
        let mut cells = vec![unknown(); HEAD.len()];
        cells[0] = phrase::picture(&failure.file, failure.page);
        cells[6] = "not read".to_owned();
        table.add_row(cells.into_iter().take(columns));
    }
    for number in 1..columns {
        if let Some(column) = table.column_mut(number) {
            if !(3..=6).contains(&number) {
                column.set_cell_alignment(CellAlignment::Right);
            }
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
    }
    let mut lines: Vec<String> = table.lines().map(|line| line.trim_end().to_owned()).collect();
    lines.extend(doubts(survey));
    lines.push(count(survey));
    lines.join("\n")
}

fn row(picture: &PictureScale) -> Vec<String> {
    let scale = picture.scale.as_ref();
    let of_bar = |value: fn(&BarReading) -> f64, places: usize| {
        picture.bar_reading.as_ref().map_or_else(unknown, |read| decimals(value(read), places))
    };
    vec![
        phrase::picture(&picture.file, picture.page),
        scale.map_or_else(unknown, pixel_size),
        scale.map_or_else(unknown, |scale| significant(100.0 * scale.relative_uncertainty, 2)),
        scale.map_or_else(unknown, |scale| phrase::scale_source_name(scale.source).to_owned()),
        scale.filter(|scale| !scale.confirmed_by.is_empty()).map_or_else(unknown, confirmed_by),
        picture.bar_reading.as_ref().map_or_else(unknown, label),
        standing(picture).to_owned(),
        of_bar(|read| read.bar.length_px(), 1),
        of_bar(|read| read.bar.left_px, 1),
        of_bar(|read| read.bar.right_px, 1),
        of_bar(|read| read.bar.row_px, 0),
    ]
}

fn unknown() -> String {
    UNKNOWN.to_owned()
}

/// How far the scale of a picture can be relied on, in a word.
fn standing(picture: &PictureScale) -> &'static str {
    match picture.standing() {
        Standing::Known => "known",
        Standing::Doubtful => "doubtful",
        Standing::Disputed => "disputed",
        Standing::Unknown => "not known",
    }
}

fn pixel_size(scale: &Scale) -> String {
    if scale.um_per_px_x == scale.um_per_px_y {
        return significant(scale.um_per_px, 4);
    }
    format!("{} × {}", significant(scale.um_per_px_x, 4), significant(scale.um_per_px_y, 4))
}

fn confirmed_by(scale: &Scale) -> String {
    scale.confirmed_by.iter().map(|&source| phrase::scale_source_name(source)).collect::<Vec<_>>().join(" ")
}

/// The label as read, and how probably it is read rightly.
fn label(read: &BarReading) -> String {
    read.label.as_ref().map_or_else(unknown, |label| {
        format!("{}, {}", printable(&label.text), phrase::probability(label.probability))
    })
}

/// One line for everything that is doubtful.
fn doubts(survey: &Survey) -> Vec<String> {
    let mut lines = Vec::new();
    for picture in &survey.pictures {
        let name = phrase::picture(&picture.file, picture.page);
        lines.extend(
            picture.warnings.iter().map(|warning| format!("{name}: {}", printable(&warning.message))),
        );
    }
    for failure in &survey.failures {
        lines.push(format!(
            "{}: {}",
            phrase::picture(&failure.file, failure.page),
            printable(&failure.error)
        ));
    }
    lines.extend(survey.warnings.iter().map(|warning| printable(&warning.message)));
    if !lines.is_empty() {
        lines.insert(0, "Look at:".to_owned());
        lines[1..].iter_mut().for_each(|line| line.insert_str(0, "  "));
    }
    lines
}

fn count(survey: &Survey) -> String {
    let of = |wanted: Standing| survey.pictures.iter().filter(|p| p.standing() == wanted).count();
    let mut text = format!(
        "{}: {} with a known scale",
        counted((survey.pictures.len() + survey.failures.len()) as u64, "picture"),
        of(Standing::Known)
    );
    for (number, what) in [
        (of(Standing::Doubtful), "doubtful"),
        (of(Standing::Disputed), "disputed"),
        (of(Standing::Unknown), "without"),
        (survey.failures.len(), "not read"),
    ] {
        if number > 0 {
            text += &format!(", {number} {what}");
        }
    }
    text + "."
}

/// The lines of text below the crop of a picture's bar.
pub fn words(picture: &PictureScale) -> Vec<String> {
    let Some(read) = &picture.bar_reading else { return Vec::new() };
    let mut words = Vec::new();
    let measured = format!("bar of {} px", decimals(read.bar.length_px(), 1));
    let label = read.label.as_ref().map(|label| {
        format!("“{}” read with {}", printable(&label.text), phrase::probability(label.probability))
    });
    let seen = [label, Some(measured)].into_iter().flatten().collect::<Vec<_>>().join(", ");
    match &read.doubt {
        Some(doubt) => words.push(format!("DOUBTFUL: {}", printable(doubt))),
        None => words.push(picture.scale.as_ref().map_or_else(|| seen.clone(), in_words)),
    }
    words.push(format!("{}: {seen}", phrase::picture(&picture.file, picture.page)));
    if let (Some(scale), Some(_)) = (&picture.scale, &read.doubt) {
        words.push(format!("used: {}", in_words(scale)));
    }
    words
}

/// The pixel size of a scale with its uncertainty, its source and what confirms it.
pub(super) fn in_words(scale: &Scale) -> String {
    let others: Vec<&str> = scale.confirmed_by.iter().map(|&source| phrase::scale_source(source)).collect();
    let confirmed =
        if others.is_empty() { String::new() } else { format!(", confirmed by {}", others.join("; ")) };
    format!(
        "{} µm per px ± {} %, {}{confirmed}",
        pixel_size(scale),
        significant(100.0 * scale.relative_uncertainty, 2),
        phrase::scale_source(scale.source)
    )
}
