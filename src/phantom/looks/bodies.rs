//! Convex bodies heaped on each other, seen from above: a height field that knows which body is in front.

use serde::{Deserialize, Serialize};

use super::super::power_diagram::Window;
use super::super::random::{Purpose, Stream};
use super::super::sites::sites;
use super::super::spec::{PhantomSpec, is_default};
use super::super::structure::{Density, Structure, StructureSpec};
use crate::grid::{Frame, Grid};

/// How bodies lie on each other.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Heap {
    /// Standard deviation of the logarithm of the body size; 0 to 0.8. Default: 0.22.
    pub size_spread: f64,
    /// Standard deviation of the height of the upper bodies over their mean distance; 0 to 0.6. Default: 0.22.
    pub height_spread: f64,
    /// Standard deviation of the logarithm of the sides or face distances of a body, over its usual one; 0 to 3.
    /// Default: 1.
    pub shape_spread: f64,
    /// Share of the bodies that lie flat with a face upwards; 0 to 1. Default: 0.
    pub flat_share: f64,
    /// How evenly the upper bodies are spread: 1 keeps them apart, at 0 they lie at random, so that many hardly
    /// stand out of others; 0 to 1. Default: 1.
    #[serde(skip_serializing_if = "is_default_order")]
    pub order: f64,
    /// Share of the bodies with faces in directions of chance instead of those of a crystal; 0 to 1. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub loose_share: f64,
    /// Bodies that lie over each place on average, without regard to each other: they run through one another, and
    /// corners of buried ones stand out of faces. Then the floor rises until it takes what it shall take. 0 to 8; at 0
    /// bodies are laid side by side and the gaps closed. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub layers: f64,
}

fn is_default_order(order: &f64) -> bool {
    *order == Heap::default().order
}

impl Default for Heap {
    fn default() -> Self {
        Self {
            size_spread: 0.22,
            height_spread: 0.22,
            shape_spread: 1.0,
            flat_share: 0.0,
            order: 1.0,
            loose_share: 0.0,
            layers: 0.0,
        }
    }
}

/// A half space: points with normal · (point - centre) <= distance.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plane {
    pub(super) normal: [f32; 3],
    pub(super) distance: f32,
}

/// Makes the faces of a body of size 1: unit normals with their distances from the centre.
pub(super) type Faces = fn(&Heap, &mut Stream) -> Vec<Plane>;

/// What is heaped.
#[derive(Clone, Copy)]
struct Kind {
    faces: Faces,
    heap: Heap,
}

impl Kind {
    fn faces(&self, stream: &mut Stream) -> Vec<Plane> {
        // No number is drawn where every body is a crystal, so that such pictures stay as they were.
        if self.heap.loose_share > 0.0 && stream.unit() < self.heap.loose_share {
            return loose_faces(&self.heap, stream);
        }
        (self.faces)(&self.heap, stream)
    }
}

/// What is seen from above.
pub(super) struct HeightField {
    /// Height in px; [`HeightField::floor`] where no body is.
    pub(super) height: Grid<f32>,
    /// Number of the body in front, from 1; 0 is the floor.
    pub(super) body: Grid<u32>,
    /// Normal of the face that is seen.
    pub(super) normal: Grid<[f32; 3]>,
    /// Height of the floor.
    pub(super) floor: f32,
    /// Mean distance of neighbouring bodies in px.
    pub(super) spacing: f32,
    /// The part that is shown.
    pub(super) frame: Frame,
    pub(super) bodies: u32,
}

struct Body {
    centre: [f32; 3],
    planes: Vec<Plane>,
    /// No point lies farther from the centre in x or y.
    reach: f32,
}

