//! The section of `report.html` on the firing, put into the page of a measured study.

use std::collections::BTreeSet;

use askama::Template;

use super::super::name::printable;
use super::super::number::{significant, with_interval};
use super::super::relation::RelationFigure;
use crate::body::agreement::{Comparison, Method};
use crate::relate::observation::{Condition, PROPERTIES};
use crate::relate::relation::{RelatedSpecimen, Relation};

/// Where the section goes: before this part of the page …
const PART_AFTER: &str = "<section id=\"specimens\"";
/// … and before this line of its contents.
const LINE_AFTER: &str = "<li><a href=\"#specimens\">";
/// Links from the page to the overlays.
const OVERLAY_LINK: &str = "href=\"./overlays/";

/// `report`, the page of a measured study, with a section on the firing. `results` is where the results folder is, seen from
/// the new page, such as `..`.
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
    agreements: Vec<String>,
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
        tables: vec![conditions(relation), properties(relation)],
        agreements: agreements(relation),
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
        let number = specimen.conditions.get(head).map(f64::to_string);
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
    words.extend(relation.growth.fit.as_ref().map(|fit| {
        let energy = fit.activation_energy_kj_mol.map_or_else(String::new, |q| {
            let half = fit.activation_energy_half_width.map_or_else(String::new, |h| format!(" ± {}", significant(h, 2)));
            format!(", Q = {}{half} kJ/mol", significant(q, 3))
        });
        let half = fit.exponent_half_width.map_or_else(|| " (given)".into(), |h| format!(" ± {}", significant(h, 2)));
        format!(
            "Grain growth Gⁿ − G0ⁿ = K t: n = {}{half}{energy}, from {} conditions with {} fitted parameters (95 % intervals)",
            significant(fit.exponent, 3),
            fit.condition_count,
            fit.parameter_count
        )
    }));
    Part {
        title: "Grain growth and densification".into(),
        figures,
        words,
        refused: relation.growth.refused.iter().map(|sentence| printable(&capitalised(sentence))).collect(),
    }
}

/// Porosity of pictures against that of weighing and measuring, with the usual reasons where they differ.
fn agreements(relation: &Relation) -> Vec<String> {
    let comparisons = relation.specimens.iter().flat_map(|s| s.comparisons.iter().map(move |c| (&s.name, c)));
    comparisons.map(|(name, comparison)| printable(&agreement(name, comparison))).collect()
}

fn agreement(name: &str, found: &Comparison) -> String {
    let other = match found.method {
        Method::Archimedes => "total porosity by weighing in a liquid",
        Method::Geometrical => "total porosity from mass and sizes",
        Method::ArchimedesOpen => {
            "open porosity by weighing in a liquid, which pictures should at least show"
        }
    };
    let verdict = match (found.agree, found.half_width_points) {
        (Some(true), Some(half)) => format!("agree within ± {} points", significant(half, 2)),
        (Some(false), Some(half)) => format!("differ beyond ± {} points", significant(half, 2)),
        _ => "cannot be compared without an interval: measure a second picture".into(),
    };
    let reasons = if found.usual_reasons.is_empty() {
        String::new()
    } else {
        format!(". Usual reasons, none shown to apply: {}", found.usual_reasons.join("; "))
    };
    format!(
        "{name}: pictures {} %, {other} {} %: {verdict}{reasons}",
        significant(found.pictures_percent, 3),
        significant(found.other_percent, 3)
    )
}
