//! Pictures that do not fit into memory: measured by bands of rows, with seams joined exactly.
//!
//! ```text
//! TIFF ─► grey ─► picture ─► pore labels ─► boundary map ─► basins ─► grain labels ─► numbers
//! ```
//!
//! Everything picture-shaped lies in scratch files; in memory are a band of each, and tables of regions. A stage that looks
//! at the surroundings of a pixel is given so many rows more; one that sums over the picture is given its bands in turn;
//! regions are labelled within bands and joined across seams. So labels and numbers are those of the picture in one piece.

mod budget;
mod grains;
mod joining;
mod pores;
mod regions;
mod scratch;
mod stored_grey;

use std::io::Read as _;
use std::path::Path;

use rayon::prelude::*;

pub(crate) use budget::{Budget, in_words};
use grains::BandedGrains;
use pores::BandedPores;
use regions::Regions;
pub use scratch::StoredLabels;
use scratch::{Scratch, bands, free_bytes};
use stored_grey::StoredGrey;

use crate::error::Error;
use crate::grid::{Frame, Labels};
use crate::measure::grain::grains_of;
use crate::measure::intercept::{Intercepts, TestLines, intercepts_of};
use crate::measure::pore::{contacts_of_rows, places_of};
use crate::measure::pull_out::{GrainRange, Greys, Scratches, Surroundings};
use crate::measure::region::{Region, runs_of_rows};
use crate::measure::test_line::Kept;
use crate::micrograph::Grey;
use crate::micrograph::check;
use crate::micrograph::overlap::Fingerprint;
use crate::micrograph::streamed::{PageHead, StreamedTiff};
use crate::options::{BoundaryMethod, Options, PoreMethod};
use crate::pipeline::measured_frame;
use crate::scale::{Scale, ScaleOptions, without_bar};
use crate::statistics::covariance::{AreaFractionError, BlockCounts};
use crate::study::field::{Identity, Measures, field_of};
use crate::study::result::{Field, Pore, PorePlace};
use crate::timing::{Stage, Timings};
use crate::units::Spacing;
use crate::warning::Warning;

/// Bytes that a chord takes until it is written into a table, copies of it for pooling and sorting included; a third of that
/// while bands are read.
const BYTES_PER_CHORD: u64 = 24;
/// Bytes that a pore or a grain takes likewise; half of that while bands are read.
const BYTES_PER_ROW: u64 = 500;
/// Rows of the largest scratch files that exist at the same time, in bytes a pixel, for 8 and for 16 bits.
const SCRATCH_BYTES_PER_PX: u64 = 12;

/// Longest side of the middle that is drawn to be looked at.
const MIDDLE_PX: usize = 2048;
/// Bytes that a pixel takes while a picture is measured in one piece and its overlay is drawn.
const ONE_PIECE_BYTES_PER_PX: u64 = 32;

/// Bytes that measuring so many pixels in one piece takes, about.
pub(crate) fn one_piece_bytes(pixels: u64) -> u64 {
    pixels * ONE_PIECE_BYTES_PER_PX + budget::OWN_BYTES
}

/// Whether a file holds a page that in one piece would take more memory than is allowed.
///
/// # Errors
/// [`Error::Field`] if so, and it is no TIFF, so that it cannot be measured by bands; [`Error::Read`] if it cannot be read.
pub(crate) fn is_measured_by_bands(path: &Path, memory: u64) -> Result<bool, Error> {
    let refuse = |source| Error::Read { path: path.to_owned(), source };
    let mut start = Vec::new();
    let file = std::fs::File::open(path).map_err(refuse)?;
    let length = file.metadata().map_err(refuse)?.len();
    file.take(4).read_to_end(&mut start).map_err(refuse)?;
    let is_tiff = matches!(start[..], [b'I', b'I', 42 | 43, 0] | [b'M', b'M', 0, 42 | 43]);
    let pixels = if is_tiff { largest_page(path, memory) } else { raster_pixels(path) };
    if one_piece_bytes(pixels.unwrap_or(0)).saturating_add(length) <= memory {
        return Ok(false);
    }
    if is_tiff {
        return Ok(true);
    }
    let why = format!(
        "measuring it in one piece would take about {}, more than the {} that --memory allows, and only TIFF is measured by \
         bands; save it as TIFF, or allow more",
        in_words(one_piece_bytes(pixels.unwrap_or(0)).saturating_add(length)),
        in_words(memory)
    );
    Err(Error::Field { path: path.to_owned(), why })
}

