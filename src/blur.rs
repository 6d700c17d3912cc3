//! Gaussian blur: the probe or the optics of a drawn picture, and the smoothing before a slope is taken.

use rayon::prelude::*;

use crate::grid::Grid;

/// `picture` blurred by a Gaussian of standard deviation `sigma` px; the rims are continued outwards.
pub(crate) fn gaussian(picture: &Grid<f32>, sigma: f64) -> Grid<f32> {
    if sigma < 0.05 {
        return picture.clone();
    }
    let weights = weights(sigma);
    let (width, height) = (picture.width(), picture.height());
    let mut along = Grid::filled(width, height, 0f32);
    along.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        blur_row(picture.row(y), &weights, row);
    });
    let mut across = Grid::filled(width, height, 0f32);
    let reach = weights.len() as isize / 2;
    across.as_mut_slice().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (k, &weight) in weights.iter().enumerate() {
            let source = (y as isize + k as isize - reach).clamp(0, height as isize - 1) as usize;
            row.iter_mut().zip(along.row(source)).for_each(|(sum, v)| *sum += weight * v);
        }
    });
    across
}

/// Weights that add up to 1, out to three standard deviations.
fn weights(sigma: f64) -> Vec<f32> {
    let reach = libm::ceil(3.0 * sigma) as i32;
    let bell = |k: i32| libm::exp(-0.5 * f64::from(k * k) / (sigma * sigma));
    let sum: f64 = (-reach..=reach).map(bell).sum();
    (-reach..=reach).map(|k| (bell(k) / sum) as f32).collect()
}

fn blur_row(source: &[f32], weights: &[f32], target: &mut [f32]) {
    let reach = weights.len() / 2;
    let mut padded = vec![source[0]; reach];
    padded.extend_from_slice(source);
    padded.resize(source.len() + 2 * reach, source[source.len() - 1]);
    for (k, &weight) in weights.iter().enumerate() {
        target.iter_mut().zip(&padded[k..]).for_each(|(sum, v)| *sum += weight * v);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blur_keeps_the_mean_and_widens_by_its_variance() {
        let mut point = Grid::filled(41, 41, 0f32);
        point.set(20, 20, 1.0);
        let blurred = gaussian(&point, 2.0);
        let sum: f32 = blurred.as_slice().iter().sum();
        assert!((sum - 1.0).abs() < 1e-4, "{sum}");
        let variance: f32 = (0..41)
            .map(|x| (0..41).map(|y| blurred.at(x, y)).sum::<f32>() * ((x as f32 - 20.0) * (x as f32 - 20.0)))
            .sum();
        // Cutting the bell at three standard deviations takes 3 % of its variance.
        assert!((variance - 4.0).abs() < 0.15, "{variance}");
    }

    #[test]
    fn a_constant_stays_and_one_pixel_is_enough() {
        let one = gaussian(&Grid::filled(1, 1, 0.4f32), 3.0);
        assert!((one.at(0, 0) - 0.4).abs() < 1e-6);
    }
}
