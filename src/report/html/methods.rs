//! The methods paragraphs: what was done, from the options and the results that were used.

use std::collections::BTreeSet;

use crate::options::{Connectivity, PoreMethod};
use crate::report::number::{count, significant};
use crate::report::phrase::{self, counted};
use crate::study::result::{
    Distribution, Field, GrainResults, InterceptResults, PoreResults, Specimen, Study,
};

/// Paragraphs that can go into a paper: pictures, pores, grains, statistics. Only what was done is said.
pub(super) fn paragraphs(study: &Study) -> Vec<String> {
    let all = [pictures(study), pores(study), grains(study), statistics(study)];
    all.into_iter().filter(|paragraph| !paragraph.is_empty()).map(|sentences| sentences.join(" ")).collect()
}

fn pictures(study: &Study) -> Vec<String> {
    let micrographs = counted(study.fields.len() as u64, "micrograph");
    let specimens = counted(study.specimens.len() as u64, "specimen");
    let (name, version) = (&study.tool.name, &study.tool.version);
    let mut sentences = vec![format!("With {name} {version}, {micrographs} of {specimens} were measured.")];
    let surfaces: BTreeSet<&str> =
        study.fields.iter().filter_map(|f| f.surface).map(phrase::surface).collect();
    if !surfaces.is_empty() {
        sentences.push(format!("The surfaces were {}.", listed(&surfaces)));
    }
    sentences.extend(scales(study));
    let strips = study.fields.iter().filter(|field| field.info_strip.is_some()).count();
    if strips > 0 {
        sentences
            .push(format!("The strip of text was left out in {}.", counted(strips as u64, "micrograph")));
    }
    sentences
}

fn scales(study: &Study) -> Vec<String> {
    let scales: Vec<_> = study.fields.iter().filter_map(|field| field.scale.as_ref()).collect();
    let mut sentences = Vec::new();
    if let Some(sizes) = range(scales.iter().map(|scale| scale.um_per_px), 4) {
        let sources: BTreeSet<&str> = scales.iter().map(|scale| phrase::scale_source(scale.source)).collect();
        let worst = scales.iter().map(|scale| 100.0 * scale.relative_uncertainty).fold(0.0, f64::max);
        sentences.push(format!(
            "The pixel size was {sizes} µm (source: {}; relative standard uncertainty at most {} %).",
            listed(&sources),
            significant(worst, 2)
        ));
    }
    let unscaled = study.fields.len() - scales.len();
    if unscaled > 0 {
        sentences.push(format!(
            "{} had no scale and were measured in pixels.",
            counted(unscaled as u64, "micrograph")
        ));
    }
    sentences
}

fn pores(study: &Study) -> Vec<String> {
    let pores: Vec<&PoreResults> = study.fields.iter().filter_map(|field| field.pores.as_ref()).collect();
    if pores.is_empty() {
        return Vec::new();
    }
    let mut sentences = vec![threshold(study, &pores)];
    let flattened = pores.iter().filter(|pores| pores.background.removed).count();
    if flattened > 0 {
        let all = counted(pores.len() as u64, "micrograph");
        sentences.push(format!("Uneven background was removed first in {flattened} of {all}."));
    }
    if pores.iter().any(|pores| !pores.threshold.automatic) {
        sentences.push("The operator set the grey level.".to_owned());
    }
    sentences.extend(labelling(study, &pores));
    sentences.push(
        "Porosity is the area fraction of pores in percent of the measured area; on a random plane section it estimates \
         the volume fraction (Delesse 1847). Its sensitivity is stated as the range over which it moves when the threshold \
         moves by ±5 % of the grey distance between pores and solid."
            .to_owned(),
    );
    if pores.iter().any(|pores| pores.threshold.method == PoreMethod::Learned.name()) {
        sentences.push(
            "For learned pores it is the range between counting from a probability of 0.7 and from 0.3."
                .to_owned(),
        );
    }
    if pores.iter().any(|pores| pores.pull_out_count > 0) {
        sentences.push(
            "Voids that look like pulled-out grains are included; porosity without them is stated beside it."
                .to_owned(),
        );
    }
    if pores.iter().any(|pores| pores.unfolded.is_some()) {
        sentences.push(
            "Sphere diameters behind the pore sections were unfolded after Schwartz and Saltykov; negative classes were \
             kept."
                .to_owned(),
        );
    }
    sentences
}

