//! What must happen to the results when the picture is changed in a way whose effect is known.

use ceramograph::grid::Grid;
use ceramograph::micrograph::{Grey, Micrograph};
use ceramograph::options::{BoundaryMethod, Options, Tone};
use ceramograph::phantom::spec::{Detector, PhantomSpec};
use ceramograph::phantom::{Phantom, draw};
use ceramograph::pipeline::{Measured, measure};

/// An etched section with room for a shift in grey.
fn picture() -> Grid<u8> {
    let spec = PhantomSpec {
        width_px: 512,
        height_px: 384,
        strip: None,
        detector: Detector { contrast: 0.7, ..Detector::default() },
        ..PhantomSpec::default()
    };
    match draw(&spec).unwrap() {
        Phantom { grey: Grey::Eight(grid), .. } => grid,
        _ => panic!("the phantom was to have 8 bit"),
    }
}

fn measured(grey: Grey, options: &Options) -> Measured {
    measure(&Micrograph { grey, claims: Vec::new(), warnings: Vec::new() }, options).unwrap()
}

fn plain(grid: Grid<u8>) -> Measured {
    measured(Grey::Eight(grid), &Options::default())
}

fn assert_same_maps(a: &Measured, b: &Measured) {
    assert_eq!(a.pore_map.labels, b.pore_map.labels);
    assert_eq!(a.grain_map.as_ref().unwrap().labels, b.grain_map.as_ref().unwrap().labels);
    assert_eq!(a.pore_map.numbers.porosity_percent, b.pore_map.numbers.porosity_percent);
    assert_eq!(a.intercepts.as_ref().unwrap().mean, b.intercepts.as_ref().unwrap().mean);
}

/// Asserts that porosity agrees within `points` and the mean intercept, times `factor`, within `percent`.
fn assert_near(a: &Measured, b: &Measured, factor: f64, points: f64, percent: f64) {
    let porosity = |m: &Measured| m.pore_map.numbers.porosity_percent.unwrap();
    let intercept = |m: &Measured| m.intercepts.as_ref().unwrap().mean;
    assert!((porosity(a) - porosity(b)).abs() <= points, "{} {}", porosity(a), porosity(b));
    let ratio = intercept(b) / (intercept(a) * factor);
    assert!((ratio - 1.0).abs() <= percent / 100.0, "{} {}", intercept(a), intercept(b));
}

#[test]
fn an_added_grey_changes_nothing() {
    let dark = picture();
    let most = *dark.as_slice().iter().max().unwrap();
    let shift = 255 - most;
    assert!(shift >= 10, "the picture leaves room for a shift");
    assert_same_maps(&plain(dark.clone()), &plain(dark.map(|v| v + shift)));
}

#[test]
fn the_negative_with_flipped_tones_gives_the_same_maps() {
    let positive = picture();
    for boundaries in [BoundaryMethod::Learned, BoundaryMethod::Ridge] {
        let options = Options { boundaries, ..Options::default() };
        let flipped = Options { pore_tone: Tone::Bright, boundary_tone: Tone::Bright, ..options.clone() };
        let negative = measured(Grey::Eight(positive.map(|v| 255 - v)), &flipped);
        assert_same_maps(&measured(Grey::Eight(positive.clone()), &options), &negative);
    }
}

#[test]
fn sixteen_bits_of_the_same_greys_give_the_same_maps() {
    let eight = picture();
    // Eight-bit files keep their own levels; sixteen-bit ones are brought to 256 between their own extremes, which
    // rounds a grey by at most half a level.
    let sixteen = Grey::Sixteen(eight.map(|v| u16::from(v) * 257));
    assert_near(&plain(eight), &measured(sixteen, &Options::default()), 1.0, 0.2, 3.0);
}

#[test]
fn a_turned_picture_has_the_same_porosity_and_grain_size() {
    let upright = picture();
    let (width, height) = (upright.width(), upright.height());
    let turned = Grid::from_fn(height, width, |x, y| upright.at(width - 1 - y, x));
    let (a, b) = (plain(upright), plain(turned));
    assert_near(&a, &b, 1.0, 0.05, 2.0);
    // Directions turn with the picture.
    let by_angle = |m: &Measured, angle: f64| {
        let sets = &m.intercepts.as_ref().unwrap().results.sets;
        let set = sets.iter().find(|s| s.angle_deg == Some(angle)).unwrap();
        set.mean.unwrap().value()
    };
    for (before, after) in [(0.0, 90.0), (90.0, 0.0), (45.0, 135.0), (135.0, 45.0)] {
        let ratio = by_angle(&a, before) / by_angle(&b, after);
        assert!((ratio - 1.0).abs() < 0.03, "{before}: {ratio}");
    }
}

#[test]
fn a_mirrored_picture_has_the_same_porosity_and_grain_size() {
    let original = picture();
    let width = original.width();
    let mirrored = Grid::from_fn(width, original.height(), |x, y| original.at(width - 1 - x, y));
    assert_near(&plain(original), &plain(mirrored), 1.0, 0.05, 2.0);
}

#[test]
fn twice_the_pixels_double_the_intercept_in_pixels() {
    let small = picture();
    let large = Grid::from_fn(2 * small.width(), 2 * small.height(), |x, y| small.at(x / 2, y / 2));
    assert_near(&plain(small), &plain(large), 2.0, 0.5, 6.0);
}

#[test]
fn twice_the_pixel_size_doubles_lengths_and_leaves_fractions_alone() {
    let typed = |size: &str| {
        let options = Options { pixel_size: Some(size.into()), ..Options::default() };
        measured(Grey::Eight(picture()), &options)
    };
    let (a, b) = (typed("25nm"), typed("50nm"));
    assert_same_labels_and_double(&a, &b);
}

fn assert_same_labels_and_double(a: &Measured, b: &Measured) {
    assert_eq!(a.pore_map.numbers.porosity_percent, b.pore_map.numbers.porosity_percent);
    assert_eq!(a.grains.len(), b.grains.len());
    let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
    assert!(near(2.0 * a.intercepts.as_ref().unwrap().mean, b.intercepts.as_ref().unwrap().mean));
    for (a, b) in a.grains.iter().zip(&b.grains) {
        assert!(near(4.0 * a.region.area, b.region.area));
        assert!(near(2.0 * a.region.feret_max, b.region.feret_max));
        assert!(near(2.0 * a.region.perimeter, b.region.perimeter));
        assert!(near(a.region.solidity, b.region.solidity));
    }
}
