//! Whatever a spreadsheet does to the study sheet: each wrong cell is named by row, column and value, nothing else is
//! lost, and the exit code is right. One entry for each kind of trouble.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use ceramograph::study::sheet::columns::{Quantity, SegmentPart};
use ceramograph::study::sheet::{Problem, ProblemKind, Sheet, SheetRow, read};
use image::{GrayImage, Luma};
use serde_json::Value;
use tempfile::TempDir;

/// A wrong cell: the sheet, and where and how it is reported.
struct Case {
    /// What went wrong.
    name: &'static str,
    /// Head of the column that holds the trouble.
    head: &'static str,
    /// What the cell of specimen A holds.
    cell: &'static str,
    kind: ProblemKind,
    /// What the message says beside row, column and cell.
    says: &'static str,
    /// The quantity that is unknown then; `None` where the value is kept.
    lost: Option<Quantity>,
}

const fn unreadable(
    name: &'static str,
    head: &'static str,
    cell: &'static str,
    says: &'static str,
    lost: Quantity,
) -> Case {
    Case { name, head, cell, kind: ProblemKind::Unreadable, says, lost: Some(lost) }
}

const fn impossible(
    name: &'static str,
    head: &'static str,
    cell: &'static str,
    says: &'static str,
    lost: Quantity,
) -> Case {
    Case { name, head, cell, kind: ProblemKind::Impossible, says, lost: Some(lost) }
}

const fn doubtful(name: &'static str, head: &'static str, cell: &'static str, says: &'static str) -> Case {
    Case { name, head, cell, kind: ProblemKind::Doubtful, says, lost: None }
}

