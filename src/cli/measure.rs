//! `ceramograph measure`: flags, options file, and the run.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::OnceLock;

use anyhow::Context as _;
use clap::Args;

use crate::cli::SOME_FAILED;
use crate::cli::progress::Progress;
use crate::options::{BackgroundHandling, BoundaryMethod, Connectivity, Options, PoreMethod, Surface, Tone};
use crate::report;
use crate::report::name::printable;
use crate::study::read_file::read_table;
use crate::study::result::Study;
use crate::study::run::{Event, Request, run as run_study};
use crate::study::shard::{Shard, run as run_shard};

/// What can be typed after `ceramograph measure`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  ceramograph measure sample-images
  ceramograph measure rings --scale-bar 10um --out rings-results
  ceramograph measure rings --pixel-size 25nm --boundaries gradient --surface polished
  ceramograph measure rings --options rings.toml --replace
  ceramograph measure rings --resume
  ceramograph measure rings --shard 2/8 --out rings-2

Every sub-folder is a specimen and every picture in it a field, unless a study sheet
(specimens.csv in the folder, or --sheet) says otherwise. Look at the overlays before
you trust a number, and at the scales before you measure: ceramograph scale FOLDER.")]
pub struct MeasureArgs {
    /// Folders of micrographs, or single pictures
    #[arg(required = true, value_name = "FOLDER")]
    pub roots: Vec<PathBuf>,

    /// Results folder
    #[arg(long, value_name = "DIR", default_value = "ceramograph-results", help_heading = "Output")]
    pub out: PathBuf,

    /// Let the results of an earlier run in the results folder give way
    #[arg(long, help_heading = "Output")]
    pub replace: bool,

    /// Keep what is measured until the results are complete, and take over what a run that was interrupted had kept; the
    /// results are the same. Complete results that nothing has changed for are left as they are
    #[arg(long, help_heading = "Output")]
    pub resume: bool,

    /// Measure only the K-th of N shares of the files, such as 2/8, and write parts that `ceramograph merge` joins
    #[arg(long, value_name = "K/N", help_heading = "Output", conflicts_with = "json")]
    pub shard: Option<Shard>,

    /// Print the summary as JSON on standard output instead of a table
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// Print nothing but errors
    #[arg(long, short, help_heading = "Output")]
    pub quiet: bool,

    /// Also write the grain label map of each picture: 16 bit PNG, 0 pore or outside, 1.. grains
    #[arg(long, value_name = "BOOL", help_heading = "Output", num_args = 0..=1, default_missing_value = "true")]
    pub label_maps: Option<bool>,

    /// Print on standard error how long each stage took and how many pixels it did a second; of several pictures in flight
    /// a stage also counts the time that it waited for the others, so add --threads 1 to compare stages. No result changes
    #[arg(long, help_heading = "Output")]
    pub timings: bool,

    /// Draw some of the test lines, about 96 px apart, and the circles on the overlays
    #[arg(long, value_name = "BOOL", help_heading = "Output", num_args = 0..=1, default_missing_value = "true")]
    pub draw_lines: Option<bool>,

    /// Threads; results do not depend on their number [default: one for each core]
    #[arg(long, value_name = "N", help_heading = "Output")]
    pub threads: Option<std::num::NonZeroUsize>,

    /// Options file (TOML) with the names of these flags; flags win over it
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub options: Option<PathBuf>,

    /// Study sheet [default: specimens.csv in the measured folder, if there is one]
    #[arg(long, value_name = "FILE", help_heading = "Specimens")]
    pub sheet: Option<PathBuf>,

    /// How the surfaces were prepared, where the study sheet does not say
    #[arg(long, value_name = "KIND", help_heading = "Specimens")]
    pub surface: Option<Surface>,

    /// Pixel size, such as 25nm, or "25nm x 24nm" for columns and rows
    #[arg(long, value_name = "LENGTH", help_heading = "Scale")]
    pub pixel_size: Option<String>,

    /// Length printed at the scale bar, such as 10um; the bar itself is found and measured
    #[arg(long, value_name = "LENGTH", help_heading = "Scale")]
    pub scale_bar: Option<String>,

    /// File with the scales of single pictures, which goes before both [default: scales.csv in the measured folder, if
    /// there is one]
    #[arg(long, value_name = "FILE", help_heading = "Scale")]
    pub scales: Option<PathBuf>,

