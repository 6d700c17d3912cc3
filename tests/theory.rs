//! Measures on perfect label maps against stochastic geometry and exact tilings.
//!
//! Resolution bias: a label map does not show chords shorter than a sample, so every mean intercept is too large by 0.2 to
//! 0.3 px (checked last). Maps are therefore drawn coarse enough (mean intercept of 60 px and more) to keep that well
//! inside the tolerance.

use std::f64::consts::PI;

use ceramograph::grid::{Frame, Grid, Labels};
use ceramograph::measure::grain_size::{GrainSample, grain_results};
use ceramograph::measure::intercept::{Intercepts, intercepts};
use ceramograph::measure::populations::populations;
use ceramograph::measure::region::Region;
use ceramograph::measure::unfold::unfolded;
use ceramograph::options::{BoundaryMethod, LineOptions};
use ceramograph::phantom::structure::{Density, Structure, StructureSpec, boolean_discs, label_map};
use ceramograph::statistics::covariance::{AreaFractionError, area_fraction_error};
use ceramograph::study::result::Grain;
use ceramograph::units::{Area, LengthUnit, Spacing};

const POISSON_PLANE: Structure = Structure::Voronoi2d { regularity: 0.0 };
const POISSON_SECTION: Structure = Structure::Section3d { size_spread: 0.0, regularity: 0.0 };

fn drawn(structure: Structure, density: Density, side: usize, seed: u64) -> Labels {
    label_map(&StructureSpec { structure, density }, side, side, seed).unwrap()
}

fn default_lines() -> LineOptions {
    LineOptions { spacing_px: 4, angles_deg: vec![0.0, 45.0, 90.0, 135.0], circles: true }
}

/// Directions close enough together that the mean over them is the mean over all.
fn many_directions() -> LineOptions {
    LineOptions { spacing_px: 8, angles_deg: (0..36).map(|i| 5.0 * f64::from(i)).collect(), circles: false }
}

/// Length over passages of several fields as one.
fn pooled(fields: &[Intercepts]) -> f64 {
    let count: u64 = fields.iter().map(|f| f.count).sum();
    fields.iter().map(|f| f.mean * f.count as f64).sum::<f64>() / count as f64
}

fn grains(labels: &Labels) -> Vec<Grain> {
    let (width, height) = (labels.grid.width(), labels.grid.height());
    let mut boxes = vec![(usize::MAX, usize::MAX, 0, 0, 0u64); labels.count as usize + 1];
    for (y, row) in labels.grid.rows().enumerate() {
        for (x, &label) in row.iter().enumerate() {
            let b = &mut boxes[label as usize];
            *b = (b.0.min(x), b.1.min(y), b.2.max(x), b.3.max(y), b.4 + 1);
        }
    }
    let grain =
        |(label, &(left, top, right, bottom, area_px)): (usize, &(usize, usize, usize, usize, u64))| Grain {
            region: Region {
                label: label as u32,
                area_px,
                area: area_px as f64,
                centroid_x_px: 0.0,
                centroid_y_px: 0.0,
                bounding_box: Frame { x: left, y: top, width: right - left + 1, height: bottom - top + 1 },
                equivalent_diameter: (4.0 * area_px as f64 / PI).sqrt(),
                perimeter: 1.0,
                feret_max: 1.0,
                feret_min: 1.0,
                orientation_deg: 0.0,
                solidity: 1.0,
                touches_frame: left == 0 || top == 0 || right + 1 == width || bottom + 1 == height,
            },
            neighbours: 0,
            boundary_strength: 1.0,
        };
    boxes.iter().enumerate().skip(1).map(grain).collect()
}

fn sample<'a>(grains: &'a [Grain], side: usize, mean_intercept: Option<f64>) -> GrainSample<'a> {
    GrainSample {
        grains,
        frame: Frame { x: 0, y: 0, width: side, height: side },
        spacing: Spacing::PIXELS,
        mean_intercept,
        boundaries: BoundaryMethod::Ridge,
        mean_boundary_strength: 1.0,
        coarse_factor: 3.0,
    }
}