/// Pixels of the largest page; `None` of a damaged file, whose measuring will say what is wrong with it.
fn largest_page(path: &Path, memory: u64) -> Option<u64> {
    let mut tiff = StreamedTiff::open(path, memory).ok()?;
    (0..tiff.pages())
        .filter_map(|page| tiff.size(page).ok())
        .map(|(width, height)| width as u64 * height as u64)
        .max()
}

fn raster_pixels(path: &Path) -> Option<u64> {
    let reader = image::ImageReader::open(path).ok()?.with_guessed_format().ok()?;
    let (width, height) = reader.into_dimensions().ok()?;
    Some(u64::from(width) * u64::from(height))
}

/// How a picture is measured by bands.
#[derive(Clone, Copy, Debug)]
pub struct BandOptions<'a> {
    /// Memory that may be taken, in bytes.
    pub memory: u64,
    /// Folder of the scratch files.
    pub folder: &'a Path,
}

/// What one picture yields by bands.
pub struct MeasuredByBands {
    measures: Measures,
    size: (usize, usize),
    bits: u8,
    /// For finding other pictures of the same place.
    pub fingerprint: Fingerprint,
    /// Pore labels, in coordinates of the measured frame.
    pub pore_labels: StoredLabels,
    /// Grain labels likewise; `None` where boundaries cannot carry a result.
    pub grain_labels: Option<StoredLabels>,
    middle: Middle,
}

/// The middle of a measured picture, to be looked at.
pub(crate) struct Middle {
    /// Its place in the picture.
    pub frame: Frame,
    /// Its greys, evened and denoised.
    pub grey: Grey,
    /// Labels of the whole map.
    pub pores: Labels,
    /// Labels of the whole map; `None` where boundaries cannot carry a result.
    pub grains: Option<Labels>,
}

impl Middle {
    fn of(measured: Frame, pores: &BandedPores, grains: Option<&BandedGrains>) -> Result<Self, Error> {
        let (width, height) = (measured.width.min(MIDDLE_PX), measured.height.min(MIDDLE_PX));
        let (x, y) = ((measured.width - width) / 2, (measured.height - height) / 2);
        let part = Frame { x, y, width, height };
        Ok(Self {
            frame: Frame { x: measured.x + x, y: measured.y + y, ..part },
            grey: Grey::Eight(pores.picture.read_part(part)?),
            pores: pores.labels.read_part(part)?,
            grains: grains.map(|found| found.labels.read_part(part)).transpose()?,
        })
    }
}

impl MeasuredByBands {
    /// The scale, if there is one.
    pub fn scale(&self) -> Option<&Scale> {
        self.measures.scale.as_ref()
    }

    /// Whether each pore looks pulled out, in the order of their labels.
    pub(crate) fn pull_out(&self) -> Vec<bool> {
        self.measures.pores.iter().map(|pore| pore.pull_out).collect()
    }

    /// The middle of what was measured.
    pub(crate) fn middle(&self) -> &Middle {
        &self.middle
    }

    /// Columns and rows of the picture.
    pub(crate) fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Doubts.
    pub fn warnings(&self) -> &[Warning] {
        &self.measures.warnings
    }

    /// The field of the result.
    pub fn into_field(self, identity: Identity, options: &Options) -> Field {
        let (width, height) = self.size;
        field_of(identity, (width, height, self.bits), self.measures, options)
    }
}

/// Measures a page, counted from 0, of a TIFF by bands of rows.
///
/// # Errors
/// [`Error::Option`] for options that need the picture in one piece, and if a band or the tables of its regions do not fit
/// into the memory; [`Error::Read`], [`Error::Write`] and [`Error::Picture`] for files.
pub fn measure_page(
    path: &Path,
    page: usize,
    options: &Options,
    bands: BandOptions<'_>,
) -> Result<MeasuredByBands, Error> {
    let mut tiff = StreamedTiff::open(path, bands.memory)?;
    let head = tiff.turn_to(page)?;
    measure(&mut tiff, head, (options, &options.scale()?), bands, &Timings::default())
}

