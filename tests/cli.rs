//! The commands as a user types them, on the demonstration study.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use ceramograph::timing::Stage;
use serde_json::Value;

fn sample_images() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

/// One specimen of the demonstration study.
fn one_specimen() -> PathBuf {
    let mut folders: Vec<_> = std::fs::read_dir(sample_images())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir() && !path.ends_with("truth"))
        .collect();
    folders.sort();
    folders.remove(0)
}

fn ceramograph(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_ceramograph")).current_dir(folder).args(arguments).output().unwrap()
}

fn measure(folder: &Path, pictures: &Path, more: &[&str]) -> Output {
    let output = ceramograph(folder, &[&["measure", pictures.to_str().unwrap()], more].concat());
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    output
}

fn summary(results: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(results.join("summary.json")).unwrap()).unwrap()
}

/// Every file below `folder` but the record, whose roots may differ, with its bytes.
fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    walkdir::WalkDir::new(folder)
        .sort_by_file_name()
        .into_iter()
        .map(|entry| entry.unwrap())
        .filter(|entry| entry.file_type().is_file() && entry.file_name() != "run.json")
        .map(|e| (e.path().strip_prefix(folder).unwrap().to_owned(), std::fs::read(e.path()).unwrap()))
        .collect()
}

#[test]
fn the_demonstration_study_is_measured_with_one_command() {
    let work = tempfile::tempdir().unwrap();
    let output = measure(work.path(), &sample_images(), &[]);
    let results = work.path().join("ceramograph-results");
    let summary = summary(&results);
    assert_eq!(summary["fields"].as_array().unwrap().len(), 9);
    assert_eq!(summary["specimens"].as_array().unwrap().len(), 3);
    for file in
        ["fields.csv", "pores.csv", "grains.csv", "chords.csv", "intercepts.csv", "report.html", "run.json"]
    {
        assert!(results.join(file).is_file(), "{file}");
    }
    for field in summary["fields"].as_array().unwrap() {
        assert!(results.join(field["overlay"].as_str().unwrap()).is_file());
    }
    let table = String::from_utf8(output.stdout).unwrap();
    for specimen in summary["specimens"].as_array().unwrap() {
        assert!(table.contains(specimen["name"].as_str().unwrap()), "{table}");
    }
    assert_eq!(String::from_utf8(output.stderr).unwrap().lines().count(), 9, "one line a field");
}

#[test]
fn fired_hotter_the_rings_are_denser_and_coarser_as_their_truth_says() {
    // The truth of the invented study is exact; the measured values must tell the same story and lie near it.
    let work = tempfile::tempdir().unwrap();
    measure(work.path(), &sample_images(), &["--quiet"]);
    let summary = summary(&work.path().join("ceramograph-results"));
    let values = |key: &str| -> Vec<f64> {
        let specimens = summary["specimens"].as_array().unwrap().iter();
        specimens.map(|s| s[key]["mean"].as_f64().unwrap()).collect()
    };
    let porosity = values("porosity_percent");
    let intercept = values("mean_linear_intercept_um");
    assert!(porosity.is_sorted_by(|a, b| a > b), "{porosity:?}");
    assert!(intercept.is_sorted_by(|a, b| a < b), "{intercept:?}");
}

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let work = tempfile::tempdir().unwrap();
    let pictures = one_specimen();
    for threads in ["1", "2", "3"] {
        measure(work.path(), &pictures, &["--quiet", "--label-maps", "--threads", threads, "--out", threads]);
    }
    let one = contents(&work.path().join("1"));
    assert!(one == contents(&work.path().join("2")) && one == contents(&work.path().join("3")));
}

#[test]
fn the_resolved_options_repeat_the_run_byte_for_byte() {
    let work = tempfile::tempdir().unwrap();
    let pictures = one_specimen();
    let flags = ["--pores", "kapur", "--smallest-pore", "20", "--line-angles", "0,30,90", "--circles=false"];
    measure(work.path(), &pictures, &[&["--quiet", "--out", "flags"], &flags[..]].concat());
    let options: toml::Table =
        serde_json::from_value(without_nulls(summary(&work.path().join("flags"))["options"].clone()))
            .unwrap();
    std::fs::write(work.path().join("options.toml"), toml::to_string(&options).unwrap()).unwrap();
    measure(work.path(), &pictures, &["--quiet", "--out", "file", "--options", "options.toml"]);
    assert!(contents(&work.path().join("flags")) == contents(&work.path().join("file")));
    // Flags win over the file.
    measure(
        work.path(),
        &pictures,
        &["--quiet", "--out", "both", "--options", "options.toml", "--pores", "otsu"],
    );
    assert_eq!(summary(&work.path().join("both"))["options"]["pores"], "otsu");
}

