//! Words near a bar: parts of like height that stand on one line.

use super::super::bar::glyphs::{Glyph, glyphs};
use super::super::{Bar, BarStyle};
use crate::grid::{Frame, Grid};
use crate::micrograph::InfoStrip;
use crate::segment::grey_levels::histogram;
use crate::segment::threshold::modes::percentile;

/// The label is looked for this share of the picture's height above and below the bar, and this share of its width, or
/// the length of the bar, to its sides.
const REACH_SHARE: usize = 6;
const ASIDE_SHARE: usize = 5;
/// Parts of a word stand no further apart than this many times their height.
const GAP: f64 = 1.6;
/// Parts that are wider than this many times their height are no letters, nor letters that have run together.
const WIDEST: usize = 5;
/// Greys of one bar differ by less than this.
const SAME_INK: u8 = 40;
/// A line that goes on behind a word is there at least this share as long as before it; shorter ink is a letter's.
const OTHER_HALF: f64 = 0.5;
/// Columns inside the end of a filled bar at which its level is taken.
const INSIDE_PX: f64 = 2.0;
/// A stroke may be blurred this far beyond the box of its word, in px.
const BLUR_PX: usize = 2;
/// Labels stand no further from their bar than this many times their height, half as far to its sides.
const FARTHEST: f64 = 6.0;
/// Words that are read for a bar.
const MOST_WORDS: usize = 12;
/// What an uneven ground counts against a word, in heights of distance.
const UNEVEN: f64 = 4.0;
/// Half the width of the caps of a bracket, and what is left free around them, in px.
const CAP_PX: f64 = 4.0;
/// The range of greys leaves out this share of the pixels at either end, and is no less than so many greys.
const RANGE: f64 = 0.01;
const LEAST_RANGE: usize = 8;
/// Levels, as shares of the range of greys near the bar, at which letters are cut out of their ground.
const LEVELS: [f64; 4] = [0.85, 0.65, 0.5, 0.35];

/// A word near a bar.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Word {
    /// Box around its parts.
    pub frame: Frame,
    /// Distance to the bar over the word's height.
    pub distance: f64,
    /// Columns to its left and to its right before the bar begins, where the word stands level with the bar.
    pub room: (usize, usize),
    /// Whether it stands level with the bar, outside of it, and ink of the bar follows on its other side: the bar may be
    /// one half of a line that the word breaks.
    pub between_lines: bool,
}

/// Words near `bar`, the nearest first.
pub(super) fn words_near(grid: &Grid<u8>, bar: &Bar, strip: Option<InfoStrip>) -> Vec<Word> {
    let frame = around(grid, bar, strip);
    let part = grid.cropped(frame);
    let own = rows_of(grid, bar);
    // Columns of the caps in every row, and of the whole bar in its own rows.
    let columns_where = |is_in: &dyn Fn(f64) -> bool| -> Vec<bool> {
        (frame.x..frame.x + frame.width).map(|x| is_in(x as f64)).collect()
    };
    let in_caps = columns_where(&|x| {
        bar.style == BarStyle::Bracket
            && [bar.left_px, bar.right_px].iter().any(|end| (x - end).abs() <= CAP_PX)
    });
    let in_bar = columns_where(&|x| (bar.left_px - 2.0..=bar.right_px + 2.0).contains(&x));
    let Some((low, high)) = greys_between(&part, RANGE) else { return Vec::new() };
    let (low, high) = (low as f64, high.max(low + LEAST_RANGE) as f64);
    let mut found: Vec<Word> = Vec::new();
    for level in LEVELS {
        for bright in [true, false] {
            let share = if bright { level } else { 1.0 - level };
            let cut = low + share * (high - low);
            // A sign that touches the bar is cut off from it.
            let write = |y: usize, row: &mut [bool]| {
                for ((set, &v), &in_caps) in row.iter_mut().zip(part.row(y)).zip(&in_caps) {
                    let v = f64::from(v);
                    *set = (if bright { v >= cut } else { v <= cut }) && !in_caps;
                }
                if own.contains(&(y + frame.y)) {
                    row.iter_mut().zip(&in_bar).for_each(|(set, &in_bar)| *set &= !in_bar);
                }
            };
            let mut glyphs = glyphs((frame.width, frame.height), write, reach(grid), WIDEST);
            glyphs.retain(|glyph| !is_tick(glyph, bar, frame));
            for frame in words(&glyphs, frame) {
                let room = room(grid, frame, bar);
                let between_lines = is_between_lines(grid, frame, bar, room);
                let word = Word { frame, distance: distance(frame, bar), room, between_lines };
                if !found.iter().any(|other| same(other.frame, frame)) {
                    found.push(word);
                }
            }
        }
    }
    let near = found.into_iter().filter(|word| word.distance <= FARTHEST);
    let mut ranked: Vec<(f64, Word)> =
        near.map(|word| (word.distance + UNEVEN * (1.0 - evenness(grid, word.frame)), word)).collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    ranked.into_iter().take(MOST_WORDS).map(|(_, word)| word).collect()
}

