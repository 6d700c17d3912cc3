//! The same job on two libraries, scripted in benches/peers.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use crate::Failure;

const SCRIPTS: [&str; 2] = ["scikit_image_peer.py", "opencv_peer.py"];
const STAGES: [&str; 11] = [
    "read",
    "denoise",
    "flatten",
    "threshold",
    "label pores",
    "pore properties",
    "boundary map",
    "markers",
    "watershed",
    "grain properties",
    "intercepts",
];

/// What a peer prints.
#[derive(serde::Deserialize)]
pub struct Peer {
    peer: String,
    seconds: BTreeMap<String, f64>,
    total_seconds: f64,
    pore_count: u64,
    porosity_percent: f64,
    grain_count: u64,
    mean_intercept_px: f64,
}

/// Runs the peers one after the other.
pub fn run_all(python: &Path, picture: &Path) -> Result<Vec<Peer>, Failure> {
    SCRIPTS.iter().map(|script| run(python, script, picture)).collect()
}

/// The peers beside our seconds.
pub fn markdown(peers: &[Peer], own_seconds: f64) -> Result<String, Failure> {
    let mut text = String::from("\n## Against the same job on two libraries\n\n| stage |");
    for peer in peers {
        write!(text, " {}, s |", peer.peer)?;
    }
    text.push_str("\n|---|--:|--:|\n");
    for stage in STAGES {
        write!(text, "| {stage} |")?;
        for peer in peers {
            match peer.seconds.get(stage) {
                Some(seconds) => write!(text, " {seconds:.3} |")?,
                None => text.push_str(" none |"),
            }
        }
        text.push('\n');
    }
    row(&mut text, "sum", peers, |p| format!("{:.3}", p.total_seconds));
    row(&mut text, "times as long as this program", peers, |p| {
        format!("{:.1}", p.total_seconds / own_seconds)
    });
    row(&mut text, "grains", peers, |p| p.grain_count.to_string());
    row(&mut text, "pores", peers, |p| p.pore_count.to_string());
    row(&mut text, "porosity, %", peers, |p| format!("{:.2}", p.porosity_percent));
    row(&mut text, "mean intercept, px", peers, |p| format!("{:.2}", p.mean_intercept_px));
    Ok(text)
}

fn row(text: &mut String, name: &str, peers: &[Peer], value: impl Fn(&Peer) -> String) {
    let cells: Vec<String> = peers.iter().map(value).collect();
    text.push_str(&format!("| {name} | {} |\n", cells.join(" | ")));
}

fn run(python: &Path, script: &str, picture: &Path) -> Result<Peer, Failure> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peers").join(script);
    let output = Command::new(python).arg("-B").arg(&script).arg(picture).output()?;
    if !output.status.success() {
        return Err(
            format!("{} failed: {}", script.display(), String::from_utf8_lossy(&output.stderr)).into()
        );
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}
