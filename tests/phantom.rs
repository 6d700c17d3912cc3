//! Drawn structures against stochastic geometry, and pictures against their own truth.

use ceramograph::grid::Labels;
use ceramograph::phantom::structure::{Density, Structure, StructureSpec, boolean_discs, label_map};
use ceramograph::phantom::truth::mean_intercept_px;

const POISSON_SECTION: Structure = Structure::Section3d { size_spread: 0.0, regularity: 0.0 };

fn structure(structure: Structure, density: Density) -> StructureSpec {
    StructureSpec { structure, density }
}

/// Cells per px², unbiased: cells cut by the frame count one half, those at its corners one quarter
/// (a rectangle counted so is unbiased for convex cells: check by Steiner's formula).
fn cells_per_px2(labels: &Labels) -> f64 {
    let (width, height) = (labels.grid.width(), labels.grid.height());
    let mut weight = vec![1.0; labels.count as usize + 1];
    let rim = (0..width)
        .flat_map(|x| [(x, 0), (x, height - 1)])
        .chain((0..height).flat_map(|y| [(0, y), (width - 1, y)]));
    rim.for_each(|(x, y)| weight[labels.grid.at(x, y) as usize] = 0.5);
    for (x, y) in [(0, 0), (width - 1, 0), (0, height - 1), (width - 1, height - 1)] {
        weight[labels.grid.at(x, y) as usize] = 0.25;
    }
    weight[1..].iter().sum::<f64>() / (width * height) as f64
}

#[test]
fn mean_area_of_plane_poisson_voronoi_cells_is_one_over_the_intensity() {
    let lambda = 1.0 / 400.0;
    let spec = structure(Structure::Voronoi2d { regularity: 0.0 }, Density::GrainsPerPx2(lambda));
    let labels = label_map(&spec, 3000, 3000, 17).unwrap();
    assert!(labels.count > 20_000, "{}", labels.count);
    let ratio = lambda / cells_per_px2(&labels);
    println!("{} cells, mean area times intensity {ratio}", labels.count);
    assert!((ratio - 1.0).abs() < 0.01, "{ratio}");
}

#[test]
fn a_section_of_a_poisson_voronoi_structure_has_the_known_number_of_profiles() {
    // N_A = 1.458 λ^(2/3) (Meijering 1953), mean intercept 0.6872 λ^(-1/3).
    let lambda = 2e-5;
    let labels =
        label_map(&structure(POISSON_SECTION, Density::GrainsPerPx3(lambda)), 4000, 4000, 5).unwrap();
    assert!(labels.count > 15_000, "{}", labels.count);
    let ratio = cells_per_px2(&labels) / (1.458 * lambda.powf(2.0 / 3.0));
    let intercept = mean_intercept_px(&labels).unwrap() / (0.687_182 * lambda.powf(-1.0 / 3.0));
    println!("{} profiles, number ratio {ratio}, intercept ratio {intercept}", labels.count);
    assert!((ratio - 1.0).abs() < 0.02, "{ratio}");
    assert!((intercept - 1.0).abs() < 0.02, "{intercept}");
}

#[test]
fn mean_intercept_asked_for_is_met() {
    // Chords below a pixel vanish in a label map, which lengthens the mean by about 1 % at 20 px.
    let tolerance = 0.025;
    for kind in [
        POISSON_SECTION,
        Structure::Voronoi2d { regularity: 0.0 },
        Structure::Section3d { size_spread: 0.35, regularity: 0.8 },
        Structure::Voronoi2d { regularity: 0.8 },
    ] {
        let labels = label_map(&structure(kind, Density::MeanInterceptPx(20.0)), 3000, 3000, 8).unwrap();
        let found = mean_intercept_px(&labels).unwrap();
        println!("{kind:?}: {found}, {} grains", labels.count);
        assert!((found / 20.0 - 1.0).abs() < tolerance, "{kind:?}: {found}");
    }
}

