//! `ceramograph scale`, the file of scales and texts beside pictures, as a user meets them.
//!
//! The pictures are phantoms: their true pixel size, and place and label of their bar, are those they were drawn with.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use ceramograph::micrograph::Grey;
use ceramograph::phantom::spec::PhantomSpec;
use ceramograph::phantom::strip::{BarShape, BarTruth, StripPlace, StripSpec, StripTone};
use ceramograph::phantom::{Phantom, draw};
use serde_json::Value;
use tempfile::TempDir;

/// µm per px of every picture, unless a test says otherwise.
const UM_PER_PX: f64 = 0.047;

/// A folder of pictures of seal rings, with room beside it.
struct Laboratory {
    root: TempDir,
}

fn spec(seed: u64, um_per_px: f64, strip: Option<StripSpec>) -> PhantomSpec {
    PhantomSpec { width_px: 640, height_px: 240, um_per_px, strip, seed, ..PhantomSpec::default() }
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn codes(warnings: &Value) -> Vec<&str> {
    warnings.as_array().unwrap().iter().map(|warning| warning["code"].as_str().unwrap()).collect()
}

impl Laboratory {
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        std::fs::create_dir(root.path().join("rings")).unwrap();
        Self { root }
    }

    /// A laboratory with `count` pictures whose bars can be read: ring-1.png, ring-2.png, …
    fn with_rings(count: u64) -> Self {
        let laboratory = Self::new();
        for seed in 1..=count {
            laboratory.draw(&format!("ring-{seed}.png"), &spec(seed, UM_PER_PX, Some(StripSpec::default())));
        }
        laboratory
    }

    fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }

    /// Draws a picture into the folder, without any tag about its scale.
    fn draw(&self, name: &str, spec: &PhantomSpec) -> Phantom {
        let phantom = draw(spec).unwrap();
        let Grey::Eight(grid) = &phantom.grey else { panic!("8 bit") };
        let (width, height) = (grid.width() as u32, grid.height() as u32);
        let picture = image::GrayImage::from_raw(width, height, grid.as_slice().to_vec()).unwrap();
        let path = self.path("rings").join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        picture.save(path).unwrap();
        phantom
    }

    /// A picture without a strip.
    fn draw_bare(&self, name: &str) {
        self.draw(name, &spec(99, UM_PER_PX, None));
    }

    fn add(&self, name: &str, bytes: impl AsRef<[u8]>) {
        std::fs::write(self.path(name), bytes).unwrap();
    }

    fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    fn run(&self, arguments: &[&str]) -> Output {
        let program = env!("CARGO_BIN_EXE_ceramograph");
        Command::new(program).current_dir(self.root.path()).args(arguments).output().unwrap()
    }

    /// Runs a command that has to end with this exit code.
    fn ends(&self, code: i32, arguments: &[&str]) -> Output {
        let output = self.run(arguments);
        let said = format!("{arguments:?}\n{}\n{}", stdout(&output), stderr(&output));
        assert_eq!(output.status.code(), Some(code), "{said}");
        output
    }

    fn survey(&self, code: i32, more: &[&str]) -> Value {
        let output = self.ends(code, &[&["scale", "rings", "--json", "--quiet"], more].concat());
        serde_json::from_slice(&output.stdout).unwrap()
    }

    fn measure(&self, code: i32, more: &[&str]) -> Value {
        self.ends(code, &[&["measure", "rings", "--json", "--quiet", "--replace"], more].concat());
        serde_json::from_str(&self.text("ceramograph-results/summary.json")).unwrap()
    }

    /// Names of everything beside the folder of pictures.
    fn beside(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.root.path()).unwrap();
        let mut names: Vec<String> =
            entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.retain(|name| name != "rings");
        names.sort();
        names
    }
}

fn um(picture: &Value) -> f64 {
    picture["scale"]["um_per_px"].as_f64().unwrap()
}

/// Asserts that the scale is that which the picture was drawn with; a bar of whole px is within half a px of its length.
fn assert_true_scale(picture: &Value) {
    assert!((um(picture) / UM_PER_PX - 1.0).abs() < 0.01, "{picture}");
}

