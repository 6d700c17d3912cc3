//! Texts: the study sheet, the file of scales, texts beside pictures, options, and results that are read back.

use std::path::Path;

use ceramograph::grid::Grid;
use ceramograph::micrograph::beside::TextBeside;
use ceramograph::micrograph::{Grey, Micrograph};
use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use ceramograph::phantom::structure::Density;
use ceramograph::phantom::{PhantomSpec, draw};
use ceramograph::relate::Question;
use ceramograph::study::collect::{Arrival, Collector};
use ceramograph::study::output::Staging;
use ceramograph::study::part::Kept;
use ceramograph::study::record::{Entry, RECORD_NAME, Record, sha256};
use ceramograph::study::result::Study;
use ceramograph::study::results::SUMMARY_NAME;
use ceramograph::study::run::Request;
use ceramograph::study::shard::ShardRecord;
use ceramograph::study::{results, scale_list, sheet};
use ceramograph::{relate, report};
use serde_json::Value;
use tempfile::TempDir;

use crate::Format;
use crate::change::{Change, change_bytes};
use crate::invented_study::{study, unknown_study};
use crate::watch::Verdict;

/// Pieces that a text may be cut at.
const BETWEEN: &[u8] = b",;\t\n\r \"'=:[]{}()/xX";

/// What nobody means to write, and what is written by mistake.
const WORDS: [&[u8]; 44] = [
    b"",
    b"0",
    b"-1",
    b"NaN",
    b"inf",
    b"1e999",
    b"-1e-999",
    b"0,5",
    b"1.234,5",
    b"99999999999999999999",
    b"1e308",
    b"\"",
    b"\"\"",
    b"'",
    b"\n",
    b"\r",
    b",",
    b";",
    b"\t",
    b"\0",
    b"\xff",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\xe2\x80\xae",
    b"\xc2\xb5m",
    b"25nm x 24nm",
    b"10um",
    b"specimen",
    b"pictures",
    b"file",
    b"pixel_size",
    b"scale_bar",
    b"{a,b}*[!c]**",
    b"[",
    b"{{{{{{{{",
    b"=1+1",
    b"#",
    b"sep=;\n",
    b"[[a]]\n",
    b"Pixel Size (nm) = 25",
    b"0.4 um/px",
    b"PhysicalSizeX",
    b"<OME><Pixels ",
    b"\xf0\x9f\x94\xa5",
];

/// Changes a text word by word.
fn changed(text: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    let cuts: Vec<usize> = (0..text.len()).filter(|&i| BETWEEN.contains(&text[i])).collect();
    let Some(&cut) = cuts.get(change.of(cuts.len())) else { return change_bytes(text, change, others) };
    let next = cuts.iter().copied().find(|&other| other > cut).unwrap_or(text.len());
    let word = WORDS[change.second(WORDS.len())];
    match change.kind % 10 {
        0 => drop(text.splice(cut + 1..next, word.iter().copied())),
        1 => drop(text.splice(cut..cut, word.iter().copied())),
        2 => drop(text.drain(cut..next)),
        3 => text[cut] = BETWEEN[change.second(BETWEEN.len())],
        4 => {
            let row = text[cut..next].to_vec();
            let copies = 1 << (change.value % 9);
            text.splice(cut..cut, row.repeat(copies));
        }
        5 => {
            let word = word.repeat(1 << (change.value % 9));
            text.splice(cut..cut, word);
        }
        6 => {
            let number = change.number();
            let said = if change.value & 256 == 0 {
                format!("{}", number as i64)
            } else {
                format!("{:e}", number as f64)
            };
            text.splice(cut + 1..next, said.into_bytes());
        }
        _ => change_bytes(text, change, others),
    }
}

/// Some hundred bytes for each of the text, which a pattern takes when it is prepared.
fn budget(length: usize) -> usize {
    length * 500 + (16 << 20)
}

fn texts(all: &[&str]) -> Vec<Vec<u8>> {
    all.iter().map(|text| text.as_bytes().to_vec()).collect()
}

