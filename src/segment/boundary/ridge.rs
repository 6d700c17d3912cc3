//! Ridge strength: dark lines brighter on both sides, by line averages in eight directions.

use rayon::prelude::*;

use super::fill::Filled;
use super::{BoundaryMap, Levels};
use crate::grid::Grid;

/// Columns added on either side, so that no tap leaves the row.
const MARGIN: usize = 16;
/// Rows above and below a band that its line averages and their sides reach.
const REACH: usize = 12;
const BAND_ROWS: usize = 64;
/// Response of one grey level.
pub const UNITS: i16 = 64;

/// Steps along a line with their weights (which add up to 16), and the offsets to its sides.
struct Direction {
    along: (isize, isize),
    weights: &'static [i16],
    across: (isize, isize),
    /// For each width, two multiples of `across` whose mean is taken.
    sides: [(isize, isize); 2],
}

const AXIS: &[i16] = &[1, 1, 1, 1, 1, 2, 2, 2, 1, 1, 1, 1, 1];
const DIAGONAL: &[i16] = &[1, 2, 2, 2, 2, 2, 2, 2, 1];
const KNIGHT: &[i16] = &[2, 2, 2, 4, 2, 2, 2];

/// Eight directions about 22.5° apart; sides lie about 2.5 px and about 4.4 px off the line.
const DIRECTIONS: [Direction; 8] = [
    axis((1, 0), (0, 1)),
    axis((0, 1), (1, 0)),
    diagonal((1, 1), (-1, 1)),
    diagonal((-1, 1), (1, 1)),
    knight((2, 1), (-1, 2)),
    knight((1, 2), (-2, 1)),
    knight((-1, 2), (2, 1)),
    knight((-2, 1), (1, 2)),
];

const fn axis(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: AXIS, across, sides: [(2, 3), (4, 5)] }
}

const fn diagonal(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: DIAGONAL, across, sides: [(2, 2), (3, 3)] }
}

const fn knight(along: (isize, isize), across: (isize, isize)) -> Direction {
    Direction { along, weights: KNIGHT, across, sides: [(1, 1), (2, 2)] }
}

/// Strength of dark lines.
pub fn strength(filled: &Filled) -> BoundaryMap {
    let report = levels(filled);
    let width = filled.picture.width();
    let mut strength = Grid::filled(width, filled.picture.height(), 0u8);
    let scale = (255.0 * 65536.0 / (report.full * f64::from(UNITS))).round() as i32;
    strength.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, rows)| {
        let lines = rows.len() / width;
        let (dark, _) = respond(&filled.picture, band * BAND_ROWS, lines);
        for (pixel, &response) in rows.iter_mut().zip(&dark) {
            *pixel = ((i32::from(response.max(0)) * scale) >> 16).min(255) as u8;
        }
    });
    BoundaryMap { strength, report }
}

fn levels(filled: &Filled) -> Levels {
    let (width, height) = (filled.picture.width(), filled.picture.height());
    let mut forward = vec![0u64; 256 * usize::from(UNITS as u16)];
    let mut reversed = forward.clone();
    let step = ((width * height) / (1 << 20)).max(1);
    for band in (0..height.div_ceil(BAND_ROWS)).step_by(step) {
        let first = band * BAND_ROWS;
        let lines = BAND_ROWS.min(height - first);
        let (dark, bright) = respond(&filled.picture, first, lines);
        for (i, (d, b)) in dark.iter().zip(&bright).enumerate() {
            if filled.covered.as_slice()[first * width + i] == 0 {
                forward[(*d).max(0) as usize] += 1;
                reversed[(*b).max(0) as usize] += 1;
            }
        }
    }
    let q = |h: &[u64]| [0.5, 0.9, 0.95, 0.99].map(|p| quantile(h, p) / f64::from(UNITS));
    let (forward, reversed) = (q(&forward), q(&reversed));
    Levels { full: (6.0 * reversed[1]).max(1.3 * forward[3]).max(6.0), forward, reversed }
}

fn quantile(counts: &[u64], share: f64) -> f64 {
    let total: u64 = counts.iter().sum();
    let wanted = (total as f64 * share) as u64;
    let mut seen = 0;
    for (value, &count) in counts.iter().enumerate() {
        seen += count;
        if seen > wanted {
            return value as f64;
        }
    }
    0.0
}

