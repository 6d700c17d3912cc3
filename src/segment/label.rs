//! Connected regions of a mask, by runs and union-find.

use std::ops::Range;

use rayon::prelude::*;

use crate::grid::{Grid, Labels, Mask};
use crate::options::Connectivity;
use crate::segment::runs::{BAND_ROWS, Run, Runs};

/// Numbers the connected regions of `mask` from 1 in raster order of their first pixel.
///
/// The labels are the same for any number of threads.
///
/// # References
/// L. He, Y. Chao, K. Suzuki, IEEE Trans. Image Process. 17 (2008) 749 (runs and equivalences; from memory).
///
/// ```
/// use ceramograph::{grid::Grid, options::Connectivity, segment::label::label};
/// let mask = Grid::new(3, 2, vec![true, false, true, false, true, false]).unwrap();
/// assert_eq!(label(&mask, Connectivity::Four).grid.as_slice(), [1, 0, 2, 0, 3, 0]);
/// assert_eq!(label(&mask, Connectivity::Eight).grid.as_slice(), [1, 0, 1, 0, 1, 0]);
/// ```
pub fn label(mask: &Mask, connectivity: Connectivity) -> Labels {
    label_kept(mask, connectivity, Keep::default()).0
}

/// Which regions are kept; by default all.
#[derive(Clone, Copy, Debug, Default)]
pub struct Keep<'a> {
    /// Those of at least as many pixels.
    pub smallest_px: u32,
    /// Those with at least one pixel of this picture at or below this grey; all, if there is none.
    pub dark: Option<(&'a Grid<u8>, u8)>,
}

/// As [`label`], for the regions that are kept only; also returns the pixels of all others.
pub fn label_kept(mask: &Mask, connectivity: Connectivity, keep: Keep) -> (Labels, u64) {
    let runs = Runs::of((mask.width(), mask.height()), |y, row| row.copy_from_slice(mask.row(y)));
    let (numbers, count, dropped_px) = runs.numbers(&runs.roots(connectivity), keep);
    let labelled = LabelledRuns { runs, numbers, count };
    (labelled.painted(mask.width()), dropped_px)
}

/// Pixels in regions that [`label_kept`] would keep, of a mask of `size` columns and rows that is never there as a whole:
/// `write` writes a row of it.
pub(super) fn area_kept(
    size: (usize, usize),
    write: impl Fn(usize, &mut [bool]) + Sync,
    connectivity: Connectivity,
    keep: Keep,
) -> u64 {
    let runs = Runs::of(size, write);
    let (_, _, dropped_px) = runs.numbers(&runs.roots(connectivity), keep);
    runs.runs.iter().map(|run| u64::from(run.end - run.start)).sum::<u64>() - dropped_px
}

/// A connected region by the box around it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct RegionBox {
    pub(crate) columns: Range<usize>,
    pub(crate) rows: Range<usize>,
    /// Pixels of the region itself.
    pub(crate) pixels: usize,
}

/// Every region, in the order of [`label`], of a mask of `size` columns and rows that is never there as a whole: `write` writes a
/// row of it.
pub(crate) fn boxes(
    size: (usize, usize),
    write: impl Fn(usize, &mut [bool]) + Sync,
    connectivity: Connectivity,
) -> Vec<RegionBox> {
    let runs = Runs::of(size, write);
    let (numbers, count) = numbered(&runs.roots(connectivity), |_| true);
    let mut boxes = Vec::with_capacity(count as usize);
    for y in 0..runs.height() {
        for run in runs.row(y) {
            let (start, end) = (runs.runs[run].start as usize, runs.runs[run].end as usize);
            let number = numbers[run] as usize;
            if number > boxes.len() {
                boxes.push(RegionBox { columns: start..end, rows: y..y, pixels: 0 });
            }
            let RegionBox { columns, rows, pixels } = &mut boxes[number - 1];
            *columns = columns.start.min(start)..columns.end.max(end);
            rows.end = y + 1;
            *pixels += end - start;
        }
    }
    boxes
}

/// Numbered regions as runs, which take a small part of the memory of a label map where most pixels are background.
pub(super) struct LabelledRuns {
    runs: Runs,
    /// Label of each run; 0 if its region is not kept.
    numbers: Vec<u32>,
    /// The largest label.
    pub(super) count: u32,
}