    /// Fail a picture whose scale is not known, or whose sources of scale contradict each other
    #[arg(long, value_name = "BOOL", help_heading = "Scale", num_args = 0..=1, default_missing_value = "true")]
    pub require_scale: Option<bool>,

    /// Measure only this part of every picture, in px; replaces the search for an info strip
    #[arg(long, value_name = "X,Y,WIDTH,HEIGHT", help_heading = "Pictures")]
    pub crop: Option<String>,

    /// Largest picture that is decoded, in px [default: 400000000]
    #[arg(long, value_name = "N", help_heading = "Pictures")]
    pub max_pixels: Option<u64>,

    /// Take no more memory than this, such as 1.5GB: larger TIFF pictures are measured by bands, with the same numbers and
    /// an overlay of their middle; for named rules and for ridge and gradient [default: as much as it takes]
    #[arg(long, value_name = "SIZE", help_heading = "Pictures")]
    pub memory: Option<String>,

    /// What becomes of uneven light before the threshold [default: even-out]
    #[arg(long, value_name = "HOW", help_heading = "Pores")]
    pub background: Option<BackgroundHandling>,

    /// Threshold rule (half-contrast, edge-level, otsu, minimum-error, kapur, li, iterative, triangle, multi-otsu,
    /// sauvola), what the trained network says (learned), auto to take one of the first two where the network confirms it
    /// and else the network, or a grey value [default: auto]
    #[arg(long, value_name = "RULE|GREY", help_heading = "Pores")]
    pub pores: Option<PoreMethod>,

    /// Whether pores are darker or brighter than the solid [default: dark]
    #[arg(long, value_name = "TONE", help_heading = "Pores")]
    pub pore_tone: Option<Tone>,

    /// Drop pores of fewer pixels; the share of area dropped is reported [default: 12]
    #[arg(long, value_name = "PX", help_heading = "Pores")]
    pub smallest_pore: Option<u32>,

    /// Which neighbours of a pore pixel belong to the same pore [default: 8]
    #[arg(long, value_name = "N", help_heading = "Pores")]
    pub connectivity: Option<Connectivity>,

    /// How boundaries are found: by a network trained on drawn micrographs, each with the probability that it is real
    /// (learned), as grooves or lines (ridge), or as steps in grey (gradient) [default: learned]
    #[arg(long, value_name = "MAP", help_heading = "Grains")]
    pub boundaries: Option<BoundaryMethod>,

    /// Whether boundary lines are darker or brighter than the grains; for ridge only [default: dark]
    #[arg(long, value_name = "TONE", help_heading = "Grains")]
    pub boundary_tone: Option<Tone>,

    /// Join grains across boundaries weaker than this, from 0 to 1; for ridge and gradient [default: 0.18]
    #[arg(long, value_name = "STRENGTH", help_heading = "Grains")]
    pub merge_below: Option<f64>,

    /// Basins of the boundary map shallower than this never become grains, from 0 to 1; for ridge and gradient [default:
    /// 0.12]
    #[arg(long, value_name = "STRENGTH", help_heading = "Grains")]
    pub shallowest: Option<f64>,

    /// A grain is called coarse above this multiple of the median diameter [default: 3]
    #[arg(long, value_name = "K", help_heading = "Grains")]
    pub coarse_factor: Option<f64>,

    /// Distance between parallel test lines [default: 4]
    #[arg(long, value_name = "PX", help_heading = "Test lines")]
    pub line_spacing: Option<u32>,

    /// Directions of the test lines in degrees from the rows [default: 0,45,90,135]
    #[arg(long, value_name = "DEGREES", value_delimiter = ',', help_heading = "Test lines")]
    pub line_angles: Option<Vec<f64>>,

    /// Whether three concentric test circles are laid as well [default: true]
    #[arg(long, value_name = "BOOL", help_heading = "Test lines", num_args = 0..=1, default_missing_value = "true")]
    pub circles: Option<bool>,
}

impl MeasureArgs {
    /// Defaults, overridden by the options file, overridden by flags.
    fn resolved(&self) -> anyhow::Result<Options> {
        let mut options = self.options.as_deref().map_or_else(|| Ok(Options::default()), from_file)?;
        macro_rules! take {
            ($($name:ident),*) => { $(if let Some(value) = self.$name.clone() { options.$name = value; })* };
        }
        macro_rules! take_optional {
            ($($name:ident),*) => { $(if self.$name.is_some() { options.$name = self.$name.clone(); })* };
        }
        take!(label_maps, draw_lines, require_scale, max_pixels, background, pores, pore_tone, smallest_pore);
        take!(connectivity, boundaries, boundary_tone, merge_below, shallowest, coarse_factor, line_spacing);
        take!(line_angles, circles);
        take_optional!(pixel_size, scale_bar, crop, surface, memory);
        let options = options.validated()?;
        self.has_effect(options.boundaries)?;
        Ok(options)
    }

