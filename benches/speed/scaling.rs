//! How the cost of the whole pipeline grows with the size of a picture, with its pores and with threads.

use std::path::Path;

use ceramograph::grid::Grid;
use ceramograph::statistics::line;

use crate::{Failure, Whole, child, child_with_threads, drawn, text};

/// Sizes in millions of pixels.
const MEGAPIXELS: [f64; 9] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 100.0];
/// Of smaller pictures a large part of the time does not depend on their size.
const LARGE_MEGAPIXELS: f64 = 4.0;
/// Runs of each measurement; the fastest counts.
const RUNS: usize = 3;
/// Runs with each number of threads, in turn, so that whatever else the machine does meets all of them; the median counts.
const TURNS: usize = 15;
/// Side of the pictures whose pores are varied.
const PORE_SIDE: usize = 2048;
/// Porosities in percent, of pores of one size.
const PORE_PERCENT: [f64; 5] = [0.5, 1.0, 2.0, 4.0, 8.0];

/// Prints how cost grows. `picture` is what all sizes are cut from or made up of.
pub fn compared(scratch: &Path, picture: &Grid<u8>) -> Result<String, Failure> {
    Ok(format!("{}{}{}", by_size(scratch, picture)?, by_pores(scratch)?, by_threads(scratch, picture)?))
}

/// The fastest of some runs.
fn fastest(path: &Path) -> Result<Whole, Failure> {
    let mut fastest: Option<Whole> = None;
    for _ in 0..RUNS {
        let run: Whole = serde_json::from_str(&child(&["child-whole", text(path)?])?)?;
        if fastest.as_ref().is_none_or(|fastest| run.seconds < fastest.seconds) {
            fastest = Some(run);
        }
    }
    fastest.ok_or_else(|| "there was no run".into())
}

/// Slope of the line through the logarithms, with the half width of its 95 % interval.
fn exponent(points: &[(f64, f64)]) -> Result<String, Failure> {
    let logs = |value: fn(&(f64, f64)) -> f64| points.iter().map(|p| value(p).ln()).collect::<Vec<f64>>();
    let fit = line::fit(&logs(|p| p.0), &logs(|p| p.1), None).ok_or("the points fix no line")?;
    Ok(format!("{:.3} ± {:.3}", fit.slope, fit.slope_half_width()))
}

fn by_size(scratch: &Path, picture: &Grid<u8>) -> Result<String, Failure> {
    let mut rows = String::new();
    let mut points = Vec::new();
    for megapixels in MEGAPIXELS {
        let side = (megapixels * 1e6).sqrt().round() as usize;
        let path = scratch.join("size.npy");
        drawn::write_npy(&mirrored(picture, side), &path)?;
        let run = fastest(&path)?;
        let pixels = (side * side) as f64;
        rows.push_str(&format!(
            "| {megapixels} | {side} | {:.3} | {:.1} | {:.1} | {} | {} |\n",
            run.seconds,
            pixels / 1e6 / run.seconds,
            run.peak_bytes as f64 / pixels,
            run.grain_count,
            run.pore_count
        ));
        points.push((pixels, run.seconds));
    }
    let large: Vec<(f64, f64)> = points.iter().copied().filter(|p| p.0 > 0.99e6 * LARGE_MEGAPIXELS).collect();
    let head = "| Mpx | side, px | s | Mpx/s | peak, bytes a pixel | grains | pores |\n|--:|--:|--:|--:|--:|--:|--:|\n";
    Ok(format!(
        "\n### Cost against the size of the picture\n\n{head}{rows}\nTime grows as size to the power {}; from {} Mpx on, to the \
         power {}.\n",
        exponent(&points)?,
        LARGE_MEGAPIXELS,
        exponent(&large)?
    ))
}

fn by_pores(scratch: &Path) -> Result<String, Failure> {
    let mut rows = String::new();
    let mut points = Vec::new();
    for percent in PORE_PERCENT {
        let path = scratch.join("pores.npy");
        drawn::write_npy(&drawn::porous(PORE_SIDE, PORE_SIDE, percent)?, &path)?;
        let run = fastest(&path)?;
        rows.push_str(&format!("| {percent} | {} | {:.3} |\n", run.pore_count, run.seconds));
        points.push((run.pore_count as f64, run.seconds));
    }
    Ok(format!(
        "\n### Cost against the number of pores, {PORE_SIDE} x {PORE_SIDE} px\n\n| porosity drawn, % | pores | s |\n\
         |--:|--:|--:|\n{rows}\nTime grows as the number of pores to the power {}.\n",
        exponent(&points)?
    ))
}

fn by_threads(scratch: &Path, picture: &Grid<u8>) -> Result<String, Failure> {
    let path = scratch.join("threads.npy");
    drawn::write_npy(picture, &path)?;
    let mut runs = vec![Vec::new(); std::thread::available_parallelism()?.get()];
    for _ in 0..TURNS {
        for (threads, runs) in (1..).zip(&mut runs) {
            let printed = child_with_threads(&["child-whole", text(&path)?], threads)?;
            runs.push(serde_json::from_str::<Whole>(&printed)?.seconds);
        }
    }
    let mut rows = String::new();
    let mut points = Vec::new();
    let mut one = None;
    for (threads, runs) in (1..).zip(&mut runs) {
        runs.sort_by(f64::total_cmp);
        let (least, seconds) = (runs[0], runs[TURNS / 2]);
        let (least_of_one, of_one) = *one.get_or_insert((least, seconds));
        rows.push_str(&format!(
            "| {threads} | {seconds:.3} | {:.2} | {least:.3} | {:.2} |\n",
            of_one / seconds,
            least_of_one / least
        ));
        points.push((threads as f64, seconds));
    }
    let slope = match points[..] {
        [(a, s), (b, t)] => format!("{:.3}", (t / s).ln() / (b / a).ln()),
        [_] => "unknown".to_owned(),
        _ => exponent(&points)?,
    };
    Ok(format!(
        "\n### One picture of {} x {} px on several threads\n\n| threads | s, median of {TURNS} in turn | times as fast as one | s, fastest | times as fast as one |\n\
         |--:|--:|--:|--:|--:|\n{rows}\nTime grows as the number of threads to the power {slope}.\n",
        picture.width(),
        picture.height()
    ))
}

/// A square cut from a picture, or the picture and its mirror images side by side, which have as many grains and pores a
/// pixel.
fn mirrored(picture: &Grid<u8>, side: usize) -> Grid<u8> {
    let place = |at: usize, length: usize| {
        let (turn, rest) = (at / length, at % length);
        if turn % 2 == 0 { rest } else { length - 1 - rest }
    };
    Grid::from_fn(side, side, |x, y| picture.at(place(x, picture.width()), place(y, picture.height())))
}