impl LabelledRuns {
    /// Numbers the 4-connected regions of a mask that is never there as a whole: `mark` sets pixels of a row, and pixels
    /// whose region is not kept.
    pub(super) fn without_marked<S: Default>(
        (width, height): (usize, usize),
        mark: impl Fn(&mut S, usize, &mut [bool], &mut [bool]) + Sync,
    ) -> Self {
        let bands: Vec<(Runs, Vec<bool>)> = (0..height.div_ceil(BAND_ROWS))
            .into_par_iter()
            .map_init(Band::default, |scratch, band| {
                let rows = band * BAND_ROWS..((band + 1) * BAND_ROWS).min(height);
                marked_band(scratch, width, rows, &mark)
            })
            .collect();
        let (bands, unwanted): (Vec<Runs>, Vec<Vec<bool>>) = bands.into_iter().unzip();
        let runs = Runs::joined(bands);
        let roots = runs.roots(Connectivity::Four);
        let mut wanted = vec![true; roots.len()];
        for (&root, unwanted) in roots.iter().zip(unwanted.concat()) {
            wanted[root as usize] &= !unwanted;
        }
        let (numbers, count) = numbered(&roots, |root| wanted[root]);
        drop((roots, wanted));
        Self::kept(&runs, &numbers, count)
    }

    /// Only the runs that have a label.
    fn kept(runs: &Runs, numbers: &[u32], count: u32) -> Self {
        let runs = runs.only(|run| numbers[*run] != 0);
        let mut kept_numbers = Vec::with_capacity(runs.runs.len());
        kept_numbers.extend(numbers.iter().filter(|&&number| number != 0));
        Self { runs, numbers: kept_numbers, count }
    }

    /// Writes the labels of row `y` from column `x` on into `row`, which is 0 before.
    pub(super) fn paint(&self, y: usize, x: usize, row: &mut [u32]) {
        let runs = self.runs.row(y);
        let own = &self.runs.runs[runs.clone()];
        let (first, last) = (x as u32, (x + row.len()) as u32);
        let skipped = own.partition_point(|run| run.end <= first);
        for (run, &number) in own[skipped..].iter().zip(&self.numbers[runs.start + skipped..]) {
            if run.start >= last {
                break;
            }
            row[(run.start.max(first) - first) as usize..(run.end.min(last) - first) as usize].fill(number);
        }
    }

    fn painted(&self, width: usize) -> Labels {
        let mut grid = Grid::filled(width, self.runs.height(), 0u32);
        grid.as_mut_slice().par_chunks_mut(width).enumerate().with_min_len(16).for_each(|(y, row)| {
            self.paint(y, 0, row);
        });
        Labels { grid, count: self.count }
    }
}

/// Working memory for a band of rows, which the next one uses again: vectors that grow leave gaps behind, and those of all
/// bands are there at once.
#[derive(Default)]
struct Band {
    set: Vec<bool>,
    marked: Vec<bool>,
    runs: Runs,
    unwanted: Vec<bool>,
}

/// Runs of the rows `rows` of a mask, and for each whether it has a pixel whose region is not kept. Regions that end within
/// the rows and are not kept are left out: of most reliefs that is nearly all of them, and what follows is not done on
/// several threads.
fn marked_band<S: Default>(
    band: &mut Band,
    width: usize,
    rows: Range<usize>,
    mark: impl Fn(&mut S, usize, &mut [bool], &mut [bool]),
) -> (Runs, Vec<bool>) {
    let Band { set, marked, runs, unwanted } = band;
    set.resize(width, false);
    marked.resize(width, false);
    runs.clear();
    unwanted.clear();
    let mut state = S::default();
    for y in rows {
        mark(&mut state, y, set, marked);
        let first = runs.runs.len();
        runs.push_row(set);
        let own = runs.runs[first..].iter();
        unwanted.extend(own.map(|run| marked[run.start as usize..run.end as usize].contains(&true)));
    }
    let settled = runs.settled(unwanted);
    let stays = |run: &usize| !settled[*run];
    let open = runs.only(stays);
    let mut open_unwanted = Vec::with_capacity(open.runs.len());
    open_unwanted.extend((0..settled.len()).filter(stays).map(|run| unwanted[run]));
    (open, open_unwanted)
}

