//! Whether a void looks like a pulled-out grain: as large as one, and angular or at the end of a scratch.

use std::f64::consts::PI;
use std::ops::Range;

use rayon::prelude::*;

use crate::differences::each_run;
use crate::grid::{Frame, Grid, Labels};
use crate::measure::hull::{Hull, RowExtent};
use crate::measure::region::Region;
use crate::units::Spacing;

/// Pixels that one task sums, in 32 bits: 2¹⁶ · 255 is below 2³².
const CHUNK_PX: usize = 1 << 16;
/// Tasks that count the areas of grains, each in a table of its own.
const COUNTING_TASKS: usize = 8;
/// A void is grain-sized if its area lies between these multiples of the median grain area.
const GRAIN_SIZED: (f64, f64) = (0.5, 4.0);
/// With fewer grains their size range is not known, and nothing is called pull-out.
const FEWEST_GRAINS: usize = 20;
/// An angular void fills its convex hull to this share …
const ANGULAR_SOLIDITY: f64 = 0.92;
/// … and its hull keeps no more sides than this once corners flatter than [`FLAT_CORNER`] are taken off.
const MOST_SIDES: usize = 7;
/// A corner is flat if it stands less than this share of the largest Feret diameter (at least one pixel) above the
/// line between its neighbours. A circle keeps 10 sides or more at this tolerance.
const FLAT_CORNER: f64 = 0.025;
/// Outlines of smaller voids are too coarse to tell sides from curves, in px of equivalent diameter.
const SMALLEST_ANGULAR_PX: f64 = 24.0;
/// A scratch goes on straight for this multiple of the mean grain diameter, where boundaries would turn.
const SCRATCH_LENGTH: f64 = 2.0;
/// A scratch is darker than either side by this share of the distance between solid and pores.
const SCRATCH_DEPTH: f64 = 0.1;
/// Share of the points along a scratch that must be darker than both sides.
const SCRATCH_SHARE: f64 = 0.85;
/// A scratch that goes on behind the void along this share of the same length only passes it.
const PASSING_SHARE: f64 = 0.4;
/// How far behind a void a scratch may lie beside the line that was followed to it, in px.
const PASSING_DRIFT_PX: i32 = 4;
/// Sides are looked at this far from the middle of a scratch, in px.
const SCRATCH_SIDE_PX: f64 = 4.0;
/// The blurred rim of the void is skipped, in px.
const SCRATCH_START_PX: f64 = 3.0;
/// A scratch leaves the void at no more than this angle to the radius, in degrees.
const STEEPEST_DEG: i32 = 60;

/// How large the grains are, in px.
pub(crate) struct GrainRange {
    median_area: f64,
    mean_diameter: f64,
}

impl GrainRange {
    /// From the pixels of each label, 0 included; `None` with too few grains.
    pub fn of(areas: &[u64]) -> Option<Self> {
        let mut areas: Vec<u64> = areas.iter().copied().skip(1).filter(|&area| area > 0).collect();
        if areas.len() < FEWEST_GRAINS {
            return None;
        }
        areas.sort_unstable();
        let diameters: f64 = areas.iter().map(|&area| (4.0 * area as f64 / PI).sqrt()).sum();
        Some(Self {
            median_area: areas[areas.len() / 2] as f64,
            mean_diameter: diameters / areas.len() as f64,
        })
    }

    /// Whether a void is as large as a grain, and whole.
    pub fn may_be_grain(&self, region: &Region) -> bool {
        let times_median = region.area_px as f64 / self.median_area;
        (GRAIN_SIZED.0..=GRAIN_SIZED.1).contains(&times_median) && !region.touches_frame
    }

    /// How far from the middle of a void its signs of pull-out may lie, in px, with some to spare.
    pub fn reach(&self, region: &Region) -> usize {
        let (width, height) = (region.bounding_box.width as f64, region.bounding_box.height as f64);
        let radius = width.hypot(height) / 2.0 + SCRATCH_START_PX;
        (3.0 * radius + SCRATCH_LENGTH * self.mean_diameter) as usize + 32
    }
}

/// Pixels of each label, from 0 on.
pub(super) fn areas(labels: &Labels) -> Vec<u64> {
    let slots = labels.count as usize + 1;
    let counted = |pixels: &[u32]| {
        let mut areas = vec![0u64; slots];
        each_run(pixels, |run| areas[pixels[run.start] as usize] += run.len() as u64);
        areas
    };
    let parts: Vec<Vec<u64>> =
        labels.grid.as_slice().par_chunks(labels.grid.len().div_ceil(COUNTING_TASKS)).map(counted).collect();
    let mut total = vec![0u64; slots];
    parts.iter().for_each(|part| total.iter_mut().zip(part).for_each(|(sum, &area)| *sum += area));
    total
}

