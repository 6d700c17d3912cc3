//! Mean linear intercept: boundary passages along test lines on a label map.
//!
//! Counting rules, after the methods of ASTM E112 and, for pores, ISO 13383-1 A2 (from secondary sources):
//!
//! - A *passage* is counted where the grain changes along what is left of a line when its pores are taken out. So a pore
//!   between two grains is one passage, and a pore inside one grain is none.
//! - Mean linear intercept = (line length - length in pores) / passages. A straight line with P passages holds P + 1
//!   pieces of grains of which the two at its ends are cut; counting those as one half each gives P again.
//! - A triple point needs no rule of its own: on a label map a line passes from one grain to another, once.
//!
//! Lines run from pixel centre to pixel centre, one sample for every column or row crossed. Between two pixel centres the
//! nearer one decides, but a passage is taken back if the old grain lies beside the line until the line returns to it.
//! Without that the stair steps of a digital line cross a nearly parallel boundary again and again: 8 % too many passages
//! at 22.5° on an isotropic structure.
//!
//! *Resolution bias*: a grain that the line crosses for less than a sample can be missed, so the mean is 0.2 to 0.3 px too
//! large: 1 % where the mean intercept is 25 px, 3 % where it is 8 px. It is not corrected.

use std::ops::Range;

use rayon::prelude::*;

use crate::grid::{Grid, Labels};
use crate::measure::distribution::distribution;
use crate::measure::expected::expected;
use crate::measure::test_line::{Circles, Kept, LineCount, ParallelLines, TILES};
use crate::options::LineOptions;
use crate::segment::learned::grains::Likely;
use crate::study::result::{InterceptResults, LineSet, SegmentationDoubt, ThreeDimensional};
use crate::units::Spacing;

/// Diameter of the grains over mean linear intercept for lognormal tetrakaidecahedra.
///
/// # References
/// Mendelson, J. Am. Ceram. Soc. 52 (1969) 443 (from memory).
pub const TETRAKAIDECAHEDRON_FACTOR: f64 = 1.56;

/// What test lines say about the grains of a field.
#[derive(Clone, Debug)]
pub struct Intercepts {
    /// The result as it is reported.
    pub results: InterceptResults,
    /// Mean linear intercept in the unit of the spacing.
    pub mean: f64,
    /// Boundary passages over all lines.
    pub count: u64,
    /// Every whole chord of the parallel lines, in the unit of the spacing: a piece of a grain between two passages, its
    /// pores taken out.
    ///
    /// Long chords are cut by the frame more often than short ones, so the mean chord is below the mean intercept by the
    /// share CV²·(mean intercept / line length): 1 % for lines of 30 intercepts and a chord CV of 0.55.
    pub chords: Vec<f32>,
}

/// Lays test lines over the grains and counts; label 0 is pore or outside.
///
/// `None` if no line passes a boundary. The standard error comes from the scatter between tiles of the field (ratio
/// estimator), so neighbouring lines and crossing directions, which see the same grains, do not pose as independent.
///
/// ```
/// use ceramograph::grid::{Grid, Labels};
/// use ceramograph::measure::intercept::intercepts;
/// use ceramograph::options::LineOptions;
/// use ceramograph::units::Spacing;
///
/// let stripes = Labels { grid: Grid::from_fn(41, 5, |x, _| (x / 10) as u32 + 1), count: 5 };
/// let rows = LineOptions { spacing_px: 1, angles_deg: vec![0.0], circles: false };
/// assert_eq!(intercepts(&stripes, Spacing::um(0.5, 0.5), &rows).unwrap().mean, 5.0);
/// ```
pub fn intercepts(grains: &Labels, spacing: Spacing, options: &LineOptions) -> Option<Intercepts> {
    let size = (grains.grid.width(), grains.grid.height());
    intercepts_of(counts(grains, spacing, options, Kept::Nothing), size, spacing)
}

