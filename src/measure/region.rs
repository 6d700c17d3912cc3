//! Size, shape and place of each region of a label map.

use std::f64::consts::PI;

use rayon::prelude::*;

use crate::grid::{Frame, Labels};
use crate::measure::hull::{Hull, RowExtent};
use crate::units::Spacing;

/// Rows that one task scans.
const BAND_ROWS: usize = 64;

/// What is measured on every labelled region. Lengths and areas are in the unit of the spacing that was given.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    /// Label in the map, from 1.
    pub label: u32,
    /// Pixels.
    pub area_px: u64,
    /// Pixels times the area of one.
    pub area: f64,
    /// Column of the centre of gravity, in px from the centre of the first column.
    pub centroid_x_px: f64,
    /// Row of the centre of gravity, in px from the centre of the first row.
    pub centroid_y_px: f64,
    /// Bounding box: first column, first row, columns, rows.
    pub bounding_box: Frame,
    /// Diameter of the circle of the same area, √(4A/π).
    pub equivalent_diameter: f64,
    /// Perimeter after Crofton from four directions; unbiased for isotropic outlines. The frame counts as outline.
    pub perimeter: f64,
    /// Largest distance between parallel tangents to the midpoints of pixel edges.
    pub feret_max: f64,
    /// Smallest distance between parallel tangents to the midpoints of pixel edges.
    pub feret_min: f64,
    /// Direction of the longest axis of the second moments, in degrees from the row direction, counter-clockwise as
    /// seen, in (-90, 90].
    pub orientation_deg: f64,
    /// Pixels divided by pixels whose centre lies in the convex hull of the midpoints of pixel edges; at most 1.
    pub solidity: f64,
    /// Whether a pixel lies on the rim of the map.
    pub touches_frame: bool,
}

impl Region {
    /// Form factor 4πA/P²: 1 for a circle, smaller for ragged outlines. May exceed 1 by the error of the perimeter.
    pub fn form_factor(&self) -> f64 {
        4.0 * std::f64::consts::PI * self.area / (self.perimeter * self.perimeter)
    }

    /// Smallest over largest Feret diameter, in (0, 1].
    pub fn aspect_ratio(&self) -> f64 {
        self.feret_min / self.feret_max
    }
}

/// Measures every label of a map, in the order of the labels.
///
/// One pass over the map collects runs of equal labels; each region is then measured from its runs alone. Regions need
/// not be connected. Sums are exact, so the result is the same for any number of threads.
///
/// # References
/// Perimeter: four directions, each weighted by its share of all directions, M. W. Crofton, Phil. Trans. R. Soc. 158
/// (1868) 181; D. Legland, K. Kiêu, M.-F. Devaux, Image Anal. Stereol. 26 (2007) 83.
pub fn regions(labels: &Labels, spacing: Spacing) -> Vec<Region> {
    let runs = runs(labels);
    let (first, order) = by_label(&runs, labels.count as usize);
    let size = (labels.grid.width(), labels.grid.height());
    (1..labels.count as usize + 1)
        .into_par_iter()
        .with_min_len(16)
        .filter(|&label| first[label] < first[label + 1])
        .map(|label| {
            let own = order[first[label] as usize..first[label + 1] as usize].iter();
            measure(label as u32, own.map(|&run| &runs[run as usize]), size, spacing)
        })
        .collect()
}

/// Neighbouring pixels of one label in a row.
struct Run {
    label: u32,
    y: u32,
    start: u32,
    end: u32,
    /// Pixels of the run whose neighbour in the next row has another label.
    below: u32,
    /// Pixels with another label to the lower right, plus those with another label to the lower left.
    diagonal: u32,
}

fn runs(labels: &Labels) -> Vec<Run> {
    let height = labels.grid.height();
    let bands: Vec<Vec<Run>> = (0..height.div_ceil(BAND_ROWS))
        .into_par_iter()
        .map(|band| {
            let mut runs = Vec::new();
            for y in band * BAND_ROWS..((band + 1) * BAND_ROWS).min(height) {
                let next = (y + 1 < height).then(|| labels.grid.row(y + 1));
                row_runs(labels.grid.row(y), next, y as u32, &mut runs);
            }
            runs
        })
        .collect();
    let mut all = Vec::with_capacity(bands.iter().map(Vec::len).sum());
    bands.into_iter().for_each(|band| all.extend(band));
    all
}

fn row_runs(row: &[u32], next: Option<&[u32]>, y: u32, runs: &mut Vec<Run>) {
    let mut x = 0;
    while x < row.len() {
        let label = row[x];
        let start = x;
        x += row[x..].iter().position(|&other| other != label).unwrap_or(row.len() - x);
        if label != 0 {
            let (below, diagonal) = next.map_or_else(
                || ((x - start) as u32, 2 * (x - start) as u32),
                |next| exits(label, next, start, x),
            );
            runs.push(Run { label, y, start: start as u32, end: x as u32, below, diagonal });
        }
    }
}

/// Pixels of a run that are left straight down, and diagonally down to either side. Beyond the frame is outside.
fn exits(label: u32, next: &[u32], start: usize, end: usize) -> (u32, u32) {
    let same =
        |range: std::ops::Range<usize>| next[range].iter().map(|&l| u32::from(l == label)).sum::<u32>();
    let length = (end - start) as u32;
    let straight = same(start..end);
    let first = u32::from(next[start] == label);
    let last = u32::from(next[end - 1] == label);
    let before = u32::from(start > 0 && next[start - 1] == label);
    let after = u32::from(end < next.len() && next[end] == label);
    // Shifting the run by one pixel exchanges one pixel at each end.
    let right = straight - first + after;
    let left = straight - last + before;
    (length - straight, 2 * length - right - left)
}