#[test]
fn study_sheet() {
    let template = sheet::template();
    let files = [
        "specimen,surface,peak temperature (°C)\nR1450,polished,1450\nR1550,fracture,1550\n",
        "specimen;pictures;fired_mass_g;fired_outer_diameter_mm;fired_inner_diameter_mm;fired_height_mm\nA;ring-A/*;5,607;20,1;12,0;8,05\nB;{b,c}/[0-9]*;5,61;20,2;;8,0\n",
        "\u{feff}sep=;\r\n# rings\r\nspecimen;ramp_rate_k_min;peak_temperature_c;hold_min;notes\r\n\"A\";5;1550;120;\"two\r\nlines\"\r\n",
        "specimen\tdry_mass_g\tsuspended_mass_g\tsaturated_mass_g\tliquid\nA\t5.60\t4.1\t5.62\twater\n",
        "specimen,material,theoretical_density_g_cm3,theoretical_density_uncertainty_g_cm3,green_mass_g,green_height_mm,die_diameter_mm,pressing_force_kn\nA,alumina,3.987,0.002,5.7,9.1,22,40\n",
        &template,
    ];
    Format {
        name: "study-sheet",
        one_in: 1,
        files: texts(&files),
        change: &changed,
        read: &|bytes| {
            sheet::parse(bytes, Path::new("specimens.csv")).map_err(|error| error.to_string())?.warnings();
            Ok(())
        },
        budget: &budget,
    }
    .try_all(5);
}

#[test]
fn file_of_scales() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scales.csv");
    let files = [
        "# settled\nfile,pixel_size,scale_bar,note\na.png,25nm x 24nm,,\n\nb/*,,10um,\"by hand, twice\"\n",
        "\u{feff}Scale bar;File\r\n0,5 mm;a.png\r\n10 µm;\"ring [1].tif\"\r\n",
    ];
    Format {
        name: "file-of-scales",
        one_in: 1,
        files: texts(&files),
        change: &changed,
        read: &|bytes| {
            std::fs::write(&path, bytes).unwrap();
            scale_list::read(&path).map(drop).map_err(|error| {
                let mut text = error.to_string();
                assert!(text.starts_with(&path.display().to_string()), "{text}");
                text.split_off(path.display().to_string().len())
            })
        },
        budget: &budget,
    }
    .try_all(20);
}

#[test]
fn text_beside_a_picture() {
    let files = [
        "Pixel Size: 25 nm\r\nImage size: 640 x 480\r\n",
        "[Scan]\nPixelWidth=2.5e-008\nPixelHeight=2.5e-008\nHorFieldsize=1.6e-005\nResolutionX=640\n",
        "{\"PixelSizeX\": \"12.5 nm\", \"PixelSizeY\": 12.5, \"Columns\": 640}",
        "<Pixels SizeX=\"640\"/>\n<PixelSize>0,4 µm</PixelSize>\nScale: 0.4 um/px\nnm per pixel\t25\n",
    ];
    let mut files = texts(&files);
    files.push(files[1].iter().flat_map(|&byte| [byte, 0]).collect());
    Format {
        name: "text-beside",
        one_in: 1,
        files,
        change: &changed,
        read: &|bytes| {
            let grey = Grey::Eight(Grid::filled(640, 1, 0));
            let mut micrograph = Micrograph { grey, claims: Vec::new(), warnings: Vec::new() };
            let states =
                TextBeside { name: "ring-1.txt".into(), bytes: bytes.to_vec() }.tell(&mut micrograph);
            if states { Ok(()) } else { Err("nothing is stated".into()) }
        },
        budget: &budget,
    }
    .try_all(1);
}

#[test]
fn options() {
    let resolved = toml::to_string(&Options::default()).unwrap();
    let files = [
        &resolved,
        "pixel-size = \"25nm x 24nm\"\npores = 120\nline-angles = [0.0, 45]\ncrop = \"0,0,640,400\"\n",
        "boundaries = 'ridge'\n\"pores\" = \"otsu\"\nscale-bar = \"\"\"10um\"\"\"\n",
    ];
    Format {
        name: "options",
        one_in: 1,
        files: texts(&files),
        change: &changed,
        read: &|bytes| {
            let text = std::str::from_utf8(bytes).map_err(|error| error.to_string())?;
            let options: Options = toml::from_str(text).map_err(|error| error.to_string())?;
            options.validated().map(drop).map_err(|error| error.to_string())
        },
        budget: &budget,
    }
    .try_all(20);
}

/// A results folder without pictures.
struct Folder(TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    /// Writes a summary, and a record that vouches for it, so that it is not refused for its hash.
    fn put(&self, summary: &[u8]) {
        let record = Record {
            command: "measure".into(),
            version: env!("CARGO_PKG_VERSION").into(),
            roots: Vec::new(),
            sheet: None,
            scales: None,
            options: Options::default(),
            inputs: Vec::new(),
            digest: String::new(),
            outputs: vec![Entry { file: SUMMARY_NAME.into(), sha256: sha256(summary) }],
        };
        std::fs::write(self.0.path().join(SUMMARY_NAME), summary).unwrap();
        std::fs::write(self.0.path().join(RECORD_NAME), serde_json::to_vec(&record).unwrap()).unwrap();
    }
}

