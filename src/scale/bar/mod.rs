//! Finding the scale bar that is burned into a picture, and measuring it.
//!
//! A bar is a thin, level rectangle of one extreme brightness that ends sharply on all four sides; a bracket is a line
//! with caps at both ends; either may be broken in the middle by its label; a tick row is a series of equally spaced
//! marks in the info strip. All are searched bright on dark; dark ones are found in the inverted picture, so that a
//! picture and its negative give the same bars.

mod ends;
pub(super) mod glyphs;
pub(crate) mod levels;
mod lines;
mod rectangles;
mod score;
mod surroundings;
mod text;
mod ticks;

use std::sync::OnceLock;

use rayon::prelude::*;

use super::{Bar, BarStyle};
use crate::grid::Grid;
use crate::micrograph::{Grey, InfoStrip};
use crate::options::Tone;

pub use score::BarCandidate;
use score::Draft;

/// Levels at which bright bars are cut out: full white, light grey over a dark ground, mid grey, and faint lines
/// in a black strip.
const THRESHOLDS: [u8; 4] = [240, 200, 150, 90];

/// Lines, of which a bar may hold two with its label between, are never shorter than this, in px, nor than this share of the
/// picture's width.
const SHORTEST_PX: usize = 10;
const SHORTEST_SHARE: usize = 100;
/// A long label may leave the arms of a bracket half as long; their caps tell them from strokes of letters.
const ARM_SHARE: usize = 2;

/// At most this many candidates are handed back.
const MOST_CANDIDATES: usize = 8;

/// Labels are looked for near this many shapes.
const MOST_DRAFTS: usize = 16;

/// The scale bars that a picture may hold, the most likely first.
///
/// Length is taken outer end to outer end at half height for solid bars, from cap centre to cap centre for brackets, and
/// from the first to the last tick centre for tick rows. Confidence runs from 0 to 1; see [`BarCandidate::is_certain`].
/// Empty where nothing looks like a bar.
pub fn find(grey: &Grey, strip: Option<InfoStrip>) -> Vec<BarCandidate> {
    if grey.width() < 2 * SHORTEST_PX || grey.height() < 8 {
        return Vec::new();
    }
    let bright = levels::eight_bit(grey);
    // Whoever comes first to a search of dark bars makes it, while others search for bright ones.
    let inverted = OnceLock::new();
    let dark = || inverted.get_or_init(|| levels::inverted(&bright));
    let in_tone = |tone| if tone == Tone::Bright { bright.as_ref() } else { dark() };
    let shortest = SHORTEST_PX.max(grey.width() / SHORTEST_SHARE);
    let searches: Vec<(Tone, u8)> =
        [Tone::Bright, Tone::Dark].into_iter().flat_map(|tone| THRESHOLDS.map(|t| (tone, t))).collect();
    // The lowest level of either tone takes the longest, and is begun first; drafts keep their order.
    let mut of_searches: Vec<Vec<Draft>> = searches
        .par_iter()
        .rev()
        .with_max_len(1)
        .map(|&(tone, threshold)| search(in_tone(tone), threshold, shortest, strip))
        .collect();
    of_searches.reverse();
    let drafts = of_searches.into_iter().flatten().collect();
    let mut candidates: Vec<BarCandidate> =
        score::best_drafts(drafts, MOST_DRAFTS).iter().filter_map(score::judge).collect();
    if let Some(strip) = strip {
        candidates.extend([bright.as_ref(), dark()].iter().filter_map(|grid| ticks::find(grid, strip)));
    }
    score::ranked(candidates, MOST_CANDIDATES)
}

/// Shapes that are brighter than `threshold`, weighed without their label.
fn search(grid: &Grid<u8>, threshold: u8, shortest: usize, strip: Option<InfoStrip>) -> Vec<Draft<'_>> {
    let rectangles = rectangles::find(grid, threshold, shortest / ARM_SHARE);
    lines::shapes(grid, threshold, &rectangles, shortest)
        .into_iter()
        .filter_map(|shape| score::draft(grid, threshold, shape, strip))
        .collect()
}