/// TOML has no null; an absent key is the default.
fn without_nulls(mut value: Value) -> Value {
    value.as_object_mut().unwrap().retain(|_, v| !v.is_null());
    value
}

#[test]
fn a_run_can_be_verified_and_a_changed_file_is_found() {
    let work = tempfile::tempdir().unwrap();
    let pictures = work.path().join("rings");
    std::fs::create_dir(&pictures).unwrap();
    for entry in std::fs::read_dir(one_specimen()).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, pictures.join(path.file_name().unwrap())).unwrap();
    }
    measure(work.path(), &pictures, &["--quiet"]);
    let verify =
        |more: &[&str]| ceramograph(work.path(), &[&["verify", "ceramograph-results"], more].concat());
    let same = verify(&[]);
    assert_eq!(same.status.code(), Some(0), "{}", String::from_utf8_lossy(&same.stdout));
    assert!(String::from_utf8_lossy(&same.stdout).contains("byte for byte"));

    let moved = work.path().join("moved");
    std::fs::create_dir(&moved).unwrap();
    std::fs::rename(&pictures, moved.join("rings")).unwrap();
    assert_eq!(verify(&[]).status.code(), Some(2), "the pictures are gone");
    assert_eq!(verify(&["--pictures", "moved/rings"]).status.code(), Some(0));

    std::fs::write(work.path().join("ceramograph-results/fields.csv"), "edited").unwrap();
    let changed = verify(&["--pictures", "moved/rings"]);
    assert_eq!(changed.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&changed.stdout).contains("fields.csv"));
}

#[test]
fn json_on_standard_output_is_the_summary() {
    let work = tempfile::tempdir().unwrap();
    let output = measure(work.path(), &one_specimen(), &["--json"]);
    let printed: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(printed, summary(&work.path().join("ceramograph-results")));
}

#[test]
fn a_summary_that_is_read_back_is_written_the_same() {
    let work = tempfile::tempdir().unwrap();
    measure(work.path(), &one_specimen(), &[]);
    let results = work.path().join("ceramograph-results");
    let read = ceramograph::study::results::read(&results).unwrap();
    let written = std::fs::read_to_string(results.join("summary.json")).unwrap();
    assert_eq!(ceramograph::report::json::summary(&read.study), written);
    assert_eq!(read.record.inputs.len(), 3);
    let older = written.replacen("\"schema_version\": 1", "\"schema_version\": 99", 1);
    std::fs::write(results.join("summary.json"), older).unwrap();
    let error = ceramograph::study::results::read(&results).unwrap_err().to_string();
    assert!(error.contains("form 99") && error.contains("measure the pictures again"), "{error}");
}

#[test]
fn quiet_says_nothing() {
    let work = tempfile::tempdir().unwrap();
    let output = measure(work.path(), &one_specimen(), &["--quiet"]);
    assert!(output.stdout.is_empty() && output.stderr.is_empty());
}

#[test]
fn timings_name_every_stage_that_ran_and_change_no_result() {
    let work = tempfile::tempdir().unwrap();
    let classical = ["--quiet", "--boundaries", "ridge", "--pores", "half-contrast"];
    measure(work.path(), &one_specimen(), &[&classical[..], &["--out", "plain"]].concat());
    let timed = [&classical[..], &["--out", "timed", "--timings"]].concat();
    let output = measure(work.path(), &one_specimen(), &timed);
    assert!(output.stdout.is_empty());
    assert_eq!(contents(&work.path().join("plain")), contents(&work.path().join("timed")));

    let table = String::from_utf8(output.stderr).unwrap();
    let row = |name: &str| {
        let line = table.lines().find(|line| line.trim_start().starts_with(name));
        let cells = line.map(|line| line.trim_start()[name.len()..].split_whitespace().collect::<Vec<_>>());
        cells.unwrap_or_else(|| panic!("{name} is missing in\n{table}"))
    };
    let fields = summary(&work.path().join("timed"))["fields"].as_array().unwrap().len();
    let mut seconds = 0.0;
    for stage in Stage::ALL.into_iter().filter(|&stage| stage != Stage::Network) {
        let cells = row(stage.name());
        assert_eq!(cells[0], fields.to_string(), "{table}");
        seconds += cells[1].parse::<f64>().unwrap();
    }
    assert!((row("sum")[0].parse::<f64>().unwrap() - seconds).abs() < 0.01, "{table}");
    // The network has nothing to do on this path, so that it is no stage.
    assert!(!table.contains(Stage::Network.name()), "{table}");
}