/// The grey below which this share of the pixels lies, and that above which as many lie.
fn greys_between(part: &Grid<u8>, share: f64) -> Option<(usize, usize)> {
    let histogram = histogram(part);
    percentile(&histogram, share).zip(percentile(&histogram, 1.0 - share))
}

/// Rows above and below a bar in which its label is looked for.
fn reach(grid: &Grid<u8>) -> usize {
    (grid.height() / REACH_SHARE).clamp(24, 400)
}

/// Rows that a filled bar covers; none for a broken one, whose label stands in them, or for caps and ticks.
fn rows_of(grid: &Grid<u8>, bar: &Bar) -> std::ops::Range<usize> {
    let row = row_of(grid, bar);
    if bar.style != BarStyle::Solid {
        return row..row;
    }
    let ink = |x: usize| grid.at(x, row);
    let column = |share: f64| ((bar.left_px + share * bar.length_px()) as usize).min(grid.width() - 1);
    let (first, last) = (column(0.0), column(1.0));
    let even = (first..last).filter(|&x| ink(x).abs_diff(ink(column(0.1))) < SAME_INK).count();
    if 20 * even < 19 * (last - first) {
        return row..row;
    }
    // The least of several columns: a sign may touch the bar in one of them.
    let spans = [0.1, 0.25, 0.75, 0.9].map(|share| {
        let x = column(share);
        let inked = |y: &usize| grid.at(x, *y).abs_diff(grid.at(x, row)) < SAME_INK;
        let above = (0..row).rev().take_while(inked).count();
        let below = (row..grid.height()).take_while(inked).count();
        (above, below)
    });
    let least = |part: fn(&(usize, usize)) -> usize| spans.iter().map(part).min().unwrap_or(0);
    row - least(|span| span.0)..row + least(|span| span.1)
}

/// Where the label of a bar may stand.
fn around(grid: &Grid<u8>, bar: &Bar, strip: Option<InfoStrip>) -> Frame {
    let (width, height) = (grid.width(), grid.height());
    // The label of a bar in the strip is in the strip as well.
    let rows_of_strip =
        |s: InfoStrip| s.first_row_px.saturating_sub(2)..(s.first_row_px + s.rows_px).min(height);
    let within = strip.map(rows_of_strip).filter(|rows| rows.contains(&(bar.row_px.max(0.0) as usize)));
    let rows = reach(grid);
    let aside = (width / ASIDE_SHARE).max(bar.length_px() as usize);
    let (left, right) = (bar.left_px.max(0.0) as usize, (bar.right_px.max(0.0) as usize).min(width));
    let row = row_of(grid, bar);
    let (x, y) = (left.saturating_sub(aside), row.saturating_sub(rows));
    let (top, bottom) = within.map_or((y, (row + rows).min(height)), |rows| (rows.start, rows.end));
    Frame { x, y: top, width: (right + aside).min(width) - x, height: bottom - top }
}

