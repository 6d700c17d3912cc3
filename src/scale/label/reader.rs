//! The reader: a small network that reads a line of text, and what it reads as probabilities of texts.

use std::sync::OnceLock;

use image::imageops::{FilterType, resize};
use image::{ImageBuffer, Luma};

use super::beam;
use crate::error::Error;
use crate::grid::Grid;
use crate::network::Network;

/// Weights and graph; `models/README.md` says what they were trained on.
static BYTES: &[u8] = include_bytes!("../../../models/reader.onnx");
/// Signs that the network knows, in the order of its classes; class 0 is the blank. `training/reader_text.py` holds the
/// same list.
const SIGNS: &str = " 0123456789.,ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyzµÅ×+-/:()%=#";
/// Rows of a line as the network takes it.
const ROWS: usize = 32;
/// Columns of a line for one step of the answer.
const COLUMN_STEP: usize = 4;
/// Narrower lines are continued by their last column; longer ones are no labels: ten signs, each as wide as the letters are
/// high, have 250 columns with the rim around them.
const COLUMNS: (usize, usize) = (64, 320);

/// Texts that the line in `crop` may hold, with their probabilities, the likeliest first. The crop should reach a quarter
/// of the letters' height beyond them above and below.
///
/// Empty for a line that is far too long for a label.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub(super) fn read(crop: &Grid<u8>) -> Result<Vec<(String, f64)>, Error> {
    let Some(line) = line_of(crop) else { return Ok(Vec::new()) };
    let columns = line.len() / ROWS;
    let (steps, classes) = (columns / COLUMN_STEP, 1 + SIGNS.chars().count());
    static NETWORK: OnceLock<Result<Network<1, 1>, String>> = OnceLock::new();
    let loaded = NETWORK.get_or_init(|| Network::load(BYTES, ["crop"], ["signs"]));
    let network = loaded.as_ref().map_err(|why| Error::Network { why: why.clone() })?;
    let [logits] = network.answer([(line, [1, 1, ROWS, columns])], [[1, classes, 1, steps]])?;
    let chances: Vec<Vec<f64>> = (0..steps)
        .map(|step| softmax((0..classes).map(|class| f64::from(logits[class * steps + step])).collect()))
        .collect();
    let text = |signs: &[usize]| signs.iter().filter_map(|&class| SIGNS.chars().nth(class - 1)).collect();
    Ok(beam::search(&chances).into_iter().map(|(signs, chance)| (text(&signs), chance)).collect())
}

fn softmax(mut values: Vec<f64>) -> Vec<f64> {
    let most = values.iter().copied().fold(f64::MIN, f64::max);
    values.iter_mut().for_each(|value| *value = libm::exp(*value - most));
    let sum: f64 = values.iter().sum();
    values.iter_mut().for_each(|value| *value /= sum);
    values
}

/// The crop brought to [`ROWS`], standardised to mean 0 and standard deviation 1, by rows.
fn line_of(crop: &Grid<u8>) -> Option<Vec<f32>> {
    let width = (crop.width() * ROWS).div_ceil(crop.height().max(1)).max(1);
    let columns = width.next_multiple_of(COLUMN_STEP).max(COLUMNS.0);
    if columns > COLUMNS.1 {
        return None;
    }
    let grey = ImageBuffer::<Luma<f32>, _>::from_fn(crop.width() as u32, crop.height() as u32, |x, y| {
        // The library takes greys from 0 to 1 and cuts off what lies beyond.
        Luma([f32::from(crop.at(x as usize, y as usize)) / 255.0])
    });
    let small = resize(&grey, width as u32, ROWS as u32, FilterType::Triangle);
    let count = (width * ROWS) as f64;
    let mean = small.pixels().map(|p| f64::from(p.0[0])).sum::<f64>() / count;
    let square = small.pixels().map(|p| (f64::from(p.0[0]) - mean).powi(2)).sum::<f64>() / count;
    let spread = square.sqrt().max(1.0 / 255.0);
    let at = |x: usize, y: usize| {
        ((f64::from(small.get_pixel(x.min(width - 1) as u32, y as u32).0[0]) - mean) / spread) as f32
    };
    Some((0..ROWS).flat_map(|y| (0..columns).map(move |x| (x, y))).map(|(x, y)| at(x, y)).collect())
}