/// As [`intercepts`], from what lines over a map of `size` columns and rows have counted.
pub(crate) fn intercepts_of(counts: Counts, size: (usize, usize), spacing: Spacing) -> Option<Intercepts> {
    let passages: u64 = counts.iter().map(|(_, c)| c.passages).sum();
    if passages == 0 {
        return None;
    }
    let mean = solid_length(&counts) / passages as f64;
    let sets: Vec<LineSet> = counts.iter().map(|(angle, c)| line_set(*angle, c, spacing)).collect();
    Some(summed_up(size, (counts, sets), (mean, None), spacing))
}

/// Lays test lines over learned grains and counts every boundary by the probability that it is real.
///
/// Lengths, chords, and the standard error are those of the grains cut at one half; the means rest on the expected
/// passages, corrected for what boundaries of such ambiguity on such a surface brought on phantoms. `None` if no passage is expected or left.
pub fn expected_intercepts(
    grains: &Labels,
    likely: &Likely,
    spacing: Spacing,
    options: &LineOptions,
) -> Option<Intercepts> {
    let fine = self::counts(&likely.regions, spacing, options, Kept::Labels);
    let expected = expected(likely, fine.iter().map(|(_, c)| c));
    drop(fine);
    let counts = counts(grains, spacing, options, Kept::Nothing);
    let cut_passages: u64 = counts.iter().map(|(_, c)| c.passages).sum();
    if expected.passages < 1.0 || cut_passages == 0 {
        return None;
    }
    let correction = expected.correction(cut_passages);
    let mean = correction * solid_length(&counts) / expected.passages;
    let sets = counts.iter().zip(&expected.sets).map(|((angle, count), &passages)| {
        let mean = (passages > 0.0).then(|| correction * count.solid_length() / passages);
        LineSet { mean: mean.map(|mean| spacing.length(mean)), ..line_set(*angle, count, spacing) }
    });
    let sets = sets.collect();
    let doubt = expected.doubt(mean, correction, spacing);
    let size = (grains.grid.width(), grains.grid.height());
    Some(summed_up(size, (counts, sets), (mean, Some(doubt)), spacing))
}

pub(crate) type Counts = Vec<(Option<f64>, LineCount)>;

/// All sets of test lines over a label map, which are walked band by band over its rows.
pub(crate) struct TestLines {
    parallel: Vec<(f64, ParallelLines)>,
    circles: Option<Circles>,
}

impl TestLines {
    /// Over a map of `size` columns and rows.
    pub fn new(size: (usize, usize), spacing: Spacing, options: &LineOptions, kept: Kept) -> Self {
        let lines =
            |&angle: &f64| (angle, ParallelLines::new(size, spacing, (angle, options.spacing_px), kept));
        Self {
            parallel: options.angles_deg.iter().filter(|angle| angle.is_finite()).map(lines).collect(),
            circles: options.circles.then(|| Circles::new(size, spacing, kept)),
        }
    }

    /// Whether some lines must be walked from the last row to the first.
    pub fn go_upwards(&self) -> bool {
        self.parallel.iter().any(|(_, lines)| lines.goes_upwards())
    }

    /// Walks on through the rows `own` of the map, where `rows` holds them, from row `top` of the map on, and the one below:
    /// either the lines that are walked upwards or all others.
    pub fn walk(&mut self, top: usize, rows: &Grid<u32>, own: Range<usize>, upwards: bool) {
        let parallel = self.parallel.par_iter_mut().filter(|(_, lines)| lines.goes_upwards() == upwards);
        let circles = self.circles.as_mut().filter(|_| !upwards);
        rayon::join(
            || parallel.for_each(|(_, lines)| lines.walk(top, rows, own.clone())),
            || circles.map(|circles| circles.look(top, rows, own.clone())),
        );
    }

    /// Chords so far.
    pub fn chords(&self) -> usize {
        self.parallel.iter().map(|(_, lines)| lines.chords()).sum()
    }

