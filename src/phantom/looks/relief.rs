//! As fired: facetted bodies that lean into each other, with bright edges.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::super::blur::gaussian;
use super::super::random::{Purpose, Stream};
use super::super::smooth_field::SmoothField;
use super::super::spec::PhantomSpec;
use super::Surface;
use super::bodies::{HeightField, Plane, face, heap, random_axes};
use crate::grid::{Grid, Labels};

/// Settings of the as-fired look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Relief {
    /// Brightness of edges, as a share of full white. Default: 0.3.
    pub edge_brightness: f64,
    /// Standard deviation of the grey level between bodies. Default: 0.02.
    pub grain_contrast: f64,
}

impl Default for Relief {
    fn default() -> Self {
        Self { edge_brightness: 0.3, grain_contrast: 0.02 }
    }
}

/// Ratio that makes the mean intercept that is seen come out as asked for; found by counting.
const CROWDING: f64 = 1.19;

/// Surface of `spec`.
pub(crate) fn paint(spec: &PhantomSpec, look: &Relief) -> Surface {
    let field = heap(spec, crystal, CROWDING);
    shaded(&field, (look.edge_brightness, look.grain_contrast), spec.seed)
}

/// A crystal with a basal plane, six rhombohedral and six prism faces, each grown to its own distance.
fn crystal(stream: &mut Stream) -> Vec<Plane> {
    let axes = random_axes(stream);
    let mut planes = Vec::with_capacity(14);
    for sign in [1.0, -1.0] {
        planes.push(face(&axes, [0.0, 0.0, sign], 0.85 * stream.lognormal(0.15)));
    }
    for k in 0..6 {
        let angle = std::f64::consts::PI / 3.0 * f64::from(k);
        let (x, y) = (libm::cos(angle), libm::sin(angle));
        // Corundum's rhombohedral faces stand at 57.6° to the basal plane, every other one up.
        let up = if k % 2 == 0 { 0.635 } else { -0.635 };
        planes.push(face(&axes, [x, y, up], stream.lognormal(0.15)));
        planes.push(face(&axes, [-y, x, 0.0], 1.02 * stream.lognormal(0.12)));
    }
    planes
}

/// Brightness from slope, side, edges and depth.
pub(super) fn shaded(field: &HeightField, (edges, contrast): (f64, f64), seed: u64) -> Surface {
    let (width, height) = (field.body.width(), field.body.height());
    let near = gaussian(&field.height, (0.03 * f64::from(field.spacing)).clamp(0.8, 2.5));
    let around = gaussian(&field.height, 0.3 * f64::from(field.spacing));
    let tones: Vec<f32> = (0..=u64::from(field.body_count()))
        .map(|body| (contrast * Stream::new(seed, Purpose::Grains, body).normal()) as f32)
        .collect();
    let fine = SmoothField::new((seed, Purpose::Texture, 0), 3.0, (width, height));
    let mut picture = Grid::filled(width, height, 0f32);
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let mut texture = vec![0f32; width];
        fine.fill_row(y, &mut texture);
        for (x, value) in row.iter_mut().enumerate() {
            let z = field.height.at(x, y);
            let step = ((z - near.at(x, y)) / (0.05 * field.spacing)).clamp(-0.8, 1.0);
            let depth = ((z - around.at(x, y)) / (0.5 * field.spacing)).clamp(-0.9, 0.9);
            let lifted = ((z - field.floor) / -field.floor).clamp(0.0, 1.5);
            let face = if field.body.at(x, y) == 0 {
                0.10
            } else {
                face_tone(field.normal.at(x, y)) + tones[field.body.at(x, y) as usize]
            };
            let edge = edges as f32 * if step > 0.0 { step } else { 0.5 * step };
            let lit = face * (1.0 + 0.4 * depth) * (0.55 + 0.45 * lifted);
            *value = (lit + edge * (0.4 + 0.6 * lifted) + 0.01 * texture[x]).max(0.02);
        }
    });
    Surface {
        picture,
        margin: field.frame.x,
        labels: Labels::from_ids(field.body.cropped(field.frame)),
        pull_out_percent: 0.0,
    }
}

/// Steep faces give more electrons; those that look to the detector a little more still.
fn face_tone([x, y, z]: [f32; 3]) -> f32 {
    let slope = 1.0 / z.max(0.28) - 1.0;
    0.37 + 0.075 * slope + 0.16 * (-0.5 * x - 0.75 * y)
}
