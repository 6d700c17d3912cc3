//! From the fields of a specimen to its mean, interval and pooled distributions.

use std::collections::BTreeMap;

use crate::measure::distribution::distribution;
use crate::measure::grain_number::from_mean_intercept_um;
use crate::measure::grain_size::coarse_tail;
use crate::measure::populations::populations;
use crate::options::Surface;
use crate::statistics::interval::{MeanInterval, mean_interval};
use crate::study::result::{Estimate, Field, Grade, GrainNumber, Specimen, SpecimenSegmentation};
use crate::study::scale_spread::scales_differ;
use crate::units::LengthUnit;
use crate::warning::Warning;

/// Relative accuracy that the number of further fields aims at.
const WANTED_ACCURACY_PERCENT: f64 = 10.0;

/// Sizes of what was found in a field, in its own unit, which are pooled over a specimen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sizes {
    /// Equivalent circle diameters of grains that the frame does not cut.
    pub grains: Vec<f64>,
    /// The same of pores.
    pub pores: Vec<f64>,
    /// Whole chords.
    pub chords: Vec<f32>,
}

impl Sizes {
    /// The sizes in the rows of a field.
    pub fn of(field: &Field) -> Self {
        let whole_grains = field.rows.grains.iter().filter(|grain| !grain.region.touches_frame);
        let whole_pores = field.rows.pores.iter().filter(|pore| !pore.region.touches_frame);
        Self {
            grains: whole_grains.map(|grain| grain.region.equivalent_diameter).collect(),
            pores: whole_pores.map(|pore| pore.region.equivalent_diameter).collect(),
            chords: field.rows.chords.clone(),
        }
    }
}

/// Puts the fields of one specimen together; `sizes` are those of each of its fields.
///
/// Fields are the replicates: mean and 95 % t-interval are over field values, and beside the mean stands the pooled value,
/// in which a larger field or longer line counts more. Fields with and without a scale are never mixed: where any has one,
/// lengths come from those alone. A field that its picture check calls unfit stays in, with a warning, because leaving out
/// what looks bad is a choice that belongs to the person who took the pictures.
pub fn specimen(
    name: &str,
    fields: &[&Field],
    sizes: &[Sizes],
    firing: BTreeMap<String, String>,
    surface: Option<Surface>,
) -> Specimen {
    let scaled = fields.iter().any(|f| f.scale.is_some());
    let all_scaled = fields.iter().all(|f| f.scale.is_some());
    let unit = if scaled { LengthUnit::Um } else { LengthUnit::Px };
    let alike: Vec<&Field> = fields.iter().copied().filter(|f| f.scale.is_some() == scaled).collect();
    let intercept = estimate(&alike, |f| {
        let mean = if scaled { f.mean_linear_intercept_um } else { f.mean_linear_intercept_px }?;
        Some((mean, f.intercept_count? as f64))
    });
    let (in_um, in_px) = if scaled { (intercept, None) } else { (None, intercept) };
    let pooled =
        || fields.iter().zip(sizes).filter(|(f, _)| f.scale.is_some() == scaled).map(|(_, sizes)| sizes);
    let grains: Vec<f64> = pooled().flat_map(|sizes| &sizes.grains).copied().collect();
    let pores: Vec<f64> = pooled().flat_map(|sizes| &sizes.pores).copied().collect();
    let chords: Vec<f32> = pooled().flat_map(|sizes| &sizes.chords).copied().collect();
    let (grain_size, pore_size) = (distribution(&grains, unit), distribution(&pores, unit));
    Specimen {
        name: name.to_owned(),
        firing,
        surface,
        field_count: fields.len() as u64,
        porosity_percent: estimate(fields, |f| Some((f.porosity_percent?, measured_area(f, all_scaled)))),
        astm_grain_number: in_um
            .as_ref()
            .filter(|_| grain_number_allowed(fields, surface))
            .and_then(grain_number),
        intercept_segmentation: in_um.as_ref().or(in_px.as_ref()).and_then(|mean| segmentation(&alike, mean)),
        mean_linear_intercept_um: in_um,
        mean_linear_intercept_px: in_px,
        grain_size_histogram: grain_size.as_ref().map(|d| d.histogram.clone()),
        grain_size,
        pore_size_histogram: pore_size.as_ref().map(|d| d.histogram.clone()),
        pore_size,
        chords: distribution(&chords, unit),
        coarse: coarse_factor(&alike).and_then(|factor| coarse_tail(&grains, factor)),
        populations: populations(&grains, unit),
        warnings: warnings(fields),
    }
}

/// The multiple of the median that the fields were measured with; one run has one.
fn coarse_factor(fields: &[&Field]) -> Option<f64> {
    fields.iter().find_map(|f| Some(f.grains.as_ref()?.coarse.as_ref()?.times_median))
}