/// Boxes of the words that the glyphs make, in the picture that `window` was cut from.
fn words(glyphs: &[Glyph], window: Frame) -> Vec<Frame> {
    let mut taken = vec![false; glyphs.len()];
    let mut found = Vec::new();
    for first in 0..glyphs.len() {
        if taken[first] {
            continue;
        }
        let mut word = glyphs[first];
        let mut tallest = word.height();
        taken[first] = true;
        // Glyphs come sorted by their left side.
        for next in first + 1..glyphs.len() {
            let glyph = glyphs[next];
            if glyph.left as f64 > word.right as f64 + GAP * tallest as f64 {
                break;
            }
            if !taken[next] && on_one_line(&word, tallest, &glyph) {
                taken[next] = true;
                tallest = tallest.max(glyph.height());
                word = word.joined(&glyph);
            }
        }
        if word.right - word.left >= tallest {
            found.push(Frame {
                x: window.x + word.left,
                y: window.y + word.top,
                width: word.right + 1 - word.left,
                height: word.height(),
            });
        }
    }
    found
}

fn on_one_line(word: &Glyph, tallest: usize, glyph: &Glyph) -> bool {
    let (low, high) = (glyph.height().min(tallest), glyph.height().max(tallest));
    let shared = glyph.bottom.min(word.bottom) as i64 + 1 - glyph.top.max(word.top) as i64;
    5 * low >= 2 * high && 10 * shared >= 6 * low as i64 && word.joined(glyph).height() * 2 <= 3 * high
}

/// Whether a part is one of the ticks of a tick row: nothing else stands between them.
fn is_tick(part: &Glyph, bar: &Bar, window: Frame) -> bool {
    let (left, right) = ((window.x + part.left) as f64, (window.x + part.right + 1) as f64);
    let rows = (window.y + part.top) as f64..(window.y + part.bottom + 1) as f64;
    bar.style == BarStyle::Ticks
        && left >= bar.left_px - CAP_PX
        && right <= bar.right_px + CAP_PX
        && rows.contains(&bar.row_px)
}

fn is_between_lines(grid: &Grid<u8>, frame: Frame, bar: &Bar, room: (usize, usize)) -> bool {
    let near = 3 * frame.height / 2;
    let (after, before) =
        (frame.x as f64 >= bar.right_px - 1.0, (frame.x + frame.width) as f64 <= bar.left_px + 1.0);
    // A line with caps at both ends is whole.
    if bar.style != BarStyle::Solid || !(after || before) || room.0.min(room.1) > near {
        return false;
    }
    let row = grid.row(row_of(grid, bar));
    let least = (OTHER_HALF * bar.length_px()) as usize;
    let (ink, ground) = ink_and_ground(grid, frame, bar);
    let inked = |v: &u8| v.abs_diff(ink) <= v.abs_diff(ground);
    let line_follows = |beyond: &mut dyn Iterator<Item = &u8>| {
        let levels: Vec<u8> = beyond.take(near + least).copied().collect();
        // What a crop may have taken away cannot be excluded.
        if levels.len() < near {
            return true;
        }
        // The word itself may end in a stroke that is blurred beyond its box.
        (0..=near.min(levels.len())).any(|start| {
            let run = levels[start..].iter().take_while(|v| inked(v)).count();
            run >= least || run > 0 && start + run == levels.len()
        })
    };
    if after {
        line_follows(&mut row[(frame.x + frame.width).min(row.len())..].iter())
    } else {
        line_follows(&mut row[..frame.x].iter().rev())
    }
}

