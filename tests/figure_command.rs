//! `ceramograph figure` on the sample pictures and on studies that are hard to draw.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::sync::LazyLock;

use assert_cmd::Command;
use ceramograph::study::result::{Field, Study};
use ceramograph::units::Length;
use tempfile::TempDir;

fn sample_images() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

fn ceramograph(arguments: &[&str], threads: &str) -> Output {
    let mut command = Command::cargo_bin("ceramograph").unwrap();
    command.args(arguments).env("RAYON_NUM_THREADS", threads).output().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn measured(pictures: &Path, out: &Path) -> PathBuf {
    let output = ceramograph(&["measure", text(pictures), "--quiet", "--out", text(out)], "2");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    out.to_owned()
}

/// The sample pictures, measured once.
fn sample_results() -> &'static Path {
    static RESULTS: LazyLock<(TempDir, PathBuf)> = LazyLock::new(|| {
        let folder = tempfile::tempdir().unwrap();
        let results = measured(&sample_images(), &folder.path().join("results"));
        (folder, results)
    });
    &RESULTS.1
}

/// Draws into a new folder; the arguments follow the results folder.
fn drawn(results: &Path, arguments: &[&str], threads: &str) -> (TempDir, Output) {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("figure");
    let all = [&["figure", text(results), "--out", text(&out)], arguments].concat();
    let output = ceramograph(&all, threads);
    (folder, output)
}

fn file(folder: &TempDir, name: &str) -> Vec<u8> {
    std::fs::read(folder.path().join("figure").join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn caption(folder: &TempDir) -> String {
    String::from_utf8(file(folder, "grain-size.txt")).unwrap()
}

/// Asserts that nothing was written, that the exit code is 2 and that the message says each of `says`.
fn refused(results: &Path, arguments: &[&str], says: &[&str]) {
    let (folder, output) = drawn(results, arguments, "2");
    let message = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {message}");
    says.iter().for_each(|part| assert!(message.contains(part), "{arguments:?}: {message}"));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "{arguments:?}");
}

fn rows(bytes: &[u8]) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_reader(bytes).deserialize().map(|row| row.unwrap()).collect()
}

fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|e| panic!("{column} {:?}: {e}", row[column]))
}

fn study(results: &Path) -> Study {
    serde_json::from_slice(&std::fs::read(results.join("summary.json")).unwrap()).unwrap()
}

const KINDS: [&[&str]; 4] = [
    &["--kind", "histogram"],
    &["--kind", "cumulative", "--by", "area"],
    &["--kind", "box", "--sizes", "chords"],
    &["--picture", "R1550/field-2.tif"],
];

#[test]
fn figures_have_their_width_resolution_readable_text_and_an_embedded_font() {
    for (kind, (width, dpi)) in KINDS.iter().flat_map(|kind| [(85, 300), (170, 150)].map(|size| (kind, size)))
    {
        let size = [width.to_string(), dpi.to_string()];
        let size = ["--width-mm", &size[0], "--dpi", &size[1]];
        let (folder, output) = drawn(sample_results(), &[*kind, &size].concat(), "2");
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        let png = file(&folder, "grain-size.png");
        let reader = png::Decoder::new(std::io::Cursor::new(&png)).read_info().unwrap();
        let wanted = f64::from(width) / 25.4 * f64::from(dpi);
        assert!((f64::from(reader.info().width) - wanted).abs() <= 1.0, "{kind:?}");
        let dots = reader.info().pixel_dims.unwrap();
        assert!((f64::from(dots.xppu) * 0.0254 - f64::from(dpi)).abs() < 0.5);
        let svg = String::from_utf8(file(&folder, "grain-size.svg")).unwrap();
        let document = roxmltree::Document::parse(&svg).unwrap();
        let root = document.root_element();
        assert_eq!(root.attribute("width"), Some(format!("{width}mm").as_str()));
        let columns: f64 = root.attribute("viewBox").unwrap().split(' ').nth(2).unwrap().parse().unwrap();
        let texts = || document.descendants().filter(|node| node.has_tag_name("text"));
        assert!(texts().count() > 8, "{kind:?}");
        for node in texts() {
            let units: f64 = node.attribute("font-size").unwrap().parse().unwrap();
            let points = units / columns * f64::from(width) / 25.4 * 72.0;
            assert!(points >= 7.0, "{points} pt: {:?}", node.text());
        }
        let pdf = file(&folder, "grain-size.pdf");
        assert!(pdf.starts_with(b"%PDF-"));
        for part in ["/FontFile2", "/ToUnicode", "/MediaBox"] {
            assert!(pdf.windows(part.len()).any(|window| window == part.as_bytes()), "{part}");
        }
        let pictures =
            pdf.windows(14).filter(|window| *window == b"/Subtype/Image" || window == b"/Subtype /Imag");
        assert_eq!(pictures.count(), usize::from(kind[0] == "--picture"), "{kind:?}");
    }
}