impl Runs {
    /// For each run, whether its region has an unwanted one and does not reach the first or the last row.
    fn settled(&self, unwanted: &[bool]) -> Vec<bool> {
        let roots = self.roots(Connectivity::Four);
        let mut settled = vec![false; roots.len()];
        for (&root, &unwanted) in roots.iter().zip(unwanted) {
            settled[root as usize] |= unwanted;
        }
        for run in self.row(0).chain(self.row(self.height() - 1)) {
            settled[roots[run] as usize] = false;
        }
        roots.iter().map(|&root| settled[root as usize]).collect()
    }

    /// The label of each run (0 if its region is not kept), the number of labels, and the pixels left out.
    fn numbers(&self, roots: &[u32], keep: Keep) -> (Vec<u32>, u32, u64) {
        let mut sizes = vec![0u64; roots.len()];
        for (run, &root) in self.runs.iter().zip(roots) {
            sizes[root as usize] += u64::from(run.end - run.start);
        }
        let wanted = self.wanted_roots(roots, keep);
        let is_kept = |root: usize| sizes[root] >= u64::from(keep.smallest_px) && wanted[root];
        let (numbers, count) = numbered(roots, is_kept);
        // Only roots have a size.
        let dropped_px = (0..roots.len()).filter(|&root| !is_kept(root)).map(|root| sizes[root]).sum();
        (numbers, count, dropped_px)
    }

    /// For each root, whether its pixels are what is to be kept, whatever their number.
    fn wanted_roots(&self, roots: &[u32], keep: Keep) -> Vec<bool> {
        let mut wanted = vec![keep.dark.is_none(); roots.len()];
        if let Some((picture, level)) = keep.dark {
            let dark_of_row = |y: usize| {
                let row = picture.row(y);
                let is_dark = move |run: &usize| {
                    let Run { start, end } = self.runs[*run];
                    row[start as usize..end as usize].iter().any(|&grey| grey <= level)
                };
                self.row(y).filter(is_dark).map(|run| roots[run])
            };
            let rows = (0..self.height()).into_par_iter().with_min_len(BAND_ROWS);
            let dark: Vec<u32> = rows.flat_map_iter(dark_of_row).collect();
            dark.into_iter().for_each(|root| wanted[root as usize] = true);
        }
        wanted
    }
}