/// Levels of the bar and of the ground beside a word, in the row of the bar.
fn ink_and_ground(grid: &Grid<u8>, frame: Frame, bar: &Bar) -> (u8, u8) {
    let row = row_of(grid, bar);
    // The outermost pixels of a filled bar are half ground.
    let inside = if bar.style == BarStyle::Solid { INSIDE_PX } else { 0.0 };
    let column = ((bar.left_px + inside).max(0.0) as usize).min(grid.width() - 1);
    (grid.at(column, row), grid.at(frame.x.saturating_sub(2), row))
}

fn row_of(grid: &Grid<u8>, bar: &Bar) -> usize {
    (bar.row_px.max(0.0) as usize).min(grid.height() - 1)
}

/// Share of the pixels in a box that lie near its brightest or its darkest greys: letters on an even ground have few others.
fn evenness(grid: &Grid<u8>, frame: Frame) -> f64 {
    let part = grid.cropped(frame);
    let Some((low, high)) = greys_between(&part, 0.05) else { return 0.0 };
    let reach = (high - low) / 5;
    let near = |v: usize| v <= low + reach || v + reach >= high;
    part.map(|v| near(usize::from(v))).area_fraction()
}

/// Columns on either side of a word in which the row of the bar is free of its ink.
fn room(grid: &Grid<u8>, frame: Frame, bar: &Bar) -> (usize, usize) {
    let row = row_of(grid, bar);
    if !(frame.y..frame.y + frame.height).contains(&row) {
        return (usize::MAX, usize::MAX);
    }
    let (ink, ground) = ink_and_ground(grid, frame, bar);
    // Where bar and ground are alike, nothing can be told.
    if ink.abs_diff(ground) < SAME_INK {
        return (usize::MAX, usize::MAX);
    }
    let free = |x: usize| {
        let v = grid.at(x, row);
        v.abs_diff(ink) > v.abs_diff(ground)
    };
    let left: Vec<bool> = (0..frame.x).rev().map(free).collect();
    let right: Vec<bool> = (frame.x + frame.width..grid.width()).map(free).collect();
    (free_columns(&left).saturating_sub(1), free_columns(&right).saturating_sub(1))
}

/// Free columns beside a word, with the blur of its last stroke, if that is all that touches it.
fn free_columns(free: &[bool]) -> usize {
    let blur = free.iter().take(BLUR_PX).take_while(|free| !**free).count();
    let columns = free[blur..].iter().take_while(|free| **free).count();
    if columns > 0 { blur + columns } else { 0 }
}

fn same(a: Frame, b: Frame) -> bool {
    let near = |p: usize, q: usize, height: usize| p.abs_diff(q) * 8 <= height;
    let height = a.height.min(b.height);
    near(a.x, b.x, height)
        && near(a.y, b.y, height)
        && near(a.x + a.width, b.x + b.width, height)
        && near(a.y + a.height, b.y + b.height, height)
}

