//! As fired: facetted bodies that lean into each other, with bright edges.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::super::random::{Purpose, Stream};
use super::super::smooth_field::SmoothField;
use super::super::spec::{PhantomSpec, in_ranges, is_default};
use super::Surface;
use super::bodies::{Heap, HeightField, Plane, face, heap};
use crate::blur::gaussian;
use crate::error::Error;
use crate::grid::{Grid, Labels};

/// Settings of the as-fired look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Relief {
    /// Brightness of edges, as a share of full white. Default: 0.3.
    pub edge_brightness: f64,
    /// Standard deviation of the grey level between bodies. Default: 0.02.
    pub grain_contrast: f64,
    /// Share of bodies with growth steps across their faces, which are no boundaries. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub stepped_share: f64,
    /// Standard deviation in px by which edges between faces are rounded; 0 to 20. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub rounding_px: f64,
    /// How the bodies lie.
    #[serde(skip_serializing_if = "is_default")]
    pub heap: Heap,
    /// How they are lit.
    #[serde(skip_serializing_if = "is_default")]
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
    /// Mottling of the faces, as a share of full white; 0 to 0.15. Default: 0.01.
    pub texture: f64,
    /// Length over which the mottling changes, in px; 2 to 50. Default: 3.
    pub texture_px: f64,
    /// How much darker it is towards the floor; 0 to 2. Default: 1.
    #[serde(skip_serializing_if = "is_one")]
    pub depth: f64,
    /// Darkness of the lines where bodies touch, over the brightness of edges; 0 to 3. Default: 0.5.
    #[serde(skip_serializing_if = "is_half")]
    pub crevice: f64,
    /// Grey level by which faces of one body differ apart from slope and side, as a share of full white; 0 to 0.2.
    /// Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub face_contrast: f64,
    /// Grey level of the floor, as a share of full white, before depth dims it; 0 to 0.6. Default: 0.1.
    #[serde(skip_serializing_if = "is_dark_ground")]
    pub ground: f64,
}

/// Grey level of a floor that nothing is said of.
pub(super) const DARK_GROUND: f64 = 0.1;

pub(super) fn is_dark_ground(value: &f64) -> bool {
    *value == DARK_GROUND
}

fn is_one(value: &f64) -> bool {
    *value == 1.0
}

fn is_half(value: &f64) -> bool {
    *value == 0.5
}

impl Default for Shading {
    fn default() -> Self {
        Self {
            slope: 1.0,
            detector: [-0.5, -0.75],
            occlusion: 1.0,
            edge_width: 1.0,
            texture: 0.01,
            texture_px: 3.0,
            depth: 1.0,
            crevice: 0.5,
            face_contrast: 0.0,
            ground: DARK_GROUND,
        }
    }
}

impl Default for Relief {
    fn default() -> Self {
        Self {
            edge_brightness: 0.3,
            grain_contrast: 0.02,
            stepped_share: 0.0,
            rounding_px: 0.0,
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
    shaded(&field, look, spec.seed)
}

impl Relief {
    pub(super) fn check(&self) -> Result<(), Error> {
        in_ranges(&[
            ("stepped share", self.stepped_share, 0.0, 1.0),
            ("rounding in px", self.rounding_px, 0.0, 20.0),
            ("size spread of bodies", self.heap.size_spread, 0.0, 0.8),
            ("height spread", self.heap.height_spread, 0.0, 0.6),
            ("shape spread", self.heap.shape_spread, 0.0, 3.0),
            ("flat share", self.heap.flat_share, 0.0, 1.0),
            ("order", self.heap.order, 0.0, 1.0),
            ("loose share", self.heap.loose_share, 0.0, 1.0),
            ("layers of bodies", self.heap.layers, 0.0, 8.0),
            ("slope", self.shading.slope, 0.0, 2.5),
            ("detector along columns", f64::from(self.shading.detector[0]), -1.0, 1.0),
            ("detector along rows", f64::from(self.shading.detector[1]), -1.0, 1.0),
            ("occlusion", self.shading.occlusion, 0.0, 2.0),
            ("edge width", self.shading.edge_width, 0.3, 4.0),
            ("texture", self.shading.texture, 0.0, 0.15),
            ("texture in px", self.shading.texture_px, 2.0, 50.0),
            ("depth", self.shading.depth, 0.0, 2.0),
            ("crevice", self.shading.crevice, 0.0, 3.0),
            ("face contrast", self.shading.face_contrast, 0.0, 0.2),
            ("ground", self.shading.ground, 0.0, 0.6),
        ])
    }
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
pub(super) fn shaded(field: &HeightField, look: &Relief, seed: u64) -> Surface {
    let (width, height) = (field.body.width(), field.body.height());
    let shading = &look.shading;
    let (occlusion, mottling) = (0.4 * shading.occlusion as f32, shading.texture as f32);
    let (dimming, crevice) = (0.45 * shading.depth as f32, shading.crevice as f32);
    let near =
        gaussian(&field.height, (0.03 * f64::from(field.spacing)).clamp(0.8, 2.5) * shading.edge_width);
    let around = gaussian(&field.height, 0.3 * f64::from(field.spacing));
    let tones: Vec<f32> = (0..=u64::from(field.body_count()))
        .map(|body| (look.grain_contrast * Stream::new(seed, Purpose::Grains, body).normal()) as f32)
        .collect();
    let fine = SmoothField::new((seed, Purpose::Texture, 0), shading.texture_px, (width, height));
    let faces = faces(field, look, (&tones, seed));
    let mut picture = Grid::filled(width, height, 0f32);
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let mut texture = vec![0f32; width];
        fine.fill_row(y, &mut texture);
        for (x, value) in row.iter_mut().enumerate() {
            let z = field.height.at(x, y);
            let step = ((z - near.at(x, y)) / (0.05 * field.spacing)).clamp(-0.8, 1.0);
            let depth = ((z - around.at(x, y)) / (0.5 * field.spacing)).clamp(-0.9, 0.9);
            let lifted = ((z - field.floor) / -field.floor).clamp(0.0, 1.5);
            let face = faces.at(x, y);
            let edge = look.edge_brightness as f32 * if step > 0.0 { step } else { crevice * step };
            let lit = face * (1.0 + occlusion * depth) * (1.0 - dimming + dimming * lifted).max(0.1);
            *value = (lit + edge * (0.4 + 0.6 * lifted) + mottling * texture[x]).max(0.02);
        }
    });
    Surface {
        picture,
        margin: field.frame.x,
        labels: Labels::from_ids(field.body.cropped(field.frame)),
        pull_out_percent: 0.0,
    }
}

/// Grey level of the faces themselves, edges between them rounded.
fn faces(field: &HeightField, look: &Relief, (tones, seed): (&[f32], u64)) -> Grid<f32> {
    let (width, height) = (field.body.width(), field.body.height());
    let steps = Steps::new(field, look.stepped_share, seed);
    let facets = Facets::new(field, look.shading.face_contrast, seed);
    let mut faces = Grid::filled(width, height, 0f32);
    faces.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, value) in row.iter_mut().enumerate() {
            let body = field.body.at(x, y) as usize;
            let normal = field.normal.at(x, y);
            *value = match body {
                0 => look.shading.ground as f32,
                _ => {
                    let own = tones[body] + facets.tone(body, normal);
                    face_tone(normal, &look.shading) + own + steps.tone(body, normal, (x, y))
                }
            };
        }
    });
    // Only whole faces are rounded: a body keeps its grey level up to its outline by the edge term.
    gaussian(&faces, look.rounding_px)
}

