//! Line averages in eight directions, compared with their sides.
//!
//! A boundary is long and thin, noise is neither: the mean along a line keeps the boundary and loses most of the noise.
//! All sums are 16-bit integers over whole rows, so that the compiler turns them into vector instructions.

use std::ops::Range;

use multiversion::multiversion;
use rayon::prelude::*;

use super::Spread;
use super::fill::Filled;
use crate::grid::Grid;

/// Columns added on either side, so that no tap leaves the row.
const MARGIN: usize = 16;
/// Columns of line sums beyond the picture that the sides of a line reach.
const SIDE_MARGIN: usize = 10;
/// Rows above and below a band that its line averages and their sides reach.
pub(crate) const REACH: usize = 12;
pub(crate) const BAND_ROWS: usize = 64;
/// Response to one grey level: binomial means count quarters, and line weights add up to 16.
const PER_GREY: f64 = 64.0;
/// About so many pixels are enough for the quantiles of a large picture.
const SAMPLE: usize = 1 << 20;

/// What is looked for.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A line darker than both its sides: min(left, right) - centre.
    DarkLine,
    /// A line brighter than both its sides: centre - max(left, right).
    BrightLine,
    /// One side brighter than the other: |left - right|.
    Step,
}

/// A direction: steps along the line with their weights, and the step to its sides.
struct Direction {
    along: (isize, isize),
    weights: &'static [i16],
    across: (isize, isize),
    /// For each of three widths the multiples of `across` whose mean is taken: about 2.5, 4.4 and 7 px off the line.
    sides: [(isize, isize); 3],
}

const AXIS: &[i16] = &[1, 1, 1, 1, 1, 2, 2, 2, 1, 1, 1, 1, 1];
const DIAGONAL: &[i16] = &[1, 2, 2, 2, 2, 2, 2, 2, 1];
const BETWEEN: &[i16] = &[2, 2, 2, 4, 2, 2, 2];

/// Eight directions about 22.5° apart.
const DIRECTIONS: [Direction; 8] = [
    axis((1, 0), (0, 1)),
    axis((0, 1), (1, 0)),
    diagonal((1, 1), (-1, 1)),
    diagonal((-1, 1), (1, 1)),
    between((2, 1), (-1, 2)),
    between((1, 2), (-2, 1)),
    between((-1, 2), (2, 1)),
    between((-2, 1), (1, 2)),
];

const fn axis(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: AXIS, across, sides: [(2, 3), (4, 5), (7, 7)] }
}

const fn diagonal(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: DIAGONAL, across, sides: [(2, 2), (3, 3), (5, 5)] }
}

const fn between(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: BETWEEN, across, sides: [(1, 1), (2, 2), (3, 3)] }
}

/// Responses of the whole picture, 255 where they reach `full` grey levels.
pub(crate) fn map_of(picture: &Grid<u8>, kind: Kind, full: f64) -> Grid<u8> {
    let width = picture.width();
    let mut strength = Grid::filled(width, picture.height(), 0u8);
    let scale = (255.0 * 65536.0 / (full * PER_GREY)).round() as i32;
    strength.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, rows)| {
        let responses = respond(picture, kind, band * BAND_ROWS, rows.len() / width);
        for (pixel, &response) in rows.iter_mut().zip(&responses) {
            *pixel = ((i32::from(response) * scale) >> 16).min(255) as u8;
        }
    });
    strength
}

/// Quantiles of the responses away from pores, from evenly spaced bands of rows.
pub(super) fn spread(filled: &Filled, kind: Kind) -> Spread {
    let bands: Vec<Range<usize>> = sampled_bands(filled.picture.width(), filled.picture.height()).collect();
    let counts = bands
        .into_par_iter()
        .fold(Responses::none, |mut counts, rows| {
            counts.add(filled, kind, rows);
            counts
        })
        .reduce(Responses::none, |mut all, more| {
            all.0.iter_mut().zip(more.0).for_each(|(a, m)| *a += m);
            all
        });
    counts.spread()
}

/// The rows of a picture of this size whose responses stand for all.
pub(crate) fn sampled_bands(width: usize, height: usize) -> impl Iterator<Item = Range<usize>> {
    let step = (width * height / SAMPLE).max(1);
    let bands = (0..height.div_ceil(BAND_ROWS)).step_by(step);
    bands.map(move |band| band * BAND_ROWS..((band + 1) * BAND_ROWS).min(height))
}

/// How often each response occurs away from pores.
pub(crate) struct Responses(Vec<u64>);

impl Responses {
    /// Before the first row.
    pub fn none() -> Self {
        Self(vec![0; i16::MAX as usize + 1])
    }

    /// Counts those of some rows.
    pub fn add(&mut self, filled: &Filled, kind: Kind, rows: Range<usize>) {
        let responses = respond(&filled.picture, kind, rows.start, rows.len());
        let covered = &filled.covered.as_slice()[rows.start * filled.covered.width()..];
        for (&response, &covered) in responses.iter().zip(covered) {
            self.0[response as usize] += u64::from(covered == 0);
        }
    }

    /// Their quantiles in grey levels.
    pub fn spread(&self) -> Spread {
        let quantile = |share| quantile(&self.0, share) / PER_GREY;
        Spread { p25: quantile(0.25), median: quantile(0.5), p90: quantile(0.9), p99: quantile(0.99) }
    }
}

fn quantile(counts: &[u64], share: f64) -> f64 {
    let wanted = (counts.iter().sum::<u64>() as f64 * share) as u64;
    let mut seen = 0;
    let reached = counts.iter().position(|&count| {
        seen += count;
        seen > wanted
    });
    reached.unwrap_or(0) as f64
}

/// Rows of a picture from `first` on, widened by [`MARGIN`].
struct Rows {
    first: isize,
    stride: usize,
    data: Vec<i16>,
}

