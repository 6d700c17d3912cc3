//! Cube-like grains that lie over each other, with bevelled edges.

use serde::{Deserialize, Serialize};

use super::super::random::Stream;
use super::super::spec::{PhantomSpec, is_default};
use super::Surface;
use super::bodies::{Heap, Plane, face, heap};
use super::relief::{Relief, Shading, shaded};

/// Settings of the cube look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Cubes {
    /// Brightness of edges, as a share of full white. Default: 0.35.
    pub edge_brightness: f64,
    /// Standard deviation of the grey level between grains. Default: 0.015.
    pub grain_contrast: f64,
    /// As for the look relief. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub stepped_share: f64,
    /// As for the look relief. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub rounding_px: f64,
    /// How the grains lie.
    #[serde(skip_serializing_if = "is_default")]
    pub heap: Heap,
    /// How they are lit.
    #[serde(skip_serializing_if = "is_default")]
    pub shading: Shading,
}

impl Default for Cubes {
    fn default() -> Self {
        Self {
            edge_brightness: 0.35,
            grain_contrast: 0.015,
            stepped_share: 0.0,
            rounding_px: 0.0,
            heap: Heap::default(),
            shading: Shading::default(),
        }
    }
}

/// Ratio that makes the mean intercept that is seen come out as asked for; found by counting.
const CROWDING: f64 = 1.2;

/// Surface of `spec`.
pub(crate) fn paint(spec: &PhantomSpec, look: &Cubes) -> Surface {
    let field = heap(spec, look.heap, cuboid, CROWDING);
    shaded(&field, &Relief::from(look), spec.seed)
}

impl From<&Cubes> for Relief {
    fn from(look: &Cubes) -> Self {
        Self {
            edge_brightness: look.edge_brightness,
            grain_contrast: look.grain_contrast,
            stepped_share: look.stepped_share,
            rounding_px: look.rounding_px,
            heap: look.heap,
            shading: look.shading,
        }
    }
}

/// A box with sides that differ by some percent and narrow bevels along its edges and corners.
fn cuboid(heap: &Heap, stream: &mut Stream) -> Vec<Plane> {
    let axes = heap.axes(stream);
    let half: [f64; 3] = std::array::from_fn(|_| 0.85 * stream.lognormal(0.1 * heap.shape_spread));
    let bevel = stream.between(0.03, 0.09);
    let mut planes = Vec::with_capacity(26);
    for x in [-1.0, 0.0, 1.0] {
        for y in [-1.0, 0.0, 1.0] {
            for z in [-1.0, 0.0, 1.0f64] {
                let normal = [x, y, z];
                let terms = normal.iter().filter(|&&v| v != 0.0).count();
                if terms == 0 {
                    continue;
                }
                let reach: f64 = (0..3).map(|k| normal[k].abs() * half[k]).sum();
                let cut = bevel * (terms - 1) as f64 * 0.85;
                planes.push(face(&axes, normal, (reach - cut) / libm::sqrt(terms as f64)));
            }
        }
    }
    planes
}
