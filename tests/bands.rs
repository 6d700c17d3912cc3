//! A picture measured by bands of rows gives what it gives in one piece: the same labels, counts and numbers, bit for bit.
//!
//! The pictures are our own phantoms, of odd sizes; bands are as high as the memory allows that is named. What is compared
//! with is the picture in one piece, by the stages that have checks of their own.

mod mirrored_map;
mod tagged_file;

use std::io::Cursor;
use std::path::{Path, PathBuf};

use ceramograph::bands::{BandOptions, MeasuredByBands, measure_page};
use ceramograph::grid::Frame;
use ceramograph::micrograph::{Grey, Micrograph, ReadOptions, pages};
use ceramograph::options::{BackgroundHandling, BoundaryMethod, Connectivity, Options, PoreMethod, Tone};
use ceramograph::phantom::finish::Polish;
use ceramograph::phantom::looks::LookKind;
use ceramograph::phantom::pores::PoreSpec;
use ceramograph::phantom::sampling::varied;
use ceramograph::phantom::spec::{Bits, Detector};
use ceramograph::phantom::structure::{Density, StructureSpec};
use ceramograph::phantom::{PhantomSpec, draw};
use ceramograph::pipeline::{self, Measured};
use ceramograph::study::field::{Identity, field};
use ceramograph::study::result::{Field, Study};
use ceramograph::study::run::{Request, run};
use tagged_file::TaggedFile;
use tiff::encoder::compression::DeflateLevel;
use tiff::encoder::{Compression, Predictor, TiffEncoder, colortype};

/// Memory that leaves room for bands of so many rows of a picture of `width` columns: half of what is beyond the program's
/// own 64 MiB, for 22 bytes of each pixel of the band and of 64 rows more.
fn memory_for(rows: usize, width: usize) -> u64 {
    (64 << 20) + 2 * (rows as u64 + 64) * width as u64 * 22
}

fn classical() -> Options {
    Options {
        pores: PoreMethod::HalfContrast,
        boundaries: BoundaryMethod::Ridge,
        pixel_size: Some("25nm".into()),
        ..Options::default()
    }
}

fn spec(width: usize, height: usize, intercept: f64, seed: u64) -> PhantomSpec {
    let base = PhantomSpec::default();
    PhantomSpec {
        width_px: width,
        height_px: height,
        structure: StructureSpec { density: Density::MeanInterceptPx(intercept), ..base.structure },
        strip: None,
        seed,
        ..base
    }
}

/// A grey picture as a TIFF in strips of 37 rows.
fn in_strips(grey: &Grey) -> Vec<u8> {
    let (width, height) = (grey.width() as u32, grey.height() as u32);
    let file =
        TaggedFile::new(width, height).short(258, &[grey.bits().into()]).short(262, &[1]).short(277, &[1]);
    match grey {
        Grey::Eight(grid) => file.strips(37, grid.as_slice(), width as usize),
        Grey::Sixteen(grid) => {
            let bytes: Vec<u8> = grid.as_slice().iter().flat_map(|v| v.to_le_bytes()).collect();
            file.strips(37, &bytes, 2 * width as usize)
        }
    }
}

fn identity() -> Identity {
    Identity {
        file: "map.tif".into(),
        page: None,
        sha256: String::new(),
        specimen: "rings".into(),
        surface: None,
    }
}

struct OnePiece {
    micrograph: Micrograph,
    measured: Measured,
}

fn in_one_piece(bytes: &[u8], page: usize, options: &Options) -> OnePiece {
    let path = Path::new("map.tif");
    let micrograph = pages(bytes, path, &ReadOptions::default()).unwrap().read(page).unwrap();
    let measured = pipeline::measure(&micrograph, options).unwrap();
    OnePiece { micrograph, measured }
}

fn written(folder: &Path, bytes: &[u8]) -> PathBuf {
    let path = folder.join("map.tif");
    std::fs::write(&path, bytes).unwrap();
    path
}