/// Areas of the grains that do not touch the rim.
fn whole_grain_areas(labels: &Labels) -> Vec<usize> {
    let (width, height) = (labels.grid.width(), labels.grid.height());
    let mut areas = vec![0; labels.count as usize + 1];
    labels.grid.as_slice().iter().for_each(|&label| areas[label as usize] += 1);
    let mut cut = vec![false; areas.len()];
    for y in 0..height {
        for x in 0..width {
            if x == 0 || y == 0 || x == width - 1 || y == height - 1 {
                cut[labels.grid.at(x, y) as usize] = true;
            }
        }
    }
    (1..areas.len()).filter(|&label| !cut[label]).map(|label| areas[label]).collect()
}

#[test]
fn two_sizes_side_by_side_are_two_populations() {
    let (size_spread, regularity) = (0.2, 0.8);
    for (kind, share) in [
        (Structure::Duplex { size_spread, regularity, size_ratio: 4.0, coarse_share: 0.5 }, 0.5),
        (Structure::Abnormal { size_spread, regularity, size_ratio: 6.0, coarse_share: 0.3 }, 0.3),
    ] {
        let spec = structure(kind, Density::MeanInterceptPx(20.0));
        let labels = label_map(&spec, 2400, 2400, 8).unwrap();
        let areas = whole_grain_areas(&labels);
        // Between the populations: a profile of six fine intercepts squared is hardly of a fine grain, whose mean
        // profile is 1.45 of it.
        let fine = match kind {
            Structure::Duplex { .. } => 20.0 * (0.5 + 0.5 / 4.0),
            _ => 20.0 * (0.7 + 2.0 * 0.3 / 6.0),
        };
        let limit = 6.0 * fine * fine;
        let coarse: Vec<f64> = areas.iter().map(|&a| a as f64).filter(|&a| a > limit).collect();
        let total: f64 = areas.iter().map(|&a| a as f64).sum();
        let found = coarse.iter().sum::<f64>() / total;
        let intercept = mean_intercept_px(&labels).unwrap();
        println!("{kind:?}: {} of {} grains, {found} of the area, {intercept}", coarse.len(), areas.len());
        assert!(coarse.len() * 10 < areas.len(), "coarse grains are few");
        assert!((found - share).abs() < 0.12, "{kind:?}: {found}");
        assert!((intercept / 20.0 - 1.0).abs() < 0.1, "{kind:?}: {intercept}");
    }
    // Another ratio and share, for the mean intercept alone.
    let kind = Structure::Abnormal { size_spread, regularity, size_ratio: 3.5, coarse_share: 0.15 };
    let labels = label_map(&structure(kind, Density::MeanInterceptPx(20.0)), 2400, 2400, 9).unwrap();
    let intercept = mean_intercept_px(&labels).unwrap();
    println!("{kind:?}: {intercept}");
    assert!((intercept / 20.0 - 1.0).abs() < 0.1, "{kind:?}: {intercept}");
}

#[test]
fn number_of_grains_asked_for_is_met_in_regular_sections_too() {
    let kind = Structure::Section3d { size_spread: 0.35, regularity: 0.8 };
    let labels = label_map(&structure(kind, Density::GrainsPerPx2(1.0 / 800.0)), 3000, 3000, 2).unwrap();
    let ratio = 800.0 * cells_per_px2(&labels);
    println!("{} grains, number ratio {ratio}", labels.count);
    assert!((ratio - 1.0).abs() < 0.03, "{ratio}");
}

#[test]
fn discs_cover_the_share_of_the_boolean_model() {
    // 1 - exp(-λπr²) = 0.466512 for λ = 0.002, r = 10; one 1000 x 1000 window has SD 0.00804.
    let mean = (0..10)
        .map(|seed| boolean_discs(0.002, 10.0, 1000, 1000, seed).unwrap().area_fraction())
        .sum::<f64>()
        / 10.0;
    println!("area fraction {mean}");
    assert!((mean - 0.466_512).abs() < 3.0 * 0.00804 / 10f64.sqrt(), "{mean}");
}

mod pictures {
    //! Whole pictures: what is in the files is what the truth says.

    use std::collections::BTreeSet;
    use std::path::{Path, PathBuf};

