//! The scale that grains are found at: finer sampled pictures are reduced until their boundaries are clearest.
//!
//! The line and step filters look over a few pixels. In a picture that is sampled more finely than its grooves need,
//! they see the texture inside grains and both flanks of a groove instead, and split grains.

use rayon::prelude::*;

use super::denoise::median3;
use super::edges::edges;
use super::grains::{GrainMap, SMALLEST_PX, find_at_scale, mean_strength};
use super::label::{Keep, label_kept};
use super::watershed::watershed;
use crate::grid::{Frame, Grid, Labels, Mask};
use crate::options::{BoundaryMethod, Connectivity, GrainOptions};

/// Factors that a picture may be reduced by.
const FACTORS: [usize; 3] = [2, 3, 4];
/// Factors are tried on the middle of the picture, this wide and high at most.
const TRIED_PX: usize = 600;
/// Reduced pictures below this are too small to tell.
const LEAST_SIDE_PX: usize = 140;
/// Boundaries of this mean strength are clear enough not to look further.
const CLEAR: f64 = 0.62;
/// A larger factor is taken if it loses no more mean strength than this: it averages more noise and texture away.
const MOST_LOSS: f64 = 0.04;

/// Finds grains at the scale at which boundaries are clearest, and gives them at the scale of the picture.
///
/// The mean strength of the boundaries that are kept tells: false boundaries inside grains are weak. On drawn and
/// real-looking pictures with known grains, sampled up to three times too finely, the factor of the largest mean
/// strength was the one with the right mean intercept. Larger factors are tried as long as they lose little. Steps in
/// grey (`gradient`) stay at the scale of the picture: averaging makes faint ones clearer and loses the small grains.
pub(super) fn find_at_best_scale(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> GrainMap {
    let middle = middle(picture.width(), picture.height());
    let whole = middle.width == picture.width() && middle.height == picture.height();
    let (part, part_pores) =
        (picture.cropped(middle), Labels { grid: pores.grid.cropped(middle), count: pores.count });
    let here = find_at_scale(&part, &part_pores, options);
    let factor = best_factor(&here, &part, &part_pores, options);
    match (factor, whole) {
        (1, true) => here,
        (1, false) => find_at_scale(picture, pores, options),
        (factor, _) => {
            let reduced = find_at_scale(&reduced(picture, factor), &reduced_pores(pores, factor), options);
            restored(reduced, pores, factor)
        }
    }
}

/// The part of a picture of this size on which factors are tried.
pub(crate) fn middle(whole_width: usize, whole_height: usize) -> Frame {
    let (width, height) = (whole_width.min(TRIED_PX), whole_height.min(TRIED_PX));
    Frame { x: (whole_width - width) / 2, y: (whole_height - height) / 2, width, height }
}

/// The factor that suits a picture, from its middle and the pores there.
pub(crate) fn factor_by_middle(middle: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> usize {
    best_factor(&find_at_scale(middle, pores, options), middle, pores, options)
}

/// The factor of the clearest boundaries; 1 where they are clear as they are, or carry no result.
fn best_factor(here: &GrainMap, picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> usize {
    let (mut best, mut strength) = (1, here.mean_boundary_strength);
    if options.method != BoundaryMethod::Ridge || !here.reliable || strength >= CLEAR {
        return best;
    }
    for factor in FACTORS {
        if picture.width().min(picture.height()) / factor < LEAST_SIDE_PX {
            break;
        }
        let there = find_at_scale(&reduced(picture, factor), &reduced_pores(pores, factor), options);
        if !there.reliable || there.mean_boundary_strength < strength - MOST_LOSS {
            break;
        }
        (best, strength) = (factor, strength.max(there.mean_boundary_strength));
    }
    best
}

/// The picture in blocks of `factor` by `factor` px, with the same median filter as pictures at their own scale.
fn reduced(picture: &Grid<u8>, factor: usize) -> Grid<u8> {
    median3(&block_means(picture, factor))
}

/// Means over blocks, rounded; blocks at the right and lower rim may be smaller.
fn block_means(picture: &Grid<u8>, factor: usize) -> Grid<u8> {
    in_blocks(picture, factor, |block| {
        let (sum, count) = block.fold((0u32, 0u32), |(sum, count), grey| (sum + u32::from(grey), count + 1));
        ((sum + count / 2) / count) as u8
    })
}

/// A block is pore where half of it or more is.
fn reduced_pores(pores: &Labels, factor: usize) -> Labels {
    let grid = in_blocks(&pores.grid, factor, |block| {
        let (mut inside, mut count, mut largest) = (0, 0, 0);
        for label in block {
            count += 1;
            inside += usize::from(label != 0);
            largest = largest.max(label);
        }
        if 2 * inside >= count { largest } else { 0 }
    });
    Labels { grid, count: pores.count }
}

fn in_blocks<T: Copy + Send + Sync>(
    grid: &Grid<T>,
    factor: usize,
    value: impl Fn(&mut dyn Iterator<Item = T>) -> T + Sync,
) -> Grid<T> {
    let (width, height) = (grid.width().div_ceil(factor), grid.height().div_ceil(factor));
    let data: Vec<T> = (0..height)
        .into_par_iter()
        .flat_map_iter(|y| {
            let value = &value;
            let rows = y * factor..((y + 1) * factor).min(grid.height());
            (0..width).map(move |x| {
                let columns = x * factor..((x + 1) * factor).min(grid.width());
                value(&mut rows.clone().flat_map(|row| grid.row(row)[columns.clone()].iter().copied()))
            })
        })
        .collect();
    Grid::new(width, height, data).expect("invariant: one value for each block")
}

/// Brings a map found on a reduced picture back to the picture: labels are kept away from boundaries, and the band
/// between them is flooded on the enlarged boundary map, so that boundaries follow its crests.
fn restored(found: GrainMap, pores: &Labels, factor: usize) -> GrainMap {
    let strength = enlarged(&found.boundaries, pores.grid.width(), pores.grid.height(), factor);
    let markers = markers(&found.labels, pores, factor);
    let solid: Mask = pores.grid.map(|pore| pore == 0);
    let flooded = watershed(&strength, &markers, Some(&solid), Connectivity::Four);
    let labels = with_islands(flooded, &solid, SMALLEST_PX as u32 * (factor * factor) as u32);
    let edges = edges(&labels, &strength, u8::MAX);
    GrainMap { mean_boundary_strength: mean_strength(&edges), boundaries: strength, edges, labels, ..found }
}

/// Labels of blocks whose neighbours are of the same grain or pore, in every solid pixel of the block.
fn markers(labels: &Labels, pores: &Labels, factor: usize) -> Labels {
    let blocks = &labels.grid;
    let (last_x, last_y) = (blocks.width() - 1, blocks.height() - 1);
    let inner = |x: usize, y: usize| {
        let own = blocks.at(x, y);
        let around = [
            blocks.at(x.saturating_sub(1), y),
            blocks.at((x + 1).min(last_x), y),
            blocks.at(x, y.saturating_sub(1)),
            blocks.at(x, (y + 1).min(last_y)),
        ];
        if around.iter().all(|&other| other == own || other == 0) { own } else { 0 }
    };
    let kept = Grid::from_fn(blocks.width(), blocks.height(), inner);
    // A grain without an inner block keeps all of its blocks.
    let mut has_inner = vec![false; labels.count as usize + 1];
    kept.as_slice().iter().for_each(|&label| has_inner[label as usize] = true);
    let grid = Grid::from_fn(pores.grid.width(), pores.grid.height(), |x, y| {
        let (bx, by) = (x / factor, y / factor);
        let own = blocks.at(bx, by);
        let label = if has_inner[own as usize] { kept.at(bx, by) } else { own };
        if pores.grid.at(x, y) == 0 { label } else { 0 }
    });
    Labels { grid, count: labels.count }
}

/// Gives solid that no marker reached labels of its own if it has `smallest_px` or more in one piece, and numbers all in raster
/// order.
fn with_islands(flooded: Labels, solid: &Mask, smallest_px: u32) -> Labels {
    let missed =
        Grid::from_fn(solid.width(), solid.height(), |x, y| solid.at(x, y) && flooded.grid.at(x, y) == 0);
    if !missed.as_slice().contains(&true) {
        return Labels::from_ids(flooded.grid);
    }
    let (islands, _) = label_kept(&missed, Connectivity::Four, Keep { smallest_px, dark: None });
    let mut ids = flooded.grid;
    for (id, &island) in ids.as_mut_slice().iter_mut().zip(islands.grid.as_slice()) {
        if island != 0 {
            *id = flooded.count + island;
        }
    }
    Labels::from_ids(ids)
}

/// Linear interpolation between the centres of blocks, in 1/(2·factor) of a block.
fn enlarged(small: &Grid<u8>, width: usize, height: usize, factor: usize) -> Grid<u8> {
    let parts = 2 * factor;
    let span = |i: usize, last: usize| {
        let place = (2 * i + 1).saturating_sub(factor);
        let (below, part) = (place / parts, place % parts);
        (below.min(last), (below + 1).min(last), part as u32)
    };
    let (last_x, last_y) = (small.width() - 1, small.height() - 1);
    let columns: Vec<_> = (0..width).map(|x| span(x, last_x)).collect();
    let whole = parts as u32;
    let data: Vec<u8> = (0..height)
        .into_par_iter()
        .flat_map_iter(|y| {
            let (upper, lower, down) = span(y, last_y);
            let (upper, lower) = (small.row(upper), small.row(lower));
            columns.iter().map(move |&(left, right, across)| {
                let along =
                    |row: &[u8]| u32::from(row[left]) * (whole - across) + u32::from(row[right]) * across;
                ((along(upper) * (whole - down) + along(lower) * down + whole * whole / 2) / (whole * whole))
                    as u8
            })
        })
        .collect();
    Grid::new(width, height, data).expect("invariant: one value for each pixel")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_averaged_and_rims_may_be_narrow() {
        let picture = Grid::new(3, 2, vec![10, 20, 7, 30, 40, 9]).unwrap();
        assert_eq!(block_means(&picture, 2).as_slice(), [25, 8]);
        let pores = Labels { grid: Grid::new(3, 2, vec![1, 1, 0, 0, 0, 2]).unwrap(), count: 2 };
        assert_eq!(reduced_pores(&pores, 2).grid.as_slice(), [1, 2]);
    }

    #[test]
    fn an_even_map_stays_even_and_a_ramp_stays_straight() {
        let even = Grid::filled(4, 3, 99u8);
        assert!(enlarged(&even, 11, 9, 3).as_slice().iter().all(|&v| v == 99));
        let ramp = Grid::from_fn(5, 1, |x, _| (40 * x) as u8);
        let large = enlarged(&ramp, 10, 2, 2);
        assert_eq!(large.row(0), [0, 10, 30, 50, 70, 90, 110, 130, 150, 160]);
    }

    #[test]
    fn a_restored_map_covers_the_solid_but_for_a_speck() {
        // Two grains, a pore across part of their boundary, and a speck of solid within the pore.
        let (width, height, factor) = (41, 30, 3);
        let pore = |x: usize, y: usize| (12..30).contains(&x) && (9..21).contains(&y);
        let speck = |x: usize, y: usize| (20..22).contains(&x) && (14..16).contains(&y);
        let is_pore = |x, y| u32::from(pore(x, y) && !speck(x, y));
        let pores = Labels { grid: Grid::from_fn(width, height, is_pore), count: 1 };
        let small = reduced_pores(&pores, factor);
        let halves = Grid::from_fn(small.grid.width(), small.grid.height(), |x, y| {
            if small.grid.at(x, y) > 0 { 0 } else { 1 + u32::from(x >= 7) }
        });
        let boundary =
            Grid::from_fn(halves.width(), halves.height(), |x, _| if x.abs_diff(7) < 1 { 200 } else { 10 });
        let found = GrainMap {
            labels: Labels::from_ids(halves),
            boundaries: boundary,
            mean_boundary_strength: 0.5,
            edges: Vec::new(),
            likely: None,
            reliable: true,
            warnings: Vec::new(),
        };
        let restored = restored(found, &pores, factor);
        for y in 0..height {
            for x in 0..width {
                assert_eq!(restored.labels.grid.at(x, y) == 0, pore(x, y), "{x} {y}");
            }
        }
        assert_eq!(restored.labels.count, 2);
        assert_eq!(restored.edges.len(), 1);
    }

    #[test]
    fn solid_that_no_marker_reached_is_a_grain_if_it_is_large_enough() {
        let solid = Grid::from_fn(9, 5, |x, _| x != 2 && x != 6);
        let flooded = Labels { grid: Grid::from_fn(9, 5, |x, _| u32::from(x > 6)), count: 1 };
        let with = |smallest_px| with_islands(flooded.clone(), &solid, smallest_px);
        let (both, one) = (with(10), with(11));
        assert_eq!(both.grid.row(4), [1, 1, 0, 2, 2, 2, 0, 3, 3]);
        assert_eq!(one.grid.row(4), [0, 0, 0, 1, 1, 1, 0, 2, 2]);
        assert_eq!((both.count, one.count), (3, 2));
    }
}