/// Every place in a document, by the names and numbers that lead there.
fn places(value: &Value, here: &str, all: &mut Vec<String>) {
    all.push(here.to_owned());
    match value {
        Value::Object(map) => map.iter().for_each(|(key, value)| {
            let key = key.replace('~', "~0").replace('/', "~1");
            places(value, &format!("{here}/{key}"), all);
        }),
        Value::Array(list) => {
            list.iter().enumerate().for_each(|(i, value)| places(value, &format!("{here}/{i}"), all));
        }
        _ => {}
    }
}

/// Changes a value of a document, so that its form stays sound; now and then the text itself.
fn changed_document(text: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    let Ok(mut document) = serde_json::from_slice::<Value>(text) else {
        return change_bytes(text, change, others);
    };
    if change.kind.is_multiple_of(16) {
        return changed(text, change, others);
    }
    let mut all = Vec::new();
    places(&document, "", &mut all);
    let other = document.pointer(&all[change.second(all.len())]).cloned().unwrap();
    let value = document.pointer_mut(&all[change.of(all.len())]).unwrap();
    let number = change.number();
    *value = match (change.kind % 16, &*value) {
        (1 | 2, _) => Value::Null,
        (3..=6, Value::Number(_)) if change.kind & 16 == 0 => number.into(),
        (3..=6, Value::Number(_)) => serde_json::json!(f64::from_bits(change.value)),
        (3..=5, Value::String(_)) => String::from_utf8_lossy(WORDS[change.second(WORDS.len())]).into(),
        (6..=8, Value::Array(list)) => match list.as_slice() {
            [first, .., last] if number.is_multiple_of(4) => vec![first.clone(), last.clone()].into(),
            _ if number % 4 == 1 => Value::Array(Vec::new()),
            _ => list.iter().chain(list).cloned().collect::<Vec<_>>().into(),
        },
        (6..=8, Value::Object(map)) => {
            let gone = change.of(map.len());
            Value::Object(
                map.iter()
                    .enumerate()
                    .filter(|(i, _)| *i != gone)
                    .map(|(_, (k, v))| (k.clone(), v.clone()))
                    .collect(),
            )
        }
        (9, _) => (number as i64).wrapping_neg().into(),
        (10, _) => other,
        (11, Value::Bool(yes)) => (!yes).into(),
        (12, Value::Number(n)) => serde_json::json!(n.as_f64().map(|n| -n)),
        (13, Value::Number(_)) => 0.into(),
        _ => number.into(),
    };
    *text = serde_json::to_vec(&document).unwrap();
}

/// The study with one field of each specimen, in as few bytes as it takes.
fn small(mut study: Study) -> Vec<u8> {
    study.fields.dedup_by(|a, b| a.specimen == b.specimen);
    serde_json::to_vec(&study).unwrap()
}

#[test]
fn results_read_back() {
    let folder = Folder::new();
    let rows = "specimen,peak_temperature_c,hold_min,fired_mass_g,fired_outer_diameter_mm,fired_height_mm\n\
                \"1500 °C, 2 h\",1500,120,5.6,20,8\n\"1550 °C, 2 h\",1550,120,5.6,19.8,7.9\n\"1600 °C, 2 h\",1600,120,5.6,19.6,7.8\n";
    let sheet = sheet::parse(rows.as_bytes(), Path::new("specimens.csv")).unwrap();
    let read = |bytes: &[u8]| -> Verdict {
        folder.put(bytes);
        let place = folder.0.path().display().to_string();
        let refusal = |error: ceramograph::error::Error| error.to_string().replace(&place, "");
        let study = results::read(folder.0.path()).map_err(refusal)?.study;
        // What is made from results that were read back.
        let relation = relate::run::relation(&study, &sheet, &Question::default()).map_err(refusal)?;
        report::json::relation(&relation);
        // The page takes as long as all the rest, so only some have one.
        if bytes.len().is_multiple_of(8) {
            report::html::page(&study, &[]);
        }
        report::csv::fields(&study);
        Ok(())
    };
    Format {
        name: "results",
        one_in: 1,
        files: vec![small(study()), small(unknown_study())],
        change: &changed_document,
        read: &read,
        budget: &|length| length * 200 + (64 << 20),
    }
    .try_all(20);
}

