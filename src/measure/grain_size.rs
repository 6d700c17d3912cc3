//! Grain size by area: mean equivalent diameter and the coarse tail.

use clap::ValueEnum;

use crate::grid::Frame;
use crate::measure::distribution::{distribution, percentile};
use crate::measure::populations::populations;
use crate::options::{BoundaryMethod, GrainOptions};
use crate::study::result::{CoarseTail, Grain, GrainResults};
use crate::units::{LengthUnit, Spacing};

/// The grains of a field and what they were found on.
#[derive(Clone, Copy, Debug)]
pub struct GrainSample<'a> {
    /// All grains, those that the frame cuts included.
    pub grains: &'a [Grain],
    /// The measured part of the picture.
    pub frame: Frame,
    /// Distance between pixels.
    pub spacing: Spacing,
    /// Mean linear intercept in the unit of the spacing.
    pub mean_intercept: Option<f64>,
    /// The boundary map they come from.
    pub boundaries: BoundaryMethod,
    /// Mean boundary strength along all boundaries that were kept, 0 to 1.
    pub mean_boundary_strength: f64,
    /// A grain is coarse above this multiple of the median diameter.
    pub coarse_factor: f64,
}

/// Summary of the grains of a field; sizes come from the grains that the frame does not cut.
///
/// A large grain is cut more often than a small one. Each whole grain therefore counts W·H / ((W - F_x)·(H - F_y)) times,
/// with its bounding box F_x by F_y: the inverse of its chance to lie whole in the frame.
///
/// # References
/// Miles (1974) and Lantuéjoul (1978), after Serra, Image Analysis and Mathematical Morphology (1982) (from memory).
pub fn grain_results(sample: &GrainSample) -> GrainResults {
    let whole: Vec<&Grain> = sample.grains.iter().filter(|g| !g.region.touches_frame).collect();
    let weights: Vec<f64> = whole.iter().map(|g| frame_weight(g, sample.frame)).collect();
    let diameters: Vec<f64> = whole.iter().map(|g| g.region.equivalent_diameter).collect();
    let weighted = |value: &dyn Fn(&Grain) -> f64| {
        let sum: f64 = whole.iter().zip(&weights).map(|(g, w)| w * value(g)).sum();
        (!whole.is_empty()).then(|| sum / weights.iter().sum::<f64>())
    };
    let plain = |value: &dyn Fn(&Grain) -> f64| {
        (!whole.is_empty()).then(|| whole.iter().map(|g| value(g)).sum::<f64>() / whole.len() as f64)
    };
    let spacing = sample.spacing;
    let mean_diameter = weighted(&|g| g.region.equivalent_diameter);
    let mean_intercept = sample.mean_intercept.filter(|&l| l > 0.0);
    GrainResults {
        boundaries: boundary_method_name(sample.boundaries),
        boundaries_reason: boundary_reason(sample.boundaries),
        mean_boundary_strength: sample.mean_boundary_strength,
        whole_grain_count: whole.len() as u64,
        mean_area: weighted(&|g| g.region.area).map(|a| spacing.area(a)),
        mean_equivalent_diameter: mean_diameter.map(|d| spacing.length(d)),
        mean_equivalent_diameter_unweighted: plain(&|g| g.region.equivalent_diameter)
            .map(|d| spacing.length(d)),
        diameter_to_intercept_ratio: mean_diameter.zip(mean_intercept).map(|(d, l)| d / l),
        mean_aspect_ratio: plain(&|g| g.region.aspect_ratio()),
        mean_neighbours: plain(&|g| f64::from(g.neighbours)),
        boundary_area_per_volume_per_um: mean_intercept
            .filter(|_| spacing.unit == LengthUnit::Um)
            .map(|l| 2.0 / l),
        diameters: distribution(&diameters, spacing.unit),
        coarse: coarse_tail(&diameters, sample.coarse_factor),
        populations: populations(&diameters, spacing.unit),
    }
}

fn boundary_method_name(method: BoundaryMethod) -> String {
    method.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned())
}

fn boundary_reason(method: BoundaryMethod) -> Option<String> {
    let reason = "the default: it finds boundaries on more kinds of surfaces than one filter does, and says how sure each is";
    (method == GrainOptions::default().method).then(|| reason.to_owned())
}