/// The label of each run (0 if its region is not kept), and the number of labels.
fn numbered(roots: &[u32], is_kept: impl Fn(usize) -> bool) -> (Vec<u32>, u32) {
    let mut numbers = vec![0u32; roots.len()];
    let mut count = 0;
    for (run, &root) in roots.iter().enumerate() {
        let root = root as usize;
        if root != run {
            numbers[run] = numbers[root];
        } else if is_kept(root) {
            count += 1;
            numbers[run] = count;
        }
    }
    (numbers, count)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Slow and obvious: flood fill from each pixel that has no label yet, in raster order.
    fn flood(mask: &Mask, connectivity: Connectivity) -> Labels {
        let (width, height) = (mask.width() as isize, mask.height() as isize);
        let mut grid = Grid::filled(mask.width(), mask.height(), 0u32);
        let mut count = 0;
        for start in 0..mask.len() {
            if !mask.as_slice()[start] || grid.as_slice()[start] != 0 {
                continue;
            }
            count += 1;
            let mut open = vec![(start as isize % width, start as isize / width)];
            while let Some((x, y)) = open.pop() {
                let inside = x >= 0 && y >= 0 && x < width && y < height;
                if !inside || !mask.at(x as usize, y as usize) || grid.at(x as usize, y as usize) != 0 {
                    continue;
                }
                grid.set(x as usize, y as usize, count);
                for (dx, dy) in [(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)] {
                    if dx == 0 || dy == 0 || connectivity == Connectivity::Eight {
                        open.push((x + dx, y + dy));
                    }
                }
            }
        }
        Labels { grid, count }
    }

    fn labels_area(labels: &Labels) -> u64 {
        labels.grid.as_slice().iter().filter(|&&label| label != 0).count() as u64
    }

    fn masks() -> impl Strategy<Value = Mask> {
        (1usize..24, 1usize..(3 * BAND_ROWS), 1u32..10).prop_flat_map(|(width, height, tenths)| {
            prop::collection::vec(0u32..10, width * height).prop_map(move |values| {
                Grid::new(width, height, values.into_iter().map(|v| v < tenths).collect()).unwrap()
            })
        })
    }

    proptest! {
        #[test]
        fn labels_agree_with_a_flood_fill(mask in masks(), eight in any::<bool>()) {
            let connectivity = if eight { Connectivity::Eight } else { Connectivity::Four };
            prop_assert_eq!(label(&mask, connectivity), flood(&mask, connectivity));
        }

        #[test]
        fn small_regions_leave_the_others_as_they_were(mask in masks(), smallest in 0u32..20) {
            let keep = Keep { smallest_px: smallest, ..Keep::default() };
            let (labels, dropped) = label_kept(&mask, Connectivity::Eight, keep);
            let mut all = label(&mask, Connectivity::Eight);
            let mut sizes = vec![0u32; all.count as usize + 1];
            all.grid.as_slice().iter().for_each(|&l| sizes[l as usize] += 1);
            let mut gone = 0;
            for l in all.grid.as_mut_slice() {
                if *l != 0 && sizes[*l as usize] < smallest {
                    *l = 0;
                    gone += 1;
                }
            }
            prop_assert_eq!(&labels, &Labels::from_ids(all.grid));
            prop_assert_eq!(dropped, gone);
            let kept = labels_area(&labels);
            let write = |y: usize, row: &mut [bool]| row.copy_from_slice(mask.row(y));
            let area = area_kept((mask.width(), mask.height()), write, Connectivity::Eight, keep);
            prop_assert_eq!(area, kept);
        }

        #[test]
        fn boxes_reach_around_the_pixels_of_each_label(mask in masks(), eight in any::<bool>()) {
            let connectivity = if eight { Connectivity::Eight } else { Connectivity::Four };
            let write = |y: usize, row: &mut [bool]| row.copy_from_slice(mask.row(y));
            let found = boxes((mask.width(), mask.height()), write, connectivity);
            let labels = flood(&mask, connectivity);
            let around = |label: u32| {
                let of = |x: usize, y: usize| labels.grid.at(x, y) == label;
                let all = (0..mask.height()).flat_map(|y| (0..mask.width()).map(move |x| (x, y)));
                let own: Vec<(usize, usize)> = all.filter(|&(x, y)| of(x, y)).collect();
                let range = |part: fn(&(usize, usize)) -> usize| {
                    own.iter().map(part).min().unwrap()..own.iter().map(part).max().unwrap() + 1
                };
                RegionBox { columns: range(|p| p.0), rows: range(|p| p.1), pixels: own.len() }
            };
            prop_assert_eq!(found, (1..=labels.count).map(around).collect::<Vec<_>>());
        }
    }

    #[test]
    fn labels_do_not_depend_on_the_number_of_threads() {
        let mask = Grid::from_fn(301, 700, |x, y| (x * x + 3 * y * y + x * y) % 7 < 3);
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| label(&mask, Connectivity::Four))
        };
        assert_eq!(with(1), with(5));
    }

    #[test]
    fn regions_without_a_dark_pixel_are_left_out() {
        let picture = Grid::new(5, 2, vec![10, 90, 255, 60, 55, 90, 90, 255, 60, 255]).unwrap();
        let mask = picture.map(|grey| grey < 100);
        let keep = Keep { dark: Some((&picture, 50)), ..Keep::default() };
        let (labels, dropped) = label_kept(&mask, Connectivity::Four, keep);
        assert_eq!(labels.grid.as_slice(), [1, 1, 0, 0, 0, 1, 1, 0, 0, 0]);
        assert_eq!((labels.count, dropped), (1, 3));
        let unmarked = LabelledRuns::without_marked((5, 2), |_: &mut (), y, set, marked| {
            set.copy_from_slice(mask.row(y));
            marked.iter_mut().zip(picture.row(y)).for_each(|(m, &grey)| *m = grey > 70 && grey < 100);
        });
        assert_eq!(unmarked.painted(5).grid.as_slice(), [0, 0, 0, 1, 1, 0, 0, 0, 1, 0]);
    }

    #[test]
    fn empty_full_and_single_pixel_masks() {
        assert_eq!(label(&Grid::filled(5, 4, false), Connectivity::Eight).count, 0);
        assert_eq!(label(&Grid::filled(5, 400, true), Connectivity::Four).count, 1);
        assert_eq!(label(&Grid::filled(1, 1, true), Connectivity::Four).grid.as_slice(), [1]);
    }
}
