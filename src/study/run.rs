//! A whole run: pictures in, results folder out, with as many pictures in flight as there are threads.

use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::sync::Mutex;

use crate::error::Error;
use crate::options::Options;
use crate::report;
use crate::scale::Scale;
use crate::study::agenda::{Agenda, prepare};
use crate::study::collect::{Arrival, Collected, Collector};
pub use crate::study::files::Event;
use crate::study::files::{for_each_file, pool, threads};
use crate::study::input::Input;
use crate::study::measure_file::{Plan, measure_file};
use crate::study::output::Staging;
use crate::study::part::{self, Kept, Outcome};
use crate::study::record::{Basis, Record, changed};
use crate::study::result::{Field, SCHEMA_VERSION, Study, Tool};
use crate::study::results;
use crate::study::scale_spread::odd_ones;
use crate::study::workplace;

/// Name of the command whose results these are.
pub(super) const COMMAND: &str = "measure";

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
    /// Whether what an interrupted run had measured is taken over, and what this run measures is kept until it is complete.
    /// The results do not depend on it.
    pub resume: bool,
    /// Threads; `None` takes one for each core. The results do not depend on it.
    pub threads: Option<NonZeroUsize>,
    /// Everything that decides the numbers.
    pub options: Options,
}

/// Measures everything and writes the results folder.
///
/// # Errors
/// [`Error`] if the pictures cannot be listed, the sheet is wrong, or the results cannot be written; a picture that
/// fails becomes an entry of `failures` instead.
pub fn run(request: &Request, show: &(dyn Fn(Event<'_>) + Sync)) -> Result<Study, Error> {
    let prepared = prepare(request)?;
    let plan = Plan::new(&prepared)?;
    let agenda = &prepared.agenda;
    if request.resume {
        let digest = |keys: &[String]| agenda.digest(keys);
        if is_complete(request, COMMAND, &plan, prepared.inputs.iter().enumerate(), &digest) {
            show(Event::Unchanged);
            workplace::clear(&request.out);
            return Ok(results::read(&request.out)?.study);
        }
    }
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    let desk = Desk::new(request, &plan, &staging, show);
    show(Event::Started { files: prepared.inputs.len() });
    let collector = Mutex::new(Collector::new(&staging, agenda)?);
    let threads = threads(request.threads);
    // Gathering holds a lock, so it has a pool of its own: a thread that waits in it must not take up another picture.
    let gathering = pool(threads)?;
    for_each_file(
        &prepared.inputs,
        (threads, plan.at_once(threads)),
        &|index, input| desk.file(index, input),
        &|index, arrival| {
            show(Event::FileDone);
            let mut locked = collector.lock().expect("invariant: no collector panics");
            let collector: &mut Collector<'_> = &mut locked;
            gathering.install(|| collector.add(index, arrival))
        },
    )?;
    show(Event::Timed(&plan.timings));
    let collected = collector.into_inner().expect("invariant: no collector panics").finish()?;
    gathering.install(|| conclude(agenda, collected, staging))
}

/// Turns everything that was gathered into the results folder.
pub(super) fn conclude(agenda: &Agenda, collected: Collected, staging: Staging) -> Result<Study, Error> {
    let mut warnings = agenda.warnings.clone();
    warnings.extend(odd_ones(scaled_fields(&collected.fields)));
    let study = Study {
        schema_version: SCHEMA_VERSION,
        tool: Tool::this(),
        options: agenda.options.clone(),
        fields: collected.fields,
        failures: collected.failures,
        specimens: collected.specimens,
        warnings,
    };
    report::folder::write(&study, &collected.pictures, &staging)?;
    let scales = agenda.scales.as_ref();
    let record = Record {
        command: COMMAND.into(),
        version: agenda.version.clone(),
        roots: agenda.roots.clone(),
        sheet: agenda.sheet.as_ref().map(|sheet| sheet.path.clone()),
        scales: scales.map(|scales| scales.path.clone()),
        options: agenda.options.clone(),
        inputs: collected.inputs.into_iter().chain(scales.map(|scales| scales.entry.clone())).collect(),
        digest: agenda.digest(&collected.keys),
        outputs: staging.entries(),
    };
    staging.publish(&record)?;
    Ok(study)
}

/// Where the files of a run are measured, or taken over from an interrupted one.
pub(super) struct Desk<'a> {
    plan: &'a Plan<'a>,
    staging: &'a Staging,
    /// Folder of the parts that are taken over and kept.
    parts: Option<PathBuf>,
    show: &'a (dyn Fn(Event<'_>) + Sync),
}

impl<'a> Desk<'a> {
    /// A desk of a run that is asked for; says what an interrupted run left if it is not taken over.
    pub fn new(
        request: &Request,
        plan: &'a Plan<'a>,
        staging: &'a Staging,
        show: &'a (dyn Fn(Event<'_>) + Sync),
    ) -> Self {
        let parts = staging.parts();
        let left = || std::fs::read_dir(&parts).map_or(0, Iterator::count);
        if !request.resume
            && let files @ 1.. = left()
        {
            show(Event::LeftAside { files });
        }
        Self { plan, staging, parts: request.resume.then_some(parts), show }
    }

    /// What came of a file.
    pub fn file(&self, index: usize, input: &Input) -> Result<Arrival, Error> {
        let source = self.plan.source(input);
        let key = self.plan.key(index, source.as_ref().ok());
        let Some(parts) = &self.parts else {
            let keep = |name: &str, bytes: &[u8]| self.staging.write(name, bytes);
            let part = measure_file(index, source, key, self.plan, (&keep, self.staging.scratch()))?;
            self.show(&part.outcomes);
            return Ok(Arrival::Here(Box::new(part)));
        };
        let folder = parts.join(&key);
        if let Some(kept) = Kept::left_in(&folder) {
            (self.show)(Event::TakenOver(&input.name));
            return Ok(Arrival::Kept(kept));
        }
        part::fresh_folder(&folder)?;
        let keep = |name: &str, bytes: &[u8]| part::write(&folder, name, bytes);
        let part = measure_file(index, source, key, self.plan, (&keep, self.staging.scratch()))?;
        self.show(&part.outcomes);
        Kept::keep(&part, &folder).map(Arrival::Kept)
    }

    fn show(&self, outcomes: &[Outcome]) {
        for outcome in outcomes {
            (self.show)(match outcome {
                Outcome::Measured(measured) => Event::Measured(&measured.field),
                Outcome::Failed(failure) => Event::Failed(failure),
            });
        }
    }
}

/// Whether the target holds what this run would write: whole, and made from what is there now.
pub(super) fn is_complete<'a>(
    request: &Request,
    command: &str,
    plan: &Plan<'_>,
    inputs: impl Iterator<Item = (usize, &'a Input)>,
    digest: &dyn Fn(&[String]) -> String,
) -> bool {
    let Ok(standing) = Basis::read(&request.out) else { return false };
    if standing.command != command || !changed(&request.out, &standing.outputs).is_empty() {
        return false;
    }
    let keys: Vec<String> =
        inputs.map(|(index, input)| plan.key(index, plan.source(input).ok().as_ref())).collect();
    digest(&keys) == standing.digest
}

fn scaled_fields(fields: &[Field]) -> impl Iterator<Item = (&str, &Scale)> {
    fields.iter().filter_map(|field| Some((field.file.as_str(), field.scale.as_ref()?)))
}
