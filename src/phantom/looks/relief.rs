//! As fired: facetted bodies that lean into each other, with bright edges.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::super::blur::gaussian;
use super::super::random::{Purpose, Stream};
use super::super::smooth_field::SmoothField;
use super::super::spec::PhantomSpec;
use super::Surface;
use super::bodies::{Heap, HeightField, Plane, face, heap};
use crate::grid::{Grid, Labels};

/// Settings of the as-fired look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Relief {
    /// Brightness of edges, as a share of full white. Default: 0.3.
    pub edge_brightness: f64,
    /// Standard deviation of the grey level between bodies. Default: 0.02.
    pub grain_contrast: f64,
    /// How the bodies lie.
    pub heap: Heap,
    /// How they are lit.
    pub shading: Shading,
}

/// How a heap of bodies is lit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Shading {
    /// How much the slope of a face and its side count; 0 to 2.5. Default: 1.
    pub slope: f64,
    /// What a face gains for each unit of its normal along the columns and along the rows, which point down; each -1
    /// to 1. Default: -0.5 and -0.75, a detector to the upper left.
    pub detector: [f32; 2],
    /// How much darker it is between higher bodies; 0 to 2. Default: 1.
    pub occlusion: f64,
    /// Width of bright edges over the usual one; 0.3 to 4. Default: 1.
    pub edge_width: f64,
    /// Rounding of edges: standard deviation of a blur of the face tones over the mean distance of bodies; 0 to 0.3.
    /// Default: 0.
    pub rounding: f64,
    /// Mottling of the faces, as a share of full white; 0 to 0.15. Default: 0.01.
    pub texture: f64,
    /// Length over which the mottling changes, in px; 2 to 50. Default: 3.
    pub texture_px: f64,
}

impl Default for Shading {
    fn default() -> Self {
        Self {
            slope: 1.0,
            detector: [-0.5, -0.75],
            occlusion: 1.0,
            edge_width: 1.0,
            rounding: 0.0,
            texture: 0.01,
            texture_px: 3.0,
        }
    }
}

impl Default for Relief {
    fn default() -> Self {
        Self {
            edge_brightness: 0.3,
            grain_contrast: 0.02,
            heap: Heap::default(),
            shading: Shading::default(),
        }
    }
}

/// Ratio that makes the mean intercept that is seen come out as asked for; found by counting.
const CROWDING: f64 = 1.19;

/// Surface of `spec`.
pub(crate) fn paint(spec: &PhantomSpec, look: &Relief) -> Surface {
    let field = heap(spec, look.heap, crystal, CROWDING);
    shaded(&field, (look.edge_brightness, look.grain_contrast), &look.shading, spec.seed)
}

/// A crystal with a basal plane, six rhombohedral and six prism faces, each grown to its own distance.
fn crystal(heap: &Heap, stream: &mut Stream) -> Vec<Plane> {
    let axes = heap.axes(stream);
    let mut planes = Vec::with_capacity(14);
    for sign in [1.0, -1.0] {
        planes.push(face(&axes, [0.0, 0.0, sign], 0.85 * stream.lognormal(0.15 * heap.shape_spread)));
    }
    for k in 0..6 {
        let angle = std::f64::consts::PI / 3.0 * f64::from(k);
        let (x, y) = (libm::cos(angle), libm::sin(angle));
        // Corundum's rhombohedral faces stand at 57.6° to the basal plane, every other one up.
        let up = if k % 2 == 0 { 0.635 } else { -0.635 };
        planes.push(face(&axes, [x, y, up], stream.lognormal(0.15 * heap.shape_spread)));
        planes.push(face(&axes, [-y, x, 0.0], 1.02 * stream.lognormal(0.12 * heap.shape_spread)));
    }
    planes
}

/// Brightness from slope, side, edges and depth.
pub(super) fn shaded(
    field: &HeightField,
    (edges, contrast): (f64, f64),
    shading: &Shading,
    seed: u64,
) -> Surface {
    let (width, height) = (field.body.width(), field.body.height());
    let spacing = f64::from(field.spacing);
    let near = gaussian(&field.height, (0.03 * spacing).clamp(0.8, 2.5) * shading.edge_width);
    let around = gaussian(&field.height, 0.3 * spacing);
    let faces = face_tones(field, contrast, shading, seed);
    let fine = SmoothField::new((seed, Purpose::Texture, 0), shading.texture_px, (width, height));
    let (occlusion, texture_depth) = (0.4 * shading.occlusion as f32, shading.texture as f32);
    let mut picture = Grid::filled(width, height, 0f32);
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let mut texture = vec![0f32; width];
        fine.fill_row(y, &mut texture);
        for (x, value) in row.iter_mut().enumerate() {
            let z = field.height.at(x, y);
            let step = ((z - near.at(x, y)) / (0.05 * field.spacing)).clamp(-0.8, 1.0);
            let depth = ((z - around.at(x, y)) / (0.5 * field.spacing)).clamp(-0.9, 0.9);
            let lifted = ((z - field.floor) / -field.floor).clamp(0.0, 1.5);
            let edge = edges as f32 * if step > 0.0 { step } else { 0.5 * step };
            let lit = faces.at(x, y) * (1.0 + occlusion * depth) * (0.55 + 0.45 * lifted);
            *value = (lit + edge * (0.4 + 0.6 * lifted) + texture_depth * texture[x]).max(0.02);
        }
    });
    Surface {
        picture,
        margin: field.frame.x,
        labels: Labels::from_ids(field.body.cropped(field.frame)),
        pull_out_percent: 0.0,
    }
}

/// Grey level of each face, rounded edges included; dark on the floor.
fn face_tones(field: &HeightField, contrast: f64, shading: &Shading, seed: u64) -> Grid<f32> {
    let tones: Vec<f32> = (0..=u64::from(field.body_count()))
        .map(|body| (contrast * Stream::new(seed, Purpose::Grains, body).normal()) as f32)
        .collect();
    let tone = |x: usize, y: usize| face_tone(field.normal.at(x, y), shading.detector, shading.slope as f32);
    let (width, height) = (field.body.width(), field.body.height());
    let mut faces = Grid::from_fn(width, height, tone);
    if shading.rounding > 0.0 {
        faces = gaussian(&faces, shading.rounding * f64::from(field.spacing));
    }
    for (tone, &body) in faces.as_mut_slice().iter_mut().zip(field.body.as_slice()) {
        *tone = if body == 0 { 0.10 } else { *tone + tones[body as usize] };
    }
    faces
}

/// Steep faces give more electrons; those that look to the detector a little more still.
fn face_tone([x, y, z]: [f32; 3], towards: [f32; 2], worth: f32) -> f32 {
    let slope = 1.0 / z.max(0.28) - 1.0;
    0.37 + worth * 0.075 * slope + worth * 0.16 * (towards[0] * x + towards[1] * y)
}
