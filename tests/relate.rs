//! `ceramograph relate` as a user types it, and what it concludes, against known truth and published tables.

mod published_tables;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use ceramograph::relate::effect::effect;
use ceramograph::relate::observation::{
    GRAIN_SIZE, Measured, Observation, POROSITY, Property, RELATIVE_DENSITY,
};
use ceramograph::relate::{Question, answer};
use published_tables::{BRICK, YSZ};
use serde_json::Value;

fn sample_images() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

fn ceramograph(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_ceramograph")).current_dir(folder).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// A folder with the results of the demonstration study.
fn measured() -> tempfile::TempDir {
    let work = tempfile::tempdir().unwrap();
    let output = ceramograph(work.path(), &["measure", sample_images().to_str().unwrap(), "--quiet"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    work
}

fn relation(work: &Path) -> Value {
    let path = work.join("ceramograph-results/relation/relation.json");
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// Mean of a number over the truth files of a specimen.
fn truth(specimen: &str, key: &str) -> f64 {
    let values: Vec<f64> = (1..=3)
        .map(|field| sample_images().join(format!("truth/{specimen}/field-{field}.truth.json")))
        .map(|path| {
            serde_json::from_slice::<Value>(&std::fs::read(path).unwrap()).unwrap()[key].as_f64().unwrap()
        })
        .collect();
    values.iter().sum::<f64>() / values.len() as f64
}

#[test]
fn the_demonstration_tells_the_story_of_its_truth() {
    let work = measured();
    let output = ceramograph(work.path(), &["relate", "ceramograph-results"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    // The truth: porosity falls with every firing, so the densest is the hottest, and the grains grow.
    let porosity = ["R1450", "R1550", "R1650"].map(|specimen| truth(specimen, "porosity_percent"));
    let grains = ["R1450", "R1550", "R1650"].map(|specimen| truth(specimen, "mean_intercept_um"));
    assert!(
        porosity[0] > porosity[1]
            && porosity[1] > porosity[2]
            && grains[0] < grains[1]
            && grains[1] < grains[2]
    );
    assert!(told.contains("density rises with peak temperature up to 1650 °C"), "{told}");
    assert!(told.contains("the densest pieces lie at the end of what was tried"), "{told}");
    let relation = relation(work.path());
    for (specimen, (porosity, grain)) in
        relation["specimens"].as_array().unwrap().iter().zip(porosity.iter().zip(grains))
    {
        let found = |key: &str| {
            let property = &specimen["properties"][key];
            (property["value"].as_f64().unwrap(), property["half_width"].as_f64().unwrap())
        };
        let (value, half) = found("porosity_percent");
        assert!((value - porosity).abs() < half.max(0.6), "{specimen}: {porosity}");
        let (value, half) = found("mean_linear_intercept_um");
        assert!((value - grain).abs() < half, "{specimen}: {grain}");
        // The rings were weighed as dense as their pictures were drawn.
        let (density, half) = found("relative_density_percent");
        assert!((100.0 - density - porosity).abs() < half + 0.7, "{specimen}: {porosity}");
        assert_eq!(specimen["relative_density_from"], "archimedes");
    }
    // Grains coarsen by the factor of the truth, as far as two digits and 5 % of the intercept go.
    let factor = grains[2] / grains[0];
    let stated: f64 =
        told.split("coarsen by a factor of ").nth(1).unwrap().lines().next().unwrap().parse().unwrap();
    assert!((stated / factor - 1.0).abs() < 0.08, "{stated}, {factor}");
    for file in
        ["relation.csv", "specimens.csv", "report.html", "figures/porosity_percent-by-peak_temperature_c.svg"]
    {
        assert!(work.path().join("ceramograph-results/relation").join(file).is_file(), "{file}");
    }
    let page = std::fs::read_to_string(work.path().join("ceramograph-results/relation/report.html")).unwrap();
    assert!(
        page.contains("id=\"firing\"")
            && page.contains("href=\"../overlays/")
            && page.matches("#firing").count() == 1
    );
}

#[test]
fn a_relation_is_the_same_twice_and_replaces_only_itself() {
    let work = measured();
    let relate = |arguments: &[&str]| {
        ceramograph(work.path(), &[&["relate", "ceramograph-results"], arguments].concat())
    };
    let first = relate(&["--out", "one"]);
    assert_eq!(first.status.code(), Some(0));
    assert_eq!(relate(&["--out", "two", "--quiet"]).stdout, b"");
    for file in ["relation.json", "relation.csv", "specimens.csv", "report.html"] {
        let read = |folder: &str| std::fs::read(work.path().join(folder).join(file)).unwrap();
        assert_eq!(read("one"), read("two"), "{file}");
    }
    let again = relate(&["--out", "one"]);
    assert_eq!(again.status.code(), Some(2));
    assert!(text(&again.stderr).contains("--replace"), "{}", text(&again.stderr));
    assert_eq!(relate(&["--out", "one", "--replace"]).status.code(), Some(0));
    let over_results = relate(&["--out", "ceramograph-results", "--replace"]);
    assert_eq!(over_results.status.code(), Some(2));
    assert!(work.path().join("ceramograph-results/summary.json").is_file());
    let json = relate(&["--out", "three", "--json"]);
    let parsed: Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(parsed["schema_version"], 1);
}

#[test]
fn what_was_not_fired_is_refused_and_what_is_not_there_is_named() {
    let work = measured();
    let relate = |arguments: &[&str]| {
        ceramograph(work.path(), &[&["relate", "ceramograph-results"], arguments].concat())
    };
    let told = text(&relate(&["--at", "peak_temperature_c=1700", "--at", "peak_temperature_c=1500"]).stdout);
    assert!(
        told.contains("nothing is predicted for a peak temperature of 1700 °C")
            && told.contains("from 1450 to 1650 °C"),
        "{told}"
    );
    let at = relation(work.path())["effects"][0]["line"]["at"].clone();
    let places: Vec<f64> = at.as_array().unwrap().iter().map(|p| p["condition"].as_f64().unwrap()).collect();
    assert_eq!(places, [1450.0, 1550.0, 1650.0, 1500.0]);
    // One hold time carries no exponent; a given one leaves K and Q to three temperatures.
    assert!(told.contains("no law of grain growth: all holds last 2 h"), "{told}");
    let told =
        text(&relate(&["--out", "growth", "--growth-exponent", "3", "--initial-grain", "0.3um"]).stdout);
    assert!(
        told.contains("n = 3.00 (given), Q = ") && told.contains("from 3 conditions with 2 fitted"),
        "{told}"
    );
    let unknown = relate(&["--out", "x", "--condition", "kiln_god"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(
        text(&unknown.stderr).contains("'kiln_god'") && text(&unknown.stderr).contains("peak_temperature_c")
    );
    let typo = relate(&["--out", "x", "--at", "peak_temperature_c:1500"]);
    assert!(typo.status.code() == Some(2) && text(&typo.stderr).contains("HEAD=VALUE"));
    let folder = ceramograph(work.path(), &["relate", "."]);
    assert!(
        folder.status.code() == Some(2) && text(&folder.stderr).contains("run.json"),
        "{}",
        text(&folder.stderr)
    );
    assert!(!work.path().join("x").exists(), "nothing is left of a refused relation");
}

#[test]
fn a_sheet_with_a_wrong_cell_and_other_specimens_loses_nothing() {
    let work = measured();
    let sheet = "specimen;peak_temperature_c;hold_min;binder %\nR1450;1450;120;1,0\nR1550;15h50;120;1,5\nR1700;1700;120;2,0\n";
    std::fs::write(work.path().join("rings.csv"), sheet).unwrap();
    let output = ceramograph(work.path(), &["relate", "ceramograph-results", "--sheet", "rings.csv"]);
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
    let warnings = text(&output.stderr);
    assert!(
        warnings.contains("row 3")
            && warnings.contains("'peak_temperature_c'")
            && warnings.contains("'15h50'"),
        "{warnings}"
    );
    assert!(
        warnings.contains("R1650 has pictures and no row") && warnings.contains("R1700 has a row"),
        "{warnings}"
    );
    let quiet = ceramograph(
        work.path(),
        &["relate", "ceramograph-results", "--sheet", "rings.csv", "--replace", "--quiet"],
    );
    assert_eq!((quiet.status.code(), text(&quiet.stderr).as_str()), (Some(1), ""));
    let relation = relation(work.path());
    let codes: Vec<&str> =
        relation["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect();
    assert!(
        codes.contains(&"specimen-without-row") && codes.contains(&"specimen-without-pictures"),
        "{codes:?}"
    );
    assert_eq!(relation["specimens"].as_array().unwrap().len(), 4);
    // The binder is a column of the user's own; two specimens have it and a porosity.
    let effects = relation["effects"].as_array().unwrap();
    assert!(
        effects.iter().any(|e| e["condition"] == "binder %" && e["levels"].as_array().unwrap().len() == 2)
    );
}

#[test]
fn a_programme_of_several_segments_is_told_by_its_peak() {
    let work = measured();
    let mut sheet = String::from(
        "specimen,peak_temperature_c,segment_1_ramp_k_min,segment_1_target_c,segment_1_hold_min,",
    );
    sheet += "segment_2_ramp_k_min,segment_2_target_c,segment_2_hold_min\n";
    for (specimen, celsius) in [("R1450", 1450), ("R1550", 1550), ("R1650", 1650)] {
        // The stated peak is another one, and the segments are used.
        sheet += &format!("{specimen},1400,2,600,60,5,{celsius},120\n");
    }
    std::fs::write(work.path().join("rings.csv"), sheet).unwrap();
    let output = ceramograph(work.path(), &["relate", "ceramograph-results", "--sheet", "rings.csv"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("with peak temperature"), "{}", text(&output.stdout));
    let conditions = relation(work.path())["specimens"][0]["conditions"].clone();
    assert_eq!(conditions["peak_temperature_c"], 1450.0);
    assert_eq!((&conditions["hold_min"], &conditions["ramp_rate_k_min"]), (&120.0.into(), &5.0.into()));
}

#[test]
fn links_lead_to_the_overlays_from_wherever_the_relation_lies() {
    let work = measured();
    std::fs::create_dir(work.path().join("deep")).unwrap();
    let output =
        ceramograph(&work.path().join("deep"), &["relate", "../ceramograph-results", "--out", "../beside"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let page = std::fs::read_to_string(work.path().join("beside/report.html")).unwrap();
    let link = page.split("href=\"").find(|part| part.contains("/overlays/")).unwrap();
    let link = link.split('"').next().unwrap();
    assert_eq!(link.split("/overlays/").next(), Some("../ceramograph-results"));
    assert!(work.path().join("beside").join(link).is_file(), "{link}");
}

#[test]
fn results_that_were_changed_are_not_related() {
    let work = measured();
    let summary = work.path().join("ceramograph-results/summary.json");
    let changed =
        std::fs::read_to_string(&summary).unwrap().replacen("\"pore_count\": ", "\"pore_count\": 1", 1);
    std::fs::write(&summary, changed).unwrap();
    let output = ceramograph(work.path(), &["relate", "ceramograph-results"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("changed since it was measured"), "{}", text(&output.stderr));
}

#[test]
fn the_template_reads_back_and_needs_no_results() {
    let work = tempfile::tempdir().unwrap();
    let output = ceramograph(work.path(), &["relate", "--template"]);
    assert_eq!(output.status.code(), Some(0));
    std::fs::write(work.path().join("specimens.csv"), &output.stdout).unwrap();
    let sheet = ceramograph::study::sheet::read(&work.path().join("specimens.csv")).unwrap();
    assert!(sheet.problems.is_empty() && sheet.rows.is_empty(), "{:?}", sheet.problems);
    assert_eq!(ceramograph(work.path(), &["relate"]).status.code(), Some(2));
}

fn observation(specimen: &str, condition: f64, property: Property, value: f64) -> Observation {
    let mut observation = Observation { specimen: specimen.to_owned(), ..Observation::default() };
    observation.numbers.insert("peak_temperature_c".into(), condition);
    observation.properties.insert(property.key, Measured::single(value, None));
    observation
}

#[test]
fn the_8ysz_table_lacks_fit_and_1700_degrees_are_refused() {
    let observations: Vec<Observation> = YSZ
        .iter()
        .map(|&(celsius, density)| {
            observation(&celsius.to_string(), celsius, POROSITY, 100.0 * (1.0 - density))
        })
        .collect();
    let found = effect(&observations, "peak_temperature_c", POROSITY, &[1250.0, 1700.0]).unwrap();
    let line = found.line.unwrap();
    assert!((line.slope + 0.06978838).abs() < 5e-9 && (line.r_squared - 0.908587).abs() < 5e-7);
    let at_1250 = line.at.last().unwrap();
    assert!((at_1250.value - 16.7441).abs() < 5e-5 && (at_1250.mean_half_width - 3.6461).abs() < 5e-5);
    assert!(found.lack_of_fit.unwrap().lacks_fit);
    assert!(
        found.words.iter().any(|w| w.contains("a straight line does not describe porosity")),
        "{:?}",
        found.words
    );
    let refused: Vec<&String> = found.refused.iter().filter(|w| w.contains("1700")).collect();
    assert!(refused.len() == 1 && refused[0].contains("from 950 to 1500 °C"), "{:?}", found.refused);
    assert!(found.weighted_line.is_none() && found.refused.iter().any(|w| w.contains("weighted line")));
}

#[test]
fn brick_density_by_temperature_shows_no_effect_and_says_so() {
    let observations: Vec<Observation> = BRICK
        .iter()
        .flat_map(|(celsius, values)| {
            values
                .iter()
                .enumerate()
                .map(move |(i, v)| observation(&format!("{celsius}-{i}"), *celsius, RELATIVE_DENSITY, *v))
        })
        .collect();
    let found = effect(&observations, "peak_temperature_c", RELATIVE_DENSITY, &[]).unwrap();
    let differences = found.differences.as_ref().unwrap();
    assert_eq!(differences.replicates, "specimens");
    let anova = differences.anova.as_ref().unwrap();
    assert!((anova.f - 2.0237).abs() < 5e-5 && (anova.p - 0.1569).abs() < 5e-5 && !differences.shown);
    assert!(
        found.words[0].contains("no difference in relative density can be shown")
            && found.words[0].contains("p = 0.16"),
        "{:?}",
        found.words
    );
}

#[test]
fn a_plateau_with_coarsening_grains_is_told_as_such() {
    // Density rises to 1500 and stays; grains double beyond. Five specimens a level with a scatter of about 0.2.
    let scatter = [-0.2, -0.1, 0.0, 0.1, 0.2];
    let levels = [(1400.0, 12.0, 1.0), (1500.0, 3.0, 1.5), (1600.0, 2.95, 3.0)];
    let mut observations = Vec::new();
    for (celsius, porosity, grain) in levels {
        for (index, off) in scatter.iter().enumerate() {
            let mut piece = observation(&format!("{celsius}-{index}"), celsius, POROSITY, porosity + off);
            piece.properties.insert(GRAIN_SIZE.key, Measured::single(grain + 0.2 * off, None));
            observations.push(piece);
        }
    }
    let told = answer(&observations, &Question::default()).conclusions;
    assert!(told[0].contains("density rises with peak temperature up to 1500 °C"), "{told:?}");
    assert!(told[0].contains("to 1600 °C it does not change within its interval"), "{told:?}");
    assert!(told[0].contains("grains coarsen by a factor of 2.0"), "{told:?}");
    assert!(told[1].contains("choose peak temperature 1500 °C"), "{told:?}");
    // Worse again at 1700: over-firing.
    for (index, off) in scatter.iter().enumerate() {
        observations.push(observation(&format!("1700-{index}"), 1700.0, POROSITY, 6.0 + off));
    }
    let told = answer(&observations, &Question::default()).conclusions;
    assert!(told.iter().any(|w| w.contains("over-firing") && w.contains("beyond 1500 °C")), "{told:?}");
}

#[test]
fn conditions_that_change_in_step_are_not_told_apart() {
    let observations: Vec<Observation> = [(1450.0, 60.0, 9.0), (1550.0, 120.0, 4.0), (1650.0, 240.0, 2.0)]
        .into_iter()
        .map(|(celsius, minutes, porosity)| {
            let mut piece = observation(&celsius.to_string(), celsius, POROSITY, porosity);
            piece.numbers.insert("hold_min".into(), minutes);
            piece
        })
        .collect();
    let told = answer(&observations, &Question::default()).conclusions;
    assert!(told.iter().any(|w| w.contains("hold and peak temperature changed together")), "{told:?}");
    assert!(told.iter().any(|w| w.contains("cannot be told: measure at least two fields")), "{told:?}");
}
