//! A whole run: pictures in, results folder out, with as many pictures in flight as there are threads.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::error::Error;
use crate::measure::test_line::test_lines;
use crate::micrograph::overlap::Fingerprint;
use crate::micrograph::{self, Micrograph, ReadOptions};
use crate::options::Options;
use crate::pipeline::{Measured, measure};
use crate::report;
use crate::report::overlay::{Overlay, OverlayView, overlay};
use crate::study::collect::Collector;
use crate::study::field::{Identity, field};
use crate::study::input::{Input, inputs};
use crate::study::output::Staging;
use crate::study::record::{Entry, Record, absolute, sha256};
use crate::study::result::{Failure, Field, SCHEMA_VERSION, Study, Tool};
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
    /// Results folder.
    pub out: PathBuf,
    /// Whether earlier results in it give way.
    pub replace: bool,
    /// Threads; `None` takes one for each core. The results do not depend on it.
    pub threads: Option<NonZeroUsize>,
    /// Everything that decides the numbers.
    pub options: Options,
}

/// What happens during a run.
#[derive(Debug)]
pub enum Event<'a> {
    /// The pictures were listed.
    Started {
        /// Files to be measured.
        files: usize,
    },
    /// A field was measured.
    Measured(&'a Field),
    /// A picture could not be measured.
    Failed(&'a Failure),
    /// All pages of a file are done.
    FileDone,
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
    /// Small copy of the overlay for the report.
    pub thumbnail: Vec<u8>,
}

/// What every file of the run is measured with.
struct Plan<'a> {
    options: &'a Options,
    sheet: &'a [SheetRow],
    staging: &'a Staging,
    stems: Vec<String>,
    thumbnail_side: u32,
}

/// Measures everything and writes the results folder.
///
/// # Errors
/// [`Error`] if the pictures cannot be listed, the sheet is wrong, or the results cannot be written; a picture that
/// fails becomes an entry of `failures` instead.
pub fn run(request: &Request, show: &(dyn Fn(Event<'_>) + Sync)) -> Result<Study, Error> {
    let options = request.options.clone().validated()?;
    let (inputs, mut warnings) = inputs(&request.roots)?;
    let sheet_path = request.sheet.clone().or_else(|| sheet_beside(&request.roots));
    let sheet = sheet_path.as_deref().map(sheet::read).transpose()?.unwrap_or_default();
    warnings.extend(sheet.warnings());
    let sheet = sheet.rows;
    warnings.extend(unmatched_rows(&sheet, &inputs));
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    show(Event::Started { files: inputs.len() });

    let names: Vec<&str> = inputs.iter().map(|input| without_ending(&input.name)).collect();
    let plan = Plan {
        options: &options,
        sheet: &sheet,
        staging: &staging,
        stems: report::file_stems(&names),
        thumbnail_side: report::html::thumbnail_side(inputs.len()),
    };
    let specimens = inputs.iter().map(|input| specimen_of(&sheet, input).0);
    let collector = Mutex::new(Collector::new(&staging, specimens, &sheet, options.surface)?);
    let threads = threads(request);
    // Gathering holds a lock, so it has a pool of its own: a thread that waits in it must not take up another picture.
    let gathering = pool(threads)?;
    measure_all(&inputs, &plan, threads, show, &|index, entry, outcomes| {
        let mut locked = collector.lock().expect("invariant: no collector panics");
        let collector: &mut Collector<'_> = &mut locked;
        gathering.install(|| collector.add(index, entry, outcomes))
    })?;
    let collected = collector.into_inner().expect("invariant: no collector panics").finish()?;

    let study = Study {
        schema_version: SCHEMA_VERSION,
        tool: Tool { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() },
        options,
        fields: collected.fields,
        failures: collected.failures,
        specimens: collected.specimens,
        warnings,
    };
    gathering.install(|| report::folder::write(&study, &collected.thumbnails, &staging))?;
    let record = Record {
        command: COMMAND.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        roots: request.roots.iter().map(|root| absolute(root)).collect(),
        sheet: sheet_path.as_deref().map(absolute),
        options: study.options.clone(),
        inputs: collected.inputs,
        outputs: staging.entries(),
    };
    staging.publish(&record)?;
    Ok(study)
}

/// Runs every file through the pipeline; each of `threads` workers has one file in flight.
fn measure_all(
    inputs: &[Input],
    plan: &Plan<'_>,
    threads: NonZeroUsize,
    show: &(dyn Fn(Event<'_>) + Sync),
    gather: &(dyn Fn(usize, Option<Entry>, Vec<Outcome>) -> Result<(), Error> + Sync),
) -> Result<(), Error> {
    // A file runs on the pool, not on its worker: the pool then shares its threads between and inside pictures, and
    // workers only bound how many pictures are in memory.
    let pool = pool(threads)?;
    let next = AtomicUsize::new(0);
    let work = || -> Result<(), Error> {
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(input) = inputs.get(index) else { return Ok(()) };
            let (entry, outcomes) = pool.install(|| measure_file(input, index, plan))?;
            for outcome in &outcomes {
                show(match outcome {
                    Outcome::Measured(measured) => Event::Measured(&measured.field),
                    Outcome::Failed(failure) => Event::Failed(failure),
                });
            }
            show(Event::FileDone);
            gather(index, entry, outcomes)?;
        }
    };
    let stop_all = || {
        let result = work();
        if result.is_err() {
            next.store(inputs.len(), Ordering::Relaxed);
        }
        result
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads.get().min(inputs.len())).map(|_| scope.spawn(stop_all)).collect();
        workers.into_iter().try_for_each(|w| w.join().expect("invariant: workers hand on their errors"))
    })
}

fn pool(threads: NonZeroUsize) -> Result<rayon::ThreadPool, Error> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads.get())
        .build()
        .map_err(|e| Error::Option { name: "--threads", why: e.to_string() })
}

