//! `ceramograph scale`: the scales of a folder, looked at before measuring.

use std::io::Write as _;
use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::cli::SOME_FAILED;
use crate::cli::measure::terminal_width;
use crate::cli::progress::Progress;
use crate::options::Options;
use crate::report;
use crate::study::survey::{Request, run as run_survey};

/// Columns of a table that is not printed on a terminal: all of them.
const FILE_WIDTH: u16 = 160;

/// What can be typed after `ceramograph scale`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  ceramograph scale rings
  ceramograph scale rings --crops rings-scales
  ceramograph scale rings/ring-3.tif --scale-bar 10um --save rings/scales.csv
  ceramograph scale rings --save rings/scales.csv

For each picture: pixel size, its source, what confirms it, how sure it is, and the scale bar
that was seen with its label as read. Sources are a file of scales, what is typed here, bar and
label in the picture, tags of the file, and a text file of its name beside it (ring-3.txt).
A magnification is never a scale: it holds only at the size at which its maker showed the picture.

--save fixes scales in a file of the heads file, pixel_size, scale_bar, note. As scales.csv in the
measured folder it is used by `ceramograph measure` from then on; correct it in any spreadsheet.

Exit codes: 0 every scale is known and nothing contradicts it; 1 some pictures cannot be read, have
no scale, or have sources that contradict each other; 2 the command cannot be carried out as typed.")]
pub struct ScaleArgs {
    /// Folders of micrographs, or single pictures
    #[arg(required = true, value_name = "FILES")]
    pub roots: Vec<PathBuf>,

    /// Write a picture of each bar, enlarged, with what was found marked and told
    #[arg(long, value_name = "DIR", help_heading = "Output")]
    pub crops: Option<PathBuf>,

    /// Add rows to this file of scales: what is typed here, else the scale found of each picture that has a sure one
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub save: Option<PathBuf>,

    /// Let earlier crops in that folder, and rows for the same pictures in that file, give way
    #[arg(long, help_heading = "Output")]
    pub replace: bool,

    /// Print the result as JSON on standard output instead of a table
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// Print nothing but errors
    #[arg(long, short, help_heading = "Output")]
    pub quiet: bool,

    /// Threads; the result does not depend on their number [default: one for each core]
    #[arg(long, value_name = "N", help_heading = "Output")]
    pub threads: Option<NonZeroUsize>,

    /// Pixel size of all these pictures, such as 25nm, or "25nm x 24nm" for columns and rows
    #[arg(long, value_name = "LENGTH", help_heading = "Scale")]
    pub pixel_size: Option<String>,

    /// Length printed at the scale bar of all these pictures, such as 10um
    #[arg(long, value_name = "LENGTH", help_heading = "Scale")]
    pub scale_bar: Option<String>,

    /// File with the scales of single pictures, which goes before both [default: scales.csv in the folder, if there is
    /// one]
    #[arg(long, value_name = "FILE", help_heading = "Scale")]
    pub scales: Option<PathBuf>,

    /// Largest picture that is decoded, in px [default: 400000000]
    #[arg(long, value_name = "N", help_heading = "Pictures")]
    pub max_pixels: Option<u64>,
}

/// Looks for the scales, writes what is wanted and prints the table.
///
/// # Errors
/// Wrong options, a missing folder, a wrong file of scales, a folder or file that may not be written.
pub fn run(args: ScaleArgs) -> anyhow::Result<ExitCode> {
    let mut options =
        Options { pixel_size: args.pixel_size, scale_bar: args.scale_bar, ..Options::default() };
    options.max_pixels = args.max_pixels.unwrap_or(options.max_pixels);
    let request = Request {
        roots: args.roots,
        scales: args.scales,
        crops: args.crops,
        save: args.save,
        replace: args.replace,
        threads: args.threads,
        options,
    };
    let progress = Progress::new(args.quiet);
    let survey = run_survey(&request, &|event| progress.show(&event))?;
    progress.finish();
    let mut stdout = anstream::stdout().lock();
    let printed = if args.json {
        writeln!(stdout, "{}", report::json::survey(&survey).trim_end())
    } else if args.quiet {
        Ok(())
    } else {
        writeln!(stdout, "{}", report::survey::table(&survey, terminal_width(FILE_WIDTH)))
    };
    // A closed pipe, as under `| head`, is no failure.
    drop(printed);
    if !args.quiet
        && let (Some(path), Some(rows)) = (&request.save, survey.rows_saved)
    {
        let rows = report::phrase::counted(rows, "row");
        anstream::eprintln!("{rows} written to {}", path.display());
    }
    if !args.quiet
        && let Some(crops) = &request.crops
    {
        anstream::eprintln!("crops around the bars: {}", crops.display());
    }
    Ok(if survey.is_settled() { ExitCode::SUCCESS } else { ExitCode::from(SOME_FAILED) })
}
