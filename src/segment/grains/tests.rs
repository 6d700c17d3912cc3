use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::options::Tone;

const SIDE: usize = 256;

fn ridge() -> GrainOptions {
    GrainOptions { method: BoundaryMethod::Ridge, ..GrainOptions::default() }
}

fn gradient() -> GrainOptions {
    GrainOptions { method: BoundaryMethod::Gradient, ..ridge() }
}

fn no_pores() -> Labels {
    Labels { grid: Grid::filled(SIDE, SIDE, 0), count: 0 }
}

/// Sum of twelve uniform numbers less six: mean 0, standard deviation 1.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

fn noise(level: f64, seed: u64) -> Grid<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    Grid::from_fn(SIDE, SIDE, |_, _| (128.0 + level * normal(&mut random)).round().clamp(0.0, 255.0) as u8)
}

/// Box means of 5 × 5 pixels, contrast restored.
fn blurred(picture: &Grid<u8>) -> Grid<u8> {
    let at = |x: usize, y: usize| f64::from(picture.at(x.min(SIDE - 1), y.min(SIDE - 1)));
    Grid::from_fn(SIDE, SIDE, |x, y| {
        let mean = (0..25).map(|k| at(x + k % 5, y + k / 5)).sum::<f64>() / 25.0;
        (128.0 + 5.0 * (mean - 128.0)).round().clamp(0.0, 255.0) as u8
    })
}

/// Square grains of 32 px with grooves 3 px wide, in noise.
fn grooves(depth: f64, level: f64) -> Grid<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    Grid::from_fn(SIDE, SIDE, |x, y| {
        let groove = x % 32 < 3 || y % 32 < 3;
        let grey = if groove { 150.0 - depth } else { 150.0 };
        (grey + level * normal(&mut random)).round().clamp(0.0, 255.0) as u8
    })
}

/// Square grains of 32 px of six grey levels, no two alike side by side, in noise.
fn contrasts(level: f64) -> Grid<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(6);
    Grid::from_fn(SIDE, SIDE, |x, y| {
        let grey = 60.0 + 25.0 * ((x / 32 + 2 * (y / 32)) % 6) as f64;
        (grey + level * normal(&mut random)).round().clamp(0.0, 255.0) as u8
    })
}

fn refused(map: &GrainMap) -> bool {
    !map.reliable && map.warnings.iter().any(|w| w.code == "grain-boundaries-too-weak")
}

#[test]
fn noise_at_any_level_is_refused_by_both_methods() {
    for (seed, level) in [0.0, 1.0, 4.0, 12.0, 40.0].into_iter().enumerate() {
        let picture = noise(level, seed as u64);
        for options in [ridge(), gradient()] {
            assert!(refused(&find(&picture, &no_pores(), &options)), "{level} {:?}", options.method);
            assert!(
                refused(&find(&blurred(&picture), &no_pores(), &options)),
                "blurred {level} {:?}",
                options.method
            );
        }
    }
}

#[test]
fn a_polished_section_with_nothing_but_pores_is_refused() {
    let pores = Labels::from_ids(Grid::from_fn(SIDE, SIDE, |x, y| {
        let (dx, dy) = (x as i32 % 40 - 20, y as i32 % 40 - 20);
        u32::from(dx * dx + dy * dy < 50)
    }));
    let picture = noise(6.0, 9);
    let dark = Grid::from_fn(SIDE, SIDE, |x, y| if pores.grid.at(x, y) > 0 { 30 } else { picture.at(x, y) });
    for options in [ridge(), gradient()] {
        assert!(refused(&find(&dark, &pores, &options)), "{:?}", options.method);
    }
}

#[test]
fn grooves_give_their_grains() {
    for level in [0.0, 3.0, 8.0] {
        let map = find(&grooves(40.0, level), &no_pores(), &ridge());
        assert!(map.reliable, "{level}: {:?}", map.warnings);
        assert_eq!(map.labels.count, 64, "noise {level}");
        assert!(map.labels.grid.as_slice().iter().all(|label| *label > 0));
        assert!(map.mean_boundary_strength > 0.4, "{}", map.mean_boundary_strength);
    }
}

#[test]
fn contrast_gives_its_grains() {
    for level in [0.0, 4.0] {
        let map = find(&contrasts(level), &no_pores(), &gradient());
        assert!(map.reliable, "{level}: {:?}", map.warnings);
        assert_eq!(map.labels.count, 64, "noise {level}");
    }
}

#[test]
fn grooves_are_not_counted_twice_by_the_gradient() {
    assert!(refused(&find(&grooves(40.0, 4.0), &no_pores(), &gradient())));
}

#[test]
fn a_constant_added_changes_nothing() {
    let picture = grooves(40.0, 6.0);
    let brighter = picture.map(|grey| grey + 30);
    let (one, other) = (find(&picture, &no_pores(), &ridge()), find(&brighter, &no_pores(), &ridge()));
    assert_eq!(one.boundaries, other.boundaries);
    assert_eq!(one.labels, other.labels);
}

