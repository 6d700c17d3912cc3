//! One file of a run: what decides its result, and how it is measured.

use std::path::Path;
use std::sync::Mutex;

use serde::Serialize;

use crate::error::Error;
use crate::measure::test_line::test_lines;
use crate::micrograph::Micrograph;
use crate::options::{Options, Surface};
use crate::pipeline::{Measured, measure_at_scale};
use crate::report;
use crate::report::html::FieldPictures;
use crate::report::overlay::{BarCrop, Overlay, OverlayView, bar_crop, overlay};
use crate::scale::{ScaleOptions, dispute};
use crate::study::agenda::{Agenda, Prepared};
use crate::study::field::{Identity, field};
use crate::study::files::{PageOf, Source, each_page};
use crate::study::input::Input;
use crate::study::part::{MeasuredField, Outcome, Part};
use crate::study::record::{Entry, sha256};
use crate::study::result::Failure;
use crate::timing::{Stage, Timings};

/// Of the test lines, only some this far apart are drawn, so that the picture stays visible.
const DRAWN_LINE_SPACING_PX: u32 = 96;

/// Takes an overlay or a label map, by its name within the results.
pub(super) type Keep<'a> = dyn Fn(&str, &[u8]) -> Result<(), Error> + Sync + 'a;

/// What every file of a run is measured with.
pub(super) struct Plan<'a> {
    prepared: &'a Prepared,
    said: ScaleOptions,
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
            thumbnail_side: report::html::thumbnail_side(files),
            crop_width: report::html::crop_width(files),
            timings: Timings::default(),
        })
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
pub(super) fn measure_file(
    index: usize,
    source: Result<Source, Failure>,
    key: String,
    plan: &Plan<'_>,
    keep: &Keep<'_>,
) -> Result<Part, Error> {
    let input: &Input = &plan.prepared.inputs[index];
    let listed = &plan.agenda().files[index];
    let said = plan.prepared.scales.said_of(input, &plan.said);
    let pictures = Mutex::new(Vec::new());
    let keep = |name: &str, bytes: &[u8]| {
        let entry = Entry { file: name.to_owned(), sha256: sha256(bytes) };
        pictures.lock().expect("invariant: nothing panics while it holds the list").push(entry);
        keep(name, bytes)
    };
    let outcome = each_page(
        input,
        source,
        plan.options().max_pixels,
        &plan.timings,
        |micrograph| {
            let measured = measure_at_scale(micrograph, plan.options(), &said, &plan.timings)?;
            if plan.options().require_scale {
                check_scale(&measured, &input.path)?;
            }
            Ok(measured)
        },
        |PageOf { sha256, page }, micrograph, measured| {
            let identity = Identity {
                file: input.name.clone(),
                page,
                sha256: sha256.to_owned(),
                specimen: listed.specimen.clone(),
                surface: plan.surface(index),
            };
            let pixels = micrograph.grey.width() * micrograph.grey.height();
            let stem = report::page_stem(&listed.stem, page);
            plan.timings.time(Stage::Pictures, pixels, || {
                finished(identity, &stem, micrograph, measured, plan, &keep)
            })
        },
    )?;
    let outcomes = outcome.pages.into_iter().map(|page| match page {
        Ok(measured) => Outcome::Measured(Box::new(measured)),
        Err(failure) => Outcome::Failed(failure),
    });
    let outcomes = outcomes.collect();
    let pictures = pictures.into_inner().expect("invariant: nothing panics while it holds the list");
    Ok(Part { key, entries: outcome.entries, pictures, outcomes })
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
