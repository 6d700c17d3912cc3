//! One file of a run: what decides its result, and how it is measured.

use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::Mutex;

use serde::Serialize;

use crate::bands::{self, BandOptions, MeasuredByBands, in_words, is_measured_by_bands, one_piece_bytes};
use crate::error::Error;
use crate::grid::Frame;
use crate::measure::test_line::test_lines;
use crate::micrograph::Micrograph;
use crate::micrograph::streamed::StreamedTiff;
use crate::options::{Options, Surface};
use crate::pipeline::{Measured, measure_at_scale};
use crate::report;
use crate::report::html::FieldPictures;
use crate::report::overlay::{BarCrop, Overlay, OverlayView, bar_crop, overlay};
use crate::scale::{ScaleOptions, dispute};
use crate::study::agenda::{Agenda, Prepared};
use crate::study::field::{Identity, field};
use crate::study::files::{FileOutcome, PageOf, Source, each_page, guarded, none_is_banded};
use crate::study::input::Input;
use crate::study::part::{MeasuredField, Outcome, Part};
use crate::study::record::{Entry, sha256};
use crate::study::result::Failure;
use crate::timing::{Stage, Timings};
use crate::warning::Warning;

/// Of the test lines, only some this far apart are drawn, so that the picture stays visible.
const DRAWN_LINE_SPACING_PX: u32 = 96;

/// Takes an overlay or a label map, by its name within the results.
pub(super) type Keep<'a> = dyn Fn(&str, &[u8]) -> Result<(), Error> + Sync + 'a;

/// What every file of a run is measured with.
pub(super) struct Plan<'a> {
    prepared: &'a Prepared,
    said: ScaleOptions,
    /// Memory that may be taken, in bytes.
    memory: Option<u64>,
    thumbnail_side: u32,
    crop_width: u32,
    /// What the stages took so far.
    pub timings: Timings,
}

/// Everything that decides the part of a file.
#[derive(Serialize)]
struct Decisive<'a> {
    version: &'a str,
    options: &'a Options,
    /// The file and every text beside it.
    read: Option<Vec<&'a Entry>>,
    name: &'a str,
    stem: &'a str,
    specimen: &'a str,
    surface: Option<Surface>,
    scale: ScaleOptions,
    thumbnail_side: u32,
    crop_width: u32,
}

impl<'a> Plan<'a> {
    /// The plan of a run.
    ///
    /// # Errors
    /// [`Error::LengthText`] if a typed length cannot be read.
    pub fn new(prepared: &'a Prepared) -> Result<Self, Error> {
        let files = prepared.agenda.files.len();
        Ok(Self {
            prepared,
            said: prepared.agenda.options.scale()?,
            memory: prepared.agenda.options.memory_bytes()?,
            thumbnail_side: report::html::thumbnail_side(files),
            crop_width: report::html::crop_width(files),
            timings: Timings::default(),
        })
    }

    /// A file as it was found; if it is a picture that is larger than the memory allowed, it stays there.
    pub fn source(&self, input: &Input) -> Result<Source, Failure> {
        match self.memory {
            Some(memory) => Source::read(input, &|path| is_measured_by_bands(path, memory)),
            None => Source::read(input, &none_is_banded),
        }
    }

    /// How many files are in flight: where memory is bounded, one has it all.
    pub fn at_once(&self, threads: NonZeroUsize) -> NonZeroUsize {
        if self.memory.is_some() { NonZeroUsize::MIN } else { threads }
    }

    fn agenda(&self) -> &Agenda {
        &self.prepared.agenda
    }

    fn options(&self) -> &Options {
        &self.agenda().options
    }

    fn surface(&self, index: usize) -> Option<Surface> {
        let listed = &self.agenda().files[index];
        self.agenda().specimens.get(&listed.specimen).and_then(|said| said.surface)
    }

    /// What identifies a page of file `index`.
    fn identity(&self, index: usize, page: Option<u32>, sha256: &str) -> Identity {
        Identity {
            file: self.prepared.inputs[index].name.clone(),
            page,
            sha256: sha256.to_owned(),
            specimen: self.agenda().files[index].specimen.clone(),
            surface: self.surface(index),
        }
    }

    /// Hash of everything that decides the part of file `index`; `source` is `None` if it cannot be read.
    pub fn key(&self, index: usize, source: Option<&Source>) -> String {
        let listed = &self.agenda().files[index];
        let decisive = Decisive {
            version: &self.agenda().version,
            options: self.options(),
            read: source.map(Source::entries),
            name: &listed.name,
            stem: &listed.stem,
            specimen: &listed.specimen,
            surface: self.surface(index),
            scale: self.prepared.scales.said_of(&self.prepared.inputs[index], &self.said),
            thumbnail_side: self.thumbnail_side,
            crop_width: self.crop_width,
        };
        sha256(&serde_json::to_vec(&decisive).expect("invariant: what decides is plain data"))
    }
}