/// Cells that are wrong in a sheet whose cells are parted by semicolons and whose decimals have commas.
const CASES: &[Case] = &[
    unreadable("a date made of 1.5", "hold_min", "1. Mai", "date", Quantity::Hold),
    unreadable("a date made of 1-5", "hold_min", "01-May", "date", Quantity::Hold),
    unreadable("a date with points", "hold_min", "01.05.2026", "date", Quantity::Hold),
    unreadable("a date with strokes", "hold_min", "5/1/2026", "date", Quantity::Hold),
    unreadable("a time of day", "hold_min", "2:00", "time", Quantity::Hold),
    unreadable(
        "a point among decimal commas",
        "peak_temperature_c",
        "1.450",
        "comma",
        Quantity::PeakTemperature,
    ),
    unreadable("point and comma", "peak_temperature_c", "1.450,0", "thousands", Quantity::PeakTemperature),
    unreadable(
        "a space between thousands",
        "peak_temperature_c",
        "1 450",
        "thousands",
        Quantity::PeakTemperature,
    ),
    unreadable(
        "an apostrophe between thousands",
        "peak_temperature_c",
        "1'450",
        "thousands",
        Quantity::PeakTemperature,
    ),
    unreadable("another unit", "peak_temperature_c", "1723 K", "°C", Quantity::PeakTemperature),
    unreadable("another unit of mass", "fired_mass_g", "5607 mg", "in g", Quantity::FiredMass),
    unreadable(
        "an error word of a logger",
        "peak_temperature_c",
        "OverRange",
        "leave the cell empty",
        Quantity::PeakTemperature,
    ),
    unreadable("an error of a formula", "fired_mass_g", "#DIV/0!", "number in g", Quantity::FiredMass),
    unreadable("a column too narrow", "fired_mass_g", "#####", "number in g", Quantity::FiredMass),
    unreadable("a bound", "fired_mass_g", "<5,6", "number in g", Quantity::FiredMass),
    unreadable("an estimate", "fired_mass_g", "ca. 5,6", "number in g", Quantity::FiredMass),
    unreadable(
        "a value with its uncertainty",
        "fired_mass_g",
        "5,607 ± 0,001",
        "nothing after it",
        Quantity::FiredMass,
    ),
    unreadable("two values", "fired_mass_g", "5,607 / 5,608", "nothing after it", Quantity::FiredMass),
    unreadable("a number too large for any", "fired_mass_g", "1e999", "finite", Quantity::FiredMass),
    unreadable("not a number", "fired_mass_g", "NaN", "number in g", Quantity::FiredMass),
    unreadable("letters for digits", "fired_mass_g", "S,6O7", "number in g", Quantity::FiredMass),
    impossible("a mass below zero", "fired_mass_g", "-5,607", "more than 0 g", Quantity::FiredMass),
    impossible("a mass of zero", "dry_mass_g", "0", "more than 0 g", Quantity::DryMass),
    impossible("a size of zero", "fired_height_mm", "0", "more than 0 mm", Quantity::FiredHeight),
    impossible("a time below zero", "hold_min", "-120", "0 min or more", Quantity::Hold),
    impossible(
        "below absolute zero",
        "peak_temperature_c",
        "-300",
        "absolute zero",
        Quantity::PeakTemperature,
    ),
    impossible(
        "kg/m³ under g/cm³",
        "theoretical_density_g_cm3",
        "3987",
        "densest",
        Quantity::TheoreticalDensity,
    ),
    impossible("a rate below zero", "ramp_rate_k_min", "-5", "more than 0 K/min", Quantity::RampRate),
    impossible(
        "a hole wider than the ring",
        "fired_inner_diameter_mm",
        "26",
        "less than",
        Quantity::FiredInnerDiameter,
    ),
    impossible("heavier in the liquid", "suspended_mass_g", "5,7", "less than", Quantity::SuspendedMass),
    impossible("lighter when saturated", "saturated_mass_g", "5,5", "at least", Quantity::SaturatedMass),
    doubtful("lighter when saturated, within the scatter", "saturated_mass_g", "5,605", "scatter"),
    doubtful("heavier after firing", "fired_mass_g", "5,7", "no more than"),
    doubtful("wider after firing", "fired_outer_diameter_mm", "31", "no more than"),
    doubtful("denser than the theoretical density", "fired_mass_g", "5,609\u{a0}g", "100 %"),
    doubtful("another peak than the segments", "peak_temperature_c", "1550", "segments"),
    doubtful(
        "a thousands separator taken for a decimal mark",
        "peak_temperature_c",
        "1,450",
        "thousands separator",
    ),
    doubtful("a liquid of unknown density", "liquid", "ethanol", "density"),
    Case {
        name: "an unknown surface",
        head: "surface",
        cell: "shiny",
        kind: ProblemKind::Unreadable,
        says: "thermally-etched",
        lost: None,
    },
    Case {
        name: "a pattern that is none",
        head: "pictures",
        cell: "A/[",
        kind: ProblemKind::Unreadable,
        says: "pattern",
        lost: None,
    },
];

/// A sound row, by head. The ring is that of the demonstration study.
const SOUND: &[(&str, &str)] = &[
    ("specimen", "A"),
    ("pictures", ""),
    ("surface", "polished"),
    ("liquid", "water"),
    ("theoretical_density_g_cm3", "3,987"),
    ("green_mass_g", "5,609"),
    ("green_outer_diameter_mm", "30,00"),
    ("fired_mass_g", "5,607"),
    ("fired_outer_diameter_mm", "25,52"),
    ("fired_inner_diameter_mm", "16,67"),
    ("fired_height_mm", "5,27"),
    ("dry_mass_g", "5,607"),
    ("suspended_mass_g", "4,139"),
    ("saturated_mass_g", "5,678"),
    ("liquid_temperature_c", "21,4"),
    ("ramp_rate_k_min", "5"),
    ("peak_temperature_c", "1450"),
    ("hold_min", "120"),
    ("segment_1_target_c", ""),
    ("operator", "Å. Lind"),
];

/// A sheet with the case's cell in the row of A, and a sound row B below it.
fn sheet_text(case: &Case) -> String {
    let heads: Vec<&str> = SOUND.iter().map(|(head, _)| *head).collect();
    let wrong = SOUND.iter().map(|&(head, sound)| match head {
        _ if head == case.head => case.cell,
        "segment_1_target_c" if case.says == "segments" => "1450",
        // The ring is made flatter, so that its mass is too large for its volume.
        "fired_height_mm" if case.says == "100 %" => "4,7",
        _ => sound,
    });
    let right = SOUND.iter().map(|&(head, sound)| if head == "specimen" { "B" } else { sound });
    let line = |cells: Vec<&str>| cells.join(";") + "\r\n";
    let comment = "# seal rings\r\n".to_owned();
    comment + &line(heads) + "\r\n" + &line(wrong.collect()) + &line(right.collect())
}

