//! From what the pipeline measured to the field that the result holds.

use std::collections::BTreeMap;

use crate::grid::Frame;
use crate::measure::grain_number::from_mean_intercept_um;
use crate::measure::grain_size::{GrainSample, grain_results};
use crate::measure::intercept::Intercepts;
use crate::measure::{distribution, unfold};
use crate::micrograph::{InfoStrip, Micrograph, check};
use crate::options::{BoundaryMethod, Options, Surface, Tone};
use crate::pipeline::Measured;
use crate::scale::{BarReading, Scale};
use crate::segment::pores::PoreNumbers;
use crate::statistics::covariance::AreaFractionError;
use crate::study::result::{Field, FieldRows, Finding, Grain, Pore, PorePlace, PoreResults};
use crate::units::{LengthUnit, Spacing};
use crate::warning::Warning;

/// What identifies a field within a study.
#[derive(Clone, Debug)]
pub struct Identity {
    /// Path from the measured folder.
    pub file: String,
    /// Page, from 1, where the file has several.
    pub page: Option<u32>,
    /// SHA-256 of the file, in hexadecimal.
    pub sha256: String,
    /// Specimen that it belongs to.
    pub specimen: String,
    /// How the surface was prepared, if known.
    pub surface: Option<Surface>,
}

/// Turns measurements into the field of the result.
///
/// On fracture faces and as-fired surfaces the section that the grain size number presumes does not exist: the number
/// and the factor to three dimensions are withheld, and the intercept is marked as a surface estimate.
pub fn field(identity: Identity, micrograph: &Micrograph, measured: Measured, options: &Options) -> Field {
    let grey = &micrograph.grey;
    field_of(identity, (grey.width(), grey.height(), grey.bits()), measured.into(), options)
}

/// What was measured, without the maps.
pub(crate) struct Measures {
    pub frame: Frame,
    pub strip: Option<InfoStrip>,
    pub scale: Option<Scale>,
    pub bar: Option<BarReading>,
    pub spacing: Spacing,
    pub findings: Vec<Finding>,
    pub pore_numbers: PoreNumbers,
    pub pores: Vec<Pore>,
    pub area_fraction_error: Option<AreaFractionError>,
    /// Mean strength of all boundaries; `None` where they cannot carry a result.
    pub mean_boundary_strength: Option<f64>,
    pub grains: Vec<Grain>,
    pub intercepts: Option<Intercepts>,
    pub warnings: Vec<Warning>,
}

impl From<Measured> for Measures {
    fn from(measured: Measured) -> Self {
        Self {
            frame: measured.frame,
            strip: measured.strip,
            scale: measured.scale,
            bar: measured.bar,
            spacing: measured.spacing,
            findings: measured.findings,
            pore_numbers: measured.pore_map.numbers,
            pores: measured.pores,
            area_fraction_error: measured.area_fraction_error,
            mean_boundary_strength: measured.grain_map.map(|map| map.mean_boundary_strength),
            grains: measured.grains,
            intercepts: measured.intercepts,
            warnings: measured.warnings,
        }
    }
}

/// As [`field`], of a picture of so many columns, rows and bits a sample.
pub(crate) fn field_of(
    identity: Identity,
    (width_px, height_px, bits_per_sample): (usize, usize, u8),
    mut measured: Measures,
    options: &Options,
) -> Field {
    let mut warnings = std::mem::take(&mut measured.warnings);
    let not_a_section = matches!(identity.surface, Some(Surface::AsFired | Surface::Fracture));
    if not_a_section {
        warnings.push(surface_estimate(identity.surface));
    }
    if measured.area_fraction_error.as_ref().is_some_and(|error| !error.died_out) {
        warnings.push(correlated_across());
    }
    if measured.mean_boundary_strength.is_some()
        && options.boundaries == BoundaryMethod::Ridge
        && options.boundary_tone == Tone::Bright
    {
        warnings.push(bright_edges());
    }
    let picture_check = check::grade(std::mem::take(&mut measured.findings));
    let pores = pore_results(&measured);
    let porosity = measured.pore_numbers.porosity_percent;
    let without = pores.as_ref().zip(porosity).map(|(p, all)| (all - p.pull_out_percent).max(0.0));
    let mut intercepts = measured.intercepts.take();
    if let Some(found) = &mut intercepts
        && not_a_section
    {
        found.results.three_dimensional = None;
    }
    let mean = intercepts.as_ref().map(|i| i.results.mean);
    let grain_results = measured.mean_boundary_strength.map(|mean_boundary_strength| {
        grain_results(&GrainSample {
            grains: &measured.grains,
            frame: measured.frame,
            spacing: measured.spacing,
            mean_intercept: intercepts.as_ref().map(|i| i.mean),
            boundaries: options.boundaries,
            mean_boundary_strength,
            coarse_factor: options.coarse_factor,
        })
    });
    Field {
        file: identity.file,
        page: identity.page,
        sha256: identity.sha256,
        width_px,
        height_px,
        bits_per_sample,
        specimen: identity.specimen,
        surface: identity.surface,
        frame: measured.frame,
        info_strip: measured.strip,
        scale: measured.scale,
        bar_reading: measured.bar,
        picture_check,
        porosity_percent: porosity,
        porosity_without_pull_out_percent: without,
        pore_count: porosity.map(|_| measured.pores.len() as u64),
        grain_count: measured.mean_boundary_strength.map(|_| measured.grains.len() as u64),
        mean_linear_intercept_um: mean.and_then(|l| l.um()),
        mean_linear_intercept_px: mean.and_then(|l| l.px()),
        intercept_count: intercepts.as_ref().map(|i| i.count),
        astm_grain_number: mean
            .and_then(|l| l.um())
            .filter(|_| !not_a_section)
            .and_then(from_mean_intercept_um),
        pores,
        grains: grain_results,
        intercepts: intercepts.as_ref().map(|i| i.results.clone()),
        warnings,
        overlay: None,
        rows: FieldRows {
            pores: measured.pores,
            grains: measured.grains,
            chords: intercepts.map_or(Vec::new(), |i| i.chords),
        },
    }
}

