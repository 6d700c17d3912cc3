//! Whatever a user's folder holds: a clear message, the right exit code, the other pictures measured, and nothing
//! half-written. One test for each kind of trouble.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use image::{GrayImage, Luma};
use serde_json::Value;
use tempfile::TempDir;

/// A folder of pictures with room for results beside it.
struct Laboratory {
    root: TempDir,
}

impl Laboratory {
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        std::fs::create_dir(root.path().join("pictures")).unwrap();
        Self { root }
    }

    /// A laboratory with one picture of the demonstration study in it.
    fn with_good_picture() -> Self {
        let laboratory = Self::new();
        let good = demonstration_picture();
        let name = format!("good.{}", good.extension().unwrap().to_str().unwrap());
        std::fs::copy(good, laboratory.pictures().join(name)).unwrap();
        laboratory
    }

    fn pictures(&self) -> PathBuf {
        self.root.path().join("pictures")
    }

    fn results(&self) -> PathBuf {
        self.root.path().join("results")
    }

    fn add(&self, name: &str, bytes: &[u8]) {
        std::fs::write(self.pictures().join(name), bytes).unwrap();
    }

    fn draw(&self, name: &str, width: u32, height: u32, grey: impl Fn(u32, u32) -> u8) {
        let picture = GrayImage::from_fn(width, height, |x, y| Luma([grey(x, y)]));
        picture.save(self.pictures().join(name)).unwrap();
    }

    fn measure(&self, more: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_ceramograph"))
            .arg("measure")
            .arg(self.pictures())
            .arg("--out")
            .arg(self.results())
            .args(more)
            .output()
            .unwrap()
    }

    fn summary(&self) -> Value {
        serde_json::from_slice(&std::fs::read(self.results().join("summary.json")).unwrap()).unwrap()
    }

    /// Asserts that only the pictures are in the folder: no results, and nothing half-written.
    fn assert_untouched(&self) {
        let names: Vec<_> =
            std::fs::read_dir(self.root.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(names, ["pictures"]);
    }
}

fn demonstration_picture() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    let mut pictures: Vec<_> = walkdir::WalkDir::new(folder)
        .into_iter()
        .map(|entry| entry.unwrap().into_path())
        .filter(|path| {
            let name = path.file_name().unwrap().to_str().unwrap();
            name.ends_with(".png") && !name.ends_with(".labels.png")
        })
        .collect();
    pictures.sort();
    pictures.into_iter().next().expect("the demonstration study holds pictures")
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn has_warning(field: &Value, code: &str) -> bool {
    field["warnings"].as_array().unwrap().iter().any(|w| w["code"] == code)
}

/// Measures `bytes` as a file beside a good picture: the good one is measured, the bad one is listed with a text that
/// holds `reason`, and the exit code is 1.
fn assert_listed(name: &str, bytes: &[u8], reason: &str) {
    let laboratory = Laboratory::with_good_picture();
    laboratory.add(name, bytes);
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let summary = laboratory.summary();
    assert_eq!(summary["fields"].as_array().unwrap().len(), 1);
    assert!(summary["fields"][0]["mean_linear_intercept_um"].is_number(), "{}", summary["fields"][0]);
    assert_eq!(summary["failures"][0]["file"], name);
    let error = summary["failures"][0]["error"].as_str().unwrap();
    assert!(error.contains(reason) && error.contains(name), "{error}");
    assert!(stderr(&output).contains(reason), "{}", stderr(&output));
}

#[test]
fn a_text_file_with_a_picture_name_is_listed() {
    assert_listed("notes.png", b"fired at 1550 on Tuesday", "not a picture");
}

#[test]
fn an_empty_file_is_listed() {
    assert_listed("empty.tif", b"", "empty");
}

#[test]
fn a_truncated_picture_is_listed() {
    let whole = std::fs::read(demonstration_picture()).unwrap();
    assert_listed("cut.png", &whole[..whole.len() / 2], "not a picture that can be read");
}

#[test]
fn absurd_dimensions_are_refused_before_decoding() {
    // A PNG head that claims 2 000 000 000 x 2 000 000 000 px.
    let mut png = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR".to_vec();
    png.extend(2_000_000_000u32.to_be_bytes());
    png.extend(2_000_000_000u32.to_be_bytes());
    png.extend([8, 0, 0, 0, 0]);
    let check = crc32(&png[12..]);
    png.extend(check.to_be_bytes());
    assert_listed("huge.png", &png, "--max-pixels");
}

