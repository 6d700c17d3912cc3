//! Axes: from values to places on the sheet, and the ticks beside them.

use super::canvas::{Anchor, Canvas, GRID, INK};

/// Size of all text in a figure, in pt; journals ask for 7 at least.
pub(super) const TEXT_PT: f64 = 7.5;

const TICK_MM: f64 = 1.0;

/// Labels of ticks nearer to each other than this would run together.
const LEAST_APART_MM: f64 = 6.0;

/// A linear or logarithmic axis between two places on the sheet.
#[derive(Clone, Copy)]
pub(super) struct Axis {
    pub low: f64,
    pub high: f64,
    pub logarithmic: bool,
    /// Where `low` lies, in millimetres.
    pub start: f64,
    /// Where `high` lies.
    pub end: f64,
}

impl Axis {
    /// The place of a value; values outside lie at the nearer end.
    pub(super) fn place(&self, value: f64) -> f64 {
        let share = if self.logarithmic {
            (value.max(f64::MIN_POSITIVE) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        self.start + share.clamp(0.0, 1.0) * (self.end - self.start)
    }

    /// The value at a share of the way.
    pub(super) fn value(&self, share: f64) -> f64 {
        if self.logarithmic {
            self.low * (self.high / self.low).powf(share)
        } else {
            self.low + share * (self.high - self.low)
        }
    }

    /// Values with a label, rising.
    pub(super) fn ticks(&self) -> Vec<f64> {
        let room = ((self.end - self.start).abs() / 9.0).clamp(2.0, 8.0);
        if self.logarithmic {
            let steps: &[&[f64]] = &[&[1.0, 2.0, 3.0, 5.0, 7.0], &[1.0, 2.0, 5.0], &[1.0, 3.0], &[1.0]];
            let mut candidates = steps.iter().map(|steps| self.decade_ticks(steps));
            let apart = |ticks: &[f64]| {
                let mut pairs = ticks.windows(2);
                pairs.all(|pair| (self.place(pair[1]) - self.place(pair[0])).abs() >= LEAST_APART_MM)
            };
            if let Some(ticks) = candidates.find(|ticks| ticks.len() as f64 <= room + 1.0 && apart(ticks))
                && ticks.len() > 1
            {
                return ticks;
            }
        }
        self.even_ticks(room)
    }

    fn decade_ticks(&self, steps: &[f64]) -> Vec<f64> {
        let decades = self.low.log10().floor() as i32..=self.high.log10().ceil() as i32;
        let values = decades.flat_map(|decade| steps.iter().map(move |step| step * 10f64.powi(decade)));
        values.filter(|value| (self.low..=self.high).contains(value)).collect()
    }

    fn even_ticks(&self, room: f64) -> Vec<f64> {
        let step = even_step((self.high - self.low) / room);
        let first = (self.low / step - 1e-9).ceil() as i64;
        let last = (self.high / step + 1e-9).floor() as i64;
        (first..=last).take(50).map(|i| i as f64 * step).collect()
    }

    /// Draws a horizontal axis at height `y`, with `label` below.
    pub(super) fn draw_below(&self, canvas: &Canvas, y: f64, label: &str) {
        self.draw_ticks_below(canvas, y, true);
        self.draw_label_below(canvas, y, label);
    }

    /// The line and ticks of a horizontal axis, with their values or without.
    pub(super) fn draw_ticks_below(&self, canvas: &Canvas, y: f64, with_values: bool) {
        canvas.line(&[(self.start, y), (self.end, y)], INK, 0.25);
        for value in self.ticks() {
            let x = self.place(value);
            canvas.line(&[(x, y), (x, y + TICK_MM)], INK, 0.25);
            if with_values {
                canvas.text(&tick_label(value), (x, y + TICK_MM + 1.9), TEXT_PT, Anchor::Middle);
            }
        }
    }

    /// The label of a horizontal axis at height `y`.
    pub(super) fn draw_label_below(&self, canvas: &Canvas, y: f64, label: &str) {
        canvas.text(label, ((self.start + self.end) / 2.0, y + TICK_MM + 5.8), TEXT_PT, Anchor::Middle);
    }

    /// Draws a vertical axis at `x`, with `label` to its left.
    pub(super) fn draw_left(&self, canvas: &Canvas, x: f64, label: &str) {
        self.draw_ticks_left(canvas, x, true);
        self.draw_label_left(canvas, x, label);
    }

    /// The line and ticks of a vertical axis, with their values or without.
    pub(super) fn draw_ticks_left(&self, canvas: &Canvas, x: f64, with_values: bool) {
        canvas.line(&[(x, self.start), (x, self.end)], INK, 0.25);
        for value in self.ticks() {
            let y = self.place(value);
            canvas.line(&[(x - TICK_MM, y), (x, y)], INK, 0.25);
            if with_values {
                canvas.text(&tick_label(value), (x - TICK_MM - 0.8, y), TEXT_PT, Anchor::Right);
            }
        }
    }

    /// The label of a vertical axis at `x`.
    pub(super) fn draw_label_left(&self, canvas: &Canvas, x: f64, label: &str) {
        canvas.upward_text(label, (x - 9.6, (self.start + self.end) / 2.0), TEXT_PT);
    }

    /// An axis over `values` with a little room beyond them; linear where a logarithm does not exist. `None` without a
    /// finite value.
    pub(super) fn around(
        values: impl IntoIterator<Item = f64>,
        logarithmic: bool,
        (start, end): (f64, f64),
    ) -> Option<Self> {
        const ROOM: f64 = 0.06;
        let finite = values.into_iter().filter(|value| value.is_finite());
        let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if low > high {
            return None;
        }
        if logarithmic && low > 0.0 {
            let room = (high / low).max(1.05).powf(ROOM);
            return Some(Self { low: low / room, high: high * room, logarithmic, start, end });
        }
        let spread = if high > low { high - low } else { low.abs().max(1.0) };
        let (low, high) = (low - ROOM * spread, high + ROOM * spread);
        Some(Self { low, high, logarithmic: false, start, end })
    }

    /// Faint lines from `left` to `right` at the ticks of a vertical axis.
    pub(super) fn draw_grid_across(&self, canvas: &Canvas, left: f64, right: f64) {
        for value in self.ticks() {
            let y = self.place(value);
            canvas.line(&[(left, y), (right, y)], GRID, 0.25);
        }
    }

    /// Faint lines from `top` to `bottom` at the ticks.
    pub(super) fn draw_grid(&self, canvas: &Canvas, top: f64, bottom: f64) {
        for value in self.ticks() {
            let x = self.place(value);
            canvas.line(&[(x, top), (x, bottom)], GRID, 0.25);
        }
    }
}

/// The smallest of 1, 2 and 5 times a power of ten that is at least `step`.
fn even_step(step: f64) -> f64 {
    let decade = 10f64.powf(step.log10().floor());
    [1.0, 2.0, 5.0, 10.0].map(|f| f * decade).into_iter().find(|&s| s >= step * (1.0 - 1e-9)).unwrap_or(step)
}

fn tick_label(value: f64) -> String {
    let text = super::super::number::significant(value, 6);
    match text.split_once('.') {
        Some((whole, decimals)) if !text.contains('e') => {
            let decimals = decimals.trim_end_matches('0');
            if decimals.is_empty() { whole.to_owned() } else { format!("{whole}.{decimals}") }
        }
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(low: f64, high: f64, logarithmic: bool) -> Axis {
        Axis { low, high, logarithmic, start: 10.0, end: 70.0 }
    }

    #[test]
    fn ticks_are_round_numbers_inside_the_axis() {
        assert_eq!(axis(0.0, 23.0, false).ticks(), [0.0, 5.0, 10.0, 15.0, 20.0]);
        assert_eq!(axis(1.0, 30.0, true).ticks(), [1.0, 2.0, 5.0, 10.0, 20.0]);
        assert_eq!(axis(0.01, 900.0, true).ticks(), [0.01, 0.1, 1.0, 10.0, 100.0]);
        let narrow = axis(5.1, 6.3, true).ticks();
        assert!(narrow.len() > 3 && narrow.iter().all(|v| (5.1..=6.3).contains(v)), "{narrow:?}");
    }

    #[test]
    fn an_axis_around_values_holds_them_and_takes_a_logarithm_where_there_is_one() {
        let axis = Axis::around([2.0, f64::NAN, 50.0], true, (0.0, 1.0)).unwrap();
        assert!(axis.logarithmic && axis.low < 2.0 && axis.high > 50.0);
        let axis = Axis::around([0.0, 50.0], true, (0.0, 1.0)).unwrap();
        assert!(!axis.logarithmic && axis.low < 0.0 && axis.high > 50.0);
        let one = Axis::around([3.0], false, (0.0, 1.0)).unwrap();
        assert!(one.low < 3.0 && one.high > 3.0);
        assert!(Axis::around([f64::INFINITY], false, (0.0, 1.0)).is_none());
    }

    #[test]
    fn places_and_values_are_inverse() {
        for axis in [axis(2.0, 50.0, true), axis(-1.0, 4.0, false)] {
            for share in [0.0, 0.3, 1.0] {
                assert!((axis.place(axis.value(share)) - (10.0 + 60.0 * share)).abs() < 1e-9);
            }
        }
        assert_eq!(axis(1.0, 10.0, true).place(0.0), 10.0);
    }

    #[test]
    fn labels_have_no_idle_zeros() {
        assert_eq!([0.1 + 0.2, 20.0, 0.5, 1e-6].map(tick_label), ["0.3", "20", "0.5", "1.00000e-6"]);
    }
}
