//! Reports of an invented study. What they look like is written to the target folder, for a person to look at.

mod invented_study;

use std::path::PathBuf;

use ceramograph::grid::{Frame, Grid, Labels};
use ceramograph::micrograph::Grey;
use ceramograph::report::overlay::{self, OverlayView, TestLine};
use ceramograph::report::figure;
use ceramograph::scale::{Bar, BarStyle};
use invented_study::{hostile_study, study, unknown_study, unscaled_study};

/// Keeps a report where a person can look at it.
fn keep(name: &str, bytes: impl AsRef<[u8]>) {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn figures_have_column_width_and_the_same_bytes_every_time() {
    let study = study();
    for (i, specimen) in study.specimens.iter().enumerate() {
        let grains = figure::grain_size_histogram(specimen).unwrap();
        assert_eq!(grains, figure::grain_size_histogram(specimen).unwrap());
        assert!(grains.contains("width=\"85mm\""));
        let pores = figure::pore_size_histogram(specimen).unwrap();
        let png = figure::png(&grains, 300).unwrap();
        assert_eq!(png, figure::png(&grains, 300).unwrap());
        assert_eq!(image::load_from_memory(&png).unwrap().width(), 1004, "85 mm at 300 dpi");
        keep(&format!("grain-size-{i}.svg"), &grains);
        keep(&format!("grain-size-{i}.png"), &png);
        keep(&format!("pore-size-{i}.png"), figure::png(&pores, 300).unwrap());
    }
    let overview = figure::overview(&study).unwrap();
    keep("overview.png", figure::png(&overview, 200).unwrap());
}

/// The folder of shared pictures, where there is one.
fn shared_micrographs() -> Option<PathBuf> {
    let beside = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared");
    let shared = std::env::var_os("CERAMOGRAPH_SHARED").map_or(beside, PathBuf::from);
    Some(shared.join("micrographs")).filter(|folder| folder.is_dir())
}

/// Grains of a label picture, and the dark spots between them as pores.
fn labels_of(path: &std::path::Path) -> (Labels, Labels) {
    let picture = image::open(path).unwrap().into_luma16();
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let grains = Labels::from_ids(Grid::new(width, height, picture.iter().map(|&v| u32::from(v)).collect()).unwrap());
    let pores = grains.grid.map(|label| u32::from(label == 0));
    (grains, Labels { grid: pores, count: 1 })
}

#[test]
fn an_overlay_of_a_rendered_picture_can_be_looked_at() {
    let Some(shared) = shared_micrographs() else {
        eprintln!("left out: the shared pictures are not there; set CERAMOGRAPH_SHARED to their folder");
        return;
    };
    for look in ["etched_2", "channelling_2", "optical_2"] {
        let grey = image::open(shared.join(format!("rendered/{look}.png"))).unwrap().into_luma8();
        let (width, height) = (grey.width() as usize, grey.height() as usize);
        let (grains, pores) = labels_of(&shared.join(format!("rendered/{look}.labels.png")));
        let frame = Frame { x: 0, y: 0, width, height: height - 64 };
        let crop = |labels: &Labels| Labels { grid: labels.grid.cropped(frame), count: labels.count };
        let (grains, pores) = (crop(&grains), crop(&pores));
        let bar = Bar {
            left_px: 700.5,
            right_px: 900.5,
            row_px: height as f64 - 30.0,
            style: BarStyle::Solid,
            uncertainty_px: 0.5,
        };
        let lines = [
            TestLine::Straight { from: (0.0, 200.0), to: (1023.0, 200.0) },
            TestLine::Circle { centre: (512.0, 350.0), radius: 250.0 },
        ];
        let view = OverlayView {
            pores: Some(&pores),
            pull_out: &[look == "optical_2"],
            grains: Some(&grains),
            frame,
            bar: Some(&bar),
            lines: if look == "etched_2" { &lines } else { &[] },
        };
        let picture = overlay::overlay(&Grey::Eight(Grid::new(width, height, grey.into_raw()).unwrap()), &view);
        keep(&format!("overlay-{look}.png"), overlay::png(&picture));
        keep(&format!("thumbnail-{look}.jpg"), overlay::thumbnail(&picture, 480));
    }
}

/// A number that looks random.
fn noise(x: usize, y: usize) -> usize {
    let mixed = (x * 374_761_393 + y * 668_265_263) as u32;
    let mixed = (mixed ^ (mixed >> 13)).wrapping_mul(1_274_126_177);
    (mixed >> 16) as usize
}

#[test]
fn a_large_overlay_is_drawn_and_packed() {
    let side = 4096;
    let grey = Grey::Eight(Grid::from_fn(side, side, |x, y| (noise(x, y) % 21 + (x / 40 * 37 + y / 40 * 59) % 90 + 70) as u8));
    let grains = Labels { grid: Grid::from_fn(side, side, |x, y| (y / 40 * 103 + x / 40) as u32 + 1), count: 10609 };
    let pores =
        Labels { grid: Grid::from_fn(side, side, |x, y| u32::from(x % 40 < 6 && y % 40 < 6)), count: 1 };
    let view = OverlayView {
        pores: Some(&pores),
        pull_out: &[],
        grains: Some(&grains),
        frame: Frame { x: 0, y: 0, width: side, height: side },
        bar: None,
        lines: &[],
    };
    let start = std::time::Instant::now();
    let picture = overlay::overlay(&grey, &view);
    let drawn = start.elapsed();
    let bytes = overlay::png(&picture);
    let packed = start.elapsed() - drawn;
    let small = overlay::thumbnail(&picture, 480);
    let reduced = start.elapsed() - drawn - packed;
    eprintln!("4096 x 4096: drawn in {drawn:?}, packed in {packed:?} ({} bytes), reduced in {reduced:?} ({} bytes)", bytes.len(), small.len());
    assert!(small.len() < 200_000);
}
