//! Runs that are split over machines, interrupted, or killed: what comes out in the end is what one undisturbed run writes,
//! byte for byte, and at no moment is anything of the user's lost or half-written.
//!
//! The undisturbed run of the same program is the expected value throughout; no number is typed in here.
//! `CERAMOGRAPH_KILLS` sets the number of kills (12 unless it is set) and `CERAMOGRAPH_PHANTOMS` that of the pictures
//! that are split (9 unless it is set).

mod tagged_file;

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};

use assert_cmd::Command;
use ceramograph::micrograph::Grey;
use ceramograph::phantom::{PhantomSpec, draw};
use rand::{Rng as _, SeedableRng as _};
use serde_json::Value;
use tagged_file::TaggedFile;
use tempfile::TempDir;

/// Filters instead of the network, so that a picture takes milliseconds.
const QUICK: [&str; 4] = ["--boundaries", "ridge", "--pores", "half-contrast"];
/// Longer than any run here takes, unless it hangs.
const LONGEST: Duration = Duration::from_secs(120);

/// A number from the environment, for the long form of a test.
fn from_environment(name: &str, usual: usize) -> usize {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}

/// A folder `rings` of small pictures, with room for results beside it.
struct Laboratory {
    root: TempDir,
}

/// Every file of a results folder, its record included, by name.
type Contents = BTreeMap<String, Vec<u8>>;

fn picture(seed: u64) -> (u32, Vec<u8>) {
    let mut spec = PhantomSpec { width_px: 256, height_px: 256, seed, ..PhantomSpec::default() };
    spec.structure.density = ceramograph::phantom::structure::Density::MeanInterceptPx(24.0);
    let Grey::Eight(grid) = draw(&spec).unwrap().grey else { panic!("8 bits were asked for") };
    (grid.width() as u32, grid.into_vec())
}

fn save(path: &Path, seed: u64) {
    let (width, pixels) = picture(seed);
    let height = pixels.len() as u32 / width;
    image::GrayImage::from_raw(width, height, pixels).unwrap().save(path).unwrap();
}

impl Laboratory {
    /// So many pictures of two specimens; nothing else.
    fn with_pictures(count: usize) -> Self {
        let laboratory = Self { root: tempfile::tempdir().unwrap() };
        for seed in 1..=count {
            let folder = laboratory.path(if seed % 2 == 0 { "rings/R1450" } else { "rings/R1550" });
            std::fs::create_dir_all(&folder).unwrap();
            save(&folder.join(format!("field-{seed:03}.png")), seed as u64);
        }
        laboratory
    }

    /// The same with everything that a folder can hold: a copy, a stack, a damaged picture, an empty one, tables, and a text
    /// beside a picture.
    fn with_everything(count: usize) -> Self {
        let laboratory = Self::with_pictures(count);
        let at = |name: &str| laboratory.path("rings").join(name);
        std::fs::copy(at("R1550/field-001.png"), at("R1550/copy.png")).unwrap();
        let page = |seed| {
            let (width, pixels) = picture(seed);
            let height = pixels.len() as u32 / width;
            let file = TaggedFile::new(width, height).short(258, &[8]).short(262, &[1]).short(277, &[1]);
            file.strips_later(height, pixels, width as usize)
        };
        std::fs::write(at("R1450/stack.tif"), tagged_file::several(vec![page(901), page(902)])).unwrap();
        std::fs::write(at("R1450/broken.png"), "no picture").unwrap();
        image::GrayImage::new(256, 256).save(at("R1550/empty.png")).unwrap();
        std::fs::write(at("R1550/field-001.txt"), "PixelSize=30 nm\n").unwrap();
        let sheet =
            "specimen,surface,peak temperature (°C)\nR1450,polished,1450\nR1550,fracture,1550\nlost,,1650\n";
        std::fs::write(at("specimens.csv"), sheet).unwrap();
        std::fs::write(at("scales.csv"), "file,pixel_size,scale_bar,note\nR1450/*,25nm,,\n").unwrap();
        laboratory
    }

    fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::cargo_bin("ceramograph").unwrap();
        command.current_dir(self.root.path()).args(arguments).timeout(LONGEST);
        command
    }

    fn ceramograph(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    fn measure(&self, more: &[&str]) -> Output {
        self.ceramograph(&measuring(more))
    }

    /// Measures, expects this exit code, and returns the results folder `out`.
    fn measured(&self, out: &str, code: i32, more: &[&str]) -> Contents {
        let output = self.measure(&[&["--out", out], more].concat());
        assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
        contents(&self.path(out))
    }

    /// Starts to measure and does not wait.
    fn start(&self, more: &[&str]) -> Child {
        std::process::Command::new(env!("CARGO_BIN_EXE_ceramograph"))
            .current_dir(self.root.path())
            .args(measuring(more))
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    }

    /// Names in the folder that holds pictures and results.
    fn names(&self) -> Vec<String> {
        let names = std::fs::read_dir(self.root.path()).unwrap();
        let mut names: Vec<String> =
            names.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// Parts that an interrupted run of `out` has left whole: their hash is there to its last digit.
    fn parts_left(&self, out: &str) -> usize {
        let whole =
            |part: PathBuf| std::fs::read(part.join("part.sha256")).is_ok_and(|hash| hash.len() == 64);
        let parts = std::fs::read_dir(self.path(&hidden(out)).join("parts"));
        parts.map_or(0, |parts| parts.filter(|part| whole(part.as_ref().unwrap().path())).count())
    }
}

fn measuring<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [&["measure", "rings"], &QUICK[..], more].concat()
}

fn hidden(out: &str) -> String {
    format!(".{out}.ceramograph-unfinished")
}

/// What a folder holds; nothing, if it is not there.
fn contents(folder: &Path) -> Contents {
    let files = walkdir::WalkDir::new(folder).into_iter().filter(|_| folder.exists()).map(Result::unwrap);
    files
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let name = entry.path().strip_prefix(folder).unwrap().to_str().unwrap().to_owned();
            (name, std::fs::read(entry.path()).unwrap())
        })
        .collect()
}

/// Names of the files whose bytes differ, or that are only on one side.
fn differing(a: &Contents, b: &Contents) -> Vec<String> {
    let names = a.keys().chain(b.keys()).filter(|name| a.get(*name) != b.get(*name));
    names.cloned().collect()
}