/// Every number of a field, rows of its tables included; chords by length, for their order means nothing.
fn numbers(mut field: Field) -> (serde_json::Value, Vec<f32>) {
    field.rows.chords.sort_by(f32::total_cmp);
    let chords = std::mem::take(&mut field.rows.chords);
    let value = serde_json::json!({ "field": field, "rows": field.rows });
    (value, chords)
}

fn assert_same(case: &str, one: OnePiece, banded: MeasuredByBands, options: &Options) {
    let OnePiece { micrograph, measured } = one;
    let frame = measured.frame;
    let same_labels =
        |what: &str, want: &ceramograph::grid::Labels, got: &ceramograph::bands::StoredLabels| {
            assert_eq!(got.count(), want.count, "{case}: count of {what}");
            assert_eq!(got.size(), (frame.width, frame.height), "{case}: size of the map of {what}");
            let got = got.read(0..frame.height).unwrap();
            assert!(got == *want, "{case}: labels of {what} differ");
        };
    same_labels("pores", &measured.pore_map.labels, &banded.pore_labels);
    assert_eq!(measured.grain_map.is_some(), banded.grain_labels.is_some(), "{case}");
    if let Some((want, got)) = measured.grain_map.as_ref().zip(banded.grain_labels.as_ref()) {
        same_labels("grains", &want.labels, got);
    }
    let prints = [measured.fingerprint.clone(), banded.fingerprint.clone()].map(Vec::<f32>::from);
    assert!(prints[0] == prints[1], "{case}: fingerprints differ");
    let (mut want, want_chords) = numbers(field(identity(), &micrograph, measured, options));
    let (mut got, got_chords) = numbers(banded.into_field(identity(), options));
    // A scale bar is not looked for by bands, which the program says; the typed scale is the same.
    for value in [&mut want, &mut got] {
        for bar in ["/field/bar_reading", "/field/scale/bar", "/field/scale/confirmed_by"] {
            value.pointer_mut(bar).map(serde_json::Value::take);
        }
    }
    assert_eq!(differences(&want, &got, String::new()), Vec::<String>::new(), "{case}");
    assert!(got_chords == want_chords, "{case}: chords differ");
}

/// Where two results differ, and how.
fn differences(want: &serde_json::Value, got: &serde_json::Value, place: String) -> Vec<String> {
    use serde_json::Value::{Array, Object};
    match (want, got) {
        (Object(a), Object(b)) if a.keys().eq(b.keys()) => {
            a.iter().flat_map(|(key, value)| differences(value, &b[key], format!("{place}/{key}"))).collect()
        }
        (Array(a), Array(b)) if a.len() == b.len() => {
            let pairs = a.iter().zip(b).enumerate();
            pairs.flat_map(|(i, (a, b))| differences(a, b, format!("{place}/{i}"))).collect()
        }
        _ if want == got => Vec::new(),
        _ => vec![format!("{place}: {want} became {got}")],
    }
}

/// Measures a file both ways, with bands of every one of these heights; gives back the field.
fn both_ways(case: &str, bytes: &[u8], page: usize, options: &Options, heights: &[usize]) -> Field {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), bytes);
    for &rows in heights {
        let one = in_one_piece(bytes, page, options);
        let memory = memory_for(rows, one.micrograph.grey.width());
        let bands = BandOptions { memory, folder: folder.path() };
        let banded = measure_page(&path, page, options, bands).unwrap();
        assert_same(&format!("{case}, bands of {rows} rows"), one, banded, options);
    }
    let OnePiece { micrograph, measured } = in_one_piece(bytes, page, options);
    field(identity(), &micrograph, measured, options)
}

#[test]
fn labels_and_numbers_are_those_of_the_picture_in_one_piece() {
    for (width, height, seed) in [(641, 1031, 1), (523, 256, 2), (499, 257, 3), (777, 769, 4)] {
        let grey = draw(&spec(width, height, 24.0, seed)).unwrap().grey;
        let bytes = in_strips(&grey);
        for boundaries in [BoundaryMethod::Ridge, BoundaryMethod::Gradient] {
            let options = Options { boundaries, ..classical() };
            let case = format!("{width} x {height} px, {}", boundaries.name());
            let field = both_ways(&case, &bytes, 0, &options, &[256, 512, 768]);
            assert!(field.pore_count.unwrap() > 20, "{case} has too few pores to tell");
            assert!(
                boundaries == BoundaryMethod::Gradient || field.grain_count.unwrap() > 100,
                "{case} has too few grains to tell"
            );
        }
    }
}

