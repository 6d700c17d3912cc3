use super::*;
use crate::options::{Connectivity, Tone};

fn options(method: PoreMethod) -> PoreOptions {
    PoreOptions {
        method,
        tone: Tone::Dark,
        smallest_px: 12,
        connectivity: Connectivity::Eight,
        flatten: true,
    }
}

/// Discs of radius 6 in a grid, grey 40 on 150, softened by a pixel, with noise and light that falls by a third.
fn field(noise: i32) -> Grid<u8> {
    let mut state = 7u32;
    Grid::from_fn(400, 300, |x, y| {
        let distance = ((x % 40) as f64 - 20.3).hypot((y % 30) as f64 - 14.6);
        let inside = (6.5 - distance).clamp(0.0, 1.0);
        let light = 1.0 - x as f64 / 1200.0;
        state = state.wrapping_mul(1664525).wrapping_add(1013904223);
        let wobble = if noise > 0 { (state >> 16) as i32 % (2 * noise + 1) - noise } else { 0 };
        (40.0 + 110.0 * light * (1.0 - inside)).round() as u8 + 15 + wobble as u8
    })
}

/// Share of the picture in [`field`]'s discs, whose edge lies at half height, 6 px from the centre.
const SHARE_PERCENT: f64 = 100.0 * std::f64::consts::PI * 36.0 / 1200.0;

const ALL_AUTOMATIC: [PoreMethod; 11] = [
    PoreMethod::HalfContrast,
    PoreMethod::Auto,
    PoreMethod::EdgeLevel,
    PoreMethod::Otsu,
    PoreMethod::MinimumError,
    PoreMethod::Kapur,
    PoreMethod::Li,
    PoreMethod::Iterative,
    PoreMethod::Triangle,
    PoreMethod::MultiOtsu,
    PoreMethod::Sauvola,
];

#[test]
fn pores_under_falling_light_are_found_whole() {
    let found = find(&Grey::Eight(field(8)), &options(PoreMethod::HalfContrast)).unwrap();
    assert_eq!(found.labels.count, 100);
    let porosity = found.numbers.porosity_percent.unwrap();
    assert!((porosity - SHARE_PERCENT).abs() < 0.3, "{porosity} against {SHARE_PERCENT}");
    let sensitivity = found.numbers.sensitivity.unwrap();
    assert!(sensitivity.porosity_low_percent < porosity && porosity < sensitivity.porosity_high_percent);
    assert!(found.numbers.warnings.is_empty(), "{:?}", found.numbers.warnings);
    assert_eq!(found.numbers.rules.len(), 7);
    assert!(found.numbers.background.removed);
}

#[test]
fn an_added_constant_changes_nothing() {
    let picture = field(8);
    let brighter = picture.map(|grey| grey + 20);
    for method in ALL_AUTOMATIC {
        let one = find(&Grey::Eight(picture.clone()), &options(method)).unwrap();
        let other = find(&Grey::Eight(brighter.clone()), &options(method)).unwrap();
        assert_eq!(one.labels, other.labels, "{method:?}");
        assert_eq!(one.numbers.porosity_percent, other.numbers.porosity_percent);
    }
}

