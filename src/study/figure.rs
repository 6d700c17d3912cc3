//! A figure of grain size from a results folder: what is read, checked, drawn and written.

use std::path::{Path, PathBuf};

use clap::ValueEnum;

use crate::error::Error;
use crate::micrograph::{self, ReadOptions};
use crate::pipeline::measure_at_scale;
use crate::report::figure::{self, MicrographPanel, PanelWords, SizeFigure};
use crate::scale::ScaleOptions;
use crate::study::input::inputs;
use crate::study::output::Staging;
use crate::study::read_file::read_regular;
use crate::study::record::{Derivation, Entry, Record, absolute, sha256};
use crate::study::result::{Field, Study};
use crate::study::results::{self, Results};
use crate::study::samples::{self, Quantity, Weighting};
use crate::timing::Timings;

/// Name of the command that writes such folders.
const COMMAND: &str = "figure";

/// File name of the figure without its ending.
const STEM: &str = "grain-size";

/// What kind of figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Kind {
    /// Histogram with lognormal fit, one panel a specimen on shared axes
    Histogram,
    /// Cumulative curves with lognormal fits, all specimens in one plot
    Cumulative,
    /// Median, quartiles, 10 and 90 % and mean, one row a specimen
    Box,
}

/// File formats of the figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Vectors, for web pages and drawing programs
    Svg,
    /// Pixels, at --dpi
    Png,
    /// Vectors with the font embedded, for journals
    Pdf,
}

/// What a figure is asked to be.
#[derive(Clone, Debug)]
pub struct Request {
    /// Results folder of `measure`.
    pub results: PathBuf,
    /// Folder for the figure.
    pub out: PathBuf,
    /// Whether an earlier figure in it gives way.
    pub replace: bool,
    /// What kind of figure.
    pub kind: Kind,
    /// What counts as a size.
    pub quantity: Quantity,
    /// How much each size counts.
    pub weighting: Weighting,
    /// Specimens by name; empty for all.
    pub specimens: Vec<String>,
    /// Width of the figure in millimetres, 60 to 250.
    pub width_mm: f64,
    /// Resolution of the PNG in dots per inch, 72 to 1200.
    pub dpi: u32,
    /// File formats.
    pub formats: Vec<Format>,
    /// A picture of the study to stand beside the histogram.
    pub picture: Option<Picture>,
}

/// A picture to be shown.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Its name in the study.
    pub file: String,
    /// Page, from 1, where the file has several.
    pub page: Option<u32>,
    /// Where the measured folders are now, in their order; empty if they were not moved.
    pub moved: Vec<PathBuf>,
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// Files by name.
    pub files: Vec<String>,
    /// Specimens that have no size and are not drawn.
    pub left_out: Vec<String>,
}

/// Draws the figure and writes it with its data and caption.
///
/// # Errors
/// [`Error`] if an option cannot be used, the results or the picture cannot be read or were changed, nothing can be
/// drawn, or the folder cannot be written.
pub fn run(request: &Request) -> Result<Outcome, Error> {
    check(request)?;
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    let results = results::read(&request.results)?;
    let names = match &request.picture {
        Some(picture) => vec![specimen_of(&results.study, request, picture)?],
        None => request.specimens.clone(),
    };
    let table = samples::read(&results, request.quantity, request.weighting)?;
    let (samples, left_out) = samples::samples(&results, &table, &names)?;
    let figure = SizeFigure { quantity: request.quantity, weighting: request.weighting, samples };
    let mut inputs = vec![results.summary.clone(), table.entry.clone()];
    let panel = match &request.picture {
        Some(picture) => Some(panel(&results, picture, &mut inputs)?),
        None => None,
    };
    let svg = draw(request, &figure, panel.as_ref())?;
    write_figure(request, &staging, &svg, &figure.title())?;
    let data = match request.kind {
        Kind::Histogram => Some(figure::size_panel_data(&figure)),
        Kind::Cumulative => Some(figure::size_curve_data(&figure)),
        Kind::Box => None,
    };
    if let Some(data) = data {
        staging.write(&format!("{STEM}.csv"), &data)?;
    }
    staging.write(&format!("{STEM}-summary.csv"), &figure::size_summary(&figure))?;
    let words = panel.as_ref().zip(request.picture.as_ref());
    let words = words.map(|(panel, picture)| PanelWords { panel, file: &picture.file });
    let caption = figure::caption(&figure, shows(request.kind), words, &left_out);
    staging.write(&format!("{STEM}.txt"), caption.as_bytes())?;
    let outputs = staging.entries();
    let files = outputs.iter().map(|entry| entry.file.clone()).collect();
    staging.publish(&Derivation {
        command: COMMAND.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        results: absolute(&request.results),
        inputs,
        outputs,
    })?;
    Ok(Outcome { files, left_out })
}

fn check(request: &Request) -> Result<(), Error> {
    let refuse = |name, why: &str| Err(Error::Option { name, why: why.into() });
    if !(60.0..=250.0).contains(&request.width_mm) {
        return refuse(
            "--width-mm",
            "a figure is 60 to 250 mm wide; one column of a journal is about 85, two are 170",
        );
    }
    if !(72..=1200).contains(&request.dpi) {
        return refuse("--dpi", "72 to 1200 dots per inch can be drawn");
    }
    if request.quantity == Quantity::Chords && request.weighting == Weighting::Area {
        return refuse("--by", "a chord has no area; count chords by number, or draw diameters");
    }
    if request.picture.is_some() && request.kind != Kind::Histogram {
        return refuse("--picture", "a micrograph stands beside a histogram only");
    }
    Ok(())
}

