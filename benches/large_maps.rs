//! A map larger than memory, measured by bands: time and peak memory.
//!
//! `cargo bench --bench large_maps -- [--side PX] [--intercept PX] [--counts N] [--memory SIZE]
//! [--boundaries ridge|gradient] [--folder DIR]`
//!
//! Draws a BigTIFF of SIDE by SIDE px (default 8192) from mirrored copies of a phantom into DIR (default: a temporary
//! folder), and measures it in a process of its own. Scratch files take 12 bytes a pixel in DIR.

#[path = "../tests/mirrored_map/mod.rs"]
mod mirrored_map;
mod peak_memory;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use ceramograph::study::run::{Request, run};
use peak_memory::peak_bytes;

/// Any error of the bench.
type Failure = Box<dyn std::error::Error>;

/// Side of the phantom that is copied.
const TILE_PX: usize = 4096;

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    if let ["child", map, memory, boundaries, out] = words[..] {
        return measure(Path::new(map), memory, boundaries, Path::new(out));
    }
    let (mut side, mut intercept, mut counts) = (8192, 60.0, 600.0);
    let (mut memory, mut boundaries) = ("1.5GB", "ridge");
    let temporary = tempfile::tempdir()?;
    let mut folder = temporary.path().to_owned();
    for pair in words.chunks(2) {
        match *pair {
            ["--side", px] => side = px.parse()?,
            ["--intercept", px] => intercept = px.parse()?,
            ["--counts", number] => counts = number.parse()?,
            ["--memory", size] => memory = size,
            ["--boundaries", method] => boundaries = method,
            ["--folder", path] => folder = PathBuf::from(path),
            _ => return Err(format!("{pair:?} is no option of this bench with its value").into()),
        }
    }
    let map = folder.join("map.tif");
    let start = Instant::now();
    mirrored_map::write(&map, side, TILE_PX.min(side), (intercept, counts));
    println!(
        "{side} x {side} px, mean intercept drawn {intercept} px, {counts} counts a pixel, written in {:.0} s: {:.2} GB",
        start.elapsed().as_secs_f64(),
        std::fs::metadata(&map)?.len() as f64 / 1e9
    );
    let out = folder.join("results");
    let status = Command::new(std::env::current_exe()?)
        .args(["child".as_ref(), map.as_os_str(), memory.as_ref(), boundaries.as_ref(), out.as_os_str()])
        .status()?;
    std::fs::remove_file(&map)?;
    if status.success() { Ok(()) } else { Err("the map could not be measured".into()) }
}

fn measure(map: &Path, memory: &str, boundaries: &str, out: &Path) -> Result<(), Failure> {
    let options = Options {
        pores: PoreMethod::HalfContrast,
        boundaries: if boundaries == "gradient" { BoundaryMethod::Gradient } else { BoundaryMethod::Ridge },
        pixel_size: Some("25nm".into()),
        memory: Some(memory.to_owned()),
        ..Options::default()
    };
    let request = Request {
        roots: vec![map.to_owned()],
        sheet: None,
        scales: None,
        out: out.to_owned(),
        replace: true,
        resume: false,
        threads: None,
        options,
    };
    let start = Instant::now();
    let study = run(&request, &|_| {})?;
    let seconds = start.elapsed().as_secs_f64();
    for failure in &study.failures {
        println!("failed: {}", failure.error);
    }
    let field = study.fields.first().ok_or("no field was measured")?;
    let pixels = (field.width_px * field.height_px) as f64;
    println!(
        "measured in {seconds:.1} s = {:.1} Mpx/s, peak memory {:.0} MB = {:.3} bytes a pixel, --memory {memory}",
        pixels / 1e6 / seconds,
        peak_bytes()? as f64 / 1e6,
        peak_bytes()? as f64 / pixels
    );
    println!(
        "porosity {:?} %, pores {:?}, grains {:?}, mean intercept {:?} µm over {:?} passages",
        field.porosity_percent,
        field.pore_count,
        field.grain_count,
        field.mean_linear_intercept_um,
        field.intercept_count
    );
    field.warnings.iter().for_each(|warning| println!("{}: {}", warning.code, warning.message));
    Ok(())
}