    use ceramograph::cli::phantom::{PhantomArgs, run};
    use ceramograph::phantom::finish::{Phases, Polish};
    use ceramograph::phantom::looks::{Cubes, Etched, Look, Optical, Orientation, Polished, Powder, Relief};
    use ceramograph::phantom::pores::PORE_STEP_PX;
    use ceramograph::phantom::sampling::varied;
    use ceramograph::phantom::spec::{Bits, Boundaries, Detector, PhantomSpec};
    use ceramograph::phantom::strip::{BarShape, StripSpec, StripTone};
    use ceramograph::phantom::structure::Density;
    use ceramograph::phantom::write::{PictureFormat, Target, write_phantom};
    use ceramograph::phantom::{Phantom, draw};
    use clap::Parser;

    fn looks() -> [Look; 6] {
        [
            Look::Etched(Etched::default()),
            Look::Orientation(Orientation::default()),
            Look::Optical(Optical::default()),
            Look::Relief(Relief::default()),
            Look::Cubes(Cubes::default()),
            Look::Polished(Polished::default()),
        ]
    }

    fn small(look: Look) -> PhantomSpec {
        let mut spec =
            PhantomSpec { width_px: 400, height_px: 300, look, seed: 21, ..PhantomSpec::default() };
        spec.structure.density = Density::MeanInterceptPx(24.0);
        spec
    }

    fn written(phantom: &Phantom, folder: &Path, format: PictureFormat) -> [PathBuf; 3] {
        let target = Target { pictures: folder, truth: folder, name: "drawn", format, replace: true };
        write_phantom(phantom, &target).unwrap()
    }

    #[test]
    fn porosity_and_intercept_asked_for_are_met_in_every_look() {
        for look in looks() {
            for percent in [0.0, 0.7, 6.0, 15.0] {
                let mut spec = PhantomSpec { width_px: 600, height_px: 450, ..small(look) };
                spec.pores.percent = percent;
                spec.pores.diameter_px = 7.0;
                let truth = draw(&spec).unwrap().truth;
                let step = 100.0 * PORE_STEP_PX as f64 / (600.0 * 450.0);
                assert!((truth.porosity_percent - percent).abs() <= step, "{look:?}: {truth:?}");
                let intercept = truth.mean_intercept_px.unwrap();
                println!("{} {percent} %: intercept {intercept:.2} for 24", look.name());
                assert!((intercept / 24.0 - 1.0).abs() < 0.07, "{look:?} {percent}: {intercept}");
            }
        }
    }

    #[test]
    fn powders_show_the_ground_and_the_intercept_asked_for() {
        for percent in [5.0, 20.0, 45.0] {
            let mut spec =
                PhantomSpec { width_px: 700, height_px: 700, ..small(Look::Powder(Powder::default())) };
            spec.pores.percent = percent;
            let truth = draw(&spec).unwrap().truth;
            assert!((truth.porosity_percent - percent).abs() < 1e-3, "{truth:?}");
            let intercept = truth.mean_intercept_px.unwrap();
            println!("powder {percent} %: intercept {intercept:.2} for 24, {} grains", truth.grain_count);
            assert!((intercept / 24.0 - 1.0).abs() < 0.07, "{percent}: {intercept}");
        }
    }

    #[test]
    fn what_the_microscope_does_changes_the_picture_and_not_the_truth() {
        for look in [Look::default(), Look::Orientation(Orientation::default()), optical(), powder()] {
            let plain = small(look);
            let drawn = draw(&plain).unwrap();
            let d = plain.detector;
            for detector in [
                Detector { inverted: true, ..d },
                Detector { drift_px: 0.6, ..d },
                Detector { charging: 0.2, ..d },
                Detector { dust: 60.0, ..d },
                Detector { jpeg_quality: Some(40), ..d },
            ] {
                let changed = draw(&PhantomSpec { detector, ..plain.clone() }).unwrap();
                assert!(changed.grey != drawn.grey, "{detector:?}");
                assert_eq!(changed.labels, drawn.labels, "{detector:?}");
            }
            if look.kind().is_section() {
                let boundaries = Boundaries { fading_share: 0.3 };
                let changed = draw(&PhantomSpec { boundaries, ..plain.clone() }).unwrap();
                assert!(changed.grey != drawn.grey && changed.labels == drawn.labels, "{look:?}");
            }
        }
    }