fn assert_bar(reading: &Value, truth: &BarTruth) {
    let number = |key: &str| reading["bar"][key].as_f64().unwrap();
    assert!((number("left_px") - truth.left_px).abs() < 0.5, "{reading} {truth:?}");
    assert!((number("right_px") - truth.right_px).abs() < 0.5, "{reading} {truth:?}");
    assert!((number("row_px") - truth.row_px).abs() < 3.0, "{reading} {truth:?}");
    assert_eq!(reading["label"]["text"], truth.label);
    assert_eq!(reading["label"]["length_um"].as_f64().unwrap(), truth.length_um);
}

#[test]
fn every_picture_is_listed_in_order_with_its_true_scale_and_bar() {
    let laboratory = Laboratory::new();
    let styles = [
        (BarShape::Solid, StripTone::LightOnDark, StripPlace::Below),
        (BarShape::Solid, StripTone::DarkOnLight, StripPlace::Panel),
        (BarShape::Ticks, StripTone::DarkOnLight, StripPlace::Below),
        (BarShape::Ticks, StripTone::LightOnDark, StripPlace::Below),
    ];
    let truths: Vec<BarTruth> = (1..)
        .zip(styles)
        .map(|(seed, (bar, tone, place))| {
            let strip = StripSpec { bar, tone, place, ..StripSpec::default() };
            let drawn = laboratory.draw(&format!("{seed}.png"), &spec(seed, UM_PER_PX, Some(strip)));
            drawn.truth.bar.unwrap()
        })
        .collect();
    let survey = laboratory.survey(0, &["--threads", "3"]);
    let pictures = survey["pictures"].as_array().unwrap();
    assert_eq!(pictures.len(), 4);
    for (number, (picture, truth)) in (1..).zip(pictures.iter().zip(&truths)) {
        assert_eq!(picture["file"], format!("{number}.png"));
        assert_true_scale(picture);
        assert_eq!(picture["scale"]["source"], "read-bar");
        assert_bar(&picture["bar_reading"], truth);
        assert!(picture["bar_reading"]["doubt"].is_null() && picture["crop"].is_null());
    }
    assert_eq!(survey, laboratory.survey(0, &["--threads", "1"]), "the result does not depend on threads");
    let output = laboratory.ends(0, &["scale", "rings"]);
    let table = stdout(&output);
    let lines: Vec<&str> = table.lines().filter(|line| line.contains(".png")).collect();
    assert!(lines.iter().zip(1..).all(|(line, k)| line.contains(&format!("{k}.png"))), "{table}");
    for said in ["read-bar", "known", &truths[0].label, "4 pictures: 4 with a known scale."] {
        assert!(table.contains(said), "{said}: {table}");
    }
    assert!(output.stderr.is_empty(), "no progress where there is no terminal");
    let quiet = laboratory.ends(0, &["scale", "rings", "--quiet"]);
    assert!(quiet.stdout.is_empty() && quiet.stderr.is_empty());
}

#[test]
fn a_broken_picture_and_one_without_scale_are_named_and_the_others_done() {
    let laboratory = Laboratory::with_rings(2);
    laboratory.add("rings/ring-0.png", b"no picture");
    laboratory.draw_bare("ring-3.png");
    let survey = laboratory.survey(1, &[]);
    let names: Vec<&Value> = survey["pictures"].as_array().unwrap().iter().map(|p| &p["file"]).collect();
    assert_eq!(names, ["ring-1.png", "ring-2.png", "ring-3.png"]);
    assert_eq!(survey["failures"][0]["file"], "ring-0.png");
    assert!(survey["failures"][0]["error"].as_str().unwrap().contains("first bytes"));
    assert!(survey["pictures"][2]["scale"].is_null());
    let warnings = &survey["pictures"][2]["warnings"];
    assert!(
        codes(warnings).contains(&"no-scale") && warnings.to_string().contains("a magnification is no scale")
    );
    let table = stdout(&laboratory.ends(1, &["scale", "rings"]));
    for said in
        ["not read", "not known", "ring-0.png: rings/ring-0.png is not a picture", "1 without, 1 not read."]
    {
        assert!(table.contains(said), "{said}: {table}");
    }
}