/// A bar before its ends are measured to a fraction of a pixel.
#[derive(Clone, Debug)]
struct Shape {
    /// First column of the left end and last column of the right end.
    left: usize,
    right: usize,
    /// First and last row.
    top: usize,
    bottom: usize,
    style: BarStyle,
    /// Columns of the gap for the label, where the line is broken.
    gap: Option<(usize, usize)>,
    /// Caps at both ends, where there are any.
    caps: Option<Caps>,
    /// Spread of the ends from row to row, in px.
    raggedness: f64,
}

impl Shape {
    fn length(&self) -> usize {
        self.right + 1 - self.left
    }

    fn thickness(&self) -> usize {
        self.bottom + 1 - self.top
    }

    /// Columns of the line from either end to its label, or all of them.
    fn arm(&self) -> usize {
        self.gap.map_or(self.length(), |(first, last)| (first - self.left).min(self.right - last))
    }
}

/// Upright strokes at both ends of a line.
#[derive(Clone, Copy, Debug)]
struct Caps {
    /// First and last row that either spans.
    top: usize,
    bottom: usize,
    /// Columns of the wider one, from the end of the line inwards.
    width: usize,
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 400;
    const HEIGHT: usize = 300;

    /// Even noise with a panel of even ground at the lower right, on which bars are drawn.
    fn ground(level: u8) -> Grid<u8> {
        Grid::from_fn(WIDTH, HEIGHT, |x, y| if y < 250 { 90 + ((x * 31 + y * 17) % 47) as u8 } else { level })
    }

    fn fill(grid: &mut Grid<u8>, x: std::ops::Range<usize>, y: std::ops::Range<usize>, level: u8) {
        for y in y {
            grid.row_mut(y)[x.clone()].fill(level);
        }
    }

    /// Three upright marks like letters.
    fn write(grid: &mut Grid<u8>, left: usize, top: usize, level: u8) {
        for i in 0..3 {
            fill(grid, left + 9 * i..left + 9 * i + 4, top..top + 10, level);
        }
    }

    fn best(grid: &Grid<u8>, strip: Option<InfoStrip>) -> BarCandidate {
        let candidates = find(&Grey::Eight(grid.clone()), strip);
        candidates.into_iter().next().expect("a bar")
    }

    fn assert_bar(candidate: &BarCandidate, style: BarStyle, left: f64, right: f64) {
        assert!(candidate.is_certain(), "{candidate:?}");
        assert_eq!(candidate.bar.style, style, "{candidate:?}");
        assert!((candidate.bar.left_px - left).abs() < 0.05, "{candidate:?}");
        assert!((candidate.bar.right_px - right).abs() < 0.05, "{candidate:?}");
    }

    fn solid() -> Grid<u8> {
        let mut grid = ground(20);
        fill(&mut grid, 250..350, 280..286, 255);
        write(&mut grid, 285, 262, 255);
        grid
    }

    fn bracket(broken: bool) -> Grid<u8> {
        let mut grid = ground(0);
        fill(&mut grid, 200..340, 275..277, 255);
        fill(&mut grid, 200..202, 270..282, 255);
        fill(&mut grid, 338..340, 270..282, 255);
        if broken {
            fill(&mut grid, 252..288, 275..277, 0);
            write(&mut grid, 258, 271, 255);
        } else {
            write(&mut grid, 258, 258, 255);
        }
        grid
    }

    fn ticks() -> (Grid<u8>, InfoStrip) {
        let mut grid = ground(0);
        for i in 0..11 {
            // The first, middle and last one are longer.
            let end = if i % 5 == 0 { 266 } else { 260 };
            fill(&mut grid, 200 + 15 * i..202 + 15 * i, 252..end, 255);
        }
        write(&mut grid, 330, 270, 255);
        (grid, InfoStrip { first_row_px: 250, rows_px: 50 })
    }

    #[test]
    fn a_solid_bar_reaches_from_outer_end_to_outer_end() {
        assert_bar(&best(&solid(), None), BarStyle::Solid, 250.0, 350.0);
    }

    #[test]
    fn letters_that_stand_on_the_bar_are_its_label() {
        let mut grid = ground(20);
        fill(&mut grid, 250..350, 280..286, 255);
        write(&mut grid, 285, 270, 255);
        let found = best(&grid, None);
        assert!(found.reasons.iter().any(|reason| reason == "a label near it"), "{found:?}");
    }

