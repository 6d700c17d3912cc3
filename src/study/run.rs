//! A whole run: pictures in, results folder out, with as many pictures in flight as there are threads.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use crate::error::Error;
use crate::measure::test_line::test_lines;
use crate::micrograph::Micrograph;
use crate::micrograph::overlap::Fingerprint;
use crate::options::Options;
use crate::pipeline::{Measured, measure_at_scale};
use crate::report;
use crate::report::html::FieldPictures;
use crate::report::overlay::{BarCrop, Overlay, OverlayView, bar_crop, overlay};
use crate::scale::{Scale, ScaleOptions, dispute};
use crate::study::collect::Collector;
use crate::study::field::{Identity, field};
pub use crate::study::files::Event;
use crate::study::files::{PageOf, each_page, for_each_file, pool, threads};
use crate::study::input::{Input, beside_pictures, inputs};
use crate::study::output::Staging;
use crate::study::record::{Entry, Record, absolute};
use crate::study::result::{Failure, Field, SCHEMA_VERSION, Study, Tool};
use crate::study::scale_list::{self, SCALES_NAME, ScaleList};
use crate::study::scale_spread::odd_ones;
use crate::study::sheet::{self, SHEET_NAME, SheetRow};
use crate::warning::Warning;

/// Name of the command whose results these are.
const COMMAND: &str = "measure";

/// Of the test lines, only some this far apart are drawn, so that the picture stays visible.
const DRAWN_LINE_SPACING_PX: u32 = 96;

/// What a run is asked to do.
#[derive(Clone, Debug)]
pub struct Request {
    /// Folders or single pictures.
    pub roots: Vec<PathBuf>,
    /// Study sheet; `None` looks for `specimens.csv` in the first folder.
    pub sheet: Option<PathBuf>,
    /// File of scales; `None` looks for `scales.csv` in the first folder.
    pub scales: Option<PathBuf>,
    /// Results folder.
    pub out: PathBuf,
    /// Whether earlier results in it give way.
    pub replace: bool,
    /// Threads; `None` takes one for each core. The results do not depend on it.
    pub threads: Option<NonZeroUsize>,
    /// Everything that decides the numbers.
    pub options: Options,
}

/// What one page came to.
#[derive(Debug)]
pub enum Outcome {
    /// It was measured.
    Measured(Box<MeasuredField>),
    /// It was not.
    Failed(Failure),
}

/// A field, and what the study needs of its picture.
#[derive(Debug)]
pub struct MeasuredField {
    /// The field.
    pub field: Field,
    /// For finding overlapping pictures.
    pub fingerprint: Fingerprint,
    /// Small pictures for the report.
    pub pictures: FieldPictures,
}

/// What every file of the run is measured with.
struct Plan<'a> {
    options: &'a Options,
    sheet: &'a [SheetRow],
    scales: &'a ScaleList,
    said: ScaleOptions,
    staging: &'a Staging,
    stems: Vec<String>,
    thumbnail_side: u32,
    crop_width: u32,
}

