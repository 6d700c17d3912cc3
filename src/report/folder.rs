//! What a results folder holds besides the pictures of single fields.

use rayon::prelude::*;

use super::{csv, figure, file_stems, html, json};
use crate::error::Error;
use crate::study::output::Staging;
use crate::study::result::Study;
use crate::study::results::SUMMARY_NAME;

/// Resolution of the figures' PNG form, enough for print.
const FIGURE_DPI: u32 = 600;

/// Writes summary, tables, figures and page. `pictures` holds the small pictures of each field.
///
/// # Errors
/// [`Error::Write`] if the system refuses.
pub fn write(study: &Study, pictures: &dyn html::Pictures, staging: &Staging) -> Result<(), Error> {
    staging.stream(SUMMARY_NAME, |to| json::write_summary(study, to))?;
    staging.write("fields.csv", &csv::fields(study))?;
    staging.write("intercepts.csv", &csv::intercepts(study))?;
    let names: Vec<&str> = study.specimens.iter().map(|specimen| specimen.name.as_str()).collect();
    let mut figures = vec![("overview".to_owned(), figure::overview(study))];
    for (specimen, stem) in study.specimens.iter().zip(file_stems(&names)) {
        figures.push((format!("grain-size-{stem}"), figure::grain_size_histogram(specimen)));
        figures.push((format!("pore-size-{stem}"), figure::pore_size_histogram(specimen)));
        figures.push((format!("chords-{stem}"), figure::chord_histogram(specimen)));
    }
    figures.into_par_iter().try_for_each(|(name, svg)| match svg {
        Some(svg) => write_figure(staging, &name, &svg),
        None => Ok(()),
    })?;
    staging.stream("report.html", |to| html::write_page(study, pictures, to))
}

/// Writes a figure as SVG and PNG.
///
/// # Errors
/// [`Error::Write`] if the system refuses.
pub fn write_figure(staging: &Staging, name: &str, svg: &str) -> Result<(), Error> {
    staging.write(&format!("figures/{name}.svg"), svg.as_bytes())?;
    let png = figure::png(svg, FIGURE_DPI).expect("invariant: figures are SVG");
    staging.write(&format!("figures/{name}.png"), &png)
}
