//! Labels, region measures and thresholds against scikit-image 0.26 and SciPy 1.16.
//!
//! `tests/reference/regions.py` made `regions.json`; masks and greys are made anew here by the same integer formula.

use ceramograph::grid::{Grid, Mask};
use ceramograph::measure::region::{Region, regions};
use ceramograph::options::Connectivity;
use ceramograph::segment::label::label;
use ceramograph::segment::threshold::{li, multi_otsu, otsu, triangle};
use ceramograph::units::Spacing;
use serde_json::Value;

const REFERENCE: &str = include_str!("reference/regions.json");

/// Knuth's MMIX generator; gives the upper 32 bits.
struct Generator(u64);

impl Generator {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        self.0 >> 32
    }
}

fn discs(seed: u64, (width, height): (usize, usize), count: usize, largest: u64) -> Mask {
    let mut numbers = Generator(seed);
    let discs: Vec<[i64; 3]> = (0..count)
        .map(|_| {
            [numbers.next() % width as u64, numbers.next() % height as u64, numbers.next() % largest + 1]
                .map(|n| n as i64)
        })
        .collect();
    Grid::from_fn(width, height, |x, y| {
        let (x, y) = (x as i64, y as i64);
        discs.iter().any(|&[cx, cy, radius]| (x - cx).pow(2) + (y - cy).pow(2) <= radius * radius)
    })
}

fn noise(seed: u64, (width, height): (usize, usize), percent: u64) -> Mask {
    let mut numbers = Generator(seed);
    Grid::from_fn(width, height, |_, _| numbers.next() % 100 < percent)
}

fn mask(name: &str) -> Mask {
    match name {
        "few discs" => discs(1, (120, 90), 14, 14),
        "overlapping discs" => discs(2, (150, 110), 60, 12),
        "small discs at the rim" => discs(3, (64, 48), 40, 4),
        "sparse noise" => noise(4, (70, 50), 20),
        "dense noise" => noise(5, (60, 60), 45),
        other => panic!("no mask is called {other}"),
    }
}

fn histogram(name: &str) -> Vec<u64> {
    let (seed, dark_percent) = match name {
        "tenth dark" => (11, 10),
        "third dark" => (12, 33),
        "twentieth dark" => (13, 5),
        other => panic!("no greys are called {other}"),
    };
    let mut numbers = Generator(seed);
    let mut histogram = vec![0; 256];
    for _ in 0..20_000 {
        let dark = numbers.next() % 100 < dark_percent;
        let (spread, start) = if dark { (12, 30) } else { (22, 105) };
        let sum: u64 = (0..4).map(|_| numbers.next() % spread).sum();
        histogram[(start + sum) as usize] += 1;
    }
    histogram
}

fn reference(key: &str) -> Vec<Value> {
    let whole: Value = serde_json::from_str(REFERENCE).unwrap();
    whole[key].as_array().unwrap().clone()
}

#[test]
fn labels_and_measures_agree() {
    let mut compared = 0;
    for case in reference("masks") {
        let name = case["name"].as_str().unwrap();
        for (key, connectivity) in [("four", Connectivity::Four), ("eight", Connectivity::Eight)] {
            let expected = &case[key];
            let labels = label(&mask(name), connectivity);
            assert_eq!(u64::from(labels.count), expected["count"].as_u64().unwrap(), "{name}, {key}");
            let places = labels.grid.as_slice().iter().zip(1u64..);
            let checksum: u64 = places.map(|(&label, place)| u64::from(label) * (place % 65521)).sum();
            assert_eq!(checksum, expected["checksum"].as_u64().unwrap(), "{name}, {key}");
            let measured = regions(&labels, Spacing::PIXELS);
            let expected = expected["regions"].as_array().unwrap();
            assert_eq!(measured.len(), expected.len());
            for (region, expected) in measured.iter().zip(expected) {
                agree(region, expected, &format!("{name}, {key}, region {}", region.label));
            }
            compared += measured.len();
        }
    }
    assert!(compared > 500, "only {compared} regions were compared");
}

fn agree(region: &Region, expected: &Value, place: &str) {
    let number = |key: &str| expected[key].as_f64().unwrap();
    let close = |ours: f64, key: &str, tolerance: f64| {
        let theirs = number(key);
        assert!((ours - theirs).abs() <= tolerance, "{place}: {key} is {ours}, reference {theirs}");
    };
    assert_eq!(region.area_px, expected["area_px"].as_u64().unwrap(), "{place}");
    let frame = region.bounding_box;
    let frame = [frame.x, frame.y, frame.width, frame.height];
    assert_eq!(serde_json::to_value(frame).unwrap(), expected["bounding_box"], "{place}");
    close(region.centroid_x_px, "centroid_x_px", 1e-9);
    close(region.centroid_y_px, "centroid_y_px", 1e-9);
    close(region.perimeter, "perimeter", 1e-9);
    close(region.solidity, "solidity", 1e-12);
    close(region.feret_min, "feret_min", 1e-9);
    close(region.feret_max, "feret_max", 1e-9);
    // scikit-image takes the outline of the hull's pixels, which stick out of the hull by up to half a pixel at
    // either end.
    let excess = number("feret_max_of_hull_picture") - region.feret_max;
    assert!((-1e-9..=1.0).contains(&excess), "{place}: {excess}");
    if !expected["round"].as_bool().unwrap() {
        // The reference counts from the columns' direction.
        let turned = number("orientation_rad").to_degrees() - 90.0 - region.orientation_deg;
        assert!((turned / 180.0 - (turned / 180.0).round()).abs() < 1e-6, "{place}: {turned}");
    }
}

#[test]
fn thresholds_agree() {
    for case in reference("greys") {
        let name = case["name"].as_str().unwrap();
        let histogram = histogram(name);
        assert_eq!(otsu::level(&histogram), case["otsu"].as_f64(), "{name}");
        assert_eq!(triangle::level(&histogram), case["triangle"].as_f64(), "{name}");
        let (lower, upper) = multi_otsu::levels(&histogram).unwrap();
        assert_eq!(serde_json::json!([lower, upper]), case["multi_otsu"], "{name}");
        let (ours, theirs) = (li::level(&histogram).unwrap(), case["li"].as_f64().unwrap());
        assert!((ours - theirs).abs() < 1e-6, "{name}: {ours}, reference {theirs}");
    }
}