#[test]
fn label_maps_hold_the_grains_and_leave_out_the_strip() {
    let work = tempfile::tempdir().unwrap();
    measure(work.path(), &one_specimen(), &["--quiet", "--label-maps"]);
    let results = work.path().join("ceramograph-results");
    for field in summary(&results)["fields"].as_array().unwrap() {
        let overlay = Path::new(field["overlay"].as_str().unwrap());
        let map = image::open(results.join("labels").join(overlay.file_name().unwrap())).unwrap();
        assert_eq!(u64::from(map.width()), field["width_px"].as_u64().unwrap());
        assert_eq!(u64::from(map.height()), field["height_px"].as_u64().unwrap());
        let labels = map.into_luma16();
        let largest = labels.pixels().map(|p| p.0[0]).max().unwrap();
        assert_eq!(u64::from(largest), field["grain_count"].as_u64().unwrap());
        if let Some(row) = field["info_strip"]["first_row_px"].as_u64() {
            assert!(labels.rows().skip(row as usize).flatten().all(|p| p.0[0] == 0));
        }
    }
}

#[test]
fn a_sheet_names_specimens_and_what_does_not_match_is_warned_about() {
    let work = tempfile::tempdir().unwrap();
    let sheet = "specimen,pictures,surface,peak temperature (°C)\nall,**,fracture,1550\nlost,nothing/*,,\n";
    std::fs::write(work.path().join("sheet.csv"), sheet).unwrap();
    measure(work.path(), &one_specimen(), &["--quiet", "--sheet", "sheet.csv"]);
    let summary = summary(&work.path().join("ceramograph-results"));
    assert_eq!(summary["specimens"][0]["name"], "all");
    assert_eq!(summary["specimens"][0]["firing"]["peak temperature (°C)"], "1550");
    assert_eq!(summary["warnings"][0]["code"], "specimen-without-pictures");
    // A fracture face is no section: the number of the standard is withheld, the intercept is marked.
    let field = &summary["fields"][0];
    assert!(field["astm_grain_number"].is_null() && field["mean_linear_intercept_um"].is_number());
    assert!(field["warnings"].as_array().unwrap().iter().any(|w| w["code"] == "surface-estimate"));
}

#[test]
fn the_help_states_the_defaults_that_hold() {
    let help = ceramograph(Path::new(env!("CARGO_MANIFEST_DIR")), &["measure", "--help"]);
    let help = String::from_utf8(help.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    let defaults = serde_json::to_value(ceramograph::options::Options::default()).unwrap();
    for key in
        ["pores", "smallest-pore", "merge-below", "shallowest", "coarse-factor", "line-spacing", "max-pixels"]
    {
        let value = defaults[key].to_string().replace('"', "").trim_end_matches(".0").to_owned();
        let after =
            help.split(&format!("--{key} <")).nth(1).unwrap_or_else(|| panic!("--{key} is not in the help"));
        let text = after.split(" --").next().unwrap();
        assert!(text.contains(&format!("[default: {value}]")), "--{key}: {text}");
    }
}

#[test]
fn help_and_completions_are_there() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    for command in ["measure", "scale", "phantom", "verify"] {
        let help = ceramograph(here, &[command, "--help"]);
        assert_eq!(help.status.code(), Some(0));
        assert!(help.stdout.len() > 400, "{command}");
    }
    assert!(!ceramograph(here, &["completions", "bash"]).stdout.is_empty());
    assert_eq!(ceramograph(here, &["mesure"]).status.code(), Some(2));
}