/// Heaps bodies until the floor shows in `spec.pores.percent` of the picture, to about [`FLOOR_STEP_PX`].
///
/// A first layer keeps its distances, or several layers are laid at random; deeper bodies then close the gaps.
pub(super) fn heap(spec: &PhantomSpec, heap: Heap, faces: Faces, crowding: f64) -> HeightField {
    // Bodies that close gaps shorten the mean intercept, the more of them the less floor is left; the two
    // numbers were fitted to counts at 1 to 20 % and bring it within some percent of what was asked for.
    let gaps = match heap.layers {
        0.0 => 0.89 + 0.0545 * libm::sqrt(spec.pores.percent),
        // Fitted to counts on 60 pictures of 1.5 to 6 layers, to 14 %.
        _ => libm::exp(2.3 * heap.size_spread - 0.83),
    };
    let per_px2 = super::super::structure::profiles_per_px2(spec.intercept_px() * crowding / gaps);
    let spacing = 1.0 / libm::sqrt(per_px2);
    let margin = libm::ceil(1.5 * spacing).min(400.0) as usize;
    let frame = Frame { x: margin, y: margin, width: spec.width_px, height: spec.height_px };
    let (width, height) = (spec.width_px + 2 * margin, spec.height_px + 2 * margin);
    let floor = -1.6 * spacing as f32;
    let mut field = HeightField {
        height: Grid::filled(width, height, floor),
        body: Grid::filled(width, height, 0),
        normal: Grid::filled(width, height, [0.0, 0.0, 1.0]),
        floor,
        spacing: spacing as f32,
        frame,
        bodies: 0,
    };
    let mut stream = Stream::new(spec.seed, Purpose::Bodies, 0);
    let wanted = (spec.pores.percent / 100.0 * (spec.width_px * spec.height_px) as f64).round() as usize;
    let mut free = spec.width_px * spec.height_px;
    let kind = Kind { faces, heap };
    if heap.layers > 0.0 {
        free = lay_at_random(&mut field, &mut stream, kind);
    } else {
        lay_first(&mut field, &mut stream, (kind, wanted), &mut free, spec.seed);
    }
    fill_gaps(&mut field, &mut stream, (kind, wanted), &mut free);
    if heap.layers > 0.0 {
        raise_floor(&mut field, wanted);
    }
    field
}

/// Floor pixels by which the pore area may miss the request.
const FLOOR_STEP_PX: usize = 6;

fn lay_first(
    field: &mut HeightField,
    stream: &mut Stream,
    (kind, wanted): (Kind, usize),
    free: &mut usize,
    seed: u64,
) {
    let spacing = f64::from(field.spacing);
    let spec = StructureSpec {
        structure: Structure::Voronoi2d { regularity: kind.heap.order },
        density: Density::GrainsPerPx2(1.0 / (spacing * spacing)),
    };
    let window = Window { left: 0.0, top: 0.0, width: field.body.width(), height: field.body.height() };
    let mut places = sites(&spec, window, seed);
    shuffle(&mut places, stream);
    for place in places {
        if *free <= wanted + FLOOR_STEP_PX {
            return;
        }
        let size = 0.56 * spacing * stream.lognormal(kind.heap.size_spread);
        let z = kind.heap.height_spread * spacing * stream.normal().clamp(-2.5, 2.5);
        let body = Body::new([place.x, place.y, z], size, kind.faces(stream));
        let covered = field.would_cover(&body);
        if covered <= *free - wanted {
            field.add(&body);
            *free -= covered;
        }
    }
}

/// Lays the layers of `kind` at random places and returns the floor pixels that are left in the frame.
fn lay_at_random(field: &mut HeightField, stream: &mut Stream, kind: Kind) -> usize {
    let spacing = f64::from(field.spacing);
    let (width, height) = (field.body.width() as f64, field.body.height() as f64);
    let count = (kind.heap.layers * width * height / (spacing * spacing)).round() as usize;
    for _ in 0..count {
        let (x, y) = (stream.between(0.0, width), stream.between(0.0, height));
        let z = kind.heap.height_spread * spacing * stream.normal().clamp(-2.5, 2.5);
        let size = 0.56 * spacing * stream.lognormal(kind.heap.size_spread);
        field.add(&Body::new([x, y, z], size, kind.faces(stream)));
    }
    field.in_frame().filter(|&(x, y)| field.body.at(x, y) == 0).count()
}

/// Raises the floor to the height below which `wanted` pixels of the frame lie, and moves all so that the upper
/// bodies end near height 0, as they do where the floor stays.
fn raise_floor(field: &mut HeightField, wanted: usize) {
    // The floor is tilted by a trace, so that it can end within a level face; by factors without a common measure, so
    // that no two places are equally high.
    let tilted = |field: &HeightField, x: usize, y: usize| {
        field.height.at(x, y) + 1e-3 * (x as f32 + 0.618_034 * y as f32)
    };
    let mut heights: Vec<f32> = field.in_frame().map(|(x, y)| tilted(field, x, y)).collect();
    heights.sort_unstable_by(f32::total_cmp);
    let level = heights[wanted.min(heights.len() - 1)].max(field.floor);
    let top = heights[heights.len() - 1 - heights.len() / 20];
    let floor = level - top.max(level + 0.5 * field.spacing);
    for y in 0..field.height.height() {
        for x in 0..field.height.width() {
            let height = tilted(field, x, y);
            if height < level {
                field.body.set(x, y, 0);
                field.normal.set(x, y, [0.0, 0.0, 1.0]);
            }
            field.height.set(x, y, height.max(level) - level + floor);
        }
    }
    field.floor = floor;
}

