//! The learned path: the network alone, the whole pipeline on its maps, and the same network on another runtime.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use ceramograph::segment::learned;

use crate::{Failure, Whole, child, drawn, peak_bytes, text};

/// Columns and rows of the pictures.
const SIDES: [(usize, usize); 2] = [(4096, 4096), (5120, 4096)];
/// Runs of each measurement, in turn; their median counts.
const RUNS: usize = 3;

/// Seconds and memory of one run.
#[derive(serde::Serialize, serde::Deserialize)]
pub struct Run {
    seconds: f64,
    peak_bytes: u64,
    /// Largest difference to our maps, in parts of 255; of the peer only.
    #[serde(default)]
    largest_difference: Option<f64>,
    /// Share of pixels that differ by more than one part.
    #[serde(default)]
    share_beyond_one: Option<f64>,
}

/// Asks the network once about a picture, and writes both maps into one array file if there is none.
pub fn network(picture: &Path, maps: &Path) -> Result<Run, Failure> {
    let grey = drawn::read_npy(picture)?;
    let start = Instant::now();
    let found = learned::maps(&grey, 1.0)?;
    let seconds = start.elapsed().as_secs_f64();
    let run = Run { seconds, peak_bytes: peak_bytes()?, largest_difference: None, share_beyond_one: None };
    if !maps.exists() {
        let (width, height) = (found.pore.width(), 2 * found.pore.height());
        let both = [found.boundary.into_vec(), found.pore.into_vec()].concat();
        drawn::write_npy(&ceramograph::grid::Grid::new(width, height, both)?, maps)?;
    }
    Ok(run)
}

/// Times everything in turn and compares.
pub fn compared(scratch: &Path, python: Option<&Path>) -> Result<String, Failure> {
    let mut rows = String::new();
    let mut agreement = String::new();
    for (width, height) in SIDES {
        let picture = scratch.join(format!("{width}x{height}.npy"));
        let maps = scratch.join(format!("{width}x{height}-maps.npy"));
        drawn::write_npy(&drawn::large(width, height)?, &picture)?;
        let (mut network, mut whole, mut peer) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..RUNS {
            network.push(serde_json::from_str(&child(&["child-network", text(&picture)?, text(&maps)?])?)?);
            let one: Whole = serde_json::from_str(&child(&["child-learned", text(&picture)?])?)?;
            whole.push(Run {
                seconds: one.seconds,
                peak_bytes: one.peak_bytes,
                largest_difference: None,
                share_beyond_one: None,
            });
            if let Some(python) = python {
                peer.push(other_runtime(python, &picture, &maps)?);
            }
        }
        let ours = median(&network);
        for (name, runs) in
            [("network", &network), ("whole pipeline", &whole), ("network on onnxruntime", &peer)]
        {
            if let Some(row) = row(name, (width, height), runs, ours) {
                rows.push_str(&row);
            }
        }
        if let Some(Run { largest_difference: Some(most), share_beyond_one: Some(share), .. }) = peer.first()
        {
            agreement.push_str(&format!(
                "Maps of {width} x {height} px from both runtimes differ by {most:.0} of 255 parts at most; {:.5} % of \
                 the values by more than one.\n",
                100.0 * share
            ));
        }
    }
    Ok(format!(
        "\n## Learned maps, 8 bit, median of {RUNS} runs in turn\n\n| what | picture | s | Mpx/s | peak, MB | times as long \
         as our network |\n|---|---|--:|--:|--:|--:|\n{rows}\n{agreement}"
    ))
}

fn row(name: &str, (width, height): (usize, usize), runs: &[Run], ours: f64) -> Option<String> {
    let peak = runs.iter().map(|run| run.peak_bytes).max()?;
    let seconds = median(runs);
    Some(format!(
        "| {name} | {width} x {height} | {seconds:.2} | {:.2} | {:.0} | {:.2} |\n",
        (width * height) as f64 / 1e6 / seconds,
        peak as f64 / 1e6,
        seconds / ours
    ))
}

fn median(runs: &[Run]) -> f64 {
    let mut seconds: Vec<f64> = runs.iter().map(|run| run.seconds).collect();
    seconds.sort_by(f64::total_cmp);
    seconds[seconds.len() / 2]
}

fn other_runtime(python: &Path, picture: &Path, maps: &Path) -> Result<Run, Failure> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let script = root.join("benches/peers/onnxruntime_peer.py");
    let [network, surroundings] =
        ["grains.onnx", "surroundings.onnx"].map(|name| root.join("models").join(name));
    let output = Command::new(python)
        .args(["-B".as_ref(), script.as_path(), picture, &network, &surroundings, maps])
        .output()?;
    if !output.status.success() {
        return Err(
            format!("{} failed: {}", script.display(), String::from_utf8_lossy(&output.stderr)).into()
        );
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}
