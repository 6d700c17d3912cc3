//! Line averages in eight directions, compared with their sides.
//!
//! A boundary is long and thin, noise is neither: the mean along a line keeps the boundary and loses most of the noise.
//! All sums are 16-bit integers over whole rows, so that the compiler turns them into vector instructions.

use std::ops::Range;

use multiversion::multiversion;
use rayon::prelude::*;

use super::Spread;
use super::fill::Filled;
use crate::grid::{Frame, Grid};

/// Columns added on either side, so that no tap leaves the row.
const MARGIN: usize = 16;
/// Columns of line sums beyond the picture that the sides of a line reach.
const SIDE_MARGIN: usize = 10;
/// Rows above and below a tile that its line averages and their sides reach.
pub(crate) const REACH: usize = 12;
/// Rows and columns of a tile that is worked on at once: all its sums stay in the cache of one core. Quantiles are taken
/// from whole bands of tiles.
const BAND_ROWS: usize = 64;
const TILE_COLUMNS: usize = 512;
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

/// A direction: steps along the line, and the step to its sides.
struct Direction {
    along: (isize, isize),
    weights: Weights,
    across: (isize, isize),
    /// For each of three widths the multiples of `across` whose mean is taken: about 2.5, 4.4 and 7 px off the line.
    sides: [(isize, isize); 3],
}

/// Weights along a line; each set adds up to 16.
enum Weights {
    /// 1, 1, 1, 1, 1, 2, 2, 2, 1, 1, 1, 1, 1
    Axis,
    /// 1, 2, 2, 2, 2, 2, 2, 2, 1
    Diagonal,
    /// 2, 2, 2, 4, 2, 2, 2
    Between,
}

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
    Direction { along, weights: Weights::Axis, across, sides: [(2, 3), (4, 5), (7, 7)] }
}

const fn diagonal(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: Weights::Diagonal, across, sides: [(2, 2), (3, 3), (5, 5)] }
}

const fn between(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: Weights::Between, across, sides: [(1, 1), (2, 2), (3, 3)] }
}

/// Writes the responses of the whole picture into `strength`, 255 where they reach `full` grey levels.
pub(crate) fn write_map(picture: &Grid<u8>, kind: Kind, full: f64, strength: &mut Grid<u8>) {
    let width = picture.width();
    let scale = (255.0 * 65536.0 / (full * PER_GREY)).round() as i32;
    let bands = strength.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate();
    bands.for_each_init(Responses::default, |responses, (band, rows)| {
        let first = band * BAND_ROWS;
        for tile in tiles(width, first..first + rows.len() / width) {
            responses.respond(picture, &[kind], tile);
            for (row, found) in rows.chunks_exact_mut(width).zip(responses.of(0).chunks_exact(tile.width)) {
                scaled(found, scale, &mut row[tile.x..tile.x + tile.width]);
            }
        }
    });
}

#[multiversion(targets("x86_64+avx2"))]
fn scaled(responses: &[i16], scale: i32, strength: &mut [u8]) {
    for (strength, &response) in strength.iter_mut().zip(responses) {
        *strength = ((i32::from(response) * scale) >> 16).min(255) as u8;
    }
}

/// The tiles of some rows of a picture of so many columns.
fn tiles(width: usize, rows: Range<usize>) -> impl Iterator<Item = Frame> {
    let (y, height) = (rows.start, rows.len());
    (0..width).step_by(TILE_COLUMNS).map(move |x| Frame { x, y, width: TILE_COLUMNS.min(width - x), height })
}

/// Quantiles of the responses of each kind away from pores, from evenly spaced bands of rows.
pub(super) fn spreads(filled: &Filled, kinds: &'static [Kind]) -> Vec<Spread> {
    let bands: Vec<Range<usize>> = sampled_bands(filled.picture.width(), filled.picture.height()).collect();
    let counts = bands
        .into_par_iter()
        .fold(
            || Counts::none(kinds),
            |mut counts, rows| {
                counts.add(filled, rows);
                counts
            },
        )
        .reduce(|| Counts::none(kinds), Counts::and);
    counts.spreads()
}