/// Mean over the fields that have a value, and the value weighted by area or count: sum of value·weight / sum of weight.
///
/// With the mean intercept as value and its passages as weight that is all line length over all passages.
fn estimate(fields: &[&Field], value_and_weight: impl Fn(&Field) -> Option<(f64, f64)>) -> Option<Estimate> {
    let pairs: Vec<(f64, f64)> =
        fields.iter().filter_map(|f| value_and_weight(f)).filter(|(_, weight)| *weight > 0.0).collect();
    let values: Vec<f64> = pairs.iter().map(|p| p.0).collect();
    let interval = mean_interval(&values)?;
    let weight: f64 = pairs.iter().map(|p| p.1).sum();
    let pooled = pairs.iter().map(|(value, weight)| value * weight).sum::<f64>() / weight;
    Some(from_interval(&interval, pooled))
}

/// Normal quantile of a 95 % interval.
const NORMAL_95: f64 = 1.959964;

/// Doubt about boundaries, and the interval that it makes together with the scatter between fields: on either side the
/// distances of both ends from the mean add as the root of the sum of their squares. The doubt alone reaches from
/// mean / exp(1.96 r) to mean · exp(1.96 r), r its relative deviation.
///
/// `None` unless every field with a mean intercept states its doubt.
fn segmentation(fields: &[&Field], mean: &Estimate) -> Option<SpecimenSegmentation> {
    let measured = fields.iter().filter_map(|f| f.intercepts.as_ref());
    let deviations: Option<Vec<f64>> =
        measured.map(|i| i.segmentation.as_ref().map(|doubt| doubt.relative_deviation)).collect();
    let deviations = deviations.filter(|deviations| !deviations.is_empty())?;
    let relative_deviation = deviations.iter().sum::<f64>() / deviations.len() as f64;
    let reach = libm::exp(NORMAL_95 * relative_deviation);
    let (low, high) = (mean.mean / reach, mean.mean * reach);
    Some(SpecimenSegmentation {
        relative_deviation,
        ci95_low: mean.ci95_low.map(|end| mean.mean - libm::hypot(mean.mean - end, mean.mean - low)),
        ci95_high: mean.ci95_high.map(|end| mean.mean + libm::hypot(end - mean.mean, high - mean.mean)),
    })
}

fn from_interval(interval: &MeanInterval, pooled: f64) -> Estimate {
    Estimate {
        mean: interval.mean,
        pooled,
        standard_deviation: interval.standard_deviation,
        ci95_low: interval.half_width.map(|h| interval.mean - h),
        ci95_high: interval.half_width.map(|h| interval.mean + h),
        relative_accuracy_percent: interval.relative_accuracy_percent(),
        field_count: interval.count,
        more_fields_for_10_percent: interval.more_fields_for(WANTED_ACCURACY_PERCENT),
    }
}

/// Area of the measured frame: in µm² where all fields have a scale, else in px², since porosity has no unit.
fn measured_area(field: &Field, all_scaled: bool) -> f64 {
    let pixels = (field.frame.width * field.frame.height) as f64;
    match &field.scale {
        Some(scale) if all_scaled => pixels * scale.spacing().pixel_area(),
        _ => pixels,
    }
}

/// Standard numbers hold for plane sections; a fracture face or an as-fired surface is none.
fn grain_number_allowed(fields: &[&Field], surface: Option<Surface>) -> bool {
    let plane = |s: Option<Surface>| !matches!(s, Some(Surface::AsFired | Surface::Fracture));
    plane(surface) && fields.iter().all(|f| plane(f.surface))
}

/// G of the mean and of the interval's ends; statistics are done on lengths, never on G.
fn grain_number(intercept: &Estimate) -> Option<GrainNumber> {
    Some(GrainNumber {
        value: from_mean_intercept_um(intercept.mean)?,
        ci95_low: intercept.ci95_high.and_then(from_mean_intercept_um),
        ci95_high: intercept.ci95_low.and_then(from_mean_intercept_um),
    })
}

fn warnings(fields: &[&Field]) -> Vec<Warning> {
    [
        one_field(fields),
        mixed_scales(fields),
        scales_differ(fields.iter().filter_map(|f| f.scale.as_ref())),
        unfit_fields(fields),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn one_field(fields: &[&Field]) -> Option<Warning> {
    (fields.len() == 1).then(|| {
        let text = "only one field was measured, so there is no interval between fields; take at least three to five \
                    widely separated fields";
        Warning::new("one-field-no-interval", text)
    })
}

fn mixed_scales(fields: &[&Field]) -> Option<Warning> {
    let without: Vec<&str> = fields.iter().filter(|f| f.scale.is_none()).map(|f| f.file.as_str()).collect();
    if without.is_empty() || without.len() == fields.len() {
        return None;
    }
    let text = format!(
        "{} of {} fields have no scale and are left out of every length: {}; give their scale with --pixel-size or \
         --scale-bar",
        without.len(),
        fields.len(),
        without.join(", ")
    );
    Some(Warning::new("mixed-scales", text))
}

fn unfit_fields(fields: &[&Field]) -> Option<Warning> {
    let unfit: Vec<&str> =
        fields.iter().filter(|f| f.picture_check.grade == Grade::DoNotUse).map(|f| f.file.as_str()).collect();
    (!unfit.is_empty()).then(|| {
        let text = format!(
            "the picture check calls these fields unfit, and they are still part of the mean: {}; take them again, or \
             leave them out of the folder and say so",
            unfit.join(", ")
        );
        Warning::new("unfit-fields", text)
    })
}
