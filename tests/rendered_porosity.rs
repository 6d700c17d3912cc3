//! Porosity of drawn pictures with exactly known truth, by the default rule and one setting for all.
//!
//! The pictures are not part of the project. They are looked for in `$CERAMOGRAPH_SHARED/micrographs/rendered`, or in
//! `../shared/micrographs/rendered` beside the project; where they are missing the test says so and checks nothing.

use std::path::PathBuf;

use ceramograph::grid::Grid;
use ceramograph::micrograph::Grey;
use ceramograph::options::{Connectivity, PoreMethod, PoreOptions, Tone};
use ceramograph::segment::pores::find;

/// Accepted error of a picture of the easy half (even numbers), in percentage points.
const EASY_POINTS: f64 = 0.4;
/// Accepted error of a picture of the hard half (odd numbers: low dose, more blur).
const HARD_POINTS: f64 = 0.9;

fn shared_micrographs() -> Option<PathBuf> {
    let shared = std::env::var_os("CERAMOGRAPH_SHARED")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
    let folder = shared.join("micrographs/rendered");
    folder.is_dir().then_some(folder)
}

fn grey(path: &PathBuf) -> Grid<u8> {
    let picture = image::open(path).unwrap().to_luma8();
    Grid::new(picture.width() as usize, picture.height() as usize, picture.into_raw()).unwrap()
}

fn porosity(picture: Grid<u8>) -> f64 {
    let options = PoreOptions {
        method: PoreMethod::HalfContrast,
        tone: Tone::Dark,
        smallest_px: 12,
        connectivity: Connectivity::Eight,
        flatten: true,
    };
    find(&Grey::Eight(picture), &options).unwrap().numbers.porosity_percent.unwrap()
}

/// Light that falls off towards one corner and the rim, to less than half; black stays black.
fn under_uneven_light(picture: &Grid<u8>) -> Grid<u8> {
    Grid::from_fn(picture.width(), picture.height(), |x, y| {
        let u = 2.0 * x as f64 / picture.width() as f64 - 1.0;
        let v = 2.0 * y as f64 / picture.height() as f64 - 1.0;
        let light = 0.8 * (1.0 + 0.2 * u + 0.2 * v - 0.15 * u * u);
        (f64::from(picture.at(x, y)) * light).round().min(255.0) as u8
    })
}

#[test]
fn porosity_is_within_half_a_point_on_clear_pictures_also_under_uneven_light() {
    let Some(folder) = shared_micrographs() else {
        eprintln!(
            "LEFT OUT: no drawn pictures at ../shared/micrographs/rendered; porosity was not checked on them"
        );
        return;
    };
    let truth = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    let truth: serde_json::Map<String, serde_json::Value> = serde_json::from_str(&truth).unwrap();
    let mut misses = Vec::new();
    for (name, facts) in &truth {
        let known = 100.0 * facts["porosity"].as_f64().unwrap();
        let accepted = if facts["hard"] == true { HARD_POINTS } else { EASY_POINTS };
        let picture = grey(&folder.join(format!("{name}.png")));
        let uneven = porosity(under_uneven_light(&picture)) - known;
        let error = porosity(picture) - known;
        println!("{name:14} {known:6.2} %  error {error:+.2} points, under uneven light {uneven:+.2}");
        if error.abs() > accepted || uneven.abs() > accepted {
            misses.push(name);
        }
    }
    assert_eq!(truth.len(), 20);
    assert!(misses.is_empty(), "too far off: {misses:?}");
}
