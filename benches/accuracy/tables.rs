//! Scores as Markdown tables.

use std::collections::BTreeMap;

use crate::Methods;
use crate::score::{GrainRun, GrainScore, Score};
use crate::summary::{mean, median, sizes};
use crate::truth::LEARNED_FROM;

/// An error of the mean intercept above which a reader should have been told, in percent.
const OFF_PERCENT: f64 = 10.0;
/// … and one up to which a doubt is a false alarm.
const RIGHT_PERCENT: f64 = 5.0;

/// Porosity for every rule side by side, grains for each boundary map, and how doubts and errors go together.
pub fn markdown(scores: &[Score], methods: &Methods) -> String {
    let mut text = String::new();
    let with_pores: Vec<&Score> = scores.iter().filter(|score| !score.pores.is_empty()).collect();
    if !with_pores.is_empty() {
        porosity(&mut text, &with_pores, methods);
    }
    let with_grains: Vec<&Score> = scores.iter().filter(|score| !score.grains.is_empty()).collect();
    if !with_grains.is_empty() {
        for (index, map) in methods.boundaries.iter().enumerate() {
            let rule = methods.pores[0].name();
            text += &format!("\n### Grains by `--boundaries {}`, pores by `{rule}`\n\n", map.name());
            grains(&mut text, &with_grains, index);
        }
        doubts(&mut text, &with_grains, methods);
    }
    text
}

fn porosity(text: &mut String, scores: &[&Score], methods: &Methods) {
    let names: Vec<String> = methods.pores.iter().map(|rule| format!("`{}`", rule.name())).collect();
    *text += "### Porosity by every rule: error in percentage points\n\n";
    *text += "In brackets: against the truth without its finest particles, where it tells \
              them apart. A name behind a number: the rule that the program chose.\n\n";
    row(text, ["set".into(), "picture".into(), "true %".into()].into_iter().chain(names.iter().cloned()));
    row(text, ["---".into(), "---".into()].into_iter().chain(vec!["--:".into(); names.len() + 1]));
    for score in scores {
        let truth = [score.set.clone(), score.name.clone(), number(score.porosity_percent, 2)];
        let asked = methods.pores.iter().enumerate();
        let errors = asked.map(|(rule, asked)| porosity_cell(score, rule, asked.name()));
        row(text, truth.into_iter().chain(errors));
    }
    *text += "\n### Porosity by look: mean and worst size of the error, in points, and mean overlap with the true pores\n\n";
    row(text, ["set", "look", "part", "pictures"].map(str::to_owned).into_iter().chain(names));
    row(text, vec!["---".into(); 3].into_iter().chain(vec!["--:".into(); methods.pores.len() + 1]));
    for ([set, look, part], group) in groups(scores) {
        let facts = [set, look, part, group.len().to_string()];
        let errors = (0..methods.pores.len()).map(|rule| {
            let found = sizes(group.iter().filter_map(|score| score.porosity_error(rule)));
            let missing = group.iter().filter(|score| score.porosity_error(rule).is_none()).count();
            let none = if missing > 0 { format!(", none {missing}") } else { String::new() };
            let overlap = mean(group.iter().filter_map(|score| score.pores[rule].overlap));
            format!("{}, {}{none}; {}", number(found.mean, 2), number(found.worst, 2), number(overlap, 3))
        });
        row(text, facts.into_iter().chain(errors));
    }
}

/// Signed error, and the rule that was used where the program chose another one than asked for.
fn porosity_cell(score: &Score, rule: usize, asked: &str) -> String {
    let found = &score.pores[rule];
    let coarse = score.coarse_only_percent.and_then(|coarse| Some(found.found_percent? - coarse));
    let mut cell = signed(score.porosity_error(rule), 2);
    if coarse.is_some() {
        cell += &format!(" ({})", signed(coarse, 2));
    }
    if found.used != asked {
        cell += &format!(" {}", found.used);
    }
    cell
}

fn grains(text: &mut String, scores: &[&Score], map: usize) {
    let heads = [
        "set",
        "picture",
        "mean intercept, error %",
        "interval covers",
        "adapted Rand error",
        "split, bits",
        "merged, bits",
        "sum, bits",
        "boundary F1 at 2 px",
        "s",
        "warnings",
    ];
    row(text, heads.map(str::to_owned));
    row(
        text,
        ["---", "---", "--:", "--:", "--:", "--:", "--:", "--:", "--:", "--:", "---"].map(str::to_owned),
    );
    for score in scores {
        row(text, picture_line(score, &score.grains[map]));
    }
    *text += "\n";
    let heads = [
        "set",
        "look",
        "part",
        "pictures",
        "none",
        "mean size of error %",
        "median",
        "worst",
        "intervals that cover",
        "mean Rand error",
        "median",
        "mean information lost, bits",
        "mean F1",
        "median s",
    ];
    row(text, heads.map(str::to_owned));
    row(text, vec!["---".to_owned(); 3].into_iter().chain(vec!["--:".to_owned(); heads.len() - 3]));
    for (names, group) in groups(scores) {
        let runs: Vec<&GrainRun> = group.iter().map(|score| &score.grains[map]).collect();
        row(text, names.into_iter().chain(group_cells(&runs)));
    }
}

