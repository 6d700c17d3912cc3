//! Scale bars with printed lengths, read off phantoms with strips of many styles, and off pictures that have no scale.
//!
//! `cargo bench --bench scale_phantoms -- [--count 500] [--without 200] [--seed 50000] [--keep FOLDER]`
//!
//! A phantom is read right if bar and length are believed without a doubt and the pixel size is within 2 %. The pictures
//! without a scale are, by quarters: phantoms without a strip; plain noise; strips whose bar was painted over; strips whose
//! text was painted over. On none of them may a scale be believed. Pictures that are not right go to FOLDER.
//!
//! Times are those of finding strip, bar and label in a picture that is already decoded; with `RAYON_NUM_THREADS=1` and the
//! process bound to one processor they are those of one core.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Instant;

use ceramograph::grid::Grid;
use ceramograph::micrograph::{Grey, info_strip};
use ceramograph::phantom::sampling::varied;
use ceramograph::phantom::spec::PhantomSpec;
use ceramograph::phantom::strip::{BarShape, BarTruth, StripPlace, StripSpec};
use ceramograph::phantom::{Phantom, draw};
use ceramograph::scale::labelled_bar::LabelledBar;
use ceramograph::scale::{bar, labelled_bar};
use clap::Parser;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

#[derive(Parser)]
#[command(name = "scale_phantoms", about = "Reads scales off phantoms")]
struct Arguments {
    /// Phantoms with a strip.
    #[arg(long, default_value_t = 500)]
    count: u64,
    /// Pictures without a scale.
    #[arg(long, default_value_t = 200)]
    without: u64,
    /// Seed of the first picture.
    #[arg(long, default_value_t = 50_000)]
    seed: u64,
    /// Writes what was not read right to this folder.
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
    /// Cargo passes this to every bench.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() {
    let arguments = Arguments::parse();
    let (mut tally, mut times) = (BTreeMap::<String, [u64; 3]>::new(), Vec::new());
    for seed in arguments.seed..arguments.seed + arguments.count {
        let Some((phantom, spec)) = with_strip(seed, true) else { continue };
        let start = Instant::now();
        let found = read(&phantom.grey);
        let mpx = (phantom.grey.width() * phantom.grey.height()) as f64 / 1e6;
        times.push((start.elapsed().as_secs_f64() / mpx, mpx, seed));
        let verdict = verdict(found.as_ref(), spec.um_per_px);
        let strip = spec.strip.as_ref().expect("a strip");
        for style in [
            format!("{:?}", strip.bar),
            format!("{:?}", strip.tone),
            format!("{:?}", strip.typeface),
            format!("{:?}", strip.spelling),
            format!("{:?}", strip.place),
            "all".to_owned(),
        ] {
            tally.entry(style).or_default()[verdict] += 1;
        }
        if verdict != 0 {
            let truth = phantom.truth.bar.as_ref().expect("a bar");
            println!("seed {seed}: {} {} px: {}", truth.label, truth.length_px, said(found.as_ref()));
            keep(&arguments, &format!("with-{seed}"), &phantom.grey);
        }
    }
    println!("| style | right | not believed or not found | silently wrong |\n|---|--:|--:|--:|");
    for (style, [right, refused, wrong]) in &tally {
        println!("| {style} | {right} | {refused} | {wrong} |");
    }
    times.sort_by(|a, b| a.0.total_cmp(&b.0));
    if let (Some(middle), Some(worst)) = (times.get(times.len() / 2), times.last()) {
        println!(
            "for each Mpx {:.3} s in the median, {:.3} s at most (seed {}, a picture of {:.2} Mpx)\n",
            middle.0, worst.0, worst.2, worst.1
        );
    }
    without_scale(&arguments);
}

fn without_scale(arguments: &Arguments) {
    let mut invented = [0u64; 4];
    let mut tried = [0u64; 4];
    for k in 0..arguments.without {
        let kind = (k % 4) as usize;
        let seed = arguments.seed + 1_000_000 + k;
        let Some(grey) = scaleless(kind, seed) else { continue };
        tried[kind] += 1;
        let found = read(&grey).filter(|found| found.doubt.is_none());
        if let Some(found) = found {
            invented[kind] += 1;
            println!("without a scale, kind {kind}, seed {seed}: {}", said(Some(&found)));
            keep(arguments, &format!("without-{seed}"), &grey);
        }
    }
    println!("| without a scale | pictures | scale invented |\n|---|--:|--:|");
    for (kind, name) in ["no strip", "noise", "text without a bar", "bar without a text"].iter().enumerate() {
        println!("| {name} | {} | {} |", tried[kind], invented[kind]);
    }
}

