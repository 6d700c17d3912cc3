//! The printed length beside a scale bar: found, read, and believed or not.

mod beam;
mod printed;
mod reader;
mod words;

use super::Bar;
use crate::error::Error;
use crate::grid::{Frame, Grid};
use crate::micrograph::InfoStrip;

/// A printed length beside a bar, as read.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// The text, its likeliest spelling.
    pub text: String,
    /// The length that it states, in µm.
    pub length_um: f64,
    /// Probability, by the reader, that the line states this length in whatever spelling.
    pub probability: f64,
    /// Why the reading is not to be relied on; `None` if it is.
    pub doubt: Option<&'static str>,
    /// Where it stands in the picture.
    pub frame: Frame,
    /// Distance to the bar over the height of the text.
    pub distance: f64,
    /// Whether it stands level with its line and the line seems to go on behind it.
    pub between_lines: bool,
}

impl Label {
    /// How much speaks for this being the label of its bar.
    fn worth(&self) -> f64 {
        worth(self.probability, self.distance)
    }

    fn is_as_long_as(&self, other: &Self) -> bool {
        (self.length_um / other.length_um - 1.0).abs() < 1e-6
    }

    /// Whether it stands between the ends of `bar`, in its row.
    pub(super) fn stands_in(&self, bar: &Bar) -> bool {
        let Frame { x, y, width, height } = self.frame;
        x as f64 >= bar.left_px
            && (x + width) as f64 <= bar.right_px
            && (y as f64..(y + height) as f64).contains(&bar.row_px)
    }
}

/// What a text of this probability is worth as a label at this distance in heights.
fn worth(probability: f64, distance: f64) -> f64 {
    probability / (1.0 + distance)
}

/// Probability from which a length is believed, by how usual it is beside a bar: what is rarely printed is more often
/// misread. Chosen on phantoms and real pictures: on 500 phantoms no believed text was misread at 0.8 already.
const BELIEVED: [(f64, f64); 4] = [(1.0, 0.7), (0.9, 0.8), (0.6, 0.95), (0.0, 0.99)];
/// A reading below this probability is not mentioned.
const LEAST: f64 = 0.2;
/// A further label of another length with this share of the worth of the best one makes it doubtful.
const RIVAL: f64 = 0.5;
/// Rim around a word that is read with it, over its height: rows, and columns, where a narrow sign may have been missed.
const RIM: (f64, f64) = (0.25, 0.8);
const OTHER_RIMS: [(f64, f64); 2] = [(0.18, 0.4), (0.32, 0.6)];
/// A word whose first look gives no length this probability is not looked at again.
const LEAST_ONCE: f64 = 0.02;

/// The label of `bar` in `grid`; `None` if no line near it reads as a length.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub(super) fn beside(grid: &Grid<u8>, bar: &Bar, strip: Option<InfoStrip>) -> Result<Option<Label>, Error> {
    let mut labels: Vec<Label> = Vec::new();
    for word in words::words_near(grid, bar, strip) {
        // Too far away to be the label or a rival, whatever it says, unless what was read is a part of it.
        let is_idle = |read: &Label| {
            worth(1.0, word.distance) <= RIVAL * read.worth() && !lies_in(read.frame, word.frame)
        };
        if !labels.iter().any(is_idle) {
            labels.extend(read(grid, &word)?);
        }
    }
    // A part of a line reads as a shorter number: the whole line counts.
    let whole = |label: &&Label| !labels.iter().any(|other| is_part(label, other));
    let mut ranked: Vec<Label> = labels.iter().filter(whole).cloned().collect();
    ranked.sort_by(|a, b| b.worth().total_cmp(&a.worth()));
    let mut ranked = ranked.into_iter();
    let Some(mut best) = ranked.next() else { return Ok(None) };
    let rival = ranked.any(|other| !other.is_as_long_as(&best) && other.worth() > RIVAL * best.worth());
    if rival && best.doubt.is_none() {
        best.doubt = Some("another length stands near the bar");
    }
    Ok(Some(best))
}

fn is_part(label: &Label, of: &Label) -> bool {
    lies_in(label.frame, of.frame) && !label.is_as_long_as(of) && of.probability >= label.probability * RIVAL
}

/// Whether a box is a part of a wider one.
fn lies_in(a: Frame, b: Frame) -> bool {
    let rim = b.height / 4;
    b.width > a.width + rim
        && b.x <= a.x + rim
        && a.x + a.width <= b.x + b.width + rim
        && b.y <= a.y + rim
        && a.y + a.height <= b.y + b.height + rim
}

