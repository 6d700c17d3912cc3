//! The numbers behind a figure of grain size, as tables.

use super::sizes::{SizeFigure, thinned};
use crate::report::csv::Sheet;
use crate::study::samples::Sample;

/// One row for each class of each specimen: its edges, the share in it and the share that the fit has in it, in percent.
pub fn size_panel_data(figure: &SizeFigure) -> Vec<u8> {
    let key = figure.samples[0].unit.key();
    let edges = figure.class_edges();
    let mut sheet = Sheet::new();
    let (low, high) = (format!("class_low_{key}"), format!("class_high_{key}"));
    sheet.head(["specimen", &low, &high, "share_percent", "fit_percent"].into_iter());
    for sample in &figure.samples {
        let fit = sample.sizes.lognormal(sample.unit);
        for (pair, percent) in edges.windows(2).zip(sample.sizes.class_percent(&edges)) {
            sheet.text(&sample.name);
            sheet.number(pair[0]);
            sheet.number(pair[1]);
            sheet.rounded(percent);
            let fitted = fit.as_ref().map(|fit| fit.share_below(pair[1]) - fit.share_below(pair[0]));
            sheet.number(fitted.map(|share| 100.0 * share));
            sheet.end_row();
        }
    }
    sheet.into_bytes()
}

/// One row for each point of each curve: a size, the share below it and the share that the fit has below it, in percent.
pub fn size_curve_data(figure: &SizeFigure) -> Vec<u8> {
    let mut sheet = Sheet::new();
    let size = format!("size_{}", figure.samples[0].unit.key());
    sheet.head(["specimen", &size, "below_percent", "fit_percent"].into_iter());
    for sample in &figure.samples {
        let fit = sample.sizes.lognormal(sample.unit);
        for (size, share) in thinned(sample.sizes.cumulative()) {
            sheet.text(&sample.name);
            sheet.rounded(size);
            sheet.rounded(100.0 * share);
            sheet.number(fit.as_ref().map(|fit| 100.0 * fit.share_below(size)));
            sheet.end_row();
        }
    }
    sheet.into_bytes()
}

/// One row for each specimen: counts, mean and interval over fields, percentiles and fit.
pub fn size_summary(figure: &SizeFigure) -> Vec<u8> {
    let key = figure.samples[0].unit.key();
    let mut sheet = Sheet::new();
    let lengths =
        ["mean", "mean_ci95_low", "mean_ci95_high", "p10", "p25", "p50", "p75", "p90", "fit_median"];
    let lengths = lengths.map(|name| format!("{name}_{key}"));
    let head = ["specimen", "count", "field_count"].into_iter().chain(lengths.iter().map(String::as_str));
    sheet.head(head.chain(["fit_geometric_standard_deviation", "fit_kolmogorov_distance"]));
    figure.samples.iter().for_each(|sample| summary_row(&mut sheet, sample));
    sheet.into_bytes()
}

fn summary_row(sheet: &mut Sheet, sample: &Sample) {
    sheet.text(&sample.name);
    sheet.count(sample.sizes.count());
    sheet.count(sample.mean.count);
    let (mean, half) = (sample.mean.mean, sample.mean.half_width);
    sheet.number(mean);
    sheet.number(half.map(|half| mean - half));
    sheet.number(half.map(|half| mean + half));
    for share in [0.10, 0.25, 0.50, 0.75, 0.90] {
        sheet.number(sample.sizes.percentile(share));
    }
    let fit = sample.sizes.lognormal(sample.unit);
    sheet.number(fit.as_ref().map(|fit| fit.median.value()));
    sheet.number(fit.as_ref().map(|fit| fit.geometric_standard_deviation));
    sheet.number(fit.as_ref().map(|fit| fit.kolmogorov_distance));
    sheet.end_row();
}
