//! Folders of many pictures: the same bytes for any number of threads and any order of files, and with broken files among them
//! every good picture measured, every broken one listed, memory that does not grow and time that grows in proportion.
//!
//! A run with one thread is the expected value of the others; no number is typed in here. `CERAMOGRAPH_PICTURES` sets the
//! number of pictures (40 unless it is set): memory and time are compared between a tenth of them and all.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use ceramograph::micrograph::Grey;
use ceramograph::phantom::{PhantomSpec, draw};
use rayon::prelude::*;
use serde_json::Value;
use tempfile::TempDir;

/// Filters instead of the network, so that a picture takes milliseconds.
const QUICK: [&str; 4] = ["--boundaries", "ridge", "--pores", "half-contrast"];

/// One file in so many is broken.
const BROKEN_EVERY: usize = 20;

type Contents = BTreeMap<String, Vec<u8>>;

struct Laboratory {
    root: TempDir,
}

fn picture(seed: u64) -> image::GrayImage {
    let mut spec = PhantomSpec { width_px: 256, height_px: 256, seed, ..PhantomSpec::default() };
    spec.structure.density = ceramograph::phantom::structure::Density::MeanInterceptPx(24.0);
    let Grey::Eight(grid) = draw(&spec).unwrap().grey else { panic!("8 bits were asked for") };
    image::GrayImage::from_raw(256, 256, grid.into_vec()).unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn contents(folder: &Path) -> Contents {
    let files = walkdir::WalkDir::new(folder).into_iter().map(Result::unwrap);
    files
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let name = entry.path().strip_prefix(folder).unwrap().to_str().unwrap().to_owned();
            (name, std::fs::read(entry.path()).unwrap())
        })
        .collect()
}

#[track_caller]
fn assert_same(expected: &Contents, found: &Contents, what: &str) {
    assert!(expected.contains_key("report.html") && expected.contains_key("summary.json"));
    let names = expected.keys().chain(found.keys());
    let differing: Vec<_> = names.filter(|name| expected.get(*name) != found.get(*name)).collect();
    assert!(differing.is_empty(), "{what}: {differing:?} differ");
}

impl Laboratory {
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        std::fs::create_dir(root.path().join("rings")).unwrap();
        Self { root }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_ceramograph"));
        command.current_dir(self.root.path()).arg("measure").args(arguments);
        command
    }

    /// The results of a run that must end with this code.
    fn measured(&self, out: &str, code: i32, arguments: &[&str]) -> Contents {
        let output = self.command(arguments).args(["--out", out]).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
        contents(&self.path(out))
    }
}

/// Every thread count, both twice, and every order of the files give the same bytes.
fn assert_deterministic(more: &[&str]) {
    let laboratory = Laboratory::new();
    let pictures: Vec<String> = (1..=5).map(|i| format!("rings/field-{i}.png")).collect();
    for (seed, name) in pictures.iter().enumerate() {
        picture(seed as u64 + 1).save(laboratory.path(name)).unwrap();
    }
    std::fs::write(laboratory.path("rings/field-3.png"), "no picture").unwrap();
    let expected =
        laboratory.measured("one", 1, &[&["rings", "--threads", "1", "--label-maps"], more].concat());
    for threads in ["1", "2", "3", "8"] {
        for turn in ["a", "b"] {
            let arguments = [&["rings", "--threads", threads, "--label-maps"], more].concat();
            let found = laboratory.measured(&format!("{threads}{turn}"), 1, &arguments);
            assert_same(&expected, &found, &format!("{threads} threads, {more:?}"));
        }
    }
    let files: Vec<&str> = pictures.iter().map(String::as_str).collect();
    let mut turned = files.clone();
    turned.reverse();
    let mixed = [files[3], files[0], files[4], files[2], files[1]];
    let mut in_order = laboratory.measured("in-order", 1, &[&files[..], more].concat());
    let record = record_without_roots(&mut in_order);
    for (out, order) in [("turned", &turned[..]), ("mixed", &mixed[..])] {
        let mut found = laboratory.measured(out, 1, &[order, &["--threads", "3"], more].concat());
        // The record says what was typed, in its order.
        assert_eq!(record_without_roots(&mut found), record);
        assert_same(&in_order, &found, &format!("{out}, {more:?}"));
    }
}