/// CRC-32 of ISO 3309, as PNG uses it.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| if c & 1 == 1 { c >> 1 ^ 0xEDB8_8320 } else { c >> 1 })
    })
}

#[test]
fn one_pixel_is_no_field() {
    let laboratory = Laboratory::with_good_picture();
    laboratory.draw("dot.png", 1, 1, |_, _| 128);
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let summary = laboratory.summary();
    assert_eq!(summary["failures"][0]["file"], "dot.png");
    assert!(summary["failures"][0]["error"].as_str().unwrap().contains("too small"));
}

#[test]
fn flat_pictures_give_null_and_a_warning() {
    for (name, grey) in [("black.png", 0), ("white.png", 255), ("grey.png", 120)] {
        let laboratory = Laboratory::new();
        laboratory.draw(name, 200, 150, |_, _| grey);
        let output = laboratory.measure(&[]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let field = &laboratory.summary()["fields"][0];
        assert!(field["porosity_percent"].is_null(), "{name}: {field}");
        assert!(field["mean_linear_intercept_px"].is_null(), "{name}: {field}");
        assert!(has_warning(field, "no-contrast"), "{name}: {field}");
        assert_eq!(field["picture_check"]["grade"], "do-not-use", "{name}");
    }
}

/// Noise between 0 and `range`, the same on every machine.
fn noise(x: u32, y: u32, range: u32) -> u8 {
    let mut z = x.wrapping_mul(0x9E37_79B9) ^ y.wrapping_mul(0x85EB_CA6B);
    z = (z ^ z >> 15).wrapping_mul(0x2C1B_3C6D);
    z = (z ^ z >> 12).wrapping_mul(0x297A_2D39);
    ((z ^ z >> 15) % range) as u8
}

#[test]
fn a_solid_without_pores_or_grains_invents_neither() {
    let laboratory = Laboratory::new();
    laboratory.draw("dense.png", 400, 300, |x, y| 140 + noise(x, y, 20));
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let field = &laboratory.summary()["fields"][0];
    assert!(field["porosity_percent"].as_f64().is_none_or(|p| p < 0.1), "{field}");
    assert!(field["grain_count"].is_null() && field["mean_linear_intercept_px"].is_null(), "{field}");
    assert!(has_warning(field, "grain-boundaries-too-weak"), "{field}");
}

#[test]
fn a_picture_that_is_all_pore_has_no_grain_size() {
    let laboratory = Laboratory::new();
    laboratory.draw("void.png", 400, 300, |x, y| 20 + noise(x, y, 12));
    let output = laboratory.measure(&["--pores", "100"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let field = &laboratory.summary()["fields"][0];
    assert_eq!(field["porosity_percent"], 100.0, "{field}");
    assert!(field["mean_linear_intercept_px"].is_null() && field["grain_count"].is_null(), "{field}");
    assert!(has_warning(field, "all-pore"), "{field}");
}

#[test]
fn nearly_all_pore_and_solid_with_bright_grains_look_alike_so_there_is_a_warning() {
    let laboratory = Laboratory::new();
    let island = |x: u32, y: u32| x.abs_diff(200).pow(2) + y.abs_diff(150).pow(2) < 400;
    laboratory.draw("powder.png", 400, 300, |x, y| 20 + noise(x, y, 12) + if island(x, y) { 180 } else { 0 });
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let field = &laboratory.summary()["fields"][0];
    assert!(["no-pores-found", "pores-doubtful"].iter().any(|code| has_warning(field, code)), "{field}");
    assert!(field["mean_linear_intercept_px"].is_null(), "{field}");
}

#[test]
fn a_missing_folder_is_a_usage_error() {
    let laboratory = Laboratory::new();
    std::fs::remove_dir(laboratory.pictures()).unwrap();
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("pictures"), "{}", stderr(&output));
    assert_eq!(std::fs::read_dir(laboratory.root.path()).unwrap().count(), 0, "nothing was written");
}

#[test]
fn a_folder_without_pictures_is_a_usage_error() {
    let laboratory = Laboratory::new();
    laboratory.add("notes.txt", b"no pictures yet");
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("no picture was found"), "{}", stderr(&output));
    laboratory.assert_untouched();
}

#[test]
fn nonsense_options_are_usage_errors_before_anything_is_read() {
    let laboratory = Laboratory::with_good_picture();
    for (options, word) in [
        (&["--pixel-size", "0nm"][..], "larger than zero"),
        (&["--pixel-size=-25nm"], "larger than zero"),
        (&["--scale-bar", "10"], "unit"),
        (&["--scale-bar=0um"], "larger than zero"),
        (&["--pores", "magic"], "otsu"),
        (&["--crop", "1,2,3"], "x,y,width,height"),
        (&["--line-spacing", "0"], "--line-spacing"),
        (&["--merge-below", "7"], "--merge-below"),
        (&["--merge-below", "0.3"], "--merge-below does nothing with --boundaries learned"),
        (&["--shallowest", "0.3"], "--shallowest does nothing"),
        (&["--boundary-tone", "bright", "--boundaries", "gradient"], "--boundary-tone does nothing"),
        (&["--threads", "0"], "threads"),
        (&["--options", "nowhere.toml"], "nowhere.toml"),
        (&["--sheet", "nowhere.csv"], "nowhere.csv"),
    ] {
        let output = laboratory.measure(options);
        assert_eq!(output.status.code(), Some(2), "{options:?}: {}", stderr(&output));
        assert!(stderr(&output).contains(word), "{options:?}: {}", stderr(&output));
        laboratory.assert_untouched();
    }
}

#[test]
fn a_crop_beyond_the_picture_fails_that_picture() {
    let laboratory = Laboratory::with_good_picture();
    let output = laboratory.measure(&["--crop", "0,0,100000,10"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("reaches beyond the picture"), "{}", stderr(&output));
}

#[test]
fn a_picture_without_scale_is_measured_in_pixels_or_refused() {
    let laboratory = Laboratory::new();
    laboratory.draw("plain.png", 300, 200, |x, y| {
        if x % 60 < 14 && y % 50 < 14 { 20 } else { 160 + noise(x, y, 10) }
    });
    let output = laboratory.measure(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let field = &laboratory.summary()["fields"][0];
    assert!(field["scale"].is_null() && has_warning(field, "no-scale"), "{field}");
    assert!(field["mean_linear_intercept_um"].is_null(), "{field}");

    let output = laboratory.measure(&["--require-scale", "--replace"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("--require-scale"), "{}", stderr(&output));
}

#[test]
fn earlier_results_are_not_overwritten() {
    let laboratory = Laboratory::with_good_picture();
    assert_eq!(laboratory.measure(&["--quiet"]).status.code(), Some(0));
    let before = std::fs::read(laboratory.results().join("summary.json")).unwrap();
    let output = laboratory.measure(&["--pores", "kapur"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("--replace"), "{}", stderr(&output));
    assert_eq!(std::fs::read(laboratory.results().join("summary.json")).unwrap(), before);
    assert_eq!(laboratory.measure(&["--pores", "kapur", "--replace"]).status.code(), Some(0));
    assert_ne!(std::fs::read(laboratory.results().join("summary.json")).unwrap(), before);
}

#[cfg(unix)]
mod unix {
    use super::*;
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;

    /// An ordinary user's run, also where the tests run as root, whom no permission stops. `mode` is that of the folder
    /// that holds pictures and results.
    fn measure_as_ordinary_user(laboratory: &Laboratory, mode: u32) -> Output {
        // The program is copied to where an ordinary user may run it.
        let bin = tempfile::tempdir().unwrap();
        open(bin.path(), 0o755);
        let program = bin.path().join("ceramograph");
        std::fs::copy(env!("CARGO_BIN_EXE_ceramograph"), &program).unwrap();
        open(laboratory.root.path(), mode);
        let mut command = Command::new(&program);
        if std::fs::metadata("/proc/self").is_ok_and(|meta| meta.uid() == 0) {
            command.uid(65534);
        }
        let folders = ["measure", "pictures", "--out", "results"];
        command.current_dir(laboratory.root.path()).args(folders).output().unwrap()
    }

    fn open(path: &Path, mode: u32) {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    }

    #[test]
    fn an_unreadable_folder_is_a_usage_error() {
        let laboratory = Laboratory::with_good_picture();
        open(&laboratory.pictures(), 0o000);
        let output = measure_as_ordinary_user(&laboratory, 0o755);
        open(&laboratory.pictures(), 0o755);
        assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
        assert!(stderr(&output).contains("pictures"), "{}", stderr(&output));
        laboratory.assert_untouched();
    }

    #[test]
    fn an_unreadable_subfolder_is_warned_about_and_the_rest_measured() {
        let laboratory = Laboratory::with_good_picture();
        std::fs::create_dir(laboratory.pictures().join("locked")).unwrap();
        open(&laboratory.pictures().join("locked"), 0o000);
        let output = measure_as_ordinary_user(&laboratory, 0o777);
        open(&laboratory.pictures().join("locked"), 0o755);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let summary = laboratory.summary();
        assert_eq!(summary["fields"].as_array().unwrap().len(), 1);
        assert_eq!(summary["warnings"][0]["code"], "unreadable-entry", "{}", summary["warnings"]);
    }

    #[test]
    fn a_results_folder_that_cannot_be_written_is_reported() {
        let laboratory = Laboratory::with_good_picture();
        let output = measure_as_ordinary_user(&laboratory, 0o755);
        assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
        assert!(stderr(&output).contains("cannot write") && stderr(&output).contains("results"));
        laboratory.assert_untouched();
    }

    #[test]
    fn a_full_disk_leaves_nothing_half_written() {
        // A limit on the size of a file stands in for the full disk: the write in the middle of a picture is refused.
        let laboratory = Laboratory::with_good_picture();
        let output = Command::new("sh")
            .arg("-c")
            .arg(r#"trap '' XFSZ; ulimit -f 100; exec "$0" measure "$1" --out "$2""#)
            .arg(env!("CARGO_BIN_EXE_ceramograph"))
            .arg(laboratory.pictures())
            .arg(laboratory.results())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
        assert!(stderr(&output).contains("cannot write"), "{}", stderr(&output));
        laboratory.assert_untouched();
    }

    #[test]
    fn a_name_that_is_not_utf_8_is_measured() {
        let laboratory = Laboratory::new();
        let name = OsStr::from_bytes(b"ring-\xff.png");
        std::fs::copy(demonstration_picture(), laboratory.pictures().join(name)).unwrap();
        let output = laboratory.measure(&[]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        assert_eq!(laboratory.summary()["fields"][0]["file"], "ring-\u{fffd}.png");
    }

    /// What a careless report would run, break at, or write elsewhere.
    const HOSTILE: [&str; 9] = [
        "=HYPERLINK(\"x\",\"y\").png",
        "+1+1.png",
        "@SUM(A1).png",
        "-2.png",
        "<script>alert('1')<img src=x>.png",
        "a,b;\t\"c\"\r\nd.png",
        "ring\u{202e}gnp.png",
        "ring\\..\\..\\evil.png",
        "ring%2f..%2f..%2fevil.png",
    ];

    #[test]
    fn files_of_hostile_names_are_measured_and_every_report_of_them_is_safe_to_open() {
        let laboratory = Laboratory::new();
        for name in HOSTILE {
            std::fs::copy(demonstration_picture(), laboratory.pictures().join(name)).unwrap();
        }
        std::fs::write(laboratory.pictures().join("=cmd|' calc'!A0.png"), "no picture").unwrap();
        let quick = ["--boundaries", "ridge", "--pores", "half-contrast", "--label-maps"];
        let output = laboratory.measure(&quick);
        assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
        let said = stderr(&output) + &String::from_utf8_lossy(&output.stdout);
        assert!(!said.contains(['\u{202e}', '\r', '\t']), "{said:?}");

        let summary = laboratory.summary();
        let fields = summary["fields"].as_array().unwrap();
        let mut names: Vec<&str> = fields.iter().map(|field| field["file"].as_str().unwrap()).collect();
        let mut expected = HOSTILE;
        names.sort_unstable();
        expected.sort_unstable();
        assert_eq!(names, expected, "the result has the names as they are");
        for field in fields {
            let overlay = Path::new(field["overlay"].as_str().unwrap());
            let folder = laboratory.results().join(overlay).parent().unwrap().canonicalize().unwrap();
            assert_eq!(folder, laboratory.results().canonicalize().unwrap().join("overlays"), "{overlay:?}");
            assert!(laboratory.results().join(overlay).is_file(), "{overlay:?}");
        }
        let page = std::fs::read_to_string(laboratory.results().join("report.html")).unwrap();
        for raw in ["<script", "<img src=x", "\u{202e}", "alert('1')"] {
            assert!(!page.contains(raw), "{raw:?} stands in the page");
        }
        for table in ["fields.csv", "pores.csv", "grains.csv", "chords.csv", "intercepts.csv"] {
            let mut reader = csv::ReaderBuilder::new()
                .flexible(false)
                .from_path(laboratory.results().join(table))
                .unwrap();
            for row in reader.records() {
                let row = row.unwrap();
                let harmless = |cell: &str| {
                    cell.parse::<f64>().is_ok() || !cell.starts_with(['=', '+', '-', '@', '\t', '\r'])
                };
                assert!(row.iter().all(harmless), "{table}: {row:?}");
            }
        }
        let beside: Vec<_> =
            std::fs::read_dir(laboratory.root.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(beside.len(), 2, "pictures and results, and nothing else: {beside:?}");
    }

    #[test]
    fn a_link_in_earlier_results_leads_nothing_out_of_their_folder() {
        let laboratory = Laboratory::with_good_picture();
        assert_eq!(laboratory.measure(&[]).status.code(), Some(0));
        let mine = tempfile::tempdir().unwrap();
        std::fs::write(mine.path().join("good.png"), "mine").unwrap();
        let overlays = laboratory.results().join("overlays");
        std::fs::remove_dir_all(&overlays).unwrap();
        std::os::unix::fs::symlink(mine.path(), &overlays).unwrap();
        let output = laboratory.measure(&["--replace", "--pores", "kapur"]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let names: Vec<_> = std::fs::read_dir(mine.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(names, ["good.png"]);
        assert_eq!(std::fs::read(mine.path().join("good.png")).unwrap(), b"mine");
        assert!(!overlays.is_symlink() && overlays.join("good.png").is_file());
    }

    #[test]
    fn devices_named_as_tables_or_options_are_refused_and_do_not_fill_the_memory() {
        let laboratory = Laboratory::with_good_picture();
        for option in ["--sheet", "--scales", "--options"] {
            let output = laboratory.measure(&[option, "/dev/zero"]);
            assert_eq!(output.status.code(), Some(2), "{option}: {}", stderr(&output));
            assert!(stderr(&output).contains("longer than 16 MiB"), "{option}: {}", stderr(&output));
            laboratory.assert_untouched();
        }
        // A record that vouches for files elsewhere, devices among them.
        assert_eq!(laboratory.measure(&[]).status.code(), Some(0));
        let path = laboratory.results().join("run.json");
        let record = std::fs::read_to_string(&path).unwrap();
        for elsewhere in ["/dev/zero", "../pictures/good.png"] {
            std::fs::write(&path, record.replace("overlays/good.png", elsewhere)).unwrap();
            let output = Command::new(env!("CARGO_BIN_EXE_ceramograph"))
                .current_dir(laboratory.root.path())
                .args(["verify", "results"])
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&output.stdout).into_owned() + &stderr(&output);
            assert_eq!(output.status.code(), Some(1), "{said}");
            assert!(said.contains(elsewhere), "{said}");
        }
    }

    #[test]
    fn a_folder_whose_path_is_not_utf_8_is_measured() {
        let laboratory = Laboratory::with_good_picture();
        let odd = laboratory.root.path().join(OsStr::from_bytes(b"rings-\xff"));
        std::fs::rename(laboratory.pictures(), &odd).unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_ceramograph"));
        command.current_dir(laboratory.root.path()).arg("measure").arg(odd).args(["--out", "results"]);
        let output = command.output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let record = std::fs::read_to_string(laboratory.results().join("run.json")).unwrap();
        assert!(record.contains("rings-\u{fffd}"), "{record}");
    }
}
