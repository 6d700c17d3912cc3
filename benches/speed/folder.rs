//! A folder of usual pictures on one thread and on two.

use std::num::NonZeroUsize;
use std::path::Path;
use std::time::Instant;

use ceramograph::grid::Grid;
use ceramograph::study::run::{Request, run};

use crate::{Failure, child, drawn, text};

/// Views of each drawn picture: itself and its mirror images, which take as long to measure.
const VIEWS: usize = 4;

/// Measures `count` pictures with one thread and with two, and says how much faster two are.
pub fn compared(scratch: &Path, count: usize) -> Result<String, Failure> {
    let folder = scratch.join("pictures");
    write_pictures(&folder, count)?;
    let seconds = |threads: &str| -> Result<f64, Failure> {
        Ok(child(&["child-folder", text(&folder)?, threads])?.trim().parse()?)
    };
    let (one, two) = (seconds("1")?, seconds("2")?);
    Ok(format!(
        "\n## A folder of {count} pictures of 2 Mpx, with overlays and report\n\n| threads | s | s a picture |\n\
         |--:|--:|--:|\n| 1 | {one:.2} | {:.3} |\n| 2 | {two:.2} | {:.3} |\n\nTwo threads are {:.2} times as fast as one.\n",
        one / count as f64,
        two / count as f64,
        one / two
    ))
}

/// Measures a folder and prints the seconds.
pub fn measure(folder: &Path, threads: &str) -> Result<(), Failure> {
    let out = tempfile::tempdir()?;
    let request = Request {
        roots: vec![folder.to_owned()],
        sheet: None,
        scales: None,
        out: out.path().join("results"),
        replace: false,
        resume: false,
        threads: Some(threads.parse::<NonZeroUsize>()?),
        options: crate::classical(),
    };
    let start = Instant::now();
    let study = run(&request, &|_| {})?;
    if let Some(failure) = study.failures.first() {
        return Err(format!("{}: {}", failure.file, failure.error).into());
    }
    println!("{}", start.elapsed().as_secs_f64());
    Ok(())
}

fn write_pictures(folder: &Path, count: usize) -> Result<(), Failure> {
    std::fs::create_dir(folder)?;
    let mut written = 0;
    for seed in 1..=count.div_ceil(VIEWS) as u64 {
        let picture = drawn::eight_bit(drawn::usual(seed)?)?;
        for view in 0..VIEWS.min(count - written) {
            let seen = seen(&picture, view);
            let (width, height) = (u32::try_from(seen.width())?, u32::try_from(seen.height())?);
            let path = folder.join(format!("field-{written:03}.png"));
            image::save_buffer(path, seen.as_slice(), width, height, image::ExtendedColorType::L8)?;
            written += 1;
        }
    }
    Ok(())
}

/// A picture, or it mirrored left to right, top to bottom, or both.
fn seen(picture: &Grid<u8>, view: usize) -> Grid<u8> {
    let (width, height) = (picture.width(), picture.height());
    Grid::from_fn(width, height, |x, y| {
        let x = if view & 1 == 0 { x } else { width - 1 - x };
        let y = if view & 2 == 0 { y } else { height - 1 - y };
        picture.at(x, y)
    })
}
