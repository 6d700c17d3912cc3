//! A level for each pixel at the height of the steepest edges around it: for two phases of like share.

use std::array::from_fn;

use rayon::prelude::*;

use super::modes::modes;
use crate::blur::gaussian;
use crate::grid::{Grid, Labels, Mask};
use crate::options::Connectivity;
use crate::segment::label::label;

/// Standard deviation of the surroundings that a level is taken from, in px.
pub const SURROUNDINGS_PX: f64 = 12.0;
/// Side of the cells on which sums are kept, in px: levels vary over three times that.
const CELL_PX: usize = 4;
/// Rows that one task works on; whole cells.
const BAND_ROWS: usize = 64;
/// An outline must be half as steep as a typical edge: 0.5², as in [`steepest_edge`](super::steepest_edge).
const SMALLEST_STEEPNESS: f64 = 0.25;
/// Faint regions are given away in rounds, up to this many px each: patches of noise first, so that their outlines do not
/// make the region faint in which they lie.
const ROUNDS_PX: [u64; 4] = [16, 256, 4096, u64::MAX];
/// Binomial weights, of variance 2.
const WEIGHTS: [u32; 9] = [1, 8, 28, 56, 70, 56, 28, 8, 1];
/// Heights above the level are counted so that the means of both classes lie this many bins apart.
const BINS_APART: f64 = 40.0;
/// Bin of the level itself.
const LEVEL_BIN: f64 = 128.0;

/// The pixels below the level of the steepest edges around them, and what they were found on.
pub struct EdgeLevel {
    /// The picture after a binomial filter of variance 2 px², in 1/256 grey above its darkest.
    smooth: Grid<u16>,
    /// Level in the middle of each cell, in the same unit; NaN where no grey changes for 36 px around.
    levels: Grid<f32>,
    /// Least squared gradient of an outline.
    least_steepness: f64,
    dark: Mask,
}

/// Finds the level around each pixel; `None` where no grey changes at all.
///
/// The level is the mean grey weighted by g⁴ and by a normal curve of [`SURROUNDINGS_PX`], with g the gradient of grey:
/// the grey at which the steepest edges around stand. It follows light, bright rims and charging, and does not ask
/// which phase is the larger one. Far from edges it says nothing, and leaves patches whose outlines follow noise: so
/// every connected region, dark or bright, whose outline has a mean squared gradient below a quarter of the typical one
/// (Σ g⁴/Σ g²) is given to what surrounds it, small ones first.
///
/// # References
/// S. D. Yanowitz, A. M. Bruckstein, Comput. Vis. Graph. Image Process. 46 (1989) 82 (levels from the greys of edges, and
/// regions checked by the gradient along their outline; from memory; there the levels are spread by a membrane instead
/// of a weighted mean).
pub fn edge_level(picture: &Grid<u8>) -> Option<EdgeLevel> {
    let smooth = smoothed(picture);
    let cells = Cells::of(&smooth);
    let (squares, steepness) = (cells.squares, cells.steepness);
    if steepness <= 0.0 {
        return None;
    }
    let level = cells.levels();
    let none = Grid::filled(picture.width(), picture.height(), false);
    let least_steepness = SMALLEST_STEEPNESS * squares / steepness;
    let mut found = EdgeLevel { smooth, levels: level, least_steepness, dark: none };
    found.dark = found.below(0.0);
    Some(found)
}

impl EdgeLevel {
    /// The dark pixels with all levels moved by `shift` greys.
    pub fn mask(&self, shift: f64) -> Mask {
        if shift == 0.0 { self.dark.clone() } else { self.below(shift) }
    }