fn fill_gaps(field: &mut HeightField, stream: &mut Stream, (kind, wanted): (Kind, usize), free: &mut usize) {
    let spacing = f64::from(field.spacing);
    let is_floor = |field: &HeightField, &(x, y): &(usize, usize)| field.body.at(x, y) == 0;
    for round in 0..8 {
        // In a small gap that is left only a body much smaller than the others covers part of it.
        let tries = if round < 4 { 5 } else { 60 };
        let mut gaps: Vec<(usize, usize)> = field.in_frame().filter(|place| is_floor(field, place)).collect();
        shuffle(&mut gaps, stream);
        for place in gaps {
            if *free <= wanted + FLOOR_STEP_PX {
                return;
            }
            if !is_floor(field, &place) {
                continue;
            }
            let z = -spacing * stream.between(0.35, 0.95);
            let mut size = spacing * stream.between(0.32, 0.6);
            let shape = kind.faces(stream);
            // A body that would close too much is made smaller; if that does not help, the gap stays.
            for _ in 0..tries {
                let body = Body::new([place.0 as f64 + 0.5, place.1 as f64 + 0.5, z], size, shape.clone());
                let covered = field.would_cover(&body);
                if covered <= *free - wanted {
                    field.add(&body);
                    *free -= covered;
                    break;
                }
                size *= 0.95 * libm::sqrt((*free - wanted) as f64 / covered as f64);
            }
        }
    }
}

/// Puts the list in random order.
fn shuffle<T>(list: &mut [T], stream: &mut Stream) {
    for i in (1..list.len()).rev() {
        list.swap(i, stream.index(i + 1));
    }
}

impl Body {
    fn new(centre: [f64; 3], size: f64, faces: Vec<Plane>) -> Self {
        let planes: Vec<Plane> =
            faces.iter().map(|p| Plane { distance: p.distance * size as f32, ..*p }).collect();
        Self { centre: centre.map(|v| v as f32), planes, reach: 2.2 * size as f32 }
    }

    /// Height of the body's top above a place, and the face that is met there.
    fn top(&self, x: f32, y: f32) -> Option<(f32, usize)> {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let (mut top, mut face, mut bottom) = (f32::INFINITY, 0, f32::NEG_INFINITY);
        for (k, plane) in self.planes.iter().enumerate() {
            let [nx, ny, nz] = plane.normal;
            let rest = plane.distance - nx * dx - ny * dy;
            if nz > 0.01 {
                let z = rest / nz;
                if z < top {
                    (top, face) = (z, k);
                }
            } else if nz < -0.01 {
                bottom = bottom.max(rest / nz);
            } else if rest < 0.0 {
                return None;
            }
        }
        (top.is_finite() && bottom < top).then_some((top + self.centre[2], face))
    }
}

impl HeightField {
    /// Columns and rows of the pixels that are shown.
    fn in_frame(&self) -> impl Iterator<Item = (usize, usize)> + use<> {
        let frame = self.frame;
        (frame.y..frame.y + frame.height)
            .flat_map(move |y| (frame.x..frame.x + frame.width).map(move |x| (x, y)))
    }

    fn span(&self, body: &Body) -> (std::ops::Range<usize>, std::ops::Range<usize>) {
        let span = |centre: f32, side: usize| {
            let from = (centre - body.reach).max(0.0) as usize;
            from.min(side)..((centre + body.reach).max(0.0) as usize + 1).min(side)
        };
        (span(body.centre[0], self.body.width()), span(body.centre[1], self.body.height()))
    }

    /// Floor pixels inside the frame that the body would hide.
    fn would_cover(&self, body: &Body) -> usize {
        let (columns, rows) = self.span(body);
        let frame = self.frame;
        let in_frame = |x: usize, y: usize| {
            (frame.x..frame.x + frame.width).contains(&x) && (frame.y..frame.y + frame.height).contains(&y)
        };
        rows.map(|y| {
            columns
                .clone()
                .filter(|&x| in_frame(x, y) && self.body.at(x, y) == 0)
                .filter(|&x| self.shows(body, x, y).is_some())
                .count()
        })
        .sum()
    }

    /// The body's top at a pixel, if it lies above what is there.
    fn shows(&self, body: &Body, x: usize, y: usize) -> Option<(f32, usize)> {
        body.top(x as f32 + 0.5, y as f32 + 0.5).filter(|&(z, _)| z > self.height.at(x, y))
    }

    fn add(&mut self, body: &Body) {
        self.bodies += 1;
        let (columns, rows) = self.span(body);
        for y in rows {
            for x in columns.clone() {
                if let Some((z, face)) = self.shows(body, x, y) {
                    self.height.set(x, y, z);
                    self.body.set(x, y, self.bodies);
                    self.normal.set(x, y, body.planes[face].normal);
                }
            }
        }
    }

    /// Number of bodies, seen or hidden.
    pub(super) fn body_count(&self) -> u32 {
        self.bodies
    }
}

