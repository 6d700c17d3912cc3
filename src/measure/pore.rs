//! Where each pore sits among the grains.

use std::ops::Range;

use rayon::prelude::*;

use crate::grid::{Grid, Labels};
use crate::measure::pull_out::{GrainRange, Greys, Scratches, Surroundings, areas};
use crate::measure::region::Region;
use crate::study::result::{Pore, PorePlace};

/// Pixels of a row that are passed at once if there is no pore.
const STRETCH_PX: usize = 32;
/// Pores that one task judges at most.
const PORES_OF_TASK: usize = 64;

/// Adds to each region of `pores` its place among the `grains`, and whether it looks like pull-out.
///
/// Place is the number of different grains that share an edge with the pore: one, inside a grain; two, on a boundary;
/// three or more, at a junction; none or no grains at all, unknown. `grains` is 0 in pores.
///
/// A void looks like a pulled-out grain if it is as large as a grain (0.5 to 4 times the median grain area) and is
/// either angular (convex with few straight sides) or attached to a straight scratch that is longer than two grains and
/// ends in the void: one that goes on behind it only passes. The rule is on the careful side: round pores, and pores
/// with the hollow sides that surface tension gives them at junctions, are never flagged for their shape, however
/// large; small ones are never flagged at all.
///
/// # References
/// The signs of pull-out are common practice in ceramography; the limits are this program's own.
pub fn pores(pores: &Labels, regions: Vec<Region>, grains: Option<&Labels>, picture: &Grid<u8>) -> Vec<Pore> {
    let places = grains.map(|grains| places(pores, grains));
    let range = grains.and_then(|grains| GrainRange::of(&areas(grains)));
    let scratches = &Scratches::at(Greys::of(&pores.grid, picture).contrast());
    let size = (picture.width(), picture.height());
    let field = Surroundings { pores: &pores.grid, picture, corner: (0, 0), size, scratches };
    // Few of them are looked at closely, and those may lie side by side.
    regions
        .into_par_iter()
        .with_max_len(PORES_OF_TASK)
        .map(|region| {
            let place = places.as_ref().map_or(PorePlace::Unknown, |places| places[region.label as usize]);
            let pull_out = range
                .as_ref()
                .is_some_and(|range| range.may_be_grain(&region) && field.looks_pulled_out(&region, range));
            Pore { region, place, pull_out }
        })
        .collect()
}

/// Place of each pore by label.
fn places(pores: &Labels, grains: &Labels) -> Vec<PorePlace> {
    let mut contacts = contacts_of_rows(pores, grains, 0..pores.grid.height());
    places_of(&mut contacts, pores.count)
}

/// Pairs of pore and grain that share an edge within some rows or between them and the next ones, some more than once.
pub(crate) fn contacts_of_rows(pores: &Labels, grains: &Labels, rows: Range<usize>) -> Vec<(u32, u32)> {
    rows.into_par_iter()
        .flat_map_iter(|y| {
            let mut contacts = Vec::new();
            row_contacts(pores, grains, y, &mut contacts);
            contacts
        })
        .collect()
}

/// Place of each of `count` pores by label, from what they share an edge with.
pub(crate) fn places_of(contacts: &mut Vec<(u32, u32)>, count: u32) -> Vec<PorePlace> {
    contacts.par_sort_unstable();
    contacts.dedup();
    let mut counts = vec![0u32; count as usize + 1];
    contacts.iter().for_each(|&(pore, _)| counts[pore as usize] += 1);
    counts
        .into_iter()
        .map(|grains| match grains {
            0 => PorePlace::Unknown,
            1 => PorePlace::InsideGrain,
            2 => PorePlace::OnBoundary,
            _ => PorePlace::AtJunction,
        })
        .collect()
}

