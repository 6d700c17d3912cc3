//! The section of `report.html` on the firing, put into the page of a measured study.

use std::collections::BTreeSet;

use askama::Template;

use super::super::name::printable;
use super::super::number::{significant, significant_or_unknown, with_interval};
use super::super::relation::{RelationFigure, growth_law};
use crate::body::agreement::Method;
use crate::body::result::Body;
use crate::body::value::Value;
use crate::relate::observation::{Condition, PROPERTIES};
use crate::relate::relation::{Firing, RelatedSpecimen, Relation};

/// Where the section goes: before this part of the page …
const PART_AFTER: &str = "<section id=\"specimens\"";
/// … and before this line of its contents.
const LINE_AFTER: &str = "<li><a href=\"#specimens\">";
/// Links from the page to the overlays.
const OVERLAY_LINK: &str = "href=\"./overlays/";

/// `report`, the page of a measured study, with a section on the firing. `results` is where the results folder is, seen
/// from the new page, such as `..`.
///
/// `None` if the page was not written by this version and has no place for it.
pub fn with_firing(
    report: &str,
    relation: &Relation,
    figures: &[RelationFigure],
    results: &str,
) -> Option<String> {
    let section = section(relation, figures);
    let report = report.replace(OVERLAY_LINK, &format!("href=\"{results}/overlays/"));
    let (head, rest) = report.split_once(LINE_AFTER)?;
    let (middle, tail) = rest.split_once(PART_AFTER)?;
    Some(format!(
        "{head}<li><a href=\"#firing\">Firing</a></li>\n{LINE_AFTER}{middle}{section}\n{PART_AFTER}{tail}"
    ))
}

#[derive(Template)]
#[template(path = "firing.html", config = "src/report/html/askama.toml")]
struct Section {
    conclusions: Vec<String>,
    warnings: Vec<String>,
    tables: Vec<Table>,
    reasons: Vec<String>,
    parts: Vec<Part>,
}

struct Table {
    caption: &'static str,
    heads: Vec<String>,
    rows: Vec<Vec<String>>,
    note: String,
}

/// What is said about one condition, or about growth.
struct Part {
    title: String,
    figures: Vec<String>,
    words: Vec<String>,
    refused: Vec<String>,
}

fn section(relation: &Relation, figures: &[RelationFigure]) -> String {
    let section = Section {
        conclusions: relation.conclusions.iter().map(|sentence| printable(&capitalised(sentence))).collect(),
        warnings: relation.warnings.iter().map(|warning| printable(&warning.message)).collect(),
        tables: vec![conditions(relation), properties(relation), bodies(relation), comparisons(relation)],
        reasons: reasons(relation),
        parts: parts(relation, figures),
    };
    section.render().expect("invariant: rendering text into memory does not fail")
}