    #[test]
    fn of_a_bright_and_a_dark_bar_that_are_as_likely_the_bright_one_comes_first() {
        // The right half is the negative of the left one.
        let half = WIDTH / 2;
        let mut grid = Grid::from_fn(WIDTH, HEIGHT, |_, _| 20);
        fill(&mut grid, 50..150, 280..286, 255);
        write(&mut grid, 85, 262, 255);
        let left = grid.clone();
        for y in 0..HEIGHT {
            for x in 0..half {
                grid.row_mut(y)[half + x] = 255 - left.row(y)[x];
            }
        }
        let found = find(&Grey::Eight(grid), None);
        let ends: Vec<(f64, f64)> = found.iter().map(|c| (c.bar.left_px, c.confidence)).collect();
        let [first, second] = ends[..] else { panic!("{ends:?}") };
        assert_eq!(first.1, second.1, "{ends:?}");
        assert!(first.0 < half as f64 && half as f64 <= second.0, "{ends:?}");
    }

    #[test]
    fn ends_between_pixels_are_found_at_half_height() {
        let mut grid = solid();
        // A quarter of the last pixel beyond each end belongs to the bar.
        let quarter = 20 + (255 - 20) / 4;
        fill(&mut grid, 249..250, 280..286, quarter);
        fill(&mut grid, 350..351, 280..286, quarter);
        let bar = best(&grid, None).bar;
        assert!((bar.length_px() - 100.5).abs() < 0.4, "{bar:?}");
    }

    #[test]
    fn a_bracket_reaches_from_cap_centre_to_cap_centre_broken_or_not() {
        for broken in [false, true] {
            assert_bar(&best(&bracket(broken), None), BarStyle::Bracket, 201.0, 339.0);
        }
    }

    #[test]
    fn a_broken_line_without_caps_is_one_bar() {
        let mut grid = bracket(true);
        for x in [200..202, 338..340] {
            fill(&mut grid, x.clone(), 270..275, 0);
            fill(&mut grid, x, 277..282, 0);
        }
        assert_bar(&best(&grid, None), BarStyle::Solid, 200.0, 340.0);
    }

    #[test]
    fn a_tick_row_reaches_from_first_to_last_tick_centre() {
        let (grid, strip) = ticks();
        assert_bar(&best(&grid, Some(strip)), BarStyle::Ticks, 201.0, 351.0);
    }

    #[test]
    fn a_letter_one_spacing_before_the_first_tick_is_none() {
        let (mut grid, strip) = ticks();
        fill(&mut grid, 185..187, 255..261, 255);
        assert_bar(&best(&grid, Some(strip)), BarStyle::Ticks, 201.0, 351.0);
    }

    /// A bracket from cap centre 201 to 339 whose letters leave arms of `arm` px.
    fn short_armed(arm: usize) -> Grid<u8> {
        let mut grid = ground(0);
        for x in [200..200 + arm, 340 - arm..340] {
            fill(&mut grid, x, 275..277, 255);
        }
        for x in [200, 338] {
            fill(&mut grid, x..x + 2, 268..284, 255);
        }
        let mut left = 200 + arm + 6;
        while left + 4 + 6 + arm <= 340 {
            fill(&mut grid, left..left + 4, 271..281, 255);
            left += 9;
        }
        grid
    }

    #[test]
    fn a_bracket_is_found_however_short_its_label_leaves_its_arms() {
        for arm in [8, 9, 14, 25, 45] {
            assert_bar(&best(&short_armed(arm), None), BarStyle::Bracket, 201.0, 339.0);
        }
    }

    #[test]
    fn a_bracket_whose_cap_stands_in_the_last_column_is_searched_too() {
        for right in 338..=342 {
            let grid = short_armed(8);
            let cropped = Grid::from_fn(right, HEIGHT, |x, y| grid.at(x, y));
            assert!(find(&Grey::Eight(cropped), None).iter().all(|c| c.is_cut || c.bar.right_px < 340.0));
        }
    }

