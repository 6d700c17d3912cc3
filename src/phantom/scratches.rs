//! Scratches left by polishing.

use super::random::{Purpose, Stream};
use crate::grid::Grid;

/// Draws scratches of grey level up to ±`strength` over `picture`; `count` is for 1024 x 768 px.
///
/// Most follow one polishing direction; each is straight, thin and broken where the grain was harder.
pub(crate) fn scratch(picture: &mut Grid<f32>, count: f64, strength: f64, seed: u64) {
    let mut stream = Stream::new(seed, Purpose::Scratches, 0);
    let (width, height) = (picture.width() as f64, picture.height() as f64);
    let number = (count * width * height / (1024.0 * 768.0)).round() as usize;
    let main = stream.between(0.0, std::f64::consts::PI);
    for _ in 0..number {
        let turn = if stream.unit() < 0.7 { 0.12 * stream.normal() } else { stream.between(0.0, 3.1) };
        let line = Scratch {
            centre: (stream.between(0.0, width), stream.between(0.0, height)),
            direction: (libm::cos(main + turn), libm::sin(main + turn)),
            half_length: 0.12 * (width + height) * stream.lognormal(0.8),
            half_width: 0.5 * stream.lognormal(0.35),
            // Dark furrows are more frequent than bright ones.
            tone: strength * stream.lognormal(0.4) * if stream.unit() < 0.7 { -0.6 } else { 0.5 },
            phase: stream.between(0.0, 100.0),
        };
        line.draw(picture);
    }
}

struct Scratch {
    centre: (f64, f64),
    direction: (f64, f64),
    half_length: f64,
    half_width: f64,
    tone: f64,
    phase: f64,
}

impl Scratch {
    fn draw(&self, picture: &mut Grid<f32>) {
        let reach = 4.0 * self.half_width + 1.0;
        let (dx, dy) = self.direction;
        let half_height = self.half_length * dy.abs() + reach;
        for y in span(self.centre.1, half_height, picture.height()) {
            let rise = y as f64 + 0.5 - self.centre.1;
            // The part of the row that the scratch can touch.
            let (middle, half) = if dy.abs() > 0.02 {
                (self.centre.0 + rise * dx / dy, (reach / dy.abs()).min(self.half_length + reach))
            } else {
                (self.centre.0, self.half_length + reach)
            };
            for x in span(middle, half, picture.width()) {
                let run = x as f64 + 0.5 - self.centre.0;
                let value =
                    picture.at(x, y) + self.tone_at(run * dx + rise * dy, rise * dx - run * dy) as f32;
                picture.set(x, y, value);
            }
        }
    }

    /// Grey level added at `along` and `across` the scratch.
    fn tone_at(&self, along: f64, across: f64) -> f64 {
        let end = 1.0 - (along / self.half_length) * (along / self.half_length);
        let t = across / self.half_width;
        if end <= 0.0 || t.abs() > 4.0 {
            return 0.0;
        }
        let broken =
            (0.6 + 0.5 * libm::sin(0.11 * along + self.phase) * libm::sin(0.037 * along)).clamp(0.0, 1.0);
        self.tone * end * broken / (1.0 + t * t * t * t)
    }
}

fn span(centre: f64, half: f64, side: usize) -> std::ops::Range<usize> {
    let from = (centre - half).max(0.0) as usize;
    from.min(side)..((centre + half).max(0.0) as usize + 1).min(side)
}