fn picture_line(score: &Score, run: &GrainRun) -> [String; 11] {
    let found = run.score.as_ref();
    let of = |value: fn(&GrainScore) -> f64, decimals| number(found.map(value), decimals);
    let covers = found.and_then(|g| g.covered).map_or("-", |covered| if covered { "yes" } else { "no" });
    let error = match score.shows_grains {
        Some(false) if run.given => "given, though none are seen".to_owned(),
        Some(false) => "none, rightly".to_owned(),
        _ => signed(found.map(|g| g.error_percent), 1),
    };
    [
        score.set.clone(),
        score.name.clone(),
        error,
        covers.to_owned(),
        of(|g| g.pair_error, 3),
        of(|g| g.split_bits, 2),
        of(|g| g.merge_bits, 2),
        of(|g| g.split_bits + g.merge_bits, 2),
        of(|g| g.boundary_f1, 3),
        format!("{:.2}", run.time_s),
        run.warnings.join(", "),
    ]
}

fn group_cells(runs: &[&GrainRun]) -> [String; 11] {
    let found: Vec<&GrainScore> = runs.iter().filter_map(|run| run.score.as_ref()).collect();
    let errors = sizes(found.iter().map(|g| g.error_percent));
    let pairs: Vec<f64> = found.iter().map(|g| g.pair_error).collect();
    let stated: Vec<bool> = found.iter().filter_map(|g| g.covered).collect();
    [
        runs.len().to_string(),
        runs.iter().filter(|run| !run.given).count().to_string(),
        number(errors.mean, 1),
        number(errors.median, 1),
        number(errors.worst, 1),
        format!("{} of {}", stated.iter().filter(|&&covers| covers).count(), stated.len()),
        number(mean(pairs.iter().copied()), 3),
        number(median(pairs), 3),
        number(mean(found.iter().map(|g| g.split_bits + g.merge_bits)), 2),
        number(mean(found.iter().map(|g| g.boundary_f1)), 3),
        number(median(runs.iter().map(|run| run.time_s).collect()), 2),
    ]
}

/// Whether readers are warned of what is wrong, and of nothing else.
fn doubts(text: &mut String, scores: &[&Score], methods: &Methods) {
    *text += &format!(
        "\n### Doubts against errors\n\nA picture counts as doubted if no grain size is given, or with a warning whose \
         code begins with `grain`: the others (scale, light, pores) do not speak of boundaries. Pictures without a size \
         count among those off by more than {OFF_PERCENT} %; the column beside leaves them out. Pictures that the network \
         learned from are left out.\n\n",
    );
    let off = format!("off by more than {OFF_PERCENT} %");
    let heads = [
        "set".to_owned(),
        "boundaries".to_owned(),
        format!("doubted among those {off} or without a size"),
        format!("with a size, {off}"),
        format!("doubted among those within {RIGHT_PERCENT} %"),
        "no size where no grains are seen".to_owned(),
    ];
    row(text, heads);
    row(text, ["---", "---", "--:", "--:", "--:", "--:"].map(str::to_owned));
    let mut sets: Vec<&str> = scores.iter().map(|score| score.set.as_str()).collect();
    sets.dedup();
    for set in sets {
        for (index, map) in methods.boundaries.iter().enumerate() {
            let group: Vec<&Score> =
                scores.iter().copied().filter(|s| s.set == set && s.part != LEARNED_FROM).collect();
            let cells = doubt_cells(&group, index);
            row(text, [set.to_owned(), format!("`{}`", map.name())].into_iter().chain(cells));
        }
    }
}

fn doubt_cells(scores: &[&Score], map: usize) -> [String; 4] {
    let runs = |seen: bool| {
        scores.iter().filter(move |s| s.shows_grains == Some(seen)).map(move |score| &score.grains[map])
    };
    let size = |run: &GrainRun| run.score.as_ref().map(|g| g.error_percent.abs());
    let share = |runs: Vec<&GrainRun>, told: fn(&GrainRun) -> bool| {
        format!("{} of {}", runs.iter().filter(|run| told(run)).count(), runs.len())
    };
    [
        share(
            runs(true).filter(|run| size(run).is_none_or(|e| e > OFF_PERCENT)).collect(),
            GrainRun::doubted,
        ),
        share(
            runs(true).filter(|run| size(run).is_some_and(|e| e > OFF_PERCENT)).collect(),
            GrainRun::doubted,
        ),
        share(
            runs(true).filter(|run| size(run).is_some_and(|e| e <= RIGHT_PERCENT)).collect(),
            GrainRun::doubted,
        ),
        share(runs(false).collect(), |run| !run.given),
    ]
}

/// Pictures by set, look and part; then all looks of a set where there are several.
fn groups<'a>(scores: &[&'a Score]) -> Vec<([String; 3], Vec<&'a Score>)> {
    let mut groups: BTreeMap<(String, bool, String, &str), Vec<&Score>> = BTreeMap::new();
    for &score in scores {
        let by_look = (score.set.clone(), false, score.look.clone(), score.part);
        let all = (score.set.clone(), true, "all".to_owned(), score.part);
        groups.entry(by_look).or_default().push(score);
        groups.entry(all).or_default().push(score);
    }
    let several = |set: &str| scores.iter().any(|score| score.set == set && score.look != score.set);
    let kept = groups.into_iter().filter(|((set, is_all, ..), _)| !is_all || several(set));
    kept.map(|((set, _, look, part), group)| ([set, look, part.to_owned()], group)).collect()
}

fn row(text: &mut String, cells: impl IntoIterator<Item = String>) {
    for cell in cells {
        *text += "| ";
        *text += &cell;
        *text += " ";
    }
    *text += "|\n";
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "none".to_owned(), |v| format!("{v:.decimals$}"))
}

fn signed(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "none".to_owned(), |v| format!("{v:+.decimals$}"))
}