#[test]
fn every_rule_and_option_that_bands_allow_gives_the_same() {
    let dark = in_strips(&draw(&spec(531, 777, 24.0, 5)).unwrap().grey);
    let inverted = Detector { inverted: true, shading: 0.35, ..Detector::default() };
    let bright =
        in_strips(&draw(&PhantomSpec { detector: inverted, ..spec(531, 777, 24.0, 6) }).unwrap().grey);
    let deep = PhantomSpec { bits: Bits::Sixteen, ..spec(531, 777, 24.0, 7) };
    let deep = in_strips(&draw(&deep).unwrap().grey);
    let rules = [
        PoreMethod::Otsu,
        PoreMethod::MinimumError,
        PoreMethod::Kapur,
        PoreMethod::Li,
        PoreMethod::Iterative,
        PoreMethod::Triangle,
        PoreMethod::MultiOtsu,
        PoreMethod::Sauvola,
        PoreMethod::HalfContrast,
        PoreMethod::Fixed(70),
    ];
    for pores in rules {
        let plain = Options { pores, ..classical() };
        both_ways(&format!("{}, dark", pores.name()), &dark, 0, &plain, &[256]);
        let other_side = Options {
            pore_tone: Tone::Bright,
            boundary_tone: Tone::Bright,
            connectivity: Connectivity::Four,
            smallest_pore: 30,
            background: BackgroundHandling::Keep,
            pores: if pores == PoreMethod::Fixed(70) { PoreMethod::Fixed(190) } else { pores },
            ..classical()
        };
        both_ways(&format!("{}, bright", pores.name()), &bright, 0, &other_side, &[256]);
        let pores = if pores == PoreMethod::Fixed(70) { PoreMethod::Fixed(18_000) } else { pores };
        both_ways(&format!("{}, 16 bits", pores.name()), &deep, 0, &Options { pores, ..classical() }, &[256]);
    }
    let uneven = Options { pore_tone: Tone::Bright, boundary_tone: Tone::Bright, ..classical() };
    both_ways("uneven light", &bright, 0, &uneven, &[256, 512]);
}

#[test]
fn lines_in_any_direction_count_the_same() {
    let bytes = in_strips(&draw(&spec(601, 803, 24.0, 8)).unwrap().grey);
    for angles in [vec![0.0, 15.0, 30.0, 165.0], vec![22.5, 60.0, 89.0, 91.0, 120.0, 157.5], vec![1.0, 179.0]]
    {
        let options = Options { line_angles: angles.clone(), line_spacing: 3, ..classical() };
        let field = both_ways(&format!("{angles:?}"), &bytes, 0, &options, &[256, 512]);
        assert_eq!(field.intercepts.unwrap().sets.len(), angles.len() + 1);
    }
    let rectangular = Options { pixel_size: Some("25nm x 22nm".into()), ..classical() };
    both_ways("pixels that are not square", &bytes, 0, &rectangular, &[256]);
}