/// Everything in the folder `rings` of a laboratory, into `shard` beside it.
fn request(laboratory: &Path, options: Options) -> Request {
    Request {
        roots: vec![laboratory.join("rings")],
        sheet: None,
        scales: None,
        out: laboratory.join("shard"),
        replace: false,
        resume: false,
        threads: None,
        options,
    }
}

/// Measures what is asked for as one shard.
fn only_shard(request: &Request) -> ShardRecord {
    ceramograph::study::shard::run(request, "1/1".parse().unwrap(), &|_| ()).unwrap()
}

#[test]
fn record_of_a_shard() {
    let laboratory = tempfile::tempdir().unwrap();
    let pictures = laboratory.path().join("rings");
    std::fs::create_dir(&pictures).unwrap();
    std::fs::write(pictures.join("a.png"), "no picture").unwrap();
    std::fs::write(pictures.join("specimens.csv"), "specimen,surface\nrings,polished\n").unwrap();
    let request = request(laboratory.path(), Options::default());
    let record = only_shard(&request);
    let path = request.out.join(RECORD_NAME);
    let merged = laboratory.path().join("merged");
    let read = |bytes: &[u8]| -> Verdict {
        std::fs::write(&path, bytes).unwrap();
        let record = ShardRecord::read(&request.out).map_err(|error| error.to_string())?;
        assert!(record.files() <= record.agenda.files.len());
        let shards = vec![request.out.clone()];
        let merge = ceramograph::study::merge::Request { shards, out: merged.clone(), replace: true };
        let place = laboratory.path().display().to_string();
        let result = ceramograph::study::merge::merge(&merge, &|_| ());
        result.map(drop).map_err(|error| error.to_string().replace(&place, ""))
    };
    Format {
        name: "shard",
        one_in: 1,
        files: vec![serde_json::to_vec(&record).unwrap()],
        change: &changed_document,
        read: &read,
        budget: &budget,
    }
    .try_all(10);
    let mut names: Vec<_> =
        std::fs::read_dir(laboratory.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["merged", "rings", "shard"], "nothing was written elsewhere");
}

#[test]
fn part_of_a_shard() {
    let laboratory = tempfile::tempdir().unwrap();
    let pictures = laboratory.path().join("rings");
    std::fs::create_dir(&pictures).unwrap();
    let mut spec = PhantomSpec { width_px: 200, height_px: 160, strip: None, ..PhantomSpec::default() };
    spec.structure.density = Density::MeanInterceptPx(16.0);
    let Grey::Eight(grey) = draw(&spec).unwrap().grey else { panic!("phantoms have 8 bits") };
    let grey = image::GrayImage::from_raw(200, 160, grey.into_vec()).unwrap();
    grey.save(pictures.join("a.png")).unwrap();
    let options = Options {
        pores: PoreMethod::HalfContrast,
        boundaries: BoundaryMethod::Ridge,
        pixel_size: Some("50nm".into()),
        ..Options::default()
    };
    let request = request(laboratory.path(), options);
    let record = only_shard(&request);
    let part = record.outputs.iter().find(|entry| entry.file.ends_with(".json")).unwrap();
    let path = request.out.join(&part.file);
    let sound = std::fs::read(&path).unwrap();
    let merged = laboratory.path().join("merged");
    let places = [laboratory.path().display().to_string()];
    let read = |bytes: &[u8]| -> Verdict {
        let refusal = |error: ceramograph::error::Error| error.to_string().replace(&places[0], "");
        std::fs::write(&path, bytes).unwrap();
        // The hash that the record vouches with is that of the changed part, as if somebody had made both.
        let kept = Kept::new(&request.out, &part.file, &sha256(bytes));
        let staging = Staging::open(&merged, "measure", true).map_err(refusal)?;
        let mut collector = Collector::new(&staging, &record.agenda).map_err(refusal)?;
        collector.add(0, Arrival::Kept(kept)).map_err(refusal)?;
        let collected = collector.finish().map_err(refusal)?;
        let study = Study { fields: collected.fields, specimens: collected.specimens, ..study() };
        report::csv::fields(&study);
        report::csv::intercepts(&study);
        // Drawing takes longer than all the rest, so only some are drawn; the page holds the figures.
        if bytes.len().is_multiple_of(8) {
            report::html::page(&study, &[]);
        }
        Ok(())
    };
    Format {
        name: "part",
        one_in: 10,
        files: vec![sound],
        change: &changed_document,
        read: &read,
        budget: &|length| length * 200 + (64 << 20),
    }
    .try_all(1);
    let mut names: Vec<_> =
        std::fs::read_dir(laboratory.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["rings", "shard"], "nothing was written elsewhere");
}