/// Measures every page of a file. Only what keeps results from being written is an error.
///
/// Pictures go to `keep`; scratch files lie in the folder beside it while the file is measured.
pub(super) fn measure_file(
    index: usize,
    source: Result<Source, Failure>,
    key: String,
    plan: &Plan<'_>,
    (keep, scratch): (&Keep<'_>, &Path),
) -> Result<Part, Error> {
    let pictures = Mutex::new(Vec::new());
    let keep = |name: &str, bytes: &[u8]| {
        let entry = Entry { file: name.to_owned(), sha256: sha256(bytes) };
        pictures.lock().expect("invariant: nothing panics while it holds the list").push(entry);
        keep(name, bytes)
    };
    let outcome = match (&source, plan.memory) {
        (Ok(banded), Some(memory)) if banded.is_banded() => {
            by_bands(index, banded, plan, &keep, BandOptions { memory, folder: scratch })
        }
        _ => in_one_piece(index, source, plan, &keep),
    }?;
    let outcomes = outcome.pages.into_iter().map(|page| match page {
        Ok(measured) => Outcome::Measured(Box::new(measured)),
        Err(failure) => Outcome::Failed(failure),
    });
    let outcomes = outcomes.collect();
    let pictures = pictures.into_inner().expect("invariant: nothing panics while it holds the list");
    Ok(Part { key, entries: outcome.entries, pictures, outcomes })
}

/// Measures every page of a file in one piece.
fn in_one_piece(
    index: usize,
    source: Result<Source, Failure>,
    plan: &Plan<'_>,
    keep: &Keep<'_>,
) -> Result<FileOutcome<MeasuredField>, Error> {
    let input = &plan.prepared.inputs[index];
    let said = plan.prepared.scales.said_of(input, &plan.said);
    each_page(
        input,
        source,
        plan.options().max_pixels,
        &plan.timings,
        |micrograph| {
            let measured = measure_at_scale(micrograph, plan.options(), &said, &plan.timings)?;
            if plan.options().require_scale {
                check_scale(measured.scale.is_some(), &measured.warnings, &input.path)?;
            }
            Ok(measured)
        },
        |PageOf { sha256, page }, micrograph, measured| {
            let identity = plan.identity(index, page, sha256);
            let stem = report::page_stem(&plan.agenda().files[index].stem, page);
            let pixels = micrograph.grey.width() * micrograph.grey.height();
            plan.timings
                .time(Stage::Pictures, pixels, || finished(identity, &stem, micrograph, measured, plan, keep))
        },
    )
}

/// Measures every page of a file by bands of rows.
fn by_bands(
    index: usize,
    source: &Source,
    plan: &Plan<'_>,
    keep: &Keep<'_>,
    bands: BandOptions<'_>,
) -> Result<FileOutcome<MeasuredField>, Error> {
    let input = &plan.prepared.inputs[index];
    let failed = |page, error: String| Failure { file: input.name.clone(), page, error };
    let mut states = vec![false; source.texts.len()];
    let mut pages = Vec::new();
    match guarded(|| StreamedTiff::open(&input.path, bands.memory)) {
        Err(error) => pages.push(Err(failed(None, error))),
        Ok(mut tiff) => {
            for place in 0..tiff.pages() {
                let page = (tiff.pages() > 1).then_some(place as u32 + 1);
                let measured =
                    guarded(|| page_by_bands(&mut tiff, (index, place), source, &mut states, plan, bands));
                pages.push(match measured {
                    Ok(measured) => {
                        let identity = plan.identity(index, page, &source.entry.sha256);
                        let stem = report::page_stem(&plan.agenda().files[index].stem, page);
                        let (width, height) = measured.size();
                        Ok(plan.timings.time(Stage::Pictures, width * height, || {
                            finished_by_bands(identity, &stem, measured, plan, (keep, bands.memory))
                        })?)
                    }
                    Err(error) => Err(failed(page, error)),
                });
            }
        }
    }
    let of_texts = source.texts.iter().zip(states).filter(|(_, states)| *states).map(|(text, _)| &text.1);
    let entries = std::iter::once(&source.entry).chain(of_texts).cloned().collect();
    Ok(FileOutcome { entries, pages })
}

/// Measures a page by its place in a file, given by its own in the list.
fn page_by_bands(
    tiff: &mut StreamedTiff,
    (index, place): (usize, usize),
    source: &Source,
    states: &mut [bool],
    plan: &Plan<'_>,
    bands: BandOptions<'_>,
) -> Result<MeasuredByBands, Error> {
    let input = &plan.prepared.inputs[index];
    let mut head = tiff.turn_to(place)?;
    let size = (head.width, head.height);
    for ((text, _), states) in source.texts.iter().zip(states) {
        *states |= text.tell_of(size, &mut head.claims, &mut head.warnings);
    }
    let said = plan.prepared.scales.said_of(input, &plan.said);
    let measured = bands::measure(tiff, head, (plan.options(), &said), bands, &plan.timings)?;
    if plan.options().require_scale {
        check_scale(measured.scale().is_some(), measured.warnings(), &input.path)?;
    }
    Ok(measured)
}

/// Draws the middle of a measured picture and turns it into its result.
fn finished_by_bands(
    identity: Identity,
    stem: &str,
    measured: MeasuredByBands,
    plan: &Plan<'_>,
    (keep, memory): (&Keep<'_>, u64),
) -> Result<MeasuredField, Error> {
    let middle = measured.middle();
    let (width, height) = (middle.frame.width, middle.frame.height);
    let drawn = overlay(
        &middle.grey,
        &OverlayView {
            pores: Some(&middle.pores),
            pull_out: &measured.pull_out(),
            grains: middle.grains.as_ref(),
            likely: None,
            frame: Frame { x: 0, y: 0, width, height },
            bar: None,
            lines: &[],
        },
    );
    let name = format!("overlays/{stem}.png");
    keep(&name, &report::overlay::png(&drawn))?;
    let thumbnail = report::overlay::thumbnail(&drawn, plan.thumbnail_side);
    let warning = measured_by_bands(measured.size(), middle.frame, memory);
    let fingerprint = measured.fingerprint.clone();
    let mut field = measured.into_field(identity, plan.options());
    field.warnings.push(warning);
    field.overlay = Some(name);
    Ok(MeasuredField { field, fingerprint, pictures: FieldPictures { overlay: Some(thumbnail), bar: None } })
}

fn measured_by_bands((width, height): (usize, usize), middle: Frame, memory: u64) -> Warning {
    let text = format!(
        "{width} x {height} px in one piece would take about {}, more than the {} that --memory allows, so the picture was \
         measured by bands of rows: its numbers are the same, but the overlay shows only its middle, {} x {} px from column {} \
         and row {} on, without test lines, and no scale bar was looked for",
        in_words(one_piece_bytes(width as u64 * height as u64)),
        in_words(memory),
        middle.width,
        middle.height,
        middle.x,
        middle.y
    );
    Warning::new("measured-by-bands", text)
}

/// Writes the pictures of a measured field and turns it into its result.
fn finished(
    identity: Identity,
    stem: &str,
    micrograph: &Micrograph,
    measured: Measured,
    plan: &Plan<'_>,
    keep: &Keep<'_>,
) -> Result<MeasuredField, Error> {
    let drawn = drawn(micrograph, &measured, plan.options());
    let overlay = format!("overlays/{stem}.png");
    keep(&overlay, &report::overlay::png(&drawn))?;
    let thumbnail = report::overlay::thumbnail(&drawn, plan.thumbnail_side);
    drop(drawn);
    let bar = measured.bar.as_ref().map(|bar| {
        let crop = BarCrop { bar, words: &[], width: plan.crop_width };
        report::overlay::packed_png(&bar_crop(&micrograph.grey, &crop))
    });
    if plan.options().label_maps
        && let Some(map) = &measured.grain_map
    {
        let (width, height) = (micrograph.grey.width(), micrograph.grey.height());
        let png = report::label_map::png(&map.labels, measured.frame, width, height)?;
        keep(&format!("labels/{stem}.png"), &png)?;
    }
    let fingerprint = measured.fingerprint.clone();
    let mut field = field(identity, micrograph, measured, plan.options());
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
fn check_scale(is_known: bool, warnings: &[Warning], path: &Path) -> Result<(), Error> {
    let refused = |why: String| Err(Error::Field { path: path.to_owned(), why });
    if !is_known {
        return refused(
            "no pixel size is known and --require-scale is set; give --pixel-size or --scale-bar".into(),
        );
    }
    match dispute(warnings) {
        Some(warning) => refused(format!("{}; --require-scale is set", warning.message)),
        None => Ok(()),
    }
}