#[test]
fn the_same_results_give_the_same_bytes_on_any_number_of_threads() {
    for kind in KINDS {
        let (first, _) = drawn(sample_results(), kind, "1");
        let (second, _) = drawn(sample_results(), kind, "3");
        let names = |folder: &TempDir| -> Vec<_> {
            let entries = std::fs::read_dir(folder.path().join("figure")).unwrap();
            let mut names: Vec<_> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
            names.sort();
            names
        };
        assert_eq!(names(&first), names(&second));
        assert!(names(&first).len() >= 6);
        for name in names(&first) {
            assert!(file(&first, &name) == file(&second, &name), "{kind:?} {name}");
        }
    }
}

/// Mean, and half of the t-interval for three values: t(0.975, 2) = 4.302653 (printed tables of Student's t).
fn mean_of_three(values: &[f64]) -> (f64, f64) {
    assert_eq!(values.len(), 3);
    let mean = values.iter().sum::<f64>() / 3.0;
    let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 2.0).sqrt();
    (mean, 4.302653 * deviation / 3f64.sqrt())
}

/// Tables hold six digits, and each of the two numbers compared may have lost half of the last.
const SIX_DIGITS: f64 = 1e-5;

#[test]
fn means_and_intervals_are_those_of_the_summary() {
    let study = study(sample_results());
    type FieldMean = fn(&Field) -> f64;
    let by_field: [(&str, FieldMean); 2] = [
        ("diameters", |f| f.grains.as_ref().unwrap().mean_equivalent_diameter.map(Length::value).unwrap()),
        ("chords", |f| f.intercepts.as_ref().unwrap().chords.as_ref().unwrap().mean.value()),
    ];
    for (sizes, value) in by_field {
        let (folder, _) = drawn(sample_results(), &["--sizes", sizes], "2");
        let summary = rows(&file(&folder, "grain-size-summary.csv"));
        assert_eq!(summary.len(), 3);
        for row in &summary {
            let of_specimen = study.fields.iter().filter(|f| f.specimen == row["specimen"]);
            let (mean, half) = mean_of_three(&of_specimen.map(value).collect::<Vec<_>>());
            assert!((number(row, "mean_um") / mean - 1.0).abs() < SIX_DIGITS, "{sizes} {row:?}");
            let found = (number(row, "mean_ci95_high_um") - number(row, "mean_ci95_low_um")) / 2.0;
            assert!((found - half).abs() < SIX_DIGITS * mean * 4.0, "{sizes} {found} {half}");
            let specimen = study.specimens.iter().find(|s| s.name == row["specimen"]).unwrap();
            let pooled = if sizes == "chords" { &specimen.chords } else { &specimen.grain_size };
            let pooled = pooled.as_ref().unwrap();
            assert_eq!(number(row, "count"), pooled.count as f64, "{sizes}");
            if sizes == "chords" {
                // Many chords are equally long, so both definitions of a percentile give one of those lengths.
                let median = pooled.percentiles.p50.value();
                assert!((number(row, "p50_um") / median - 1.0).abs() < SIX_DIGITS);
            }
        }
    }
}