    /// Whether greys gather at two heights, one on each side of the level.
    ///
    /// Greys are counted by their distance from the level, in units in which the means of both classes lie 40 bins
    /// apart; there must be a peak below the level, clear of the rest ([`modes`]), and the valley behind it nearer to
    /// the level than either mean. Grains of many greys, grooves, relief and noise have no such valley.
    pub fn has_two_phases(&self) -> bool {
        let heights = self.heights();
        let mean = |class: bool| {
            let of_class = heights.iter().zip(self.dark.as_slice()).filter(|&(_, &dark)| dark == class);
            let (sum, count) = of_class.fold((0.0, 0u64), |(s, n), (&h, _)| (s + f64::from(h), n + 1));
            (count > 0).then(|| sum / count as f64)
        };
        let Some(apart) = mean(false).zip(mean(true)).map(|(bright, dark)| bright - dark) else {
            return false;
        };
        if apart <= 0.0 {
            return false;
        }
        let mut histogram = vec![0u64; 256];
        for &height in &heights {
            let bin = LEVEL_BIN + (BINS_APART * f64::from(height) / apart).round();
            histogram[bin.clamp(0.0, 255.0) as usize] += 1;
        }
        modes(&histogram).is_some_and(|found| {
            (found.pore as f64) < LEVEL_BIN && (found.valley as f64 - LEVEL_BIN).abs() <= BINS_APART / 2.0
        })
    }

    /// Distance of each grey from its level; where there is no level, left out.
    fn heights(&self) -> Vec<f32> {
        let width = self.smooth.width();
        let rows = self.smooth.as_slice().par_chunks(width).enumerate();
        let heights = rows.flat_map_iter(|(y, row)| {
            let levels = self.row_levels(y);
            // NaN becomes the level itself, which is on neither side.
            row.iter()
                .zip(levels)
                .map(|(&grey, level)| if level.is_nan() { 0.0 } else { f32::from(grey) - level })
        });
        heights.collect()
    }

    fn below(&self, shift: f64) -> Mask {
        let width = self.smooth.width();
        let mut dark = Grid::filled(width, self.smooth.height(), false);
        dark.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            let shift = (256.0 * shift) as f32;
            let levels = self.row_levels(y);
            for ((out, &grey), level) in out.iter_mut().zip(self.smooth.row(y)).zip(levels) {
                *out = f32::from(grey) <= level + shift;
            }
        });
        for largest_px in ROUNDS_PX {
            self.give_faint_regions_away(&mut dark, true, largest_px);
            self.give_faint_regions_away(&mut dark, false, largest_px);
        }
        dark
    }

    /// Levels along a row, between the middles of the cells in proportion.
    fn row_levels(&self, y: usize) -> Vec<f32> {
        let (columns, rows) = (self.levels.width(), self.levels.height());
        let (above, below, down) = between(y, rows);
        let of = |column| {
            let (a, b) = (self.levels.at(column, above), self.levels.at(column, below));
            a + down * (b - a)
        };
        let cells: Vec<f32> = (0..columns).map(of).collect();
        let across = (0..self.smooth.width()).map(|x| {
            let (left, right, share) = between(x, columns);
            cells[left] + share * (cells[right] - cells[left])
        });
        across.collect()
    }

    /// Turns regions of one class, of up to `largest_px` and with a faint outline, into the other.
    fn give_faint_regions_away(&self, dark: &mut Mask, class: bool, largest_px: u64) {
        let labels = label(&dark.map(|is_dark| is_dark == class), Connectivity::Four);
        let mut regions = vec![Outline::default(); labels.count as usize + 1];
        let (width, height) = (dark.width(), dark.height());
        for y in 0..height {
            for (x, &region) in labels.grid.row(y).iter().enumerate() {
                let outline = &mut regions[region as usize];
                outline.area_px += 1;
                if region != 0 && is_at_an_outline(&labels, x, y) {
                    outline.length_px += 1;
                    outline.steepness += squared_gradient(&self.smooth, x, y);
                }
            }
        }
        let is_faint = |outline: &Outline| {
            let typical = self.least_steepness * outline.length_px as f64;
            outline.area_px <= largest_px && outline.length_px > 0 && outline.steepness < typical
        };
        let is_faint: Vec<bool> = regions.iter().map(is_faint).collect();
        let pixels = dark.as_mut_slice().par_chunks_mut(width).zip(labels.grid.as_slice().par_chunks(width));
        pixels.for_each(|(dark, regions)| {
            for (dark, &region) in dark.iter_mut().zip(regions) {
                *dark ^= region != 0 && is_faint[region as usize];
            }
        });
    }
}

/// What is summed up over a region and its outline.
#[derive(Clone, Copy, Default)]
struct Outline {
    area_px: u64,
    length_px: u64,
    steepness: f64,
}