fn threshold(study: &Study, pores: &[&PoreResults]) -> String {
    let rules: BTreeSet<&str> = pores.iter().map(|p| phrase::threshold_rule(&p.threshold.method)).collect();
    let tone = phrase::tone(study.options.pore_tone);
    format!("Pores were separated from the solid as the {tone} phase by {}.", listed(&rules))
}

fn labelling(study: &Study, pores: &[&PoreResults]) -> Vec<String> {
    let neighbours = match study.options.connectivity {
        Connectivity::Four => 4,
        Connectivity::Eight => 8,
    };
    let connected = format!("Pixels were joined to pores over {neighbours} neighbours.");
    let smallest = range(pores.iter().map(|p| f64::from(p.smallest_counted_px)), 6);
    let diameters = range(pores.iter().filter_map(|p| p.smallest_counted.um()), 2);
    let diameters = diameters.map_or_else(String::new, |um| format!(" (equivalent circle diameter {um} µm)"));
    let dropped = pores.iter().map(|p| p.dropped_area_percent).fold(0.0, f64::max);
    let left_out = smallest.map(|px| {
        format!(
            "Features of fewer than {px} px{diameters} were dropped; they took at most {} % of the measured area.",
            significant(dropped, 2)
        )
    });
    std::iter::once(connected).chain(left_out).collect()
}

fn grains(study: &Study) -> Vec<String> {
    let grains: Vec<&GrainResults> = study.fields.iter().filter_map(|field| field.grains.as_ref()).collect();
    let mut sentences = Vec::new();
    if !grains.is_empty() {
        let maps: BTreeSet<&str> = grains.iter().map(|g| phrase::boundary_map(&g.boundaries)).collect();
        let limit = if grains.iter().any(|g| g.boundaries == "learned") {
            "a probability of one half".to_owned()
        } else {
            format!("a strength of {}", study.options.merge_below)
        };
        sentences.push(format!(
            "Grain boundaries were mapped by {}, grains were found by a watershed on that map, and neighbours were joined, \
             weakest common boundary first, up to {limit}.",
            listed(&maps)
        ));
    }
    sentences.extend(test_lines(study));
    if grains.iter().any(|grains| grains.mean_equivalent_diameter.is_some()) {
        sentences.push(
            "Mean areas and equivalent circle diameters are over grains that the rim does not cut, each weighted against \
             its chance of being cut (Miles and Lantuéjoul)."
                .to_owned(),
        );
    }
    if study.fields.iter().any(super::field::is_surface_estimate) {
        sentences.push(
            "Values from as-fired or fracture surfaces are estimates of the visible surface: such faces are no random plane \
             sections."
                .to_owned(),
        );
    }
    sentences
}

fn test_lines(study: &Study) -> Vec<String> {
    let results: Vec<&InterceptResults> = study.fields.iter().filter_map(|f| f.intercepts.as_ref()).collect();
    if results.is_empty() {
        return Vec::new();
    }
    let sets = || results.iter().flat_map(|intercepts| &intercepts.sets);
    let angles: BTreeSet<String> =
        sets().filter_map(|set| set.angle_deg).map(|angle| format!("{angle}°")).collect();
    let mut lines = Vec::new();
    if !angles.is_empty() {
        let mut angles: Vec<String> = angles.into_iter().collect();
        angles.sort_by_key(|angle| (angle.len(), angle.clone()));
        lines.push(format!("parallel lines at {}", angles.join(", ")));
    }
    if sets().any(|set| set.kind == "circles") {
        lines.push("concentric circles".to_owned());
    }
    let passages = range(study.fields.iter().filter_map(|f| f.intercept_count).map(|n| n as f64), 9);
    let passages = passages.map_or_else(String::new, |n| format!(" ({n} passages a micrograph)"));
    let mut sentences = vec![format!(
        "The mean linear intercept is the length of test lines outside pores divided by the passages through grain \
         boundaries counted along them, on {}{passages}, after the method of ASTM E112 and ISO 13383-1.",
        lines.join(" and ")
    )];
    if results.iter().any(|intercepts| intercepts.segmentation.is_some()) {
        sentences.push(
            "Each passage counted by the probability that its boundary is real; the uncertainty from finding boundaries is \
             stated beside the standard error."
                .to_owned(),
        );
    }
    if study.fields.iter().any(|field| field.astm_grain_number.is_some()) {
        sentences.push("Grain size numbers follow from it after the method of ASTM E112.".to_owned());
    }
    let factors: BTreeSet<String> = results
        .iter()
        .filter_map(|intercepts| intercepts.three_dimensional.as_ref())
        .map(|size| format!("{} ({})", significant(size.factor, 3), size.basis))
        .collect();
    if !factors.is_empty() {
        let factors: Vec<&str> = factors.iter().map(String::as_str).collect();
        sentences.push(format!(
            "Diameters in three dimensions, where given, are the mean linear intercept times {}; all other intercepts carry \
             no factor.",
            factors.join(" or ")
        ));
    }
    sentences
}