    #[test]
    fn crossed_arms_with_letters_beside_them_are_letters() {
        let mut grid = short_armed(8);
        for x in [194, 343] {
            fill(&mut grid, x..x + 3, 268..284, 255);
        }
        let candidates = find(&Grey::Eight(grid), None);
        assert!(candidates.iter().all(|c| !c.is_likely()), "{candidates:?}");
    }

    #[test]
    fn a_word_whose_first_and_last_letter_have_feet_is_no_bracket() {
        let mut grid = ground(0);
        // Stems of 9 px on feet of 12 px at the ends of a word of 56 px, letters between.
        for (foot, stem) in [(200..212, 200..203), (244..256, 253..256)] {
            fill(&mut grid, foot, 280..282, 255);
            fill(&mut grid, stem, 271..282, 255);
        }
        write(&mut grid, 216, 271, 255);
        let candidates = find(&Grey::Eight(grid), None);
        assert!(candidates.iter().all(|c| !c.is_likely()), "{candidates:?}");
    }

    #[test]
    fn the_negative_has_the_same_bars() {
        let (tick_row, strip) = ticks();
        for (grid, strip) in [(solid(), None), (bracket(true), None), (tick_row, Some(strip))] {
            let negative = grid.map(|v| 255 - v);
            assert_eq!(best(&grid, strip).bar, best(&negative, strip).bar);
        }
    }

    #[test]
    fn sixteen_bits_give_the_same_bar() {
        let grid = solid();
        let wide = Grey::Sixteen(grid.map(|v| u16::from(v) * 16));
        assert_eq!(find(&wide, None)[0].bar, best(&grid, None).bar);
    }

    #[test]
    fn a_shifted_picture_has_a_shifted_bar() {
        let grid = solid();
        let (dx, dy) = (37, 9);
        let moved = Grid::from_fn(WIDTH, HEIGHT, |x, y| grid.at((x + dx) % WIDTH, (y + dy) % HEIGHT));
        let (before, after) = (best(&grid, None).bar, best(&moved, None).bar);
        assert!((before.left_px - after.left_px - dx as f64).abs() < 1e-9);
        assert!((before.row_px - after.row_px - dy as f64).abs() < 1e-9);
        assert!((before.length_px() - after.length_px()).abs() < 1e-9);
    }

    #[test]
    fn letters_boxes_and_discs_are_no_certain_bars() {
        let mut letters = ground(20);
        write(&mut letters, 250, 265, 255);
        fill(&mut letters, 300..312, 265..268, 255);
        let mut framed = ground(20);
        fill(&mut framed, 250..350, 255..295, 255);
        let disc = Grid::from_fn(WIDTH, HEIGHT, |x, y| {
            let (dx, dy) = (x as f64 - 300.0, y as f64 - 250.0);
            if dx.hypot(dy) < 40.0 { 250 } else { 60 }
        });
        for grid in [letters, framed, disc, ground(20), Grid::filled(WIDTH, HEIGHT, 255)] {
            let certain = find(&Grey::Eight(grid), None).into_iter().filter(BarCandidate::is_certain).count();
            assert_eq!(certain, 0);
        }
    }

    #[test]
    fn two_like_bars_of_different_length_are_a_doubt() {
        let mut grid = solid();
        fill(&mut grid, 50..110, 280..286, 255);
        write(&mut grid, 65, 262, 255);
        assert!(!best(&grid, None).is_certain());
    }

    #[test]
    fn a_bar_that_the_rim_may_cut_is_a_doubt() {
        let cropped = |right: usize| {
            let grid = solid();
            best(&Grid::from_fn(right, HEIGHT, |x, y| grid.at(x, y)), None)
        };
        for right in [340, 350] {
            let bar = cropped(right);
            assert!(bar.is_cut && !bar.is_certain(), "{bar:?}");
            assert!(bar.doubt().contains("rim"), "{bar:?}");
        }
        for right in [351, 352, 354, 360] {
            let bar = cropped(right);
            assert!(!bar.is_cut && (bar.bar.right_px - 350.0).abs() < 0.05, "{right}: {bar:?}");
        }
    }

    #[test]
    fn tiny_pictures_have_no_bar() {
        for (width, height) in [(1, 1), (400, 1), (1, 400), (23, 23)] {
            assert!(find(&Grey::Eight(Grid::filled(width, height, 255)), None).is_empty());
        }
    }
}