#[track_caller]
fn assert_same(a: &Contents, b: &Contents) {
    assert!(a.contains_key("run.json") && a.contains_key("report.html"));
    assert_eq!(differing(a, b), [""; 0]);
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn copy(from: &Path, to: &Path) {
    for (name, bytes) in contents(from) {
        let path = to.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
}

/// Waits until something is so.
#[track_caller]
fn wait_until(what: &str, so: impl Fn() -> bool) {
    let start = Instant::now();
    while !so() {
        assert!(start.elapsed() < LONGEST, "{what}");
        std::thread::sleep(Duration::from_millis(1));
    }
}

#[test]
fn shards_join_to_the_bytes_of_one_run() {
    let laboratory = Laboratory::with_everything(from_environment("CERAMOGRAPH_PHANTOMS", 9));
    let more = ["--label-maps", "--draw-lines"];
    let whole = laboratory.measured("whole", 1, &more);
    let summary: Value = serde_json::from_slice(&whole["summary.json"]).unwrap();
    assert!(summary["failures"].as_array().is_some_and(|failures| !failures.is_empty()));
    let record: Value = serde_json::from_slice(&whole["run.json"]).unwrap();
    let text =
        record["inputs"].as_array().unwrap().iter().any(|entry| entry["file"] == "R1550/field-001.txt");
    assert!(text, "the text beside counts, or the case is not what it is meant to be");

    let codes = ["1/3", "2/3", "3/3"].map(|shard| {
        let out = format!("shard-{}", &shard[..1]);
        // Resuming and threads change nothing.
        let resume: &[&str] = if shard == "2/3" { &["--resume", "--threads", "3"] } else { &[] };
        laboratory.measure(&[&["--shard", shard, "--out", &out], &more[..], resume].concat()).status.code()
    });
    assert!(codes.contains(&Some(1)) && codes.iter().all(|code| matches!(code, Some(0 | 1))), "{codes:?}");
    let merged = laboratory.ceramograph(&["merge", "shard-3", "shard-1", "shard-2", "--out", "merged"]);
    assert_eq!(merged.status.code(), Some(1), "{}", stderr(&merged));
    assert_same(&whole, &contents(&laboratory.path("merged")));
    assert_eq!(laboratory.names(), ["merged", "rings", "shard-1", "shard-2", "shard-3", "whole"]);

    // The table that is printed is the same, and so is what is said on standard error after the pictures.
    let printed = laboratory.measure(&[&["--out", "whole", "--resume"], &more[..]].concat());
    let tables = [printed, merged].map(|output| {
        let text = String::from_utf8(output.stdout).unwrap();
        text.lines().filter(|line| !line.starts_with("Results")).collect::<Vec<_>>().join("\n")
    });
    assert_eq!(tables[0], tables[1]);
}

#[test]
fn the_demonstration_study_joins_too_and_each_shard_takes_every_third_file() {
    let laboratory = Laboratory { root: tempfile::tempdir().unwrap() };
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    copy(&samples, &laboratory.path("rings"));
    let whole = laboratory.measured("whole", 0, &[]);
    let mut names = Vec::new();
    for number in 1..=3 {
        let (shard, out) = (format!("{number}/3"), format!("shard-{number}"));
        let output = laboratory.measure(&["--shard", &shard, "--out", &out]);
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(said.contains(&format!("Shard {number}/3, 3 of 9 files")), "{said}");
        let parts = contents(&laboratory.path(&out)).into_keys();
        names.push(parts.filter(|name| name.starts_with("parts/")).collect::<Vec<_>>());
    }
    assert_eq!(
        names[0],
        ["parts/R1450-field-1.json", "parts/R1550-field-1.json", "parts/R1650-field-1.json"]
    );
    assert_eq!(
        names[2],
        ["parts/R1450-field-3.json", "parts/R1550-field-3.json", "parts/R1650-field-3.json"]
    );
    let merged = laboratory.ceramograph(&["merge", "shard-1", "shard-2", "shard-3", "--out", "merged"]);
    assert_eq!(merged.status.code(), Some(0), "{}", stderr(&merged));
    assert_same(&whole, &contents(&laboratory.path("merged")));
    let verified = laboratory.ceramograph(&["verify", "merged"]);
    assert_eq!(verified.status.code(), Some(0), "{}", String::from_utf8_lossy(&verified.stdout));
}

#[test]
fn more_shards_than_files_join_too() {
    let laboratory = Laboratory::with_pictures(2);
    let whole = laboratory.measured("whole", 0, &[]);
    for shard in ["1/4", "2/4", "3/4", "4/4"] {
        let output = laboratory.measure(&["--shard", shard, "--out", &shard.replace('/', "-of-")]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    }
    let shards = ["1-of-4", "2-of-4", "3-of-4", "4-of-4"];
    let merged = laboratory.ceramograph(&[&["merge"], &shards[..], &["--out", "merged"]].concat());
    assert_eq!(merged.status.code(), Some(0), "{}", stderr(&merged));
    assert_same(&whole, &contents(&laboratory.path("merged")));
}

#[test]
fn a_shard_that_is_none_is_a_usage_error() {
    let laboratory = Laboratory::with_pictures(1);
    for (shard, said) in [
        ("0/3", "there is no shard 0 of 3"),
        ("4/3", "there is no shard 4 of 3"),
        ("1/0", "there is no shard 1 of 0"),
        ("2", "K/N is expected"),
        ("a/b", "K/N is expected"),
    ] {
        let output = laboratory.measure(&["--shard", shard]);
        assert_eq!(output.status.code(), Some(2));
        assert!(stderr(&output).contains(said), "{}", stderr(&output));
    }
    assert_eq!(laboratory.names(), ["rings"]);
}

#[test]
fn what_does_not_belong_together_is_not_joined() {
    let laboratory = Laboratory::with_everything(4);
    let shard = |shard: &str, out: &str, more: &[&str]| {
        let output = laboratory.measure(&[&["--shard", shard, "--out", out], more].concat());
        assert!(matches!(output.status.code(), Some(0 | 1)), "{}", stderr(&output));
    };
    for number in 1..=3 {
        shard(&format!("{number}/3"), &format!("s{number}"), &[]);
    }
    shard("2/3", "s2-twice", &[]);
    shard("3/4", "s3-of-4", &[]);
    shard("3/3", "s3-options", &["--smallest-pore", "20", "--circles=false"]);
    let sheet = laboratory.path("rings/specimens.csv");
    std::fs::write(
        laboratory.path("other.csv"),
        std::fs::read_to_string(&sheet).unwrap().replace("1450\n", "1451\n"),
    )
    .unwrap();
    shard("3/3", "s3-sheet", &["--sheet", "other.csv"]);
    std::fs::write(laboratory.path("scales.csv"), "file,pixel_size\nR1450/*,26nm\n").unwrap();
    shard("3/3", "s3-scales", &["--scales", "scales.csv"]);
    std::fs::copy(laboratory.path("rings/R1450/field-002.png"), laboratory.path("rings/R1450/new.png"))
        .unwrap();
    shard("3/3", "s3-list", &[]);
    std::fs::remove_file(laboratory.path("rings/R1450/new.png")).unwrap();
    laboratory.measured("whole", 1, &[]);
    for (from, to) in [("s3", "s3-version"), ("s3", "s3-part"), ("s3", "s3-gone"), ("s3", "s3-picture")] {
        copy(&laboratory.path(from), &laboratory.path(to));
    }
    let record = std::fs::read_to_string(laboratory.path("s3/run.json")).unwrap();
    let version = format!("\"version\": \"{}\"", env!("CARGO_PKG_VERSION"));
    assert!(record.contains(&version));
    std::fs::write(
        laboratory.path("s3-version/run.json"),
        record.replace(&version, "\"version\": \"0.0.9\""),
    )
    .unwrap();
    let part = contents(&laboratory.path("s3")).into_keys().find(|name| name.starts_with("parts/")).unwrap();
    let text = std::fs::read_to_string(laboratory.path("s3").join(&part)).unwrap();
    std::fs::write(laboratory.path("s3-part").join(&part), text.replacen('7', "8", 1)).unwrap();
    std::fs::remove_file(laboratory.path("s3-gone").join(&part)).unwrap();
    let overlay =
        contents(&laboratory.path("s3")).into_keys().find(|name| name.starts_with("overlays/")).unwrap();
    std::fs::write(laboratory.path("s3-picture").join(&overlay), "no overlay").unwrap();

    let before = laboratory.names();
    for (shards, said) in [
        (&["s1", "s2"][..], "shard 3/3 is missing"),
        (&["s2"], "shard 1/3, 3/3 is missing"),
        (&["s1", "s2", "s2-twice", "s3"], "s2 is shard 2/3 as well; name only one of them"),
        (&["s1", "s1", "s2", "s3"], "s1 is shard 1/3 as well"),
        (&["s1", "s2", "s3-of-4"], "s3-of-4: this is shard 3/4, and s1 is shard 1/3"),
        (
            &["s1", "s2", "s3-options"],
            "s3-options: it does not belong with s1: different options: --circles, --smallest-pore",
        ),
        (&["s1", "s2", "s3-sheet"], "different study sheets"),
        (&["s1", "s2", "s3-scales"], "different files of scales"),
        (&["s1", "s2", "s3-list"], "different lists of files, from 'R1450/new.png' on"),
        (&["s1", "s2", "s3-version"], "version 0.1.0 and version 0.0.9"),
        (
            &["s3-version", "s1", "s2"],
            "measured by version 0.0.9, and this is 0.1.0; merge with that version",
        ),
        (&["s1", "s2", "s3-part"], &format!("{part}: this is not what was written")),
        (&["s1", "s2", "s3-gone"], &format!("cannot read s3-gone/{part}")),
        (&["s1", "s2", "s3-picture"], &format!("{overlay}: this is not what was written")),
        (&["s1", "s2", "whole"], "whole/run.json: this is not the record of a shard"),
        (&["s1", "s2", "rings"], "cannot read rings/run.json"),
    ] {
        let output = laboratory.ceramograph(&[&["merge"], shards, &["--out", "merged"]].concat());
        let all = stderr(&output);
        assert_eq!(output.status.code(), Some(2), "{shards:?}: {all}");
        assert!(all.contains(said), "{shards:?}: {all}");
        assert_eq!(laboratory.names(), before, "{shards:?}: nothing is half-written");
    }
    // Results that are there give way only when asked to, and not to shards that are refused.
    let whole = contents(&laboratory.path("whole"));
    let merge = |more: &[&str]| {
        laboratory.ceramograph(&[&["merge", "s1", "s2", "s3", "--out", "whole"], more].concat())
    };
    assert!(stderr(&merge(&[])).contains("--replace"));
    let refused = laboratory.ceramograph(&["merge", "s1", "s2", "s3-part", "--out", "whole", "--replace"]);
    assert_eq!(refused.status.code(), Some(2));
    assert_same(&whole, &contents(&laboratory.path("whole")));
    assert_eq!(merge(&["--replace"]).status.code(), Some(1));
    assert_same(&whole, &contents(&laboratory.path("whole")));
    // A shard is no results folder, and says so.
    let output = laboratory.ceramograph(&["relate", "s1"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("ceramograph merge"), "{}", stderr(&output));
}

#[test]
fn a_killed_run_is_taken_up_where_it_stopped() {
    let laboratory = Laboratory::with_everything(9);
    let whole = laboratory.measured("whole", 1, &[]);
    let mut run = laboratory.start(&["--resume", "--threads", "1", "--out", "results"]);
    wait_until("no part is kept", || laboratory.parts_left("results") >= 3);
    run.kill().unwrap();
    run.wait().unwrap();
    let left = laboratory.parts_left("results");
    assert!(!laboratory.path("results").exists());
    assert_eq!(laboratory.names(), [&hidden("results"), "rings", "whole"]);

    // Another picture than the one that was measured is measured again.
    let first = laboratory.path("rings/R1450/field-002.png");
    let original = std::fs::read(&first).unwrap();
    save(&first, 77);
    let output = laboratory.measure(&["--resume", "--out", "results"]);
    let taken = stderr(&output).matches("taken over").count();
    assert!((left.saturating_sub(2)..left).contains(&taken), "{left}: {}", stderr(&output));
    assert_ne!(differing(&whole, &contents(&laboratory.path("results"))), [""; 0]);
    std::fs::write(&first, original).unwrap();
    std::fs::remove_dir_all(laboratory.path("results")).unwrap();

    let mut run = laboratory.start(&["--resume", "--threads", "1", "--out", "results"]);
    wait_until("no part is kept", || laboratory.parts_left("results") >= 3);
    run.kill().unwrap();
    run.wait().unwrap();
    // Other options and another version of the sheet's row take nothing over; the parts stay for whom they fit.
    let other = laboratory.measure(&[
        "--resume",
        "--smallest-pore",
        "30",
        "--crop",
        "0,0,9999,1",
        "--out",
        "results",
    ]);
    assert_eq!(stderr(&other).matches("taken over").count(), 0, "{}", stderr(&other));
    std::fs::remove_dir_all(laboratory.path("results")).unwrap();

    let mut run = laboratory.start(&["--resume", "--threads", "1", "--out", "results"]);
    wait_until("no part is kept", || laboratory.parts_left("results") >= 3);
    run.kill().unwrap();
    run.wait().unwrap();
    let output = laboratory.measure(&["--resume", "--out", "results"]);
    assert!(stderr(&output).matches("taken over").count() >= 2, "{}", stderr(&output));
    assert_same(&whole, &contents(&laboratory.path("results")));
    assert_eq!(laboratory.names(), ["results", "rings", "whole"], "after success nothing is left");
}

#[test]
fn without_resume_a_run_begins_anew_and_says_what_it_leaves_aside() {
    let laboratory = Laboratory::with_pictures(6);
    let whole = laboratory.measured("whole", 0, &[]);
    let mut run = laboratory.start(&["--resume", "--threads", "1", "--out", "results"]);
    wait_until("no part is kept", || laboratory.parts_left("results") >= 2);
    run.kill().unwrap();
    run.wait().unwrap();
    // A run that fails on its way leaves the parts; one that ends well removes them.
    let failed = laboratory.measure(&["--crop", "1,2", "--out", "results"]);
    assert_eq!(failed.status.code(), Some(2));
    assert!(laboratory.parts_left("results") >= 2);
    let output = laboratory.measure(&["--out", "results"]);
    assert!(stderr(&output).contains("with --resume they would be taken over"), "{}", stderr(&output));
    assert!(!stderr(&output).contains(": taken over"));
    assert_same(&whole, &contents(&laboratory.path("results")));
    assert_eq!(laboratory.names(), ["results", "rings", "whole"]);
}

#[test]
fn complete_results_are_left_as_they_are_unless_something_changed() {
    let laboratory = Laboratory::with_everything(3);
    let whole = laboratory.measured("results", 1, &[]);
    let time = || std::fs::metadata(laboratory.path("results/run.json")).unwrap().modified().unwrap();
    let before = time();
    for more in [&["--resume"][..], &["--resume", "--replace"], &["--resume", "--threads", "1"]] {
        let output = laboratory.measure(&[&["--out", "results"], more].concat());
        assert!(stderr(&output).contains("complete and nothing has changed"), "{}", stderr(&output));
        assert_eq!(output.status.code(), Some(1), "as the run itself: a picture failed");
        assert!(
            String::from_utf8_lossy(&output.stdout).contains("R1450"),
            "the table is printed all the same"
        );
        assert_same(&whole, &contents(&laboratory.path("results")));
        assert_eq!(time(), before);
    }
    let rings = laboratory.path("rings");
    let text = |name: &str| std::fs::read_to_string(rings.join(name)).unwrap();
    let sheet = text("specimens.csv");
    type Change<'a> = (&'a str, Box<dyn Fn() + 'a>, Box<dyn Fn() + 'a>);
    let write = |name: &'static str, text: String| {
        let path = rings.join(name);
        Box::new(move || std::fs::write(&path, &text).unwrap())
    };
    let beside = text("R1550/field-001.txt");
    let changes: [Change<'_>; 4] = [
        (
            "a firing in the sheet",
            write("specimens.csv", sheet.replace("1450\n", "1460\n")),
            write("specimens.csv", sheet),
        ),
        (
            "a text beside",
            write("R1550/field-001.txt", "PixelSize=31 nm".into()),
            write("R1550/field-001.txt", beside),
        ),
        (
            "a new text beside",
            write("R1550/field-003.txt", "PixelSize=31 nm".into()),
            Box::new(|| std::fs::remove_file(rings.join("R1550/field-003.txt")).unwrap()),
        ),
        (
            "a new picture",
            Box::new(|| save(&rings.join("R1450/new.png"), 55)),
            Box::new(|| std::fs::remove_file(rings.join("R1450/new.png")).unwrap()),
        ),
    ];
    for (what, change, back) in &changes {
        change();
        let output = laboratory.measure(&["--out", "results", "--resume"]);
        assert_eq!(output.status.code(), Some(2), "{what}");
        assert!(stderr(&output).contains("--replace"), "{what}: {}", stderr(&output));
        assert_same(&whole, &contents(&laboratory.path("results")));
        back();
    }
    let output = laboratory.measure(&["--out", "results", "--resume", "--smallest-pore", "30"]);
    assert!(stderr(&output).contains("--replace"), "other options: {}", stderr(&output));
    std::fs::write(laboratory.path("results/fields.csv"), "edited").unwrap();
    let output = laboratory.measure(&["--out", "results", "--resume"]);
    assert!(stderr(&output).contains("--replace"), "an edited table: {}", stderr(&output));
    let output = laboratory.measure(&["--out", "results", "--resume", "--replace"]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    assert_same(&whole, &contents(&laboratory.path("results")));

    // A run that was killed between its last rename and its end leaves its hidden folder.
    std::fs::create_dir_all(laboratory.path(&hidden("results")).join("parts/0")).unwrap();
    let output = laboratory.measure(&["--out", "results", "--resume"]);
    assert!(stderr(&output).contains("nothing has changed"), "{}", stderr(&output));
    assert_eq!(laboratory.names(), ["results", "rings"]);

    let shard = || laboratory.measure(&["--shard", "1/2", "--resume", "--out", "shard"]);
    assert!(!stderr(&shard()).contains("nothing has changed"));
    let again = shard();
    assert!(stderr(&again).contains("nothing has changed"), "{}", stderr(&again));
    let other = laboratory.measure(&["--shard", "2/2", "--resume", "--out", "shard"]);
    assert!(stderr(&other).contains("--replace"), "{}", stderr(&other));
}

#[test]
fn two_runs_at_once_do_not_mix() {
    let laboratory = Laboratory::with_pictures(8);
    let whole = laboratory.measured("whole", 0, &[]);
    let mut first = laboratory.start(&["--threads", "1", "--out", "results"]);
    let new = laboratory.path(&hidden("results")).join("new/pores.csv");
    wait_until("the run does not begin", || new.exists());
    for more in [&["--resume"][..], &[], &["--replace"]] {
        let second = laboratory.measure(&[&["--out", "results"], more].concat());
        assert_eq!(second.status.code(), Some(2));
        assert!(stderr(&second).contains("another run is writing results"), "{}", stderr(&second));
    }
    assert!(first.wait().unwrap().success());
    assert_same(&whole, &contents(&laboratory.path("results")));
    assert_eq!(laboratory.names(), ["results", "rings", "whole"]);
}

#[test]
fn a_picture_that_is_removed_while_others_are_measured_is_a_failure_of_its_own() {
    for more in [&[][..], &["--resume"]] {
        let laboratory = Laboratory::with_pictures(8);
        let mut run = laboratory.start(&[&["--threads", "1", "--out", "results"], more].concat());
        let mut lines = BufReader::new(run.stderr.take().unwrap()).lines();
        lines.next().unwrap().unwrap();
        std::fs::remove_file(laboratory.path("rings/R1550/field-007.png")).unwrap();
        lines.for_each(drop);
        assert_eq!(run.wait().unwrap().code(), Some(1));
        let summary = std::fs::read(laboratory.path("results/summary.json")).unwrap();
        let summary: Value = serde_json::from_slice(&summary).unwrap();
        assert_eq!(summary["fields"].as_array().unwrap().len(), 7);
        assert_eq!(summary["failures"].as_array().unwrap().len(), 1);
        let error = summary["failures"][0]["error"].as_str().unwrap();
        assert!(error.contains("cannot read") && error.contains("field-007.png"), "{error}");
    }
}

/// Kills runs at random moments. Earlier results stand until new ones are complete, nothing half-written is to be seen, and
/// the next run with `--resume` ends with the bytes of an undisturbed one.
#[test]
fn runs_that_are_killed_at_any_moment_lose_nothing() {
    let kills = from_environment("CERAMOGRAPH_KILLS", 12);
    let laboratory = Laboratory::with_everything(4);
    let earlier = laboratory.measured("earlier", 1, &["--smallest-pore", "25"]);
    let start = Instant::now();
    let whole = laboratory.measured("whole", 1, &["--resume"]);
    let undisturbed = start.elapsed();
    assert_ne!(differing(&earlier, &whole), [""; 0]);
    let shard = laboratory.measure(&["--shard", "1/1", "--out", "shard"]);
    assert_eq!(shard.status.code(), Some(1));
    let shard = contents(&laboratory.path("shard"));
    let target = laboratory.path("results");
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(20_261_126);
    let (mut unfinished, mut resumed) = (0, 0);
    for kill in 0..kills {
        // In turn: nothing there, results of other options with a file of the user's, the same without --resume, a shard.
        let kind = kill % 4;
        drop(std::fs::remove_dir_all(&target));
        let mut before = Contents::new();
        let mut after = if kind == 3 { shard.clone() } else { whole.clone() };
        if kind == 1 || kind == 2 {
            copy(&laboratory.path("earlier"), &target);
            std::fs::create_dir(target.join("mine")).unwrap();
            std::fs::write(target.join("mine/notes.txt"), "of the user").unwrap();
            before = contents(&target);
            after.insert("mine/notes.txt".into(), b"of the user".to_vec());
        }
        let mode: &[&str] = match kind {
            0 => &["--resume"],
            1 => &["--resume", "--replace"],
            2 => &["--replace"],
            _ => &["--resume", "--shard", "1/1"],
        };
        let arguments = [&["--out", "results"], mode].concat();
        let mut run = laboratory.start(&[&arguments[..], &["--quiet"]].concat());
        let moment = random.random_range(0.0..1.1);
        std::thread::sleep(undisturbed.mul_f64(moment));
        run.kill().unwrap();
        run.wait().unwrap();

        let there = contents(&target);
        assert!(
            there == before || there == after,
            "kill {kill} at {moment}: {:?}",
            differing(&there, &after)
        );
        let hidden = hidden("results");
        let strange = |name: &String| {
            !["earlier", "whole", "shard", "rings", "results", &hidden].contains(&name.as_str())
        };
        assert!(!laboratory.names().iter().any(strange), "kill {kill}: {:?}", laboratory.names());
        unfinished += usize::from(there == before);

        let again = laboratory.measure(&[&arguments[..], &["--resume"][usize::from(kind != 2)..]].concat());
        assert_eq!(again.status.code(), Some(1), "kill {kill} at {moment}: {}", stderr(&again));
        resumed += usize::from(stderr(&again).contains("taken over"));
        let ended = contents(&target);
        assert_eq!(differing(&after, &ended), [""; 0], "kill {kill} at {moment}");
        assert!(!laboratory.names().contains(&hidden), "kill {kill}: the hidden folder is left");
    }
    println!("{kills} kills: {unfinished} before the results were complete, {resumed} runs took parts over");
    assert!(unfinished > 0 && resumed > 0, "the moments are badly chosen");
}

#[cfg(unix)]
mod unix {
    use super::*;
    use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
    use std::os::unix::process::CommandExt;

    fn shell(laboratory: &Laboratory, script: &str) -> Output {
        let program = env!("CARGO_BIN_EXE_ceramograph");
        let quick = QUICK.join(" ");
        let mut command = Command::new("sh");
        command.current_dir(laboratory.root.path()).timeout(LONGEST);
        command.env("MEASURE", format!("{program} measure rings {quick}"));
        command.args(["-c", script]).output().unwrap()
    }

    #[test]
    fn a_full_disk_costs_nothing_that_was_measured() {
        // A limit on the size of a file stands in for the full disk: parts fit, the page does not.
        let laboratory = Laboratory::with_pictures(12);
        let whole = laboratory.measured("whole", 0, &[]);
        let limit = whole["report.html"].len() / 512 - 1;
        let limited = format!("trap '' XFSZ; ulimit -f {limit}; $MEASURE --out results --resume");
        let output = shell(&laboratory, &limited);
        assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
        assert!(stderr(&output).contains("cannot write results/report.html"), "{}", stderr(&output));
        assert!(!laboratory.path("results").exists());
        assert_eq!(laboratory.parts_left("results"), 12);
        let output = laboratory.measure(&["--out", "results", "--resume"]);
        assert_eq!(stderr(&output).matches("taken over").count(), 12, "{}", stderr(&output));
        assert_same(&whole, &contents(&laboratory.path("results")));
        assert_eq!(laboratory.names(), ["results", "rings", "whole"]);
    }

    #[test]
    fn a_disk_that_is_really_full_is_filled_up_to_its_end_and_taken_up_when_it_has_grown() {
        // A disk in memory, within a mount space of its own; where the system does not allow that, it says so.
        let laboratory = Laboratory::with_pictures(6);
        let allowed = shell(&laboratory, "mkdir disk; unshare -rm mount -t tmpfs -o size=2m none disk");
        if !allowed.status.success() {
            println!(
                "left out: a full disk, because this system lets nobody mount one: {}",
                stderr(&allowed)
            );
            return;
        }
        let whole = laboratory.measured("whole", 0, &[]);
        let script = r#"exec unshare -rm sh -c '
            mount -t tmpfs -o size=1500k none disk
            $MEASURE --out disk/results --resume; echo "code $?"
            ls -A disk
            mount -o remount,size=64m disk
            $MEASURE --out disk/results --resume; echo "code $?"
            ls -A disk
            cp -r disk/results results'"#;
        let output = shell(&laboratory, script);
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let said: Vec<&str> =
            said.lines().filter(|line| line.starts_with("code") || line.contains("results")).collect();
        assert_eq!(said[..2], ["code 1", ".results.ceramograph-unfinished"], "{said:?}, {}", stderr(&output));
        assert_eq!(said[said.len() - 2..], ["code 0", "results"], "{said:?}");
        let errors = stderr(&output);
        assert!(errors.contains("cannot write") && errors.contains("o space left"), "{errors}");
        assert!(errors.contains("taken over"), "{errors}");
        assert_same(&whole, &contents(&laboratory.path("results")));
    }

    fn open(path: &Path, mode: u32) {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    }

    #[test]
    fn where_nothing_may_be_written_earlier_results_stand() {
        let laboratory = Laboratory::with_pictures(2);
        let earlier = laboratory.measured("results", 0, &["--smallest-pore", "25"]);
        // The program is copied to where an ordinary user may run it; no permission stops root.
        let bin = tempfile::tempdir().unwrap();
        open(bin.path(), 0o755);
        let program = bin.path().join("ceramograph");
        std::fs::copy(env!("CARGO_BIN_EXE_ceramograph"), &program).unwrap();
        open(laboratory.root.path(), 0o555);
        for more in [&["--replace"][..], &["--replace", "--resume"]] {
            let mut command = std::process::Command::new(&program);
            if std::fs::metadata("/proc/self").is_ok_and(|meta| meta.uid() == 0) {
                command.uid(65534);
            }
            command.current_dir(laboratory.root.path()).args(measuring(&["--out", "results"])).args(more);
            let output = command.output().unwrap();
            assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
            assert!(stderr(&output).contains("cannot write results"), "{}", stderr(&output));
        }
        open(laboratory.root.path(), 0o755);
        assert_same(&earlier, &contents(&laboratory.path("results")));
        assert_eq!(laboratory.names(), ["results", "rings"]);
    }

    #[test]
    fn pipes_devices_and_links_neither_hang_nor_stop_a_run() {
        let laboratory = Laboratory::with_pictures(1);
        let rings = laboratory.path("rings");
        let pipe = |path: &Path| {
            assert!(std::process::Command::new("mkfifo").arg(path).status().unwrap().success());
        };
        pipe(&rings.join("pipe.png"));
        pipe(&rings.join("R1550/field-001.txt"));
        pipe(&laboratory.path("alone.png"));
        symlink("/dev/zero", rings.join("device.png")).unwrap();
        symlink("nowhere.png", rings.join("dangling.png")).unwrap();
        symlink("..", rings.join("loop")).unwrap();
        symlink("R1550/field-001.png", rings.join("again.png")).unwrap();
        let output = laboratory.measure(&["--out", "results"]);
        let said = stderr(&output);
        assert_eq!(output.status.code(), Some(0), "{said}");
        for name in ["pipe.png", "device.png"] {
            assert!(
                said.contains(&format!("{name} was left out: this is a pipe, a socket or a device")),
                "{said}"
            );
        }
        assert!(said.contains("dangling.png") && said.contains("loop"), "{said}");
        let summary = std::fs::read(laboratory.path("results/summary.json")).unwrap();
        let summary: Value = serde_json::from_slice(&summary).unwrap();
        assert_eq!(summary["fields"].as_array().unwrap().len(), 1, "a link and its target are one field");
        for alone in ["alone.png", "/dev/zero"] {
            let output = laboratory.ceramograph(&["measure", alone]);
            assert_eq!(output.status.code(), Some(2));
            assert!(stderr(&output).contains("copy the picture into a file"), "{}", stderr(&output));
        }
    }
}