/// Row of A in the sheet: comment, heads and an empty row come before.
const ROW_OF_A: u64 = 4;

/// A folder with two specimens of one small picture each.
struct Laboratory {
    root: TempDir,
}

impl Laboratory {
    fn new(sheet: &[u8]) -> Self {
        let root = tempfile::tempdir().unwrap();
        for specimen in ["A", "B"] {
            let folder = root.path().join("rings").join(specimen);
            std::fs::create_dir_all(&folder).unwrap();
            let grey = |x: u32, y: u32| {
                if x % 16 < 4 && y % 16 < 4 { 20 } else { 150 + ((x * 7 + y * 13) % 9) as u8 }
            };
            GrayImage::from_fn(96, 64, |x, y| Luma([grey(x, y)])).save(folder.join("1.png")).unwrap();
        }
        std::fs::write(root.path().join("rings/specimens.csv"), sheet).unwrap();
        Self { root }
    }

    fn sheet(&self) -> PathBuf {
        self.root.path().join("rings/specimens.csv")
    }

    fn measure(&self) -> Output {
        Command::new(env!("CARGO_BIN_EXE_ceramograph"))
            .current_dir(self.root.path())
            .args(["measure", "rings", "--out", "results", "--threads", "1"])
            .output()
            .unwrap()
    }

    fn summary(&self) -> Value {
        serde_json::from_slice(&std::fs::read(self.root.path().join("results/summary.json")).unwrap())
            .unwrap()
    }
}

fn parsed(text: &[u8]) -> (Laboratory, Sheet) {
    let laboratory = Laboratory::new(text);
    let sheet = read(&laboratory.sheet()).unwrap();
    (laboratory, sheet)
}

fn row<'a>(sheet: &'a Sheet, specimen: &str) -> &'a SheetRow {
    sheet.rows.iter().find(|row| row.specimen == specimen).unwrap()
}

#[test]
fn the_sound_sheet_has_no_problems_and_all_its_values() {
    let case = doubtful("nothing", "notes", "", "");
    let (_, sheet) = parsed(sheet_text(&case).as_bytes());
    assert!(sheet.problems.is_empty(), "{:?}", sheet.problems);
    for name in ["A", "B"] {
        assert_eq!(row(&sheet, name).values.len(), 14);
        assert_eq!(row(&sheet, name).value(Quantity::SaturatedMass), Some(5.678));
        assert_eq!(row(&sheet, name).firing["operator"], "Å. Lind");
    }
}

#[test]
fn every_wrong_cell_is_named_and_costs_nothing_else() {
    for case in CASES {
        let (_, sheet) = parsed(sheet_text(case).as_bytes());
        let named: Vec<&Problem> = sheet.problems.iter().filter(|p| p.column == case.head).collect();
        assert_eq!(named.len(), 1, "{}: {:?}", case.name, sheet.problems);
        let problem = named[0];
        assert_eq!((problem.row, problem.kind), (ROW_OF_A, case.kind), "{}: {problem:?}", case.name);
        assert_eq!(problem.value, case.cell.trim(), "{}", case.name);
        assert!(problem.expected.contains(case.says), "{}: {}", case.name, problem.expected);
        assert!(sheet.problems.iter().all(|p| p.row == ROW_OF_A), "{}: {:?}", case.name, sheet.problems);

        let (wrong, sound) = (row(&sheet, "A"), row(&sheet, "B"));
        if let Some(lost) = case.lost {
            assert_eq!(wrong.value(lost), None, "{}", case.name);
        }
        // Only a contradiction costs the cell that it is with.
        let other = match case.lost {
            Some(Quantity::FiredInnerDiameter) => Some(Quantity::FiredOuterDiameter),
            Some(Quantity::SuspendedMass | Quantity::SaturatedMass) => Some(Quantity::DryMass),
            _ => None,
        };
        for quantity in sound.values.keys().filter(|q| Some(**q) != case.lost && Some(**q) != other) {
            assert!(wrong.value(*quantity).is_some(), "{}: {quantity:?} is lost", case.name);
        }
        if !matches!(case.head, "surface" | "pictures") {
            assert_eq!(wrong.firing[case.head], case.cell.trim(), "{}: as written", case.name);
        }
        assert!(wrong.covers("A/1.png"), "{}", case.name);
    }
    assert!(CASES.len() >= 25);
}