#[test]
fn looks_of_all_kinds_give_the_same_pulled_out_grains_and_strips_included() {
    let mut pulled_out = 0;
    let (mut with_grains, mut strips) = ([0; 2], [0; 2]);
    for seed in 0..8 {
        // Steps in grey carry a result only between grains that are wide against the blur of their boundaries, in some noise.
        let (look, boundaries, intercept, counts) = match seed % 2 {
            0 => (LookKind::Etched, BoundaryMethod::Ridge, 22.0, 600.0),
            _ => (LookKind::Orientation, BoundaryMethod::Gradient, 45.0, 100.0),
        };
        let base = PhantomSpec { width_px: 620, height_px: 540, ..PhantomSpec::default() };
        let sampled = varied(seed, &base, Some(look));
        let grains = spec(620, 540, intercept, seed);
        let pores = PoreSpec { pull_out_percent: 2.0, ..PoreSpec::default() };
        let detector = Detector { counts, ..grains.detector };
        let drawn = PhantomSpec { look: sampled.look, strip: sampled.strip, pores, detector, ..grains };
        let bytes = in_strips(&draw(&drawn).unwrap().grey);
        let options = Options { boundaries, ..classical() };
        let field = both_ways(&format!("seed {seed}"), &bytes, 0, &options, &[256]);
        strips[0] += usize::from(drawn.strip.is_some());
        strips[1] += usize::from(field.info_strip.is_some());
        with_grains[seed as usize % 2] += usize::from(field.grains.is_some());
        pulled_out += field.pores.map_or(0, |pores| pores.pull_out_count);
    }
    let scratched =
        PhantomSpec { polish: Polish { scratches: 40.0, ..Polish::default() }, ..spec(700, 600, 22.0, 3) };
    let scratched =
        PhantomSpec { pores: PoreSpec { pull_out_percent: 3.0, ..PoreSpec::default() }, ..scratched };
    let bytes = in_strips(&draw(&scratched).unwrap().grey);
    let field = both_ways("scratched", &bytes, 0, &classical(), &[256]);
    pulled_out += field.pores.map_or(0, |pores| pores.pull_out_count);
    // That both ways agree says something only of pictures in which there is something to find.
    let [drawn, found] = strips;
    let seen = format!("{pulled_out} pulled out, {with_grains:?} with grains, {found} of {drawn} strips");
    assert!(pulled_out > 0 && with_grains.iter().all(|&count| count > 0) && 2 * found > drawn, "{seen}");
}

#[test]
fn a_typed_part_is_measured_alike() {
    let bytes = in_strips(&draw(&spec(700, 900, 24.0, 9)).unwrap().grey);
    let options = Options { crop: Some("31,57,601,777".into()), ..classical() };
    let field = both_ways("crop", &bytes, 0, &options, &[256]);
    assert_eq!(field.frame, Frame { x: 31, y: 57, width: 601, height: 777 });
}

#[test]
fn strips_tiles_byte_orders_and_compressions_are_read_alike() {
    let grey = draw(&spec(413, 370, 24.0, 10)).unwrap().grey;
    let Grey::Eight(grid) = &grey else { panic!("phantoms have 8 bits") };
    let (width, height) = (413, 370);
    let file = || TaggedFile::new(width, height).short(258, &[8]).short(277, &[1]);
    let inverted: Vec<u8> = grid.as_slice().iter().map(|v| 255 - v).collect();
    let deep: Vec<u16> = grid.as_slice().iter().map(|&v| 257 * u16::from(v)).collect();
    let deep_bytes: Vec<u8> = deep.iter().flat_map(|v| v.to_be_bytes()).collect();
    let small = file().short(262, &[1]).long(254, &[1]).strips_later(50, vec![0; grid.len()], 413);
    let full = file().short(262, &[1]).strips_later(64, grid.as_slice().to_vec(), 413);
    let mut files = vec![
        ("one strip", file().short(262, &[1]).strips(370, grid.as_slice(), 413)),
        ("strips of a row", file().short(262, &[1]).strips(1, grid.as_slice(), 413)),
        ("tiles", file().short(262, &[1]).tiles(128, grid.as_slice(), 413)),
        ("tiles in a BigTIFF", file().big().short(262, &[1]).tiles(64, grid.as_slice(), 413)),
        ("white is zero", file().short(262, &[0]).strips(100, &inverted, 413)),
        (
            "16 bits, big-endian",
            TaggedFile::new(width, height)
                .order(true)
                .big()
                .short(258, &[16])
                .short(262, &[1])
                .short(277, &[1])
                .strips(30, &deep_bytes, 826),
        ),
        ("a reduced copy first", tagged_file::several(vec![small, full])),
    ];
    let packed = [
        ("deflate", Compression::Deflate(DeflateLevel::Fast), Predictor::Horizontal),
        ("LZW", Compression::Lzw, Predictor::None),
        ("PackBits", Compression::Packbits, Predictor::None),
    ];
    for (name, compression, predictor) in packed {
        let mut bytes = Cursor::new(Vec::new());
        let encoder = TiffEncoder::new_big(&mut bytes).unwrap();
        let mut encoder = encoder.with_compression(compression).with_predictor(predictor);
        let mut image = encoder.new_image::<colortype::Gray16>(width, height).unwrap();
        image.rows_per_strip(41).unwrap();
        image.write_data(&deep).unwrap();
        files.push((name, bytes.into_inner()));
    }
    // Strips of more than a megabyte are read in pieces.
    let Grey::Eight(grid) = draw(&spec(1021, 1117, 24.0, 17)).unwrap().grey else { panic!("8 bits") };
    let long = || TaggedFile::new(1021, 1117).short(277, &[1]);
    let big_endian: Vec<u8> =
        grid.as_slice().iter().flat_map(|&v| (65_535 - 257 * u16::from(v)).to_be_bytes()).collect();
    let in_two = long().order(true).short(258, &[16]).short(262, &[0]).strips(600, &big_endian, 2042);
    files.push((
        "one long strip",
        long().short(258, &[8]).short(262, &[1]).strips(1117, grid.as_slice(), 1021),
    ));
    files.push(("two long strips, 16 bits, white is zero, big-endian", in_two));
    for (name, bytes) in files {
        both_ways(name, &bytes, 0, &classical(), &[256]);
    }
}

