//! Pictures drawn for tests: cells with grooves and pores, blurred and noisy, and the folder of development pictures.

#[path = "../../tests/shared_pictures/mod.rs"]
mod shared_pictures;

pub use shared_pictures::shared_micrographs;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::Grey;
use crate::grid::Grid;

/// A picture of the development set in grey.
pub fn shared_picture(name: &str) -> Option<Grid<f32>> {
    let path = shared_micrographs()?.join(format!("rendered/{name}.png"));
    let picture = image::open(path).expect("a development picture can be read").into_luma8();
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    Some(Grid::new(width, height, picture.into_raw().into_iter().map(f32::from).collect()).unwrap())
}

/// Names of the easy pictures of the development set.
pub fn even_names() -> impl Iterator<Item = String> {
    ["etched", "channelling", "optical", "facetted", "cuboid"]
        .into_iter()
        .flat_map(|look| [2, 4].map(|number| format!("{look}_{number}")))
}

/// Cells about `cell` px wide at grey 120 to 180, grooves 40 darker, dark pores at some corners; no blur, no noise.
pub fn cells(width: usize, height: usize, cell: usize, seed: u64) -> Grid<f32> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (columns, rows) = (width / cell + 3, height / cell + 3);
    let seeds: Vec<(f32, f32, f32)> = (0..columns * rows)
        .map(|i| {
            let x = (i % columns) as f32 - 1.0 + random.random::<f32>();
            let y = (i / columns) as f32 - 1.0 + random.random::<f32>();
            (x * cell as f32, y * cell as f32, random.random())
        })
        .collect();
    Grid::from_fn(width, height, |x, y| {
        let (mut nearest, mut second, mut shade) = (f32::MAX, f32::MAX, 0.0);
        for row in (y / cell)..(y / cell + 3).min(rows) {
            for seed in &seeds[row * columns + x / cell..row * columns + (x / cell + 3).min(columns)] {
                let distance = (seed.0 - x as f32).hypot(seed.1 - y as f32);
                if distance < nearest {
                    (second, nearest, shade) = (nearest, distance, seed.2);
                } else {
                    second = second.min(distance);
                }
            }
        }
        let pore = shade < 0.2 && nearest < 0.2 * cell as f32;
        let groove = if second - nearest < 2.0 { 40.0 } else { 0.0 };
        if pore { 40.0 } else { 120.0 + 60.0 * shade - groove }
    })
}

/// Gaussian blur of standard deviation `width` px, rims repeated.
pub fn blurred(picture: &Grid<f32>, width: f32) -> Grid<f32> {
    let reach = (4.0 * width).ceil() as isize;
    let weight = |d: isize| (-0.5 * (d as f32 / width).powi(2)).exp();
    let total: f32 = (-reach..=reach).map(weight).sum();
    let clamp = |v: isize, side: usize| v.clamp(0, side as isize - 1) as usize;
    let along = Grid::from_fn(picture.width(), picture.height(), |x, y| {
        let row = picture.row(y);
        (-reach..=reach).map(|d| weight(d) * row[clamp(x as isize + d, row.len())]).sum::<f32>() / total
    });
    Grid::from_fn(picture.width(), picture.height(), |x, y| {
        (-reach..=reach).map(|d| weight(d) * along.at(x, clamp(y as isize + d, along.height()))).sum::<f32>()
            / total
    })
}

/// The picture with normal noise of standard deviation `noise`, rounded to 8 bit.
pub fn noisy(picture: &Grid<f32>, noise: f32, seed: u64) -> Grey {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    Grey::Eight(picture.map(|v| {
        // Twelve uniform numbers have variance one, and their sum is close to normal.
        let normal = (0..12).map(|_| random.random::<f32>()).sum::<f32>() - 6.0;
        (v + noise * normal).round().clamp(0.0, 255.0) as u8
    }))
}