    #[test]
    fn faded_boundaries_lose_their_groove_over_the_share_asked_for() {
        let mut spec = PhantomSpec { width_px: 800, height_px: 800, ..small(Look::default()) };
        spec.detector = Detector { blur_px: 0.0, counts: 1e9, shading: 0.0, ..Detector::default() };
        spec.look = Look::Etched(Etched { faint_share: 0.0, grain_contrast: 0.0, ..Etched::default() });
        spec.pores.percent = 0.0;
        // Pixels at a change of label whose grey level lies well below the ground.
        let dark = |spec: &PhantomSpec| {
            let phantom = draw(spec).unwrap();
            let ceramograph::micrograph::Grey::Eight(grey) = &phantom.grey else { panic!("8 bit asked for") };
            let labels = &phantom.labels.grid;
            let sites = (1..800).flat_map(|y| (1..800).map(move |x| (x, y)));
            let edge: Vec<bool> = sites
                .filter(|&(x, y)| labels.at(x, y) != labels.at(x - 1, y))
                .map(|(x, y)| grey.at(x, y).min(grey.at(x - 1, y)) < 110)
                .collect();
            edge.iter().filter(|&&dark| dark).count() as f64 / edge.len() as f64
        };
        let all = dark(&spec);
        spec.boundaries.fading_share = 0.3;
        let left = dark(&spec);
        println!("{all} of the boundary shows, {left} with fading");
        // Half faded counts as dark or not; the field differs by a tenth of its share in one picture.
        assert!(all > 0.95 && (left / all - 0.7).abs() < 0.12, "{all} {left}");
    }

    #[test]
    fn second_phases_glass_and_polish_change_the_picture_and_not_the_truth() {
        for look in [Look::default(), Look::Orientation(Orientation::default()), optical()] {
            let plain = small(look);
            let drawn = draw(&plain).unwrap();
            let glass = Phases { film_share: 0.5, film_px: 1.0, glass_tone: 0.2, ..Phases::default() };
            let changes = [
                (Phases { grain_share: 0.2, grain_tone: 0.2, ..Phases::default() }, Polish::default()),
                (glass, Polish::default()),
                (Phases { pocket_px: 8.0, glass_tone: -0.2, ..Phases::default() }, Polish::default()),
                (Phases::default(), Polish { relief: 0.1, ..Polish::default() }),
                (Phases::default(), Polish { lined_share: 0.5, ..Polish::default() }),
            ];
            for (phases, polish) in changes {
                let changed = draw(&PhantomSpec { phases, polish, ..plain.clone() }).unwrap();
                assert!(changed.grey != drawn.grey, "{look:?} {phases:?} {polish:?}");
                assert_eq!(changed.labels, drawn.labels, "{look:?} {phases:?} {polish:?}");
            }
        }
        for (plain, changed) in [
            (Relief::default(), Relief { stepped_share: 0.5, ..Relief::default() }),
            (Relief::default(), Relief { rounding_px: 2.0, ..Relief::default() }),
        ] {
            let (a, b) = (draw(&small(Look::Relief(plain))), draw(&small(Look::Relief(changed))));
            let (a, b) = (a.unwrap(), b.unwrap());
            assert!(a.grey != b.grey && a.labels == b.labels, "{changed:?}");
        }
    }

    #[test]
    fn a_dark_second_phase_is_lighter_than_pores() {
        let look = Look::Orientation(Orientation { contrast: 0.02, ..Orientation::default() });
        let mut spec = small(look);
        spec.detector = Detector { blur_px: 0.0, counts: 1e9, shading: 0.0, ..Detector::default() };
        spec.phases = Phases { grain_share: 0.4, grain_tone: -0.24, ..Phases::default() };
        let phantom = draw(&spec).unwrap();
        let ceramograph::micrograph::Grey::Eight(grey) = &phantom.grey else { panic!("8 bit asked for") };
        let labels = &phantom.labels.grid;
        let pore_near =
            |x: usize, y: usize| (y - 2..=y + 2).any(|v| (x - 2..=x + 2).any(|u| labels.at(u, v) == 0));
        let (mut dark, mut darkest) = (0, u8::MAX);
        for y in 2..298 {
            for x in 2..398 {
                if !pore_near(x, y) {
                    dark += usize::from(grey.at(x, y) < 90);
                    darkest = darkest.min(grey.at(x, y));
                }
            }
        }
        // Floors of pores lie at 0.06 to 0.16 of white, 41 grey levels; the ground stops at 0.24, 61.
        assert!(dark > 20_000, "{dark}");
        assert!(darkest >= 58, "{darkest}");
    }

