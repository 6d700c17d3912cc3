//! The scales of a whole folder, found without measuring anything, so that they can be looked at and settled first.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::micrograph::{Micrograph, info_strip};
use crate::options::Options;
use crate::report;
use crate::report::overlay::{BarCrop, bar_crop, packed_png};
use crate::scale::{BarReading, Scale, ScaleOptions, ScaleReading, TypedScale, determine, dispute};
use crate::study::files::{Event, PageOf, Source, each_page, for_each_file, none_is_banded, threads};
use crate::study::input::{Input, beside_pictures, inputs};
use crate::study::output::Staging;
use crate::study::record::Written;
use crate::study::result::{Failure, Tool};
use crate::study::scale_list::{self, NewRow, SCALES_NAME, ScaleList};
use crate::study::scale_spread::{odd_ones, scales_differ};
use crate::timing::Timings;
use crate::warning::Warning;

/// Name of the command whose results these are.
const COMMAND: &str = "scale";

/// Version of the form of [`Survey`].
pub const SCHEMA_VERSION: u32 = 1;

/// Width of a written crop in px.
const CROP_WIDTH: u32 = 960;

/// What a survey is asked to do.
#[derive(Clone, Debug)]
pub struct Request {
    /// Folders or single pictures.
    pub roots: Vec<PathBuf>,
    /// File of scales; `None` looks for `scales.csv` in the first folder.
    pub scales: Option<PathBuf>,
    /// Folder for a picture of each bar, if they are wanted.
    pub crops: Option<PathBuf>,
    /// File of scales to which rows are added, if that is wanted.
    pub save: Option<PathBuf>,
    /// Whether earlier crops, and rows already there for the same pictures, give way.
    pub replace: bool,
    /// Threads; `None` takes one for each core. The result does not depend on it.
    pub threads: Option<NonZeroUsize>,
    /// Typed scale and largest picture; nothing else of it matters here.
    pub options: Options,
}

/// The scales of a folder.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Survey {
    /// Version of this form; it changes when a key is removed or changes its meaning.
    pub schema_version: u32,
    /// The program that looked.
    pub tool: Tool,
    /// One entry for each picture that could be read, by file name and page.
    pub pictures: Vec<PictureScale>,
    /// One entry for each picture that could not be read.
    pub failures: Vec<Failure>,
    /// Doubts about the folder as a whole.
    pub warnings: Vec<Warning>,
    /// Rows added to the file of scales; null if none were to be.
    pub rows_saved: Option<u64>,
}

/// What was found out about the scale of one picture.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct PictureScale {
    /// Path from the folder, with `/` between parts.
    pub file: String,
    /// Page within the file, from 1, where it has several.
    pub page: Option<u32>,
    /// SHA-256 of the file, in hexadecimal.
    pub sha256: String,
    /// Columns of the picture.
    pub width_px: usize,
    /// Rows of the picture.
    pub height_px: usize,
    /// Scale, if there is one.
    pub scale: Option<Scale>,
    /// The scale bar that was used, else the most likely one with the reason why it was not; null if none was seen.
    pub bar_reading: Option<BarReading>,
    /// Doubts about the scale and the file.
    pub warnings: Vec<Warning>,
    /// Path of the crop around the bar from the folder of crops; null without a bar, or if none were wanted.
    pub crop: Option<String>,
}

/// How far the scale of a picture can be relied on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Known, and nothing contradicts it.
    Known,
    /// Known, but from a bar that is uncertain.
    Doubtful,
    /// Known, but another source contradicts it.
    Disputed,
    /// Not known.
    Unknown,
}

impl PictureScale {
    /// How far its scale can be relied on.
    pub fn standing(&self) -> Standing {
        if self.scale.is_none() {
            Standing::Unknown
        } else if dispute(&self.warnings).is_some() {
            Standing::Disputed
        } else if self.warnings.iter().any(|warning| warning.code == "bar-uncertain") {
            Standing::Doubtful
        } else {
            Standing::Known
        }
    }
}

impl Survey {
    /// Whether every picture could be read and has a scale that nothing contradicts.
    pub fn is_settled(&self) -> bool {
        let settled =
            |picture: &PictureScale| matches!(picture.standing(), Standing::Known | Standing::Doubtful);
        self.failures.is_empty() && self.pictures.iter().all(settled)
    }
}