fn statistics(study: &Study) -> Vec<String> {
    let mut sentences = Vec::new();
    if study.specimens.iter().any(|specimen| specimen.field_count > 1) {
        sentences.push(
            "The micrographs of a specimen are its replicates: ± and intervals of specimens are 95 % intervals of the mean \
             after Student's t with one degree of freedom less than there are micrographs. Intervals of the grain size \
             number are those of the mean linear intercept, mapped through its formula."
                .to_owned(),
        );
    }
    if study.specimens.iter().any(|specimen| specimen.field_count < 2) {
        sentences.push("Specimens with a single micrograph have no interval between micrographs.".to_owned());
    }
    if study.fields.iter().any(has_own_error) {
        sentences.push(
            "Standard errors within one micrograph come from the covariance of its pore phase and from the spread of its \
             counts along test lines, never from numbers of pixels or grains."
                .to_owned(),
        );
    }
    sentences.extend(distributions(study));
    sentences
}

fn distributions(study: &Study) -> Vec<String> {
    let counts = |noun: &str, sizes: fn(&Specimen) -> Option<&Distribution>| {
        let sizes = range(study.specimens.iter().filter_map(sizes).map(|sizes| sizes.count as f64), 9);
        sizes.map(|n| format!("{n} {noun}"))
    };
    let grains = counts("grains", |specimen| specimen.grain_size.as_ref());
    let pores = counts("pores", |specimen| specimen.pore_size.as_ref());
    let counts: Vec<String> = grains.into_iter().chain(pores).collect();
    if counts.is_empty() {
        return Vec::new();
    }
    let mut sentences = vec![format!("Size distributions hold {} a specimen.", counts.join(" and "))];
    let pooled = study.specimens.iter().flat_map(|specimen| [&specimen.grain_size, &specimen.pore_size]);
    if pooled.flatten().any(|sizes| sizes.lognormal.is_some()) {
        sentences.push(
            "Fitted lognormal distributions have the mean and the standard deviation of the logarithms of the sizes."
                .to_owned(),
        );
    }
    sentences
}

fn has_own_error(field: &Field) -> bool {
    field.pores.as_ref().is_some_and(|pores| pores.standard_error_points.is_some())
        || field.intercepts.as_ref().is_some_and(|intercepts| intercepts.standard_error.is_some())
}

/// `5` or `5 to 8`, to so many digits.
fn range(values: impl Iterator<Item = f64>, digits: usize) -> Option<String> {
    let (low, high) = values.fold(None, |range, value| match range {
        None => Some((value, value)),
        Some((low, high)) => Some((value.min(low), value.max(high))),
    })?;
    let shown = |value: f64| if digits > 5 { count(value as u64) } else { significant(value, digits) };
    let (low, high) = (shown(low), shown(high));
    Some(if low == high { low } else { format!("{low} to {high}") })
}

fn listed(items: &BTreeSet<&str>) -> String {
    items.iter().copied().collect::<Vec<&str>>().join(" or ")
}
