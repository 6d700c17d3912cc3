//! `ceramograph figure`: a grain size figure for a journal.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::cli::SOME_FAILED;
use crate::study::figure::{Format, Kind, Picture, Request, run as draw};
use crate::study::samples::{Quantity, Weighting};

/// What can be typed after `ceramograph figure`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  ceramograph figure ceramograph-results
  ceramograph figure ceramograph-results --kind cumulative --by area --out by-area
  ceramograph figure ceramograph-results --kind box --width-mm 170 --out boxes
  ceramograph figure ceramograph-results --picture R1550/field-2.tif --width-mm 170 --out fig-3

The folder holds the figure (SVG, PNG, PDF), the numbers that it draws (grain-size.csv), counts,
means, intervals and fits (grain-size-summary.csv) and a caption in words (grain-size.txt).
Text is 7.5 pt or larger when the figure is printed at its width. Shades and strokes differ as well
as hues, so the figure can be read in grey print and with any colour vision.

Fields are the replicates: ± is half of the 95 % t-interval of the mean over fields, and there is
none for one field. Exit code 1: a specimen has no size and was left out.")]
pub struct FigureArgs {
    /// Results folder of `ceramograph measure`
    #[arg(value_name = "RESULTS")]
    pub results: PathBuf,

    /// Folder for the figure, its data and its caption
    #[arg(long, value_name = "DIR", default_value = "ceramograph-figure", help_heading = "Output")]
    pub out: PathBuf,

    /// Let an earlier figure in that folder give way
    #[arg(long, help_heading = "Output")]
    pub replace: bool,

    /// File formats, separated by commas
    #[arg(
        long,
        value_name = "FORMATS",
        value_delimiter = ',',
        default_values_t = [Format::Svg, Format::Png, Format::Pdf],
        value_enum,
        help_heading = "Output"
    )]
    pub formats: Vec<Format>,

    /// Print nothing but errors
    #[arg(long, short, help_heading = "Output")]
    pub quiet: bool,

    /// Kind of figure
    #[arg(long, value_name = "KIND", value_enum, default_value_t = Kind::Histogram, help_heading = "Figure")]
    pub kind: Kind,

    /// What counts as the size of a grain
    #[arg(long, value_name = "SIZE", value_enum, default_value_t = Quantity::Diameters, help_heading = "Figure")]
    pub sizes: Quantity,

    /// How much each size counts
    #[arg(long, value_name = "WEIGHT", value_enum, default_value_t = Weighting::Number, help_heading = "Figure")]
    pub by: Weighting,

    /// Draw this specimen only; may be given several times
    #[arg(long, value_name = "NAME", help_heading = "Figure")]
    pub specimen: Vec<String>,

    /// Width in millimetres: 85 is one column of most journals, 170 two
    #[arg(long, value_name = "MM", default_value_t = 85.0, help_heading = "Figure")]
    pub width_mm: f64,

    /// Resolution of the PNG in dots per inch
    #[arg(long, value_name = "DPI", default_value_t = 600, help_heading = "Figure")]
    pub dpi: u32,

    /// Show this picture of the study with its grain boundaries and a fresh scale bar, beside the histogram of its
    /// specimen; its name is the one in fields.csv
    #[arg(long, value_name = "FILE", help_heading = "Micrograph")]
    pub picture: Option<String>,

    /// Page of that picture, from 1, where the file has several
    #[arg(long, value_name = "N", requires = "picture", help_heading = "Micrograph")]
    pub page: Option<u32>,

    /// Where the pictures are now, if they were moved; once for each folder measured then, in the same order
    #[arg(long, value_name = "FOLDER", requires = "picture", help_heading = "Micrograph")]
    pub pictures: Vec<PathBuf>,
}

/// Draws the figure and says what was written.
///
/// # Errors
/// Options that cannot be used, results or pictures that cannot be read, a folder that may not be written.
pub fn run(args: FigureArgs) -> anyhow::Result<ExitCode> {
    let (page, moved) = (args.page, args.pictures);
    let request = Request {
        results: args.results,
        out: args.out,
        replace: args.replace,
        kind: args.kind,
        quantity: args.sizes,
        weighting: args.by,
        specimens: args.specimen,
        width_mm: args.width_mm,
        dpi: args.dpi,
        formats: args.formats,
        picture: args.picture.map(|file| Picture { file, page, moved }),
    };
    let outcome = draw(&request)?;
    if !args.quiet {
        anstream::println!("{}: {}", request.out.display(), outcome.files.join(", "));
    }
    for name in &outcome.left_out {
        let name = crate::report::name::printable(name);
        anstream::eprintln!("left out: '{name}' has no whole grain or chord");
    }
    Ok(if outcome.left_out.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(SOME_FAILED) })
}
