//! Watershed and Euclidean distance against scikit-image 0.26.0 and SciPy 1.16.3, exactly.
//!
//! Reference values: `tests/reference/watershed.json`, made by `tests/reference/watershed.py`.

use ceramograph::grid::{Grid, Labels};
use ceramograph::options::Connectivity;
use ceramograph::segment::distance::squared_distance;
use ceramograph::segment::watershed::watershed;
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("reference/watershed.json")).expect("the reference file is JSON")
}

fn number(case: &Value, key: &str) -> usize {
    case[key].as_u64().expect(key) as usize
}

fn grid(case: &Value, key: &str) -> Grid<u32> {
    let values = case[key].as_array().expect(key).iter().map(|v| v.as_u64().expect(key) as u32).collect();
    Grid::new(number(case, "width"), number(case, "height"), values).expect(key)
}

#[test]
fn seeded_watersheds_agree_with_scikit_image() {
    let reference = reference();
    let cases = reference["watersheds"].as_array().expect("watersheds");
    assert_eq!(cases.len(), 12);
    for case in cases {
        let relief = grid(case, "relief").map(|level| u8::try_from(level).expect("levels are bytes"));
        let markers = grid(case, "markers");
        let count = markers.as_slice().iter().copied().max().expect("a grid is never empty");
        let mask = grid(case, "mask").map(|inside| inside == 1);
        let connectivity = match number(case, "connectivity") {
            4 => Connectivity::Four,
            8 => Connectivity::Eight,
            other => panic!("connectivity {other}"),
        };
        let found = watershed(&relief, &Labels { grid: markers, count }, Some(&mask), connectivity);
        let name = format!("{} seed {} connectivity {}", case["kind"], case["seed"], case["connectivity"]);
        assert_eq!(found.grid, grid(case, "labels"), "{name}");
        if mask.as_slice().iter().all(|inside| *inside) {
            let markers = Labels { grid: grid(case, "markers"), count };
            assert_eq!(watershed(&relief, &markers, None, connectivity), found, "{name} without mask");
        }
    }
}

#[test]
fn squared_distances_agree_with_scipy() {
    let reference = reference();
    let cases = reference["distances"].as_array().expect("distances");
    assert_eq!(cases.len(), 5);
    for case in cases {
        let mask = grid(case, "mask").map(|inside| inside == 1);
        assert_eq!(squared_distance(&mask), grid(case, "squared_distance"), "seed {}", case["seed"]);
    }
}