/// `CERAMOGRAPH_MAP_SIDE=8192` makes it a map of 64 Mpx.
#[test]
fn a_map_of_copies_gives_the_same() {
    let side = std::env::var("CERAMOGRAPH_MAP_SIDE").map_or(1700, |side| side.parse().unwrap());
    let folder = tempfile::tempdir().unwrap();
    let map = folder.path().join("copies.tif");
    mirrored_map::write(&map, side, 1024, (30.0, 600.0));
    let bytes = std::fs::read(&map).unwrap();
    let field = both_ways("copies", &bytes, 0, &classical(), &[256, 1024]);
    println!(
        "{side} x {side} px: {:?} pores, {:?} grains, {:?} passages, mean intercept {:?} µm, all the same",
        field.pore_count, field.grain_count, field.intercept_count, field.mean_linear_intercept_um
    );
}

#[test]
fn what_bands_cannot_do_is_refused_in_words() {
    let bytes = in_strips(&draw(&spec(400, 300, 24.0, 11)).unwrap().grey);
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), &bytes);
    let refused = |options: Options, memory: u64| {
        let result = measure_page(&path, 0, &options, BandOptions { memory, folder: folder.path() });
        result.err().expect("this must be refused").to_string()
    };
    let enough = memory_for(256, 400);
    for (options, memory, expected) in [
        (Options { pores: PoreMethod::Auto, ..classical() }, enough, "option --pores"),
        (Options { pores: PoreMethod::Learned, ..classical() }, enough, "option --pores"),
        (Options { pores: PoreMethod::EdgeLevel, ..classical() }, enough, "option --pores"),
        (Options { boundaries: BoundaryMethod::Learned, ..classical() }, enough, "option --boundaries"),
        (Options { label_maps: true, ..classical() }, enough, "option --label-maps"),
        (Options { scale_bar: Some("1um".into()), ..classical() }, enough, "option --scale-bar"),
        (Options { crop: Some("0,0,401,300".into()), ..classical() }, enough, "option --crop"),
        (classical(), enough - 1, "option --memory: a band of a picture of 400 columns does not fit"),
        (Options { line_spacing: 1, ..classical() }, enough, ""),
    ] {
        if expected.is_empty() {
            assert!(measure_page(&path, 0, &options, BandOptions { memory, folder: folder.path() }).is_ok());
        } else {
            let text = refused(options, memory);
            assert!(text.contains(expected), "{text}");
        }
    }
    let left = std::fs::read_dir(folder.path()).unwrap().count();
    assert_eq!(left, 1, "scratch files are gone");
}

