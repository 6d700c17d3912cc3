//! What a figure of grain size shows, in words to be put below it.

use super::micrograph::MicrographPanel;
use super::sizes::{SizeFigure, length, mean_words};
use crate::report::name::printable;
use crate::report::number::significant;
use crate::report::phrase::counted;
use crate::study::samples::{Quantity, Sample, Weighting};
use crate::units::LengthUnit;

/// The picture beside a histogram, for its caption.
#[derive(Clone, Copy, Debug)]
pub struct PanelWords<'a> {
    /// The picture as drawn.
    pub panel: &'a MicrographPanel,
    /// Its name in the study.
    pub file: &'a str,
}

/// A caption in full sentences: what is drawn, of how many, how weighted, with which fit and interval, and every doubt.
/// `shows` says what kind of figure it is; `left_out` names specimens without any size.
pub fn caption(
    figure: &SizeFigure,
    shows: &str,
    panel: Option<PanelWords<'_>>,
    left_out: &[String],
) -> String {
    let mut paragraphs = vec![format!("{shows} {} {}", sizes(figure), weighting(figure))];
    paragraphs.extend(panel.map(picture));
    paragraphs.extend(figure.samples.iter().map(|sample| numbers(figure, sample)));
    paragraphs.push(interval(figure));
    paragraphs.push(fit(figure));
    if !left_out.is_empty() {
        let names: Vec<String> = left_out.iter().map(|name| printable(name)).collect();
        paragraphs.push(format!("Not drawn, because no size was found in it: {}.", names.join(", ")));
    }
    paragraphs.join("\n\n") + "\n"
}

fn sizes(figure: &SizeFigure) -> &'static str {
    match figure.quantity {
        Quantity::Diameters => {
            "The size of a grain is the diameter of the circle of the same area, as cut by the section; grains that the \
             rim of a picture cuts are left out."
        }
        Quantity::Chords => {
            "Sizes are chords: the lengths that parallel test lines cut from single grains, pores taken out; chords that \
             the rim of a picture cuts are left out. The mean chord is not the mean linear intercept, which counts the \
             whole line length."
        }
    }
}

fn weighting(figure: &SizeFigure) -> &'static str {
    match (figure.quantity, figure.weighting) {
        (Quantity::Diameters, Weighting::Number) => {
            "By number: each whole grain counts once, times the inverse of its chance to lie whole in the picture, since \
             the rim cuts large grains more often (Miles and Lantuéjoul)."
        }
        (Quantity::Diameters, Weighting::Area) => {
            "By area: each whole grain counts by its area, times the inverse of its chance to lie whole in the picture, \
             since the rim cuts large grains more often (Miles and Lantuéjoul)."
        }
        (Quantity::Chords, _) => "By number: each chord counts once.",
    }
}

fn picture(words: PanelWords<'_>) -> String {
    let bar = match words.panel.bar_um() {
        Some(um) if um >= 1.0 => format!("The scale bar, drawn anew from the pixel size, is {um} µm long."),
        Some(um) => {
            let nm = significant(um * 1000.0, 1);
            format!("The scale bar, drawn anew from the pixel size, is {nm} nm long.")
        }
        None => "The picture has no known scale, so it has no bar.".to_owned(),
    };
    let file = printable(words.file);
    format!("The micrograph is {file}, its measured part, with the grain boundaries that were found. {bar}")
}

fn numbers(figure: &SizeFigure, sample: &Sample) -> String {
    let noun = match figure.quantity {
        Quantity::Diameters => "whole grain",
        Quantity::Chords => "chord",
    };
    let at = |share| length(sample.sizes.percentile(share), sample);
    let mut text = format!(
        "{}: n = {} in {}; {}; median {}, quartiles {} and {}, 10 % below {}, 10 % above {}",
        printable(&sample.name),
        counted(sample.sizes.count(), noun),
        counted(sample.mean.count, "field"),
        mean_words(sample),
        at(0.5),
        at(0.25),
        at(0.75),
        at(0.1),
        at(0.9),
    );
    if let Some(fit) = sample.sizes.lognormal(sample.unit) {
        text += &format!(
            "; lognormal fit with median {}, geometric standard deviation {}, at most {} points from the cumulative curve",
            length(fit.median.value(), sample),
            significant(fit.geometric_standard_deviation, 3),
            significant(100.0 * fit.kolmogorov_distance, 2),
        );
    }
    text.push('.');
    if sample.fields_without_scale > 0 {
        let fields = counted(sample.fields_without_scale, "field");
        text += &format!(" Left out: {fields} without a scale.");
    }
    sample.doubts.iter().for_each(|doubt| text += &format!(" Note: {}.", printable(doubt)));
    text
}

fn interval(figure: &SizeFigure) -> String {
    let alone = figure.samples.iter().filter(|sample| sample.mean.half_width.is_none()).count();
    let mean = "Means are means of the field means.";
    let text = if alone == figure.samples.len() {
        format!("{mean} There is one field for each specimen, so no interval can be stated.")
    } else {
        let named =
            "± is half of the 95 % t-interval of the mean over fields; single grains are not replicates.";
        let none = if alone > 0 { " Where there is one field, no interval can be stated." } else { "" };
        format!("{mean} {named}{none}")
    };
    let unit = figure.samples[0].unit;
    if unit == LengthUnit::Px { text + " The pictures have no scale, so lengths are in px." } else { text }
}

fn fit(figure: &SizeFigure) -> String {
    let what = match figure.weighting {
        Weighting::Number => "number",
        Weighting::Area => "area",
    };
    format!(
        "Fitted is the lognormal distribution that has the mean and standard deviation of the logarithms, by {what}. \
         Sizes are those of a plane section, not of bodies in space."
    )
}
