//! The walk along test lines: which pixels a line sees, and what is counted on the way.

use std::f64::consts::TAU;
use std::ops::Range;

use rayon::prelude::*;

use crate::grid::Grid;
use crate::units::Spacing;

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
    /// `TILES` by `TILES` tiles, row by row.
    pub tiles: Vec<Tile>,
}

impl LineCount {
    fn new(unit: f64) -> Self {
        let tiles = vec![Tile::default(); TILES * TILES];
        Self { passages: 0, unit, length: 0, pore_length: 0, chords: Vec::new(), tiles }
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
    fn take(
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
    fn end(&mut self, walk: &Walk, length: u64, tile: usize) {
        self.length += length;
        self.pore_length += walk.pore;
        self.tiles[tile].solid += length - walk.start - walk.pore;
    }

    fn absorb(&mut self, part: Self) {
        self.passages += part.passages;
        self.length += part.length;
        self.pore_length += part.pore_length;
        self.chords.extend(part.chords);
        for (sum, tile) in self.tiles.iter_mut().zip(part.tiles) {
            sum.passages += tile.passages;
            sum.solid += tile.solid;
        }
    }
}

/// Where one grain may have ended and `grain` begun.
#[derive(Clone, Copy)]
struct Cut {
    grain: u32,
    position: u64,
    /// Length in pores from the start of the piece to here.
    pore: u64,
}

/// Where a line stands.
#[derive(Clone, Copy, Default)]
struct Walk {
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
    fn settled(&self) -> u32 {
        if self.doubt.is_none() && self.grain != 0 { self.grain } else { u32::MAX }
    }
}

fn tile_of(labels: &Grid<u32>, x: usize, y: usize) -> usize {
    y * TILES / labels.height() * TILES + x * TILES / labels.width()
}

/// Units of length between two samples of a straight line: a passage lies halfway between two samples.
const UNITS_PER_STEP: u64 = 2;

/// Positions across a line are whole numbers of 2⁻³² px, so that no rounding grows along it.
const FRACTION_BITS: u32 = 32;
const ONE_PX: f64 = 4_294_967_296.0;
const HALF_PX: i64 = 1 << (FRACTION_BITS - 1);
const FRACTION_MASK: i64 = (1 << FRACTION_BITS) - 1;

/// Lines handed to a thread at once; whatever the thread count, so that chords keep their order.
const LINES_PER_GROUP: usize = 256;

/// Parallel lines at `angle_deg` (counter-clockwise from the rows), `spacing_px` apart.
pub(crate) fn count_parallel(
    labels: &Grid<u32>,
    spacing: Spacing,
    angle_deg: f64,
    spacing_px: u32,
) -> LineCount {
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    // Rows point down, so a line that climbs to the right falls in row number.
    let steep = sin.abs() >= cos.abs() - 1e-9;
    let slope = snapped(if steep { -cos / sin } else { -sin / cos });
    let (width, height) = (labels.width(), labels.height());
    let (step, along, across) = if steep {
        ((slope * spacing.x).hypot(spacing.y), height, width)
    } else {
        (spacing.x.hypot(slope * spacing.y), width, height)
    };
    let unit = step / UNITS_PER_STEP as f64;
    let offsets = line_offsets(slope, along, across, spacing_px);
    let through_centres = slope == slope.round();
    let slope = (slope * ONE_PX).round() as i64;
    let parts: Vec<LineCount> = offsets
        .par_chunks(LINES_PER_GROUP)
        .map(|group| {
            let mut count = LineCount::new(unit);
            match (steep, slope) {
                (false, 0) => group.iter().for_each(|&offset| walk_row(labels, offset, &mut count)),
                (false, _) => {
                    group.iter().for_each(|&offset| walk_columns(labels, offset, slope, &mut count))
                }
                (true, _) if through_centres => sweep_rows::<true>(labels, group, slope, &mut count),
                (true, _) => sweep_rows::<false>(labels, group, slope, &mut count),
            }
            count
        })
        .collect();
    parts.into_iter().fold(LineCount::new(unit), |mut sum, part| {
        sum.absorb(part);
        sum
    })
}

/// Slopes of 0 and ±1 exactly, so that such lines run through pixel centres.
fn snapped(slope: f64) -> f64 {
    if (slope - slope.round()).abs() < 1e-9 { slope.round() } else { slope }
}

/// Positions across the lines at their zeroth sample, ascending, so that lines `spacing_px` apart cover the frame.
fn line_offsets(slope: f64, along: usize, across: usize, spacing_px: u32) -> Vec<i64> {
    let drift = slope * (along - 1) as f64;
    // The frame ends half a pixel outside the outermost centres.
    let (low, high) = (-0.5 - drift.max(0.0), across as f64 - 0.5 - drift.min(0.0));
    let distance = f64::from(spacing_px.max(1)) * slope.hypot(1.0);
    let first = low + (distance / 2.0).min((high - low) / 2.0);
    let lines = ((high - first) / distance).floor() as usize + 1;
    let through_centres = slope == slope.round();
    (0..lines)
        .map(|i| {
            let offset = first + i as f64 * distance;
            let offset = if through_centres { offset.floor() } else { offset };
            (offset * ONE_PX).round() as i64
        })
        .collect()
}

/// The pixel nearest to a position across the line, and the other one beside it; the same twice at a pixel centre.
fn beside(position: i64) -> (usize, usize) {
    let below = position >> FRACTION_BITS;
    let above = (position + FRACTION_MASK) >> FRACTION_BITS;
    let nearest = (position + HALF_PX) >> FRACTION_BITS;
    (nearest as usize, (below + above - nearest) as usize)
}

/// Samples of a line that lie in the frame.
fn samples_inside(offset: i64, slope: i64, along: usize, across: usize) -> Range<usize> {
    let last = ((across - 1) as i64) << FRACTION_BITS;
    let inside = |i: &usize| (0..=last).contains(&(offset + slope * *i as i64));
    let at = |edge: i64| {
        if slope == 0 { 0 } else { ((edge - offset) / slope).clamp(0, along as i64 - 1) as usize }
    };
    let (from, to) = (at(0).min(at(last)), at(0).max(at(last)));
    // Division truncates towards zero, so either end may be one sample off.
    let (from, to) =
        if slope == 0 { (0, along - 1) } else { (from.saturating_sub(1), (to + 1).min(along - 1)) };
    let first = (from..=to).find(inside).unwrap_or(0);
    let end = (first..=to).rev().find(inside).map_or(first, |i| i + 1);
    first..end
}

/// Pixels that are compared at once while a row stays in one grain.
const RUN: usize = 16;

/// Walks along a row of pixels.
fn walk_row(labels: &Grid<u32>, offset: i64, count: &mut LineCount) {
    let y = (offset >> FRACTION_BITS) as usize;
    let row = labels.row(y);
    let last = row.len() - 1;
    let mut walk = Walk::default();
    let mut settled = u32::MAX;
    let mut x = 0;
    while x <= last {
        if let Some(run) = row.get(x..x + RUN)
            && run.iter().fold(0, |differs, &label| differs | (label ^ settled)) == 0
        {
            x += RUN;
            continue;
        }
        if row[x] != settled {
            let sample = (row[x], row[x]);
            count.take(&mut walk, sample, place_on_line(x, 0, last), || tile_of(labels, x, y));
            settled = walk.settled();
        }
        x += 1;
    }
    count.end(&walk, UNITS_PER_STEP * last as u64, tile_of(labels, last, y));
}

/// Walks one line, column by column.
fn walk_columns(labels: &Grid<u32>, offset: i64, slope: i64, count: &mut LineCount) {
    let columns = samples_inside(offset, slope, labels.width(), labels.height());
    if columns.is_empty() {
        return;
    }
    let (first, last) = (columns.start, columns.end - 1);
    let data = labels.as_slice();
    let mut walk = Walk::default();
    let mut settled = u32::MAX;
    for x in columns {
        let (nearest, other) = beside(offset + slope * x as i64);
        let sample = (data[nearest * labels.width() + x], data[other * labels.width() + x]);
        if sample == (settled, settled) {
            continue;
        }
        count.take(&mut walk, sample, place_on_line(x, first, last), || tile_of(labels, x, nearest));
        settled = walk.settled();
    }
    let (row, _) = beside(offset + slope * last as i64);
    count.end(&walk, UNITS_PER_STEP * (last - first) as u64, tile_of(labels, last, row));
}

/// Start and length of the part of the line that a sample stands for: half a step either side, inside the line.
fn place_on_line(sample: usize, first: usize, last: usize) -> (u64, u64) {
    let half = UNITS_PER_STEP / 2;
    let middle = UNITS_PER_STEP * (sample - first) as u64;
    let before = if sample == first { 0 } else { half };
    let after = if sample == last { 0 } else { half };
    (middle - before, before + after)
}

/// Walks a group of lines side by side, row by row, because memory is read along rows.
fn sweep_rows<const THROUGH_CENTRES: bool>(
    labels: &Grid<u32>,
    offsets: &[i64],
    slope: i64,
    count: &mut LineCount,
) {
    let (width, height) = (labels.width(), labels.height());
    let rows: Vec<Range<usize>> =
        offsets.iter().map(|&offset| samples_inside(offset, slope, height, width)).collect();
    let mut walks = vec![Walk::default(); offsets.len()];
    let mut settled = vec![u32::MAX; offsets.len()];
    for y in 0..height {
        let row = labels.row(y);
        let drift = slope * y as i64;
        let first = offsets.partition_point(|&o| o + drift < 0);
        let end = offsets.partition_point(|&o| o + drift <= ((width - 1) as i64) << FRACTION_BITS);
        for (i, (&offset, settled)) in offsets.iter().zip(&mut settled).enumerate().take(end).skip(first) {
            let position = offset + drift;
            let (nearest, other) = if THROUGH_CENTRES {
                let pixel = (position >> FRACTION_BITS) as usize;
                (pixel, pixel)
            } else {
                beside(position)
            };
            let sample = (row[nearest], row[other]);
            if sample == (*settled, *settled) {
                continue;
            }
            let place = place_on_line(y, rows[i].start, rows[i].end - 1);
            count.take(&mut walks[i], sample, place, || tile_of(labels, nearest, y));
            *settled = walks[i].settled();
        }
    }
    for ((walk, rows), &offset) in
        walks.iter().zip(&rows).zip(offsets).filter(|((_, rows), _)| !rows.is_empty())
    {
        let last = rows.end - 1;
        let (x, _) = beside(offset + slope * last as i64);
        count.end(walk, UNITS_PER_STEP * (last - rows.start) as u64, tile_of(labels, x, last));
    }
}

/// Circumferences of the three circles, in sixths of the sum.
const CIRCLES: [f64; 3] = [1.0, 2.0 / 3.0, 1.0 / 3.0];

/// Units of length around the largest circle.
const UNITS_AROUND: f64 = 16_777_216.0;

/// Three concentric circles with circumferences 3 : 2 : 1, the largest as large as the frame allows.
///
/// Their arcs are not chords, so none are kept.
pub(crate) fn count_circles(labels: &Grid<u32>, spacing: Spacing) -> LineCount {
    let (wide, high) = ((labels.width() - 1) as f64 * spacing.x, (labels.height() - 1) as f64 * spacing.y);
    let radius = wide.min(high) / 2.0;
    let mut count = LineCount::new((TAU * radius / UNITS_AROUND).max(f64::MIN_POSITIVE));
    for share in CIRCLES {
        walk_circle(labels, spacing, radius * share, (UNITS_AROUND * share).round() as u64, &mut count);
    }
    count.chords.clear();
    count
}

/// A point of a circle where it crosses a row or column of pixel centres.
struct ArcSample {
    /// Angle from the row direction, 0 to 2π.
    angle: f64,
    /// The nearest pixel and the other one beside it.
    pixels: [(usize, usize); 2],
}

fn walk_circle(labels: &Grid<u32>, spacing: Spacing, radius: f64, around: u64, count: &mut LineCount) {
    let samples = circle_samples(labels, spacing, radius);
    let label =
        |s: &ArcSample| (labels.at(s.pixels[0].0, s.pixels[0].1), labels.at(s.pixels[1].0, s.pixels[1].1));
    // A circle has no end, so the walk begins where the grain is certain.
    let Some(origin) = samples.iter().position(|s| label(s).0 != 0 && label(s).0 == label(s).1) else {
        return;
    };
    let position = |i: usize| {
        let turns =
            (samples[i % samples.len()].angle - samples[origin].angle) / TAU + (i / samples.len()) as f64;
        (turns * around as f64).round() as u64
    };
    let mut walk = Walk { grain: label(&samples[origin]).0, ..Walk::default() };
    let mut from = position(origin + 1) / 2;
    for i in origin + 1..=origin + samples.len() {
        let to = (position(i) + position(i + 1)) / 2;
        let sample = &samples[i % samples.len()];
        let (x, y) = sample.pixels[0];
        count.take(&mut walk, label(sample), (from, to - from), || tile_of(labels, x, y));
        from = to;
    }
    let (x, y) = samples[origin].pixels[0];
    count.end(&walk, around, tile_of(labels, x, y));
}

/// The whole numbers either side of `value`, the nearer one first.
fn nearer_first(value: f64) -> [usize; 2] {
    let near = value.round();
    [near as usize, if near > value { value.floor() } else { value.ceil() } as usize]
}

/// One sample a row where the circle is steep and one a column where it is flat, by angle.
fn circle_samples(labels: &Grid<u32>, spacing: Spacing, radius: f64) -> Vec<ArcSample> {
    let (last_x, last_y) = ((labels.width() - 1) as f64, (labels.height() - 1) as f64);
    let (centre_x, centre_y) = (last_x / 2.0, last_y / 2.0);
    let (a, b) = (radius / spacing.x, radius / spacing.y);
    let diagonal = a.hypot(b);
    if !(a.min(b) >= 2.0 && diagonal.is_finite()) {
        return Vec::new();
    }
    let angle = |x: f64, y: f64| ((y - centre_y) / b).atan2((x - centre_x) / a).rem_euclid(TAU);
    let whole =
        |centre: f64, reach: f64| (centre - reach).ceil() as usize..=(centre + reach).floor() as usize;
    let mut samples = Vec::new();
    for y in whole(centre_y, b * b / diagonal) {
        let reach = a * (1.0 - ((y as f64 - centre_y) / b).powi(2)).sqrt();
        for x in [centre_x - reach, centre_x + reach].map(|x| x.clamp(0.0, last_x)) {
            let pixels = nearer_first(x).map(|x| (x, y));
            samples.push(ArcSample { angle: angle(x, y as f64), pixels });
        }
    }
    for x in whole(centre_x, a * a / diagonal) {
        let reach = b * (1.0 - ((x as f64 - centre_x) / a).powi(2)).sqrt();
        for y in [centre_y - reach, centre_y + reach].map(|y| y.clamp(0.0, last_y)) {
            let pixels = nearer_first(y).map(|y| (x, y));
            samples.push(ArcSample { angle: angle(x as f64, y), pixels });
        }
    }
    samples.sort_by(|s, t| s.angle.total_cmp(&t.angle));
    samples
}