    #[test]
    fn a_polished_picture_without_pores_is_flat_or_noise() {
        let mut spec = small(Look::Polished(Polished { scratches: 0.0 }));
        spec.pores.percent = 0.0;
        spec.strip = None;
        let spread = |spec: &PhantomSpec| {
            let phantom = draw(spec).unwrap();
            assert!(!phantom.truth.grains_visible && phantom.truth.porosity_percent == 0.0);
            let ceramograph::micrograph::Grey::Eight(grey) = phantom.grey else { panic!("8 bit asked for") };
            let values = grey.as_slice();
            let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() / values.len() as f64;
            let square = values.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>();
            (square / values.len() as f64).sqrt()
        };
        spec.detector = Detector { counts: 1e9, shading: 0.0, ..Detector::default() };
        assert!(spread(&spec) < 5.0);
        spec.detector.counts = 12.0;
        // Noise √(0.61 / 12) of white, cut at white and black: about 50 of 57 grey levels are left.
        assert!(spread(&spec) > 40.0);
    }

    fn optical() -> Look {
        Look::Optical(Optical::default())
    }

    fn powder() -> Look {
        Look::Powder(Powder::default())
    }

    #[test]
    fn pulled_out_grains_come_on_top_of_the_pores_and_are_counted_apart() {
        let mut spec = small(Look::Polished(Polished::default()));
        spec.pores.percent = 3.0;
        spec.pores.pull_out_percent = 4.0;
        let truth = draw(&spec).unwrap().truth;
        assert!((truth.pull_out_percent - 4.0).abs() < 0.6, "{}", truth.pull_out_percent);
        let pores = truth.porosity_percent - truth.pull_out_percent;
        assert!((pores - 3.0).abs() <= 100.0 * PORE_STEP_PX as f64 / (400.0 * 300.0) + 1e-9, "{pores}");
        spec.look = Look::Relief(Relief::default());
        assert!(draw(&spec).is_err());
    }

    #[test]
    fn the_label_map_in_the_file_recounts_to_the_truth() {
        let folder = tempfile::tempdir().unwrap();
        for look in looks() {
            let phantom = draw(&small(look)).unwrap();
            let [picture, labels, truth] = written(&phantom, folder.path(), PictureFormat::Png);
            let labels = image::open(labels).unwrap().into_luma16();
            let truth: serde_json::Value =
                serde_json::from_str(&std::fs::read_to_string(truth).unwrap()).unwrap();
            let picture = image::open(picture).unwrap().into_luma8();
            assert_eq!(labels.dimensions(), (400, 300));
            assert_eq!(picture.width(), 400);
            assert_eq!(u64::from(picture.height()), 300 + truth["strip_rows_px"].as_u64().unwrap());
            let values: Vec<u16> = labels.pixels().map(|p| p.0[0]).collect();
            let pores = values.iter().filter(|&&v| v == 0).count();
            assert_eq!(truth["porosity_percent"].as_f64().unwrap(), 100.0 * pores as f64 / 120_000.0);
            let grains: BTreeSet<u16> = values.iter().copied().filter(|&v| v > 0).collect();
            assert_eq!(truth["grain_count"].as_u64().unwrap(), grains.len() as u64);
            assert_eq!(grains.last().copied().map(usize::from), Some(grains.len()), "labels are contiguous");
            let lines = (0..300)
                .step_by(4)
                .map(|y| values[y * 400..(y + 1) * 400].to_vec())
                .chain((0..400).step_by(4).map(|x| (0..300).map(|y| values[y * 400 + x]).collect()));
            let (mut length, mut changes) = (0, 0);
            for line in lines {
                let kept: Vec<u16> = line.into_iter().filter(|&v| v > 0).collect();
                length += kept.len();
                changes += kept.windows(2).filter(|pair| pair[0] != pair[1]).count();
            }
            assert_eq!(truth["mean_intercept_px"].as_f64().unwrap(), length as f64 / changes as f64);
            let um = truth["mean_intercept_um"].as_f64().unwrap();
            assert!((um - 0.025 * length as f64 / changes as f64).abs() < 1e-12);
        }
    }