/// A run over a folder, with or without a bound on memory.
fn run_over(folder: &Path, out: &str, memory: Option<&str>) -> Study {
    let request = Request {
        roots: vec![folder.join("pictures")],
        sheet: None,
        scales: None,
        out: folder.join(out),
        replace: false,
        resume: false,
        threads: None,
        options: Options { memory: memory.map(str::to_owned), ..classical() },
    };
    run(&request, &|_| {}).unwrap()
}

#[test]
fn a_run_with_bounded_memory_writes_the_same_tables_and_says_what_is_missing() {
    let folder = tempfile::tempdir().unwrap();
    let pictures = folder.path().join("pictures");
    std::fs::create_dir(&pictures).unwrap();
    let large = draw(&spec(600, 1500, 24.0, 13)).unwrap().grey;
    let Grey::Eight(grid) = &large else { panic!("phantoms have 8 bits") };
    std::fs::write(pictures.join("map.tif"), in_strips(&large)).unwrap();
    std::fs::write(pictures.join("small.tif"), in_strips(&draw(&spec(300, 280, 24.0, 14)).unwrap().grey))
        .unwrap();
    let pages = (15..17).map(|seed| {
        let Grey::Eight(grid) = draw(&spec(600, 1200, 24.0, seed)).unwrap().grey else { panic!("8 bits") };
        TaggedFile::new(600, 1200).short(258, &[8]).short(262, &[1]).strips_later(99, grid.into_vec(), 600)
    });
    std::fs::write(pictures.join("pages.tif"), tagged_file::several(pages.collect())).unwrap();
    let free = run_over(folder.path(), "free", None);
    let bounded = run_over(folder.path(), "bounded", Some("80MB"));
    assert_eq!((free.failures.len(), bounded.failures.len()), (0, 0), "{:?}", bounded.failures);
    let files: Vec<&str> = bounded.fields.iter().map(|field| field.file.as_str()).collect();
    assert_eq!(files, ["map.tif", "pages.tif", "pages.tif", "small.tif"]);
    for (want, got) in free.fields.iter().zip(&bounded.fields) {
        let is_banded = got.file != "small.tif";
        let code = |field: &Field| field.warnings.iter().any(|warning| warning.code == "measured-by-bands");
        assert_eq!((code(want), code(got)), (false, is_banded), "{}", got.file);
        let overlay = got.overlay.as_ref().expect("an overlay of the middle at least");
        assert_eq!(got.overlay, want.overlay);
        assert!(image::open(folder.path().join("bounded").join(overlay)).is_ok(), "{overlay}");
        let [mut want, mut got] = [want, got].map(|field| serde_json::to_value(field).unwrap());
        for missing in ["warnings", "bar_reading"] {
            want[missing].take();
            got[missing].take();
        }
        assert_eq!(differences(&want, &got, String::new()), Vec::<String>::new());
    }
    for table in ["pores.csv", "grains.csv", "chords.csv", "intercepts.csv"] {
        let [want, got] =
            ["free", "bounded"].map(|out| std::fs::read(folder.path().join(out).join(table)).unwrap());
        assert!(want == got, "{table} differs");
    }
    let left: Vec<_> =
        std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left.len(), 3, "scratch files are gone: {left:?}");

    image::save_buffer(pictures.join("map.png"), grid.as_slice(), 600, 1500, image::ExtendedColorType::L8)
        .unwrap();
    let refused = run_over(folder.path(), "refused", Some("80MB"));
    assert_eq!(refused.fields.len(), 4);
    assert!(refused.failures[0].error.contains("only TIFF is measured by bands"), "{:?}", refused.failures);
}

#[test]
fn a_damaged_file_is_refused_and_leaves_nothing() {
    let mut bytes = in_strips(&draw(&spec(400, 300, 24.0, 12)).unwrap().grey);
    bytes.truncate(bytes.len() / 2);
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), &bytes);
    let bands = BandOptions { memory: memory_for(256, 400), folder: folder.path() };
    let error = measure_page(&path, 0, &classical(), bands).err().unwrap().to_string();
    assert!(error.contains("map.tif"), "{error}");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}
