//! Size, shape and place of each region of a label map.

use std::f64::consts::PI;
use std::ops::Range;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::differences::each_run;
use crate::grid::{Frame, Labels};
use crate::measure::hull::{Hull, RowExtent};
use crate::units::Spacing;

/// Rows that one task scans.
const BAND_ROWS: usize = 64;
/// Parts of a map whose runs are sorted at once; each has a table of all labels.
const SORTED_PARTS: usize = 8;

/// What is measured on every labelled region. Lengths and areas are in the unit of the spacing that was given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
    let height = labels.grid.height();
    let rows_of_part = height.div_ceil(SORTED_PARTS);
    let rows = |part: usize| part * rows_of_part..((part + 1) * rows_of_part).min(height);
    let parts: Vec<RunsByLabel> =
        (0..SORTED_PARTS).into_par_iter().map(|part| RunsByLabel::of(labels, rows(part))).collect();
    let size = (labels.grid.width(), height);
    (1..labels.count + 1)
        .into_par_iter()
        .with_min_len(16)
        .filter_map(|label| {
            let own = parts.iter().flat_map(move |part| part.runs_of(label));
            own.clone().next().map(|_| measure(label, own, size, spacing))
        })
        .collect()
}

/// Neighbouring pixels of one label in a row.
#[derive(Clone, Copy, Default)]
pub(crate) struct Run {
    pub label: u32,
    y: u32,
    start: u32,
    end: u32,
    /// Pixels of the run whose neighbour in the next row has another label.
    below: u32,
    /// Pixels with another label to the lower right, plus those with another label to the lower left.
    diagonal: u32,
}

/// Runs of the rows `own` of a map of `height` rows; `labels` holds them, from row `top` of the map on, and the one below.
pub(crate) fn runs_of_rows(labels: &Labels, (top, height): (usize, usize), own: Range<usize>) -> Vec<Run> {
    let bands: Vec<Vec<Run>> = (0..own.len().div_ceil(BAND_ROWS))
        .into_par_iter()
        .map(|band| {
            let first = own.start + band * BAND_ROWS;
            runs_in(labels, (top, height), first..(first + BAND_ROWS).min(own.end))
        })
        .collect();
    let mut all = Vec::with_capacity(bands.iter().map(Vec::len).sum());
    bands.into_iter().for_each(|band| all.extend(band));
    all
}

/// As [`runs_of_rows`], one row after the other.
fn runs_in(labels: &Labels, (top, height): (usize, usize), own: Range<usize>) -> Vec<Run> {
    let mut runs = Vec::new();
    for y in own {
        let next = (y + 1 < height).then(|| labels.grid.row(y + 1 - top));
        row_runs(labels.grid.row(y - top), next, y as u32, &mut runs);
    }
    runs
}