#[test]
fn grey_turned_over_with_the_tone_changes_nothing() {
    let pores = Labels::from_ids(Grid::from_fn(SIDE, SIDE, |x, y| u32::from(x % 50 < 7 && y % 60 < 8)));
    let picture = grooves(40.0, 6.0);
    let bright = GrainOptions { tone: Tone::Bright, ..ridge() };
    let one = find(&picture, &pores, &ridge());
    let other = find(&picture.map(|grey| 255 - grey), &pores, &bright);
    assert_eq!(one.boundaries, other.boundaries);
    assert_eq!(one.labels, other.labels);
}

#[test]
fn labels_do_not_depend_on_the_number_of_threads() {
    let picture = Grid::from_fn(700, 600, grooves_at);
    let pores = Labels { grid: Grid::filled(700, 600, 0), count: 0 };
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| find(&picture, &pores, &ridge()))
    };
    let (one, three) = (with(1), with(3));
    assert_eq!(one.labels, three.labels);
    assert_eq!(one.edges, three.edges);
}

#[test]
fn pores_wider_than_what_they_are_filled_from_keep_no_thread_waiting() {
    // The mean of the whole solid, which fills them, was once sought by whoever needed it first, on all threads: one that
    // lent a hand could come to need it too, and waited for itself.
    let is_pore = |x: usize, y: usize| (x % 100).max(y % 100) < 60;
    let picture = Grid::from_fn(700, 1500, |x, y| if is_pore(x, y) { 20 } else { grooves_at(x, y) });
    let pores = Labels::from_ids(Grid::from_fn(700, 1500, |x, y| {
        if is_pore(x, y) { (y / 100 * 7 + x / 100 + 1) as u32 } else { 0 }
    }));
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| find(&picture, &pores, &ridge()))
    };
    let one = with(1);
    for _ in 0..20 {
        assert_eq!(one.labels, with(8).labels);
    }
}

fn grooves_at(x: usize, y: usize) -> u8 {
    let rough = ((x * 7919 + y * 104_729) % 31) as u8;
    if (x + y / 3) % 37 < 3 || (y + x / 5) % 41 < 3 { 100 + rough } else { 140 + rough }
}

#[test]
fn pores_stay_zero_and_do_not_split_the_grain_around_them() {
    let inside = |x: usize, y: usize| (10..20).contains(&(x % 32)) && (12..19).contains(&(y % 32));
    let pores = Labels::from_ids(Grid::from_fn(SIDE, SIDE, |x, y| u32::from(inside(x, y))));
    let picture = grooves(40.0, 4.0);
    let picture = Grid::from_fn(SIDE, SIDE, |x, y| if inside(x, y) { 20 } else { picture.at(x, y) });
    let map = find(&picture, &pores, &ridge());
    assert_eq!(map.labels.count, 64);
    for (label, pore) in map.labels.grid.as_slice().iter().zip(pores.grid.as_slice()) {
        assert_eq!(*label == 0, *pore != 0);
    }
}

#[test]
fn a_speck_that_pores_cut_off_is_no_grain() {
    // Two grains beside a pore that holds an island of 25 px and a speck of 4 px.
    let island = |x: usize, y: usize| (12..17).contains(&x) && (8..13).contains(&y);
    let speck = |x: usize, y: usize| (24..26).contains(&x) && (10..12).contains(&y);
    let pore = |x, y| (8..30).contains(&x) && (4..16).contains(&y) && !island(x, y) && !speck(x, y);
    let pores = Labels { grid: Grid::from_fn(60, 20, |x, y| u32::from(pore(x, y))), count: 1 };
    let boundaries = Grid::from_fn(60, 20, |x, _| if x == 40 { 255 } else { 0 });
    let found = find_on(&boundaries, &Grid::filled(60, 20, 100), &pores, View::default());
    let regions = found.likely.unwrap().regions.grid;
    for (x, y) in (0..20).flat_map(|y| (0..60).map(move |x| (x, y))) {
        let labels = [found.labels.grid.at(x, y), regions.at(x, y)];
        assert_eq!(labels.map(|label| label == 0), [pore(x, y) || speck(x, y); 2], "{x} {y}");
    }
    assert_eq!(found.labels.count, 3);
}

#[test]
fn tiny_pictures_are_refused_without_panic() {
    for (width, height) in [(1, 1), (1, 9), (9, 1), (3, 3)] {
        for options in [ridge(), gradient()] {
            let pores = Labels { grid: Grid::filled(width, height, 0), count: 0 };
            assert!(refused(&find(&Grid::filled(width, height, 77), &pores, &options)));
            let all_pore = Labels { grid: Grid::filled(width, height, 1), count: 1 };
            let map = find(&Grid::filled(width, height, 77), &all_pore, &options);
            assert!(refused(&map) && map.labels.count == 0);
        }
    }
}