    /// What each set counts, parallel ones with their angle, once every row has been walked.
    pub fn finish(self) -> Counts {
        let parallel = self.parallel.into_iter().map(|(angle, lines)| (Some(angle), lines.finish()));
        parallel.chain(self.circles.map(|circles| (None, circles.finish()))).collect()
    }
}

fn counts(grains: &Labels, spacing: Spacing, options: &LineOptions, kept: Kept) -> Counts {
    let grid = &grains.grid;
    let mut lines = TestLines::new((grid.width(), grid.height()), spacing, options, kept);
    for upwards in [false, true] {
        lines.walk(0, grid, 0..grid.height(), upwards);
    }
    lines.finish()
}

fn solid_length(counts: &Counts) -> f64 {
    counts.iter().map(|(_, c)| c.solid_length()).sum()
}

fn summed_up(
    (width, height): (usize, usize),
    (counts, sets): (Counts, Vec<LineSet>),
    (mean, segmentation): (f64, Option<SegmentationDoubt>),
    spacing: Spacing,
) -> Intercepts {
    let count = counts.iter().map(|(_, c)| c.passages).sum();
    let short_side = (width as f64 * spacing.x).min(height as f64 * spacing.y);
    // Residuals are taken about the mean of the very counts, whatever mean is reported.
    let counted_mean = solid_length(&counts) / count as f64;
    let standard_error = tile_standard_error(&counts, counted_mean, short_side)
        .map(|error| spacing.length(error * mean / counted_mean));
    // A map has many millions of them, so no second copy outlives this line.
    let chords = counts.into_iter().map(|(_, c)| c.chords).collect::<Vec<_>>().concat();
    let results = InterceptResults {
        anisotropy: anisotropy(&sets),
        sets,
        mean: spacing.length(mean),
        standard_error,
        segmentation,
        chords: distribution(&chords, spacing.unit),
        three_dimensional: Some(ThreeDimensional {
            factor: TETRAKAIDECAHEDRON_FACTOR,
            basis: "lognormal tetrakaidecahedra (Mendelson 1969)".into(),
            diameter: spacing.length(TETRAKAIDECAHEDRON_FACTOR * mean),
        }),
    };
    Intercepts { results, mean, count, chords }
}

fn line_set(angle_deg: Option<f64>, count: &LineCount, spacing: Spacing) -> LineSet {
    LineSet {
        kind: if angle_deg.is_some() { "parallel" } else { "circles" }.into(),
        angle_deg,
        line_length: spacing.length(count.length()),
        length_in_pores: spacing.length(count.pore_length()),
        intercept_count: count.passages,
        mean: (count.passages > 0).then(|| spacing.length(count.solid_length() / count.passages as f64)),
    }
}

/// Largest over smallest directional mean; `None` unless two directions have passages.
fn anisotropy(sets: &[LineSet]) -> Option<f64> {
    let means: Vec<f64> =
        sets.iter().filter(|s| s.angle_deg.is_some()).filter_map(|s| Some(s.mean?.value())).collect();
    if means.len() < 2 {
        return None;
    }
    let largest = means.iter().copied().fold(f64::MIN, f64::max);
    let smallest = means.iter().copied().fold(f64::MAX, f64::min);
    Some(largest / smallest)
}

/// Tiles must be this many mean intercepts wide, so that few grains lie in two of them.
const TILE_INTERCEPTS: f64 = 4.0;