fn is_at_an_outline(labels: &Labels, x: usize, y: usize) -> bool {
    let grid = &labels.grid;
    (x > 0 && grid.at(x - 1, y) == 0)
        || (x + 1 < grid.width() && grid.at(x + 1, y) == 0)
        || (y > 0 && grid.at(x, y - 1) == 0)
        || (y + 1 < grid.height() && grid.at(x, y + 1) == 0)
}

/// The cells whose middles lie on either side of a pixel, and how far from the first to the second it lies.
fn between(pixel: usize, cells: usize) -> (usize, usize, f32) {
    let position = (pixel as f32 + 0.5) / CELL_PX as f32 - 0.5;
    let first = (position.max(0.0) as usize).min(cells - 1);
    let second = (first + 1).min(cells - 1);
    (first, second, (position - first as f32).clamp(0.0, 1.0))
}

/// Binomial filter of variance 2 px² in both directions, rims repeated; in 1/256 grey above the darkest value.
fn smoothed(picture: &Grid<u8>) -> Grid<u16> {
    let (width, height) = (picture.width(), picture.height());
    let clamp = |v: usize, step: usize, length: usize| (v + step).saturating_sub(4).min(length - 1);
    let mut along = vec![0u16; picture.len()];
    along.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
        let row = picture.row(y);
        for (x, out) in out.iter_mut().enumerate() {
            let terms = WEIGHTS.iter().enumerate().map(|(k, w)| w * u32::from(row[clamp(x, k, width)]));
            *out = terms.sum::<u32>() as u16;
        }
    });
    let mut across = vec![0u16; picture.len()];
    across.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
        let rows: [&[u16]; 9] = from_fn(|k| &along[clamp(y, k, height) * width..][..width]);
        for (x, out) in out.iter_mut().enumerate() {
            let sum: u32 = rows.iter().zip(WEIGHTS).map(|(row, w)| w * u32::from(row[x])).sum();
            *out = (sum >> 8) as u16;
        }
    });
    // An added constant then leaves no trace in any sum.
    let darkest = across.iter().copied().min().unwrap_or(0);
    across.par_iter_mut().for_each(|grey| *grey -= darkest);
    Grid::new(width, height, across).expect("invariant: one value for each pixel")
}

/// Squared gradient in twice the unit of the picture per px, by central differences.
fn squared_gradient(smooth: &Grid<u16>, x: usize, y: usize) -> f64 {
    let (right, below) = ((x + 1).min(smooth.width() - 1), (y + 1).min(smooth.height() - 1));
    let across = f64::from(smooth.at(right, y)) - f64::from(smooth.at(x.saturating_sub(1), y));
    let down = f64::from(smooth.at(x, below)) - f64::from(smooth.at(x, y.saturating_sub(1)));
    across * across + down * down
}

/// Sums over the cells.
struct Cells {
    /// Σ g⁴ in each cell.
    weights: Grid<f32>,
    /// Σ g⁴ · grey in each cell.
    greys: Grid<f32>,
    /// Σ g² over the picture.
    steepness: f64,
    /// Σ g⁴ over the picture.
    squares: f64,
}

impl Cells {
    fn of(smooth: &Grid<u16>) -> Self {
        let (columns, rows) = (smooth.width().div_ceil(CELL_PX), smooth.height().div_ceil(CELL_PX));
        let bands: Vec<_> = (0..smooth.height().div_ceil(BAND_ROWS))
            .into_par_iter()
            .map(|band| {
                let lines = band * BAND_ROWS..((band + 1) * BAND_ROWS).min(smooth.height());
                let mut sums = vec![[0.0f64; 3]; columns * lines.len().div_ceil(CELL_PX)];
                for (line, y) in lines.enumerate() {
                    for (x, &grey) in smooth.row(y).iter().enumerate() {
                        let steepness = squared_gradient(smooth, x, y);
                        let [weight, greys, total] = &mut sums[line / CELL_PX * columns + x / CELL_PX];
                        *weight += steepness * steepness;
                        *greys += steepness * steepness * f64::from(grey);
                        *total += steepness;
                    }
                }
                sums
            })
            .collect();
        let cells = bands.concat();
        let grid = |k: usize| {
            let values = cells.iter().map(|sums| sums[k] as f32).collect();
            Grid::new(columns, rows, values).expect("invariant: bands hold whole cells")
        };
        Self {
            weights: grid(0),
            greys: grid(1),
            squares: cells.iter().map(|sums| sums[0]).sum(),
            steepness: cells.iter().map(|sums| sums[2]).sum(),
        }
    }