#[test]
fn inverted_greys_with_the_other_tone_change_nothing() {
    let picture = field(8);
    let inverted = picture.map(|grey| 255 - grey);
    let wide = |grid: &Grid<u8>| Grey::Sixteen(grid.map(|grey| u16::from(grey) * 200 + 77));
    let fixed = [PoreMethod::Fixed(100)];
    for method in ALL_AUTOMATIC.into_iter().chain(fixed) {
        let bright = PoreOptions { tone: Tone::Bright, ..options(method) };
        let flipped = match method {
            // Dark: at or below 100. Bright: above 154, which is at or below 100 when inverted.
            PoreMethod::Fixed(grey) => {
                PoreOptions { method: PoreMethod::Fixed(254 - grey), ..bright.clone() }
            }
            _ => bright.clone(),
        };
        let one = find(&Grey::Eight(picture.clone()), &options(method)).unwrap();
        let other = find(&Grey::Eight(inverted.clone()), &flipped).unwrap();
        assert_eq!(one.labels, other.labels, "{method:?}");
        assert_eq!(one.picture.map(|grey| 255 - grey), other.picture);
        if let (Some(dark), Some(light)) =
            (one.numbers.threshold.grey_level, other.numbers.threshold.grey_level)
        {
            assert!((dark + light - 254.0).abs() < 1e-9, "{method:?}: {dark} and {light}");
        }
    }
    let one = find(&wide(&picture), &options(PoreMethod::HalfContrast)).unwrap();
    let Grey::Sixteen(grid) = wide(&picture) else { unreachable!() };
    let inverted = Grey::Sixteen(grid.map(|grey| 65535 - grey));
    let bright = PoreOptions { tone: Tone::Bright, ..options(PoreMethod::HalfContrast) };
    assert_eq!(one.labels, find(&inverted, &bright).unwrap().labels);
}

#[test]
fn sixteen_bits_say_what_eight_say() {
    let picture = field(8);
    let wide = Grey::Sixteen(picture.map(|grey| u16::from(grey) * 257));
    for method in [PoreMethod::HalfContrast, PoreMethod::Otsu] {
        let eight = find(&Grey::Eight(picture.clone()), &options(method)).unwrap();
        let sixteen = find(&wide, &options(method)).unwrap();
        let difference = eight.numbers.porosity_percent.unwrap() - sixteen.numbers.porosity_percent.unwrap();
        assert!(difference.abs() < 0.1, "{method:?}: {difference}");
        let greys = eight.numbers.threshold.solid_mean_grey.unwrap() * 257.0;
        let wide_greys = sixteen.numbers.threshold.solid_mean_grey.unwrap();
        assert!((greys / wide_greys - 1.0).abs() < 0.01, "{greys} and {wide_greys}");
    }
    let eight = find(&Grey::Eight(picture.clone()), &options(PoreMethod::Fixed(100))).unwrap();
    let sixteen = find(&wide, &options(PoreMethod::Fixed(100 * 257))).unwrap();
    assert_eq!(eight.labels, sixteen.labels);
}

#[test]
fn small_features_are_dropped_and_their_area_is_told() {
    let mut picture = field(0);
    // A square of 3 px survives the median without its corners: 5 px.
    (0..9).for_each(|k| picture.set(38 + k % 3, 28 + k / 3, 20));
    let found = find(&Grey::Eight(picture), &options(PoreMethod::Fixed(100))).unwrap();
    assert_eq!(found.labels.count, 100);
    assert!((found.numbers.dropped_area_percent - 100.0 * 5.0 / 120_000.0).abs() < 1e-12);
}

#[test]
fn a_picture_of_one_grey_has_no_porosity() {
    for grey in [0, 255, 100] {
        for method in ALL_AUTOMATIC {
            let found = find(&Grey::Eight(Grid::filled(50, 40, grey)), &options(method)).unwrap();
            assert_eq!(found.numbers.porosity_percent, None, "{method:?}");
            assert_eq!(found.numbers.warnings[0].code, "no-contrast");
            assert!(found.numbers.rules.is_empty() && found.numbers.sensitivity.is_none());
        }
    }
    let one = find(&Grey::Eight(Grid::filled(1, 1, 9)), &options(PoreMethod::HalfContrast)).unwrap();
    assert_eq!(one.numbers.porosity_percent, None);
}

#[test]
fn a_solid_without_pores_is_not_split() {
    let mut state = 3u32;
    let mut wobble = move || {
        state = state.wrapping_mul(1664525).wrapping_add(1013904223);
        (state >> 16) % 16
    };
    let noise = Grid::from_fn(300, 300, |_, _| (100 + wobble() + wobble() + wobble() + wobble()) as u8);
    let found = find(&Grey::Eight(noise.clone()), &options(PoreMethod::HalfContrast)).unwrap();
    assert_eq!((found.numbers.porosity_percent, found.labels.count), (Some(0.0), 0));
    assert_eq!(found.numbers.warnings[0].code, "no-pores-found");
    let found = find(&Grey::Eight(noise), &options(PoreMethod::Otsu)).unwrap();
    assert_eq!(found.numbers.warnings[0].code, "single-peak");
}

