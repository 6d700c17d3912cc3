//! `ceramograph relate`: the measured study against its firing.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::cli::SOME_FAILED;
use crate::error::Error;
use crate::relate::Question;
use crate::relate::growth::GrowthQuestion;
use crate::relate::run::{Request, run as run_relation};
use crate::report;
use crate::report::name::printable;
use crate::study::sheet;

/// What can be typed after `ceramograph relate`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  ceramograph relate --template > specimens.csv
  ceramograph relate ceramograph-results
  ceramograph relate ceramograph-results --sheet rings.csv --at peak_temperature_c=1500
  ceramograph relate ceramograph-results --growth-exponent 3 --initial-grain 0.3um

The study sheet has one row a specimen. Without --sheet it is the one that was measured with,
read again, so that densities and masses can be added after measuring. Conditions are the
columns of the firing and pressing and your own columns of numbers or words; every property is
related to every condition that differs between specimens. Nothing is predicted beyond the
fired range. Exit code 1: a cell of the sheet is not used; everything else is related.")]
pub struct RelateArgs {
    /// Results folder of `ceramograph measure`
    #[arg(value_name = "RESULTS", required_unless_present = "template")]
    pub results: Option<PathBuf>,

    /// Print an empty study sheet with every known column, and end
    #[arg(long)]
    pub template: bool,

    /// Study sheet [default: the one that the pictures were measured with]
    #[arg(long, value_name = "FILE")]
    pub sheet: Option<PathBuf>,

    /// Folder for what comes out [default: relation in the results folder]
    #[arg(long, value_name = "DIR", help_heading = "Output")]
    pub out: Option<PathBuf>,

    /// Let an earlier relation in that folder give way
    #[arg(long, help_heading = "Output")]
    pub replace: bool,

    /// Print the relation as JSON on standard output instead of sentences
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// Print nothing but errors
    #[arg(long, short, help_heading = "Output")]
    pub quiet: bool,

    /// Relate to this column only; may be given several times
    #[arg(long, value_name = "HEAD", help_heading = "Questions")]
    pub condition: Vec<String>,

    /// Give the line at this value too, if it lies within the fired range; may be given several times
    #[arg(long, value_name = "HEAD=VALUE", value_parser = place, help_heading = "Questions")]
    pub at: Vec<(String, f64)>,

    /// Exponent n of grain growth, where it is not to be fitted
    #[arg(long, value_name = "N", help_heading = "Grain growth")]
    pub growth_exponent: Option<f64>,

    /// Grain size at the start of the hold, such as 0.3um [default: 0, negligible]
    #[arg(long, value_name = "LENGTH", help_heading = "Grain growth")]
    pub initial_grain: Option<String>,

    /// Activation energy in kJ/mol for the thermal work of each firing, ∫(1/T) exp(-Q/RT) dt
    #[arg(long, value_name = "KJ_MOL", help_heading = "Grain growth")]
    pub activation_energy: Option<f64>,
}

/// Warnings that say that a cell of the study sheet is not used.
const LOSSES: [&str; 3] = ["sheet-cell-unreadable", "sheet-cell-impossible", "sheet-row-unreadable"];

/// A column and a value, such as `peak_temperature_c=1500`.
fn place(text: &str) -> Result<(String, f64), String> {
    let (head, value) = text.rsplit_once('=').ok_or("write HEAD=VALUE, as in peak_temperature_c=1500")?;
    let number = value.trim().parse::<f64>().ok().filter(|value| value.is_finite());
    let number = number.ok_or_else(|| format!("'{value}' is not a number"))?;
    Ok((head.trim().to_owned(), number))
}

impl RelateArgs {
    fn question(&self) -> Result<Question, Error> {
        let above_zero = |name, value: Option<f64>| match value {
            Some(value) if !(value.is_finite() && value > 0.0) => {
                Err(Error::Option { name, why: format!("{value} is not above zero") })
            }
            value => Ok(value),
        };
        let initial = self.initial_grain.as_deref().map(crate::units::parse_um).transpose()?;
        Ok(Question {
            conditions: self.condition.clone(),
            at: self.at.clone(),
            growth: GrowthQuestion {
                exponent: above_zero("--growth-exponent", self.growth_exponent)?,
                initial_grain_um: initial.unwrap_or(0.0),
            },
            activation_energy_kj_mol: above_zero("--activation-energy", self.activation_energy)?,
        })
    }
}

/// Relates, writes the folder and prints the conclusions.
///
/// # Errors
/// A folder that holds no results, a sheet that cannot be read, wrong options, or a folder that may not be written.
pub fn run(args: &RelateArgs) -> anyhow::Result<ExitCode> {
    let mut stdout = anstream::stdout().lock();
    if args.template {
        drop(stdout.write_all(sheet::template().as_bytes()));
        return Ok(ExitCode::SUCCESS);
    }
    let results = args.results.clone().expect("invariant: clap asks for it");
    let out = args.out.clone().unwrap_or_else(|| results.join("relation"));
    let request = Request {
        results,
        sheet: args.sheet.clone(),
        out: out.clone(),
        replace: args.replace,
        question: args.question()?,
    };
    let relation = run_relation(&request)?;
    if !args.quiet {
        let warnings = relation.warnings.iter();
        warnings.for_each(|warning| anstream::eprintln!("warning: {}", printable(&warning.message)));
    }
    let printed = if args.json {
        writeln!(stdout, "{}", report::json::relation(&relation))
    } else if args.quiet {
        Ok(())
    } else {
        writeln!(stdout, "{}", report::relation::sentences(&relation))
            .and_then(|()| writeln!(stdout, "Tables, figures and report.html: {}", out.display()))
    };
    // A closed pipe, as under `| head`, is no failure: the files are on disk.
    drop(printed);
    let lost = relation.warnings.iter().any(|warning| LOSSES.contains(&&*warning.code));
    Ok(if lost { ExitCode::from(SOME_FAILED) } else { ExitCode::SUCCESS })
}
