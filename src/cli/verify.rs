//! `ceramograph verify`: repeat a run and compare.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::cli::SOME_FAILED;
use crate::study::verify::{Difference, verify};

/// What can be typed after `ceramograph verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Results folder of the run to be repeated
    #[arg(value_name = "DIR")]
    pub results: PathBuf,

    /// Where the pictures are now, if they were moved; once for each folder measured then, in the same order
    #[arg(long, value_name = "FOLDER")]
    pub pictures: Vec<PathBuf>,
}

/// Repeats the run in a temporary folder and says what differs.
///
/// # Errors
/// If the record or the pictures cannot be read.
pub fn run(args: &VerifyArgs) -> anyhow::Result<ExitCode> {
    let outcome = verify(&args.results, &args.pictures)?;
    for difference in &outcome.differences {
        let text = match difference {
            Difference::Version { then, now } => {
                format!("measured by version {then}, repeated by version {now}")
            }
            Difference::Input(file) => format!("{file} is not the file that was measured with then"),
            Difference::Changed(file) => format!("{file} was changed after the run"),
            Difference::Output(file) => format!("{file} comes out differently"),
        };
        anstream::println!("{text}");
    }
    if outcome.differences.is_empty() {
        anstream::println!("verified: {} files repeated byte for byte", outcome.compared);
        return Ok(ExitCode::SUCCESS);
    }
    Ok(ExitCode::from(SOME_FAILED))
}
