//! Where basins start: the relief that is flooded, and the bottoms of its basins.

use rayon::prelude::*;

use super::distance::squared_distance;
use crate::grid::{Grid, Labels};

/// Distances to a boundary beyond this make a basin no deeper, so that one wide basin has one bottom.
const DEEPEST_PX: u8 = 8;

/// The boundary map with its shallow parts replaced by a slope away from what is left.
///
/// Strengths above `shallowest` stay. Everything else lies below them by the distance to the nearest such pixel or pore,
/// at most [`DEEPEST_PX`]: two grains whose boundary has a gap get two basins that meet in the gap.
pub fn relief(strength: &Grid<u8>, pores: &Labels, shallowest: u8) -> Grid<u8> {
    let open = Grid::new(
        strength.width(),
        strength.height(),
        strength.as_slice().iter().zip(pores.grid.as_slice()).map(|(&s, &p)| s <= shallowest && p == 0).collect(),
    )
    .expect("invariant: the map fills its grid");
    let distance = squared_distance(&open);
    let mut relief = strength.clone();
    relief.as_mut_slice().par_iter_mut().zip(distance.as_slice()).for_each(|(level, &squared)| {
        *level = if *level > shallowest {
            (*level).max(DEEPEST_PX + 1)
        } else {
            DEEPEST_PX - squared.isqrt().min(u32::from(DEEPEST_PX)) as u8
        };
    });
    relief
}

/// Bottoms of the relief below its boundaries: connected pixels of one level that touch no lower one.
pub fn bottoms(relief: &Grid<u8>, pores: &Labels) -> Labels {
    let width = relief.width();
    let open = |i: usize| relief.as_slice()[i] < DEEPEST_PX && pores.grid.as_slice()[i] == 0;
    let level = relief.as_slice();
    let mut ids = Grid::filled(width, relief.height(), 0u32);
    let mut parents = vec![0u32];
    for i in (0..relief.len()).filter(|&i| open(i)) {
        let left = (!i.is_multiple_of(width) && level[i - 1] == level[i]).then(|| ids.as_slice()[i - 1]).filter(|l| *l > 0);
        let up = (i >= width && level[i - width] == level[i]).then(|| ids.as_slice()[i - width]).filter(|l| *l > 0);
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
        if (x > 0 && lower(i - 1)) || (x + 1 < width && lower(i + 1)) || (i >= width && lower(i - width))
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
