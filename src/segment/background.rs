//! Uneven light: how strong it is, and a picture without it.

use rayon::prelude::*;

use crate::grid::Grid;
use crate::segment::threshold::modes::percentile;

/// Light is evened out only where its range exceeds this share of the grey distance between solid and darkest grey.
pub const SMALLEST_REMOVED: f64 = 0.10;
/// … and only where the surface varies at least this many times as much as the tiles scatter about it; grains of
/// different grey scatter without any uneven light.
const SMALLEST_SURFACE_OVER_SCATTER: f64 = 1.0;
/// Light is taken to fall to no less than this share of its reference, so that greys are not raised without limit.
const LOWEST_LIGHT: f64 = 0.2;
/// Tiles along the longer side.
const TILES: usize = 16;
/// Smallest side of a tile in px.
const SMALLEST_TILE_PX: usize = 16;
/// Fits of the surface, each with the pores of the last one left out.
const ROUNDS: usize = 5;
/// Terms xⁱyʲ with i + j ≤ 3.
const TERMS: usize = 10;
/// Tukey's constant: outliers farther off than this many robust standard deviations have no weight.
const TUKEY: f64 = 4.685;

/// The brightness of the solid over the field, as a smooth surface above the darkest grey.
#[derive(Clone, Debug, PartialEq)]
pub struct Surface {
    /// Grey below which 0.1 % of the picture lies, where light is taken to have no effect.
    pub floor: u8,
    /// Median brightness of the surface, above the floor.
    pub reference: f64,
    /// Smallest brightness of the surface, above the floor.
    pub lowest: f64,
    /// Largest minus smallest brightness of the surface.
    pub range: f64,
    /// Robust standard deviation of the tiles about the surface.
    pub scatter: f64,
    /// Standard deviation of the surface over the tiles.
    pub deviation: f64,
    coefficients: [f64; TERMS],
}

impl Surface {
    /// Whether the unevenness is strong, and not only grains of different grey.
    pub fn is_uneven(&self) -> bool {
        self.range > SMALLEST_REMOVED * self.reference
            && self.deviation > SMALLEST_SURFACE_OVER_SCATTER * self.scatter
    }

    /// Whether light falls so low somewhere that solid there is hardly brighter than the darkest grey of the picture.
    pub fn is_hardly_lit(&self) -> bool {
        self.lowest < LOWEST_LIGHT * self.reference
    }
}

/// Fits the brightness of the solid of a picture with dark pores; `None` where there is nothing to fit.
///
/// The picture is cut into tiles; each gives the median of its pixels that are brighter than half way from the floor
/// to the surface. A cubic surface is fitted to these medians by least squares with Tukey's weights, so that tiles
/// full of pores or of one odd grain have no say, and the whole is repeated with the new surface.
///
/// # References
/// A. E. Beaton, J. W. Tukey, Technometrics 16 (1974) 147 (weights; from memory).
pub fn fit(picture: &Grid<u8>) -> Option<Surface> {
    let mut tiles = Tiles::new(picture.width(), picture.height());
    tiles.add_rows(0, picture);
    tiles.fit()
}

/// Fits the surface to the greys of tiles.
fn fit_to(tiles: &[Tile]) -> Option<Surface> {
    let mut whole = vec![0u64; 256];
    tiles
        .iter()
        .for_each(|tile| whole.iter_mut().zip(&tile.histogram).for_each(|(sum, &n)| *sum += u64::from(n)));
    let floor = percentile(&whole, 0.001)?;
    let solid = percentile(&whole, 0.5)?.checked_sub(floor).filter(|&height| height > 0)? as f64;
    let mut surface = vec![solid; tiles.len()];
    let mut fitted = None;
    for _ in 0..ROUNDS {
        let samples: Vec<Sample> =
            tiles.iter().zip(&surface).filter_map(|(t, &s)| t.sample(floor, s)).collect();
        let (coefficients, scatter) = robust_fit(&samples)?;
        surface = tiles.iter().map(|tile| value(&coefficients, tile.x, tile.y)).collect();
        fitted = Some((coefficients, scatter));
    }
    let (coefficients, scatter) = fitted?;
    Some(summary(floor as u8, coefficients, scatter, surface))
}

/// Scales the grey above the floor by reference over surface; greys that would exceed 255 become 255.
///
/// Only greys above the floor are changed, in proportion, so that an added constant passes through.
pub fn remove(picture: &mut Grid<u8>, surface: &Surface) {
    let height = picture.height();
    remove_from_rows(picture, (0, height), surface);
}

