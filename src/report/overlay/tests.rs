use image::RgbImage;

use super::*;
use crate::grid::Grid;
use crate::report::doubt::CERTAIN;
use crate::segment::learned::grains::{LikelyEdge, View};

fn decoded(overlay: &Overlay) -> RgbImage {
    image::load_from_memory(&png(overlay)).unwrap().into_rgb8()
}

fn view(frame: Frame) -> OverlayView<'static> {
    OverlayView { pores: None, pull_out: &[], grains: None, likely: None, frame, bar: None, lines: &[] }
}

const WHOLE: Frame = Frame { x: 0, y: 0, width: 4, height: 3 };

#[test]
fn a_boundary_is_one_pixel_wide_and_pores_have_none() {
    let grey = Grey::Eight(Grid::filled(4, 3, 100));
    let grains =
        Labels { grid: Grid::new(4, 3, vec![1, 1, 2, 2, 1, 1, 2, 2, 1, 0, 0, 2]).unwrap(), count: 2 };
    let picture = decoded(&overlay(&grey, &OverlayView { grains: Some(&grains), ..view(WHOLE) }));
    let lines: Vec<bool> = picture.pixels().map(|p| p.0 == BOUNDARY).collect();
    let expected = [0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0].map(|v| v == 1);
    assert_eq!(lines, expected);
}

/// Two halves of `side` by `side` px that meet in a boundary of this probability, taken from one half on.
fn halves(side: usize, probability: f64) -> (Labels, Likely) {
    let regions = Grid::from_fn(side, side, |x, _| 1 + u32::from(x >= side / 2));
    let taken = probability >= 0.5;
    let likely = Likely {
        regions: Labels { grid: regions, count: 2 },
        grain_of: vec![0, 1, if taken { 2 } else { 1 }],
        edges: vec![LikelyEdge { a: 1, b: 2, length_px: side as u64, probability }],
        view: View::default(),
    };
    let grid = Grid::from_fn(side, side, |x, _| 1 + u32::from(taken && x >= side / 2));
    (Labels { grid, count: 1 + u32::from(taken) }, likely)
}

/// Pixels of the line between two halves, and of those the ones in each of the colours of boundaries.
fn drawn_between_halves(probability: f64) -> [usize; 2] {
    let side = 80;
    let (grains, likely) = halves(side, probability);
    let frame = Frame { x: 0, y: 0, width: side, height: side };
    let drawn = OverlayView { grains: Some(&grains), likely: Some(&likely), ..view(frame) };
    let picture = decoded(&overlay(&Grey::Eight(Grid::filled(side, side, 100)), &drawn));
    let count = |colour| picture.pixels().filter(|p| p.0 == colour).count();
    let column = |colour| (0..80).filter(|&y| picture.get_pixel(39, y).0 == colour).count();
    [BOUNDARY, POSSIBLE].map(|colour| {
        assert_eq!(count(colour), column(colour), "only on the line");
        count(colour)
    })
}

#[test]
fn doubt_breaks_a_line_and_a_possible_boundary_is_dotted() {
    assert_eq!(drawn_between_halves(0.95), [80, 0]);
    assert_eq!(drawn_between_halves(CERTAIN), [80, 0]);
    assert_eq!(drawn_between_halves(0.6), [50, 0], "five of eight");
    assert_eq!(drawn_between_halves(0.4), [0, 32], "two of five");
    assert_eq!(drawn_between_halves(0.1), [0, 0]);
}

#[test]
fn certain_boundaries_are_drawn_as_if_nothing_were_known_of_them() {
    let (grains, likely) = halves(40, 1.0);
    let frame = Frame { x: 0, y: 0, width: 40, height: 40 };
    let drawn = |likely| {
        let view = OverlayView { grains: Some(&grains), likely, ..view(frame) };
        png(&overlay(&Grey::Eight(Grid::filled(40, 40, 100)), &view))
    };
    assert_eq!(drawn(Some(&likely)), drawn(None));
}

#[test]
fn a_doubtful_line_is_broken_in_any_direction() {
    let side = 160;
    let frame = Frame { x: 0, y: 0, width: side, height: side };
    for degrees in (0..180).step_by(15) {
        let (sine, cosine) = f64::from(degrees).to_radians().sin_cos();
        let beyond = |x: usize, y: usize| (x as f64 - 80.2) * sine > (y as f64 - 79.7) * cosine;
        let regions =
            Labels { grid: Grid::from_fn(side, side, |x, y| 1 + u32::from(beyond(x, y))), count: 2 };
        let (_, mut likely) = halves(side, 0.6);
        likely.regions = regions.clone();
        let shown = |likely| {
            let drawn = OverlayView { grains: Some(&regions), likely, ..view(frame) };
            let picture = decoded(&overlay(&Grey::Eight(Grid::filled(side, side, 100)), &drawn));
            picture.pixels().filter(|p| p.0 == BOUNDARY).count() as f64
        };
        let share = shown(Some(&likely)) / shown(None);
        assert!((0.45..0.8).contains(&share), "{degrees}°: {share}");
    }
}

