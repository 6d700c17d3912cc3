//! Found scale bars against the truth of `../shared/micrographs/scale-bars`, one line a picture.
//!
//! `cargo bench --bench scale_bars`; with `-- -v` every candidate and its reasons are printed.

#[path = "../tests/shared_pictures/mod.rs"]
mod shared_pictures;

use std::time::Instant;

use ceramograph::micrograph::{self, ReadOptions, info_strip};
use ceramograph::scale::bar;
use shared_pictures::shared_micrographs;

fn main() {
    let Some(folder) = shared_micrographs() else {
        return;
    };
    let verbose = std::env::args().any(|argument| argument == "-v");
    let mut within = 0;
    let mut wrong = 0;
    let mut total = 0;
    println!(
        "{:<16} {:>8} {:>6} {:>8} {:>7} {:<8} {:>5} {:>10}  verdict",
        "file", "label", "truth", "found", "error", "style", "conf", "strip"
    );
    for set in ["scale-bars", "tagged-tiff"] {
        let mut table = csv::Reader::from_path(folder.join(set).join("truth.csv")).expect("truth.csv");
        let head = table.headers().expect("a head").clone();
        let column = |name: &str| head.iter().position(|h| h == name).expect("a column");
        let (file, label, px, tolerance) =
            (column("file"), column("label_text"), column("bar_px"), column("tol_px"));
        for row in table.records() {
            let row = row.expect("a row");
            let truth: f64 = row[px].parse().expect("a number");
            let tolerance: f64 = row[tolerance].parse().expect("a number");
            let path = folder.join(set).join("images").join(&row[file]);
            let bytes = std::fs::read(&path).expect("a picture");
            let options = ReadOptions::default();
            let picture =
                micrograph::pages(&bytes, &path, &options).and_then(|p| p.read(0)).expect("a picture");
            let start = Instant::now();
            let strip = info_strip::find(&picture.grey);
            let candidates = bar::find(&picture.grey, strip);
            let time = start.elapsed();
            total += 1;
            let strip = strip.map_or("-".into(), |s| format!("{}+{}", s.first_row_px, s.rows_px));
            let Some(best) = candidates.first() else {
                println!(
                    "{:<16} {:>8} {truth:>6} {:>8} {:>7} {:<8} {:>5} {strip:>10}  not found",
                    &row[file], &row[label], "-", "-", "-", "-"
                );
                continue;
            };
            let length = best.bar.length_px();
            // Only the bar set tells where its bars are.
            let place =
                |name: &str| head.iter().position(|h| h == name).and_then(|i| row[i].parse::<f64>().ok());
            let elsewhere = match (place("bar_x0"), place("bar_x1_exclusive")) {
                (Some(left), Some(right)) => best.bar.left_px > right || best.bar.right_px < left,
                _ => false,
            };
            let verdict = match (!elsewhere && (length - truth).abs() <= tolerance, best.is_certain()) {
                (true, true) => "within",
                (true, false) => "within, warned",
                (false, false) => "off, warned",
                (false, true) if !elsewhere && (length / truth - 1.0).abs() <= 0.1 => "off by less than 10 %",
                (false, true) => "SILENTLY WRONG",
            };
            within += i32::from(verdict.starts_with("within"));
            wrong += i32::from(verdict.starts_with("SILENTLY"));
            println!(
                "{:<16} {:>8} {truth:>6} {length:>8.2} {:>+7.2} {:<8} {:>5.2} {strip:>10}  {verdict} ({} us)",
                &row[file],
                &row[label],
                length - truth,
                format!("{:?}", best.bar.style),
                best.confidence,
                time.as_micros()
            );
            if verbose {
                for c in &candidates {
                    println!(
                        "      {:.2} x {:.1}..{:.1} row {:.1} {:?}: {}",
                        c.confidence,
                        c.bar.left_px,
                        c.bar.right_px,
                        c.bar.row_px,
                        c.bar.style,
                        c.reasons.join(", ")
                    );
                }
            }
        }
    }
    println!("within tolerance {within} of {total}; silently wrong by more than 10 %: {wrong}");
}