#[test]
fn one_broken_picture_alone_and_one_without_scale_alone_end_with_one() {
    let laboratory = Laboratory::with_rings(1);
    laboratory.survey(0, &[]);
    laboratory.add("rings/ring-0.png", b"no picture");
    laboratory.survey(1, &[]);
    std::fs::remove_file(laboratory.path("rings/ring-0.png")).unwrap();
    laboratory.draw_bare("ring-2.png");
    laboratory.survey(1, &[]);
}

#[test]
fn what_cannot_be_carried_out_as_typed_ends_with_two_and_writes_nothing() {
    let laboratory = Laboratory::with_rings(1);
    std::fs::create_dir(laboratory.path("rings/empty")).unwrap();
    for (arguments, said) in [
        (&["scale", "gone.png"][..], "cannot read gone.png"),
        (&["scale", "rings/empty"], "no picture was found"),
        (&["scale", "rings", "--pixel-size", "25"], "a unit is missing"),
        (&["scale", "rings", "--scales", "gone.csv"], "gone.csv"),
        (&["scale", "rings", "--pixel-size", "25nm", "--scale-bar", "5um", "--save", "x.csv"], "not both"),
        (&["scale", "rings", "--crops", "rings"], "not results of a run"),
        (&["scale"], "Usage"),
    ] {
        let output = laboratory.ends(2, arguments);
        assert!(stderr(&output).contains(said), "{said}: {}", stderr(&output));
    }
    assert!(laboratory.beside().is_empty(), "{:?}", laboratory.beside());
}

#[test]
fn a_tag_that_contradicts_the_bar_is_a_dispute() {
    let laboratory = Laboratory::with_rings(1);
    laboratory.add("rings/ring-1.txt", "Pixel size: 94 nm");
    let survey = laboratory.survey(1, &[]);
    assert_eq!(codes(&survey["pictures"][0]["warnings"]), ["scale-sources-disagree"]);
    assert!(stdout(&laboratory.ends(1, &["scale", "rings"])).contains("disputed"));
}

#[test]
fn crops_show_the_ends_of_the_bar_and_are_never_written_over() {
    let laboratory = Laboratory::new();
    let drawn = laboratory.draw("deep/ring-1.png", &spec(1, UM_PER_PX, Some(StripSpec::default())));
    let bar = drawn.truth.bar.unwrap();
    // The label painted over: a bar that is seen and not relied on.
    let Grey::Eight(mut grid) = drawn.grey else { panic!("8 bit") };
    let ground = grid.at(1, 242);
    for y in 240..bar.row_px as usize - 4 {
        grid.row_mut(y).fill(ground);
    }
    let (width, height) = (grid.width() as u32, grid.height() as u32);
    let unlabelled = image::GrayImage::from_raw(width, height, grid.into_vec()).unwrap();
    unlabelled.save(laboratory.path("rings/ring-2.png")).unwrap();
    let survey = laboratory.survey(1, &["--crops", "bars"]);
    let crop = |index: usize| survey["pictures"][index]["crop"].as_str().unwrap().to_owned();
    assert_eq!([crop(0), crop(1)], ["deep-ring-1.png", "ring-2.png"]);
    let orange = |name: &str| {
        let picture = image::open(laboratory.path("bars").join(name)).unwrap().into_rgb8();
        let columns = (0..picture.width())
            .map(|x| (0..picture.height()).filter(|&y| picture.get_pixel(x, y).0 == [247, 148, 29]).count());
        columns.collect::<Vec<usize>>()
    };
    let columns = orange("deep-ring-1.png");
    // The outermost long columns of marks are the posts: between them lies the bar, enlarged by a whole number.
    let posts: Vec<usize> = (0..columns.len()).filter(|&x| columns[x] >= 20).collect();
    let between = posts.last().unwrap() - posts[0] - 3;
    assert!(between.is_multiple_of(bar.length_px as usize) && between > 0, "{between} for {bar:?}");
    let doubtful: usize = orange("ring-2.png").iter().sum();
    assert!(doubtful > 0, "a doubtful bar is marked too");
    assert!(survey["pictures"][1]["bar_reading"]["doubt"].as_str().unwrap().contains("no length"));

    let before = std::fs::read(laboratory.path("bars/ring-2.png")).unwrap();
    let refused = laboratory.ends(2, &["scale", "rings", "--crops", "bars"]);
    assert!(stderr(&refused).contains("--crops") && stderr(&refused).contains("--replace"));
    laboratory.add("bars/mine.txt", "notes");
    laboratory.ends(1, &["scale", "rings", "--crops", "bars", "--replace", "--quiet"]);
    assert_eq!(std::fs::read(laboratory.path("bars/ring-2.png")).unwrap(), before);
    assert_eq!(laboratory.text("bars/mine.txt"), "notes");
    assert_eq!(laboratory.beside(), ["bars"]);
    laboratory.measure(0, &[]);
    let refused = laboratory.ends(2, &["scale", "rings", "--crops", "ceramograph-results", "--replace"]);
    assert!(stderr(&refused).contains("`ceramograph measure` wrote"), "{}", stderr(&refused));
}