/// Grey levels of faces that neither slope nor side explains, as channelling gives them.
struct Facets {
    contrast: f32,
    /// Direction and phase of the wave that gives the faces of a body their grey levels.
    waves: Vec<([f32; 3], f32)>,
}

impl Facets {
    fn new(field: &HeightField, contrast: f64, seed: u64) -> Self {
        let bodies = if contrast > 0.0 { u64::from(field.body_count()) } else { 0 };
        let wave = |body| {
            let mut stream = Stream::new(seed, Purpose::Facets, body);
            let direction = stream.direction().map(|v| 5.0 * v as f32);
            (direction, stream.between(0.0, 2.0 * std::f64::consts::PI) as f32)
        };
        Self { contrast: contrast as f32, waves: (0..=bodies).map(wave).collect() }
    }

    fn tone(&self, body: usize, normal: [f32; 3]) -> f32 {
        if self.contrast == 0.0 {
            return 0.0;
        }
        let (direction, phase) = self.waves[body];
        let along: f32 = (0..3).map(|k| direction[k] * normal[k]).sum();
        self.contrast * libm::sinf(along + phase)
    }
}

/// Growth steps: lines along the contours of a face, sharp on one side.
struct Steps {
    /// Distance of the steps in px and their contrast, by body.
    bodies: Vec<(f32, f32)>,
}

impl Steps {
    fn new(field: &HeightField, share: f64, seed: u64) -> Self {
        let longest = (0.3 * f64::from(field.spacing)).clamp(5.0, 30.0);
        let bodies = (0..=u64::from(field.body_count())).map(|body| {
            let mut stream = Stream::new(seed, Purpose::Steps, body);
            let stepped = stream.unit() < share;
            let contrast = if stepped { stream.between(0.02, 0.08) } else { 0.0 };
            (stream.between(3.5, longest) as f32, contrast as f32)
        });
        Self { bodies: bodies.collect() }
    }

    fn tone(&self, body: usize, [nx, ny, _]: [f32; 3], (x, y): (usize, usize)) -> f32 {
        let (distance, contrast) = self.bodies[body];
        let slope = (nx * nx + ny * ny).sqrt();
        if contrast == 0.0 || slope < 1e-3 {
            return 0.0;
        }
        let place = (nx * x as f32 + ny * y as f32) / (slope * distance);
        contrast * (2.0 * (place - place.floor()) - 1.0)
    }
}

/// Steep faces give more electrons; those that look to the detector a little more still.
fn face_tone([x, y, z]: [f32; 3], shading: &Shading) -> f32 {
    let (slope, worth, towards) = (1.0 / z.max(0.28) - 1.0, shading.slope as f32, shading.detector);
    0.37 + worth * 0.075 * slope + worth * 0.16 * (towards[0] * x + towards[1] * y)
}