impl Heap {
    /// The axes of a body: at random, or upright and turned at random.
    pub(super) fn axes(&self, stream: &mut Stream) -> [[f64; 3]; 3] {
        // No number is drawn where all lie at random, so that such pictures stay as they were.
        if self.flat_share == 0.0 || stream.unit() >= self.flat_share {
            return random_axes(stream);
        }
        let angle = stream.between(0.0, 2.0 * std::f64::consts::PI);
        let (sin, cos) = (libm::sin(angle), libm::cos(angle));
        [[cos, sin, 0.0], [-sin, cos, 0.0], [0.0, 0.0, 1.0]]
    }
}

/// Ten to twenty faces in directions of chance, among them one from each side, so that the body is closed.
fn loose_faces(heap: &Heap, stream: &mut Stream) -> Vec<Plane> {
    let axes = heap.axes(stream);
    let mut planes = Vec::with_capacity(20);
    for axis in 0..3 {
        for sign in [1.0, -1.0] {
            let normal = std::array::from_fn(|k| if k == axis { sign } else { 0.0 });
            planes.push(face(&axes, normal, stream.lognormal(0.12 * heap.shape_spread)));
        }
    }
    for _ in 0..4 + stream.index(11) {
        let normal = stream.direction();
        planes.push(face(&axes, normal, stream.lognormal(0.12 * heap.shape_spread)));
    }
    planes
}

/// A random rotation: three orthogonal unit vectors.
fn random_axes(stream: &mut Stream) -> [[f64; 3]; 3] {
    let first = stream.direction();
    let mut other = stream.direction();
    let along: f64 = (0..3).map(|k| first[k] * other[k]).sum();
    (0..3).for_each(|k| other[k] -= along * first[k]);
    let length = libm::sqrt(other.iter().map(|v| v * v).sum::<f64>()).max(1e-9);
    let second = other.map(|v| v / length);
    let third = [
        first[1] * second[2] - first[2] * second[1],
        first[2] * second[0] - first[0] * second[2],
        first[0] * second[1] - first[1] * second[0],
    ];
    [first, second, third]
}

/// A face with this normal, given in the body's own axes; the normal is brought to length 1.
pub(super) fn face(axes: &[[f64; 3]; 3], normal: [f64; 3], distance: f64) -> Plane {
    let length = libm::sqrt(normal.iter().map(|v| v * v).sum::<f64>());
    let turned: [f64; 3] =
        std::array::from_fn(|k| (0..3).map(|axis| normal[axis] * axes[axis][k]).sum::<f64>() / length);
    Plane { normal: turned.map(|v| v as f32), distance: distance as f32 }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UPRIGHT: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

    fn cube() -> Vec<Plane> {
        let normals = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        normals.iter().flat_map(|&n| [n, n.map(|v: f64| -v)]).map(|n| face(&UPRIGHT, n, 1.0)).collect()
    }

    #[test]
    fn an_upright_cube_is_a_square_table() {
        let body = Body::new([10.0, 10.0, 2.0], 3.0, cube());
        assert_eq!(body.top(10.0, 10.0).map(|(z, _)| z), Some(5.0));
        assert_eq!(body.top(12.9, 7.1).map(|(z, _)| z), Some(5.0));
        assert_eq!(body.top(13.1, 10.0), None);
    }

    #[test]
    fn layers_at_random_end_at_a_floor_that_takes_what_was_asked_for() {
        let mut spec = PhantomSpec { width_px: 200, height_px: 150, seed: 3, ..PhantomSpec::default() };
        for percent in [0.0, 4.0, 20.0] {
            spec.pores.percent = percent;
            let laid = Heap { layers: 3.0, flat_share: 0.5, ..Heap::default() };
            let field = heap(&spec, laid, |_, _| cube(), 1.2);
            let floor = field.in_frame().filter(|&(x, y)| field.body.at(x, y) == 0).count();
            assert!(
                floor.abs_diff((percent * 300.0) as usize) <= FLOOR_STEP_PX,
                "{percent} % gave {floor} px"
            );
            for (x, y) in field.in_frame() {
                let above = field.height.at(x, y) - field.floor;
                assert!(if field.body.at(x, y) == 0 { above == 0.0 } else { above >= 0.0 }, "{x} {y}");
            }
        }
    }

    #[test]
    fn axes_are_orthogonal() {
        let axes = random_axes(&mut Stream::new(1, Purpose::Bodies, 0));
        for i in 0..3 {
            for j in 0..3 {
                let product: f64 = (0..3).map(|k| axes[i][k] * axes[j][k]).sum();
                assert!((product - f64::from(i == j)).abs() < 1e-9, "{i} {j} {product}");
            }
        }
    }
}