/// Measures the page that was turned to, with what is said about its scale, and adds the time of every stage to `timings`.
pub(crate) fn measure(
    tiff: &mut StreamedTiff,
    head: PageHead,
    (options, said): (&Options, &ScaleOptions),
    bands: BandOptions<'_>,
    timings: &Timings,
) -> Result<MeasuredByBands, Error> {
    check_options(options, said)?;
    let budget = Budget::new(bands.memory, head.width)?;
    check_room(bands.folder, (head.width * head.height) as u64)?;
    let pixels = head.width * head.height;
    let copy = || StoredGrey::copied(tiff, &head, budget.piece_bytes(), bands.folder);
    let grey = timings.time(Stage::Decode, pixels, copy)?;
    let whole = Frame { x: 0, y: 0, width: head.width, height: head.height };
    let strip = timings.time(Stage::Strip, pixels, || grey.info_strip())?;
    let (frame, strip) = measured_frame(whole, strip, options)?;
    let read = without_bar(&head.claims, said);
    let spacing = read.scale.as_ref().map_or(Spacing::PIXELS, Scale::spacing);
    let grey = grey.framed(frame);
    let pixels = frame.width * frame.height;
    let check = || Ok::<_, Error>((check::findings(&grey.statistics()?), grey.fingerprint()?));
    let (mut findings, fingerprint) = timings.time(Stage::Check, pixels, check)?;
    let (folder, rows) = (bands.folder, budget.rows());
    let pores = timings.time(Stage::Pores, pixels, || {
        pores::find(&pores::Search { grey: &grey, options: &options.pore_options(), folder, rows })
    })?;
    drop(grey);
    let search = grains::Search {
        picture: &pores.picture,
        pores: &pores.labels,
        options: &options.grain_options(),
        folder,
        budget: &budget,
    };
    let grains = timings.time(Stage::Grains, pixels, || grains::find(&search))?;
    let warnings = [&head.warnings[..], &read.warnings, &pores.numbers.warnings, &grains.warnings].concat();
    let grains = grains.is_reliable.then_some(grains);
    let numbers = numbers(&pores, grains.as_ref(), (spacing, options), &budget, timings)?;
    let middle = Middle::of(frame, &pores, grains.as_ref())?;
    let mean_boundary_strength = grains.as_ref().map(|found| found.mean_boundary_strength);
    let count = grains.as_ref().map(|found| u64::from(found.labels.count));
    let grain_rows = grains
        .as_ref()
        .map_or(Vec::new(), |found| grains_of(&found.edges, found.labels.count, numbers.grain_regions));
    findings.extend(check::after_grains(
        numbers.intercepts.as_ref().map(|i| i.mean / spacing.pixel_area().sqrt()),
        count,
    ));
    Ok(MeasuredByBands {
        measures: Measures {
            frame,
            strip,
            scale: read.scale,
            bar: read.bar,
            spacing,
            findings,
            pore_numbers: pores.numbers,
            pores: numbers.pores,
            area_fraction_error: numbers.area_fraction_error,
            mean_boundary_strength,
            grains: grain_rows,
            intercepts: numbers.intercepts,
            warnings,
        },
        size: (head.width, head.height),
        bits: head.bits,
        fingerprint,
        pore_labels: pores.labels,
        grain_labels: grains.map(|found| found.labels),
        middle,
    })
}