#[test]
fn measure_shows_each_as_a_warning_and_measures_everything() {
    for case in CASES {
        let (laboratory, sheet) = parsed(sheet_text(case).as_bytes());
        let output = laboratory.measure();
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(0), "{}: {stderr}", case.name);
        let summary = laboratory.summary();
        let code = match case.kind {
            ProblemKind::Unreadable => "sheet-cell-unreadable",
            ProblemKind::Impossible => "sheet-cell-impossible",
            _ => "sheet-cell-doubtful",
        };
        let place = format!("row {ROW_OF_A}, column '{}': '{}'", case.head, case.cell.trim());
        let shown = summary["warnings"].as_array().unwrap().iter();
        let shown: Vec<&Value> = shown.filter(|w| w["message"].as_str().unwrap().contains(&place)).collect();
        assert_eq!(shown.len(), 1, "{}: {}", case.name, summary["warnings"]);
        assert_eq!(shown[0]["code"], code, "{}", case.name);
        assert!(stderr.contains(&place), "{}: {stderr}", case.name);
        assert_eq!(summary["fields"].as_array().unwrap().len(), 2, "{}", case.name);
        let firing = &summary["specimens"][0]["firing"];
        assert_eq!(serde_json::to_value(&row(&sheet, "A").firing).unwrap(), *firing, "{}", case.name);
    }
}

/// The only problem of a sheet; measure exits with 0 and shows it.
fn only_problem(text: &[u8]) -> (Sheet, Problem) {
    let (laboratory, sheet) = parsed(text);
    assert_eq!(sheet.problems.len(), 1, "{:?}", sheet.problems);
    let output = laboratory.measure();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let problem = sheet.problems[0].clone();
    let shown = laboratory.summary()["warnings"].as_array().unwrap().clone();
    assert!(shown.iter().any(|w| w["message"] == problem.warning().message), "{shown:?}");
    (sheet, problem)
}

#[test]
fn an_unquoted_decimal_comma_shifts_cells_and_only_the_name_is_used() {
    let text = b"specimen,pictures,fired_mass_g,hold_min\nA,A/*,5,607,120\nB,B/*,5.6,60\n";
    let (sheet, problem) = only_problem(text);
    assert_eq!((problem.row, problem.kind), (2, ProblemKind::Row));
    assert!(problem.value.contains('5') && problem.expected.contains("semicolons"), "{problem:?}");
    assert!(row(&sheet, "A").values.is_empty() && row(&sheet, "A").covers("A/1.png"));
    assert_eq!(row(&sheet, "B").value(Quantity::FiredMass), Some(5.6));
}

#[test]
fn a_quoted_decimal_comma_among_commas_is_ambiguous() {
    let (sheet, problem) = only_problem(b"specimen,fired_mass_g,hold_min\nA,\"5,607\",120\nB,5.6,60\n");
    assert_eq!((problem.row, problem.column.as_str(), problem.value.as_str()), (2, "fired_mass_g", "5,607"));
    assert!(problem.expected.contains("thousands"), "{problem:?}");
    assert_eq!(row(&sheet, "A").value(Quantity::Hold), Some(120.0));
}

#[test]
fn a_row_without_a_name_is_left_out() {
    let (sheet, problem) = only_problem(b"specimen,hold_min\nA,120\n,60\nB,30\n");
    assert_eq!((problem.row, problem.column.as_str()), (3, "specimen"));
    assert_eq!(sheet.rows.len(), 2);
}

