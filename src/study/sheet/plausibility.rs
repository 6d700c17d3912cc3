//! Cells of a row that contradict each other.

use std::collections::BTreeMap;

use super::columns::{Quantity, SegmentPart, Text};
use super::problem::{Problem, ProblemKind};
use super::row::SheetRow;
use crate::body::result::body;

/// A dry body that is read heavier than the saturated one by no more than this many standard uncertainties of a weighing is
/// dense, not wrong: √2 for the difference of two weighings, times 3.
const WEIGHING_SCATTER: f64 = 4.25;

/// A stated peak further than this from the highest target of the segments is another firing.
const PEAK_TOLERANCE_K: f64 = 0.5;

/// No ceramic is fired below this; a smaller number is mostly one whose thousands separator was taken for a decimal mark.
const COLDEST_FIRING_C: f64 = 100.0;

/// Diameters of holes, and what they are holes in.
const HOLES: [(Quantity, Quantity); 3] = [
    (Quantity::DieInnerDiameter, Quantity::DieDiameter),
    (Quantity::GreenInnerDiameter, Quantity::GreenOuterDiameter),
    (Quantity::FiredInnerDiameter, Quantity::FiredOuterDiameter),
];

/// Head of each known quantity of the sheet.
pub(super) type Heads = BTreeMap<Quantity, String>;

/// Looks for contradictions in a row. What cannot be is taken out of use, both cells of it, because it is not known which
/// one is wrong; what is only doubtful stays.
pub(super) fn check(row: &mut SheetRow, heads: &Heads) -> Vec<Problem> {
    let mut problems = Vec::new();
    for (inner, outer) in HOLES {
        problems.extend(contradiction(row, heads, [inner, outer], |inner, outer| inner < outer, "less than"));
    }
    let weighing = [Quantity::SuspendedMass, Quantity::DryMass, Quantity::SaturatedMass];
    let [suspended, dry, saturated] = weighing;
    problems.extend(contradiction(
        row,
        heads,
        [suspended, dry],
        |suspended, dry| suspended < dry,
        "less than",
    ));
    problems.extend(lighter_when_saturated(row, heads, saturated, dry));
    for (fired, green) in [
        (Quantity::FiredMass, Quantity::GreenMass),
        (Quantity::FiredOuterDiameter, Quantity::GreenOuterDiameter),
        (Quantity::FiredInnerDiameter, Quantity::GreenInnerDiameter),
        (Quantity::FiredHeight, Quantity::GreenHeight),
    ] {
        if let (Some(after), Some(before)) = (row.value(fired), row.value(green))
            && after > before
        {
            let expected = format!("no more than '{}' ({})", head(heads, green), written(row, heads, green));
            problems.push(problem(row, heads, fired, expected, ProblemKind::Doubtful));
        }
    }
    problems.extend(too_dense(row, heads));
    problems.extend(cold_firing(row, heads));
    problems.extend(another_peak(row, heads));
    problems.extend(liquid_without_density(row));
    problems
}

/// A hole in some rows and an empty cell in others: whether the latter have one is not known.
pub(super) fn holes_left_open(rows: &mut [SheetRow], heads: &Heads) -> Vec<Problem> {
    let mut problems = Vec::new();
    for (inner, outer) in HOLES {
        if !rows.iter().any(|row| row.value(inner).is_some_and(|hole| hole > 0.0)) {
            continue;
        }
        for row in rows.iter_mut().filter(|row| {
            row.value(outer).is_some() && row.value(inner).is_none() && !row.unusable.contains(&inner)
        }) {
            let expected = "an inner diameter as in other rows, or 0 for a body without a hole".to_owned();
            problems.push(problem(row, heads, inner, expected, ProblemKind::Unreadable));
            row.unusable.insert(inner);
        }
    }
    problems
}

/// Takes both quantities out of use unless they are in order.
fn contradiction(
    row: &mut SheetRow,
    heads: &Heads,
    [first, second]: [Quantity; 2],
    in_order: fn(f64, f64) -> bool,
    words: &str,
) -> Option<Problem> {
    let (a, b) = (row.value(first)?, row.value(second)?);
    if in_order(a, b) {
        return None;
    }
    let other = head(heads, second);
    let expected = format!("{words} '{other}' ({}); neither is used", written(row, heads, second));
    let problem = problem(row, heads, first, expected, ProblemKind::Impossible);
    row.discard(first, heads.get(&first).map(String::as_str));
    row.discard(second, heads.get(&second).map(String::as_str));
    Some(problem)
}

