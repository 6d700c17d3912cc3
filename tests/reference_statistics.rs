//! Tests between groups, ranks and the studentized range against SciPy 1.16.3.
//!
//! Reference values: `tests/reference/group_statistics.json`, made by `tests/reference/group_statistics.py`, to eight
//! digits.

use ceramograph::statistics::groups::{FTest, PairTest, anova, games_howell, kruskal_wallis, tukey, welch};
use ceramograph::statistics::rank::spearman;
use ceramograph::statistics::{studentized_range, tails};
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("reference/group_statistics.json")).expect("the reference file is JSON")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

/// Agreement to seven digits, or to 1e-9 where values are near zero.
fn assert_agrees(found: f64, wanted: &Value, what: &str) {
    let wanted = number(wanted);
    assert!((found - wanted).abs() <= 1e-7 * wanted.abs() + 1e-9, "{what}: {found} is not {wanted}");
}

/// SciPy's quantile of the studentized range and its tail are good to about this share.
const RANGE_DIGITS: f64 = 2e-6;

fn assert_pairs(found: &[PairTest], wanted: &Value, what: &str) {
    let wanted = wanted.as_array().expect("pairs");
    assert_eq!(found.len(), wanted.len());
    for (found, wanted) in found.iter().zip(wanted) {
        let near = |found: f64, key: &str| {
            let value = number(&wanted[key]);
            assert!(
                (found - value).abs() <= RANGE_DIGITS * (1.0 + value.abs()),
                "{what} {key}: {found} is not {value}"
            );
        };
        near(found.p, "p");
        near(found.ci95_low, "low");
        near(found.ci95_high, "high");
    }
}

#[test]
fn groups_agree_with_scipy() {
    for case in reference()["groups"].as_array().expect("groups") {
        let name = case["name"].as_str().expect("a name");
        let values: Vec<Vec<f64>> = case["groups"].as_array().expect("groups").iter().map(numbers).collect();
        let groups: Vec<&[f64]> = values.iter().map(Vec::as_slice).collect();
        let f_test = |found: Option<FTest>, key: &str| {
            let found = found.expect("a test");
            assert_agrees(found.f, &case[key][0], &format!("{name} {key} F"));
            assert_agrees(found.p, &case[key][1], &format!("{name} {key} p"));
        };
        f_test(anova(&groups), "anova");
        f_test(welch(&groups), "welch");
        let ranks = kruskal_wallis(&groups).expect("a test");
        assert_agrees(ranks.h, &case["kruskal"][0], name);
        assert_agrees(ranks.p, &case["kruskal"][1], name);
        assert_pairs(&tukey(&groups).expect("pairs"), &case["tukey"], &format!("{name} tukey"));
        assert_pairs(
            &games_howell(&groups).expect("pairs"),
            &case["games_howell"],
            &format!("{name} games-howell"),
        );
    }
}

#[test]
fn tails_agree_with_scipy() {
    for case in reference()["tails"].as_array().expect("tails") {
        let at = numbers(&case["at"]);
        let found = match case["name"].as_str().expect("a name") {
            "f" => tails::f_upper(at[0], at[1], at[2]),
            "chi squared" => tails::chi_squared_upper(at[0], at[1]),
            _ => tails::t_two_sided(at[0], at[1]),
        };
        let (found, wanted) = (found.expect("a p"), number(&case["p"]));
        assert!((found / wanted - 1.0).abs() < 1e-7, "{case}: {found}");
    }
}

#[test]
fn rank_correlations_agree_with_scipy() {
    for case in reference()["ranks"].as_array().expect("ranks") {
        let found = spearman(&numbers(&case["x"]), &numbers(&case["y"])).expect("a correlation");
        let name = case["name"].as_str().expect("a name");
        assert_agrees(found.rho, &case["rho"], name);
        assert_agrees(found.p, &case["p"], name);
        assert_eq!(found.exact, name != "many");
    }
}

#[test]
fn the_studentized_range_agrees_with_scipy() {
    for case in reference()["ranges"].as_array().expect("ranges") {
        let (q, count) = (number(&case["q"]), case["count"].as_u64().expect("a count") as usize);
        let found = studentized_range::below(q, count, number(&case["degrees"])).expect("a share");
        let wanted = number(&case["below"]);
        assert!((found - wanted).abs() < 1e-7, "{case}: {found}");
        if wanted > 0.01 && wanted < 0.999 {
            let back =
                studentized_range::quantile(wanted, count, number(&case["degrees"])).expect("a quantile");
            assert!((back / q - 1.0).abs() < 1e-4, "{case}: {back}");
        }
    }
}