/// The rows of a picture of this size whose responses stand for all.
pub(crate) fn sampled_bands(width: usize, height: usize) -> impl Iterator<Item = Range<usize>> {
    let step = (width * height / SAMPLE).max(1);
    let bands = (0..height.div_ceil(BAND_ROWS)).step_by(step);
    bands.map(move |band| band * BAND_ROWS..((band + 1) * BAND_ROWS).min(height))
}

/// How often each response of some kinds occurs away from pores.
pub(crate) struct Counts {
    kinds: &'static [Kind],
    counts: Vec<Vec<u64>>,
    responses: Responses,
}

impl Counts {
    /// Before the first row.
    pub fn none(kinds: &'static [Kind]) -> Self {
        let counts = kinds.iter().map(|_| vec![0; i16::MAX as usize + 1]).collect();
        Self { kinds, counts, responses: Responses::default() }
    }

    /// Counts those of some rows.
    pub fn add(&mut self, filled: &Filled, rows: Range<usize>) {
        for tile in tiles(filled.picture.width(), rows) {
            self.responses.respond(&filled.picture, self.kinds, tile);
            for (kind, counts) in self.counts.iter_mut().enumerate() {
                count_open(self.responses.of(kind), &filled.covered, tile, counts);
            }
        }
    }

    fn and(mut self, other: Self) -> Self {
        for (all, more) in self.counts.iter_mut().zip(other.counts) {
            all.iter_mut().zip(more).for_each(|(all, more)| *all += more);
        }
        self
    }

    /// Quantiles of each kind in grey levels.
    pub fn spreads(&self) -> Vec<Spread> {
        let spread = |counts: &Vec<u64>| {
            let quantile = |share| quantile(counts, share) / PER_GREY;
            Spread { p25: quantile(0.25), median: quantile(0.5), p90: quantile(0.9), p99: quantile(0.99) }
        };
        self.counts.iter().map(spread).collect()
    }
}

