//! The sample pictures can be remade bit for bit, and are what their README says.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use ceramograph::phantom::demonstration::write_study;
use ceramograph::phantom::truth::Truth;

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

/// Files below `folder`, relative to it.
fn files(folder: &Path) -> BTreeSet<PathBuf> {
    walkdir::WalkDir::new(folder)
        .into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| entry.path().strip_prefix(folder).unwrap().to_path_buf())
        .collect()
}

#[test]
fn sample_images_are_remade_bit_for_bit() {
    let folder = tempfile::tempdir().unwrap();
    write_study(folder.path(), false).unwrap();
    let remade = files(folder.path());
    let mut kept = files(&samples());
    assert!(kept.remove(Path::new("README.md")));
    assert_eq!(kept, remade);
    for name in remade {
        let bytes = |folder: &Path| std::fs::read(folder.join(&name)).unwrap();
        assert!(bytes(&samples()) == bytes(folder.path()), "{} differs", name.display());
    }
}

#[test]
fn the_samples_fit_into_six_million_bytes() {
    let size: u64 =
        files(&samples()).iter().map(|name| std::fs::metadata(samples().join(name)).unwrap().len()).sum();
    assert!(size < 6_000_000, "{size}");
}

#[test]
fn with_rising_temperature_porosity_falls_and_grains_grow() {
    let mean = |specimen: &str| {
        let truths: Vec<Truth> = (1..=3)
            .map(|field| samples().join(format!("truth/{specimen}/field-{field}.truth.json")))
            .map(|path| serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap())
            .collect();
        let porosity = truths.iter().map(|t| t.porosity_percent).sum::<f64>() / 3.0;
        let intercept = truths.iter().map(|t| t.mean_intercept_um.unwrap()).sum::<f64>() / 3.0;
        println!("{specimen}: porosity {porosity:.2} %, mean intercept {intercept:.3} µm");
        (porosity, intercept)
    };
    let [cool, middle, hot] = ["R1450", "R1550", "R1650"].map(mean);
    assert!(cool.0 > middle.0 && middle.0 > hot.0);
    assert!(cool.1 < middle.1 && middle.1 < hot.1);
}

#[test]
fn fired_mass_and_size_give_a_density_that_fits_the_pictures() {
    let mut sheet = csv::Reader::from_path(samples().join("specimens.csv")).unwrap();
    let heads = sheet.headers().unwrap().clone();
    for row in sheet.records().map(Result::unwrap) {
        let number = |head: &str| -> f64 {
            row.get(heads.iter().position(|h| h == head).unwrap()).unwrap().parse().unwrap()
        };
        let (outer, inner) = (number("fired_outer_diameter_mm"), number("fired_inner_diameter_mm"));
        let volume_cm3 =
            std::f64::consts::FRAC_PI_4 * (outer * outer - inner * inner) * number("fired_height_mm")
                / 1000.0;
        let porosity =
            100.0 * (1.0 - number("fired_mass_g") / volume_cm3 / number("theoretical_density_g_cm3"));
        let specimen = row.get(0).unwrap();
        let seen: f64 = (1..=3)
            .map(|field| samples().join(format!("truth/{specimen}/field-{field}.truth.json")))
            .map(|path| serde_json::from_str::<Truth>(&std::fs::read_to_string(path).unwrap()).unwrap())
            .map(|truth| truth.porosity_percent / 3.0)
            .sum();
        println!("{specimen}: {porosity:.2} % from mass and size, {seen:.2} % in the pictures");
        assert!((porosity - seen).abs() < 1.0, "{specimen}: {porosity} {seen}");
    }
}