#[test]
fn the_program_takes_half_contrast_for_pores_and_the_edges_for_two_phases() {
    let pores = Grey::Eight(field(8));
    let [chosen, named, learned] = [PoreMethod::Auto, PoreMethod::HalfContrast, PoreMethod::Learned]
        .map(|method| find(&pores, &options(method)).unwrap());
    assert_eq!(
        (chosen.labels.count, &*chosen.numbers.threshold.method),
        (named.labels.count, "half-contrast")
    );
    // Moved towards what the network finds, and not beyond it.
    let [own, moved, seen] = [&named, &chosen, &learned].map(|map| map.numbers.porosity_percent.unwrap());
    assert!(
        (moved - own) * (seen - own) >= 0.0 && (moved - own).abs() <= (seen - own).abs(),
        "{own} {moved} {seen}"
    );
    assert!(chosen.numbers.threshold.reason.is_some() && named.numbers.threshold.reason.is_none());
    assert!(chosen.numbers.warnings.is_empty());
    // Bands of 20 px, 24 greys apart, under light that falls by 60: no peak of its own for either.
    let mut state = 9u32;
    let bands = Grid::from_fn(300, 300, |x, y| {
        state = state.wrapping_mul(1664525).wrapping_add(1013904223);
        let phase = if (x + y) % 40 < 20 { 0 } else { 24 };
        (100 + phase + x * 60 / 300) as u8 + (state >> 16) as u8 % 12
    });
    let chosen = find(&Grey::Eight(bands), &options(PoreMethod::Auto)).unwrap();
    assert_eq!(chosen.numbers.threshold.method, "edge-level");
    assert_eq!(chosen.numbers.warnings[0].code, "two-phases");
    // An outline of 2 · 300² / 40 · √2 px that is off by a quarter of a pixel.
    let error = chosen.numbers.porosity_percent.unwrap() - 50.0;
    assert!(error.abs() < 100.0 * 0.25 * 2.0 * 2f64.sqrt() / 40.0, "{error}");
}

#[test]
fn grooves_alone_leave_porosity_open() {
    // Lines of all greys between 60 and that of the solid, on one tenth of the picture.
    let picture = Grid::from_fn(300, 360, |x, y| {
        let solid = 140 + ((x * 7 + y * 13) % 11) as u8;
        if x % 20 < 2 { solid.min(60 + (y % 90) as u8) } else { solid }
    });
    let found = find(&Grey::Eight(picture), &options(PoreMethod::HalfContrast)).unwrap();
    assert_eq!(found.numbers.porosity_percent, None);
    assert_eq!(found.numbers.warnings[0].code, "pores-unclear");
}

#[test]
fn a_typed_grey_beyond_the_file_is_refused() {
    let refused = find(&Grey::Eight(field(0)), &options(PoreMethod::Fixed(300)));
    assert!(matches!(refused, Err(Error::Option { name: "--pores", .. })));
}

#[test]
fn a_typed_grey_darker_than_all_says_that_it_finds_nothing() {
    let found = find(&Grey::Eight(field(0)), &options(PoreMethod::Fixed(3))).unwrap();
    assert_eq!((found.numbers.porosity_percent, found.labels.count), (Some(0.0), 0));
    assert_eq!(found.numbers.warnings[0].code, "no-pores-found");
}

#[test]
fn a_picture_of_pore_only_says_so() {
    let found = find(&Grey::Eight(Grid::filled(30, 30, 9)), &options(PoreMethod::Fixed(90))).unwrap();
    assert_eq!(found.numbers.porosity_percent, Some(100.0));
    assert_eq!(found.numbers.warnings[0].code, "all-pore");
}