/// An error for options that need the picture in one piece.
fn check_options(options: &Options, said: &ScaleOptions) -> Result<(), Error> {
    let refuse = |name, why: &str| Err(Error::Option { name, why: why.to_owned() });
    if matches!(options.pores, PoreMethod::Auto | PoreMethod::Learned | PoreMethod::EdgeLevel) {
        return refuse(
            "--pores",
            "a picture that is larger than --memory allows is measured by bands, for which auto, learned and edge-level \
             do not work; choose half-contrast, another rule, or a grey value",
        );
    }
    if options.boundaries == BoundaryMethod::Learned {
        return refuse(
            "--boundaries",
            "a picture that is larger than --memory allows is measured by bands, for which learned does not work; choose \
             ridge or gradient",
        );
    }
    if options.label_maps {
        return refuse(
            "--label-maps",
            "no label map is written of a picture that is larger than --memory allows; leave it out, or measure a part \
             with --crop in a picture of its own",
        );
    }
    if said.looks_at_bar() {
        return refuse(
            "--scale-bar",
            "no scale bar is looked for in a picture that is larger than --memory allows; type --pixel-size",
        );
    }
    Ok(())
}

/// An error if the scratch files will not fit beside the results.
fn check_room(folder: &Path, pixels: u64) -> Result<(), Error> {
    let needed = pixels * SCRATCH_BYTES_PER_PX;
    match free_bytes(folder) {
        Some(free) if free < needed => Err(Error::Field {
            path: folder.to_owned(),
            why: format!(
                "measuring by bands takes {} of scratch files here, and {} are free; make room, or name a results folder \
                 elsewhere",
                in_words(needed),
                in_words(free)
            ),
        }),
        _ => Ok(()),
    }
}

/// What is measured on the labels.
struct Numbers {
    pores: Vec<Pore>,
    grain_regions: Vec<Region>,
    area_fraction_error: Option<AreaFractionError>,
    intercepts: Option<Intercepts>,
}

fn numbers(
    pores: &BandedPores,
    grains: Option<&BandedGrains>,
    (spacing, options): (Spacing, &Options),
    budget: &Budget,
    timings: &Timings,
) -> Result<Numbers, Error> {
    let size = (pores.picture.width(), pores.picture.height());
    let mut survey = Survey::new(pores, grains, spacing, options);
    for rows in bands(size.1, budget.rows()) {
        let outer = rows.start..(rows.end + 1).min(size.1);
        let pixels = rows.len() * size.0;
        let pore_labels = timings.time(Stage::PoreMeasures, pixels, || {
            let labels = pores.labels.read(outer.clone())?;
            survey.add_pores(&labels, &pores.picture, &rows)?;
            Ok::<_, Error>(labels)
        })?;
        if let Some(found) = grains {
            let labels = timings.time(Stage::GrainMeasures, pixels, || {
                let labels = found.labels.read(outer)?;
                survey.add_grains(&labels, &pore_labels, &rows);
                Ok::<_, Error>(labels)
            })?;
            timings.time(Stage::Intercepts, pixels, || survey.add_lines(&labels, &rows));
        }
        survey.check(budget)?;
    }
    if let Some((found, lines)) = grains.zip(survey.lines.as_mut()).filter(|(_, lines)| lines.go_upwards()) {
        for rows in bands(size.1, budget.rows()).rev() {
            let pixels = rows.len() * size.0;
            timings.time(Stage::Intercepts, pixels, || {
                let labels = found.labels.read(rows.start..(rows.end + 1).min(size.1))?;
                lines.walk(rows.start, &labels.grid, rows, true);
                Ok::<_, Error>(())
            })?;
        }
    }
    timings.time(Stage::PoreMeasures, 0, || survey.finish(pores, grains))
}

/// Everything that one pass over the labels gathers.
struct Survey {
    size: (usize, usize),
    spacing: Spacing,
    pores: Regions,
    grains: Option<Regions>,
    covered: BlockCounts,
    greys: Greys,
    contacts: Vec<(u32, u32)>,
    lines: Option<TestLines>,
}

impl Survey {
    fn new(pores: &BandedPores, grains: Option<&BandedGrains>, spacing: Spacing, options: &Options) -> Self {
        let size = (pores.picture.width(), pores.picture.height());
        Self {
            size,
            spacing,
            pores: Regions::new(size, spacing, pores.last_rows.clone()),
            grains: grains.map(|found| Regions::new(size, spacing, found.last_rows.clone())),
            covered: BlockCounts::new(size.0, size.1),
            greys: Greys::default(),
            contacts: Vec::new(),
            lines: grains.map(|_| TestLines::new(size, spacing, &options.line_options(), Kept::Nothing)),
        }
    }

