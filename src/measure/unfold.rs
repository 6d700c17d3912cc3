//! From the sizes of circular sections to the sizes of the spheres that were cut.

use crate::study::result::Unfolded;
use crate::units::{LengthUnit, Spacing};

/// Diameter classes that a sample of sections is sorted into.
const CLASSES: usize = 10;

/// Fewer sections than this are not unfolded: the subtraction magnifies their scatter beyond use.
const SECTIONS_NEEDED: usize = 50;

/// Spheres per volume from sections per area, both by linear diameter class from zero on, after Schwartz and Saltykov.
///
/// Class i holds diameters from (i-1)·Δ to i·Δ, spheres of class j have the diameter j·Δ, and
/// N_A(i) = Δ·Σ_{j≥i} N_V(j)·[√(j²-(i-1)²) - √(j²-i²)]; solved from the largest class down. With N_A per mm² and Δ in mm,
/// N_V is per mm³. Negative values are kept: they show how far the scatter of the sections was magnified, or that the
/// bodies are no spheres.
///
/// # References
/// Saltykov, Stereometric Metallography (from memory); Gulbin, Image Anal. Stereol. 27 (2008) 163.
///
/// ```
/// let spheres = ceramograph::measure::unfold::spheres_per_volume(&[10.0, 20.0, 30.0, 25.0, 15.0], 0.01);
/// assert!((spheres[0] - 541.65).abs() < 0.005);
/// ```
pub fn spheres_per_volume(sections_per_area: &[f64], class_width: f64) -> Vec<f64> {
    let mut spheres = vec![0.0; sections_per_area.len()];
    for i in (0..spheres.len()).rev() {
        let from_larger: f64 = (i + 1..spheres.len()).map(|j| spheres[j] * section_share(i + 1, j + 1)).sum();
        spheres[i] = (sections_per_area[i] / class_width - from_larger) / section_share(i + 1, i + 1);
    }
    spheres
}

/// Sections per area that spheres give, by class: the forward relation of [`spheres_per_volume`].
pub fn sections_per_area(spheres_per_volume: &[f64], class_width: f64) -> Vec<f64> {
    let classes = spheres_per_volume.len();
    (1..=classes)
        .map(|i| {
            class_width * (i..=classes).map(|j| spheres_per_volume[j - 1] * section_share(i, j)).sum::<f64>()
        })
        .collect()
}

/// √(j²-(i-1)²) - √(j²-i²): planes that cut a sphere of class `j` in a circle of class `i`, in class widths.
fn section_share(i: usize, j: usize) -> f64 {
    let (i, j) = (i as f64, j as f64);
    (j * j - (i - 1.0) * (i - 1.0)).sqrt() - (j * j - i * i).sqrt()
}

/// Unfolds section diameters seen on `area` (in the unit of `spacing`, squared) with ten classes up to the largest.
///
/// `None` below 50 sections, or if the area is not above zero. Sections are per mm² and spheres per mm³, or per 10⁶ px²
/// and 10⁹ px³ without a scale. Mean sphere diameter = Σ N_A / Σ N_V.
pub fn unfolded(diameters: &[f64], area: f64, unit: LengthUnit) -> Option<Unfolded> {
    let usable = |d: &&f64| d.is_finite() && **d > 0.0;
    let largest = diameters.iter().filter(usable).copied().fold(0.0, f64::max);
    if diameters.iter().filter(usable).count() < SECTIONS_NEEDED || area <= 0.0 || !area.is_finite() {
        return None;
    }
    let width = largest / CLASSES as f64;
    let mut counts = [0u64; CLASSES];
    for d in diameters.iter().filter(usable) {
        // A diameter on an edge belongs to the class below, whose spheres have just that diameter.
        counts[((d / width).ceil() as usize).clamp(1, CLASSES) - 1] += 1;
    }
    // A thousand of the unit: 1 mm where the unit is µm.
    let sections: Vec<f64> = counts.iter().map(|&n| n as f64 / area * 1e6).collect();
    let spheres = spheres_per_volume(&sections, width / 1e3);
    let (all_sections, all_spheres) = (sections.iter().sum::<f64>(), spheres.iter().sum::<f64>());
    let length = |value| Spacing { x: 1.0, y: 1.0, unit }.length(value);
    Some(Unfolded {
        class_width: length(width),
        mean_sphere_diameter: (all_spheres > 0.0).then(|| length(1e3 * all_sections / all_spheres)),
        sections_per_area: sections,
        spheres_per_volume: spheres,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assert_close(got: &[f64], want: &[f64], tolerance: f64) {
        assert_eq!(got.len(), want.len());
        for (g, w) in got.iter().zip(want) {
            assert!((g - w).abs() <= tolerance, "{got:?} {want:?}");
        }
    }

    #[test]
    fn a_mixture_is_cut_and_recovered() {
        // Derived by hand and checked with numpy; the sum of sections is the sum of N_V·D.
        let spheres = [100.0, 300.0, 400.0, 150.0, 50.0];
        let sections = sections_per_area(&spheres, 0.01);
        assert_close(&sections, &[2.731174, 8.337114, 10.463085, 4.468627, 1.5], 5e-7);
        assert!((sections.iter().sum::<f64>() - 27.5).abs() < 1e-12);
        assert_close(&spheres_per_volume(&sections, 0.01), &spheres, 1e-9);
    }

    #[test]
    fn a_single_size_comes_back_in_its_class_only() {
        let sections = sections_per_area(&[0.0, 0.0, 0.0, 0.0, 1000.0], 0.01);
        assert_close(&sections, &[1.0102, 3.1640, 5.8258, 10.0, 30.0], 5e-5);
        assert_close(&spheres_per_volume(&sections, 0.01), &[0.0, 0.0, 0.0, 0.0, 1000.0], 1e-9);
    }

    #[test]
    fn the_inverse_matrix_has_the_published_first_coefficients() {
        // Row 1 and row 2 of the inverse for 12 classes.
        let row = |j: usize| -> Vec<f64> {
            (0..12)
                .map(|i| {
                    let mut sections = [0.0; 12];
                    sections[i] = 1.0;
                    spheres_per_volume(&sections, 1.0)[j]
                })
                .collect()
        };
        assert_close(&row(0)[..6], &[1.0, -0.1547, -0.0357, -0.0130, -0.0061, -0.0033], 5e-5);
        assert_close(&row(1)[1..6], &[0.5774, -0.1529, -0.0419, -0.0172, -0.0087], 5e-5);
    }

    #[test]
    fn negative_spheres_are_kept() {
        assert!(spheres_per_volume(&[0.0, 10.0], 1.0)[0] < 0.0);
    }

    #[test]
    fn sections_of_one_sphere_size_give_its_diameter() {
        // Section diameters of a sphere of 8 µm at evenly spread heights: d = 8·√(1-u²).
        let diameters: Vec<f64> =
            (0..4000).map(|i| 8.0 * (1.0 - ((f64::from(i) + 0.5) / 4000.0).powi(2)).sqrt()).collect();
        let found = unfolded(&diameters, 1e6, LengthUnit::Um).unwrap();
        assert!((found.mean_sphere_diameter.unwrap().value() - 8.0).abs() < 0.01);
        // N_A = N_V·D: 4000 sections on 1 mm² of spheres of 0.008 mm.
        assert!((found.spheres_per_volume[9] - 4000.0 / 0.008).abs() < 0.002 * 4000.0 / 0.008);
        assert!(unfolded(&diameters[..20], 1e6, LengthUnit::Um).is_none());
    }
}