#[test]
fn poisson_voronoi_in_the_plane_has_its_mean_intercept() {
    // π/(4√λ), Meijering, Philips Res. Rep. 8 (1953) 270.
    let wanted = 60.0;
    let lambda = (PI / 4.0 / wanted).powi(2);
    let mut count = 0;
    let fields: Vec<Intercepts> = (0..8)
        .map(|seed| {
            let labels = drawn(POISSON_PLANE, Density::GrainsPerPx2(lambda), 4096, seed);
            count += labels.count;
            intercepts(&labels, Spacing::PIXELS, &default_lines()).unwrap()
        })
        .collect();
    assert!(count >= 20_000, "{count}");
    let ratio = pooled(&fields) / wanted;
    println!("{count} grains, mean intercept over theory {ratio:.4}");
    assert!((ratio - 1.0).abs() < 0.01, "{ratio}");
    // Directions of an isotropic structure agree, and so do circles, within their scatter.
    for set in 0..5 {
        let (mut length, mut passages) = (0.0, 0);
        for field in &fields {
            let set = &field.results.sets[set];
            length += set.line_length.value() - set.length_in_pores.value();
            passages += set.intercept_count;
        }
        let ratio = length / passages as f64 / wanted;
        println!("set {set}: {ratio:.4} from {passages}");
        // The circles pass 3465 boundaries in all: SD 0.6/√N = 1 %.
        assert!((ratio - 1.0).abs() < if set == 4 { 0.035 } else { 0.015 }, "{ratio}");
    }
}

#[test]
fn further_directions_are_as_right_as_rows() {
    // Sloping lines run between pixel centres; without care they pass up to 8 % too many boundaries.
    let lines =
        LineOptions { spacing_px: 4, angles_deg: vec![10.0, 22.5, 67.0, 100.0, 150.0], circles: false };
    let wanted = 60.0;
    let fields: Vec<Intercepts> = (0..4)
        .map(|seed| drawn(POISSON_PLANE, Density::MeanInterceptPx(wanted), 4096, 50 + seed))
        .map(|labels| intercepts(&labels, Spacing::PIXELS, &lines).unwrap())
        .collect();
    let ratio = pooled(&fields) / wanted;
    println!("sloping lines over theory {ratio:.4}");
    assert!((ratio - 1.0).abs() < 0.01, "{ratio}");
}

#[test]
fn pixels_that_are_not_square_change_nothing_in_length() {
    // Every second row of a map is the same structure with pixels twice as high as wide.
    let labels = drawn(POISSON_PLANE, Density::MeanInterceptPx(60.0), 4096, 3);
    let grid = Grid::from_fn(4096, 2048, |x, y| labels.grid.at(x, 2 * y));
    let sparse = Labels { grid, count: labels.count };
    let plain = intercepts(&labels, Spacing::um(0.1, 0.1), &default_lines()).unwrap();
    let found = intercepts(&sparse, Spacing::um(0.1, 0.2), &default_lines()).unwrap();
    println!("square {:.4}, high {:.4} µm", plain.mean, found.mean);
    assert!((found.mean / plain.mean - 1.0).abs() < 0.01, "{} {}", found.mean, plain.mean);
    for (a, b) in found
        .results
        .sets
        .iter()
        .zip(&plain.results.sets)
        .filter(|(a, _)| a.angle_deg.is_none_or(|a| a % 90.0 == 0.0))
    {
        let (a, b) = (a.mean.unwrap().value(), b.mean.unwrap().value());
        assert!((a / b - 1.0).abs() < 0.01, "{a} {b}");
    }
}

#[test]
fn lengths_follow_the_scale_exactly() {
    let labels = drawn(POISSON_SECTION, Density::MeanInterceptPx(25.0), 512, 9);
    let at = |um: f64| intercepts(&labels, Spacing::um(um, um), &default_lines()).unwrap();
    let (one, two) = (at(0.05), at(0.1));
    assert_eq!(one.count, two.count);
    assert!((two.mean / one.mean - 2.0).abs() < 1e-12);
    assert!(two.chords.iter().zip(&one.chords).all(|(b, a)| (b / a - 2.0).abs() < 1e-6));
    let error = |i: &Intercepts| i.results.standard_error.unwrap().value();
    assert!((error(&two) / error(&one) - 2.0).abs() < 1e-9);
    assert_eq!(one.results.anisotropy, two.results.anisotropy);
}