/// Counting sort: runs of label l are `order[first[l]..first[l + 1]]`, in raster order.
fn by_label(runs: &[Run], count: usize) -> (Vec<u32>, Vec<u32>) {
    let mut first = vec![0u32; count + 2];
    runs.iter().for_each(|run| first[run.label as usize + 1] += 1);
    for label in 1..first.len() {
        first[label] += first[label - 1];
    }
    let mut next = first.clone();
    let mut order = vec![0u32; runs.len()];
    for (index, run) in runs.iter().enumerate() {
        let place = &mut next[run.label as usize];
        order[*place as usize] = index as u32;
        *place += 1;
    }
    (first, order)
}

/// Exact sums over the pixels of a region, from its upper left corner.
#[derive(Default)]
struct Sums {
    area: u64,
    x: u64,
    y: u64,
    xx: u128,
    yy: u128,
    xy: u128,
    across: u64,
    below: u64,
    diagonal: u64,
}

fn measure<'a>(
    label: u32,
    runs: impl Iterator<Item = &'a Run> + Clone,
    size: (usize, usize),
    spacing: Spacing,
) -> Region {
    let frame = bounding_box(runs.clone());
    let mut sums = Sums::default();
    let mut rows: Vec<RowExtent> = Vec::with_capacity(frame.height);
    for run in runs {
        sums.add(run, frame);
        match rows.last_mut() {
            Some(row) if row.y == run.y => row.last = run.end - 1,
            _ => rows.push(RowExtent { y: run.y, first: run.start, last: run.end - 1 }),
        }
    }
    let hull = Hull::of(&rows);
    let (feret_min, feret_max) = hull.feret(spacing);
    let area = sums.area as f64 * spacing.pixel_area();
    Region {
        label,
        area_px: sums.area,
        area,
        centroid_x_px: frame.x as f64 + sums.x as f64 / sums.area as f64,
        centroid_y_px: frame.y as f64 + sums.y as f64 / sums.area as f64,
        bounding_box: frame,
        equivalent_diameter: (4.0 * area / PI).sqrt(),
        perimeter: sums.perimeter(spacing),
        feret_max,
        feret_min,
        orientation_deg: sums.orientation_deg(spacing),
        solidity: sums.area as f64 / hull.pixels() as f64,
        touches_frame: frame.x == 0
            || frame.y == 0
            || frame.x + frame.width == size.0
            || frame.y + frame.height == size.1,
    }
}

fn bounding_box<'a>(runs: impl Iterator<Item = &'a Run>) -> Frame {
    let (mut left, mut right, mut top, mut bottom) = (u32::MAX, 0, u32::MAX, 0);
    for run in runs {
        left = left.min(run.start);
        right = right.max(run.end);
        top = top.min(run.y);
        bottom = bottom.max(run.y + 1);
    }
    Frame {
        x: left as usize,
        y: top as usize,
        width: (right - left) as usize,
        height: (bottom - top) as usize,
    }
}

impl Sums {
    fn add(&mut self, run: &Run, frame: Frame) {
        let start = u64::from(run.start) - frame.x as u64;
        let end = u64::from(run.end) - frame.x as u64;
        let y = u64::from(run.y) - frame.y as u64;
        let length = end - start;
        let sum = length * (start + end - 1) / 2;
        // Squares below n sum to (n − 1) n (2n − 1) / 6.
        let squares_below = |n: u128| if n == 0 { 0 } else { (n - 1) * n * (2 * n - 1) / 6 };
        self.area += length;
        self.x += sum;
        self.y += y * length;
        self.xx += squares_below(u128::from(end)) - squares_below(u128::from(start));
        self.yy += u128::from(y * y * length);
        self.xy += u128::from(y) * u128::from(sum);
        self.across += 1;
        self.below += u64::from(run.below);
        self.diagonal += u64::from(run.diagonal);
    }

    /// Crofton: Σ over directions of (share of all directions · π) · (lines' distance) · (exits along the lines).
    fn perimeter(&self, spacing: Spacing) -> f64 {
        let Spacing { x, y, .. } = spacing;
        let slope = y.atan2(x);
        let straight = slope * y * self.across as f64 + (PI / 2.0 - slope) * x * self.below as f64;
        straight + PI / 4.0 * (x * y / x.hypot(y)) * self.diagonal as f64
    }

    /// Direction of the longest axis of the second moments; 0 where there is none.
    fn orientation_deg(&self, spacing: Spacing) -> f64 {
        let area = self.area as f64;
        let central = |product: u128, a: u64, b: u64| {
            // n Σab − Σa Σb is exact in 128 bits for regions below 2³¹ pixels a side.
            let exact = u128::from(self.area) * product;
            let mean = u128::from(a) * u128::from(b);
            (if exact >= mean { (exact - mean) as f64 } else { -((mean - exact) as f64) }) / (area * area)
        };
        let xx = central(self.xx, self.x, self.x) * spacing.x * spacing.x;
        let yy = central(self.yy, self.y, self.y) * spacing.y * spacing.y;
        // Rows count downwards, angles upwards.
        let xy = -central(self.xy, self.x, self.y) * spacing.x * spacing.y;
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy).to_degrees();
        if angle <= -90.0 { angle + 180.0 } else { angle }
    }
}
