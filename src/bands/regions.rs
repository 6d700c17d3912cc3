//! Regions of a label map that comes band by band: each is measured from its runs once its last row is in.

use std::collections::HashMap;

use rayon::prelude::*;

use crate::measure::region::{Region, Run, measure};
use crate::units::Spacing;

/// Regions of the bands so far.
pub(super) struct Regions {
    size: (usize, usize),
    spacing: Spacing,
    /// Last row of each label, from 0 on.
    last_rows: Vec<u32>,
    /// Runs of the regions that go on.
    open: HashMap<u32, Vec<Run>>,
    done: Vec<Region>,
}

impl Regions {
    /// Before the first band of a map of `size` columns and rows.
    pub fn new(size: (usize, usize), spacing: Spacing, last_rows: Vec<u32>) -> Self {
        Self { size, spacing, last_rows, open: HashMap::new(), done: Vec::new() }
    }

    /// Takes in the runs of the next band, which ends before row `end`.
    pub fn add(&mut self, runs: Vec<Run>, end: usize) {
        for run in runs {
            self.open.entry(run.label).or_default().push(run);
        }
        let last_rows = &self.last_rows;
        let ended = |label: u32| (last_rows[label as usize] as usize) < end;
        let ended: Vec<(u32, Vec<Run>)> = self.open.extract_if(|label, _| ended(*label)).collect();
        let (size, spacing) = (self.size, self.spacing);
        self.done
            .par_extend(ended.par_iter().map(|(label, runs)| measure(*label, runs.iter(), size, spacing)));
    }

    /// Regions so far.
    pub fn count(&self) -> usize {
        self.open.len() + self.done.len()
    }

    /// All regions in the order of their labels, once every band is in.
    pub fn finish(mut self) -> Vec<Region> {
        self.done.par_sort_unstable_by_key(|region| region.label);
        self.done
    }
}