/// The same for rows from `first` on of a picture of `height` rows.
pub(crate) fn remove_from_rows(rows: &mut Grid<u8>, (first, height): (usize, usize), surface: &Surface) {
    let width = rows.width();
    let floor = surface.floor;
    rows.as_mut_slice().par_chunks_mut(width).enumerate().with_min_len(16).for_each(|(y, row)| {
        let cubic = row_polynomial(&surface.coefficients, place(first + y, height)).map(|c| c as f32);
        let (reference, least) = (surface.reference as f32, (LOWEST_LIGHT * surface.reference) as f32);
        let step = 2.0 / (width.max(2) - 1) as f32;
        for (x, grey) in row.iter_mut().enumerate() {
            let u = x as f32 * step - 1.0;
            let light = (((cubic[3] * u + cubic[2]) * u + cubic[1]) * u + cubic[0]).max(least);
            let above = f32::from(grey.saturating_sub(floor)) * reference / light;
            // Adding 2²³ leaves the rounded number in the lowest bits, for many pixels at once.
            let evened = (above.min(255.0) + 8_388_608.0).to_bits() as u8;
            *grey = if *grey > floor { floor.saturating_add(evened) } else { *grey };
        }
    });
}

/// Position from -1 at the first pixel to 1 at the last.
fn place(index: usize, length: usize) -> f64 {
    2.0 * index as f64 / (length.max(2) - 1) as f64 - 1.0
}

struct Tile {
    x: f64,
    y: f64,
    histogram: Vec<u32>,
}

struct Sample {
    terms: [f64; TERMS],
    height: f64,
}

impl Tile {
    /// Median height above the floor of what is brighter than half the surface; `None` if that is too little.
    fn sample(&self, floor: usize, surface: f64) -> Option<Sample> {
        let darkest = (floor as f64 + 0.5 * surface).clamp(0.0, 255.0) as usize + 1;
        let pixels: u32 = self.histogram.iter().sum();
        let solid: u32 = self.histogram[darkest.min(255)..].iter().sum();
        if solid * 4 < pixels || solid == 0 {
            return None;
        }
        let mut below = 0;
        let median = (darkest.min(255)..256).find(|&grey| {
            below += self.histogram[grey];
            2 * below >= solid
        })?;
        // Within a grey the median is interpolated, so that broad light does not advance in steps.
        let inside = f64::from(self.histogram[median]);
        let fraction = (f64::from(below) - 0.5 * f64::from(solid)) / inside;
        // The whole part first: exact, so that an added constant leaves no trace in the last digit.
        let height = (median - floor) as f64 + (0.5 - fraction);
        Some(Sample { terms: terms(self.x, self.y), height })
    }
}

/// Greys of the tiles of a picture, of which rows may be taken in band by band.
pub(crate) struct Tiles {
    side: usize,
    columns: usize,
    tiles: Vec<Tile>,
}

impl Tiles {
    /// For a picture of this size.
    pub fn new(width: usize, height: usize) -> Self {
        let side = width.max(height).div_ceil(TILES).max(SMALLEST_TILE_PX);
        let centre = |start: usize, length: usize| {
            let end = (start + side).min(length);
            2.0 * ((start + end - 1) as f64 / 2.0) / (length.max(2) - 1) as f64 - 1.0
        };
        let columns = width.div_ceil(side);
        let tiles = (0..height.div_ceil(side)).flat_map(|row| {
            (0..columns).map(move |column| Tile {
                x: centre(column * side, width),
                y: centre(row * side, height),
                histogram: vec![0; 256],
            })
        });
        Self { side, columns, tiles: tiles.collect() }
    }

    /// Takes in rows from `first` on.
    pub fn add_rows(&mut self, first: usize, rows: &Grid<u8>) {
        let (side, width) = (self.side, rows.width());
        let last = first + rows.height();
        self.tiles.par_chunks_mut(self.columns).enumerate().for_each(|(band, tiles)| {
            for y in (band * side).max(first)..((band + 1) * side).min(last) {
                let row = &rows.row(y - first)[..width];
                for (tile, greys) in tiles.iter_mut().zip(row.chunks(side)) {
                    greys.iter().for_each(|&grey| tile.histogram[usize::from(grey)] += 1);
                }
            }
        });
    }

    /// As [`fit`], once every row has been taken in.
    pub fn fit(&self) -> Option<Surface> {
        fit_to(&self.tiles)
    }
}

/// 1, x, x², x³, y, xy, x²y, y², xy², y³.
fn terms(x: f64, y: f64) -> [f64; TERMS] {
    [1.0, x, x * x, x * x * x, y, x * y, x * x * y, y * y, x * y * y, y * y * y]
}

fn value(coefficients: &[f64; TERMS], x: f64, y: f64) -> f64 {
    terms(x, y).iter().zip(coefficients).map(|(t, c)| t * c).sum()
}

/// Coefficients of 1, x, x², x³ along the row at `y`.
fn row_polynomial(c: &[f64; TERMS], y: f64) -> [f64; 4] {
    [c[0] + y * (c[4] + y * (c[7] + y * c[9])), c[1] + y * (c[5] + y * c[8]), c[2] + y * c[6], c[3]]
}

fn summary(floor: u8, coefficients: [f64; TERMS], scatter: f64, mut surface: Vec<f64>) -> Surface {
    let mean = surface.iter().sum::<f64>() / surface.len() as f64;
    let variance = surface.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / surface.len() as f64;
    surface.sort_by(f64::total_cmp);
    Surface {
        floor,
        reference: surface[surface.len() / 2].max(1.0),
        lowest: surface[0],
        range: surface[surface.len() - 1] - surface[0],
        scatter,
        deviation: variance.sqrt(),
        coefficients,
    }
}

