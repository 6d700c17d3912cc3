use super::*;
use crate::options::Tone;

fn map(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> Grid<u8> {
    boundaries(picture, pores, options).strength
}

fn map_of(picture: &Grid<u8>, method: BoundaryMethod) -> Grid<u8> {
    let pores = Labels { grid: picture.map(|_| 0), count: 0 };
    map(picture, &pores, &GrainOptions { method, ..GrainOptions::default() })
}

#[test]
fn a_dark_line_is_strongest_on_the_line() {
    for line in [
        (|x: usize, _: usize| x.abs_diff(30)) as fn(usize, usize) -> usize,
        |_, y| y.abs_diff(30),
        |x, y| x.abs_diff(y),
        |x, y| (2 * y).abs_diff(x + 30),
    ] {
        let picture = Grid::from_fn(60, 60, |x, y| if line(x, y) <= 1 { 100 } else { 160 });
        let strength = map_of(&picture, BoundaryMethod::Ridge);
        for (x, y) in (15..45).flat_map(|y| (15..45).map(move |x| (x, y))) {
            match line(x, y) {
                0 => assert!(strength.at(x, y) > 120, "{x} {y}"),
                12.. => assert_eq!(strength.at(x, y), 0, "{x} {y}"),
                _ => {}
            }
        }
    }
}

#[test]
fn a_step_is_no_ridge_and_a_ridge_in_bright_tone_needs_a_bright_line() {
    let step = Grid::from_fn(60, 60, |x, _| if x < 30 { 90 } else { 150 });
    assert!(map_of(&step, BoundaryMethod::Ridge).as_slice().iter().all(|s| *s == 0));
    let line = Grid::from_fn(60, 60, |x, _| if x == 30 { 200 } else { 150 });
    let pores = no_pores(60);
    let dark = GrainOptions { method: BoundaryMethod::Ridge, ..GrainOptions::default() };
    let bright = GrainOptions { tone: Tone::Bright, ..dark.clone() };
    assert!(map(&line, &pores, &bright).at(30, 30) > 100);
    assert!(map(&line, &pores, &dark).at(30, 30) == 0);
}

fn no_pores(side: usize) -> Labels {
    Labels { grid: Grid::filled(side, side, 0), count: 0 }
}

#[test]
fn a_step_has_its_crest_where_grey_changes() {
    let picture = Grid::from_fn(60, 60, |x, _| if x < 30 { 90 } else { 150 });
    let row = map_of(&picture, BoundaryMethod::Gradient).row(30).to_vec();
    assert_eq!(row[29], 255);
    assert_eq!(row[30], 255);
    assert_eq!((row[20], row[40]), (0, 0));
}

#[test]
fn the_rim_of_a_pore_is_no_boundary() {
    let distance = |x: usize, y: usize| (x as f64 - 30.0).hypot(y as f64 - 30.0);
    // A pore of 8 px radius whose rim is blurred over about 2 px.
    let picture =
        Grid::from_fn(61, 61, |x, y| (30.0 + 120.0 * ((distance(x, y) - 7.0) / 2.5).clamp(0.0, 1.0)) as u8);
    let pores = Labels::from_ids(Grid::from_fn(61, 61, |x, y| u32::from(distance(x, y) < 8.0)));
    for method in [BoundaryMethod::Ridge, BoundaryMethod::Gradient] {
        let options = GrainOptions { method, ..GrainOptions::default() };
        let strength = map(&picture, &pores, &options);
        assert!(strength.as_slice().iter().all(|s| *s < 30), "{method:?}");
    }
}

#[test]
fn a_quarter_turn_turns_the_map() {
    let picture = Grid::from_fn(70, 50, |x, y| ((x * x * 3 + y * 17 + x * y) % 200) as u8);
    let pores = Labels::from_ids(Grid::from_fn(70, 50, |x, y| u32::from(x % 23 < 4 && y % 19 < 5)));
    let turned = Grid::from_fn(50, 70, |x, y| picture.at(69 - y, x));
    let turned_pores = Labels::from_ids(Grid::from_fn(50, 70, |x, y| pores.grid.at(69 - y, x)));
    for method in [BoundaryMethod::Ridge, BoundaryMethod::Gradient] {
        let options = GrainOptions { method, ..GrainOptions::default() };
        let (one, other) = (map(&picture, &pores, &options), map(&turned, &turned_pores, &options));
        assert!((0..70).all(|y| (0..50).all(|x| other.at(x, y) == one.at(69 - y, x))), "{method:?}");
    }
}
