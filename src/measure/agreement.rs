//! How well a label map agrees with a true one: pairs of pixels, shared information and boundaries.

use crate::error::Error;
use crate::grid::{Grid, Mask};

/// How pairs of pixels are grouped in two label maps.
///
/// # References
/// Arganda-Carreras et al., Frontiers in Neuroanatomy 9 (2015) 142, doi:10.3389/fnana.2015.00142.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairAgreement {
    /// Adapted Rand error, 1 - 2·both/(truth + found); 0 is perfect agreement.
    pub error: f64,
    /// Of the pairs that share a true region, the part that also shares a found one; low when regions are split.
    pub kept_together: f64,
    /// Of the pairs that share a found region, the part that also shares a true one; low when regions are joined.
    pub rightly_joined: f64,
}

/// Variation of information between two label maps, in bits.
///
/// # References
/// Meilă, Journal of Multivariate Analysis 98 (2007) 873, doi:10.1016/j.jmva.2006.11.013.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InformationLost {
    /// Conditional entropy of the found map given the true one: grows with false splits.
    pub by_splits: f64,
    /// Conditional entropy of the true map given the found one: grows with false merges.
    pub by_merges: f64,
}

/// How often a pair of labels meets, with the totals of each label.
struct Overlaps {
    both: Vec<u64>,
    truth: Vec<u64>,
    found: Vec<u64>,
}

/// Pair agreement of `found` with `truth`; pixels that are 0 in the truth are left out.
///
/// A 0 in `found` counts as one region. `None` if fewer than two pixels count, or no two share a region in either map.
///
/// # Errors
/// [`Error::GridShape`] if the maps differ in shape.
///
/// ```
/// use ceramograph::grid::Grid;
/// use ceramograph::measure::agreement::pair_agreement;
/// let truth = Grid::new(4, 1, vec![1, 1, 2, 2])?;
/// let joined = Grid::new(4, 1, vec![5, 5, 5, 5])?;
/// assert_eq!(pair_agreement(&truth, &truth)?.unwrap().error, 0.0);
/// // 2 of 6 joined pairs are right and none is lost: 1 - 2·2/(2 + 6).
/// assert_eq!(pair_agreement(&truth, &joined)?.unwrap().error, 0.5);
/// # Ok::<(), ceramograph::error::Error>(())
/// ```
pub fn pair_agreement(truth: &Grid<u32>, found: &Grid<u32>) -> Result<Option<PairAgreement>, Error> {
    let overlaps = overlaps(truth, found)?;
    let pairs = |counts: &[u64]| {
        let ordered: u128 = counts.iter().map(|&n| u128::from(n) * u128::from(n.saturating_sub(1))).sum();
        ordered as f64
    };
    let (both, in_truth, in_found) = (pairs(&overlaps.both), pairs(&overlaps.truth), pairs(&overlaps.found));
    if in_truth == 0.0 || in_found == 0.0 {
        return Ok(None);
    }
    Ok(Some(PairAgreement {
        error: 1.0 - 2.0 * both / (in_truth + in_found),
        kept_together: both / in_truth,
        rightly_joined: both / in_found,
    }))
}

/// Variation of information between `truth` and `found`; pixels that are 0 in the truth are left out.
///
/// A 0 in `found` counts as one region. `None` if no pixel counts.
///
/// # Errors
/// [`Error::GridShape`] if the maps differ in shape.
pub fn information_lost(truth: &Grid<u32>, found: &Grid<u32>) -> Result<Option<InformationLost>, Error> {
    let overlaps = overlaps(truth, found)?;
    let total: u64 = overlaps.both.iter().sum();
    if total == 0 {
        return Ok(None);
    }
    let entropy = |counts: &[u64]| -> f64 {
        let shares = counts.iter().map(|&n| n as f64 / total as f64);
        -shares.map(|share| share * share.log2()).sum::<f64>()
    };
    let joint = entropy(&overlaps.both);
    Ok(Some(InformationLost {
        by_splits: (joint - entropy(&overlaps.truth)).max(0.0),
        by_merges: (joint - entropy(&overlaps.found)).max(0.0),
    }))
}

/// F1 score of the boundaries of `found` against those of `truth`: harmonic mean of the share of found boundary
/// pixels that lie within `tolerance_px` of a true one and the share of true ones that lie so near a found one.
///
/// A boundary pixel is one whose right or lower neighbour carries another label, both labels not 0. `None` if
/// neither map has a boundary.
///
/// # Errors
/// [`Error::GridShape`] if the maps differ in shape.
pub fn boundary_f1(truth: &Grid<u32>, found: &Grid<u32>, tolerance_px: usize) -> Result<Option<f64>, Error> {
    require_same_shape(truth, found)?;
    let (truth, found) = (boundaries(truth), boundaries(found));
    let count = |mask: &Mask| mask.as_slice().iter().filter(|&&b| b).count();
    let (in_truth, in_found) = (count(&truth), count(&found));
    if in_truth + in_found == 0 {
        return Ok(None);
    }
    let near_truth = within(&truth, tolerance_px);
    let near_found = within(&found, tolerance_px);
    let both = |a: &Mask, b: &Mask| a.as_slice().iter().zip(b.as_slice()).filter(|&(&a, &b)| a && b).count();
    let precision = both(&found, &near_truth) as f64 / in_found.max(1) as f64;
    let recall = both(&truth, &near_found) as f64 / in_truth.max(1) as f64;
    Ok(Some(if precision + recall == 0.0 { 0.0 } else { 2.0 * precision * recall / (precision + recall) }))
}