#[test]
fn a_typed_scale_is_saved_for_the_named_pictures_and_measured_with() {
    let laboratory = Laboratory::with_rings(2);
    laboratory.draw_bare("side/ring-3.png");
    let ring = "rings/side/ring-3.png";
    laboratory.ends(0, &["scale", ring, "--pixel-size", "50nm x 49nm", "--save", "rings/scales.csv"]);
    let first = "file,pixel_size,scale_bar,note\nside/ring-3.png,50nm x 49nm,,\n";
    assert_eq!(laboratory.text("rings/scales.csv"), first);
    let bar = laboratory.survey(0, &[])["pictures"][0]["bar_reading"]["label"]["length_um"].as_f64().unwrap();
    let length = format!("{bar}um");
    laboratory.ends(0, &["scale", "rings/ring-1.png", "--scale-bar", &length, "--save", "rings/scales.csv"]);
    assert_eq!(laboratory.text("rings/scales.csv"), format!("{first}ring-1.png,,{length},\n"));

    let summary = laboratory.measure(0, &[]);
    let field = |name: &str| {
        let fields = summary["fields"].as_array().unwrap();
        fields.iter().find(|field| field["file"] == name).unwrap_or_else(|| panic!("{name}"))
    };
    let of_row = |name: &str, source: &str, row: u32| {
        let scale = &field(name)["scale"];
        assert_eq!(scale["source"], source);
        let place = format!("scales.csv, row {row}: ");
        assert!(scale["detail"].as_str().unwrap().starts_with(&place), "{scale}");
    };
    of_row("side/ring-3.png", "pixel-size", 2);
    of_row("ring-1.png", "scale-bar", 3);
    assert_eq!(field("side/ring-3.png")["scale"]["um_per_px_y"].as_f64(), Some(0.049));
    assert_eq!(field("ring-2.png")["scale"]["source"], "read-bar");
    assert_true_scale(field("ring-1.png"));
}

