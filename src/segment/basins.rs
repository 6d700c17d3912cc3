//! Basins of a boundary map: the relief that is flooded, the bottoms where water enters, and the flooding itself.

use std::sync::{Mutex, PoisonError};

use multiversion::multiversion;
use rayon::prelude::*;

use super::bottoms::bottoms;
use super::distance::shorten;
use super::watershed::{Flood, close};
use crate::grid::{Frame, Grid, Labels};
use crate::options::Connectivity;

/// Distances to a boundary beyond this make a basin no deeper, so that one wide basin has one bottom.
pub(crate) const DEEPEST_PX: u8 = 8;
/// Level of pores in the relief; no boundary is that high.
pub(crate) const PORE: u8 = 255;
/// Rows of a band and columns of a tile that are worked on at once: small enough for the cache of one core.
pub(crate) const BAND_ROWS: usize = 256;
const TILE_COLUMNS: usize = 512;
/// Rows of a band whose relief is made at once.
const RELIEF_ROWS: usize = 64;
/// Pixels around a tile that are flooded with it. Water enters basins everywhere, so it has come from nearer than this
/// before it reaches the tile; seams then fit together. The tiles do not depend on the number of threads.
pub(crate) const HALO: usize = 24;

/// Which bottoms of the relief water enters at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Springs {
    /// Only where there is no boundary.
    Open,
    /// Also in hollows among weak boundaries, once strengths are rounded to steps of this many levels.
    Hollows(u8),
}

/// Splits the solid into basins between the boundaries of a boundary map; pores stay 0.
///
/// Strengths up to `shallowest` are no boundaries. What they cover is deepened by its distance, up to 8 px, to the
/// nearest boundary or pore: two grains whose boundary has a gap become two basins that meet in the gap. Every bottom of
/// this relief that `springs` allows is a marker of a [`watershed`](super::watershed::watershed) over 4-connected pixels.
/// Labels do not ascend in raster order.
pub fn basins(strength: &Grid<u8>, pores: &Labels, shallowest: u8, springs: Springs) -> Labels {
    let relief = relief(strength, pores, shallowest);
    let bottoms = match springs {
        Springs::Open => bottoms(&relief, DEEPEST_PX),
        Springs::Hollows(step) => bottoms(&relief.map(|level| rounded(level, step)), PORE),
    };
    let mut labels = Grid::filled(strength.width(), strength.height(), 0);
    let paint = |y: usize, x: usize, row: &mut [u32]| {
        row.fill(0);
        bottoms.paint(y, x, row);
    };
    let unreached = flood_rows(&relief, paint, 0, labels.as_mut_slice());
    let mut labels = Labels { grid: labels, count: bottoms.count };
    label_unreached(&relief, &unreached, &mut labels);
    labels
}

/// Floods rows from `first` on, by tiles from there. `paint` writes the bottoms of a row from a column on. Gives back which
/// of the rows have pixels that no water reached.
pub(crate) fn flood_rows(
    relief: &Grid<u8>,
    paint: impl Fn(usize, usize, &mut [u32]) + Sync,
    first: usize,
    rows: &mut [u32],
) -> Vec<bool> {
    let width = relief.width();
    // Single tiles, for the last of larger tasks would leave all other threads waiting; so working memory is handed on from
    // task to task.
    let floods = Mutex::new(Vec::<Flood>::new());
    let lock = || floods.lock().unwrap_or_else(PoisonError::into_inner);
    let flooded = tiles(first, width, rows).into_par_iter().with_max_len(1).map(|(tile, rows)| {
        let mut flood = lock().pop().unwrap_or_default();
        let unreached = flood_tile(&mut flood, relief, &paint, tile, rows);
        lock().push(flood);
        (tile.y - first, unreached)
    });
    let unreached_of_tiles: Vec<(usize, Vec<bool>)> = flooded.collect();
    let mut unreached = vec![false; rows.len() / width];
    for (top, rows) in unreached_of_tiles {
        unreached[top..].iter_mut().zip(rows).for_each(|(any, own)| *any |= own);
    }
    unreached
}

/// The tiles that rows from `first` on are flooded by, each with its part of the rows.
fn tiles(first: usize, width: usize, rows: &mut [u32]) -> Vec<(Frame, Vec<&mut [u32]>)> {
    let mut tiles: Vec<(Frame, Vec<&mut [u32]>)> = Vec::new();
    for (y, band) in (first..).step_by(BAND_ROWS).zip(rows.chunks_mut(BAND_ROWS * width)) {
        let height = band.len() / width;
        let first_of_band = tiles.len();
        tiles.extend((0..width).step_by(TILE_COLUMNS).map(|x| {
            let frame = Frame { x, y, width: TILE_COLUMNS.min(width - x), height };
            (frame, Vec::with_capacity(height))
        }));
        for row in band.chunks_exact_mut(width) {
            let parts = row.chunks_mut(TILE_COLUMNS);
            tiles[first_of_band..].iter_mut().zip(parts).for_each(|((_, rows), part)| rows.push(part));
        }
    }
    tiles
}