/// Measures everything and writes the results folder.
///
/// # Errors
/// [`Error`] if the pictures cannot be listed, the sheet is wrong, or the results cannot be written; a picture that
/// fails becomes an entry of `failures` instead.
pub fn run(request: &Request, show: &(dyn Fn(Event<'_>) + Sync)) -> Result<Study, Error> {
    let options = request.options.clone().validated()?;
    let (inputs, mut warnings) = inputs(&request.roots)?;
    let sheet_path = request.sheet.clone().or_else(|| beside_pictures(&request.roots, SHEET_NAME));
    let sheet = sheet_path.as_deref().map(sheet::read).transpose()?.unwrap_or_default();
    warnings.extend(sheet.warnings());
    let sheet = sheet.rows;
    warnings.extend(unmatched_rows(&sheet, &inputs));
    let scales_path = request.scales.clone().or_else(|| beside_pictures(&request.roots, SCALES_NAME));
    let scales = scales_path.as_deref().map(scale_list::read).transpose()?.unwrap_or_default();
    warnings.extend(scales.warnings(&inputs));
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    show(Event::Started { files: inputs.len() });

    let names: Vec<&str> = inputs.iter().map(Input::name_without_ending).collect();
    let plan = Plan {
        options: &options,
        sheet: &sheet,
        scales: &scales,
        said: options.scale()?,
        staging: &staging,
        stems: report::file_stems(&names),
        thumbnail_side: report::html::thumbnail_side(inputs.len()),
        crop_width: report::html::crop_width(inputs.len()),
    };
    let specimens = inputs.iter().map(|input| specimen_of(&sheet, input).0);
    let collector = Mutex::new(Collector::new(&staging, specimens, &sheet, options.surface)?);
    let threads = threads(request.threads);
    // Gathering holds a lock, so it has a pool of its own: a thread that waits in it must not take up another picture.
    let gathering = pool(threads)?;
    let measured = |index: usize, input: &Input| measure_file(index, input, &plan);
    for_each_file(&inputs, threads, &measured, &|index, (entries, outcomes): (_, Vec<Outcome>)| {
        for outcome in &outcomes {
            show(match outcome {
                Outcome::Measured(measured) => Event::Measured(&measured.field),
                Outcome::Failed(failure) => Event::Failed(failure),
            });
        }
        show(Event::FileDone);
        let mut locked = collector.lock().expect("invariant: no collector panics");
        let collector: &mut Collector<'_> = &mut locked;
        gathering.install(|| collector.add(index, entries, outcomes))
    })?;
    let collected = collector.into_inner().expect("invariant: no collector panics").finish()?;

    warnings.extend(odd_ones(scaled_fields(&collected.fields)));
    let study = Study {
        schema_version: SCHEMA_VERSION,
        tool: Tool::this(),
        options,
        fields: collected.fields,
        failures: collected.failures,
        specimens: collected.specimens,
        warnings,
    };
    gathering.install(|| report::folder::write(&study, &collected.pictures, &staging))?;
    let record = Record {
        command: COMMAND.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        roots: request.roots.iter().map(|root| absolute(root)).collect(),
        sheet: sheet_path.as_deref().map(absolute),
        scales: scales_path.as_deref().map(absolute),
        options: study.options.clone(),
        inputs: collected.inputs.into_iter().chain(scales.entry).collect(),
        outputs: staging.entries(),
    };
    staging.publish(&record)?;
    Ok(study)
}

/// Measures every page of a file. Only what keeps results from being written is an error.
fn measure_file(index: usize, input: &Input, plan: &Plan<'_>) -> Result<(Vec<Entry>, Vec<Outcome>), Error> {
    let (specimen, row) = specimen_of(plan.sheet, input);
    let said = plan.scales.said_of(input, &plan.said);
    let outcome = each_page(
        input,
        plan.options.max_pixels,
        |micrograph| {
            let measured = measure_at_scale(micrograph, plan.options, &said)?;
            if plan.options.require_scale {
                check_scale(&measured, &input.path)?;
            }
            Ok(measured)
        },
        |PageOf { sha256, page }, micrograph, measured| {
            let identity = Identity {
                file: input.name.clone(),
                page,
                sha256: sha256.to_owned(),
                specimen: specimen.clone(),
                surface: row.and_then(|r| r.surface).or(plan.options.surface),
            };
            finished(identity, &report::page_stem(&plan.stems[index], page), micrograph, measured, plan)
        },
    )?;
    let outcomes = outcome.pages.into_iter().map(|page| match page {
        Ok(measured) => Outcome::Measured(Box::new(measured)),
        Err(failure) => Outcome::Failed(failure),
    });
    Ok((outcome.entries, outcomes.collect()))
}

/// Writes the pictures of a measured field and turns it into its result.
fn finished(
    identity: Identity,
    stem: &str,
    micrograph: &Micrograph,
    measured: Measured,
    plan: &Plan<'_>,
) -> Result<MeasuredField, Error> {
    let drawn = drawn(micrograph, &measured, plan.options);
    let overlay = format!("overlays/{stem}.png");
    plan.staging.write(&overlay, &report::overlay::png(&drawn))?;
    let thumbnail = report::overlay::thumbnail(&drawn, plan.thumbnail_side);
    drop(drawn);
    let bar = measured.bar.as_ref().map(|bar| {
        let crop = BarCrop { bar, words: &[], width: plan.crop_width };
        report::overlay::packed_png(&bar_crop(&micrograph.grey, &crop))
    });
    if plan.options.label_maps
        && let Some(map) = &measured.grain_map
    {
        let (width, height) = (micrograph.grey.width(), micrograph.grey.height());
        let png = report::label_map::png(&map.labels, measured.frame, width, height)?;
        plan.staging.write(&format!("labels/{stem}.png"), &png)?;
    }
    let fingerprint = measured.fingerprint.clone();
    let mut field = field(identity, micrograph, measured, plan.options);
    field.overlay = Some(overlay);
    Ok(MeasuredField { field, fingerprint, pictures: FieldPictures { overlay: Some(thumbnail), bar } })
}

/// The picture with what was found drawn over it.
fn drawn(micrograph: &Micrograph, measured: &Measured, options: &Options) -> Overlay {
    let lines = if options.draw_lines {
        let every = (DRAWN_LINE_SPACING_PX / options.line_spacing).max(1);
        test_lines(measured.frame, measured.spacing, &options.line_options(), every as usize)
    } else {
        Vec::new()
    };
    let pull_out: Vec<bool> = measured.pores.iter().map(|pore| pore.pull_out).collect();
    let view = OverlayView {
        pores: Some(&measured.pore_map.labels),
        pull_out: &pull_out,
        grains: measured.grain_map.as_ref().map(|map| &map.labels),
        likely: measured.grain_map.as_ref().and_then(|map| map.likely.as_ref()),
        frame: measured.frame,
        bar: measured.scale.as_ref().and_then(|scale| scale.bar.as_ref()),
        lines: &lines,
    };
    overlay(&micrograph.grey, &view)
}

/// An error unless the scale is known and no other source contradicts it.
fn check_scale(measured: &Measured, path: &Path) -> Result<(), Error> {
    let refused = |why: String| Err(Error::Field { path: path.to_owned(), why });
    if measured.scale.is_none() {
        return refused(
            "no pixel size is known and --require-scale is set; give --pixel-size or --scale-bar".into(),
        );
    }
    match dispute(&measured.warnings) {
        Some(warning) => refused(format!("{}; --require-scale is set", warning.message)),
        None => Ok(()),
    }
}

/// The specimen of a picture, and its row in the sheet.
fn specimen_of<'a>(sheet: &'a [SheetRow], input: &Input) -> (String, Option<&'a SheetRow>) {
    let row = sheet.iter().find(|row| row.covers(&input.relative)).or_else(|| {
        let own = |row: &&SheetRow| row.specimen == input.folder;
        sheet.iter().find(own)
    });
    (row.map_or_else(|| input.folder.clone(), |row| row.specimen.clone()), row)
}

/// Rows without pictures, and pictures without a row, become warnings.
fn unmatched_rows(sheet: &[SheetRow], inputs: &[Input]) -> Vec<Warning> {
    let mut pictures: BTreeMap<String, usize> = BTreeMap::new();
    let mut rowless = BTreeMap::new();
    for input in inputs {
        let (specimen, row) = specimen_of(sheet, input);
        if row.is_none() && !sheet.is_empty() {
            *rowless.entry(specimen.clone()).or_insert(0) += 1;
        }
        *pictures.entry(specimen).or_insert(0) += 1;
    }
    let without_pictures = sheet.iter().filter(|row| !pictures.contains_key(&row.specimen)).map(|row| {
        let text =
            format!("the study sheet names specimen '{}', but no picture matches its pattern", row.specimen);
        Warning::new("specimen-without-pictures", text)
    });
    let without_row = rowless.iter().map(|(name, count)| {
        let text = format!(
            "{count} pictures of '{name}' have no row in the study sheet; they are measured all the same"
        );
        Warning::new("specimen-without-row", text)
    });
    without_pictures.chain(without_row).collect()
}

fn scaled_fields(fields: &[Field]) -> impl Iterator<Item = (&str, &Scale)> {
    fields.iter().filter_map(|field| Some((field.file.as_str(), field.scale.as_ref()?)))
}