#[test]
fn a_map_of_probabilities_is_counted_from_one_half_on() {
    // 20 squares of 10 px at 0.8, within squares of 14 px at 0.4; one of 3 px is too small.
    let map = Grid::from_fn(400, 300, |x, y| match (x % 80, y % 75) {
        (20..30, 20..30) => 204,
        (18..32, 18..32) => 102,
        _ if x < 3 && y < 3 => 255,
        _ => 0,
    });
    let found = find_on(&Grey::Eight(field(8)), &map, &options(PoreMethod::Learned)).unwrap();
    assert_eq!(found.labels.count, 20);
    let percent = |px: f64| 100.0 * px / 120_000.0;
    assert_eq!(found.numbers.porosity_percent, Some(percent(2000.0)));
    assert_eq!(found.numbers.dropped_area_percent, percent(9.0));
    let expected = percent(2000.0 * 0.8 + 20.0 * 96.0 * 0.4 + 9.0);
    assert!((found.numbers.expected_porosity_percent.unwrap() - expected).abs() < 1e-9);
    let band = found.numbers.sensitivity.unwrap();
    assert_eq!(band.shift_grey_levels, None);
    assert_eq!(band.porosity_low_percent, percent(2000.0));
    assert_eq!(band.porosity_high_percent, percent(20.0 * 196.0));
    assert_eq!(
        (found.numbers.threshold.method.as_str(), found.numbers.threshold.grey_level),
        ("learned", None)
    );
    assert!(find_on(&Grey::Eight(field(8)), &Grid::filled(4, 4, 0), &options(PoreMethod::Learned)).is_err());
}

#[test]
fn learned_pores_ask_the_network() {
    let grey = Grey::Eight(field(8));
    let maps = learned::maps(&grey, 1.0).unwrap();
    let options = options(PoreMethod::Learned);
    let (asked, given) = (find(&grey, &options).unwrap(), find_on(&grey, &maps.pore, &options).unwrap());
    assert_eq!(asked.labels, given.labels);
    let even = find(&Grey::Eight(Grid::filled(50, 40, 100)), &options).unwrap();
    assert_eq!((even.numbers.porosity_percent, even.numbers.expected_porosity_percent), (None, None));
    assert_eq!(even.numbers.warnings[0].code, "no-contrast");
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let grey = Grey::Eight(field(8));
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| find(&grey, &options(PoreMethod::HalfContrast)).unwrap())
    };
    let (one, four) = (with(1), with(4));
    assert_eq!((one.labels, one.picture), (four.labels, four.picture));
}

#[test]
fn pores_told_by_the_network_alone_share_its_doubt_of_boundaries_once() {
    let doubted = |method: PoreMethod, code: &'static str| {
        let picture = field(0);
        let bright = picture.map(|grey| if grey > 100 { 250 } else { 2 });
        let options = PoreOptions { tone: Tone::Bright, ..options(method) };
        let grey = Grey::Eight(picture);
        let found = match method {
            PoreMethod::Learned => find_on(&grey, &bright, &options),
            _ => find(&grey, &options),
        };
        let mut map = found.unwrap();
        for _ in 0..2 {
            map.doubt_with(&[Warning::new(code, "because")]);
        }
        map.numbers.warnings.iter().filter(|doubt| doubt.code == "pores-doubtful").count()
    };
    assert_eq!(doubted(PoreMethod::Learned, "grain-boundaries-faint"), 1);
    // A polished section shows no boundaries, and its pores are none the worse for it.
    assert_eq!(doubted(PoreMethod::Learned, "grain-boundaries-too-weak"), 0);
    assert_eq!(doubted(PoreMethod::HalfContrast, "grain-boundaries-faint"), 0);
}

#[test]
fn learned_pores_on_the_other_side_of_the_solid_are_doubtful() {
    let picture = field(0);
    let bright = picture.map(|grey| if grey > 100 { 250 } else { 2 });
    let doubts = |tone| {
        let options = PoreOptions { tone, ..options(PoreMethod::Learned) };
        let found = find_on(&Grey::Eight(picture.clone()), &bright, &options).unwrap();
        found.numbers.warnings.iter().filter(|doubt| doubt.code == "pores-doubtful").count()
    };
    assert_eq!((doubts(Tone::Dark), doubts(Tone::Bright)), (1, 0));
}