    fn add_pores(
        &mut self,
        labels: &Labels,
        picture: &Scratch<u8>,
        rows: &std::ops::Range<usize>,
    ) -> Result<(), Error> {
        let own = &labels.grid.as_slice()[..rows.len() * self.size.0];
        self.greys.add(Greys::of_pixels(own, picture.read(rows.clone())?.as_slice()));
        for (y, row) in rows.clone().zip(own.chunks_exact(self.size.0)) {
            self.covered.add_row(y, row);
        }
        self.pores.add(runs_of_rows(labels, (rows.start, self.size.1), rows.clone()), rows.end);
        Ok(())
    }

    fn add_grains(&mut self, labels: &Labels, pores: &Labels, rows: &std::ops::Range<usize>) {
        let mut contacts = contacts_of_rows(pores, labels, 0..rows.len());
        contacts.par_sort_unstable();
        contacts.dedup();
        self.contacts.append(&mut contacts);
        if let Some(grains) = &mut self.grains {
            grains.add(runs_of_rows(labels, (rows.start, self.size.1), rows.clone()), rows.end);
        }
    }

    fn add_lines(&mut self, labels: &Labels, rows: &std::ops::Range<usize>) {
        if let Some(lines) = &mut self.lines {
            lines.walk(rows.start, &labels.grid, rows.clone(), false);
        }
    }

    /// An error if what was gathered does not fit into the memory.
    fn check(&self, budget: &Budget) -> Result<(), Error> {
        let chords = self.lines.as_ref().map_or(0, TestLines::chords) as u64;
        let regions = (self.pores.count() + self.grains.as_ref().map_or(0, Regions::count)) as u64;
        let what = || format!("the {chords} chords and {regions} pores and grains of this picture");
        budget.check(chords * BYTES_PER_CHORD / 3 + regions * BYTES_PER_ROW / 2, what)?;
        budget.check_alone(chords * BYTES_PER_CHORD + regions * BYTES_PER_ROW, what)
    }

    fn finish(self, pores: &BandedPores, grains: Option<&BandedGrains>) -> Result<Numbers, Error> {
        let Self { size, spacing, mut contacts, .. } = self;
        let places = grains.map(|_| places_of(&mut contacts, pores.labels.count));
        let range = grains.and_then(|found| GrainRange::of(&found.areas));
        let scratches = Scratches::at(self.greys.contrast());
        let pull_out = |region: &Region| match &range {
            Some(range) if range.may_be_grain(region) => looks_pulled_out(pores, region, range, &scratches),
            _ => Ok(false),
        };
        let rows = self.pores.finish().into_par_iter().map(|region| {
            let place = places.as_ref().map_or(PorePlace::Unknown, |places| places[region.label as usize]);
            let pull_out = pull_out(&region)?;
            Ok(Pore { region, place, pull_out })
        });
        Ok(Numbers {
            pores: rows.collect::<Result<_, Error>>()?,
            grain_regions: self.grains.map_or(Vec::new(), Regions::finish),
            area_fraction_error: self.covered.area_fraction_error(),
            intercepts: self.lines.and_then(|lines| intercepts_of(lines.finish(), size, spacing)),
        })
    }
}

/// Whether a void that is as large as a grain looks pulled out, from the part of the picture around it.
fn looks_pulled_out(
    pores: &BandedPores,
    region: &Region,
    range: &GrainRange,
    scratches: &Scratches,
) -> Result<bool, Error> {
    let size = (pores.picture.width(), pores.picture.height());
    let reach = range.reach(region);
    let span = |start: usize, length: usize, whole: usize| {
        let first = start.saturating_sub(reach);
        (first, (start + length + reach).min(whole) - first)
    };
    let frame = region.bounding_box;
    let ((x, width), (y, height)) = (span(frame.x, frame.width, size.0), span(frame.y, frame.height, size.1));
    let part = Frame { x, y, width, height };
    let (labels, picture) = (pores.labels.read_part(part)?, pores.picture.read_part(part)?);
    let field = Surroundings { pores: &labels.grid, picture: &picture, corner: (x, y), size, scratches };
    Ok(field.looks_pulled_out(region, range))
}
