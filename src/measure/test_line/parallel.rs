//! Parallel lines in any direction: where they run, and the walk along them.

use std::ops::Range;

use rayon::prelude::*;

use super::walk::{LineCount, Walk, tile_of};
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

/// Parallel lines at `angle_deg` (counter-clockwise from the rows), `spacing_px` apart.
pub(crate) fn count_parallel(
    labels: &Grid<u32>,
    spacing: Spacing,
    angle_deg: f64,
    spacing_px: u32,
) -> LineCount {
    let (steep, slope) = direction(angle_deg);
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
