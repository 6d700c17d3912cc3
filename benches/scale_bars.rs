//! Scale bars and their printed lengths, read off the pictures, against the truth of `../shared/micrographs/scale-bars`,
//! one line a picture.
//!
//! `cargo bench --bench scale_bars`; with `-- -v` every candidate and its reasons are printed.

#[path = "../tests/shared_pictures/mod.rs"]
mod shared_pictures;

use std::time::Instant;

use ceramograph::micrograph::{self, ReadOptions, info_strip};
use ceramograph::scale::{bar, labelled_bar};
use ceramograph::units::parse_um;
use shared_pictures::shared_micrographs;

fn main() {
    let Some(folder) = shared_micrographs() else {
        return;
    };
    let verbose = std::env::args().any(|argument| argument == "-v");
    let mut bars = 0;
    let mut right = 0;
    let mut wrong = 0;
    let mut total = 0;
    println!(
        "{:<16} {:>8} {:>8} {:>5} {:>6} {:>8} {:>7} {:>5} {:>9}  verdict",
        "file", "label", "read", "prob", "truth", "found", "error", "conf", "time"
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
            let read = labelled_bar::find(&picture.grey, strip, &candidates).expect("a sound network");
            let time = start.elapsed();
            total += 1;
            let bar = read.as_ref().map(|r| &r.bar).or(candidates.first());
            let found = bar.map_or(f64::NAN, |bar| bar.bar.length_px());
            // Only the bar set tells where its bars are.
            let place =
                |name: &str| head.iter().position(|h| h == name).and_then(|i| row[i].parse::<f64>().ok());
            let elsewhere = match (place("bar_x0"), place("bar_x1_exclusive"), bar) {
                (Some(left), Some(right), Some(bar)) => bar.bar.left_px > right || bar.bar.right_px < left,
                _ => false,
            };
            let true_um = parse_um(&row[label]).expect("a length");
            let bar_right = !elsewhere && (found - truth).abs() <= tolerance;
            let text_right = read.as_ref().is_some_and(|r| (r.label.length_um / true_um - 1.0).abs() < 1e-9);
            let verdict = match (&read, bar_right && text_right) {
                (None, _) if bar_right => "no label read",
                (None, _) => "nothing found",
                (Some(r), true) if r.doubt.is_none() => "right",
                (Some(_), true) => "right, doubted",
                (Some(r), false) if r.doubt.is_some() => "wrong, doubted",
                (Some(_), false) => "SILENTLY WRONG",
            };
            bars += i32::from(bar_right);
            right += i32::from(verdict == "right");
            wrong += i32::from(verdict.starts_with("SILENTLY"));
            let (text, probability) =
                read.as_ref().map_or(("-", 0.0), |r| (r.label.text.as_str(), r.label.probability));
            println!(
                "{:<16} {:>8} {text:>8} {probability:>5.2} {truth:>6} {found:>8.2} {:>+7.2} {:>5.2} {:>6.1} ms  {verdict}{}",
                &row[file],
                &row[label],
                found - truth,
                bar.map_or(0.0, |bar| bar.confidence),
                1e3 * time.as_secs_f64(),
                read.as_ref().and_then(|r| r.doubt.as_ref()).map_or(String::new(), |why| format!(": {why}"))
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
    println!("bar within tolerance {bars} of {total}; bar and label right {right}; silently wrong {wrong}");
}