/// Pixels in pores, the sum of their greys, that of all greys, and all pixels.
#[derive(Clone, Copy, Default)]
pub(crate) struct Greys([u64; 4]);

impl Greys {
    /// Takes in other rows.
    pub fn add(&mut self, other: Self) {
        self.0.iter_mut().zip(other.0).for_each(|(sum, more)| *sum += more);
    }

    /// Mean grey outside of pores minus mean grey in pores; below zero for bright pores.
    pub fn contrast(self) -> f64 {
        let Self([count, dark, all, pixels]) = self;
        let mean = |sum: u64, count: u64| sum as f64 / count.max(1) as f64;
        mean(all - dark, pixels - count) - mean(dark, count)
    }

    /// Of some rows.
    pub fn of(pores: &Grid<u32>, picture: &Grid<u8>) -> Self {
        Self::of_pixels(pores.as_slice(), picture.as_slice())
    }

    /// Of any stretch of pixels.
    pub fn of_pixels(pores: &[u32], picture: &[u8]) -> Self {
        let pairs = pores.par_chunks(CHUNK_PX).zip(picture.par_chunks(CHUNK_PX));
        let sums = |(labels, greys): (&[u32], &[u8])| {
            let (mut count, mut dark, mut all) = (0u32, 0u32, 0u32);
            for (&label, &grey) in labels.iter().zip(greys) {
                count += u32::from(label != 0);
                dark += if label != 0 { u32::from(grey) } else { 0 };
                all += u32::from(grey);
            }
            [count, dark, all].map(u64::from)
        };
        let [count, dark, all] =
            pairs.map(sums).reduce(|| [0; 3], |a, b| [a[0] + b[0], a[1] + b[1], a[2] + b[2]]);
        Self([count, dark, all, pores.len() as u64])
    }
}

/// Sides left after the flattest corner has been taken off again and again, while it is flatter than `tolerance`.
fn sides(mut corners: Vec<(f64, f64)>, tolerance: f64) -> usize {
    while corners.len() > 3 {
        let count = corners.len();
        let height = |index: usize| {
            let (a, b) = (corners[(index + count - 1) % count], corners[(index + 1) % count]);
            let (dx, dy) = (b.0 - a.0, b.1 - a.1);
            let (px, py) = (corners[index].0 - a.0, corners[index].1 - a.1);
            (dx * py - dy * px).abs() / dx.hypot(dy)
        };
        let flattest = (0..count).min_by(|&a, &b| height(a).total_cmp(&height(b))).unwrap_or(0);
        if height(flattest) >= tolerance {
            break;
        }
        corners.remove(flattest);
    }
    corners.len()
}

/// A straight line through a picture.
struct Ray {
    start: (f64, f64),
    cosine: f64,
    sine: f64,
}

impl Ray {
    /// Pixel at `along` px from the start and `aside` px to the right; `None` outside of a picture of this size.
    fn pixel(&self, size: (usize, usize), along: f64, aside: f64) -> Option<(usize, usize)> {
        // Half a pixel on and cut off is the nearest pixel; `round` is a call where the processor is not known.
        let x = self.start.0 + self.cosine * along - self.sine * aside + 0.5;
        let y = self.start.1 + self.sine * along + self.cosine * aside + 0.5;
        let inside = x >= 0.0 && y >= 0.0;
        // Columns and rows fit into 32 bits, to which the processor converts several times as fast.
        let (x, y) = (x as u32 as usize, y as u32 as usize);
        (inside && x < size.0 && y < size.1).then_some((x, y))
    }

    /// Steps of one pixel back from the start, fewer than `farthest`, outside of which the ray meets no pixel of `frame`.
    fn steps_back_over(&self, frame: Frame, farthest: i32) -> Range<i32> {
        let across = [
            (self.start.0, self.cosine, frame.x, frame.width),
            (self.start.1, self.sine, frame.y, frame.height),
        ];
        let (mut first, mut last) = (0.0f64, f64::from(farthest));
        for (start, slope, low, length) in across {
            // Half a pixel beyond the outer pixels' rims on either side, which is more than rounding adds up to.
            let (one, other) = ((start - low as f64 + 1.0) / slope, (start - (low + length) as f64) / slope);
            (first, last) = (first.max(one.min(other)), last.min(one.max(other)));
        }
        first as i32..(last as i32 + 1).min(farthest)
    }
}