#[test]
fn percentiles_by_area_are_those_of_the_rows() {
    let (folder, _) = drawn(sample_results(), &["--by", "area", "--kind", "box"], "2");
    let summary = rows(&file(&folder, "grain-size-summary.csv"));
    let grains = rows(&std::fs::read(sample_results().join("grains.csv")).unwrap());
    for row in &summary {
        let mut sizes: Vec<(f64, f64)> = grains
            .iter()
            .filter(|g| g["specimen"] == row["specimen"] && g["touches_frame"] == "false")
            .map(|g| (number(g, "equivalent_diameter_um"), number(g, "frame_weight")))
            .map(|(d, weight)| (d, weight * d * d))
            .collect();
        sizes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all: f64 = sizes.iter().map(|s| s.1).sum();
        for (column, share) in [("p10_um", 0.1), ("p50_um", 0.5), ("p90_um", 0.9)] {
            // By either definition, the percentile lies between the sizes whose shares meet at it.
            let value = number(row, column);
            let weight = |keep: &dyn Fn(f64) -> bool| {
                sizes.iter().filter(|s| keep(s.0)).map(|s| s.1).sum::<f64>() / all
            };
            let below = weight(&|d| d < value * (1.0 - 1e-9));
            let largest = sizes.iter().map(|s| s.1).fold(0.0, f64::max) / all;
            assert!((below - share).abs() <= largest, "{column}: {below} of the area lies below");
        }
    }
}

#[test]
fn classes_share_out_all_sizes_and_curves_rise_to_their_end() {
    let (folder, _) = drawn(sample_results(), &[], "2");
    let classes = rows(&file(&folder, "grain-size.csv"));
    for name in ["R1450", "R1550", "R1650"] {
        let of = classes.iter().filter(|row| row["specimen"] == name);
        let sum: f64 = of.clone().map(|row| number(row, "share_percent")).sum();
        assert!((sum - 100.0).abs() < 1e-3, "{name}: {sum}");
        assert!(of.clone().count() > 10);
    }
    let (folder, _) = drawn(sample_results(), &["--kind", "cumulative", "--specimen", "R1650"], "2");
    let curve = rows(&file(&folder, "grain-size.csv"));
    assert!(curve.iter().all(|row| row["specimen"] == "R1650"));
    for pair in curve.windows(2) {
        for column in ["size_um", "below_percent", "fit_percent"] {
            assert!(number(&pair[0], column) <= number(&pair[1], column));
        }
    }
    assert!(number(&curve[curve.len() - 1], "below_percent") > 99.0);
}

#[test]
fn the_caption_says_what_is_drawn() {
    let (folder, _) = drawn(sample_results(), &["--picture", "R1550/field-2.tif"], "2");
    let text = caption(&folder);
    for part in
        ["R1550: n = ", "in 3 fields", "± is half of the 95 % t-interval", "Miles", "By number", "lognormal"]
    {
        assert!(text.contains(part), "{part}: {text}");
    }
    // 1024 px of 30 nm are 30.7 µm; the bar is the largest round length below 0.3 of that.
    assert!(text.contains("is 5 µm long"), "{text}");
    assert!(!text.contains("R1450"), "a micrograph stands beside its own specimen only");
    let svg = String::from_utf8(file(&folder, "grain-size.svg")).unwrap();
    assert!(svg.contains("<image ") && svg.contains("5 µm"));
}

#[test]
fn what_cannot_be_drawn_is_refused_with_the_way_out() {
    let results = sample_results();
    refused(results, &["--specimen", "R9"], &["'R9'", "R1450, R1550, R1650"]);
    refused(results, &["--sizes", "chords", "--by", "area"], &["--by", "no area"]);
    refused(results, &["--width-mm", "20"], &["60 to 250 mm"]);
    refused(results, &["--width-mm", "NaN"], &["60 to 250 mm"]);
    refused(results, &["--dpi", "9999"], &["72 to 1200"]);
    refused(results, &["--picture", "none.png"], &["'none.png'", "R1450/field-1.png"]);
    refused(results, &["--picture", "R1550/field-2.tif", "--specimen", "R1450"], &["R1550"]);
    refused(results, &["--picture", "R1550/field-2.tif", "--kind", "box"], &["histogram only"]);
    refused(
        results,
        &["--picture", "R1550/field-2.tif", "--pictures", "/", "--pictures", "/"],
        &["1 folder"],
    );
    refused(&sample_images(), &[], &["run.json"]);
    refused(Path::new("no-such-folder"), &[], &["no-such-folder"]);
}