/// Standard error of the ratio length / passages from its scatter between square arrays of tiles.
///
/// With residuals rᵢ = Lᵢ - mean·Nᵢ over n tiles: SE² = n/(n-1)·Σ(rᵢ - r̄)² / N². `None` where the field is less than
/// twelve mean intercepts wide, because fewer than nine tiles say little.
///
/// # References
/// Cochran, Sampling Techniques, 3rd ed. (1977), chapter 6 (from memory).
fn tile_standard_error(counts: &[(Option<f64>, LineCount)], mean: f64, short_side: f64) -> Option<f64> {
    let per_side = [8, 6, 4, 3].into_iter().find(|&k| short_side / k as f64 >= TILE_INTERCEPTS * mean)?;
    let mut residuals = vec![0.0; per_side * per_side];
    let merge = TILES / per_side;
    for (_, count) in counts {
        for (index, tile) in count.tiles.iter().enumerate() {
            let (x, y) = (index % TILES / merge, index / TILES / merge);
            residuals[y * per_side + x] += tile.solid as f64 * count.unit - mean * tile.passages as f64;
        }
    }
    let n = residuals.len() as f64;
    let average = residuals.iter().sum::<f64>() / n;
    let squares: f64 = residuals.iter().map(|r| (r - average).powi(2)).sum();
    let passages: u64 = counts.iter().map(|(_, c)| c.passages).sum();
    Some((n / (n - 1.0) * squares).sqrt() / passages as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Grid;

    fn options(spacing_px: u32, angles_deg: &[f64], circles: bool) -> LineOptions {
        LineOptions { spacing_px, angles_deg: angles_deg.to_vec(), circles }
    }

    fn labels(width: usize, height: usize, label: impl FnMut(usize, usize) -> u32) -> Labels {
        let grid = Grid::from_fn(width, height, label);
        let count = grid.as_slice().iter().copied().max().unwrap();
        Labels { grid, count }
    }

    #[test]
    fn maps_without_boundaries_have_no_mean() {
        let lines = options(4, &[0.0, 30.0, 45.0, 90.0, 135.0, f64::NAN], true);
        for (width, height) in [(1, 1), (1, 9), (9, 1), (2, 2), (40, 30)] {
            assert!(intercepts(&labels(width, height, |_, _| 0), Spacing::PIXELS, &lines).is_none());
            assert!(intercepts(&labels(width, height, |_, _| 1), Spacing::PIXELS, &lines).is_none());
        }
        assert!(
            intercepts(&labels(9, 9, |x, _| x as u32 + 1), Spacing::PIXELS, &options(1, &[], false))
                .is_none()
        );
    }

    #[test]
    fn the_porous_line_gives_five_micrometres() {
        // 500 µm of line, 40 µm of it in pores, 92 grains: 91 whole ones and two cut ends that count one half each. The
        // method of ISO 13383-1 A2 as remembered; 500 / 92 would be 5.435.
        let mut row = vec![0u32; 501];
        for (x, label) in row.iter_mut().enumerate() {
            *label = 1 + (x as u32 * 92 + 250) / 500;
        }
        // Twenty pores of 2 µm, some between grains and some inside one.
        (0..20).for_each(|i| row[10 + 24 * i..12 + 24 * i].fill(0));
        let found =
            intercepts(&labels(501, 1, |x, _| row[x]), Spacing::um(1.0, 1.0), &options(1, &[0.0], false))
                .unwrap();
        let set = &found.results.sets[0];
        assert_eq!((set.line_length.value(), set.length_in_pores.value()), (500.0, 40.0));
        assert_eq!((found.count, found.mean), (92, 5.0));
    }

    #[test]
    fn a_pore_splits_no_chord_and_makes_no_second_boundary() {
        let row = [1, 1, 0, 1, 2, 2, 0, 2, 0, 3, 3, 3, 0];
        let found =
            intercepts(&labels(13, 1, |x, _| row[x]), Spacing::PIXELS, &options(1, &[0.0], false)).unwrap();
        // Passages 1-2 and 2-3; the chord of 2 is its three pixels.
        assert_eq!((found.count, found.chords.as_slice()), (2, [3.0].as_slice()));
        // 12 px of line, three pores of 1 px and half of the last pixel.
        assert_eq!(found.mean, (12.0 - 3.5) / 2.0);
    }

    #[test]
    fn length_and_chords_follow_the_spacing_of_their_direction() {
        let checks = labels(81, 81, |x, y| (x / 10 + 9 * (y / 10)) as u32 + 1);
        let spacing = Spacing::um(0.5, 2.0);
        let along = |angle| intercepts(&checks, spacing, &options(1, &[angle], false)).unwrap();
        assert_eq!(along(0.0).mean, 5.0);
        assert_eq!(along(90.0).mean, 20.0);
        assert!(along(0.0).chords.iter().all(|&c| c == 5.0) && along(90.0).chords.iter().all(|&c| c == 20.0));
        // A line of 45° on the picture crosses as many columns as rows: its length is the diagonal of both pixel sides.
        let diagonal = along(45.0).results.sets[0].line_length.value();
        let steps = diagonal / 0.5f64.hypot(2.0);
        assert!((steps - steps.round()).abs() < 1e-9, "{steps}");
    }

    #[test]
    fn turned_and_mirrored_maps_give_the_same_rows_and_columns() {
        let cell = |x: usize, y: usize| ((x * x + 3 * y) / 40 + 100 * ((y * y + 2 * x) / 50)) as u32 + 1;
        let (plain, turned) = (labels(60, 45, cell), labels(45, 60, |x, y| cell(59 - y, x)));
        let mirrored = labels(60, 45, |x, y| cell(59 - x, y));
        let mean = |map: &Labels, angle| {
            intercepts(map, Spacing::PIXELS, &options(1, &[angle], false)).unwrap().mean
        };
        assert_eq!(mean(&plain, 0.0), mean(&turned, 90.0));
        assert_eq!(mean(&plain, 90.0), mean(&turned, 0.0));
        assert_eq!(mean(&plain, 0.0), mean(&mirrored, 0.0));
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 0.03, "{a} {b}");
        close(mean(&plain, 30.0), mean(&turned, 120.0));
        close(mean(&plain, 45.0), mean(&mirrored, 135.0));
    }

    #[test]
    fn a_line_almost_along_a_boundary_passes_it_once() {
        // Boundary of slope 0.3 under a line of slope 0.32: the stair steps of both interleave for dozens of pixels.
        let halves = labels(400, 200, |x, y| 1 + u32::from(y as f64 > 30.0 + 0.3 * x as f64));
        let angle = (-0.32f64).atan().to_degrees();
        let found = intercepts(&halves, Spacing::PIXELS, &options(1, &[angle], false)).unwrap();
        // Lines start above the boundary and end below it for offsets between 22.4 and 30 rows only.
        let lines = 8.0 / 0.32f64.hypot(1.0);
        assert!((found.count as f64 - lines).abs() <= 2.0, "{} {lines}", found.count);
    }

    #[test]
    fn circles_count_sectors_and_leave_out_pores() {
        // Eight sectors around the centre: each circle passes eight boundaries.
        let sector = |x: usize, y: usize| {
            let angle = (y as f64 - 100.0).atan2(x as f64 - 150.0) + std::f64::consts::PI + 0.1;
            1 + (angle / (std::f64::consts::PI / 4.0)) as u32 % 8
        };
        let found = intercepts(&labels(301, 201, sector), Spacing::PIXELS, &options(1, &[], true)).unwrap();
        assert_eq!(found.count, 24);
        let around = std::f64::consts::TAU * 100.0 * 2.0;
        assert!((found.results.sets[0].line_length.value() / around - 1.0).abs() < 1e-6);
        assert!((found.mean * 24.0 / around - 1.0).abs() < 1e-6);
        assert!(found.chords.is_empty() && found.results.standard_error.is_none());
        // The lower half as pore takes half of every circle.
        let half = labels(301, 201, |x, y| if y > 100 { 0 } else { sector(x, y) });
        let found = intercepts(&half, Spacing::PIXELS, &options(1, &[], true)).unwrap();
        let share = found.results.sets[0].length_in_pores.value() / around;
        assert!((share - 0.5).abs() < 0.005, "{share}");
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let map = labels(700, 900, |x, y| {
            ((x * x / 300 + y * 5) / 70 + 50 * ((y * y / 200 + 3 * x) / 90)) as u32 % 97
        });
        let lines = options(2, &[0.0, 20.0, 45.0, 80.0, 90.0, 135.0], true);
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| intercepts(&map, Spacing::um(0.3, 0.3), &lines).unwrap())
        };
        let (one, three) = (with(1), with(3));
        assert_eq!((one.count, &one.chords), (three.count, &three.chords));
        let json = |found: &Intercepts| serde_json::to_string(&found.results).unwrap();
        assert_eq!(json(&one), json(&three));
    }

    /// Passages, pixels outside pores and whole chords along one line, by the rule as it is stated.
    fn obvious(line: &[u32]) -> (u64, f64, Vec<f32>) {
        let inner = |i: usize| if i == 0 || i + 1 == line.len() { 0.5 } else { 1.0 };
        let solid =
            if line.len() < 2 { 0.0 } else { (0..line.len()).filter(|&i| line[i] != 0).map(inner).sum() };
        let grains: Vec<u32> = line.iter().copied().filter(|&l| l != 0).collect();
        let pieces: Vec<&[u32]> = grains.chunk_by(|a, b| a == b).collect();
        let chords = pieces.iter().skip(1).rev().skip(1).rev().map(|p| p.len() as f32).collect();
        (pieces.len().saturating_sub(1) as u64, solid, chords)
    }

    proptest::proptest! {
        #[test]
        fn lines_through_centres_agree_with_the_rule_spelt_out(
            (width, height) in (1usize..40, 1usize..40),
            cells in proptest::collection::vec(0u32..4, 1600),
            block in 1usize..5,
        ) {
            let map = labels(width, height, |x, y| cells[(y / block) * 40 + x / block]);
            let rows: Vec<Vec<u32>> = map.grid.rows().map(<[u32]>::to_vec).collect();
            let columns: Vec<Vec<u32>> =
                (0..width).map(|x| (0..height).map(|y| map.grid.at(x, y)).collect()).collect();
            for (angle, lines) in [(0.0, rows), (90.0, columns)] {
                let wanted: Vec<_> = lines.iter().map(|line| obvious(line)).collect();
                let passages: u64 = wanted.iter().map(|w| w.0).sum();
                let solid: f64 = wanted.iter().map(|w| w.1).sum();
                let mut chords: Vec<f32> = wanted.into_iter().flat_map(|w| w.2).collect();
                match intercepts(&map, Spacing::PIXELS, &options(1, &[angle], false)) {
                    None => proptest::prop_assert_eq!(passages, 0),
                    Some(mut found) => {
                        proptest::prop_assert_eq!(found.count, passages);
                        proptest::prop_assert!((found.mean * passages as f64 - solid).abs() < 1e-9);
                        chords.sort_by(f32::total_cmp);
                        found.chords.sort_by(f32::total_cmp);
                        proptest::prop_assert_eq!(found.chords, chords);
                    }
                }
            }
        }

        #[test]
        fn lengths_add_up_in_every_direction(
            (width, height) in (1usize..40, 1usize..40),
            cells in proptest::collection::vec(0u32..3, 1600),
            angle in 0.0f64..180.0,
            spacing_px in 0u32..9,
        ) {
            let map = labels(width, height, |x, y| cells[y * 40 + x]);
            if let Some(found) = intercepts(&map, Spacing::um(0.5, 0.7), &options(spacing_px, &[angle], true)) {
                let chords: f64 = found.chords.iter().map(|&c| f64::from(c)).sum();
                let mut solid = 0.0;
                for set in &found.results.sets {
                    let (length, pores) = (set.line_length.value(), set.length_in_pores.value());
                    proptest::prop_assert!((0.0..=length + 1e-9).contains(&pores));
                    solid += length - pores;
                }
                proptest::prop_assert!(chords <= solid + 1e-3, "{} {}", chords, solid);
                proptest::prop_assert!((found.mean * found.count as f64 - solid).abs() < 1e-6);
            }
        }
    }
}
