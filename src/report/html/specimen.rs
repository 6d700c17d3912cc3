//! What the page says about a specimen.

use crate::report::number::{UNKNOWN, count, significant, significant_or_unknown, with_interval};
use crate::report::{figure, name::printable, phrase, table};
use crate::study::result::{
    CoarseTail, Distribution, Estimate, Populations, Specimen, SpecimenSegmentation, Study,
};

/// One specimen in print.
pub(super) struct SpecimenView {
    pub id: usize,
    pub name: String,
    pub surface: String,
    pub field_count: u64,
    pub porosity: String,
    pub intercept: String,
    pub grain_number: String,
    pub grain_median: String,
    pub pore_median: String,
    /// SVG.
    pub figures: Vec<String>,
    pub facts: Vec<String>,
    pub warnings: Vec<String>,
    /// Places of its fields in the list of all fields.
    pub fields: Vec<usize>,
}

impl SpecimenView {
    pub(super) fn new(study: &Study, specimen: &Specimen, id: usize) -> Self {
        let fields = study.fields.iter().enumerate().filter(|(_, field)| field.specimen == specimen.name);
        Self {
            id,
            name: printable(&specimen.name),
            surface: specimen.surface.map_or("not stated", phrase::surface).to_owned(),
            field_count: specimen.field_count,
            porosity: table::estimate(specimen.porosity_percent.as_ref()),
            intercept: table::intercept(specimen),
            grain_number: table::grain_number(specimen),
            grain_median: median(specimen.grain_size.as_ref()),
            pore_median: median(specimen.pore_size.as_ref()),
            figures: [figure::grain_size_histogram, figure::pore_size_histogram, figure::chord_histogram]
                .into_iter()
                .filter_map(|figure| figure(specimen))
                .collect(),
            facts: facts(specimen),
            warnings: specimen.warnings.iter().map(|warning| printable(&warning.message)).collect(),
            fields: fields.map(|(i, _)| i).collect(),
        }
    }
}

fn median(sizes: Option<&Distribution>) -> String {
    let Some(sizes) = sizes else {
        return UNKNOWN.to_owned();
    };
    let median = sizes.percentiles.p50;
    format!("{} {}", significant(median.value(), 3), median.unit().symbol())
}

fn facts(specimen: &Specimen) -> Vec<String> {
    let coarse = specimen.coarse.as_ref().map(coarse);
    let populations = specimen.populations.as_ref().map(populations);
    let chords = specimen.chords.as_ref().map(chords);
    let doubt = specimen.intercept_segmentation.as_ref().map(|doubt| boundary_doubt(specimen, doubt));
    [doubt, coarse, populations, chords].into_iter().flatten().collect()
}

fn boundary_doubt(specimen: &Specimen, doubt: &SpecimenSegmentation) -> String {
    let unit = if specimen.mean_linear_intercept_um.is_some() { "µm" } else { "px" };
    let together = match (doubt.ci95_low, doubt.ci95_high) {
        (Some(low), Some(high)) => format!(
            "; with the scatter between fields the 95 % interval is {} to {} {unit}",
            significant(low, 3),
            significant(high, 3)
        ),
        _ => String::new(),
    };
    format!(
        "Uncertainty of the mean intercept from finding boundaries: {} % (one standard deviation), which more fields do not \
         reduce{together}.",
        significant(100.0 * doubt.relative_deviation, 2)
    )
}

fn coarse(tail: &CoarseTail) -> String {
    format!(
        "Coarse tail: {} % of the whole grains are larger than {} times the median diameter; they take {} % of the area of \
         whole grains. The largest grain has {} times the mean diameter.",
        significant(tail.count_percent, 2),
        significant(tail.times_median, 2),
        significant(tail.area_percent, 2),
        significant(tail.largest_over_mean, 2)
    )
}

fn populations(populations: &Populations) -> String {
    let [finer, coarser] =
        populations.medians.map(|m| format!("{} {}", significant(m.value(), 3), m.unit().symbol()));
    let criterion = significant(populations.bic_one_minus_two, 2);
    if populations.two_populations {
        format!(
            "Two populations of grains: fitted medians by area {finer} and {coarser}, {} % of the grain area in the \
             coarser one (information criterion of one population minus that of two: {criterion}).",
            significant(populations.coarser_percent, 2)
        )
    } else {
        format!(
            "Two populations of grains cannot be claimed (information criterion of one lognormal population minus that \
             of two: {criterion}; a claim needs more than 10, medians that differ by a factor of 2, and a valley between \
             two peaks)."
        )
    }
}

fn chords(chords: &Distribution) -> String {
    let unit = chords.mean.unit().symbol();
    let spread = match chords.standard_deviation {
        Some(deviation) => {
            format!(", standard deviation of chords {} {unit}", significant(deviation.value(), 3))
        }
        None => String::new(),
    };
    format!(
        "Chords: n = {}, mean {} {unit}{spread}.",
        count(chords.count),
        significant(chords.mean.value(), 3)
    )
}

/// One quantity of a specimen with all that its interval rests on.
pub(super) struct EstimateRow {
    pub specimen: String,
    pub quantity: &'static str,
    pub mean: String,
    pub pooled: String,
    pub deviation: String,
    pub interval: String,
    pub accuracy: String,
    pub fields: u64,
    pub more_fields: String,
}

pub(super) fn estimate_rows(specimen: &Specimen) -> Vec<EstimateRow> {
    let quantities = [
        ("porosity, %", &specimen.porosity_percent),
        ("mean linear intercept, µm", &specimen.mean_linear_intercept_um),
        ("mean linear intercept, px", &specimen.mean_linear_intercept_px),
    ];
    let known =
        quantities.into_iter().filter_map(|(quantity, estimate)| Some((quantity, estimate.as_ref()?)));
    known.map(|(quantity, estimate)| estimate_row(specimen, quantity, estimate)).collect()
}

fn estimate_row(specimen: &Specimen, quantity: &'static str, estimate: &Estimate) -> EstimateRow {
    let interval = match (estimate.ci95_low, estimate.ci95_high) {
        (Some(low), Some(high)) => {
            let places = crate::report::number::places_for((high - low) / 2.0);
            let end = |value| crate::report::number::decimals(value, places);
            format!("{} to {}", end(low), end(high))
        }
        _ => "one field: none".to_owned(),
    };
    EstimateRow {
        specimen: printable(&specimen.name),
        quantity,
        mean: with_interval(estimate.mean, estimate.ci95_low, estimate.ci95_high),
        pooled: significant(estimate.pooled, 3),
        deviation: significant_or_unknown(estimate.standard_deviation, 2),
        interval,
        accuracy: significant_or_unknown(estimate.relative_accuracy_percent, 2),
        fields: estimate.field_count,
        more_fields: estimate.more_fields_for_10_percent.map_or_else(|| UNKNOWN.to_owned(), count),
    }
}
