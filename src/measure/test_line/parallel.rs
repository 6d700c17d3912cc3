//! Parallel lines in any direction: where they run, and the walk along them.

use std::ops::Range;

use rayon::prelude::*;

use super::walk::{Kept, LineCount, Walk, tile_of};
use crate::grid::Grid;
use crate::units::Spacing;

/// Units of length between two samples of a straight line: a passage lies halfway between two samples.
const UNITS_PER_STEP: u64 = 2;

/// Positions across a line are whole numbers of 2⁻³² px, so that no rounding grows along it.
const FRACTION_BITS: u32 = 32;
const ONE_PX: f64 = 4_294_967_296.0;
const HALF_PX: i64 = 1 << (FRACTION_BITS - 1);
const FRACTION_MASK: i64 = (1 << FRACTION_BITS) - 1;

/// Lines handed to a thread at once; whatever the thread count, so that chords keep their order.
const LINES_PER_GROUP: usize = 256;

/// Parallel lines at one angle, which are walked band by band over the rows of a label map.
pub(crate) struct ParallelLines {
    size: (usize, usize),
    course: Course,
    unit: f64,
    kept: Kept,
    groups: Vec<Group>,
}

/// How lines cross the rows. Slopes are steps across a line from sample to sample, in 2⁻³² px.
#[derive(Clone, Copy)]
enum Course {
    /// Each line is a row.
    AlongRows,
    /// One sample a column, rows rising or falling by less than one from sample to sample.
    ByColumns(i64),
    /// One sample a row.
    ByRows(i64),
    /// The same through pixel centres.
    ThroughCentres(i64),
}

/// Lines that one task walks.
struct Group {
    offsets: Vec<i64>,
    /// Samples that lie in the frame, of each line.
    samples: Vec<Range<usize>>,
    walks: Vec<Walk>,
    settled: Vec<u32>,
    /// First sample of each line that has not been taken; of lines sampled by columns only.
    next: Vec<usize>,
    count: LineCount,
}

impl ParallelLines {
    /// Lines at `angle_deg` (counter-clockwise from the rows), `spacing_px` apart, over a map of `size` columns and rows.
    pub fn new(
        size: (usize, usize),
        spacing: Spacing,
        (angle_deg, spacing_px): (f64, u32),
        kept: Kept,
    ) -> Self {
        let (steep, slope) = direction(angle_deg);
        let (width, height) = size;
        let (step, along, across) = if steep {
            ((slope * spacing.x).hypot(spacing.y), height, width)
        } else {
            (spacing.x.hypot(slope * spacing.y), width, height)
        };
        let unit = step / UNITS_PER_STEP as f64;
        let offsets = line_offsets(slope, along, across, spacing_px);
        let step = (slope * ONE_PX).round() as i64;
        let course = match (steep, step) {
            (false, 0) => Course::AlongRows,
            (false, _) => Course::ByColumns(step),
            (true, _) if slope == slope.round() => Course::ThroughCentres(step),
            (true, _) => Course::ByRows(step),
        };
        let group = |offsets: &[i64]| {
            let samples: Vec<Range<usize>> =
                offsets.iter().map(|&offset| samples_inside(offset, step, along, across)).collect();
            Group {
                walks: vec![Walk::default(); offsets.len()],
                settled: vec![u32::MAX; offsets.len()],
                next: samples.iter().map(|samples| samples.start).collect(),
                offsets: offsets.to_vec(),
                samples,
                count: LineCount::new(unit, kept),
            }
        };
        Self { size, course, unit, kept, groups: offsets.chunks(LINES_PER_GROUP).map(group).collect() }
    }

    /// Whether bands must come from the last to the first.
    pub fn goes_upwards(&self) -> bool {
        matches!(self.course, Course::ByColumns(slope) if slope < 0)
    }

    /// Walks on through the rows `own` of the map; `rows` holds them, from row `top` of the map on, and the one below.
    pub fn walk(&mut self, top: usize, rows: &Grid<u32>, own: Range<usize>) {
        let (size, course) = (self.size, self.course);
        self.groups.par_iter_mut().for_each(|group| match course {
            Course::AlongRows => group.walk_rows((top, rows), own.clone(), size),
            Course::ByColumns(slope) => group.walk_columns((top, rows), slope, own.clone(), size),
            Course::ByRows(slope) => group.sweep_rows::<false>((top, rows), slope, own.clone(), size),
            Course::ThroughCentres(slope) => {
                group.sweep_rows::<true>((top, rows), slope, own.clone(), size);
            }
        });
    }

    /// Chords so far.
    pub fn chords(&self) -> usize {
        self.groups.iter().map(|group| group.count.chords.len()).sum()
    }

    /// What all lines counted, once every row has been walked.
    pub fn finish(self) -> LineCount {
        let (size, course) = (self.size, self.course);
        self.groups.into_iter().fold(LineCount::new(self.unit, self.kept), |mut sum, mut group| {
            group.end(course, size);
            sum.absorb(group.count);
            sum
        })
    }
}

/// Whether lines are sampled once a row rather than once a column, and the step across at each sample.
fn direction(angle_deg: f64) -> (bool, f64) {
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    // Rows point down, so a line that climbs to the right falls in row number.
    let steep = sin.abs() >= cos.abs() - 1e-9;
    (steep, snapped(if steep { -cos / sin } else { -sin / cos }))
}