#[test]
fn a_row_already_there_gives_way_only_when_told_and_other_rows_keep_every_byte() {
    let laboratory = Laboratory::with_rings(2);
    let before = "# settled by hand\r\nnote;file;pixel_size;scale_bar\r\n\"two\nlines\";ring-1.png; 47 nm;\r\n;ring-2.png;48nm;";
    laboratory.add("rings/scales.csv", before);
    let save = |ring: &str, more: &[&str]| {
        let arguments = ["scale", ring, "--pixel-size", "46nm", "--save", "rings/scales.csv"];
        laboratory.run(&[&arguments[..], more].concat())
    };
    let refused = save("rings/ring-2.png", &[]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(stderr(&refused).contains("row 4 ('ring-2.png')") && stderr(&refused).contains("--replace"));
    assert_eq!(laboratory.text("rings/scales.csv"), before);
    let replaced = save("rings/ring-2.png", &["--replace"]);
    assert!(stderr(&replaced).contains("1 row written"), "{}", stderr(&replaced));
    let kept = before.strip_suffix(";ring-2.png;48nm;").unwrap();
    assert_eq!(laboratory.text("rings/scales.csv"), format!("{kept};ring-2.png;46nm;\r\n"));
    // A row for many pictures stays; the one for this picture alone goes before it.
    laboratory.add("rings/scales.csv", "file,pixel_size\n*.png,48nm\n");
    assert_eq!(save("rings/ring-2.png", &[]).status.code(), Some(2));
    save("rings/ring-2.png", &["--replace"]);
    assert_eq!(laboratory.text("rings/scales.csv"), "file,pixel_size\n*.png,48nm\nring-2.png,46nm\n");
    let survey = laboratory.survey(0, &[]);
    assert_eq!([um(&survey["pictures"][0]), um(&survey["pictures"][1])], [0.048, 0.046]);
}

#[test]
fn what_was_found_is_saved_where_it_is_sure_and_can_be_corrected() {
    let laboratory = Laboratory::with_rings(2);
    laboratory.draw_bare("ring-3.png");
    laboratory.add("rings/ring-2.txt", "Pixel size: 94 nm");
    laboratory.ends(1, &["scale", "rings", "--save", "rings/scales.csv"]);
    let saved = laboratory.text("rings/scales.csv");
    let lines: Vec<&str> = saved.lines().collect();
    assert_eq!(lines.len(), 2, "neither the disputed nor the unknown scale is saved: {saved}");
    assert!(lines[1].starts_with("ring-1.png,4") && lines[1].contains("found: bar labelled"), "{saved}");
    let found = laboratory.survey(1, &[]);
    assert_eq!(found["pictures"][0]["scale"]["source"], "pixel-size");
    assert_true_scale(&found["pictures"][0]);
    // Corrected by hand, it holds over what the picture says, which is told.
    laboratory.add("rings/scales.csv", "file,pixel_size,scale_bar,note\nring-1.png,60nm,,by hand\n");
    let summary = laboratory.measure(0, &[]);
    assert_eq!(um(&summary["fields"][0]), 0.06);
    let warnings = &summary["fields"][0]["warnings"];
    assert!(codes(warnings).contains(&"scale-sources-disagree"), "{warnings}");
}

#[test]
fn a_row_goes_before_a_flag_and_a_flag_that_contradicts_it_is_told() {
    let laboratory = Laboratory::with_rings(2);
    laboratory.add("settled.csv", "file,pixel_size\nring-1.png,47nm\n");
    let survey = laboratory.survey(1, &["--scales", "settled.csv", "--pixel-size", "60nm"]);
    assert_eq!([um(&survey["pictures"][0]), um(&survey["pictures"][1])], [0.047, 0.06]);
    assert_eq!(codes(&survey["pictures"][0]["warnings"]), ["scale-sources-disagree"]);
    assert!(survey["pictures"][0]["warnings"][0]["message"].as_str().unwrap().contains("typed: 0.06"));
    let agreed = laboratory.survey(0, &["--scales", "settled.csv", "--pixel-size", "47nm"]);
    let confirmed = &agreed["pictures"][0]["scale"]["confirmed_by"];
    assert_eq!(confirmed, &serde_json::json!(["pixel-size", "read-bar"]));
}

#[test]
fn a_malformed_file_of_scales_is_refused_with_row_and_remedy() {
    let laboratory = Laboratory::with_rings(1);
    for (rows, said) in [
        ("name,size\n", "'name' is no head of a file of scales"),
        ("file,pixel_size,scale_bar\nring-1.png,,\n", "row 2 ('ring-1.png') has neither"),
        ("file,pixel_size,scale_bar\nring-1.png,47nm,5um\n", "row 2 ('ring-1.png') has both"),
        ("file,pixel_size\n# a note\nring-1.png,47\n", "row 3, column 'pixel_size', '47': the length"),
        (
            "file,pixel_size\nring-1.png,47nm\nring-1.png,48nm\n",
            "row 3, column 'file': 'ring-1.png' already has row 2",
        ),
        ("file,scale_bar\nring-1.png,0,5um\n", "row 2 has 3 cells"),
        ("PK\u{3}\u{4}", "spreadsheet's own file"),
    ] {
        laboratory.add("rings/scales.csv", rows);
        for command in ["scale", "measure"] {
            let error = stderr(&laboratory.ends(2, &[command, "rings"]));
            assert!(error.contains(said) && error.contains("scales.csv"), "{rows:?}: {error}");
        }
        let save = ["scale", "rings", "--pixel-size", "47nm", "--save", "rings/scales.csv", "--replace"];
        laboratory.ends(2, &save);
        assert_eq!(laboratory.text("rings/scales.csv"), rows);
    }
    assert!(laboratory.beside().is_empty(), "{:?}", laboratory.beside());
}

#[test]
fn rows_without_pictures_are_warned_about() {
    let laboratory = Laboratory::with_rings(1);
    laboratory.add("rings/scales.csv", "file,pixel_size\nring-1.png,47nm\nring-7.png,48nm\n");
    let warnings = laboratory.survey(0, &[])["warnings"].clone();
    assert_eq!(codes(&warnings), ["scale-row-without-pictures"]);
    assert!(warnings[0]["message"].as_str().unwrap().contains("row 3 for 'ring-7.png'"));
    assert!(codes(&laboratory.measure(0, &[])["warnings"]).contains(&"scale-row-without-pictures"));
}

#[test]
fn verify_repeats_a_run_with_its_file_of_scales_and_notices_a_change() {
    let laboratory = Laboratory::with_rings(1);
    laboratory.add("rings/scales.csv", "file,pixel_size\nring-1.png,47nm\n");
    laboratory.measure(0, &[]);
    laboratory.ends(0, &["verify", "ceramograph-results"]);
    std::fs::create_dir(laboratory.path("moved")).unwrap();
    std::fs::rename(laboratory.path("rings"), laboratory.path("moved/rings")).unwrap();
    let moved = ["verify", "ceramograph-results", "--pictures", "moved/rings"];
    laboratory.ends(0, &moved);
    laboratory.add("moved/rings/scales.csv", "file,pixel_size\nring-1.png,48nm\n");
    let changed = stdout(&laboratory.ends(1, &moved));
    assert!(changed.contains("scales.csv is not the file") && changed.contains("summary.json"), "{changed}");
}

#[test]
fn a_text_beside_a_picture_is_a_source_and_its_change_is_noticed() {
    let laboratory = Laboratory::new();
    laboratory.draw_bare("ring-1.png");
    laboratory.draw_bare("ring-2.png");
    laboratory.draw_bare("ring-3.png");
    // Latin-1, UTF-16 with its mark, and a magnification alone.
    laboratory.add("rings/ring-1.TXT", b"Image width = 30,08 \xb5m\r\nColumns = 640\r\n");
    let wide: Vec<u8> = "Pixel size: 47 nm".encode_utf16().flat_map(u16::to_le_bytes).collect();
    laboratory.add("rings/ring-2.png.txt", [&b"\xff\xfe"[..], &wide].concat());
    laboratory.add("rings/ring-3.txt", "Magnification: 5000 x\nAccelerating voltage: 15 kV\n");
    let summary = laboratory.measure(0, &[]);
    for index in [0, 1] {
        let scale = &summary["fields"][index]["scale"];
        assert_eq!(scale["source"], "text-beside");
        assert!((um(&summary["fields"][index]) / UM_PER_PX - 1.0).abs() < 1e-9, "{scale}");
    }
    assert!(summary["fields"][2]["scale"].is_null());
    assert_eq!(summary["fields"].as_array().unwrap().len(), 3, "texts are no pictures");
    let record: Value = serde_json::from_str(&laboratory.text("ceramograph-results/run.json")).unwrap();
    let read: Vec<&str> =
        record["inputs"].as_array().unwrap().iter().map(|entry| entry["file"].as_str().unwrap()).collect();
    assert_eq!(read, ["ring-1.png", "ring-1.TXT", "ring-2.png", "ring-2.png.txt", "ring-3.png"]);

    laboratory.add("rings/ring-3.txt", "Magnification: 9000 x\n");
    laboratory.ends(0, &["verify", "ceramograph-results"]);
    laboratory.add("rings/ring-2.png.txt", "Pixel size: 47 nm\nnew note");
    let changed = stdout(&laboratory.ends(1, &["verify", "ceramograph-results"]));
    assert!(changed.contains("ring-2.png.txt is not the file"), "{changed}");
}

#[test]
fn a_text_beside_two_pictures_is_recorded_once() {
    let laboratory = Laboratory::new();
    laboratory.draw_bare("ring-1.jpg");
    laboratory.draw_bare("ring-1.png");
    laboratory.add("rings/ring-1.txt", "Pixel size: 47 nm\n");
    let summary = laboratory.measure(0, &[]);
    assert!(summary["fields"].as_array().unwrap().iter().all(|f| f["scale"]["source"] == "text-beside"));
    let record: Value = serde_json::from_str(&laboratory.text("ceramograph-results/run.json")).unwrap();
    let read: Vec<&Value> = record["inputs"].as_array().unwrap().iter().map(|entry| &entry["file"]).collect();
    assert_eq!(read, ["ring-1.jpg", "ring-1.txt", "ring-1.png"]);
}

#[test]
fn a_text_for_another_frame_width_is_not_used() {
    let laboratory = Laboratory::new();
    laboratory.draw_bare("ring-1.png");
    laboratory.add("rings/ring-1.txt", "Pixel size: 23.5 nm\nImage size: 1280 x 960\n");
    let survey = laboratory.survey(1, &[]);
    assert!(survey["pictures"][0]["scale"].is_null());
    assert!(codes(&survey["pictures"][0]["warnings"]).contains(&"pixel-size-for-other-width"));
}

#[test]
fn an_odd_scale_in_a_folder_is_named_before_and_after_measuring() {
    let laboratory = Laboratory::with_rings(3);
    laboratory.draw("ring-4.png", &spec(4, 4.0 * UM_PER_PX, Some(StripSpec::default())));
    let found = laboratory.survey(0, &[]);
    assert_eq!(codes(&found["warnings"]), ["scales-differ", "odd-scale"]);
    let odd = found["warnings"][1]["message"].as_str().unwrap();
    assert!(odd.starts_with("ring-4.png has 0.18") && odd.contains("the 3 other pictures"), "{odd}");
    let summary = laboratory.measure(0, &[]);
    assert_eq!(codes(&summary["warnings"]), ["odd-scale"]);
    let specimen = summary["specimens"][0]["warnings"].to_string();
    assert!(specimen.contains("scales-differ") && specimen.contains("misread"), "{specimen}");
}

#[test]
fn the_page_shows_the_bar_of_each_picture_in_a_few_kilobytes() {
    let laboratory = Laboratory::with_rings(2);
    laboratory.draw_bare("ring-3.png");
    laboratory.measure(0, &[]);
    let page = laboratory.text("ceramograph-results/report.html");
    let crops: Vec<&str> = page
        .split("<img class=\"bar\" src=\"data:image/png;base64,")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    assert!(crops.len() >= 2, "{}", crops.len());
    for crop in &crops[..2] {
        assert!((200..6000).contains(&crop.len()), "{} bytes", crop.len());
    }
    assert!(page.contains("scale: 0.047") && page.contains("no scale"));
    assert!(page.contains("scale bar, length read"));
    std::fs::write(Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-bars.html"), &page).unwrap();
}

#[cfg(unix)]
#[test]
fn a_file_that_cannot_be_written_is_told_and_left_as_it_was() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let laboratory = Laboratory::with_rings(1);
    laboratory.add("rings/scales.csv", "file,pixel_size,scale_bar\n");
    let open = |path: &Path, mode: u32| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    // An ordinary user, also where the tests run as root, whom no permission stops.
    let program = laboratory.path("ceramograph");
    std::fs::copy(env!("CARGO_BIN_EXE_ceramograph"), &program).unwrap();
    open(laboratory.root.path(), 0o755);
    open(&laboratory.path("rings"), 0o555);
    let mut command = Command::new(&program);
    if std::fs::metadata("/proc/self").is_ok_and(|meta| meta.uid() == 0) {
        command.uid(65534);
    }
    let arguments = ["scale", "rings", "--save", "rings/scales.csv"];
    let output = command.current_dir(laboratory.root.path()).args(arguments).output().unwrap();
    open(&laboratory.path("rings"), 0o755);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    assert!(stderr(&output).contains("cannot write") && stderr(&output).contains("scales.csv"));
    assert_eq!(laboratory.text("rings/scales.csv"), "file,pixel_size,scale_bar\n");
    assert_eq!(std::fs::read_dir(laboratory.path("rings")).unwrap().count(), 2);
}