    /// Refuses flags that the boundary map taken does not ask for. An options file may hold them: one file serves all maps.
    fn has_effect(&self, boundaries: BoundaryMethod) -> anyhow::Result<()> {
        let tone = self.boundary_tone.map(|_| "--boundary-tone");
        let strengths = self.merge_below.map(|_| "--merge-below").or(self.shallowest.map(|_| "--shallowest"));
        let (map, idle) = match boundaries {
            BoundaryMethod::Ridge => return Ok(()),
            BoundaryMethod::Gradient => ("gradient", tone),
            BoundaryMethod::Learned => ("learned", tone.or(strengths)),
        };
        idle.map_or(Ok(()), |flag| {
            anyhow::bail!("{flag} does nothing with --boundaries {map}: leave it out, or name another map")
        })
    }
}

/// Columns of a table that is not printed on a terminal.
const USUAL_WIDTH: u16 = 100;

/// Columns of the terminal, or so many where standard output is none.
pub(super) fn terminal_width(otherwise: u16) -> u16 {
    terminal_size::terminal_size().map_or(otherwise, |(terminal_size::Width(columns), _)| columns)
}

fn from_file(path: &Path) -> anyhow::Result<Options> {
    let bytes = read_table(path)?;
    let text = String::from_utf8(bytes)
        .with_context(|| format!("options file {} is not UTF-8; save it as such", path.display()))?;
    toml::from_str(&text).with_context(|| format!("options file {}", path.display()))
}

/// Measures, writes the results folder and prints the table.
///
/// # Errors
/// Wrong options, a missing folder, a results folder that may not be written.
pub fn run(args: MeasureArgs) -> anyhow::Result<ExitCode> {
    let request = Request {
        options: args.resolved()?,
        roots: args.roots,
        sheet: args.sheet,
        scales: args.scales,
        out: args.out,
        replace: args.replace,
        resume: args.resume,
        threads: args.threads,
    };
    let progress = Progress::new(args.quiet);
    let stages = OnceLock::new();
    let show = |event: Event<'_>| match event {
        Event::Timed(timings) => drop(stages.set(timings.stages())),
        event => progress.show(&event),
    };
    let finish = || {
        progress.finish();
        if let Some(stages) = stages.get().filter(|_| args.timings) {
            anstream::eprintln!("{}", report::table::stages(stages));
        }
    };
    if let Some(shard) = args.shard {
        let record = run_shard(&request, shard, &show)?;
        finish();
        if !args.quiet {
            let (files, all, out) = (record.files(), record.agenda.files.len(), request.out.display());
            let said =
                format!("Shard {shard}, {files} of {all} files: {out}; join all with ceramograph merge");
            drop(writeln!(anstream::stdout(), "{said}"));
        }
        return Ok(exit(record.failed));
    }
    let study = run_study(&request, &show)?;
    finish();
    Ok(print_study(&study, &request.out, args.json, args.quiet))
}

/// Prints warnings and the table, or the summary as JSON; the exit code says whether pictures failed.
pub(super) fn print_study(study: &Study, out: &Path, json: bool, quiet: bool) -> ExitCode {
    if !quiet {
        study
            .warnings
            .iter()
            .for_each(|warning| anstream::eprintln!("warning: {}", printable(&warning.message)));
    }
    let mut stdout = anstream::stdout().lock();
    let printed = if json {
        writeln!(stdout, "{}", report::json::summary(study))
    } else if quiet {
        Ok(())
    } else {
        writeln!(stdout, "{}", report::table::specimens(study, terminal_width(USUAL_WIDTH)))
            .and_then(|()| writeln!(stdout, "Results, overlays and report.html: {}", out.display()))
    };
    // A closed pipe, as under `| head`, is no failure: the results are on disk.
    drop(printed);
    exit(study.failures.len())
}

fn exit(failures: usize) -> ExitCode {
    if failures == 0 { ExitCode::SUCCESS } else { ExitCode::from(SOME_FAILED) }
}
