//! Connected regions of a mask that comes band by band: labelled within each, joined across the seams.

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
        }
    }

    /// Takes in the next band; gives back the part of each of its pixels.
    ///
    /// # Errors
    /// [`Error::Option`] if there are more parts than 32 bits can number.
    pub fn add(&mut self, mask: &Mask, signs: Signs<'_>) -> Result<Grid<u32>, Error> {
        let labels = label(mask, self.connectivity);
        let offset = self.parents.len() as u32 - 1;
        let Some(last) = offset.checked_add(labels.count) else {
            let why = "the picture has more regions than can be numbered; measure a part of it".to_owned();
            return Err(Error::Option { name: "--crop", why });
        };
        self.parents.extend(offset + 1..=last);
        self.sizes.resize(last as usize + 1, 0);
        self.last_rows.resize(last as usize + 1, 0);
        self.wanted.resize(last as usize + 1, signs.dark.is_none());
        self.unwanted.resize(last as usize + 1, false);
        let mut parts = labels.grid;
        for y in 0..mask.height() {
            self.take_row(parts.row_mut(y), offset, y, signs);
        }
        self.join_seam(parts.row(0));
        self.seam = parts.row(mask.height() - 1).to_vec();
        self.rows += mask.height();
        Ok(parts)
    }

    fn take_row(&mut self, row: &mut [u32], offset: u32, y: usize, signs: Signs<'_>) {
        let dark = signs.dark.map(|(greys, level)| (greys.row(y), level));
        let without = signs.without.map(|mask| mask.row(y));
        for (x, part) in row.iter_mut().enumerate().filter(|(_, part)| **part != 0) {
            *part += offset;
            let part = *part as usize;
            self.sizes[part] += 1;
            self.last_rows[part] = (self.rows + y) as u32;
            self.wanted[part] |= dark.is_some_and(|(greys, level)| greys[x] <= level);
            self.unwanted[part] |= without.is_some_and(|mask| mask[x]);
        }
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
        let Self { parents: mut table, mut sizes, mut last_rows, mut wanted, mut unwanted, .. } = self;
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
        let (mut count, mut dropped_px, mut kept_px) = (0, 0, 0);
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