/// Steps from one grey to another, from -255 to 255.
const STEPS: usize = 511;
/// Whole degrees to the radius at which a scratch may leave a void.
const TURNS: usize = 2 * STEEPEST_DEG as usize + 1;

/// How scratches look in a picture, worked out once for the thousands of points that are asked.
pub(crate) struct Scratches {
    /// For each step in grey from a line to its side, from -255 on, whether the line is a scratch's by its depth.
    is_deep: [bool; STEPS],
    /// Cosine and sine of each angle to the radius, from the most negative on.
    turns: [(f64, f64); TURNS],
}

impl Scratches {
    /// In a picture with the signed distance `contrast` from pores to solid: scratches have the tone of pores.
    pub fn at(contrast: f64) -> Self {
        let turn = |k: usize| f64::from(k as i32 - STEEPEST_DEG).to_radians();
        Self {
            is_deep: std::array::from_fn(|step| (step as f64 - 255.0) / contrast >= SCRATCH_DEPTH),
            turns: std::array::from_fn(|k| (turn(k).cos(), turn(k).sin())),
        }
    }
}

/// Where signs of pull-out are looked for: a picture, or a part of it that holds all that is looked at.
pub(crate) struct Surroundings<'a> {
    /// Labels of the part.
    pub pores: &'a Grid<u32>,
    /// Greys of the part.
    pub picture: &'a Grid<u8>,
    /// Column and row of its first pixel in the whole picture.
    pub corner: (usize, usize),
    /// Columns and rows of the whole picture.
    pub size: (usize, usize),
    /// What scratches look like.
    pub scratches: &'a Scratches,
}