#[test]
fn hexagons_and_squares_have_their_exact_mean_intercepts() {
    // π·area/perimeter: (π√3/4)·a = 1.36035 a for hexagons of side a, πa/4 for squares (exact).
    let side = 120.0f64;
    let hexagon_area = 1.5 * 3f64.sqrt() * side * side;
    for (structure, area, wanted) in [
        (Structure::Hexagons { angle_degrees: 11.0 }, hexagon_area, 1.36035 * side),
        (Structure::Squares { angle_degrees: 7.0 }, side * side, PI / 4.0 * side),
    ] {
        let labels = drawn(structure, Density::GrainsPerPx2(1.0 / area), 4096, 2);
        let found = intercepts(&labels, Spacing::PIXELS, &many_directions()).unwrap();
        let ratio = found.mean / wanted;
        println!("{structure:?}: {ratio:.4}, anisotropy {:.3}", found.results.anisotropy.unwrap());
        assert!((ratio - 1.0).abs() < 0.005, "{structure:?} {ratio}");
    }
}

#[test]
fn anisotropy_of_squares_is_that_of_their_edges() {
    // Passages per length of direction θ are |cos θ| + |sin θ|: a along an edge, a/√2 along the diagonal.
    let labels =
        drawn(Structure::Squares { angle_degrees: 0.0 }, Density::GrainsPerPx2(1.0 / 6400.0), 2000, 4);
    let found = intercepts(&labels, Spacing::PIXELS, &default_lines()).unwrap();
    let anisotropy = found.results.anisotropy.unwrap();
    assert!((anisotropy / 2f64.sqrt() - 1.0).abs() < 0.02, "{anisotropy}");
}

#[test]
fn a_section_of_poisson_voronoi_cells_has_the_mean_intercept_of_space() {
    // 2/S_V with S_V = 2.910436 λ^(1/3): 0.687182 λ^(-1/3) (Meijering 1953). Chord CV 0.575 (simulation, check values).
    let lambda = (0.687_182f64 / 60.0).powi(3);
    let fields: Vec<Intercepts> = (0..8)
        .map(|seed| drawn(POISSON_SECTION, Density::GrainsPerPx3(lambda), 4096, 100 + seed))
        .map(|labels| intercepts(&labels, Spacing::PIXELS, &default_lines()).unwrap())
        .collect();
    let ratio = pooled(&fields) / 60.0;
    let chords = fields[0].results.chords.as_ref().unwrap();
    let variation = chords.standard_deviation.unwrap().value() / chords.mean.value();
    println!("section of space: {ratio:.4}, chord CV {variation:.3}");
    assert!((ratio - 1.0).abs() < 0.02, "{ratio}");
    assert!((variation - 0.575).abs() < 0.02, "{variation}");
}