fn has_unreached(ids: &[u32], levels: &[u8]) -> bool {
    ids.iter().zip(levels).fold(false, |any, (&id, &level)| any | ((id == 0) & (level != PORE)))
}

/// Solid without a bottom, such as a sliver between two pores that is boundary all over, becomes a basin of its own. Only
/// the rows that are marked `unreached` hold such pixels.
fn label_unreached(relief: &Grid<u8>, unreached: &[bool], labels: &mut Labels) {
    let (width, height) = (relief.width(), relief.height());
    let (levels, ids) = (relief.as_slice(), labels.grid.as_mut_slice());
    let mut waiting = Vec::new();
    let rows = (0..height).filter(|&y| unreached[y]);
    for start in rows.flat_map(|y| y * width..(y + 1) * width) {
        if ids[start] != 0 || levels[start] == PORE {
            continue;
        }
        labels.count += 1;
        waiting.push(start);
        while let Some(i) = waiting.pop() {
            if ids[i] != 0 || levels[i] == PORE {
                continue;
            }
            ids[i] = labels.count;
            let (x, y) = (i % width, i / width);
            waiting.extend((x > 0).then(|| i - 1));
            waiting.extend((x + 1 < width).then(|| i + 1));
            waiting.extend((y > 0).then(|| i - width));
            waiting.extend((y + 1 < height).then(|| i + width));
        }
    }
}

/// Floods a tile, and says which of its rows have pixels that no water reached.
fn flood_tile(
    flood: &mut Flood,
    relief: &Grid<u8>,
    paint: &impl Fn(usize, usize, &mut [u32]),
    tile: Frame,
    rows: Vec<&mut [u32]>,
) -> Vec<bool> {
    let width = relief.width();
    let (left, top) = (tile.x.saturating_sub(HALO), tile.y.saturating_sub(HALO));
    let part = Frame {
        x: left,
        y: top,
        width: (tile.x + tile.width + HALO).min(width) - left,
        height: (tile.y + tile.height + HALO).min(relief.height()) - top,
    };
    flood.fill(relief, part, Connectivity::Four, |y, row| {
        paint(top + y, left, row);
        close(row, &relief.row(top + y)[left..], |&level| level == PORE);
    });
    let copied = (tile.y..).zip(rows).map(|(y, row)| {
        flood.copy_row(y - top, tile.x - left, row);
        has_unreached(row, &relief.row(y)[tile.x..])
    });
    copied.collect()
}

pub(crate) fn relief(strength: &Grid<u8>, pores: &Labels, shallowest: u8) -> Grid<u8> {
    let (width, height) = (strength.width(), strength.height());
    let reach = usize::from(DEEPEST_PX);
    let mut relief = Grid::filled(width, height, 0);
    let bands = relief.as_mut_slice().par_chunks_mut(RELIEF_ROWS * width).enumerate();
    bands.for_each_init(Vec::new, |depth, (band, rows)| {
        let first = band * RELIEF_ROWS;
        let top = first.saturating_sub(reach);
        let bottom = (first + rows.len() / width + reach).min(height);
        let around = top * width..bottom * width;
        depth.resize(around.len(), 0);
        mark_open(&strength.as_slice()[around.clone()], &pores.grid.as_slice()[around], shallowest, depth);
        shorten(depth, width, DEEPEST_PX);
        let own = first * width..first * width + rows.len();
        let depth = &depth[(first - top) * width..];
        let (strength, pores) = (&strength.as_slice()[own.clone()], &pores.grid.as_slice()[own]);
        set_levels((strength, pores, depth), shallowest, rows);
    });
    relief
}