/// Takes the record out; what was typed, and the digest over it, are left out of what is returned.
fn record_without_roots(contents: &mut Contents) -> Value {
    let mut record: Value = serde_json::from_slice(&contents.remove("run.json").unwrap()).unwrap();
    let fields = record.as_object_mut().unwrap();
    assert_eq!(fields.remove("roots").unwrap().as_array().unwrap().len(), 5);
    assert!(fields.remove("digest").is_some());
    record
}

#[test]
fn threads_and_order_of_files_change_no_byte_with_filters() {
    assert_deterministic(&QUICK);
}

#[test]
fn threads_and_order_of_files_change_no_byte_with_the_network() {
    assert_deterministic(&[]);
}

/// Of 67 pictures the last is the first again, byte for byte, and the last but one is the second, saved in another format: 66 and
/// 64 places away.
#[test]
fn copies_are_pointed_out_within_64_pictures_and_equal_files_at_any_distance() {
    let laboratory = Laboratory::new();
    let name = |i: usize| format!("rings/field-{i:02}.{}", if i == 65 { "bmp" } else { "png" });
    (0..65).into_par_iter().for_each(|i| {
        picture(i as u64 + 1).save(laboratory.path(&name(i))).unwrap();
    });
    image::open(laboratory.path(&name(1))).unwrap().save(laboratory.path(&name(65))).unwrap();
    std::fs::copy(laboratory.path(&name(0)), laboratory.path(&name(66))).unwrap();
    let found = laboratory.measured("results", 0, &[&["rings"], &QUICK[..]].concat());
    let summary: Value = serde_json::from_slice(&found["summary.json"]).unwrap();
    let fields = summary["fields"].as_array().unwrap();
    let same_place = |i: usize| -> Vec<&str> {
        let findings = fields[i]["picture_check"]["findings"].as_array().unwrap().iter();
        let overlaps = findings.filter(|finding| finding["name"] == "overlap");
        overlaps.map(|finding| finding["advice"].as_str().unwrap()).collect()
    };
    for (copy, original) in [(65, "field-01.png"), (66, "field-00.png")] {
        let [advice] = same_place(copy)[..] else { panic!("{copy}: {:?}", same_place(copy)) };
        assert!(advice.contains(&format!("shows the same place as {original};")), "{advice}");
    }
}

/// What a run of a folder took.
struct Cost {
    /// Time of all processors where the system says it, which other programs do not disturb; else time on the clock.
    time: Duration,
    /// Most resident memory in KiB, where the system says it.
    peak_kib: Option<u64>,
}

/// Puts `count` files into a folder, of which one in twenty is broken, each in another way, and returns the names of those.
fn fill(folder: &Path, count: usize, drawn: &[Vec<u8>]) -> Vec<String> {
    std::fs::create_dir(folder).unwrap();
    let mut broken = Vec::new();
    for (i, picture) in drawn.iter().take(count).enumerate() {
        let name = format!("field-{i:04}.png");
        let mut bytes = picture.clone();
        if i % BROKEN_EVERY == 3 {
            broken.push(name.clone());
            bytes = match i / BROKEN_EVERY % 5 {
                0 => bytes[..bytes.len() / 2].to_vec(),
                1 => Vec::new(),
                2 => b"fired at 1550 on Tuesday".to_vec(),
                3 => {
                    // Its head claims 2 000 000 000 columns.
                    bytes[16..20].copy_from_slice(&2_000_000_000u32.to_be_bytes());
                    bytes
                }
                _ => {
                    let middle = bytes.len() / 2;
                    bytes[middle] ^= 0xff;
                    bytes
                }
            };
        }
        std::fs::write(folder.join(name), bytes).unwrap();
    }
    broken
}