#[test]
fn a_misspelt_head_is_kept_and_the_right_one_named() {
    let (sheet, problem) = only_problem(b"specimen,fierd_mass_g,hold_min\nA,5.607,120\nB,5.6,60\n");
    assert_eq!((problem.row, problem.column.as_str(), problem.kind), (1, "fierd_mass_g", ProblemKind::Head));
    assert_eq!(problem.expected, "fired_mass_g");
    assert_eq!(row(&sheet, "A").numbers["fierd_mass_g"], 5.607);
}

#[test]
fn a_head_without_its_unit_is_kept_and_the_unit_named() {
    let (sheet, problem) = only_problem(b"specimen;Peak temperature\nA;1450\nB;1550\n");
    assert_eq!((problem.row, problem.expected.as_str()), (1, "peak_temperature_c"));
    assert_eq!(row(&sheet, "B").numbers["Peak temperature"], 1550.0);
}

#[test]
fn a_head_that_is_written_twice_keeps_both_columns() {
    let (sheet, problem) = only_problem(b"specimen;hold_min;hold_min\nA;120;60\nB;1;2\n");
    assert_eq!((problem.row, problem.column.as_str(), problem.value.as_str()), (1, "column 3", "hold_min"));
    assert_eq!(row(&sheet, "A").value(Quantity::Hold), Some(120.0));
    assert_eq!(row(&sheet, "A").firing["hold_min (column 3)"], "60");
}

#[test]
fn a_quantity_in_two_units_is_taken_once() {
    let (sheet, problem) = only_problem(b"specimen;hold_min;hold_h\nA;120;3\nB;60;\n");
    assert_eq!((problem.row, problem.column.as_str(), problem.value.as_str()), (2, "hold_h", "3"));
    assert_eq!(row(&sheet, "A").value(Quantity::Hold), Some(120.0));
    assert_eq!(row(&sheet, "A").firing["hold_h"], "3");
}

#[test]
fn cells_without_a_head_are_kept_under_their_number() {
    let (sheet, problem) = only_problem(b"specimen;;hold_min\nA;from the left;120\nB;;60\n");
    assert_eq!((problem.row, problem.column.as_str()), (1, "column 2"));
    assert_eq!(row(&sheet, "A").firing["column 2"], "from the left");
}

#[test]
fn a_hole_in_some_rows_only_is_asked_for() {
    let text = b"specimen;fired_outer_diameter_mm;fired_inner_diameter_mm\nA;25,5;16,7\nB;25,6;\n";
    let (_, problem) = only_problem(text);
    assert_eq!((problem.row, problem.column.as_str()), (3, "fired_inner_diameter_mm"));
    assert!(problem.expected.contains("0 for a body without a hole"));
}

#[test]
fn a_segment_with_a_wrong_cell_keeps_its_others() {
    let text = b"specimen;segment_1_ramp_k_min;segment_1_target_c;segment_1_hold_min\nA;5 K/min;1450 \xc2\xb0C;2 h\nB;5;1450;60\n";
    let (sheet, problem) = only_problem(text);
    assert_eq!(
        (problem.row, problem.column.as_str(), problem.value.as_str()),
        (2, "segment_1_hold_min", "2 h")
    );
    assert_eq!(row(&sheet, "A").value(Quantity::Segment(1, SegmentPart::Target)), Some(1450.0));
    assert_eq!(row(&sheet, "A").value(Quantity::Segment(1, SegmentPart::RampRate)), Some(5.0));
}

#[test]
fn several_wrong_cells_are_all_reported() {
    let (laboratory, sheet) =
        parsed(b"specimen;fired_mass_g;hold_min;peak_temperature_c\nA;x;2:00;-300\nB;5,6;1,5 kg;1550\n");
    let places: Vec<_> = sheet.problems.iter().map(|p| (p.row, p.column.as_str())).collect();
    assert_eq!(places, [(2, "fired_mass_g"), (2, "hold_min"), (2, "peak_temperature_c"), (3, "hold_min")]);
    assert_eq!(laboratory.measure().status.code(), Some(0));
    assert_eq!(laboratory.summary()["warnings"].as_array().unwrap().len(), 4);
}

