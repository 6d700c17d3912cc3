//! Scores as Markdown tables.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::{GrainScore, METHODS, Score};

/// One table for porosity, one for each boundary map, and the medians by look.
pub fn markdown(scores: &[Score]) -> String {
    let mut text = String::from(
        "Easy pictures carry even numbers, hard ones (low dose, faint boundaries) odd numbers.\n\n## Porosity\n\n",
    );
    porosity(&mut text, scores);
    for (index, (method, _)) in METHODS.iter().enumerate() {
        write!(text, "\n## Grains by `--boundaries {method}`\n\n").expect("text can grow");
        grains(&mut text, scores, index);
    }
    text
}

fn porosity(text: &mut String, scores: &[Score]) {
    text.push_str("| picture | true % | found % | error, points |\n|---|--:|--:|--:|\n");
    let mut worst = [0.0f64; 2];
    for score in scores {
        let found = score.found_porosity_percent;
        let error = found.map(|found| found - score.porosity_percent);
        let worst = &mut worst[usize::from(score.hard)];
        *worst = worst.max(error.map_or(f64::INFINITY, f64::abs));
        writeln!(
            text,
            "| {} | {:.2} | {} | {} |",
            score.name,
            score.porosity_percent,
            number(found, 2),
            signed(error, 2)
        )
        .expect("text can grow");
    }
    writeln!(text, "\nWorst: {:.2} points on easy pictures, {:.2} on hard ones.", worst[0], worst[1])
        .expect("text can grow");
}

fn grains(text: &mut String, scores: &[Score], method: usize) {
    text.push_str("| picture | mean intercept, error % | adapted Rand error | split, bits | merged, bits | ");
    text.push_str("boundary F1 at 2 px |\n|---|--:|--:|--:|--:|--:|\n");
    for score in scores {
        let row = score.grains[method].as_ref();
        let of = |value: fn(&GrainScore) -> f64| row.map(value);
        writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} |",
            score.name,
            signed(of(|g| g.intercept_error_percent), 1),
            number(of(|g| g.pair_error), 3),
            number(of(|g| g.split_bits), 2),
            number(of(|g| g.merge_bits), 2),
            number(of(|g| g.boundary_f1), 3),
        )
        .expect("text can grow");
    }
    text.push_str(
        "\n| look | set | median intercept error % (size) | median adapted Rand error | without grains |\n",
    );
    text.push_str("|---|---|--:|--:|--:|\n");
    for ((look, hard), group) in by_look(scores) {
        let found: Vec<&GrainScore> = group.iter().filter_map(|s| s.grains[method].as_ref()).collect();
        writeln!(
            text,
            "| {look} | {} | {} | {} | {} of {} |",
            if hard { "hard" } else { "easy" },
            number(median(found.iter().map(|g| g.intercept_error_percent.abs())), 1),
            number(median(found.iter().map(|g| g.pair_error)), 3),
            group.len() - found.len(),
            group.len(),
        )
        .expect("text can grow");
    }
}

fn by_look(scores: &[Score]) -> BTreeMap<(&str, bool), Vec<&Score>> {
    let mut groups: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for score in scores {
        let look = score.name.rsplit_once('_').map_or(score.name.as_str(), |(look, _)| look);
        groups.entry((look, score.hard)).or_default().push(score);
    }
    groups
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "none".to_owned(), |v| format!("{v:.decimals$}"))
}

fn signed(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "none".to_owned(), |v| format!("{v:+.decimals$}"))
}