/// Measures a folder and checks that every good picture is measured and every broken one listed with a reason.
fn measure_all(laboratory: &Laboratory, folder: &str, count: usize, broken: &[String]) -> Cost {
    let out = format!("{folder}-results");
    let start = Instant::now();
    let mut command = laboratory.command(&[folder, "--quiet", "--threads", "2", "--out", &out]);
    let mut run = command.args(QUICK).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let (mut peak_kib, mut time) = (None, None);
    let status = loop {
        // The kernel keeps the largest value that there was, so that it is enough to look now and then.
        peak_kib = peak(run.id()).or(peak_kib);
        time = processor_time(run.id()).or(time);
        match run.try_wait().unwrap() {
            Some(status) => break status,
            None => std::thread::sleep(Duration::from_millis(5)),
        }
    };
    let time = time.unwrap_or_else(|| start.elapsed());
    assert_eq!(status.code(), Some(1));
    let summary = std::fs::read(laboratory.path(&out).join("summary.json")).unwrap();
    let summary: Value = serde_json::from_slice(&summary).unwrap();
    let measured = summary["fields"].as_array().unwrap();
    assert_eq!(measured.len(), count - broken.len());
    assert!(measured.iter().all(|field| field["mean_linear_intercept_px"].is_number()));
    let failures = summary["failures"].as_array().unwrap();
    let listed: Vec<&str> = failures.iter().map(|failure| failure["file"].as_str().unwrap()).collect();
    assert_eq!(listed, broken);
    for failure in failures {
        let error = failure["error"].as_str().unwrap();
        assert!(
            ["copy it again", "--max-pixels", "save the picture"].iter().any(|advice| error.contains(advice)),
            "{error}"
        );
    }
    Cost { time, peak_kib }
}

/// Most memory that a process has had so far.
fn peak(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// Processor time that a process has taken so far, in hundredths of a second as Linux counts them.
fn processor_time(process: u32) -> Option<Duration> {
    let status = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The name of the program stands in brackets and may hold spaces; what is counted from its end on are fields 3 and so on.
    let mut fields = status.rsplit_once(')')?.1.split_whitespace().skip(11);
    let hundredths = fields.next()?.parse::<u64>().ok()? + fields.next()?.parse::<u64>().ok()?;
    Some(Duration::from_millis(10 * hundredths)).filter(|time| !time.is_zero())
}

#[test]
fn a_folder_with_broken_files_is_measured_in_flat_memory_and_linear_time() {
    let count: usize = std::env::var("CERAMOGRAPH_PICTURES")
        .map_or(40, |text| text.parse().unwrap_or_else(|_| panic!("CERAMOGRAPH_PICTURES={text}")));
    let laboratory = Laboratory::new();
    let drawn: Vec<Vec<u8>> = (1..=count as u64)
        .into_par_iter()
        .map(|seed| {
            let mut bytes = std::io::Cursor::new(Vec::new());
            picture(seed).write_to(&mut bytes, image::ImageFormat::Png).unwrap();
            bytes.into_inner()
        })
        .collect();
    let mut costs = Vec::new();
    for (folder, count) in [("some", count / 10), ("half", count / 2), ("all", count)] {
        let broken = fill(&laboratory.path(folder), count, &drawn);
        let cost = measure_all(&laboratory, folder, count, &broken);
        println!(
            "{count} pictures, {} broken: {:.2?}, {:?} KiB at most",
            broken.len(),
            cost.time,
            cost.peak_kib
        );
        costs.push((count, cost));
    }
    let [some, half, all] = costs.as_slice() else { unreachable!("three folders") };
    let exponent =
        (all.1.time.as_secs_f64() / half.1.time.as_secs_f64()).ln() / (all.0 as f64 / half.0 as f64).ln();
    let from_some =
        (all.1.time.as_secs_f64() / some.1.time.as_secs_f64()).ln() / (all.0 as f64 / some.0 as f64).ln();
    println!(
        "time grows with the power {from_some:.2} of their number from a tenth on, {exponent:.2} from half on"
    );
    // Below one where starting takes a share; two would be every picture looking at every other.
    assert!(exponent < 1.35, "time grows with the power {exponent:.2} of the number of pictures");
    match (half.1.peak_kib, all.1.peak_kib) {
        (Some(half_kib), Some(all_kib)) => {
            // Of a picture that is done, its results and the sizes to be pooled are kept: kilobytes, where one that is being
            // measured takes megabytes. Runs of the same folder differ by some megabytes.
            let room = 8 * 1024 + 16 * (all.0 - half.0) as u64;
            assert!(all_kib < half_kib + room, "{half_kib} KiB for half, {all_kib} KiB for all");
        }
        _ => println!("left out: memory, because this system does not say what a process has taken"),
    }
}