/// Tukey-weighted least squares; the coefficients and the robust standard deviation about them.
fn robust_fit(samples: &[Sample]) -> Option<([f64; TERMS], f64)> {
    if samples.len() < 2 * TERMS {
        return None;
    }
    let mut weights = vec![1.0; samples.len()];
    let mut coefficients = [0.0; TERMS];
    let mut scatter = 0.0;
    for _ in 0..6 {
        coefficients = least_squares(samples, &weights)?;
        let residuals: Vec<f64> = samples
            .iter()
            .map(|s| s.height - s.terms.iter().zip(&coefficients).map(|(t, c)| t * c).sum::<f64>())
            .collect();
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        // 1.4826 turns the median distance of normal values into their standard deviation.
        scatter = 1.4826 * sizes[sizes.len() / 2];
        let limit = TUKEY * scatter.max(0.25);
        for (weight, residual) in weights.iter_mut().zip(&residuals) {
            *weight = (1.0 - (residual / limit).powi(2)).max(0.0).powi(2);
        }
    }
    Some((coefficients, scatter))
}

/// Weighted least squares by the normal equations; `None` if the samples do not fix all terms.
fn least_squares(samples: &[Sample], weights: &[f64]) -> Option<[f64; TERMS]> {
    let mut rows = [[0.0; TERMS + 1]; TERMS];
    for (sample, weight) in samples.iter().zip(weights) {
        for (row, term) in rows.iter_mut().zip(sample.terms) {
            row.iter_mut().zip(sample.terms).for_each(|(sum, other)| *sum += weight * term * other);
            row[TERMS] += weight * term * sample.height;
        }
    }
    solve(rows)
}

/// Gaussian elimination with row exchange.
fn solve(mut rows: [[f64; TERMS + 1]; TERMS]) -> Option<[f64; TERMS]> {
    for pivot in 0..TERMS {
        let largest =
            (pivot..TERMS).max_by(|&a, &b| rows[a][pivot].abs().total_cmp(&rows[b][pivot].abs()))?;
        rows.swap(pivot, largest);
        let head = rows[pivot];
        if head[pivot].abs() < 1e-9 {
            return None;
        }
        for row in &mut rows[pivot + 1..] {
            let factor = row[pivot] / head[pivot];
            row.iter_mut().zip(head).for_each(|(value, above)| *value -= factor * above);
        }
    }
    let mut solution = [0.0; TERMS];
    for pivot in (0..TERMS).rev() {
        let known: f64 = (pivot + 1..TERMS).map(|k| rows[pivot][k] * solution[k]).sum();
        solution[pivot] = (rows[pivot][TERMS] - known) / rows[pivot][pivot];
    }
    Some(solution)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Grains of 130 to 150, pores of 40, under light that falls by `fall` from the left to the right.
    fn field(fall: f64) -> Grid<u8> {
        Grid::from_fn(320, 240, |x, y| {
            let pore = (x % 32 < 9) && (y % 27 < 8);
            let grain = 130.0 + ((x / 16 * 7 + y / 16 * 3) % 5) as f64 * 5.0;
            let light = 1.0 - fall * x as f64 / 319.0;
            if pore { 40 } else { (40.0 + (grain - 40.0) * light).round() as u8 }
        })
    }

    #[test]
    fn even_light_is_left_alone() {
        let surface = fit(&field(0.0)).unwrap();
        assert!(!surface.is_uneven(), "{surface:?}");
    }

    #[test]
    fn light_that_falls_by_half_is_measured_and_removed() {
        let mut picture = field(0.5);
        let surface = fit(&picture).unwrap();
        assert!(surface.is_uneven());
        // From 100 % to 50 % about a median of 75 %, between the centres of the outer tiles.
        let range = surface.range / surface.reference;
        assert!((range - 0.5 / 0.75).abs() < 0.08, "{range}");
        remove(&mut picture, &surface);
        let again = fit(&picture).unwrap();
        assert!(again.range / again.reference < 0.05, "{again:?}");
    }

    #[test]
    fn an_added_constant_passes_through() {
        let mut picture = field(0.5);
        let mut brighter = picture.map(|grey| grey + 37);
        let (surface, other) = (fit(&picture).unwrap(), fit(&brighter).unwrap());
        assert_eq!(Surface { floor: surface.floor + 37, ..surface.clone() }, other);
        remove(&mut picture, &surface);
        remove(&mut brighter, &other);
        assert_eq!(picture.map(|grey| grey + 37), brighter);
    }

    #[test]
    fn a_picture_of_one_grey_or_of_one_pixel_has_no_surface() {
        assert_eq!(fit(&Grid::filled(300, 300, 90)), None);
        assert_eq!(fit(&Grid::filled(1, 1, 90)), None);
    }
}
