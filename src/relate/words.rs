//! Sentences about one property under one condition. Each says no more than the numbers beside it.

use super::effect::LEVEL;
use super::observation::{Condition, Property};
use super::relation::{Differences, Effect, Level, Line};
use crate::report::number::significant;

/// What can be said about an effect.
pub(super) fn of_effect(effect: &Effect, property: Property) -> Vec<String> {
    let mut words = vec![of_differences(effect, property)];
    if let Some(differences) = &effect.differences
        && differences.replicates == "fields"
    {
        words.push(format!(
            "fields of single specimens were compared, so this speaks of these pieces; whether the firing made the difference takes a \
             second specimen at each {}",
            Condition::of(&effect.condition).name
        ));
    }
    words.extend(effect.line.as_ref().map(|line| of_line(effect, line, property)));
    words
}

fn of_differences(effect: &Effect, property: Property) -> String {
    let (name, condition) = (property.name, Condition::of(&effect.condition).name);
    let levels = effect.levels.len();
    match &effect.differences {
        Some(found) if found.shown => {
            let change = match (effect.levels.first(), effect.levels.last()) {
                (Some(first), Some(last)) if first.value.is_some() => {
                    format!(": {} and {}", at(first, effect, property), at(last, effect, property))
                }
                _ => String::new(),
            };
            format!("{name} differs between the {levels} levels of {condition} ({}){change}", tests(found))
        }
        Some(found) => {
            format!(
                "no difference in {name} can be shown between the {levels} levels of {condition} ({})",
                tests(found)
            )
        }
        None => format!(
            "whether {name} differs between the {levels} levels of {condition} cannot be tested: no level has two specimens or two fields"
        ),
    }
}

fn tests(found: &Differences) -> String {
    let anova = found.anova.as_ref().map(|test| format!("analysis of variance {}", p(test.p)));
    let welch = found.welch.as_ref().map(|test| format!("Welch's {}", p(test.p)));
    let ranks = found.kruskal_wallis.as_ref().map(|test| format!("by ranks {}", p(test.p)));
    let named: Vec<String> = [anova, welch, ranks].into_iter().flatten().collect();
    if named.is_empty() { "no scatter to judge by".into() } else { named.join(", ") }
}

/// A p value; small ones are bounds, for the tails of a distribution are not known better than its form.
pub(super) fn p(value: f64) -> String {
    if value < 1e-4 { "p < 0.0001".into() } else { format!("p = {}", significant(value, 2)) }
}

/// A level's mean with its interval, such as `8.95 % (8.50 to 9.40) at 1450 °C`.
pub(super) fn at(level: &Level, effect: &Effect, property: Property) -> String {
    let (unit, place) = (property.unit, Condition::of(&effect.condition).value(&level.text));
    let interval = match (level.ci95_low, level.ci95_high) {
        (Some(low), Some(high)) => format!(" ({} to {})", significant(low, 3), significant(high, 3)),
        _ => String::new(),
    };
    format!("{} {unit}{interval} at {place}", significant(level.mean, 3))
}

fn of_line(effect: &Effect, line: &Line, property: Property) -> String {
    let (name, unit) = (property.name, property.unit);
    let condition = Condition::of(&effect.condition);
    if let Some(test) = effect.lack_of_fit.as_ref().filter(|test| test.lacks_fit) {
        return format!(
            "a straight line does not describe {name} (lack of fit, {}): use the values at the levels, not the line",
            p(test.p)
        );
    }
    if line.slope_p >= LEVEL {
        return format!(
            "no straight trend of {name} can be shown ({}, {} specimens)",
            p(line.slope_p),
            line.degrees_of_freedom + 2
        );
    }
    format!(
        "on a straight line {name} changes by {} ± {} {unit} for each {} of {} (95 % interval; R² {})",
        significant(line.slope, 3),
        significant(line.slope_half_width, 2),
        if condition.unit.is_empty() { "unit" } else { condition.unit },
        condition.name,
        significant(line.r_squared, 3)
    )
}
