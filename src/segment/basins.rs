//! Basins of a boundary map: the relief that is flooded, the bottoms where water enters, and the flooding itself.

use rayon::prelude::*;

use super::distance::squared_distance;
use super::watershed::watershed;
use crate::grid::{Frame, Grid, Labels};
use crate::options::Connectivity;

/// Distances to a boundary beyond this make a basin no deeper, so that one wide basin has one bottom.
const DEEPEST_PX: u8 = 8;
/// Rows of a band and columns of a tile that are worked on at once: small enough for the cache of one core.
const BAND_ROWS: usize = 256;
const TILE_COLUMNS: usize = 512;
/// Pixels around a tile that are flooded with it. Water enters basins everywhere, so it has come from nearer than this
/// before it reaches the tile; seams then fit together. The tiles do not depend on the number of threads.
const HALO: usize = 24;

/// Splits the solid into basins between the boundaries of a boundary map; pores stay 0.
///
/// Strengths up to `shallowest` are no boundaries. What they cover is deepened by its distance, up to 8 px, to the
/// nearest boundary or pore: two grains whose boundary has a gap become two basins that meet in the gap. Every bottom of
/// this relief is a marker of a [`watershed`] over 4-connected pixels. Labels do not ascend in raster order.
pub fn basins(strength: &Grid<u8>, pores: &Labels, shallowest: u8) -> Labels {
    let relief = relief(strength, pores, shallowest);
    let bottoms = bottoms(&relief, pores);
    let width = strength.width();
    let mut labels = Grid::filled(width, strength.height(), 0);
    labels.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, rows)| {
        for x in (0..width).step_by(TILE_COLUMNS) {
            let tile = Frame {
                x,
                y: band * BAND_ROWS,
                width: TILE_COLUMNS.min(width - x),
                height: rows.len() / width,
            };
            flood_tile(&relief, &bottoms, pores, tile, rows);
        }
    });
    Labels { grid: labels, count: bottoms.count }
}

fn flood_tile(relief: &Grid<u8>, bottoms: &Labels, pores: &Labels, tile: Frame, rows: &mut [u32]) {
    let width = relief.width();
    let (left, top) = (tile.x.saturating_sub(HALO), tile.y.saturating_sub(HALO));
    let frame = Frame {
        x: left,
        y: top,
        width: (tile.x + tile.width + HALO).min(width) - left,
        height: (tile.y + tile.height + HALO).min(relief.height()) - top,
    };
    let markers = Labels { grid: bottoms.grid.cropped(frame), count: bottoms.count };
    let solid = pores.grid.cropped(frame).map(|label| label == 0);
    let flooded = watershed(&relief.cropped(frame), &markers, Some(&solid), Connectivity::Four);
    for y in 0..tile.height {
        let source = &flooded.grid.row(y + tile.y - top)[tile.x - left..][..tile.width];
        rows[y * width + tile.x..][..tile.width].copy_from_slice(source);
    }
}

fn relief(strength: &Grid<u8>, pores: &Labels, shallowest: u8) -> Grid<u8> {
    let (width, height) = (strength.width(), strength.height());
    let reach = usize::from(DEEPEST_PX);
    let mut relief = strength.clone();
    relief.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, rows)| {
        let first = band * BAND_ROWS;
        let top = first.saturating_sub(reach);
        let bottom = (first + rows.len() / width + reach).min(height);
        let open = Grid::from_fn(width, bottom - top, |x, y| {
            strength.at(x, y + top) <= shallowest && pores.grid.at(x, y + top) == 0
        });
        let distance = squared_distance(&open);
        for (level, &squared) in rows.iter_mut().zip(&distance.as_slice()[(first - top) * width..]) {
            *level = level_of(*level, squared, shallowest);
        }
    });
    relief
}

fn level_of(strength: u8, squared_distance: u32, shallowest: u8) -> u8 {
    if strength > shallowest {
        strength.max(DEEPEST_PX + 1)
    } else if squared_distance >= u32::from(DEEPEST_PX).pow(2) {
        0
    } else {
        DEEPEST_PX - squared_distance.isqrt() as u8
    }
}

/// Connected open pixels of one level that touch no lower one.
fn bottoms(relief: &Grid<u8>, pores: &Labels) -> Labels {
    let width = relief.width();
    let open = |i: usize| relief.as_slice()[i] < DEEPEST_PX && pores.grid.as_slice()[i] == 0;
    let level = relief.as_slice();
    let mut ids = Grid::filled(width, relief.height(), 0u32);
    let mut parents = vec![0u32];
    for i in (0..relief.len()).filter(|&i| open(i)) {
        let left = (!i.is_multiple_of(width) && level[i - 1] == level[i])
            .then(|| ids.as_slice()[i - 1])
            .filter(|l| *l > 0);
        let up =
            (i >= width && level[i - width] == level[i]).then(|| ids.as_slice()[i - width]).filter(|l| *l > 0);
        ids.as_mut_slice()[i] = match (left, up) {
            (None, None) => {
                parents.push(parents.len() as u32);
                parents.len() as u32 - 1
            }
            (Some(a), None) | (None, Some(a)) => a,
            (Some(a), Some(b)) => join(&mut parents, a, b),
        };
    }
    let mut has_lower = vec![false; parents.len()];
    for i in (0..relief.len()).filter(|&i| open(i)) {
        let lower = |j: usize| open(j) && level[j] < level[i];
        let x = i % width;
        if (x > 0 && lower(i - 1))
            || (x + 1 < width && lower(i + 1))
            || (i >= width && lower(i - width))
            || (i + width < relief.len() && lower(i + width))
        {
            has_lower[root(&mut parents, ids.as_slice()[i]) as usize] = true;
        }
    }
    let mut numbers = vec![0u32; parents.len()];
    let mut count = 0;
    for id in ids.as_mut_slice().iter_mut().filter(|id| **id > 0) {
        let root = root(&mut parents, *id) as usize;
        if numbers[root] == 0 && !has_lower[root] {
            count += 1;
            numbers[root] = count;
        }
        *id = numbers[root];
    }
    Labels { grid: ids, count }
}

fn root(parents: &mut [u32], mut id: u32) -> u32 {
    while parents[id as usize] != id {
        parents[id as usize] = parents[parents[id as usize] as usize];
        id = parents[id as usize];
    }
    id
}

fn join(parents: &mut [u32], a: u32, b: u32) -> u32 {
    let (a, b) = (root(parents, a), root(parents, b));
    let (low, high) = (a.min(b), a.max(b));
    parents[high as usize] = low;
    low
}
