//! The learned path as a whole: what belongs to the program, and that no number of threads changes a result.

use std::path::Path;

use ceramograph::micrograph::Micrograph;
use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use ceramograph::phantom::structure::Density;
use ceramograph::phantom::{PhantomSpec, draw};
use ceramograph::pipeline::{Measured, measure};
use ceramograph::segment::learned::likelihood::{Calibration, calibration};
use serde_json::Value;

/// What the folder of models holds.
fn kept() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("models/calibration.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(list) => list.iter().flat_map(numbers).collect(),
        Value::Object(map) => map.values().flat_map(numbers).collect(),
        other => vec![other.as_f64().unwrap()],
    }
}

#[test]
fn the_embedded_calibration_is_read_and_is_the_file_of_the_folder() {
    let file: Calibration = serde_json::from_value(kept()).unwrap();
    let embedded = calibration();
    assert_eq!(format!("{embedded:?}"), format!("{file:?}"));
    assert!(numbers(&kept()).iter().all(|number| number.is_finite() && number.abs() < 1000.0));
    assert!(
        embedded.edge.deviation.iter().all(|&deviation| deviation > 0.0),
        "{:?}",
        embedded.edge.deviation
    );
    // No standard deviation lies below zero, whatever the ambiguity, which is 0 to 1.
    let [constant, linear] = embedded.spread;
    assert!(constant > 0.0 && constant + linear > 0.0, "{:?}", embedded.spread);
}

#[test]
fn a_calibration_of_other_keys_or_lengths_is_refused() {
    let refused = |change: &dyn Fn(&mut Value)| {
        let mut changed = kept();
        change(&mut changed);
        serde_json::from_value::<Calibration>(changed).is_err()
    };
    assert!(!refused(&|_| ()));
    assert!(refused(&|value| value["more"] = Value::from(0.0)));
    let keys: Vec<String> = kept().as_object().unwrap().keys().cloned().collect();
    for key in &keys {
        assert!(refused(&|value| drop(value.as_object_mut().unwrap().remove(key))), "without {key}");
        assert!(refused(&|value| value[key] = Value::from("0")), "text for {key}");
    }
    for key in ["mean", "deviation", "first", "second", "last"] {
        assert!(refused(&|value| drop(value["edge"][key].as_array_mut().unwrap().pop())), "{key} too short");
        assert!(
            refused(&|value| value["edge"][key].as_array_mut().unwrap().push(Value::from(0.0))),
            "{key} too long"
        );
    }
}

fn learned(mean_intercept_px: f64, threads: usize) -> Measured {
    let mut spec = PhantomSpec { width_px: 420, height_px: 400, seed: 5, ..PhantomSpec::default() };
    spec.structure.density = Density::MeanInterceptPx(mean_intercept_px);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    let micrograph = Micrograph { grey: draw(&spec).unwrap().grey, claims: Vec::new(), warnings: Vec::new() };
    let options = Options {
        pixel_size: Some("25nm".into()),
        pores: PoreMethod::Learned,
        boundaries: BoundaryMethod::Learned,
        ..Options::default()
    };
    pool.install(|| measure(&micrograph, &options).unwrap())
}

#[test]
fn any_number_of_threads_gives_the_same_learned_result() {
    // Grains of 100 px are looked at again in a reduced picture.
    for mean_intercept_px in [12.0, 30.0, 100.0] {
        let one = learned(mean_intercept_px, 1);
        let map = one.grain_map.as_ref().unwrap();
        let likely = map.likely.as_ref().unwrap();
        assert!(map.labels.count > 3 && likely.edges.len() > 3, "{mean_intercept_px} px");
        for threads in [2, 3] {
            let other = learned(mean_intercept_px, threads);
            let (other_map, lines) = (other.grain_map.as_ref().unwrap(), other.intercepts.as_ref().unwrap());
            let other_likely = other_map.likely.as_ref().unwrap();
            assert_eq!(
                other.pore_map.labels, one.pore_map.labels,
                "{mean_intercept_px} px, {threads} threads"
            );
            assert_eq!(other_map.boundaries, map.boundaries, "{mean_intercept_px} px, {threads} threads");
            assert_eq!(other_map.labels, map.labels, "{mean_intercept_px} px, {threads} threads");
            assert_eq!(other_likely.regions, likely.regions, "{mean_intercept_px} px, {threads} threads");
            assert_eq!(other_likely.edges, likely.edges, "{mean_intercept_px} px, {threads} threads");
            assert_eq!(lines.mean.to_bits(), one.intercepts.as_ref().unwrap().mean.to_bits());
        }
    }
}