/// What every picture is looked at with.
struct Plan<'a> {
    scales: &'a ScaleList,
    said: ScaleOptions,
    max_pixels: u64,
    staging: Option<&'a Staging>,
    stems: Vec<String>,
}

/// Looks for the scale of every picture; writes crops, and rows of a file of scales, if they are wanted.
///
/// # Errors
/// [`Error`] if the pictures cannot be listed, a file of scales is wrong, a row to be saved is there already, or something
/// cannot be written; a picture that cannot be read becomes an entry of `failures` instead.
pub fn run(request: &Request, show: &(dyn Fn(Event<'_>) + Sync)) -> Result<Survey, Error> {
    let options = request.options.clone().validated()?;
    let said = options.scale()?;
    let typed = typed_for_all(request, &said)?;
    let (inputs, mut warnings) = inputs(&request.roots)?;
    let scales = list_to_use(request, &inputs)?;
    warnings.extend(scales.warnings(&inputs));
    let staging = request.crops.as_deref();
    let staging =
        staging.map(|crops| Staging::open_named(crops, COMMAND, "--crops", request.replace)).transpose()?;
    show(Event::Started { files: inputs.len() });

    let names: Vec<&str> = inputs.iter().map(Input::name_without_ending).collect();
    let plan = Plan {
        scales: &scales,
        said,
        max_pixels: options.max_pixels,
        staging: staging.as_ref(),
        stems: report::file_stems(&names),
    };
    let gathered: Mutex<BTreeMap<usize, Vec<Result<PictureScale, Failure>>>> = Mutex::default();
    let survey_one = |index: usize, input: &Input| survey_file(index, input, &plan);
    let threads = threads(request.threads);
    for_each_file(&inputs, (threads, threads), &survey_one, &|index, pages| {
        for page in &pages {
            show(match page {
                Ok(picture) => Event::Surveyed(picture),
                Err(failure) => Event::Failed(failure),
            });
        }
        show(Event::FileDone);
        gathered.lock().expect("invariant: no gatherer panics").insert(index, pages);
        Ok(())
    })?;
    let gathered = gathered.into_inner().expect("invariant: no gatherer panics");
    warnings.extend(spread(&inputs, &gathered));
    let rows = request.save.as_deref().map(|path| {
        gathered.iter().filter_map(|(&index, pages)| new_row(path, &inputs[index], pages, typed)).collect()
    });
    let rows: Option<Vec<NewRow>> = rows;
    if let (Some(path), Some(rows)) = (&request.save, &rows) {
        scale_list::save(path, rows)?;
    }
    if let Some(staging) = staging {
        let record = Written { command: COMMAND.into(), outputs: staging.entries() };
        staging.publish(&record)?;
    }
    let mut survey = Survey {
        schema_version: SCHEMA_VERSION,
        tool: Tool::this(),
        pictures: Vec::new(),
        failures: Vec::new(),
        warnings,
        rows_saved: rows.map(|rows| rows.len() as u64),
    };
    for page in gathered.into_values().flatten() {
        match page {
            Ok(picture) => survey.pictures.push(picture),
            Err(failure) => survey.failures.push(failure),
        }
    }
    Ok(survey)
}

/// The one scale that was typed and is to be saved.
fn typed_for_all(request: &Request, said: &ScaleOptions) -> Result<Option<TypedScale>, Error> {
    let size = said.pixel_size_um.map(|(x, y)| TypedScale::PixelSize(x, y));
    let length = said.scale_bar_um.map(TypedScale::BarLength);
    if request.save.is_some() && size.is_some() && length.is_some() {
        let why = "a row holds a pixel size or the length of the bar, not both; type one of --pixel-size and --scale-bar";
        return Err(Error::Option { name: "--save", why: why.into() });
    }
    Ok(size.or(length))
}

/// The file of scales to go by. Rows that are to give way are not gone by.
fn list_to_use(request: &Request, inputs: &[Input]) -> Result<ScaleList, Error> {
    let path = request.scales.clone().or_else(|| beside_pictures(&request.roots, SCALES_NAME));
    let read = |path: &Path| scale_list::read(path);
    let list = path.as_deref().map(read).transpose()?.unwrap_or_default();
    let Some(save) = request.save.as_deref().filter(|save| save.exists()) else { return Ok(list) };
    let there = read(save)?;
    let taken = inputs.iter().find_map(|input| Some((input, there.row_of(input)?)));
    if let Some((input, row)) = taken.filter(|_| !request.replace) {
        return Err(Error::Option {
            name: "--save",
            why: format!(
                "{} has row {} ('{}') for {} already; add --replace to let such rows give way, or name only other pictures",
                save.display(),
                row.number,
                row.file,
                input.name
            ),
        });
    }
    let same = path.is_some_and(|path| path.canonicalize().ok() == save.canonicalize().ok());
    Ok(if same && request.replace { ScaleList::default() } else { list })
}

fn survey_file(
    index: usize,
    input: &Input,
    plan: &Plan<'_>,
) -> Result<Vec<Result<PictureScale, Failure>>, Error> {
    let said = plan.scales.said_of(input, &plan.said);
    let outcome = each_page(
        input,
        Source::read(input, &none_is_banded),
        plan.max_pixels,
        &Timings::default(),
        |micrograph| determine(micrograph, info_strip::find(&micrograph.grey), &said),
        |PageOf { sha256, page }, micrograph, read| {
            let mut picture = picture_scale(input, sha256, page, micrograph, read);
            if let Some(staging) = plan.staging
                && let Some(bar) = &picture.bar_reading
            {
                let words = report::survey::words(&picture);
                let crop = BarCrop { bar, words: &words, width: CROP_WIDTH };
                let name = format!("{}.png", report::page_stem(&plan.stems[index], page));
                staging.write(&name, &packed_png(&bar_crop(&micrograph.grey, &crop)))?;
                picture.crop = Some(name);
            }
            Ok(picture)
        },
    )?;
    Ok(outcome.pages)
}

fn picture_scale(
    input: &Input,
    sha256: &str,
    page: Option<u32>,
    micrograph: &Micrograph,
    read: ScaleReading,
) -> PictureScale {
    PictureScale {
        file: input.name.clone(),
        page,
        sha256: sha256.to_owned(),
        width_px: micrograph.grey.width(),
        height_px: micrograph.grey.height(),
        scale: read.scale,
        bar_reading: read.bar,
        warnings: [&micrograph.warnings[..], &read.warnings].concat(),
        crop: None,
    }
}

/// Pictures whose scales do not go together: within the folder that makes a specimen, and one odd one among its own.
fn spread(inputs: &[Input], gathered: &BTreeMap<usize, Vec<Result<PictureScale, Failure>>>) -> Vec<Warning> {
    let mut folders: BTreeMap<&str, Vec<&Scale>> = BTreeMap::new();
    let mut scaled: Vec<(&str, &Scale)> = Vec::new();
    for (&index, pages) in gathered {
        for scale in pages.iter().flatten().filter_map(|picture| picture.scale.as_ref()) {
            folders.entry(&inputs[index].folder).or_default().push(scale);
            scaled.push((&inputs[index].name, scale));
        }
    }
    let differ = folders.into_iter().filter_map(|(folder, scales)| {
        let warning = scales_differ(scales.into_iter())?;
        Some(Warning { message: format!("{folder}: {}", warning.message), ..warning })
    });
    differ.chain(odd_ones(scaled.into_iter())).collect()
}

/// The row that settles the scale of a file: the typed one, else the one found, if all of its pages surely have the same.
fn new_row(
    path: &Path,
    input: &Input,
    pages: &[Result<PictureScale, Failure>],
    typed: Option<TypedScale>,
) -> Option<NewRow> {
    let pictures: Vec<&PictureScale> = pages.iter().flatten().collect();
    let first = pictures.first()?;
    if let Some(typed) = typed {
        return Some(NewRow::new(path, input, typed, String::new()));
    }
    let scale = first.scale.as_ref()?;
    let sure = |picture: &&PictureScale| {
        picture.standing() == Standing::Known
            && picture.scale.as_ref().is_some_and(|other| other.agrees_with(scale))
    };
    let found = TypedScale::PixelSize(scale.um_per_px_x, scale.um_per_px_y);
    pictures.iter().all(sure).then(|| NewRow::new(path, input, found, format!("found: {}", scale.detail)))
}