fn read(grey: &Grey) -> Option<LabelledBar> {
    let strip = info_strip::find(grey);
    let candidates = bar::find(grey, strip);
    labelled_bar::find(grey, strip, &candidates).expect("a sound network")
}

/// 0 for right, 1 for refused, 2 for silently wrong.
fn verdict(found: Option<&LabelledBar>, um_per_px: f64) -> usize {
    match found {
        Some(found) if found.doubt.is_none() => {
            let ratio = found.label.length_um / found.bar.bar.length_px() / um_per_px;
            if (ratio - 1.0).abs() <= 0.02 { 0 } else { 2 }
        }
        _ => 1,
    }
}

fn said(found: Option<&LabelledBar>) -> String {
    found.map_or("nothing found".to_owned(), |found| {
        format!(
            "“{}” {:.2} at {:.1} px, bar {:.2}: {}",
            found.label.text,
            found.label.probability,
            found.bar.bar.length_px(),
            found.bar.confidence,
            found.doubt.as_deref().unwrap_or("believed")
        )
    })
}

/// A phantom of random size, pixel size, look and strip; `None` where these do not go together.
fn with_strip(seed: u64, any: bool) -> Option<(Phantom, PhantomSpec)> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (width_px, height_px) =
        [(512, 384), (640, 480), (800, 600), (1024, 768), (1280, 960)][random.random_range(0..5)];
    let base = PhantomSpec {
        width_px,
        height_px,
        um_per_px: 10f64.powf(random.random_range(-3.3..1.0)),
        strip: Some(StripSpec { caption: caption(&mut random), ..StripSpec::default() }),
        ..PhantomSpec::default()
    };
    let mut spec = varied(seed, &base, None);
    if !any {
        let strip = spec.strip.as_mut().expect("a strip");
        (strip.bar, strip.place) = (BarShape::Solid, StripPlace::Below);
    }
    draw(&spec).ok().map(|phantom| (phantom, spec))
}

/// What stands in strips beside the scale, some of it lengths that are none of a bar.
fn caption(random: &mut ChaCha8Rng) -> String {
    let voltage = [2.0, 5.0, 10.0, 15.0, 20.0][random.random_range(0..5)];
    let distance = random.random_range(3.0..25.0);
    match random.random_range(0..4) {
        0 => String::new(),
        1 => format!("{voltage:.1} kV  {distance:.1} mm  x{}", random.random_range(5..400) * 100),
        2 => format!("WD {distance:.1}mm  HV {voltage:.0}kV"),
        _ => format!("sample {}  {voltage:.0} kV", random.random_range(1..99)),
    }
}

fn scaleless(kind: usize, seed: u64) -> Option<Grey> {
    match kind {
        0 => {
            let spec = varied(
                seed,
                &PhantomSpec { width_px: 800, height_px: 600, strip: None, ..PhantomSpec::default() },
                None,
            );
            draw(&spec).ok().map(|phantom| phantom.grey)
        }
        1 => {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            Some(Grey::Eight(Grid::from_fn(640, 480, |_, _| random.random())))
        }
        _ => {
            let (phantom, spec) = with_strip(seed, false)?;
            let truth = phantom.truth.bar.as_ref()?;
            painted_over(&phantom.grey, truth, spec.height_px, kind == 2)
        }
    }
}

/// The picture with its bar painted over, or with the text of the strip painted over and the bar left.
fn painted_over(grey: &Grey, truth: &BarTruth, strip_top: usize, bar: bool) -> Option<Grey> {
    let Grey::Eight(grid) = grey else { return None };
    let mut grid = grid.clone();
    let ground = grid.at(1, strip_top + 2);
    let half = (grid.height() - strip_top) / 9;
    let own = truth.row_px as usize - half..truth.row_px as usize + half;
    for y in strip_top..grid.height() {
        for x in 0..grid.width() {
            let in_bar =
                own.contains(&y) && x + 4 > truth.left_px as usize && (x as f64) < truth.right_px + 4.0;
            if in_bar == bar {
                grid.set(x, y, ground);
            }
        }
    }
    Some(Grey::Eight(grid))
}

fn keep(arguments: &Arguments, name: &str, grey: &Grey) {
    let (Some(folder), Grey::Eight(grid)) = (&arguments.keep, grey) else { return };
    std::fs::create_dir_all(folder).expect("a folder");
    let picture =
        image::GrayImage::from_raw(grid.width() as u32, grid.height() as u32, grid.as_slice().to_vec());
    picture.expect("a whole picture").save(folder.join(name).with_extension("png")).expect("written");
}