fn count_open(responses: &[i16], covered: &Grid<u8>, tile: Frame, counts: &mut [u64]) {
    for (y, responses) in (tile.y..).zip(responses.chunks_exact(tile.width)) {
        for (&response, &covered) in responses.iter().zip(&covered.row(y)[tile.x..]) {
            counts[response as usize] += u64::from(covered == 0);
        }
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

/// Rows and columns of a tile, and around it [`REACH`] rows and [`MARGIN`] columns.
#[derive(Default)]
struct Rows {
    first: isize,
    width: usize,
    data: Vec<i16>,
}

impl Rows {
    /// Makes room for a tile; what was there before stays and is to be written over.
    fn fit(&mut self, tile: Frame) {
        (self.first, self.width) = (tile.y as isize - REACH as isize, tile.width);
        self.data.resize((tile.height + 2 * REACH) * self.stride(), 0);
    }

    fn stride(&self) -> usize {
        self.width + 2 * MARGIN
    }

    /// Row `y` shifted by `dx`, as long as the tile is wide plus `extra` on either side.
    fn shifted(&self, y: isize, dx: isize, extra: usize) -> &[i16] {
        let start = (y - self.first) as usize * self.stride();
        let from = (start + MARGIN - extra).wrapping_add_signed(dx);
        &self.data[from..from + self.width + 2 * extra]
    }

    fn row_mut(&mut self, y: isize) -> &mut [i16] {
        let stride = self.stride();
        let start = (y - self.first) as usize * stride;
        &mut self.data[start..start + stride]
    }
}

/// Responses of a tile, and the working memory behind them, which the next tile uses again.
#[derive(Default)]
struct Responses {
    base: Rows,
    sums: Rows,
    column: Vec<i16>,
    found: Vec<Vec<i16>>,
}

impl Responses {
    /// Responses of the `index`th kind that was asked for, row by row of the tile.
    fn of(&self, index: usize) -> &[i16] {
        &self.found[index]
    }

    /// Largest response over directions and widths for each kind, 0 at least, in [`PER_GREY`].
    fn respond(&mut self, picture: &Grid<u8>, kinds: &[Kind], tile: Frame) {
        self.smooth(picture, tile);
        self.sums.fit(tile);
        self.found.resize_with(kinds.len(), Vec::new);
        for found in &mut self.found {
            found.clear();
            found.resize(tile.width * tile.height, 0);
        }
        let (first, end) = (tile.y as isize, (tile.y + tile.height) as isize);
        for direction in &DIRECTIONS {
            let rows_off = direction.sides[2].1 * direction.across.1.abs();
            for y in first - rows_off..end + rows_off {
                sum_along(&self.base, direction, y, &mut self.sums);
                // The sums that a row needs are still in the cache when the last of them has been made.
                if y - rows_off >= first {
                    let start = (y - rows_off - first) as usize * tile.width;
                    for (&kind, found) in kinds.iter().zip(&mut self.found) {
                        compare(
                            &self.sums,
                            direction,
                            y - rows_off,
                            kind,
                            &mut found[start..start + tile.width],
                        );
                    }
                }
            }
        }
    }

    /// Binomial 3 × 3 means, in quarter grey levels, rim pixels repeated outwards.
    fn smooth(&mut self, picture: &Grid<u8>, tile: Frame) {
        self.base.fit(tile);
        let (last_x, last_y) = (picture.width() - 1, picture.height() as isize - 1);
        // Columns of the picture that the widened tile shows, and one more on either side.
        let (left, right) = (tile.x.saturating_sub(MARGIN), (tile.x + tile.width + MARGIN).min(last_x + 1));
        let columns = left.saturating_sub(1)..(right + 1).min(last_x + 1);
        self.column.resize(right - left + 2, 0);
        let inner = columns.start + 1 - left..columns.end + 1 - left;
        let place = left + MARGIN - tile.x;
        for y in self.base.first..self.base.first + (tile.height + 2 * REACH) as isize {
            let row = |dy: isize| {
                &picture.row((y.clamp(0, last_y) + dy).clamp(0, last_y) as usize)[columns.clone()]
            };
            sum_down([row(-1), row(0), row(1)], &mut self.column[inner.clone()]);
            let past = self.column.len() - 1;
            if left == 0 {
                self.column[0] = self.column[1];
            }
            if right == last_x + 1 {
                self.column[past] = self.column[past - 1];
            }
            let out = self.base.row_mut(y);
            mean_across(&self.column, &mut out[place..place + right - left]);
            let (first, last) = (out[place], out[place + right - left - 1]);
            out[..place].fill(first);
            out[place + right - left..].fill(last);
        }
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn sum_down([above, here, below]: [&[u8]; 3], sums: &mut [i16]) {
    for (((sum, &a), &b), &c) in sums.iter_mut().zip(above).zip(here).zip(below) {
        *sum = i16::from(a) + 2 * i16::from(b) + i16::from(c);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn mean_across(sums: &[i16], means: &mut [i16]) {
    let n = means.len();
    let (left, here, right) = (&sums[..n], &sums[1..n + 1], &sums[2..n + 2]);
    for x in 0..n {
        means[x] = (left[x] + 2 * here[x] + right[x]) >> 2;
    }
}

fn sum_along(base: &Rows, direction: &Direction, y: isize, sums: &mut Rows) {
    let out = &mut sums.row_mut(y)[MARGIN - SIDE_MARGIN..];
    let out = &mut out[..base.width + 2 * SIDE_MARGIN];
    let tap = |k: isize| base.shifted(y + k * direction.along.1, k * direction.along.0, SIDE_MARGIN);
    match direction.weights {
        Weights::Axis => sum_taps::<13, 5, 8, 1>(std::array::from_fn(|k| tap(k as isize - 6)), out),
        Weights::Diagonal => sum_taps::<9, 1, 8, 1>(std::array::from_fn(|k| tap(k as isize - 4)), out),
        Weights::Between => sum_taps::<7, 3, 4, 2>(std::array::from_fn(|k| tap(k as isize - 3)), out),
    }
}

/// `TIMES` the sum of all taps and, once more, of those from `FROM` to before `TO`.
#[multiversion(targets("x86_64+avx2"))]
fn sum_taps<const N: usize, const FROM: usize, const TO: usize, const TIMES: i16>(
    mut taps: [&[i16]; N],
    sums: &mut [i16],
) {
    let n = sums.len();
    for tap in &mut taps {
        *tap = &tap[..n];
    }
    for x in 0..n {
        let mut sum = 0;
        for tap in &taps {
            sum += tap[x];
        }
        for tap in &taps[FROM..TO] {
            sum += tap[x];
        }
        sums[x] = TIMES * sum;
    }
}

/// Raises the responses of row `y` to those in one direction.
fn compare(sums: &Rows, direction: &Direction, y: isize, kind: Kind, row: &mut [i16]) {
    let side = |k: isize| sums.shifted(y + k * direction.across.1, k * direction.across.0, 0);
    let centre = sums.shifted(y, 0, 0);
    let sides = direction.sides.map(|(a, b)| [side(a), side(b), side(-a), side(-b)]);
    let single = sides.map(|[a, _, b, _]| [a, b]);
    let is_single = direction.sides.iter().all(|(a, b)| a == b);
    match kind {
        Kind::DarkLine if is_single => line_of_single::<true>(centre, single, row),
        Kind::DarkLine => line_of_pairs::<true>(centre, sides, row),
        Kind::BrightLine if is_single => line_of_single::<false>(centre, single, row),
        Kind::BrightLine => line_of_pairs::<false>(centre, sides, row),
        Kind::Step => step(sides[0], sides[1], row),
    }
}

// No closures within these loops: a closure in a function for wider registers is for these registers as well, and is not
// always drawn into the iterator that it is handed to, which is not.

/// Lines whose sides are means of two sums each. The mean, rounded down, of the lesser sum is the lesser of the means, and
/// so for the greatest of three widths: there is one halving for all of them.
#[multiversion(targets("x86_64+avx2"))]
fn line_of_pairs<const DARK: bool>(centre: &[i16], sides: [[&[i16]; 4]; 3], row: &mut [i16]) {
    let n = row.len();
    let [[a, b, c, d], [e, f, g, h], [i, j, k, l]] = sides;
    let (centre, a, b, c, d) = (&centre[..n], &a[..n], &b[..n], &c[..n], &d[..n]);
    let (e, f, g, h, i, j, k, l) = (&e[..n], &f[..n], &g[..n], &h[..n], &i[..n], &j[..n], &k[..n], &l[..n]);
    for x in 0..n {
        let near = side_of_line::<DARK>(a[x] + b[x], c[x] + d[x]);
        let far = side_of_line::<DARK>(e[x] + f[x], g[x] + h[x]);
        let wide = side_of_line::<DARK>(i[x] + j[x], k[x] + l[x]);
        let response = if DARK {
            (near.max(far).max(wide) >> 1) - centre[x]
        } else {
            centre[x] - (near.min(far).min(wide) >> 1)
        };
        row[x] = row[x].max(response);
    }
}

/// Lines whose sides are single sums.
#[multiversion(targets("x86_64+avx2"))]
fn line_of_single<const DARK: bool>(centre: &[i16], sides: [[&[i16]; 2]; 3], row: &mut [i16]) {
    let n = row.len();
    let [[a, b], [c, d], [e, f]] = sides;
    let (centre, a, b, c, d, e, f) = (&centre[..n], &a[..n], &b[..n], &c[..n], &d[..n], &e[..n], &f[..n]);
    for x in 0..n {
        let near = side_of_line::<DARK>(a[x], b[x]);
        let far = side_of_line::<DARK>(c[x], d[x]);
        let wide = side_of_line::<DARK>(e[x], f[x]);
        let response =
            if DARK { near.max(far).max(wide) - centre[x] } else { centre[x] - near.min(far).min(wide) };
        row[x] = row[x].max(response);
    }
}

/// The side that decides: the one that is nearer to the line.
#[inline(always)]
fn side_of_line<const DARK: bool>(left: i16, right: i16) -> i16 {
    if DARK { left.min(right) } else { left.max(right) }
}

#[multiversion(targets("x86_64+avx2"))]
fn step(near: [&[i16]; 4], far: [&[i16]; 4], row: &mut [i16]) {
    let n = row.len();
    let ([a, b, c, d], [e, f, g, h]) = (near, far);
    let (a, b, c, d) = (&a[..n], &b[..n], &c[..n], &d[..n]);
    let (e, f, g, h) = (&e[..n], &f[..n], &g[..n], &h[..n]);
    for x in 0..n {
        let near = ((a[x] + b[x]) >> 1) - ((c[x] + d[x]) >> 1);
        let far = ((e[x] + f[x]) >> 1) - ((g[x] + h[x]) >> 1);
        row[x] = row[x].max((near + far).abs() >> 1);
    }
}