/// First and last sample of each line, as column and row.
pub(super) fn ends(
    width: usize,
    height: usize,
    angle_deg: f64,
    spacing_px: u32,
) -> Vec<((f64, f64), (f64, f64))> {
    let (steep, slope) = direction(angle_deg);
    let (along, across) = if steep { (height, width) } else { (width, height) };
    let step = (slope * ONE_PX).round() as i64;
    let offsets = line_offsets(slope, along, across, spacing_px);
    let lines = offsets.into_iter().map(|offset| (offset, samples_inside(offset, step, along, across)));
    lines
        .filter(|(_, samples)| !samples.is_empty())
        .map(|(offset, samples)| {
            let point = |i: usize| {
                let position = (offset + step * i as i64) as f64 / ONE_PX;
                if steep { (position, i as f64) } else { (i as f64, position) }
            };
            (point(samples.start), point(samples.end - 1))
        })
        .collect()
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

type Rows<'a> = (usize, &'a Grid<u32>);

impl Group {
    fn walk_rows(&mut self, (top, rows): Rows<'_>, own: Range<usize>, size: (usize, usize)) {
        let row_of = |offset: i64| (offset >> FRACTION_BITS) as usize;
        let first = self.offsets.partition_point(|&offset| row_of(offset) < own.start);
        let end = self.offsets.partition_point(|&offset| row_of(offset) < own.end);
        for line in first..end {
            let y = row_of(self.offsets[line]);
            walk_row(rows.row(y - top), &mut self.walks[line], |x| tile_of(size, x, y), &mut self.count);
        }
    }

    /// Walks each line on, column by column, as long as the upper one of its two pixels lies in `own`.
    fn walk_columns(&mut self, (top, rows): Rows<'_>, slope: i64, own: Range<usize>, size: (usize, usize)) {
        let (width, data) = (rows.width(), rows.as_slice());
        let at = |row: usize, x: usize| data[(row - top) * width + x];
        for (line, &offset) in self.offsets.iter().enumerate() {
            let Range { start: first, end } = self.samples[line].clone();
            for x in self.next[line]..end {
                let position = offset + slope * x as i64;
                if !own.contains(&((position >> FRACTION_BITS) as usize)) {
                    break;
                }
                self.next[line] = x + 1;
                let (nearest, other) = beside(position);
                let sample = (at(nearest, x), at(other, x));
                if sample == (self.settled[line], self.settled[line]) {
                    continue;
                }
                let walk = &mut self.walks[line];
                let place = place_on_line(x, first, end - 1);
                self.count.take(walk, sample, place, || tile_of(size, x, nearest));
                self.settled[line] = walk.settled();
            }
        }
    }

    /// Walks all lines side by side, row by row, because memory is read along rows.
    fn sweep_rows<const THROUGH_CENTRES: bool>(
        &mut self,
        (top, rows): Rows<'_>,
        slope: i64,
        own: Range<usize>,
        size: (usize, usize),
    ) {
        let last = ((size.0 - 1) as i64) << FRACTION_BITS;
        for y in own {
            let row = rows.row(y - top);
            let drift = slope * y as i64;
            let first = self.offsets.partition_point(|&o| o + drift < 0);
            let end = self.offsets.partition_point(|&o| o + drift <= last);
            let lines = self.offsets.iter().zip(&mut self.settled).enumerate();
            for (i, (&offset, settled)) in lines.take(end).skip(first) {
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
                let place = place_on_line(y, self.samples[i].start, self.samples[i].end - 1);
                self.count.take(&mut self.walks[i], sample, place, || tile_of(size, nearest, y));
                *settled = self.walks[i].settled();
            }
        }
    }

    /// Ends every line that has a sample.
    fn end(&mut self, course: Course, size: (usize, usize)) {
        let lines = self.walks.iter().zip(&self.samples).zip(&self.offsets);
        for ((walk, samples), &offset) in lines.filter(|((_, samples), _)| !samples.is_empty()) {
            let last = samples.end - 1;
            let across = |slope: i64| beside(offset + slope * last as i64).0;
            let (x, y) = match course {
                Course::AlongRows => (last, (offset >> FRACTION_BITS) as usize),
                Course::ByColumns(slope) => (last, across(slope)),
                Course::ByRows(slope) | Course::ThroughCentres(slope) => (across(slope), last),
            };
            let length = UNITS_PER_STEP * (last - samples.start) as u64;
            self.count.end(walk, length, tile_of(size, x, y));
        }
    }
}

/// Walks along a row of pixels; `tile` says where a column lies.
fn walk_row(row: &[u32], walk: &mut Walk, tile: impl Fn(usize) -> usize, count: &mut LineCount) {
    let last = row.len() - 1;
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
            count.take(walk, (row[x], row[x]), place_on_line(x, 0, last), || tile(x));
            settled = walk.settled();
        }
        x += 1;
    }
}

/// Start and length of the part of the line that a sample stands for: half a step either side, inside the line.
fn place_on_line(sample: usize, first: usize, last: usize) -> (u64, u64) {
    let half = UNITS_PER_STEP / 2;
    let middle = UNITS_PER_STEP * (sample - first) as u64;
    let before = if sample == first { 0 } else { half };
    let after = if sample == last { 0 } else { half };
    (middle - before, before + after)
}