fn draw(request: &Request, figure: &SizeFigure, panel: Option<&MicrographPanel>) -> Result<String, Error> {
    let width = request.width_mm;
    let svg = match request.kind {
        Kind::Histogram => figure::size_panels(figure, panel, width),
        Kind::Cumulative => figure::size_curves(figure, width),
        Kind::Box => figure::size_boxes(figure, width),
    };
    svg.ok_or_else(|| Error::Option {
        name: "--specimen",
        why: format!(
            "{} specimens are too many for one figure of this kind and width; name fewer",
            figure.samples.len()
        ),
    })
}

fn shows(kind: Kind) -> &'static str {
    match kind {
        Kind::Histogram => {
            "Grain size distribution in classes that widen by a constant factor, with edges that are preferred numbers \
             (ISO 3, series R10 or R5), and the fitted lognormal distribution (line); the dashed line is the mean."
        }
        Kind::Cumulative => {
            "Cumulative grain size distribution (heavy lines) and the fitted lognormal distributions (fine lines)."
        }
        Kind::Box => {
            "Grain size: quartiles (box), median (line in the box), 10 and 90 % (whiskers) and the mean over fields with its \
             interval (diamond)."
        }
    }
}

fn write_figure(request: &Request, staging: &Staging, svg: &str, title: &str) -> Result<(), Error> {
    const DRAWN: &str = "invariant: figures are SVG";
    for format in &request.formats {
        match format {
            Format::Svg => staging.write(&format!("{STEM}.svg"), svg.as_bytes())?,
            Format::Png => {
                staging.write(&format!("{STEM}.png"), &figure::png(svg, request.dpi).expect(DRAWN))?;
            }
            Format::Pdf => {
                staging.write(&format!("{STEM}.pdf"), &figure::pdf(svg, title).expect(DRAWN))?;
            }
        }
    }
    Ok(())
}

fn field_of<'a>(study: &'a Study, picture: &Picture) -> Result<&'a Field, Error> {
    let same = |field: &&Field| {
        field.file == picture.file && field.page.is_none_or(|page| page == picture.page.unwrap_or(1))
    };
    study.fields.iter().find(same).ok_or_else(|| {
        const SHOWN: usize = 12;
        let mut names: Vec<&str> = study.fields.iter().map(|field| field.file.as_str()).collect();
        names.dedup();
        let more =
            if names.len() > SHOWN { format!(" and {} more", names.len() - SHOWN) } else { String::new() };
        names.truncate(SHOWN);
        let why = format!(
            "no measured picture is called '{}'; there are: {}{more}",
            picture.file,
            names.join(", ")
        );
        Error::Option { name: "--picture", why }
    })
}

/// The specimen whose picture is shown; another one cannot be asked for beside it.
fn specimen_of(study: &Study, request: &Request, picture: &Picture) -> Result<String, Error> {
    let name = &field_of(study, picture)?.specimen;
    if request.specimens.iter().any(|wanted| wanted != name) {
        let why = format!(
            "'{}' shows the specimen '{name}', and the histogram beside it has to be its own",
            picture.file
        );
        return Err(Error::Option { name: "--picture", why });
    }
    Ok(name.clone())
}

/// Measures the picture again, which gives the boundaries that were found then.
fn panel(results: &Results, picture: &Picture, read: &mut Vec<Entry>) -> Result<MicrographPanel, Error> {
    let Results { study, record, .. } = results;
    let field = field_of(study, picture)?;
    let path = path_of(record, picture)?;
    let bytes = read_regular(&path)?;
    let refuse = |why: &str| Error::Field { path: path.clone(), why: why.into() };
    if sha256(&bytes) != field.sha256 {
        return Err(refuse("this is not the picture that was measured; its bytes differ"));
    }
    let options = ReadOptions { max_pixels: record.options.max_pixels };
    let page = field.page.map_or(0, |page| page as usize - 1);
    let micrograph = micrograph::pages(&bytes, &path, &options)?.read(page)?;
    // The scale that was found then holds, whatever stands in files beside the picture now.
    let pixel_size_um = field.scale.as_ref().map(|scale| (scale.um_per_px_x, scale.um_per_px_y));
    let said = ScaleOptions { pixel_size_um, ..record.options.scale()? };
    let measured = measure_at_scale(&micrograph, &record.options, &said, &Timings::default())?;
    if measured.grain_map.as_ref().map(|_| measured.grains.len() as u64) != field.grain_count {
        return Err(refuse(
            "measured again, it has other grains than then; measure the study again with this version",
        ));
    }
    read.push(Entry { file: field.file.clone(), sha256: field.sha256.clone() });
    Ok(MicrographPanel::new(&micrograph, &measured))
}

fn path_of(record: &Record, picture: &Picture) -> Result<PathBuf, Error> {
    let roots = if picture.moved.is_empty() { &record.roots } else { &picture.moved };
    if roots.len() != record.roots.len() {
        let why = format!("{} folders were measured, so as many are expected here", record.roots.len());
        return Err(Error::Option { name: "--pictures", why });
    }
    let (found, _) = inputs(roots)?;
    let input = found.into_iter().find(|input| input.name == picture.file);
    input.map(|input| input.path).ok_or_else(|| Error::Field {
        path: roots.first().map_or_else(PathBuf::new, |root: &PathBuf| Path::new(root).join(&picture.file)),
        why: "the picture is no longer where it was measured; say where with --pictures".into(),
    })
}
