//! What a line counts as it passes from sample to sample.

/// Tiles along each side of the field, for the scatter within it; merged to 8, 6, 4 or 3.
pub(crate) const TILES: usize = 24;

/// Passages and solid length that a tile holds. A piece of grain belongs to the tile of the passage that ends it.
#[derive(Clone, Copy, Default)]
pub(crate) struct Tile {
    /// Passages.
    pub passages: u64,
    /// Solid length in units of the set.
    pub solid: u64,
}

/// What is kept of every passage, besides what is counted.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kept {
    /// Nothing: with the labels, the passages of a picture take half as much memory as its greys.
    Nothing,
    /// The labels on both sides.
    Labels,
}

/// What a set of test lines counted. Lengths are whole units, so that sums do not depend on their order.
pub(crate) struct LineCount {
    /// Boundary passages.
    pub passages: u64,
    /// Length of one unit.
    pub unit: f64,
    length: u64,
    pore_length: u64,
    /// Whole chords.
    pub chords: Vec<f32>,
    kept: Kept,
    /// The labels on both sides of every passage, the smaller one first, if they are kept.
    pub passed: Vec<(u32, u32)>,
    /// `TILES` by `TILES` tiles, row by row.
    pub tiles: Vec<Tile>,
}

impl LineCount {
    pub(super) fn new(unit: f64, kept: Kept) -> Self {
        let tiles = vec![Tile::default(); TILES * TILES];
        let (chords, passed) = (Vec::new(), Vec::new());
        Self { passages: 0, unit, length: 0, pore_length: 0, chords, kept, passed, tiles }
    }

    /// Length of all lines.
    pub fn length(&self) -> f64 {
        self.length as f64 * self.unit
    }

    /// Length in pores.
    pub fn pore_length(&self) -> f64 {
        self.pore_length as f64 * self.unit
    }

    /// Length outside pores.
    pub fn solid_length(&self) -> f64 {
        (self.length - self.pore_length) as f64 * self.unit
    }

    /// Counts the passage that ends the walk's piece of grain at `cut`.
    fn pass(&mut self, walk: &mut Walk, cut: Cut, tile: usize) {
        let piece = cut.position - walk.start - cut.pore;
        self.passages += 1;
        if self.kept == Kept::Labels {
            self.passed.push((walk.grain.min(cut.grain), walk.grain.max(cut.grain)));
        }
        self.pore_length += cut.pore;
        self.tiles[tile].passages += 1;
        self.tiles[tile].solid += piece;
        if walk.whole {
            self.chords.push((piece as f64 * self.unit) as f32);
        }
        (walk.grain, walk.start, walk.whole) = (cut.grain, cut.position, true);
        walk.pore -= cut.pore;
    }

    /// Takes a sample that stands for `weight` of the line from `position` on. It holds the label of the `nearest` pixel
    /// and of the `other` one beside the line; `tile` says where it lies.
    pub(super) fn take(
        &mut self,
        walk: &mut Walk,
        (nearest, other): (u32, u32),
        (position, weight): (u64, u64),
        tile: impl Fn() -> usize,
    ) {
        if nearest == 0 {
            walk.pore += weight;
            return;
        }
        if walk.grain == 0 {
            walk.grain = nearest;
        }
        let other = if other == 0 { nearest } else { other };
        // At most two grains can end here: the one that was doubtful and the one that took its place for a moment.
        while walk.grain != nearest && walk.grain != other {
            let here = Cut { grain: nearest, position, pore: walk.pore };
            let cut = walk.doubt.take().unwrap_or(here);
            self.pass(walk, cut, tile());
        }
        walk.doubt = match walk.doubt {
            _ if nearest == walk.grain => None,
            Some(cut) if cut.grain == nearest => Some(cut),
            _ => Some(Cut { grain: nearest, position, pore: walk.pore }),
        };
    }

    /// The end of a line of `length` in `tile`.
    pub(super) fn end(&mut self, walk: &Walk, length: u64, tile: usize) {
        self.length += length;
        self.pore_length += walk.pore;
        self.tiles[tile].solid += length - walk.start - walk.pore;
    }

    pub(super) fn absorb(&mut self, part: Self) {
        self.passages += part.passages;
        self.length += part.length;
        self.pore_length += part.pore_length;
        self.chords.extend(part.chords);
        self.passed.extend(part.passed);
        for (sum, tile) in self.tiles.iter_mut().zip(part.tiles) {
            sum.passages += tile.passages;
            sum.solid += tile.solid;
        }
    }
}

/// Where one grain may have ended and `grain` begun.
#[derive(Clone, Copy)]
pub(super) struct Cut {
    grain: u32,
    position: u64,
    /// Length in pores from the start of the piece to here.
    pore: u64,
}

/// Where a line stands.
#[derive(Clone, Copy, Default)]
pub(super) struct Walk {
    /// The grain; 0 before the first.
    grain: u32,
    /// Set while the nearest pixel is of another grain but the one beside it still of this one.
    doubt: Option<Cut>,
    /// Where this piece of grain began.
    start: u64,
    /// Length in pores since then.
    pore: u64,
    /// Whether a passage began it, rather than the end of the line.
    whole: bool,
}

impl Walk {
    /// The label that leaves the walk as it is when all pixels of a sample have it.
    pub(super) fn settled(&self) -> u32 {
        if self.doubt.is_none() && self.grain != 0 { self.grain } else { u32::MAX }
    }
}

/// The tile of a pixel in a field of `width` by `height` px.
pub(super) fn tile_of((width, height): (usize, usize), x: usize, y: usize) -> usize {
    y * TILES / height * TILES + x * TILES / width
}