    #[test]
    fn pores_are_darker_than_grains_in_every_look() {
        for look in looks() {
            let phantom = draw(&small(look)).unwrap();
            let ceramograph::micrograph::Grey::Eight(grey) = &phantom.grey else { panic!("8 bit asked for") };
            let mean = |pore: bool| {
                let (mut sum, mut count) = (0.0, 0.0);
                for (label, &value) in phantom.labels.grid.as_slice().iter().zip(grey.as_slice()) {
                    if (*label == 0) == pore {
                        sum += f64::from(value);
                        count += 1.0;
                    }
                }
                sum / count
            };
            assert!(mean(true) + 40.0 < mean(false), "{look:?}: {} {}", mean(true), mean(false));
        }
    }

    #[test]
    fn one_thread_and_three_give_the_same_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let bytes = |threads: usize, spec: &PhantomSpec| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let phantom = pool.install(|| draw(spec).unwrap());
            written(&phantom, folder.path(), PictureFormat::Tiff).map(|path| std::fs::read(path).unwrap())
        };
        for look in looks().into_iter().chain([powder()]) {
            let mut spec = PhantomSpec { bits: Bits::Sixteen, ..small(look) };
            spec.boundaries.fading_share = 0.2;
            spec.phases.grain_share = 0.2;
            spec.phases.grain_tone = 0.2;
            spec.phases.pocket_px = 6.0;
            spec.polish.relief = 0.1;
            spec.polish.lined_share = 0.3;
            spec.detector.charging = 0.1;
            spec.detector.drift_px = 0.5;
            spec.detector.dust = 30.0;
            assert!(bytes(1, &spec) == bytes(3, &spec), "{look:?}");
            assert!(bytes(1, &spec) != bytes(1, &PhantomSpec { seed: 22, ..spec.clone() }), "{look:?}");
        }
    }

    #[test]
    fn the_bar_in_the_file_is_as_long_as_the_truth_says() {
        let folder = tempfile::tempdir().unwrap();
        for (bar, tone) in [
            (BarShape::Solid, StripTone::DarkOnLight),
            (BarShape::Bracket, StripTone::LightOnDark),
            (BarShape::Ticks, StripTone::DarkOnLight),
        ] {
            let mut spec = small(Look::default());
            spec.width_px = 700;
            spec.um_per_px = 0.0314;
            spec.strip = Some(StripSpec { bar, tone, ..StripSpec::default() });
            let phantom = draw(&spec).unwrap();
            let [picture, ..] = written(&phantom, folder.path(), PictureFormat::Png);
            let picture = image::open(picture).unwrap().into_luma8();
            let truth = phantom.truth.bar.unwrap();
            let row = truth.row_px as u32;
            let ground = picture.get_pixel(2, picture.height() - 3).0[0];
            let from = truth.left_px as u32 - 4;
            let inked: Vec<u32> = (from..picture.width())
                .filter(|&x| picture.get_pixel(x, row).0[0].abs_diff(ground) > 120)
                .collect();
            let (first, last) = (inked[0], inked[inked.len() - 1]);
            // Thickness of the first cap or tick: outer edges differ from centres by it.
            let cap = inked.iter().enumerate().take_while(|&(k, &x)| x == first + k as u32).count() as u32;
            let length = match bar {
                BarShape::Solid => last + 1 - first,
                BarShape::Bracket => last + 1 - first - 2,
                BarShape::Ticks => last + 1 - first - cap,
            };
            assert_eq!(u64::from(length), truth.length_px, "{bar:?}");
            assert!((truth.length_um / 0.0314 - truth.length_px as f64).abs() <= 0.5, "{bar:?}");
        }
    }

    #[test]
    fn tags_carry_the_pixel_size() {
        let folder = tempfile::tempdir().unwrap();
        let mut spec = small(Look::default());
        spec.um_per_px = 0.04;
        for bits in [Bits::Eight, Bits::Sixteen] {
            spec.bits = bits;
            let phantom = draw(&spec).unwrap();
            let [path, ..] = written(&phantom, folder.path(), PictureFormat::Png);
            let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
            let reader = png::Decoder::new(file).read_info().unwrap();
            let info = reader.info();
            // 0.04 µm per px are 25 million px per metre.
            let pixel = info.pixel_dims.unwrap();
            assert_eq!((pixel.xppu, pixel.yppu, pixel.unit), (25_000_000, 25_000_000, png::Unit::Meter));
            assert_eq!(info.bit_depth == png::BitDepth::Sixteen, bits == Bits::Sixteen);

            let [path, ..] = written(&phantom, folder.path(), PictureFormat::Tiff);
            let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(path).unwrap()).unwrap();
            assert_eq!(decoder.get_tag_u32(tiff::tags::Tag::ResolutionUnit).unwrap(), 3);
            for tag in [tiff::tags::Tag::XResolution, tiff::tags::Tag::YResolution] {
                let value = decoder.get_tag(tag).unwrap();
                let tiff::decoder::ifd::Value::Rational(n, d) = value else { panic!("{value:?}") };
                assert_eq!(f64::from(n) / f64::from(d), 250_000.0);
            }
            match (decoder.read_image().unwrap(), &phantom.grey) {
                (tiff::decoder::DecodingResult::U8(v), ceramograph::micrograph::Grey::Eight(g)) => {
                    assert_eq!(v, g.as_slice());
                }
                (tiff::decoder::DecodingResult::U16(v), ceramograph::micrograph::Grey::Sixteen(g)) => {
                    assert_eq!(v, g.as_slice());
                }
                _ => panic!("bits differ"),
            }
        }
    }

    #[test]
    fn specs_from_before_new_keys_are_read_and_written_back_alike() {
        let text = r#"{"look":{"kind":"optical","boundary_depth":0.3,"boundary_px":1.1,"faint_share":0.05,"scratches":12.0},
            "detector":{"blur_px":0.8,"counts":600.0,"shading":0.05,"contrast":1.0,"brightness":0.0}}"#;
        let spec: PhantomSpec = serde_json::from_str(text).unwrap();
        let again = serde_json::to_value(&spec).unwrap();
        let before: serde_json::Value = serde_json::from_str(text).unwrap();
        for key in ["look", "detector"] {
            assert_eq!(again[key], before[key]);
        }
        for key in ["boundaries", "phases", "polish"] {
            assert!(again.get(key).is_none(), "{key}");
        }
        assert!(serde_json::from_str::<PhantomSpec>(r#"{"phases":{"grain":1}}"#).is_err());
    }

    #[test]
    fn odd_sizes_and_random_specs_are_drawn() {
        let mut base = PhantomSpec { width_px: 190, height_px: 130, ..PhantomSpec::default() };
        base.strip = None;
        for seed in 0..150 {
            let phantom = draw(&varied(seed, &base, None)).unwrap();
            assert_eq!(phantom.labels.grid.len(), 190 * 130);
        }
        // One grain fills the picture: there are no junctions for pores, and no boundary is crossed.
        base.structure.density = Density::MeanInterceptPx(5000.0);
        (base.width_px, base.height_px) = (40, 33);
        let truth = draw(&base).unwrap().truth;
        assert_eq!((truth.grain_count, truth.mean_intercept_px), (1, None));
    }

    /// All keys of a JSON value.
    fn keys(value: &serde_json::Value, found: &mut BTreeSet<String>) {
        match value {
            serde_json::Value::Object(map) => {
                found.extend(map.keys().cloned());
                map.values().for_each(|inner| keys(inner, found));
            }
            serde_json::Value::Array(list) => list.iter().for_each(|inner| keys(inner, found)),
            _ => {}
        }
    }

    #[test]
    fn every_key_of_the_truth_is_documented() {
        let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/phantom.md");
        let docs = std::fs::read_to_string(docs).unwrap();
        let mut found = BTreeSet::new();
        for look in looks() {
            let truth = draw(&small(look)).unwrap().truth;
            keys(&serde_json::to_value(&truth).unwrap(), &mut found);
        }
        // Keys at their default are left out; specs drawn at random have each of them somewhere.
        for seed in 0..400 {
            let spec = varied(seed, &PhantomSpec::default(), None);
            keys(&serde_json::to_value(&spec).unwrap(), &mut found);
        }
        assert!(found.contains("glass_tone") && found.contains("rounding_px"), "{found:?}");
        assert!(found.len() > 70, "{found:?}");
        let missing: Vec<&String> = found.iter().filter(|key| !docs.contains(&format!("`{key}`"))).collect();
        assert!(missing.is_empty(), "not in docs/phantom.md: {missing:?}");
    }

    #[derive(Parser)]
    struct Command {
        #[command(flatten)]
        phantom: PhantomArgs,
    }

    fn command(words: &str, folder: &Path) -> anyhow::Result<()> {
        let words = std::iter::once("phantom").chain(words.split_whitespace());
        let out = ["--out", folder.to_str().unwrap()];
        run(Command::try_parse_from(words.chain(out))?.phantom)
    }

    #[test]
    fn files_in_the_way_are_kept_unless_replacing_is_asked_for() {
        let folder = tempfile::tempdir().unwrap();
        let options = "--size 120x90 --intercept 15px --pore-size 5px --seed 4 --strip none";
        command(options, folder.path()).unwrap();
        let path = folder.path().join("etched-4.png");
        let first = std::fs::read(&path).unwrap();
        let refused =
            format!("{:#}", command(&format!("{options} --porosity 9"), folder.path()).unwrap_err());
        assert!(refused.contains("etched-4.png") && refused.contains("--replace"), "{refused}");
        assert_eq!(std::fs::read(&path).unwrap(), first);
        command(&format!("{options} --porosity 9 --replace"), folder.path()).unwrap();
        assert_ne!(std::fs::read(&path).unwrap(), first);
        // Picture, labels and truth, and nothing half-written beside them.
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 3);
    }

    #[test]
    fn a_truth_file_draws_its_picture_again() {
        let (first, again) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        command("--vary --size 160x120 --seed 12 --name p --bits 16", first.path()).unwrap();
        let spec = first.path().join("p-12.truth.json");
        command(&format!("--spec {} --name p", spec.display()), again.path()).unwrap();
        for name in ["p-12.png", "p-12.labels.png", "p-12.truth.json"] {
            let bytes = |folder: &tempfile::TempDir| std::fs::read(folder.path().join(name)).unwrap();
            assert!(bytes(&first) == bytes(&again), "{name}");
        }
    }

    #[test]
    fn nonsense_is_refused_with_the_option_named() {
        let folder = tempfile::tempdir().unwrap();
        for (words, named) in [
            ("--porosity -1", "--porosity"),
            ("--porosity 90", "--porosity"),
            ("--porosity nan", "--porosity"),
            ("--size 10x10", "--size"),
            ("--size 0x100", "--size"),
            ("--size large", "--size"),
            ("--size 99999999x99999999", "--size"),
            ("--pixel-size 0nm", "--pixel-size"),
            ("--pixel-size 25", "--pixel-size"),
            ("--intercept 0px", "density"),
            ("--grains -4", "density"),
            ("--intercept 40", "--intercept"),
            ("--blur -1", "--blur"),
            ("--counts 0", "--counts"),
            ("--bar-length 1m", "--bar-length"),
            ("--strip none --caption x", "--caption"),
            ("--structure hexagons --regularity 1", "--regularity"),
            ("--pore-sites 0,0,0", "pore shares"),
            ("--bits 12", "--bits"),
            ("--count 0", "--count"),
            ("--look painted", "--look"),
            ("--spec missing.json", "missing.json"),
        ] {
            let text = format!("{:#}", command(words, folder.path()).unwrap_err());
            assert!(text.contains(named), "{words}: {text}");
        }
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "nothing was written");
    }

    #[test]
    fn more_grains_than_a_label_map_holds_are_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let text = format!(
            "{:#}",
            command("--size 1000x1000 --grains 90000 --porosity 0 --strip none", folder.path()).unwrap_err()
        );
        assert!(text.contains("65535"), "{text}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "nothing was written");
    }
}
