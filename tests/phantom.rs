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