#[test]
fn the_error_within_a_field_is_the_scatter_between_fields() {
    // Passages taken as independent would promise 0.6/√16000 = 0.5 %, four times too little.
    let fields: Vec<Intercepts> = (0..120)
        .map(|seed| drawn(POISSON_SECTION, Density::MeanInterceptPx(25.0), 640, 1000 + seed))
        .map(|labels| intercepts(&labels, Spacing::PIXELS, &default_lines()).unwrap())
        .collect();
    let n = fields.len() as f64;
    let mean = fields.iter().map(|f| f.mean).sum::<f64>() / n;
    let scatter = (fields.iter().map(|f| (f.mean - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let errors = fields.iter().map(|f| f.results.standard_error.unwrap().value());
    let error = (errors.map(|e| e * e).sum::<f64>() / n).sqrt();
    let covered = fields
        .iter()
        .filter(|f| (f.mean - mean).abs() < 1.96 * f.results.standard_error.unwrap().value())
        .count();
    println!(
        "between fields {:.4}, within {:.4} of the mean; {covered} of 120 within 1.96 errors, {} passages",
        scatter / mean,
        error / mean,
        fields[0].count
    );
    // The scatter of 120 fields is itself known to 6.5 %.
    assert!((error / scatter - 1.0).abs() < 0.2, "{error} {scatter}");
    assert!((108..=119).contains(&covered), "{covered}");
}

#[test]
fn frame_weights_give_the_mean_area_that_whole_grains_miss() {
    // Mean area 1/λ (exact). At 130 cells a field plain means of whole cells are about 3 % low; Miles (1974).
    let (lambda, side): (f64, usize) = (1.0 / 900.0, 342);
    let (mut weighted, mut weights, mut plain, mut whole) = (0.0, 0.0, 0.0, 0.0);
    for seed in 0..300 {
        let grains = grains(&drawn(POISSON_PLANE, Density::GrainsPerPx2(lambda), side, 5000 + seed));
        let found = grain_results(&sample(&grains, side, None));
        let area = found.mean_area.unwrap();
        let Area::Px2(area) = area else { panic!("{area:?}") };
        let kept = grains.iter().filter(|g| !g.region.touches_frame);
        let weight: f64 = kept
            .clone()
            .map(|g| {
                let b = g.region.bounding_box;
                1.0 / ((side - b.width) as f64 * (side - b.height) as f64)
            })
            .sum();
        weighted += weight * area;
        weights += weight;
        plain += kept.clone().map(|g| g.region.area).sum::<f64>();
        whole += kept.count() as f64;
    }
    let (with, without) = (weighted / weights * lambda, plain / whole * lambda);
    println!("mean area times intensity: weighted {with:.4}, plain {without:.4}");
    assert!((with - 1.0).abs() < 0.008, "{with}");
    assert!((-0.045..-0.02).contains(&(without - 1.0)), "{without}");
}

#[test]
fn poisson_voronoi_grains_have_their_mean_size() {
    // Mean equivalent diameter 1.0894/√λ and median 1.0774/√λ (simulation of 300 000 cells, check values); the ratio to
    // the mean intercept is 1.0894·4/π = 1.387.
    let lambda = 1.0 / 2500.0;
    let labels = drawn(POISSON_PLANE, Density::GrainsPerPx2(lambda), 4096, 77);
    let found = grains(&labels);
    let intercept = intercepts(&labels, Spacing::PIXELS, &default_lines()).unwrap().mean;
    let results = grain_results(&sample(&found, 4096, Some(intercept)));
    let mean = results.mean_equivalent_diameter.unwrap().value() * lambda.sqrt();
    let median = results.diameters.as_ref().unwrap().percentiles.p50.value() * lambda.sqrt();
    println!("{mean:.4} {median:.4} {:.4}", results.diameter_to_intercept_ratio.unwrap());
    assert!((mean / 1.0894 - 1.0).abs() < 0.01, "{mean}");
    assert!((median / 1.0774 - 1.0).abs() < 0.01, "{median}");
    assert!((results.diameter_to_intercept_ratio.unwrap() / 1.387 - 1.0).abs() < 0.015);
    assert!(results.boundary_area_per_volume_per_um.is_none());
}

#[test]
fn one_population_is_not_called_two_and_two_are_found() {
    for structure in [
        POISSON_PLANE,
        POISSON_SECTION,
        Structure::Section3d { size_spread: 0.3, regularity: 0.8 },
        Structure::Section3d { size_spread: 0.8, regularity: 0.0 },
    ] {
        let found = grains(&drawn(structure, Density::MeanInterceptPx(25.0), 2048, 31));
        let diameters: Vec<f64> = found.iter().map(|g| g.region.equivalent_diameter).collect();
        let one = populations(&diameters, LengthUnit::Px).unwrap();
        assert!(!one.two_populations, "{structure:?} {one:?}");
    }
    // Every thirtieth grain of a narrow structure grown to four times its size takes a third of the area.
    let found =
        grains(&drawn(Structure::Voronoi2d { regularity: 0.8 }, Density::MeanInterceptPx(25.0), 2048, 31));
    let mixed: Vec<f64> = found
        .iter()
        .enumerate()
        .map(|(i, g)| g.region.equivalent_diameter * if i % 30 == 0 { 4.0 } else { 1.0 })
        .collect();
    let two = populations(&mixed, LengthUnit::Px).unwrap();
    println!("{two:?}");
    assert!(two.two_populations, "{two:?}");
    assert!((two.medians[1].value() / two.medians[0].value() / 4.0 - 1.0).abs() < 0.1, "{two:?}");
    assert!((25.0..45.0).contains(&two.coarser_percent), "{two:?}");
}

#[test]
fn boolean_discs_cover_their_share_and_know_their_error() {
    // 1 - exp(-λπr²) = 0.466512; SD 0.00804 in a window of 1000 px, from the integral of the covariance (exact, check
    // values §6). Integral range = SD²·area / (p(1-p)) = 259.7 px².
    let (truth, deviation) = (0.466_512, 0.008_04);
    let fields: Vec<_> = (0..40)
        .map(|seed| boolean_discs(0.002, 10.0, 1000, 1000, seed).unwrap())
        .map(|mask| (mask.area_fraction(), area_fraction_error(&mask).unwrap()))
        .collect();
    assert!(fields.iter().all(|(fraction, _)| (fraction - truth).abs() < 3.0 * deviation));
    let mean = |value: &dyn Fn(&(f64, AreaFractionError)) -> f64| {
        fields.iter().map(value).sum::<f64>() / fields.len() as f64
    };
    let error = mean(&|f| f.1.standard_error.powi(2)).sqrt();
    let range = mean(&|f| f.1.integral_range_px2);
    let fraction = mean(&|f| f.0);
    println!("fraction {fraction:.5}, error {error:.5}, integral range {range:.1}");
    assert!((fraction - truth).abs() < 3.0 * deviation / 40f64.sqrt(), "{fraction}");
    assert!((error / deviation - 1.0).abs() < 0.1, "{error}");
    assert!((range / 259.7 - 1.0).abs() < 0.15, "{range}");
    assert!(fields.iter().all(|f| f.1.died_out));
}

#[test]
fn single_size_spheres_have_their_section_classes() {
    // Wicksell 1925: F(d) = 1 - √(1 - (d/D)²). Sections of spheres of one size at every height, unfolded, give that size;
    // shares of ten classes as in check values §5.3.
    let diameters: Vec<f64> =
        (0..100_000).map(|i| 12.0 * (1.0 - ((f64::from(i) + 0.5) / 100_000.0).powi(2)).sqrt()).collect();
    let found = unfolded(&diameters, 1e6, LengthUnit::Um).unwrap();
    let all: f64 = found.sections_per_area.iter().sum();
    let wanted = [0.00501, 0.01519, 0.02586, 0.03742, 0.05049, 0.06603, 0.08586, 0.11414, 0.16411, 0.43589];
    for (got, want) in found.sections_per_area.iter().zip(wanted) {
        assert!((got / all - want).abs() < 2e-5, "{} {want}", got / all);
    }
    assert!((found.mean_sphere_diameter.unwrap().value() - 12.0).abs() < 0.01);
}

#[test]
fn resolution_lengthens_the_mean_by_a_quarter_of_a_pixel() {
    // Stated in the notes of the measure: a label map does not show chords shorter than a sample.
    for wanted in [8.0, 16.0] {
        for structure in [POISSON_PLANE, POISSON_SECTION] {
            let labels = drawn(structure, Density::MeanInterceptPx(wanted), 4096, 6);
            let found = intercepts(&labels, Spacing::PIXELS, &default_lines()).unwrap();
            let (excess, error) = (found.mean - wanted, found.results.standard_error.unwrap().value());
            println!("{structure:?}, {wanted} px: {excess:.3} px too long, standard error {error:.3}");
            assert!((excess - 0.25).abs() < 0.05 + 3.0 * error, "{excess}");
        }
    }
}