/// The length that a word states, with the probabilities of all its spellings added up.
///
/// What reads as a length at the usual rim is read again at others, because letters of few pixels read differently where
/// the rows of the reader fall differently on them.
fn read(grid: &Grid<u8>, word: &words::Word) -> Result<Option<Label>, Error> {
    let first = lengths(grid, word, RIM)?;
    if first.iter().map(|l| l.probability).sum::<f64>() < LEAST_ONCE {
        return Ok(None);
    }
    let others = [lengths(grid, word, OTHER_RIMS[0])?, lengths(grid, word, OTHER_RIMS[1])?];
    // Of each length the middle one of its three probabilities.
    let middle = |length: &Likely| {
        let of =
            |list: &[Likely]| list.iter().find(|l| l.is_as_long_as(length)).map_or(0.0, |l| l.probability);
        let mut all = [of(&first), of(&others[0]), of(&others[1])];
        all.sort_by(f64::total_cmp);
        all[1]
    };
    let all = first.iter().chain(others.iter().flatten());
    let best = all.map(|length| (middle(length), length)).max_by(|a, b| a.0.total_cmp(&b.0));
    Ok(best.filter(|&(p, _)| p >= LEAST).map(|(probability, best)| {
        let usual = best.length.usual;
        let needed = BELIEVED.iter().find(|&&(least, _)| usual >= least).map_or(1.0, |&(_, needed)| needed);
        Label {
            text: best.text.clone(),
            length_um: best.length.um,
            probability,
            doubt: (probability < needed).then_some("the text is not clear enough"),
            frame: word.frame,
            distance: word.distance,
            between_lines: word.between_lines,
        }
    }))
}

/// A length that a line may state.
struct Likely {
    length: printed::PrintedLength,
    text: String,
    probability: f64,
}

impl Likely {
    fn is_as_long_as(&self, other: &Self) -> bool {
        (self.length.um / other.length.um - 1.0).abs() < 1e-9
    }
}

fn lengths(grid: &Grid<u8>, word: &words::Word, rim: (f64, f64)) -> Result<Vec<Likely>, Error> {
    let mut found = Vec::new();
    for (text, probability) in reader::read(&grid.cropped(with_rim(grid, word, rim)))? {
        // The bar itself, or an end of a broken one, reads as a dash.
        let text = text.trim_matches(['-', '=', ' ']).to_owned();
        if let Some(length) = printed::printed_length(&text) {
            add(&mut found, Likely { length, text, probability });
        }
    }
    Ok(found)
}

fn add(list: &mut Vec<Likely>, other: Likely) {
    match list.iter_mut().find(|known| known.is_as_long_as(&other)) {
        Some(known) => known.probability += other.probability,
        None => list.push(other),
    }
}

fn with_rim(grid: &Grid<u8>, word: &words::Word, (above, aside): (f64, f64)) -> Frame {
    let frame = word.frame;
    let rim = |share: f64| (share * frame.height as f64).ceil() as usize;
    let (left, right) = (rim(aside).min(word.room.0), rim(aside).min(word.room.1));
    let (x, y) = (frame.x.saturating_sub(left), frame.y.saturating_sub(rim(above)));
    let right = (frame.x + frame.width + right).min(grid.width());
    let bottom = (frame.y + frame.height + rim(above)).min(grid.height());
    Frame { x, y, width: right - x, height: bottom - y }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn label(length_um: f64, probability: f64, (x, width): (usize, usize)) -> Label {
        Label {
            text: String::new(),
            length_um,
            probability,
            doubt: None,
            frame: Frame { x, y: 100, width, height: 20 },
            distance: 0.3,
            between_lines: false,
        }
    }

    #[test]
    fn a_wider_box_counts_where_it_states_another_length() {
        let narrow = label(5.0, 1.0, (50, 60));
        // The box with one digit more is the whole number; the one with the texture beside it is but a worse look.
        assert!(is_part(&narrow, &label(25.0, 0.7, (30, 80))));
        assert!(!is_part(&narrow, &label(5.0, 0.7, (30, 80))));
        assert!(!is_part(&narrow, &label(25.0, 0.4, (30, 80))));
    }

    #[test]
    fn a_label_in_a_gap_stands_between_the_ends_in_their_row() {
        let bar = |left_px: f64, row_px: f64| Bar {
            left_px,
            right_px: left_px + 150.0,
            row_px,
            style: super::super::BarStyle::Bracket,
            uncertainty_px: 0.5,
        };
        let label = label(5.0, 1.0, (50, 60));
        assert!(label.stands_in(&bar(10.0, 110.0)));
        assert!(!label.stands_in(&bar(10.0, 90.0)));
        assert!(!label.stands_in(&bar(80.0, 110.0)));
    }
}