/// Pairs of pore and grain that share an edge in row `y` or between it and the next.
fn row_contacts(pores: &Labels, grains: &Labels, y: usize, contacts: &mut Vec<(u32, u32)>) {
    let mut meet = |pore: u32, grain: u32| {
        if pore != 0 && grain != 0 && contacts.last() != Some(&(pore, grain)) {
            contacts.push((pore, grain));
        }
    };
    let (pore_row, grain_row) = (pores.grid.row(y), grains.grid.row(y));
    let next = (y + 1).min(pores.grid.height() - 1);
    let (next_pores, next_grains) = (pores.grid.row(next), grains.grid.row(next));
    let width = pore_row.len();
    let empty = |row: &[u32]| row.iter().fold(0, |any, &label| any | label) == 0;
    // Most stretches have no pore; they are passed as a whole.
    for from in (0..width).step_by(STRETCH_PX) {
        let to = (from + STRETCH_PX).min(width);
        if empty(&pore_row[from.saturating_sub(1)..to]) && empty(&next_pores[from..to]) {
            continue;
        }
        for x in from.max(1)..to {
            meet(pore_row[x - 1], grain_row[x]);
            meet(pore_row[x], grain_row[x - 1]);
        }
        for x in from..to {
            meet(pore_row[x], next_grains[x]);
            meet(next_pores[x], grain_row[x]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Mask;
    use crate::measure::region::regions;
    use crate::options::Connectivity;
    use crate::segment::label::label;
    use crate::units::Spacing;

    /// Square grains of 40 px, and a mask of voids.
    fn measured(voids: &Mask, scratch: impl Fn(usize, usize) -> bool) -> Vec<Pore> {
        let grains = Grid::from_fn(voids.width(), voids.height(), |x, y| {
            if voids.at(x, y) { 0 } else { (y / 40 * 10 + x / 40 + 1) as u32 }
        });
        let picture = Grid::from_fn(voids.width(), voids.height(), |x, y| {
            if voids.at(x, y) { 30 } else { 140 - if scratch(x, y) { 30 } else { 0 } }
        });
        let labels = label(voids, Connectivity::Eight);
        let regions = regions(&labels, Spacing::PIXELS);
        pores(&labels, regions, Some(&Labels::from_ids(grains)), &picture)
    }

    fn disc(x: f64, y: f64, radius: f64) -> impl Fn(usize, usize) -> bool {
        move |u, v| (u as f64 - x).hypot(v as f64 - y) <= radius
    }

    fn voids(inside: impl Fn(usize, usize) -> bool) -> Mask {
        Grid::from_fn(400, 400, inside)
    }

    #[test]
    fn a_pore_sits_in_a_grain_on_a_boundary_or_at_a_junction() {
        let inside = disc(60.0, 60.0, 8.0);
        let boundary = disc(160.0, 60.0, 8.0);
        let junction = disc(280.0, 280.0, 8.0);
        let found = measured(&voids(|x, y| inside(x, y) || boundary(x, y) || junction(x, y)), |_, _| false);
        let places: Vec<PorePlace> = found.iter().map(|pore| pore.place).collect();
        assert_eq!(places, [PorePlace::InsideGrain, PorePlace::OnBoundary, PorePlace::AtJunction]);
    }

    #[test]
    fn without_grains_place_is_unknown_and_nothing_is_pull_out() {
        let labels = label(&voids(|x, y| x / 40 == 3 && y / 40 == 3), Connectivity::Eight);
        let regions = regions(&labels, Spacing::PIXELS);
        let found = pores(&labels, regions, None, &Grid::filled(400, 400, 100));
        assert_eq!((found[0].place, found[0].pull_out), (PorePlace::Unknown, false));
    }

    #[test]
    fn a_missing_grain_is_pull_out() {
        let found = measured(&voids(|x, y| x / 40 == 3 && y / 40 == 3), |_, _| false);
        assert!(found[0].pull_out);
    }

    #[test]
    fn a_round_pore_as_large_as_a_grain_is_not_pull_out() {
        for radius in [14.0, 18.0, 22.6, 23.4] {
            let round = disc(200.3, 200.6, radius);
            assert!(!measured(&voids(round), |_, _| false)[0].pull_out, "radius {radius}");
        }
    }

    #[test]
    fn a_pore_with_hollow_sides_is_not_pull_out() {
        // Between three touching discs: the shape that surface tension gives a junction pore.
        let [a, b, c] = [(200.0, 120.0), (130.7, 240.0), (269.3, 240.0)].map(|(x, y)| disc(x, y, 69.3));
        let triangle = |x: usize, y: usize| {
            let (u, v) = (x as f64 - 200.0, y as f64 - 120.0);
            v < 120.0 && u.abs() * 1.732 < v
        };
        let mask = voids(|x, y| triangle(x, y) && !a(x, y) && !b(x, y) && !c(x, y));
        let found = measured(&mask, |_, _| false);
        assert!(found.iter().any(|pore| pore.region.area_px > 500));
        assert!(found.iter().all(|pore| !pore.pull_out));
    }

    #[test]
    fn a_small_square_pore_is_not_pull_out() {
        let found = measured(&voids(|x, y| (105..115).contains(&x) && (105..115).contains(&y)), |_, _| false);
        assert!(!found[0].pull_out);
    }

    #[test]
    fn a_round_void_at_the_end_of_a_scratch_is_pull_out() {
        let round = disc(200.3, 200.6, 22.8);
        let scratch = |x: usize, y: usize| x > 200 && (2 * y).abs_diff(x + 180) <= 2;
        assert!(measured(&voids(&round), scratch)[0].pull_out);
        // A boundary that turns after one grain is not a scratch.
        let short = |x: usize, y: usize| scratch(x, y) && x < 250;
        assert!(!measured(&voids(&round), short)[0].pull_out);
    }

    #[test]
    fn a_scratch_that_passes_a_round_void_is_no_sign_of_pull_out() {
        let round = disc(200.3, 200.6, 22.8);
        let scratch = |x: usize, y: usize| (2 * y).abs_diff(x + 180) <= 2;
        assert!(!measured(&voids(&round), scratch)[0].pull_out);
    }
}
