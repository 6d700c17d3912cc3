//! Particles shone through, and cracks on their skin.

use rayon::prelude::*;

use super::super::random::{Purpose, Stream};
use super::super::smooth_field::SmoothField;
use super::Surface;
use super::bodies::HeightField;
use super::powder::Powder;
use super::powder_bodies::Layer;
use crate::grid::{Grid, Labels};

/// Grey level of the ground in transmission.
const GROUND: f32 = 0.82;

/// Darker the thicker the particles are (Beer and Lambert), mottled inside, with a thin fringe along outlines.
pub(super) fn transmitted(layer: &Layer, look: &Powder, seed: u64) -> Surface {
    let field = &layer.field;
    let (width, height) = (field.body.width(), field.body.height());
    let tones: Vec<f32> = (0..=u64::from(field.body_count()))
        .map(|body| (look.grain_contrast * Stream::new(seed, Purpose::Grains, body).normal()) as f32)
        .collect();
    let smooth = |index, spacing| SmoothField::new((seed, Purpose::Texture, index), spacing, (width, height));
    let (fine, blotch) = (smooth(0, 2.0), smooth(1, (0.12 * f64::from(field.spacing)).max(2.5)));
    let fringe = (0.03 * field.spacing).clamp(0.9, 2.5);
    let mut picture = Grid::filled(width, height, 0f32);
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let (mut grain, mut mottle) = (vec![0f32; width], vec![0f32; width]);
        fine.fill_row(y, &mut grain);
        blotch.fill_row(y, &mut mottle);
        for (x, value) in row.iter_mut().enumerate() {
            let body = field.body.at(x, y);
            let through = libm::expf(-look.absorption as f32 * layer.thickness.at(x, y));
            let t = layer.rim.at(x, y) / fringe;
            let line = look.edge_brightness as f32 / (1.0 + t * t * t * t);
            let inner = if body == 0 {
                0.0
            } else {
                // No mottle where there is nothing to be mottled.
                (look.mottle as f32 * mottle[x] + tones[body as usize]) * (1.0 - through)
            };
            *value = (GROUND * through + inner + line * GROUND * 0.8 + 0.012 * grain[x]).max(0.03);
        }
    });
    Surface {
        picture,
        margin: field.frame.x,
        labels: Labels::from_ids(field.body.cropped(field.frame)),
        pull_out_percent: 0.0,
    }
}

/// Darkens thin lines that wind over a share of the bodies.
pub(super) fn crack(picture: &mut Grid<f32>, field: &HeightField, (share, seed): (f64, u64)) {
    let (width, height) = (picture.width(), picture.height());
    let cracked: Vec<bool> = (0..=u64::from(field.body_count()))
        .map(|body| Stream::new(seed, Purpose::Powder, 2 + body).unit() < share)
        .collect();
    let spacing = (0.22 * f64::from(field.spacing)).max(3.0);
    let smooth = |index| SmoothField::new((seed, Purpose::Regions, index), spacing, (width, height));
    // A line where one field passes zero, broken where another is low.
    let (course, breaks) = (smooth(1), smooth(2));
    let thin = (1.1 / spacing) as f32;
    picture.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let (mut line, mut open) = (vec![0f32; width], vec![0f32; width]);
        course.fill_row(y, &mut line);
        breaks.fill_row(y, &mut open);
        for (x, value) in row.iter_mut().enumerate() {
            let body = field.body.at(x, y);
            if body != 0 && cracked[body as usize] && open[x] > 0.0 {
                let t = line[x] / thin;
                *value *= 1.0 - 0.45 * open[x].min(1.0) / (1.0 + t * t * t * t);
            }
        }
    });
}