#[test]
fn pores_are_filled_so_that_the_grey_below_still_shows() {
    let grey = Grey::Eight(Grid::new(4, 3, (0..12).map(|i| i * 20).collect()).unwrap());
    let pores = Labels { grid: Grid::new(4, 3, vec![0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 2]).unwrap(), count: 2 };
    let view = OverlayView { pores: Some(&pores), pull_out: &[false, true], ..view(WHOLE) };
    let picture = decoded(&overlay(&grey, &view));
    let at = |x, y| picture.get_pixel(x, y).0;
    assert!(at(0, 1)[0].abs_diff(80) < 2 && at(0, 1)[0] == at(0, 1)[2], "the solid keeps its grey");
    assert_ne!(at(1, 0), at(2, 0), "grey shows through");
    assert!(at(1, 0)[2] > at(1, 0)[0] + 60, "pores are blue");
    assert_eq!(at(0, 0), [0; 3]);
}

#[test]
fn sixteen_bits_are_stretched_and_constant_pictures_do_no_harm() {
    let grey = Grey::Sixteen(Grid::from_fn(200, 10, |x, _| 1000 + x as u16 * 10));
    let picture = decoded(&overlay(&grey, &view(Frame { x: 0, y: 0, width: 200, height: 10 })));
    assert_eq!(picture.get_pixel(0, 0).0, [0; 3]);
    assert_eq!(picture.get_pixel(199, 0).0, [255; 3]);
    let constant = Grey::Sixteen(Grid::filled(3, 3, u16::MAX));
    overlay(&constant, &view(Frame { x: 0, y: 0, width: 3, height: 3 }));
    overlay(&Grey::Sixteen(Grid::filled(1, 1, 0)), &view(Frame { x: 0, y: 0, width: 1, height: 1 }));
}

#[test]
fn what_was_not_measured_is_dimmed_and_marks_stay_inside_the_picture() {
    let grey = Grey::Eight(Grid::filled(40, 30, 200));
    let bar = Bar {
        left_px: -5.0,
        right_px: 60.0,
        row_px: 28.0,
        style: crate::scale::BarStyle::Solid,
        uncertainty_px: 0.5,
    };
    let frame = Frame { x: 0, y: 0, width: 40, height: 20 };
    let line = TestLine::Straight { from: (-10.0, 3.0), to: (90.0, 3.0) };
    let circle = TestLine::Circle { centre: (20.0, 10.0), radius: 50.0 };
    let picture =
        decoded(&overlay(&grey, &OverlayView { bar: Some(&bar), lines: &[line, circle], ..view(frame) }));
    assert!(picture.get_pixel(5, 8).0[0].abs_diff(200) < 2);
    assert!(picture.get_pixel(5, 26).0[0] < 120);
    assert_eq!(picture.get_pixel(0, 0).0, MARK);
    assert_eq!(picture.get_pixel(10, 3).0, TEST_LINE);
}

#[test]
fn widened_lines_have_their_width_and_stay_inside() {
    let mut indices = GrayImage::from_pixel(9, 3, Luma([45]));
    (0..3).for_each(|y| indices.put_pixel(4, y, Luma([place::BOUNDARY])));
    let wide = |width| widened(&Overlay { indices: indices.clone() }, width);
    for (width, from, to) in [(1, 4, 4), (2, 4, 5), (3, 3, 5), (30, 0, 8)] {
        let drawn = wide(width).indices;
        let row: Vec<u32> = (0..9).filter(|&x| drawn.get_pixel(x, 1).0[0] == place::BOUNDARY).collect();
        assert_eq!(row, (from..=to).collect::<Vec<u32>>(), "{width}");
    }
}

#[test]
fn ranges_of_the_palette_do_not_overlap() {
    let highest = 127u8;
    assert!(place::PORE + highest / 7 * 3 < place::PULL_OUT);
    assert!(place::PULL_OUT + highest / 6 < place::OUTSIDE);
    assert!(place::OUTSIDE + highest / 4 < place::BOUNDARY);
}

#[test]
fn a_thumbnail_keeps_its_shape_and_thin_lines() {
    let mut indices = GrayImage::from_pixel(400, 200, Luma([45]));
    (0..200).for_each(|y| indices.put_pixel(201, y, Luma([place::BOUNDARY])));
    let overlay = Overlay { indices };
    let small = image::load_from_memory(&thumbnail(&overlay, 100)).unwrap().into_rgb8();
    assert_eq!(small.dimensions(), (100, 50));
    let line = small.get_pixel(50, 25).0;
    assert!(line[0] > line[2] + 40, "a one-pixel line is still seen: {line:?}");
    assert_eq!(image::load_from_memory(&thumbnail(&overlay, 1000)).unwrap().width(), 400);
}
