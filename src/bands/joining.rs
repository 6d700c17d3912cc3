//! Connected regions of a mask that comes band by band: labelled within each, joined across the seams.

use super::scratch::relabel;
use crate::error::Error;
use crate::grid::{Grid, Mask};
use crate::options::Connectivity;
use crate::segment::label::label;

/// Regions of the bands so far. Parts are numbered from 1 in raster order of their first pixel; so is each joined region by
/// the smallest number among its parts.
pub(crate) struct Joining {
    connectivity: Connectivity,
    /// Parts in the last row of the band before.
    seam: Vec<u32>,
    rows: usize,
    /// A part of the same region with a smaller number, or itself.
    parents: Vec<u32>,
    sizes: Vec<u64>,
    last_rows: Vec<u32>,
    wanted: Vec<bool>,
    unwanted: Vec<bool>,
    /// Pixels of parts that are no longer kept.
    dropped_px: u64,
}

/// What a band shows of each of its regions, from 1 on.
struct Found {
    sizes: Vec<u64>,
    last_rows: Vec<usize>,
    wanted: Vec<bool>,
    unwanted: Vec<bool>,
}

impl Found {
    fn of(labels: &Grid<u32>, count: usize, signs: Signs<'_>) -> Self {
        let mut found = Self {
            sizes: vec![0; count + 1],
            last_rows: vec![0; count + 1],
            wanted: vec![signs.dark.is_none(); count + 1],
            unwanted: vec![false; count + 1],
        };
        for (y, row) in labels.rows().enumerate() {
            let dark = signs.dark.map(|(greys, level)| (greys.row(y), level));
            let without = signs.without.map(|mask| mask.row(y));
            for (x, &label) in row.iter().enumerate().filter(|(_, label)| **label != 0) {
                let label = label as usize;
                found.sizes[label] += 1;
                found.last_rows[label] = y;
                found.wanted[label] |= dark.is_some_and(|(greys, level)| greys[x] <= level);
                found.unwanted[label] |= without.is_some_and(|mask| mask[x]);
            }
        }
        found
    }
}

/// What tells whether a region of a band is kept; see [`Keep`](crate::segment::label::Keep).
#[derive(Clone, Copy, Default)]
pub(crate) struct Signs<'a> {
    /// Regions need a pixel of this picture at or below this grey.
    pub dark: Option<(&'a Grid<u8>, u8)>,
    /// Regions must have no pixel of this mask.
    pub without: Option<&'a Mask>,
}

/// Regions that are kept, numbered in raster order of their first pixel.
pub(crate) struct Joined {
    /// Label of each part; 0 of background and of what is not kept.
    pub table: Vec<u32>,
    /// The largest label.
    pub count: u32,
    /// Pixels that are not kept.
    pub dropped_px: u64,
    /// Pixels that are kept.
    pub kept_px: u64,
    /// Last row of each label, from 0 on.
    pub last_rows: Vec<u32>,
}

impl Joining {
    /// Before the first band.
    pub fn new(connectivity: Connectivity) -> Self {
        Self {
            connectivity,
            seam: Vec::new(),
            rows: 0,
            parents: vec![0],
            sizes: vec![0],
            last_rows: vec![0],
            wanted: vec![false],
            unwanted: vec![true],
            dropped_px: 0,
        }
    }

    /// Takes in the next band; gives back the part of each of its pixels.
    ///
    /// # Errors
    /// [`Error::Option`] if there are more parts than 32 bits can number.
    pub fn add(&mut self, mask: &Mask, signs: Signs<'_>) -> Result<Grid<u32>, Error> {
        let labels = label(mask, self.connectivity);
        let count = labels.count as usize;
        let found = Found::of(&labels.grid, count, signs);
        let last = mask.height() - 1;
        let mut at_seam = vec![false; count + 1];
        for y in [0, last] {
            labels.grid.row(y).iter().for_each(|&label| at_seam[label as usize] = true);
        }
        let mut numbers = vec![0; count + 1];
        for label in 1..=count {
            // What has a sign against it is no region wherever it goes on, and need not be kept where it does not.
            if found.unwanted[label] && !at_seam[label] {
                self.dropped_px += found.sizes[label];
                continue;
            }
            let Ok(number) = u32::try_from(self.parents.len()) else {
                let why =
                    "the picture has more regions than can be numbered; measure a part of it".to_owned();
                return Err(Error::Option { name: "--crop", why });
            };
            numbers[label] = number;
            self.parents.push(number);
            self.sizes.push(found.sizes[label]);
            self.last_rows.push((self.rows + found.last_rows[label]) as u32);
            self.wanted.push(found.wanted[label]);
            self.unwanted.push(found.unwanted[label]);
        }
        let mut parts = labels.grid;
        relabel(parts.as_mut_slice(), &numbers);
        self.join_seam(parts.row(0));
        self.seam = parts.row(last).to_vec();
        self.rows += mask.height();
        Ok(parts)
    }

    /// Joins the first row of a band with the last one of the band before.
    fn join_seam(&mut self, row: &[u32]) {
        let reach = usize::from(self.connectivity == Connectivity::Eight);
        let seam = std::mem::take(&mut self.seam);
        if seam.is_empty() {
            return;
        }
        for (x, &part) in row.iter().enumerate().filter(|(_, part)| **part != 0) {
            for &above in &seam[x.saturating_sub(reach)..(x + reach + 1).min(row.len())] {
                if above != 0 {
                    self.join(above, part);
                }
            }
        }
    }

    fn root(&mut self, mut part: u32) -> u32 {
        loop {
            let parent = self.parents[part as usize];
            if parent == part {
                return part;
            }
            let grandparent = self.parents[parent as usize];
            self.parents[part as usize] = grandparent;
            part = grandparent;
        }
    }

    fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.root(a), self.root(b));
        self.parents[a.max(b) as usize] = a.min(b);
    }

    /// The regions of at least `smallest_px` that bear the signs, once every band is in.
    pub fn finish(self, smallest_px: u32) -> Joined {
        let Self {
            parents: mut table, mut sizes, mut last_rows, mut wanted, mut unwanted, dropped_px, ..
        } = self;
        // A parent never lies behind its child, so one forward sweep reaches every root.
        for part in 1..table.len() {
            let root = table[table[part] as usize] as usize;
            table[part] = root as u32;
            if root != part {
                sizes[root] += sizes[part];
                last_rows[root] = last_rows[root].max(last_rows[part]);
                wanted[root] |= wanted[part];
                unwanted[root] |= unwanted[part];
            }
        }
        let (mut count, mut dropped_px, mut kept_px) = (0, dropped_px, 0);
        let mut last_row_of = vec![0];
        for part in 1..table.len() {
            let root = table[part] as usize;
            if root != part {
                table[part] = table[root];
            } else if sizes[part] >= u64::from(smallest_px) && wanted[part] && !unwanted[part] {
                count += 1;
                table[part] = count;
                kept_px += sizes[part];
                last_row_of.push(last_rows[part]);
            } else {
                table[part] = 0;
                dropped_px += sizes[part];
            }
        }
        Joined { table, count, dropped_px, kept_px, last_rows: last_row_of }
    }
}