#[test]
fn an_earlier_figure_gives_way_only_when_told_and_other_results_never() {
    let (folder, _) = drawn(sample_results(), &["--formats", "svg"], "2");
    let out = folder.path().join("figure");
    let again = |target: &Path, more: &[&str]| {
        let start =
            ["figure", text(sample_results()), "--kind", "box", "--formats", "svg", "--out", text(target)];
        ceramograph(&[&start, more].concat(), "2").status.code()
    };
    let before = file(&folder, "grain-size.svg");
    assert_eq!(again(&out, &[]), Some(2));
    assert!(file(&folder, "grain-size.svg") == before);
    assert_eq!(again(&out, &["--replace"]), Some(0));
    assert!(file(&folder, "grain-size.svg") != before);
    assert!(!out.join("grain-size.csv").exists(), "files of the earlier figure are gone");
    assert_eq!(again(sample_results(), &["--replace"]), Some(2), "results of measure are not a figure");
}

/// A picture without a scale, and one without a grain, beside one with both.
fn mixed_study(folder: &Path) -> PathBuf {
    let pictures = folder.join("pictures");
    for name in ["scaled", "bare", "flat"] {
        std::fs::create_dir_all(pictures.join(name)).unwrap();
    }
    let source = sample_images().join("R1550/field-1.png");
    std::fs::copy(&source, pictures.join("scaled/a.png")).unwrap();
    let whole = image::open(&source).unwrap().into_luma8();
    image::imageops::crop_imm(&whole, 0, 0, 1024, 700).to_image().save(pictures.join("bare/a.png")).unwrap();
    image::GrayImage::from_pixel(200, 200, image::Luma([128])).save(pictures.join("flat/a.png")).unwrap();
    measured(&pictures, &folder.join("results"))
}

#[test]
fn units_are_not_mixed_and_specimens_without_sizes_are_said_to_be_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let results = mixed_study(folder.path());
    refused(&results, &[], &["µm for scaled", "px for bare", "--pixel-size"]);
    refused(&results, &["--specimen", "flat"], &["no specimen here has a whole grain"]);
    let (drawn_folder, output) = drawn(&results, &["--specimen", "scaled", "--specimen", "flat"], "2");
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("left out: 'flat'"));
    let text = caption(&drawn_folder);
    assert!(text.contains("no size was found in it: flat"), "{text}");
    assert!(text.contains("no interval can be stated") && !text.contains('±'), "{text}");
    let (drawn_folder, output) = drawn(&results, &["--specimen", "bare"], "2");
    assert_eq!(output.status.code(), Some(0));
    assert!(caption(&drawn_folder).contains("lengths are in px"));
    let summary = String::from_utf8(file(&drawn_folder, "grain-size-summary.csv")).unwrap();
    assert!(summary.contains("mean_px") && !summary.contains("_um"));
}

#[test]
fn tables_and_pictures_that_were_changed_are_not_drawn() {
    let folder = tempfile::tempdir().unwrap();
    let pictures = folder.path().join("pictures");
    std::fs::create_dir_all(pictures.join("ring")).unwrap();
    std::fs::copy(sample_images().join("R1650/field-1.png"), pictures.join("ring/a.png")).unwrap();
    let results = measured(&pictures, &folder.path().join("results"));
    let moved = folder.path().join("moved");
    std::fs::rename(&pictures, &moved).unwrap();
    let picture = ["--picture", "ring/a.png"];
    refused(&results, &picture, &["pictures"]);
    let (_, output) = drawn(&results, &[&picture[..], &["--pictures", text(&moved)]].concat(), "2");
    assert_eq!(output.status.code(), Some(0));
    std::fs::copy(sample_images().join("R1650/field-3.png"), moved.join("ring/a.png")).unwrap();
    refused(&results, &[&picture[..], &["--pictures", text(&moved)]].concat(), &["its bytes differ"]);
    let table = results.join("grains.csv");
    let rows = std::fs::read_to_string(&table).unwrap().replacen("false", "true", 1);
    std::fs::write(&table, rows).unwrap();
    refused(&results, &[], &["grains.csv", "changed since it was measured"]);
    std::fs::remove_file(&table).unwrap();
    refused(&results, &[], &["cannot read", "grains.csv"]);
    let summary = results.join("summary.json");
    let text = std::fs::read_to_string(&summary).unwrap() + " ";
    std::fs::write(&summary, text).unwrap();
    refused(&results, &["--sizes", "chords"], &["summary.json", "changed since it was measured"]);
}