/// Measures every page of a file. Only what keeps results from being written is an error.
fn measure_file(
    input: &Input,
    index: usize,
    plan: &Plan<'_>,
) -> Result<(Option<Entry>, Vec<Outcome>), Error> {
    let fail = |page, error: String| Outcome::Failed(Failure { file: input.name.clone(), page, error });
    let bytes = match std::fs::read(&input.path) {
        Ok(bytes) => bytes,
        Err(source) => {
            let error = Error::Read { path: input.path.clone(), source };
            return Ok((None, vec![fail(None, error.to_string())]));
        }
    };
    let entry = Entry { file: input.name.clone(), sha256: sha256(&bytes) };
    let read_options = ReadOptions { max_pixels: plan.options.max_pixels };
    // A decoder that panics on a damaged file must not take the other pictures with it.
    let pages = match guarded(|| micrograph::pages(&bytes, &input.path, &read_options)) {
        Ok(pages) => pages,
        Err(error) => return Ok((Some(entry), vec![fail(None, error)])),
    };
    let count = pages.count();
    let mut outcomes = Vec::with_capacity(count);
    for index_in_file in 0..count {
        let page = (count > 1).then_some(index_in_file as u32 + 1);
        let (specimen, row) = specimen_of(plan.sheet, input);
        let identity = Identity {
            file: input.name.clone(),
            page,
            sha256: entry.sha256.clone(),
            specimen,
            surface: row.and_then(|r| r.surface).or(plan.options.surface),
        };
        let measured = guarded(|| {
            let micrograph = pages.read(index_in_file)?;
            let measured = measure(&micrograph, plan.options)?;
            if plan.options.require_scale {
                check_scale(&measured, &input.path)?;
            }
            Ok((micrograph, measured))
        });
        outcomes.push(match measured {
            Ok((micrograph, measured)) => {
                let stem = page.map_or_else(
                    || plan.stems[index].clone(),
                    |page| format!("{}-page-{page}", plan.stems[index]),
                );
                Outcome::Measured(Box::new(finished(identity, &stem, &micrograph, measured, plan)?))
            }
            Err(error) => fail(page, error),
        });
    }
    Ok((Some(entry), outcomes))
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
    Ok(MeasuredField { field, fingerprint, thumbnail })
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

/// Runs `f` and turns errors and panics into text.
fn guarded<T>(f: impl FnOnce() -> Result<T, Error>) -> Result<T, String> {
    match catch_unwind(AssertUnwindSafe(f)) {
        Ok(result) => result.map_err(|error| error.to_string()),
        Err(panic) => {
            let text = panic
                .downcast_ref::<String>()
                .map(String::as_str)
                .or_else(|| panic.downcast_ref::<&str>().copied())
                .unwrap_or("no text");
            Err(format!("the program failed on this picture ({text}); please report it with the picture"))
        }
    }
}

/// An error unless the scale is known and no other source contradicts it.
fn check_scale(measured: &Measured, path: &Path) -> Result<(), Error> {
    let refused = |why: String| Err(Error::Field { path: path.to_owned(), why });
    if measured.scale.is_none() {
        return refused(
            "no pixel size is known and --require-scale is set; give --pixel-size or --scale-bar".into(),
        );
    }
    match measured.warnings.iter().find(|warning| warning.code == "scale-sources-disagree") {
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

fn sheet_beside(roots: &[PathBuf]) -> Option<PathBuf> {
    roots.iter().map(|root| root.join(SHEET_NAME)).find(|path| path.is_file())
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

/// A file's name without its ending, which the pictures that are written replace by their own.
fn without_ending(name: &str) -> &str {
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

fn threads(request: &Request) -> NonZeroUsize {
    request.threads.or_else(|| std::thread::available_parallelism().ok()).unwrap_or(NonZeroUsize::MIN)
}
