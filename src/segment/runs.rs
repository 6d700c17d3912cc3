//! Runs of set pixels, row by row, and which of them touch.

use std::ops::Range;

use rayon::prelude::*;

use crate::differences::each_change;
use crate::options::Connectivity;

/// Rows that one task scans. Fixed, so that the work does not depend on the number of threads.
pub(super) const BAND_ROWS: usize = 128;

/// A stretch of set pixels in one row: first column, and the column after the last.
#[derive(Clone, Copy)]
pub(super) struct Run {
    pub(super) start: u32,
    pub(super) end: u32,
}

/// The runs of some rows in raster order; those of row `y` are `runs[first[y]..first[y + 1]]`.
pub(super) struct Runs {
    pub(super) runs: Vec<Run>,
    first: Vec<u32>,
}

impl Default for Runs {
    /// Of no rows.
    fn default() -> Self {
        Self { runs: Vec::new(), first: vec![0] }
    }
}

impl Runs {
    /// Takes in the row below those that are there.
    pub(super) fn push_row(&mut self, row: &[bool]) {
        let mut open = None;
        each_change(row, |x| match open.take() {
            None => open = Some(x as u32),
            Some(start) => self.runs.push(Run { start, end: x as u32 }),
        });
        self.runs.extend(open.map(|start| Run { start, end: row.len() as u32 }));
        self.first.push(self.runs.len() as u32);
    }

    /// Forgets all rows and keeps the room.
    pub(super) fn clear(&mut self) {
        self.runs.clear();
        self.first.truncate(1);
    }

    /// Those that stay, with nothing of the room to spare.
    pub(super) fn only(&self, stays: impl Fn(&usize) -> bool) -> Self {
        let length = (0..self.runs.len()).filter(&stays).count();
        let mut only = Self { runs: Vec::with_capacity(length), first: Vec::with_capacity(self.first.len()) };
        only.first.push(0);
        for y in 0..self.height() {
            only.runs.extend(self.row(y).filter(&stays).map(|run| self.runs[run]));
            only.first.push(only.runs.len() as u32);
        }
        only
    }

    /// Of a mask of `height` rows that `write` writes one of into a slice of `width` pixels.
    pub(super) fn of((width, height): (usize, usize), write: impl Fn(usize, &mut [bool]) + Sync) -> Self {
        let bands: Vec<Runs> = (0..height.div_ceil(BAND_ROWS))
            .into_par_iter()
            .map_init(
                || vec![false; width],
                |row, band| {
                    let mut runs = Runs::default();
                    for y in band * BAND_ROWS..((band + 1) * BAND_ROWS).min(height) {
                        write(y, row);
                        runs.push_row(row);
                    }
                    runs
                },
            )
            .collect();
        Self::joined(bands)
    }

    /// The runs of bands that lie below each other.
    pub(super) fn joined(bands: Vec<Self>) -> Self {
        let mut runs = Vec::with_capacity(bands.iter().map(|band| band.runs.len()).sum());
        let mut first = Vec::with_capacity(1 + bands.iter().map(Self::height).sum::<usize>());
        first.push(0);
        for band in bands {
            let offset = runs.len() as u32;
            first.extend(band.first[1..].iter().map(|end| offset + end));
            runs.extend_from_slice(&band.runs);
        }
        Self { runs, first }
    }

    /// Which runs row `y` has.
    pub(super) fn row(&self, y: usize) -> Range<usize> {
        self.first[y] as usize..self.first[y + 1] as usize
    }

    /// Rows.
    pub(super) fn height(&self) -> usize {
        self.first.len() - 1
    }

    /// For each run, the first run in raster order of its region.
    pub(super) fn roots(&self, connectivity: Connectivity) -> Vec<u32> {
        let mut parents: Vec<u32> = (0..self.runs.len() as u32).collect();
        self.join_within_bands(&mut parents, connectivity);
        for y in (BAND_ROWS..self.height()).step_by(BAND_ROWS) {
            self.join_rows(&mut parents, 0, y, connectivity);
        }
        // A parent never lies behind its child, so one forward sweep reaches every root.
        for run in 0..parents.len() {
            parents[run] = parents[parents[run] as usize];
        }
        parents
    }

    fn join_within_bands(&self, parents: &mut [u32], connectivity: Connectivity) {
        let mut tasks = Vec::new();
        let mut rest = parents;
        for top in (0..self.height()).step_by(BAND_ROWS) {
            let bottom = (top + BAND_ROWS).min(self.height());
            let length = (self.first[bottom] - self.first[top]) as usize;
            let (band, behind) = rest.split_at_mut(length);
            tasks.push((top..bottom, band));
            rest = behind;
        }
        tasks.into_par_iter().for_each(|(rows, band)| {
            let offset = self.first[rows.start];
            for y in rows.start + 1..rows.end {
                self.join_rows(band, offset, y, connectivity);
            }
        });
    }

    /// Joins runs of row `y` with those they touch in the row above. `parents` starts at run `offset`.
    fn join_rows(&self, parents: &mut [u32], offset: u32, y: usize, connectivity: Connectivity) {
        let reach = u32::from(connectivity == Connectivity::Eight);
        let mut above = self.row(y - 1);
        for run in self.row(y) {
            let Run { start, end } = self.runs[run];
            while above.start < above.end && self.runs[above.start].end + reach <= start {
                above.start += 1;
            }
            for touching in above.clone() {
                if self.runs[touching].start >= end + reach {
                    break;
                }
                join(parents, offset, touching as u32, run as u32);
            }
        }
    }
}

fn root(parents: &mut [u32], offset: u32, mut run: u32) -> u32 {
    loop {
        let parent = parents[(run - offset) as usize];
        if parent == run {
            return run;
        }
        let grandparent = parents[(parent - offset) as usize];
        parents[(run - offset) as usize] = grandparent;
        run = grandparent;
    }
}

fn join(parents: &mut [u32], offset: u32, a: u32, b: u32) {
    let (a, b) = (root(parents, offset, a), root(parents, offset, b));
    parents[(a.max(b) - offset) as usize] = a.min(b);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_a_row_are_those_of_a_plain_walk() {
        for width in [1, 7, 63, 64, 65, 127, 128, 129, 300] {
            for (dense, seed) in [(2, 1), (5, 2), (1, 3), (90, 4), (40, 5)] {
                let row: Vec<bool> = (0..width).map(|x| (x / dense * 7 + seed) % 3 == 0).collect();
                let mut runs = Runs::default();
                runs.push_row(&row);
                let mut plain = Vec::new();
                let mut x = 0;
                for stretch in row.chunk_by(|a, b| a == b) {
                    if stretch[0] {
                        plain.push((x, x + stretch.len() as u32));
                    }
                    x += stretch.len() as u32;
                }
                let found: Vec<_> = runs.runs.iter().map(|run| (run.start, run.end)).collect();
                assert_eq!(found, plain, "{width} {dense}");
            }
        }
    }
}