impl Rows {
    fn around(first: usize, lines: usize, width: usize) -> Self {
        let stride = width + 2 * MARGIN;
        Self { first: first as isize - REACH as isize, stride, data: vec![0; (lines + 2 * REACH) * stride] }
    }

    /// Row `y` shifted by `dx`, as long as the picture is wide plus `extra` on either side.
    fn shifted(&self, y: isize, dx: isize, extra: usize) -> &[i16] {
        let start = (y - self.first) as usize * self.stride;
        let from = (start + MARGIN - extra).wrapping_add_signed(dx);
        &self.data[from..from + self.stride - 2 * MARGIN + 2 * extra]
    }

    fn row_mut(&mut self, y: isize) -> &mut [i16] {
        let start = (y - self.first) as usize * self.stride;
        &mut self.data[start..start + self.stride]
    }
}

/// Largest response over directions and widths, 0 at least, in [`PER_GREY`], of `lines` rows from `first` on.
fn respond(picture: &Grid<u8>, kind: Kind, first: usize, lines: usize) -> Vec<i16> {
    let width = picture.width();
    let base = smoothed(picture, first, lines);
    let mut responses = vec![0i16; width * lines];
    let mut sums = Rows::around(first, lines, width);
    for direction in &DIRECTIONS {
        let rows_off = direction.sides[2].1 * direction.across.1.abs();
        for y in first as isize - rows_off..(first + lines) as isize + rows_off {
            sum_along(&base, direction, y, &mut sums);
        }
        for (y, row) in (first as isize..).zip(responses.chunks_exact_mut(width)) {
            let side = |k: isize| sums.shifted(y + k * direction.across.1, k * direction.across.0, 0);
            let centre = sums.shifted(y, 0, 0);
            let [(a, b), (c, d), (e, f)] = direction.sides;
            let near = [side(a), side(b), side(-a), side(-b)];
            let far = [side(c), side(d), side(-c), side(-d)];
            let wide = [side(e), side(f), side(-e), side(-f)];
            match kind {
                Kind::DarkLine => {
                    [near, far, wide].into_iter().for_each(|sides| dark_line(centre, sides, row))
                }
                Kind::BrightLine => {
                    [near, far, wide].into_iter().for_each(|sides| bright_line(centre, sides, row))
                }
                Kind::Step => step(near, far, row),
            }
        }
    }
    responses
}

#[multiversion(targets("x86_64+avx2"))]
fn dark_line(centre: &[i16], sides: [&[i16]; 4], row: &mut [i16]) {
    let n = row.len();
    let (centre, [a, b, c, d]) = (&centre[..n], sides.map(|s| &s[..n]));
    for x in 0..n {
        let (left, right) = ((a[x] + b[x]) >> 1, (c[x] + d[x]) >> 1);
        row[x] = row[x].max(left.min(right) - centre[x]);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn bright_line(centre: &[i16], sides: [&[i16]; 4], row: &mut [i16]) {
    let n = row.len();
    let (centre, [a, b, c, d]) = (&centre[..n], sides.map(|s| &s[..n]));
    for x in 0..n {
        let (left, right) = ((a[x] + b[x]) >> 1, (c[x] + d[x]) >> 1);
        row[x] = row[x].max(centre[x] - left.max(right));
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn step(near: [&[i16]; 4], far: [&[i16]; 4], row: &mut [i16]) {
    let n = row.len();
    let ([a, b, c, d], [e, f, g, h]) = (near.map(|s| &s[..n]), far.map(|s| &s[..n]));
    for x in 0..n {
        let near = ((a[x] + b[x]) >> 1) - ((c[x] + d[x]) >> 1);
        let far = ((e[x] + f[x]) >> 1) - ((g[x] + h[x]) >> 1);
        row[x] = row[x].max((near + far).abs() >> 1);
    }
}

fn sum_along(base: &Rows, direction: &Direction, y: isize, sums: &mut Rows) {
    let half = direction.weights.len() as isize / 2;
    let out = &mut sums.row_mut(y)[MARGIN - SIDE_MARGIN..];
    out.fill(0);
    for (k, &weight) in (-half..).zip(direction.weights) {
        let taps = base.shifted(y + k * direction.along.1, k * direction.along.0, SIDE_MARGIN);
        add_weighted(out, taps, weight);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add_weighted(sums: &mut [i16], taps: &[i16], weight: i16) {
    for (sum, &tap) in sums.iter_mut().zip(taps) {
        *sum += weight * tap;
    }
}

/// Binomial 3 × 3 means, in quarter grey levels, rim pixels repeated outwards.
fn smoothed(picture: &Grid<u8>, first: usize, lines: usize) -> Rows {
    let (width, last) = (picture.width(), picture.height() as isize - 1);
    let mut rows = Rows::around(first, lines, width);
    let mut column = vec![0i16; width + 2];
    for y in rows.first..rows.first + (lines + 2 * REACH) as isize {
        let row = |dy: isize| picture.row((y.clamp(0, last) + dy).clamp(0, last) as usize);
        for (((sum, &a), &b), &c) in column[1..].iter_mut().zip(row(-1)).zip(row(0)).zip(row(1)) {
            *sum = i16::from(a) + 2 * i16::from(b) + i16::from(c);
        }
        column[0] = column[1];
        column[width + 1] = column[width];
        let out = rows.row_mut(y);
        for (pixel, window) in out[MARGIN..MARGIN + width].iter_mut().zip(column.windows(3)) {
            *pixel = (window[0] + 2 * window[1] + window[2]) >> 2;
        }
        let (left, right) = (out[MARGIN], out[MARGIN + width - 1]);
        out[..MARGIN].fill(left);
        out[MARGIN + width..].fill(right);
    }
    rows
}