impl Surroundings<'_> {
    /// Whether a void that is as large as a grain is angular or at the end of a scratch.
    pub fn looks_pulled_out(&self, region: &Region, range: &GrainRange) -> bool {
        self.is_angular(region) || self.has_scratch(region, SCRATCH_LENGTH * range.mean_diameter)
    }

    /// Whether a void is convex with a few straight sides.
    fn is_angular(&self, region: &Region) -> bool {
        let diameter_px = (4.0 * region.area_px as f64 / PI).sqrt();
        if region.solidity < ANGULAR_SOLIDITY || diameter_px < SMALLEST_ANGULAR_PX {
            return false;
        }
        let hull = Hull::of(&self.extents(region));
        let corners = hull.corners(Spacing::PIXELS);
        let (_, feret_max) = hull.feret(Spacing::PIXELS);
        sides(corners, (FLAT_CORNER * feret_max).max(1.0)) <= MOST_SIDES
    }

    fn extents(&self, region: &Region) -> Vec<RowExtent> {
        let frame = region.bounding_box;
        let left = frame.x - self.corner.0;
        (frame.y..frame.y + frame.height)
            .filter_map(|y| {
                let row = &self.pores.row(y - self.corner.1)[left..left + frame.width];
                let first = row.iter().position(|&label| label == region.label)?;
                let last = row.iter().rposition(|&label| label == region.label)?;
                Some(RowExtent {
                    y: y as u32,
                    first: (frame.x + first) as u32,
                    last: (frame.x + last) as u32,
                })
            })
            .collect()
    }

    /// Whether a straight line of `length` px leaves the void, in whatever direction and from whatever side of it.
    ///
    /// Such a line crosses the circle around the void's bounding box, where it is looked for; from each dark point of the
    /// circle lines are tried outwards, and followed back to the void.
    fn has_scratch(&self, region: &Region, length: f64) -> bool {
        let frame = region.bounding_box;
        let middle = |start: usize, length: usize| start as f64 + (length as f64 - 1.0) / 2.0;
        let (x, y) = (middle(frame.x, frame.width), middle(frame.y, frame.height));
        let radius = (frame.width as f64).hypot(frame.height as f64) / 2.0 + SCRATCH_START_PX;
        let points = (2.0 * PI * radius).ceil() as usize;
        (0..points).any(|point| {
            let outwards = 2.0 * PI * point as f64 / points as f64;
            let (sine, cosine) = outwards.sin_cos();
            let start = (x + radius * cosine, y + radius * sine);
            self.is_line_point(&Ray { start, cosine, sine }, 0.0, 0.0)
                && self.scratches.turns.iter().any(|turn| {
                    // Of the sum of both angles.
                    let (cosine, sine) = (cosine * turn.0 - sine * turn.1, sine * turn.0 + cosine * turn.1);
                    self.is_scratch(&Ray { start, cosine, sine }, region, 2.0 * radius, length)
                })
        })
    }

    fn label_at(&self, ray: &Ray, along: f64) -> Option<u32> {
        let (x, y) = ray.pixel(self.size, along, 0.0)?;
        Some(self.pores.at(x - self.corner.0, y - self.corner.1))
    }

    /// Whether the line, `shift` px to its right, is clearly nearer to the pores' grey than both of its sides, none of
    /// them in a pore.
    fn is_line_point(&self, ray: &Ray, along: f64, shift: f64) -> bool {
        let pixel = |aside: f64| {
            let (x, y) = ray.pixel(self.size, along, shift + aside)?;
            Some((x - self.corner.0, y - self.corner.1))
        };
        let (Some(line), Some(left), Some(right)) =
            (pixel(0.0), pixel(-SCRATCH_SIDE_PX), pixel(SCRATCH_SIDE_PX))
        else {
            return false;
        };
        let grey = |(x, y): (usize, usize)| usize::from(self.picture.at(x, y));
        let deep = |side| self.scratches.is_deep[255 + grey(side) - grey(line)];
        // Both sides without a branch between them, which no processor could foresee; most points fail here, and of the others
        // most lie in no pore.
        (deep(left) & deep(right)) && [line, left, right].iter().all(|&(x, y)| self.pores.at(x, y) == 0)
    }

    /// Whether the line leads back to the void within `farthest` px and is dark from there over `length` px.
    fn is_scratch(&self, ray: &Ray, region: &Region, farthest: f64, length: f64) -> bool {
        let back = ray
            .steps_back_over(region.bounding_box, farthest as i32)
            .map(|step| -f64::from(step))
            .find(|&along| self.label_at(ray, along) == Some(region.label));
        let Some(rim) = back else { return false };
        let steps = length.ceil() as usize;
        let allowed = ((1.0 - SCRATCH_SHARE) * steps as f64) as usize;
        let mut misses = 0;
        // From the far end, where most boundaries that pose as scratches are left soonest.
        let is_line = (0..steps).rev().all(|step| {
            misses += usize::from(!self.is_line_point(ray, rim + SCRATCH_START_PX + step as f64, 0.0));
            misses <= allowed
        });
        is_line && !self.goes_on_behind(ray, region.label, rim, steps)
    }

    /// Whether the line that leaves the void at `rim` also leaves it on the other side.
    fn goes_on_behind(&self, ray: &Ray, label: u32, rim: f64, steps: usize) -> bool {
        let in_void = |along: f64| self.label_at(ray, along) == Some(label);
        let mut behind = rim;
        while in_void(behind) {
            behind -= 1.0;
        }
        // A ray in whole degrees leaves the scratch by some pixels across the void.
        let is_line = |&step: &usize| {
            let along = behind - SCRATCH_START_PX - step as f64;
            (-PASSING_DRIFT_PX..=PASSING_DRIFT_PX)
                .any(|shift| self.is_line_point(ray, along, f64::from(shift)))
        };
        (0..steps).filter(is_line).count() as f64 >= PASSING_SHARE * steps as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ray_meets_a_frame_within_its_steps_only() {
        let frame = Frame { x: 40, y: 30, width: 9, height: 14 };
        let (middle, radius, farthest) = ((44.0, 36.5), 11.0, 22);
        let mut met = 0;
        for outwards in (0..360).step_by(3) {
            let (sine, cosine) = f64::from(outwards).to_radians().sin_cos();
            let start = (middle.0 + radius * cosine, middle.1 + radius * sine);
            for turn in -60..=60 {
                let (sine, cosine) = f64::from(outwards + turn).to_radians().sin_cos();
                let ray = Ray { start, cosine, sine };
                let steps = ray.steps_back_over(frame, farthest);
                for step in 0..farthest {
                    let (x, y) = ray.pixel((100, 100), -f64::from(step), 0.0).unwrap();
                    let over = (frame.x..frame.x + frame.width).contains(&x)
                        && (frame.y..frame.y + frame.height).contains(&y);
                    assert!(!over || steps.contains(&step), "{outwards} {turn} {step} {steps:?}");
                    met += usize::from(over);
                }
            }
        }
        assert!(met > 10_000, "{met}");
    }

    #[test]
    fn areas_are_those_of_a_plain_count() {
        let grid = Grid::from_fn(37, 23, |x, y| ((x / 3 + y / 5 * 7) % 11) as u32);
        let mut plain = vec![0u64; 11];
        grid.as_slice().iter().for_each(|&label| plain[label as usize] += 1);
        assert_eq!(areas(&Labels { grid, count: 10 }), plain);
    }
}