#[test]
fn unknown_is_not_wrong() {
    let text = "specimen;fired_mass_g;hold_min;peak_temperature_c\nA;-;n/a;–\nB;N/A;;unknown\n";
    let (_, sheet) = parsed(text.as_bytes());
    assert!(
        sheet.problems.is_empty() && sheet.rows.iter().all(|row| row.values.is_empty()),
        "{:?}",
        sheet.problems
    );
}

#[test]
fn text_of_an_older_spreadsheet_is_read_with_a_warning() {
    let text = b"specimen;furnace;fired_mass_g\nA;Gr\xfcn \x96 \xb5;5,607\nB;;5,6\n";
    let (laboratory, sheet) = parsed(text);
    assert_eq!(row(&sheet, "A").firing["furnace"], "Grün – µ");
    assert_eq!(row(&sheet, "A").value(Quantity::FiredMass), Some(5.607));
    assert_eq!(laboratory.measure().status.code(), Some(0));
    assert_eq!(laboratory.summary()["warnings"][0]["code"], "sheet-not-utf-8");
}

/// Sheets that are no sheet: the message names the file, nothing is written, the exit code is 2.
#[test]
fn what_is_no_sheet_is_a_usage_error() {
    let cases: &[(&str, &[u8], &str)] = &[
        ("empty", b"", "empty"),
        ("blank", b"\r\n;;;\r\n", "empty"),
        ("comments only", b"# nothing yet\n# at all\n", "empty"),
        ("a workbook", b"PK\x03\x04\x14\0\x06\0\x08\0", "save the sheet as CSV"),
        ("an old workbook", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "save the sheet as CSV"),
        ("UTF-16", b"\xff\xfes\0p\0e\0c\0", "UTF-16"),
        ("bytes of no encoding", b"specimen;furnace\nA;\x81\x8d\n", "UTF-8"),
        ("no column of specimens", b"name;hold_min\nA;120\n", "'specimen'"),
        ("a misspelt column of specimens", b"specimn;hold_min\nA;120\n", "did you mean 'specimen'"),
        ("another separator", b"specimen|hold_min\nA|120\n", "semicolons"),
        ("a specimen twice", b"specimen;hold_min\nA;120\nB;60\nA;30\n", "row 4, column 'specimen': 'A'"),
    ];
    for (name, bytes, says) in cases {
        let laboratory = Laboratory::new(bytes);
        let error = read(&laboratory.sheet()).unwrap_err().to_string();
        assert!(error.contains(says) && error.contains("specimens.csv"), "{name}: {error}");
        let output = laboratory.measure();
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{name}: {stderr}");
        assert!(stderr.contains(says) && stderr.contains("specimens.csv"), "{name}: {stderr}");
        assert!(!laboratory.root.path().join("results").exists(), "{name}");
    }
}

#[test]
fn a_sheet_that_is_missing_is_a_usage_error() {
    let laboratory = Laboratory::new(b"specimen\nA\nB\n");
    std::fs::remove_file(laboratory.sheet()).unwrap();
    assert!(read(&laboratory.sheet()).unwrap_err().to_string().contains("specimens.csv"));
    assert!(read(Path::new("nowhere.csv")).is_err());
    let output = Command::new(env!("CARGO_BIN_EXE_ceramograph"))
        .current_dir(laboratory.root.path())
        .args(["measure", "rings", "--sheet", "rings/specimens.csv", "--out", "results"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("specimens.csv"));
}

#[test]
fn a_row_without_pictures_and_pictures_without_a_row_are_warnings() {
    let laboratory = Laboratory::new(b"specimen;hold_min\nA;120\nlost;60\n");
    assert_eq!(laboratory.measure().status.code(), Some(0));
    let summary = laboratory.summary();
    let codes: Vec<_> =
        summary["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect();
    assert_eq!(codes, ["specimen-without-pictures", "specimen-without-row"]);
    assert_eq!(summary["fields"].as_array().unwrap().len(), 2);
}