/// Distance of the bar to the box over the height of the box; to its sides it counts double, for labels stand above,
/// below or in their bar rather than beside it.
fn distance(frame: Frame, bar: &Bar) -> f64 {
    let beyond = |low: f64, high: f64, from: f64, to: f64| (low - to).max(from - high).max(0.0);
    let (left, right) = (frame.x as f64, (frame.x + frame.width) as f64);
    let (top, bottom) = (frame.y as f64, (frame.y + frame.height) as f64);
    // A label stands centred on its bar, or at one of its ends: what overhangs counts as well.
    let across = beyond(left, right, bar.left_px, bar.right_px);
    let down = beyond(top, bottom, bar.row_px, bar.row_px);
    (2.0 * across).hypot(down) / frame.height as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROW: usize = 60;

    fn fill(grid: &mut Grid<u8>, x: std::ops::Range<usize>, y: std::ops::Range<usize>) {
        for y in y {
            grid.row_mut(y)[x.clone()].fill(250);
        }
    }

    /// A dark strip with three letters from `left`, 12 px high around [`ROW`], the last one's blur in one column more.
    fn lettered(left: usize) -> Grid<u8> {
        let mut grid = Grid::filled(400, 120, 10);
        for i in 0..3 {
            fill(&mut grid, left + 9 * i..left + 9 * i + 6, ROW - 6..ROW + 6);
        }
        for y in ROW - 6..ROW + 6 {
            grid.set(left + 24, y, 150);
        }
        grid
    }

    fn bar(style: BarStyle, left: usize, right: usize) -> Bar {
        Bar { left_px: left as f64, right_px: right as f64, row_px: ROW as f64, style, uncertainty_px: 0.5 }
    }

    /// The word that begins at `left` and is no wider than the letters with their blur.
    fn word_at(grid: &Grid<u8>, bar: &Bar, left: usize) -> Option<Word> {
        words_near(grid, bar, None).into_iter().find(|word| word.frame.x == left && word.frame.width <= 25)
    }

    #[test]
    fn ticks_are_no_letters_of_the_word_beside_them() {
        let mut grid = lettered(100);
        for i in 0..11 {
            fill(&mut grid, 132 + 10 * i..134 + 10 * i, ROW - 6..ROW + 6);
        }
        let word = word_at(&grid, &bar(BarStyle::Ticks, 133, 233), 100);
        assert!(word.is_some(), "{:?}", words_near(&grid, &bar(BarStyle::Ticks, 133, 233), None));
    }

    #[test]
    fn letters_that_stand_on_the_bar_are_cut_off_from_it() {
        let mut grid = Grid::filled(400, 120, 10);
        fill(&mut grid, 80..240, ROW - 2..ROW + 2);
        for i in 0..3 {
            fill(&mut grid, 100 + 9 * i..106 + 9 * i, ROW - 14..ROW - 2);
        }
        let word = word_at(&grid, &bar(BarStyle::Solid, 80, 240), 100).expect("a word");
        assert_eq!((word.frame.y, word.frame.height), (ROW - 14, 12));
    }

    #[test]
    fn caps_of_a_bracket_are_no_letters_of_the_word_between_them() {
        let mut grid = lettered(100);
        for cap in [90, 134] {
            fill(&mut grid, cap..cap + 3, ROW - 7..ROW + 7);
        }
        let words = words_near(&grid, &bar(BarStyle::Bracket, 91, 135), None);
        assert!(!words.is_empty());
        let holds = |word: &Word, x: usize| (word.frame.x..word.frame.x + word.frame.width).contains(&x);
        assert!(words.iter().all(|word| !holds(word, 90) && !holds(word, 135)), "{words:?}");
    }

    #[test]
    fn a_line_goes_on_behind_a_word_where_a_line_of_its_length_follows() {
        let mut grid = lettered(150);
        fill(&mut grid, 80..140, ROW - 1..ROW + 2);
        let half = bar(BarStyle::Solid, 80, 140);
        // The blur of the last letter is no line, nor is a dash behind it.
        fill(&mut grid, 180..186, ROW - 1..ROW + 2);
        let alone = word_at(&grid, &half, 150).expect("a word");
        assert!(!alone.between_lines);
        fill(&mut grid, 186..245, ROW - 1..ROW + 2);
        let broken = word_at(&grid, &half, 150).expect("a word");
        assert!(broken.between_lines);
    }

    #[test]
    fn the_blur_of_a_letter_leaves_the_room_beside_it() {
        let mut grid = lettered(150);
        fill(&mut grid, 80..140, ROW - 1..ROW + 2);
        fill(&mut grid, 185..245, ROW - 1..ROW + 2);
        let words = words_near(&grid, &bar(BarStyle::Bracket, 80, 245), None);
        let word = words.iter().find(|word| word.frame.x == 150 && word.frame.width == 24).expect("a word");
        // 174 to 185 less the pixel before the line; a letter's blur in the first of them.
        assert_eq!(word.room, (9, 10));
    }
}