fn surface_estimate(surface: Option<Surface>) -> Warning {
    let what = if surface == Some(Surface::Fracture) { "fracture face" } else { "as-fired surface" };
    Warning::new(
        "surface-estimate",
        format!(
            "a {what} is not a plane section: the intercept describes the surface, and the grain size number and the \
             factor to three dimensions are withheld; polish and etch a section for standard numbers"
        ),
    )
}

fn correlated_across() -> Warning {
    Warning::new(
        "pores-correlated-across-the-field",
        "pores are still correlated over a quarter of the field: bands, gradients or clusters; the standard error of this \
         field is a lower bound, so take more fields, or a lower magnification",
    )
}

fn bright_edges() -> Warning {
    Warning::new(
        "bright-edges",
        "bright lines were taken as grain boundaries; on a surface in relief they are edges of bodies as well, and on drawn \
         relief the intercept came out up to 39 % short; look at the overlay",
    )
}

fn pore_results(measured: &Measures) -> Option<PoreResults> {
    let map = &measured.pore_numbers;
    map.porosity_percent?;
    let spacing = measured.spacing;
    let frame_px = (measured.frame.width * measured.frame.height) as f64;
    let percent = |pore: &Pore| 100.0 * pore.region.area_px as f64 / frame_px;
    let mut count_by_place = BTreeMap::new();
    let mut percent_by_place = BTreeMap::new();
    for pore in &measured.pores {
        *count_by_place.entry(place_key(pore.place)).or_insert(0) += 1;
        *percent_by_place.entry(place_key(pore.place)).or_insert(0.0) += percent(pore);
    }
    let whole: Vec<&Pore> = measured.pores.iter().filter(|p| !p.region.touches_frame).collect();
    let diameters: Vec<f64> = whole.iter().map(|p| p.region.equivalent_diameter).collect();
    let form: f64 = whole.iter().map(|p| p.region.form_factor()).sum();
    let area = frame_px * spacing.pixel_area();
    let smallest =
        (4.0 * f64::from(map.smallest_counted_px) * spacing.pixel_area() / std::f64::consts::PI).sqrt();
    Some(PoreResults {
        threshold: map.threshold.clone(),
        background: map.background.clone(),
        sensitivity: map.sensitivity.clone(),
        rules: map.rules.clone(),
        rule_spread_points: map.rule_spread_points,
        smallest_counted_px: map.smallest_counted_px,
        smallest_counted: spacing.length(smallest),
        dropped_area_percent: map.dropped_area_percent,
        standard_error_points: measured.area_fraction_error.as_ref().map(|e| 100.0 * e.standard_error),
        integral_range: measured
            .area_fraction_error
            .as_ref()
            .map(|e| spacing.area(e.integral_range_px2 * spacing.pixel_area())),
        pull_out_count: measured.pores.iter().filter(|p| p.pull_out).count() as u64,
        pull_out_percent: measured.pores.iter().filter(|p| p.pull_out).map(percent).fold(0.0, |a, b| a + b),
        count_by_place,
        percent_by_place,
        diameters: distribution::distribution(&diameters, spacing.unit),
        mean_form_factor: (!whole.is_empty()).then(|| form / whole.len() as f64),
        unfolded: unfold::unfolded(&diameters, area, spacing.unit),
    })
}

fn place_key(place: PorePlace) -> String {
    match place {
        PorePlace::InsideGrain => "inside-grain",
        PorePlace::OnBoundary => "on-boundary",
        PorePlace::AtJunction => "at-junction",
        PorePlace::Unknown => "unknown",
    }
    .into()
}

/// The unit that a field is measured in.
pub fn unit(field: &Field) -> LengthUnit {
    if field.scale.is_some() { LengthUnit::Um } else { LengthUnit::Px }
}
