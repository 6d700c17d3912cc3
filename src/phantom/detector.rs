//! From a surface to grey levels: probe, uneven brightness, counting noise, quantisation.

use rayon::prelude::*;

use super::artefacts::{Charging, drift, dust};
use super::looks::Surface;
use super::random::{Purpose, Stream};
use super::smooth_field::SmoothField;
use super::spec::{Detector, PhantomSpec};
use crate::blur::gaussian;
use crate::grid::{Frame, Grid};

/// Grey levels from 0 to 1 of the part that is shown.
pub(crate) fn recorded(surface: &Surface, spec: &PhantomSpec) -> Grid<f32> {
    let frame = Frame { x: surface.margin, y: surface.margin, width: spec.width_px, height: spec.height_px };
    let mut picture = gaussian(&surface.picture, spec.detector.blur_px).cropped(frame);
    drift(&mut picture, spec.detector.drift_px, spec.seed);
    dust(&mut picture, spec.detector.dust, spec.seed);
    let light = Light::new(spec);
    let charging = Charging::new(spec.detector.charging, spec.height_px, spec.seed);
    let width = spec.width_px;
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        light.shade(y, row);
        charging.add(y, row);
        expose(&spec.detector, &mut Stream::new(spec.seed, Purpose::Noise, y as u64), row);
    });
    picture
}

/// Counting noise: for many counts a Poisson variate is normal with variance grey / counts.
fn expose(detector: &Detector, stream: &mut Stream, row: &mut [f32]) {
    let adjusted = |grey: f32| {
        let spread = 0.5 + detector.contrast as f32 * (grey - 0.5) + detector.brightness as f32;
        spread.clamp(0.0, 1.0)
    };
    let variance = 1.0 / detector.counts as f32;
    for pair in row.chunks_mut(2) {
        let (a, b) = stream.normal_pair();
        for (grey, noise) in pair.iter_mut().zip([a, b]) {
            let mean = adjusted(*grey);
            // A dark pixel keeps the noise of the amplifier.
            let counted = (mean + noise as f32 * ((mean + 0.03) * variance).sqrt()).clamp(0.0, 1.0);
            *grey = if detector.inverted { 1.0 - counted } else { counted };
        }
    }
}

/// Brightness that falls off to one side and towards the corners, and wanders a little.
struct Light {
    strength: f32,
    slope: (f32, f32),
    bowl: f32,
    wander: SmoothField,
    size: (f32, f32),
}

impl Light {
    fn new(spec: &PhantomSpec) -> Self {
        let mut stream = Stream::new(spec.seed, Purpose::Light, 0);
        let angle = stream.between(0.0, 2.0 * std::f64::consts::PI);
        let (width, height) = (spec.width_px, spec.height_px);
        let spacing = 0.5 * (width + height) as f64;
        Self {
            strength: spec.detector.shading as f32,
            slope: (0.35 * libm::cos(angle) as f32, 0.35 * libm::sin(angle) as f32),
            bowl: stream.between(0.1, 0.35) as f32,
            wander: SmoothField::new((spec.seed, Purpose::Light, 1), spacing, (width, height)),
            size: (width as f32, height as f32),
        }
    }

    fn shade(&self, y: usize, row: &mut [f32]) {
        let mut wander = vec![0f32; row.len()];
        self.wander.fill_row(y, &mut wander);
        let v = 2.0 * (y as f32 + 0.5) / self.size.1 - 1.0;
        for (x, grey) in row.iter_mut().enumerate() {
            let u = 2.0 * (x as f32 + 0.5) / self.size.0 - 1.0;
            let light =
                self.slope.0 * u + self.slope.1 * v - self.bowl * (u * u + v * v - 0.6) + 0.08 * wander[x];
            *grey *= 1.0 + self.strength * light / 0.6;
        }
    }
}

/// Grey levels from 0 to 255.
pub(crate) fn eight_bit(picture: &Grid<f32>) -> Grid<u8> {
    picture.map(|grey| (255.0 * grey + 0.5) as u8)
}

/// Grey levels from 0 to 65535.
pub(crate) fn sixteen_bit(picture: &Grid<f32>) -> Grid<u16> {
    picture.map(|grey| (65535.0 * grey + 0.5) as u16)
}
