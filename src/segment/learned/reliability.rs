//! Whether learned boundaries carry a grain size.

use rayon::prelude::*;

use super::grains::Likely;
use crate::grid::Grid;

/// A boundary of this probability is certain.
const CERTAIN: f64 = 0.9;
/// Where less of the expected length of boundaries is certain, they are mostly guessed. Noise gives 0.06 and less, polished
/// sections without grains 0.17 and less.
const LEAST_CERTAIN: f64 = 0.2;
/// Boundaries that are false with a larger mean probability are mostly guessed. Polished sections without grains that pass
/// the rule above give 0.31 to 0.48, phantoms with visible grains 0.40 and less.
const MOST_AMBIGUITY: f64 = 0.4;
/// Above this, every third mean intercept of phantoms was off by more than a tenth, of the others every tenth.
const FAINT_AMBIGUITY: f64 = 0.25;
/// Pixels that differ less from their neighbours, root mean square in grey levels of 256, show nothing but the steps of
/// whole grey levels, whose lines look like boundaries.
const LEAST_DETAIL: f64 = 0.5;

/// Why the boundaries of a `picture` carry no grain size; `None` if they do.
pub fn too_weak(likely: &Likely, picture: &Grid<u8>) -> Option<String> {
    let detail = detail(picture);
    if detail < LEAST_DETAIL {
        return Some(format!(
            "neighbouring pixels differ by {detail:.2} grey levels, hardly more than whole levels make them differ"
        ));
    }
    let expected = likely.expected_length_px(0.0);
    if expected == 0.0 {
        return Some("the trained network sees none".to_owned());
    }
    let certain = likely.expected_length_px(CERTAIN) / expected;
    if certain < LEAST_CERTAIN {
        return Some(format!(
            "only {:.0} % of their expected length is certain, where {:.0} % is the least",
            100.0 * certain,
            100.0 * LEAST_CERTAIN
        ));
    }
    likely.ambiguity().filter(|ambiguity| *ambiguity > MOST_AMBIGUITY).map(|ambiguity| {
        format!(
            "they are false with a mean probability of {ambiguity:.2}, where {MOST_AMBIGUITY} is the most"
        )
    })
}

/// Why many boundaries may be missed or false; `None` if most are clear.
pub fn faint(likely: &Likely) -> Option<String> {
    likely.ambiguity().filter(|ambiguity| *ambiguity > FAINT_AMBIGUITY).map(|ambiguity| {
        format!("grain boundaries are false with a mean probability of {ambiguity:.2}, where {FAINT_AMBIGUITY} is much")
    })
}

/// Root mean square difference of pixels to the next one in their row and column, in grey levels.
fn detail(picture: &Grid<u8>) -> f64 {
    let rows: Vec<&[u8]> = (0..picture.height()).map(|y| picture.row(y)).collect();
    let squares = |first: &[u8], second: &[u8]| -> u64 {
        first.iter().zip(second).map(|(&a, &b)| u64::from(a.abs_diff(b)).pow(2)).sum()
    };
    let along: u64 = rows.par_iter().map(|row| squares(row, &row[1..])).sum();
    let down: u64 = rows.par_windows(2).map(|pair| squares(pair[0], pair[1])).sum();
    libm::sqrt((along + down) as f64 / (2 * picture.len()) as f64)
}