    /// Weighted mean grey around the middle of each cell; NaN without any weight.
    fn levels(&self) -> Grid<f32> {
        let deviation = SURROUNDINGS_PX / CELL_PX as f64;
        let (weights, mut greys) = (gaussian(&self.weights, deviation), gaussian(&self.greys, deviation));
        greys.as_mut_slice().iter_mut().zip(weights.as_slice()).for_each(|(grey, weight)| *grey /= weight);
        greys
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise of the given size, uniform, the same on every run.
    fn noise(size: u32) -> impl FnMut() -> f64 {
        let mut state = 5u32;
        move || {
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            f64::from((state >> 16) % (2 * size + 1)) - f64::from(size)
        }
    }

    /// Dark discs of radius 17 px on a lattice of 40 px, 20 greys below the rest, under light that falls by 60 greys.
    fn phases(noise_size: u32) -> Grid<u8> {
        let mut wobble = noise(noise_size);
        Grid::from_fn(400, 320, |x, y| {
            let distance = ((x % 40) as f64 - 19.5).hypot((y % 40) as f64 - 19.5);
            let dark = (17.5 - distance).clamp(0.0, 1.0);
            (170.0 - 20.0 * dark - 60.0 * x as f64 / 400.0 + wobble()).round() as u8
        })
    }

    /// π · 17² of 40².
    const SHARE: f64 = std::f64::consts::PI * 17.0 * 17.0 / 1600.0;

    fn share(mask: &Mask) -> f64 {
        mask.as_slice().iter().filter(|&&dark| dark).count() as f64 / mask.len() as f64
    }

    #[test]
    fn dark_discs_under_light_that_falls_by_thrice_their_contrast_are_found_whole() {
        for noise_size in [0, 8] {
            let found = edge_level(&phases(noise_size)).unwrap();
            let error = share(&found.mask(0.0)) - SHARE;
            // A ring of a quarter of a pixel along every outline is 1.7 % of the picture.
            assert!(error.abs() < 0.017, "{noise_size}: {error}");
            assert!(found.has_two_phases());
            assert!(share(&found.mask(-2.0)) < share(&found.mask(2.0)));
        }
    }

    #[test]
    fn the_inside_of_a_wide_phase_is_not_split_by_noise() {
        let mut wobble = noise(8);
        let picture =
            Grid::from_fn(300, 300, |x, _| ((if x < 140 { 100.0 } else { 125.0 }) + wobble()) as u8);
        let found = edge_level(&picture).unwrap().mask(0.0);
        let wrong = (0..300).flat_map(|y| (0..300).map(move |x| (x, y)));
        let wrong = wrong.filter(|&(x, y)| !(138..142).contains(&x) && found.at(x, y) != (x < 140)).count();
        assert_eq!(wrong, 0);
    }

    #[test]
    fn a_picture_of_one_grey_has_no_edges() {
        for (width, height) in [(1, 1), (90, 70)] {
            assert!(edge_level(&Grid::filled(width, height, 77)).is_none());
        }
    }

    #[test]
    fn an_added_constant_changes_nothing() {
        let picture = phases(8);
        let brighter = picture.map(|grey| grey + 40);
        assert_eq!(edge_level(&picture).unwrap().dark, edge_level(&brighter).unwrap().dark);
    }

    #[test]
    fn noise_and_grains_of_many_greys_are_no_two_phases() {
        let mut wobble = noise(30);
        let white = Grid::from_fn(300, 300, |_, _| (120.0 + wobble()) as u8);
        assert!(!edge_level(&white).unwrap().has_two_phases());
        let grains = Grid::from_fn(400, 400, |x, y| {
            (60 + (x / 25 * 7919 + y / 25 * 104729) % 120) as u8 + ((x * 13 + y * 7) % 5) as u8
        });
        assert!(!edge_level(&grains).unwrap().has_two_phases());
    }
}