/// How many grains a whole grain stands for, those cut by the frame included.
pub(crate) fn frame_weight(grain: &Grain, frame: Frame) -> f64 {
    let (width, height) = (frame.width as f64, frame.height as f64);
    let bounds = grain.region.bounding_box;
    // A whole grain leaves at least one column and one row of the frame free.
    let free_x = (width - bounds.width as f64).max(1.0);
    let free_y = (height - bounds.height as f64).max(1.0);
    width * height / (free_x * free_y)
}

/// Share of the grains above `times_median` times the median diameter, by number and by area; `None` without grains.
pub fn coarse_tail(diameters: &[f64], times_median: f64) -> Option<CoarseTail> {
    let mut sorted = diameters.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let largest = *sorted.last()?;
    let limit = times_median * percentile(&sorted, 0.5);
    let coarse = &sorted[sorted.partition_point(|&d| d <= limit)..];
    let area = |diameters: &[f64]| diameters.iter().map(|d| d * d).sum::<f64>();
    let n = sorted.len() as f64;
    Some(CoarseTail {
        times_median,
        count_percent: 100.0 * coarse.len() as f64 / n,
        area_percent: 100.0 * area(coarse) / area(&sorted),
        largest_over_mean: largest * n / sorted.iter().sum::<f64>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::region::Region;
    use crate::units::Area;

    fn grain(side: usize, touches_frame: bool) -> Grain {
        let area = (side * side) as f64;
        Grain {
            region: Region {
                label: 1,
                area_px: (side * side) as u64,
                area,
                centroid_x_px: 0.0,
                centroid_y_px: 0.0,
                bounding_box: Frame { x: 1, y: 1, width: side, height: side },
                equivalent_diameter: (4.0 * area / std::f64::consts::PI).sqrt(),
                perimeter: 4.0 * side as f64,
                feret_max: side as f64 * 2f64.sqrt(),
                feret_min: side as f64,
                orientation_deg: 0.0,
                solidity: 1.0,
                touches_frame,
            },
            neighbours: 4,
            boundary_strength: 1.0,
        }
    }

    fn results(grains: &[Grain]) -> GrainResults {
        grain_results(&GrainSample {
            grains,
            frame: Frame { x: 0, y: 0, width: 100, height: 100 },
            spacing: Spacing::um(1.0, 1.0),
            mean_intercept: Some(8.0),
            boundaries: BoundaryMethod::Gradient,
            mean_boundary_strength: 0.5,
            coarse_factor: 3.0,
        })
    }

    #[test]
    fn grains_that_the_frame_cuts_carry_no_size() {
        let none = results(&[grain(10, true), grain(20, true)]);
        assert_eq!((none.whole_grain_count, none.mean_area, none.mean_equivalent_diameter), (0, None, None));
        assert!(none.diameters.is_none() && none.coarse.is_none() && none.populations.is_none());
        assert_eq!(results(&[]).whole_grain_count, 0);
    }

    #[test]
    fn a_large_grain_counts_for_those_that_were_cut() {
        // Weights 10⁴/90² and 10⁴/50² for sides 10 and 50 in a frame of 100.
        let both = results(&[grain(10, false), grain(50, false)]);
        let (small, large) = (1.0 / 8100.0, 1.0 / 2500.0);
        let want = (small * 100.0 + large * 2500.0) / (small + large);
        assert!(matches!(both.mean_area, Some(Area::Um2(area)) if (area - want).abs() < 1e-9));
        let plain = both.mean_equivalent_diameter_unweighted.unwrap().value();
        assert!((plain - 30.0 * (4.0 / std::f64::consts::PI).sqrt()).abs() < 1e-9);
        assert_eq!(both.boundaries, "gradient");
        assert_eq!(both.boundary_area_per_volume_per_um, Some(0.25));
        assert_eq!((both.mean_neighbours, both.whole_grain_count), (Some(4.0), 2));
        assert!((both.mean_aspect_ratio.unwrap() - 0.5f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn the_coarse_tail_takes_its_share_of_the_area() {
        let mut diameters = vec![1.0; 99];
        diameters.push(10.0);
        let tail = coarse_tail(&diameters, 3.0).unwrap();
        assert_eq!((tail.count_percent, tail.times_median), (1.0, 3.0));
        assert!((tail.area_percent - 100.0 * 100.0 / 199.0).abs() < 1e-12);
        assert!((tail.largest_over_mean - 10.0 / 1.09).abs() < 1e-12);
        assert_eq!(coarse_tail(&[2.0, 2.0, 2.0], 3.0).unwrap().area_percent, 0.0);
        assert!(coarse_tail(&[], 3.0).is_none());
    }
}