fn lighter_when_saturated(
    row: &mut SheetRow,
    heads: &Heads,
    saturated: Quantity,
    dry: Quantity,
) -> Option<Problem> {
    let missing = row.value(dry)? - row.value(saturated)?;
    let scatter = WEIGHING_SCATTER * row.mass_uncertainty_g();
    if missing <= 0.0 || missing > scatter {
        return contradiction(row, heads, [saturated, dry], |saturated, dry| saturated >= dry, "at least");
    }
    let expected = format!(
        "at least '{}' ({}); the difference is within the scatter of weighing, as on a body without open pores",
        head(heads, dry),
        written(row, heads, dry)
    );
    Some(problem(row, heads, saturated, expected, ProblemKind::Doubtful))
}

fn too_dense(row: &SheetRow, heads: &Heads) -> Vec<Problem> {
    let body = body(&row.readings().0);
    let doubt = |quantity, density: Option<crate::body::value::Value>, from: &str| {
        let density = density.filter(|d| d.value > 100.0)?;
        let expected = format!(
            "a relative density of at most 100 %; {from} it is {:.2} % of '{}'",
            density.value,
            head(heads, Quantity::TheoreticalDensity)
        );
        Some(problem(row, heads, quantity, expected, ProblemKind::Doubtful))
    };
    let green = doubt(Quantity::GreenMass, body.green_relative_density_percent, "from mass and sizes");
    let fired = doubt(Quantity::FiredMass, body.fired_relative_density_percent, "from mass and sizes");
    let weighed = doubt(Quantity::DryMass, body.archimedes_relative_density_percent, "from the weighings");
    [green, fired, weighed].into_iter().flatten().collect()
}

fn cold_firing(row: &SheetRow, heads: &Heads) -> Option<Problem> {
    row.value(Quantity::PeakTemperature).filter(|peak| *peak < COLDEST_FIRING_C)?;
    let expected = format!(
        "a firing above {COLDEST_FIRING_C} °C; if a thousands separator was taken for a decimal mark, write it without"
    );
    Some(problem(row, heads, Quantity::PeakTemperature, expected, ProblemKind::Doubtful))
}

fn another_peak(row: &SheetRow, heads: &Heads) -> Option<Problem> {
    let stated = row.value(Quantity::PeakTemperature)?;
    let targets = row.values.iter().filter_map(|(quantity, target)| match quantity {
        Quantity::Segment(_, SegmentPart::Target) => Some(*target),
        _ => None,
    });
    let highest =
        targets.fold(None, |highest: Option<f64>, target| Some(highest.map_or(target, |h| h.max(target))))?;
    ((stated - highest).abs() > PEAK_TOLERANCE_K).then(|| {
        let expected = format!("the highest target of the segments ({highest} °C); the segments are used");
        problem(row, heads, Quantity::PeakTemperature, expected, ProblemKind::Doubtful)
    })
}

fn liquid_without_density(row: &SheetRow) -> Option<Problem> {
    row.value(Quantity::SuspendedMass)?;
    let liquid = row.text(Text::Liquid).filter(|_| !row.liquid_is_water())?;
    if row.value(Quantity::LiquidDensity).is_some() {
        return None;
    }
    Some(Problem {
        row: row.number,
        column: "liquid".to_owned(),
        value: liquid.to_owned(),
        expected: "water, or the density of the liquid in a column such as 'liquid_density_g_cm3'".to_owned(),
        kind: ProblemKind::Doubtful,
    })
}

fn problem(
    row: &SheetRow,
    heads: &Heads,
    quantity: Quantity,
    expected: String,
    kind: ProblemKind,
) -> Problem {
    Problem {
        row: row.number,
        column: head(heads, quantity).to_owned(),
        value: written(row, heads, quantity).to_owned(),
        expected,
        kind,
    }
}

/// Head of a quantity as written.
fn head(heads: &Heads, quantity: Quantity) -> &str {
    heads.get(&quantity).map_or("", String::as_str)
}

fn written<'a>(row: &'a SheetRow, heads: &Heads, quantity: Quantity) -> &'a str {
    heads.get(&quantity).and_then(|head| row.firing.get(head)).map_or("", String::as_str)
}