fn require_same_shape(truth: &Grid<u32>, found: &Grid<u32>) -> Result<(), Error> {
    if truth.same_shape(found) {
        return Ok(());
    }
    Err(Error::GridShape { width: truth.width(), height: truth.height(), length: found.len() })
}

fn overlaps(truth: &Grid<u32>, found: &Grid<u32>) -> Result<Overlaps, Error> {
    require_same_shape(truth, found)?;
    let mut pairs: Vec<(u32, u32)> = truth
        .as_slice()
        .iter()
        .zip(found.as_slice())
        .filter(|&(&t, _)| t != 0)
        .map(|(&t, &f)| (t, f))
        .collect();
    pairs.sort_unstable();
    let both = run_lengths(pairs.iter());
    let truth = run_lengths(pairs.iter().map(|pair| pair.0));
    let mut found: Vec<u32> = pairs.into_iter().map(|pair| pair.1).collect();
    found.sort_unstable();
    Ok(Overlaps { both, truth, found: run_lengths(found.into_iter()) })
}

/// How often each value occurs in a sorted sequence.
fn run_lengths<T: PartialEq>(sorted: impl Iterator<Item = T>) -> Vec<u64> {
    let mut counts = Vec::new();
    let mut last = None;
    for value in sorted {
        if last.as_ref() == Some(&value) {
            *counts.last_mut().expect("invariant: a value was counted before") += 1;
        } else {
            counts.push(1);
            last = Some(value);
        }
    }
    counts
}

fn boundaries(labels: &Grid<u32>) -> Mask {
    let differ = |a: u32, b: u32| a != 0 && b != 0 && a != b;
    Grid::from_fn(labels.width(), labels.height(), |x, y| {
        let own = labels.at(x, y);
        (x + 1 < labels.width() && differ(own, labels.at(x + 1, y)))
            || (y + 1 < labels.height() && differ(own, labels.at(x, y + 1)))
    })
}

/// Pixels whose centre lies within `radius` of a pixel of the mask.
fn within(mask: &Mask, radius: usize) -> Mask {
    let mut near = Grid::filled(mask.width(), mask.height(), false);
    for dy in 0..=radius {
        let reach = (radius * radius - dy * dy).isqrt();
        for y in 0..mask.height() {
            for (x, _) in mask.row(y).iter().enumerate().filter(|&(_, &b)| b) {
                let columns = x.saturating_sub(reach)..(x + reach + 1).min(mask.width());
                if let Some(above) = y.checked_sub(dy) {
                    near.row_mut(above)[columns.clone()].fill(true);
                }
                if y + dy < mask.height() {
                    near.row_mut(y + dy)[columns].fill(true);
                }
            }
        }
    }
    near
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(serde::Deserialize)]
    struct Case {
        name: String,
        width: usize,
        height: usize,
        truth: Vec<u32>,
        found: Vec<u32>,
        adapted_rand_error: f64,
        precision: f64,
        recall: f64,
        information_by_splits: f64,
        information_by_merges: f64,
        boundary_f1: f64,
    }

    /// Values of scikit-image and SciPy, made by tests/reference/agreement.py.
    #[test]
    fn scores_agree_with_the_reference_library() {
        let cases: Vec<Case> =
            serde_json::from_str(include_str!("../../tests/reference/agreement.json")).unwrap();
        assert!(cases.len() >= 5);
        for case in cases {
            let truth = Grid::new(case.width, case.height, case.truth).unwrap();
            let found = Grid::new(case.width, case.height, case.found).unwrap();
            let pairs = pair_agreement(&truth, &found).unwrap().unwrap();
            let lost = information_lost(&truth, &found).unwrap().unwrap();
            let f1 = boundary_f1(&truth, &found, 2).unwrap().unwrap();
            for (value, expected) in [
                (pairs.error, case.adapted_rand_error),
                (pairs.kept_together, case.precision),
                (pairs.rightly_joined, case.recall),
                (lost.by_splits, case.information_by_splits),
                (lost.by_merges, case.information_by_merges),
                (f1, case.boundary_f1),
            ] {
                assert!((value - expected).abs() < 1e-9, "{}: {value} is not {expected}", case.name);
            }
        }
    }

    #[test]
    fn maps_without_anything_to_compare_have_no_score() {
        let none = Grid::filled(3, 2, 0);
        let one = Grid::filled(3, 2, 1);
        assert_eq!(pair_agreement(&none, &one).unwrap(), None);
        assert_eq!(information_lost(&none, &one).unwrap(), None);
        assert_eq!(boundary_f1(&none, &one, 2).unwrap(), None);
        assert!(pair_agreement(&Grid::filled(2, 2, 1), &one).is_err());
    }

    /// The development pictures state their intercept by the rule of drawn pictures.
    #[test]
    fn the_stated_intercepts_of_the_development_pictures_are_found_again() {
        let Some(folder) = crate::micrograph::drawn::shared_micrographs() else { return };
        let truth: std::collections::BTreeMap<String, serde_json::Value> =
            serde_json::from_str(&std::fs::read_to_string(folder.join("rendered/truth.json")).unwrap())
                .unwrap();
        for (name, values) in truth {
            let labels =
                image::open(folder.join(format!("rendered/{name}.labels.png"))).unwrap().into_luma16();
            let (width, height) = (labels.width() as usize, labels.height() as usize);
            let labels = labels.into_raw().into_iter().map(u32::from).collect();
            let labels = crate::grid::Labels::from_ids(Grid::new(width, height, labels).unwrap());
            let value = crate::phantom::truth::mean_intercept_px(&labels).unwrap();
            let stated = values["mean_intercept_px"].as_f64().unwrap();
            assert!((value - stated).abs() < 1e-9, "{name}: {value} is not {stated}");
        }
    }
}