/// Rows of a picture from `first` on, widened by [`MARGIN`].
struct Rows {
    first: isize,
    stride: usize,
    data: Vec<i16>,
}

impl Rows {
    fn new(first: isize, rows: usize, width: usize) -> Self {
        let stride = width + 2 * MARGIN;
        Self { first, stride, data: vec![0; rows * stride] }
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

/// Largest response over directions and widths for dark and for bright lines, in 1/64 grey level.
fn respond(picture: &Grid<u8>, first: usize, lines: usize) -> (Vec<i16>, Vec<i16>) {
    let width = picture.width();
    let base = smoothed(picture, first, lines);
    let mut dark = vec![0i16; width * lines];
    let mut bright = vec![0i16; width * lines];
    let mut sums = Rows::new(first as isize - REACH as isize, lines + 2 * REACH, width);
    for direction in &DIRECTIONS {
        let side_rows = direction.sides.iter().map(|s| s.1 * direction.across.1.abs()).max().unwrap_or(0);
        for y in first as isize - side_rows..(first + lines) as isize + side_rows {
            sum_along(&base, direction, y, &mut sums);
        }
        for line in 0..lines {
            let y = (first + line) as isize;
            let centre = sums.shifted(y, 0, 0);
            for (near, far) in direction.sides {
                let side = |k: isize| sums.shifted(y + k * direction.across.1, k * direction.across.0, 0);
                compare(
                    centre,
                    [side(near), side(far), side(-near), side(-far)],
                    &mut dark[line * width..(line + 1) * width],
                    &mut bright[line * width..(line + 1) * width],
                );
            }
        }
    }
    (dark, bright)
}

fn compare(centre: &[i16], sides: [&[i16]; 4], dark: &mut [i16], bright: &mut [i16]) {
    let n = centre.len();
    let [a, b, c, d] = sides.map(|s| &s[..n]);
    let (dark, bright) = (&mut dark[..n], &mut bright[..n]);
    for x in 0..n {
        let left = (a[x] + b[x]) >> 1;
        let right = (c[x] + d[x]) >> 1;
        dark[x] = dark[x].max(left.min(right) - centre[x]);
        bright[x] = bright[x].max(centre[x] - left.max(right));
    }
}

fn sum_along(base: &Rows, direction: &Direction, y: isize, sums: &mut Rows) {
    let half = direction.weights.len() as isize / 2;
    let extra = 10;
    let out = &mut sums.row_mut(y)[MARGIN - extra..];
    out.fill(0);
    for (k, &weight) in (-half..).zip(direction.weights) {
        let taps = base.shifted(y + k * direction.along.1, k * direction.along.0, extra);
        for (sum, &tap) in out.iter_mut().zip(taps) {
            *sum += weight * tap;
        }
    }
}

/// Binomial 3 × 3 means, in quarter grey levels, rim pixels repeated outwards.
fn smoothed(picture: &Grid<u8>, first: usize, lines: usize) -> Rows {
    let (width, height) = (picture.width(), picture.height());
    let mut rows = Rows::new(first as isize - REACH as isize, lines + 2 * REACH, width);
    let mut column = vec![0i16; width + 2];
    let last = height as isize - 1;
    for y in rows.first..rows.first + (lines + 2 * REACH) as isize {
        let row = |dy: isize| picture.row((y + dy).clamp(0, last) as usize);
        for (x, ((&a, &b), &c)) in row(-1).iter().zip(row(0)).zip(row(1)).enumerate() {
            column[x + 1] = i16::from(a) + 2 * i16::from(b) + i16::from(c);
        }
        column[0] = column[1];
        column[width + 1] = column[width];
        let out = rows.row_mut(y);
        for (x, pixel) in out[MARGIN..MARGIN + width].iter_mut().enumerate() {
            *pixel = (column[x] + 2 * column[x + 1] + column[x + 2]) >> 2;
        }
        let (left, right) = (out[MARGIN], out[MARGIN + width - 1]);
        out[..MARGIN].fill(left);
        out[MARGIN + width..].fill(right);
    }
    rows
}