fn capitalised(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn conditions(relation: &Relation) -> Table {
    let numbers = relation.specimens.iter().flat_map(|specimen| specimen.conditions.keys());
    let words = relation.specimens.iter().flat_map(|specimen| specimen.words.keys());
    let heads: BTreeSet<&String> = numbers.chain(words).collect();
    let cell = |specimen: &RelatedSpecimen, head: &String| {
        let number = specimen.conditions.get(head).map(|value| trimmed(*value));
        number.or_else(|| specimen.words.get(head).map(|word| printable(word))).unwrap_or_else(unknown)
    };
    Table {
        caption: "Conditions, from the study sheet",
        heads: first_then("condition", relation.specimens.iter().map(|specimen| printable(&specimen.name))),
        rows: heads
            .iter()
            .map(|head| {
                let cells = relation.specimens.iter().map(|specimen| cell(specimen, head));
                first_then(&printable(&Condition::of(head).label()), cells)
            })
            .collect(),
        note: String::new(),
    }
}

fn properties(relation: &Relation) -> Table {
    let present = PROPERTIES.iter().filter(|property| {
        relation.specimens.iter().any(|specimen| specimen.properties.contains_key(property.key))
    });
    Table {
        caption: "Properties",
        heads: first_then("property", relation.specimens.iter().map(|specimen| printable(&specimen.name))),
        rows: present
            .map(|property| {
                let cells = relation.specimens.iter().map(|specimen| {
                    specimen.properties.get(property.key).map_or_else(unknown, |found| {
                        let half = found.half_width;
                        with_interval(found.value, half.map(|h| found.value - h), half.map(|h| found.value + h))
                    })
                });
                first_then(&format!("{}, {}", property.name, property.unit), cells)
            })
            .collect(),
        note: "± half the 95 % interval: Student’s t between fields, or two standard uncertainties of the readings.".into(),
    }
}

fn first_then(first: &str, rest: impl Iterator<Item = String>) -> Vec<String> {
    std::iter::once(first.to_owned()).chain(rest).collect()
}

fn unknown() -> String {
    super::UNKNOWN.to_owned()
}

fn parts(relation: &Relation, figures: &[RelationFigure]) -> Vec<Part> {
    let of = |part: &str| figures.iter().filter(|f| f.condition == part).map(|f| f.svg.clone()).collect();
    let mut conditions: Vec<&str> = Vec::new();
    for effect in &relation.effects {
        if !conditions.contains(&effect.condition.as_str()) {
            conditions.push(&effect.condition);
        }
    }
    let mut parts: Vec<Part> = conditions
        .into_iter()
        .map(|condition| {
            let effects = relation.effects.iter().filter(|effect| effect.condition == condition);
            Part {
                title: capitalised(&printable(&Condition::of(condition).name)),
                figures: of(condition),
                words: effects.clone().flat_map(|e| &e.words).map(|s| printable(&capitalised(s))).collect(),
                refused: effects.flat_map(|e| &e.refused).map(|s| printable(&capitalised(s))).collect(),
            }
        })
        .collect();
    parts.push(growth(relation, of("")));
    parts
}

fn growth(relation: &Relation, figures: Vec<String>) -> Part {
    let trajectory = relation.trajectory.iter().flat_map(|trajectory| &trajectory.words);
    let mut words: Vec<String> = trajectory.map(|sentence| capitalised(sentence)).collect();
    words.extend(relation.growth.fit.as_ref().map(growth_law));
    Part {
        title: "Grain growth and densification".into(),
        figures,
        words,
        refused: relation.growth.refused.iter().map(|sentence| printable(&capitalised(sentence))).collect(),
    }
}

/// One row of the table of bodies: its head, and the value of a specimen.
type BodyRow = (&'static str, fn(&Body) -> Option<Value>);

/// One row of what follows from the programme.
type FiringRow = (&'static str, fn(&Firing) -> Option<f64>);

const BODY_ROWS: [BodyRow; 10] = [
    ("pressing pressure, MPa", |body| body.pressing_pressure_mpa),
    ("green density, g/cm³", |body| body.green_density_g_cm3),
    ("green relative density, %", |body| body.green_relative_density_percent),
    ("mass loss on firing, %", |body| body.mass_loss_percent),
    ("volume shrinkage, %", |body| body.volume_shrinkage_percent),
    ("fired density from mass and sizes, g/cm³", |body| body.fired_density_g_cm3),
    ("fired density by weighing in a liquid, g/cm³", |body| body.archimedes_density_g_cm3),
    ("apparent solid density, g/cm³", |body| body.apparent_solid_density_g_cm3),
    ("open porosity, %", |body| body.open_porosity_percent),
    ("closed porosity, %", |body| body.closed_porosity_percent),
];

/// What follows from the readings, and how long the firing was.
fn bodies(relation: &Relation) -> Table {
    let specimens = &relation.specimens;
    let mut rows: Vec<Vec<String>> = BODY_ROWS
        .iter()
        .filter(|(_, value)| specimens.iter().any(|specimen| value(&specimen.body).is_some()))
        .map(|(head, value)| {
            let cell = |found: Value| {
                let half = found.expanded();
                with_interval(found.value, Some(found.value - half), Some(found.value + half))
            };
            first_then(head, specimens.iter().map(|s| value(&s.body).map_or_else(unknown, cell)))
        })
        .collect();
    let times: [FiringRow; 3] = [
        ("firing programme, h", |firing| firing.duration_min.map(|minutes| minutes / 60.0)),
        ("within 50 K of the peak, h", |firing| firing.minutes_near_peak.map(|minutes| minutes / 60.0)),
        ("thermal work, log₁₀ of Θ in s/K", |firing| {
            firing.thermal_work.as_ref().map(|work| work.log10_theta)
        }),
    ];
    for (head, value) in times {
        let found: Vec<Option<f64>> = specimens.iter().map(|s| s.firing.as_ref().and_then(value)).collect();
        if found.iter().any(Option::is_some) {
            rows.push(first_then(head, found.into_iter().map(|v| significant_or_unknown(v, 4))));
        }
    }
    Table {
        caption: "Body and firing, from the readings in the study sheet",
        heads: first_then("quantity", specimens.iter().map(|specimen| printable(&specimen.name))),
        rows,
        note: "± two standard uncertainties, carried from the stated reading uncertainties, or from usual ones where none is stated. \
               Densities in a liquid after the methods of ISO 18754 and ASTM C373, with the density of water at its temperature and the \
               buoyancy of air."
            .into(),
    }
}

/// Porosity of pictures against that of weighing and measuring.
fn comparisons(relation: &Relation) -> Table {
    let found = relation.specimens.iter().flat_map(|s| s.comparisons.iter().map(move |c| (&s.name, c)));
    Table {
        caption: "Porosity of the pictures against weighing and measuring, %",
        heads: ["specimen", "against", "pictures", "other", "difference, points", "verdict"].map(str::to_owned).to_vec(),
        rows: found
            .map(|(name, comparison)| {
                let half = comparison.half_width_points;
                let difference = comparison.difference_points;
                let verdict = match comparison.agree {
                    Some(true) => "agree",
                    Some(false) => "differ",
                    None => "no interval: measure a second picture",
                };
                vec![
                    printable(name),
                    method(comparison.method).to_owned(),
                    significant(comparison.pictures_percent, 3),
                    significant(comparison.other_percent, 3),
                    with_interval(difference, half.map(|h| difference - h), half.map(|h| difference + h)),
                    verdict.to_owned(),
                ]
            })
            .collect(),
        note: "Two methods agree where their difference lies within its 95 % interval. Open porosity is a lower bound of what pictures show. \
               Neither value is corrected by the other."
            .into(),
    }
}

fn method(method: Method) -> &'static str {
    match method {
        Method::Archimedes => "total, weighed in a liquid",
        Method::Geometrical => "total, from mass and sizes",
        Method::ArchimedesOpen => "open, weighed in a liquid",
    }
}

/// The usual reasons where methods differ, none of them shown to apply.
fn reasons(relation: &Relation) -> Vec<String> {
    let found = relation.specimens.iter().flat_map(|s| s.comparisons.iter().map(move |c| (&s.name, c)));
    found
        .filter(|(_, comparison)| !comparison.usual_reasons.is_empty())
        .map(|(name, comparison)| {
            format!(
                "{} ({}): {}",
                printable(name),
                method(comparison.method),
                comparison.usual_reasons.join("; ")
            )
        })
        .collect()
}

/// A number without idle digits.
fn trimmed(value: f64) -> String {
    let rounded: f64 = significant(value, 5).parse().unwrap_or(value);
    rounded.to_string()
}