fn row_runs(row: &[u32], next: Option<&[u32]>, y: u32, runs: &mut Vec<Run>) {
    each_run(row, |Range { start, end }| {
        let label = row[start];
        if label != 0 {
            let (below, diagonal) = next.map_or_else(
                || ((end - start) as u32, 2 * (end - start) as u32),
                |next| exits(label, next, start, end),
            );
            runs.push(Run { label, y, start: start as u32, end: end as u32, below, diagonal });
        }
    });
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

/// Runs of some rows, sorted by their labels.
struct RunsByLabel {
    /// Those of label l are `runs[first[l]..first[l + 1]]`, in raster order.
    runs: Vec<Run>,
    first: Vec<u32>,
}

impl RunsByLabel {
    /// Counting sort of the runs of these rows.
    fn of(labels: &Labels, rows: Range<usize>) -> Self {
        let runs = runs_in(labels, (0, labels.grid.height()), rows);
        let mut first = vec![0u32; labels.count as usize + 2];
        runs.iter().for_each(|run| first[run.label as usize + 1] += 1);
        for label in 1..first.len() {
            first[label] += first[label - 1];
        }
        let mut next = first.clone();
        let mut sorted = vec![Run::default(); runs.len()];
        for run in runs {
            let place = &mut next[run.label as usize];
            sorted[*place as usize] = run;
            *place += 1;
        }
        Self { runs: sorted, first }
    }

    fn runs_of(&self, label: u32) -> impl Iterator<Item = &Run> + Clone {
        self.runs[self.first[label as usize] as usize..self.first[label as usize + 1] as usize].iter()
    }
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

/// Measures a region from its runs in raster order, in a map of `size` columns and rows.
pub(crate) fn measure<'a>(
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::grid::{Grid, Mask};
    use crate::options::Connectivity;
    use crate::segment::label::label;

    fn measure_mask(mask: &Mask, spacing: Spacing) -> Vec<Region> {
        regions(&label(mask, Connectivity::Eight), spacing)
    }

    fn disc(radius: f64, shift: (f64, f64)) -> Region {
        let side = (2.0 * radius) as usize + 9;
        let centre = (radius + 4.0 + shift.0, radius + 4.0 + shift.1);
        let mask =
            Grid::from_fn(side, side, |x, y| (x as f64 - centre.0).hypot(y as f64 - centre.1) <= radius);
        measure_mask(&mask, Spacing::PIXELS).remove(0)
    }

    /// Mean of a measure over a hundred positions of the disc between pixels.
    fn over_positions(radius: f64, measure: impl Fn(&Region) -> f64) -> f64 {
        let step = |k: u32| f64::from(k) / 10.0 + 0.05;
        let values = (0..100).map(|k| measure(&disc(radius, (step(k % 10), step(k / 10)))));
        values.sum::<f64>() / 100.0
    }

    #[test]
    fn perimeter_of_discs_has_the_known_bias_of_four_directions() {
        // Mean over subpixel positions, as fraction of 2πr; computed independently (project's check values, section 7).
        for (radius, known) in [(5.0, 0.9988), (10.0, 0.9986), (20.0, 0.9992), (100.0, 1.0001)] {
            let ratio = over_positions(radius, |region| region.perimeter) / (2.0 * PI * radius);
            assert!((ratio - known).abs() < 0.002, "radius {radius}: {ratio}");
        }
    }

    #[test]
    fn discs_are_round() {
        for (radius, tolerance) in [(10.0, 0.02), (20.0, 0.01), (100.0, 0.003)] {
            let form = over_positions(radius, Region::form_factor);
            assert!((form - 1.0).abs() < tolerance, "radius {radius}: {form}");
            let aspect = over_positions(radius, Region::aspect_ratio);
            // The longest of many chords exceeds, the shortest falls short of the diameter by part of a pixel.
            assert!(aspect > 1.0 - 1.2 / radius && aspect <= 1.0, "radius {radius}: {aspect}");
            // Pixel edges reach up to half a pixel beyond the disc at either end, and the longest distance finds them.
            let excess = over_positions(radius, |region| region.feret_max) - 2.0 * radius;
            assert!((0.0..1.0).contains(&excess), "radius {radius}: {excess}");
        }
    }

    #[test]
    fn form_factors_of_textbook_shapes() {
        // Square π/4, 2:1 rectangle 0.69813, 2:1 ellipse 0.84117 (4πA/P², exact). Four directions read the outline of
        // a shape along the axes 5 % short, since the weights assume that all directions occur alike.
        let shape = |inside: &dyn Fn(f64, f64) -> bool| {
            let mask = Grid::from_fn(500, 500, |x, y| inside(x as f64 - 249.5, y as f64 - 249.5));
            measure_mask(&mask, Spacing::PIXELS).remove(0)
        };
        let (sine, cosine) = 22.5f64.to_radians().sin_cos();
        let turned = |x: f64, y: f64| (x * cosine + y * sine, y * cosine - x * sine);
        let square = shape(&|x, y| {
            let (u, v) = turned(x, y);
            u.abs().max(v.abs()) < 120.0
        });
        assert!((square.form_factor() - PI / 4.0).abs() < 0.05, "{}", square.form_factor());
        let ellipse = shape(&|x, y| (x / 200.0).powi(2) + (y / 100.0).powi(2) < 1.0);
        assert!((ellipse.form_factor() - 0.84117).abs() < 0.01, "{}", ellipse.form_factor());
        assert!((ellipse.aspect_ratio() - 0.5).abs() < 0.005);
        // Between the steps of the outline and the hull lies less than half a pixel per pixel of perimeter.
        let slivers = (1.0 / ellipse.solidity - 1.0) * ellipse.area;
        assert!(slivers < 0.5 * ellipse.perimeter, "{slivers}");
    }

    #[test]
    fn one_pixel() {
        let region = measure_mask(&Grid::filled(1, 1, true), Spacing::PIXELS).remove(0);
        assert_eq!((region.area_px, region.feret_max, region.solidity), (1, 1.0, 1.0));
        assert_eq!(region.bounding_box, Frame { x: 0, y: 0, width: 1, height: 1 });
        assert!(region.touches_frame);
    }

    #[test]
    fn an_empty_map_has_no_regions() {
        assert!(measure_mask(&Grid::filled(3, 3, false), Spacing::PIXELS).is_empty());
    }

    #[test]
    fn orientation_counts_counter_clockwise_as_seen() {
        let line = |dx: isize, dy: isize| {
            let mask = Grid::from_fn(41, 41, |x, y| {
                let (u, v) = (x as isize - 20, y as isize - 20);
                (u * dy - v * dx).abs() <= 1
            });
            measure_mask(&mask, Spacing::PIXELS).remove(0).orientation_deg
        };
        assert!(line(1, 0).abs() < 1e-9);
        assert!((line(0, 1) - 90.0).abs() < 1e-9);
        // Rows count downwards: up to the right is dx = 1, dy = -1.
        assert!((line(1, -1) - 45.0).abs() < 1e-9);
        assert!((line(1, 1) + 45.0).abs() < 1e-9);
    }

    #[test]
    fn pixels_that_are_not_square_stretch_the_measures() {
        // A disc on pixels of 2 by 1 is an ellipse of 40 by 20 px.
        let mask = Grid::from_fn(60, 90, |x, y| (2.0 * (x as f64 - 29.6)).hypot(y as f64 - 44.3) <= 40.0);
        let region = measure_mask(&mask, Spacing::um(2.0, 1.0)).remove(0);
        let relative = |value: f64, known: f64| (value / known - 1.0).abs();
        assert!(relative(region.area, PI * 1600.0) < 0.01, "{}", region.area);
        assert!(relative(region.perimeter, 2.0 * PI * 40.0) < 0.02, "{}", region.perimeter);
        assert!(relative(region.feret_max, 80.0) < 0.03 && relative(region.feret_min, 80.0) < 0.03);
    }

    fn masks() -> impl Strategy<Value = Mask> {
        (1usize..30, 1usize..90).prop_flat_map(|(width, height)| {
            prop::collection::vec(prop::bool::weighted(0.4), width * height)
                .prop_map(move |values| Grid::new(width, height, values).unwrap())
        })
    }

    proptest! {
        #[test]
        fn sums_agree_with_single_pixels(mask in masks()) {
            let labels = label(&mask, Connectivity::Eight);
            for region in regions(&labels, Spacing::PIXELS) {
                let pixels: Vec<(usize, usize)> = (0..mask.len())
                    .filter(|&i| labels.grid.as_slice()[i] == region.label)
                    .map(|i| (i % mask.width(), i / mask.width()))
                    .collect();
                let mean = |of: &dyn Fn(&(usize, usize)) -> usize| {
                    pixels.iter().map(of).sum::<usize>() as f64 / pixels.len() as f64
                };
                prop_assert_eq!(region.area_px as usize, pixels.len());
                prop_assert!((region.centroid_x_px - mean(&|p| p.0)).abs() < 1e-9);
                prop_assert!((region.centroid_y_px - mean(&|p| p.1)).abs() < 1e-9);
                prop_assert!(region.solidity > 0.0 && region.solidity <= 1.0);
                prop_assert!(region.feret_min <= region.feret_max);
            }
        }

        #[test]
        fn a_scale_twice_as_large_doubles_lengths(mask in masks()) {
            let once = measure_mask(&mask, Spacing::um(0.5, 0.5));
            let twice = measure_mask(&mask, Spacing::um(1.0, 1.0));
            for (a, b) in once.iter().zip(&twice) {
                prop_assert_eq!(4.0 * a.area, b.area);
                for (a, b) in [(a.perimeter, b.perimeter), (a.feret_max, b.feret_max), (a.feret_min, b.feret_min)] {
                    prop_assert!((2.0 * a - b).abs() < 1e-9);
                }
                prop_assert!((a.form_factor() - b.form_factor()).abs() < 1e-9);
            }
        }

        #[test]
        fn a_mirrored_map_has_the_same_measures(mask in masks()) {
            let mirrored = Grid::from_fn(mask.width(), mask.height(), |x, y| mask.at(mask.width() - 1 - x, y));
            let key = |region: &Region| {
                let micro = |v: f64| (v * 1e6).round() as i64;
                (region.area_px, micro(region.perimeter), micro(region.feret_max), micro(region.feret_min),
                 micro(region.solidity), region.touches_frame)
            };
            let mut one: Vec<_> = measure_mask(&mask, Spacing::PIXELS).iter().map(key).collect();
            let mut other: Vec<_> = measure_mask(&mirrored, Spacing::PIXELS).iter().map(key).collect();
            one.sort_unstable();
            other.sort_unstable();
            prop_assert_eq!(one, other);
        }
    }
}