/// [`DEEPEST_PX`] where neither a boundary nor a pore is, else 0.
#[multiversion(targets("x86_64+avx2"))]
fn mark_open(strength: &[u8], pores: &[u32], shallowest: u8, open: &mut [u8]) {
    for ((open, &strength), &pore) in open.iter_mut().zip(strength).zip(pores) {
        *open = if (strength <= shallowest) & (pore == 0) { DEEPEST_PX } else { 0 };
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn set_levels((strength, pores, depth): (&[u8], &[u32], &[u8]), shallowest: u8, levels: &mut [u8]) {
    for (((level, &strength), &pore), &depth) in levels.iter_mut().zip(strength).zip(pores).zip(depth) {
        let solid = level_of(strength, depth, shallowest);
        *level = if pore != 0 { PORE } else { solid };
    }
}

#[inline]
fn level_of(strength: u8, depth: u8, shallowest: u8) -> u8 {
    if strength > shallowest { strength.clamp(DEEPEST_PX + 1, PORE - 1) } else { DEEPEST_PX - depth }
}

/// Levels of boundaries in steps; open ground and pores as they are.
fn rounded(level: u8, step: u8) -> u8 {
    let lowest = DEEPEST_PX + 1;
    if level == PORE || level < lowest { level } else { lowest + (level - lowest) / step.max(1) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::watershed::watershed;

    fn no_pores(width: usize, height: usize) -> Labels {
        Labels { grid: Grid::filled(width, height, 0), count: 0 }
    }

    #[test]
    fn a_gap_in_a_boundary_does_not_join_two_basins() {
        let strength = Grid::from_fn(40, 21, |x, y| if x == 20 && !(9..12).contains(&y) { 200 } else { 0 });
        let found = basins(&strength, &no_pores(40, 21), 30, Springs::Open);
        assert_ne!(found.grid.at(10, 10), found.grid.at(30, 10));
        assert_eq!(found.grid.at(18, 10), found.grid.at(10, 10));
        assert_eq!(found.grid.at(22, 10), found.grid.at(30, 10));
    }

    #[test]
    fn a_hollow_among_weak_boundaries_is_a_basin_if_asked_for() {
        // Two boundaries of 120 with a hollow of 60 between them, which no open ground reaches.
        let strength = Grid::from_fn(41, 9, |x, _| match x {
            17 | 23 => 120,
            18..=22 => 60,
            _ => 0,
        });
        let count = |springs| {
            let mut found: Vec<u32> = basins(&strength, &no_pores(41, 9), 30, springs).grid.into_vec();
            found.sort_unstable();
            found.dedup();
            found.len()
        };
        assert_eq!(
            // In steps of 112 levels 60 and 120 are the same.
            (count(Springs::Open), count(Springs::Hollows(11)), count(Springs::Hollows(112))),
            (2, 3, 2)
        );
    }

    #[test]
    fn solid_without_a_bottom_is_a_basin_of_its_own_and_pores_are_none() {
        let pores = Labels::from_ids(Grid::from_fn(9, 3, |x, _| u32::from(x == 3 || x == 5)));
        let strength = Grid::from_fn(9, 3, |x, _| if x == 4 { 90 } else { 0 });
        let found = basins(&strength, &pores, 30, Springs::Open).grid;
        assert!(found.as_slice().iter().zip(pores.grid.as_slice()).all(|(l, p)| (*l == 0) == (*p != 0)));
        assert!(
            found.at(4, 0) == found.at(4, 2)
                && found.at(4, 1) != found.at(0, 1)
                && found.at(4, 1) != found.at(8, 1)
        );
    }

    #[test]
    fn tiles_give_what_one_flood_of_the_whole_picture_gives() {
        let (width, height) = (2 * TILE_COLUMNS + 100, 2 * BAND_ROWS + 50);
        // Wavy lines of varying strength about 30 px apart.
        let strength = Grid::from_fn(width, height, |x, y| {
            let (x, y) = (x as f64, y as f64);
            let line = |t: f64| (1.0 - (t.rem_euclid(30.0) - 15.0).abs() / 3.0).max(0.0);
            let (one, two) = (line(x + 6.0 * (y / 17.0).sin()), line(y + x / 7.0 + 5.0 * (x / 23.0).cos()));
            (one.max(two) * (120.0 + 100.0 * (x / 41.0 + y / 57.0).sin())) as u8
        });
        let pores =
            Labels::from_ids(Grid::from_fn(width, height, |x, y| u32::from(x % 97 < 9 && y % 89 < 7)));
        let relief = relief(&strength, &pores, 30);
        let runs = bottoms(&relief, DEEPEST_PX);
        let mut bottoms = no_pores(width, height);
        (0..height).for_each(|y| runs.paint(y, 0, bottoms.grid.row_mut(y)));
        let solid = relief.map(|level| level != PORE);
        let whole = watershed(&relief, &bottoms, Some(&solid), Connectivity::Four);
        assert_eq!(basins(&strength, &pores, 30, Springs::Open).grid, whole.grid);
    }
}
