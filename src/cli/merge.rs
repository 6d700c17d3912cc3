//! `ceramograph merge`: the shards of a run joined.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::cli::measure::print_study;
use crate::cli::progress::Progress;
use crate::study::merge::{Request, merge};

/// What can be typed after `ceramograph merge`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  ceramograph measure rings --shard 1/2 --out rings-1
  ceramograph measure rings --shard 2/2 --out rings-2
  ceramograph merge rings-1 rings-2 --out rings-results

The results are those that `ceramograph measure rings` would have written in one go, byte
for byte. All shards must have been measured with the same pictures in the folder, the
same options, study sheet and file of scales, and the same version.")]
pub struct MergeArgs {
    /// Folders that `ceramograph measure --shard` wrote, all N of them, in any order
    #[arg(required = true, value_name = "DIR")]
    pub shards: Vec<PathBuf>,

    /// Results folder
    #[arg(long, value_name = "DIR", default_value = "ceramograph-results")]
    pub out: PathBuf,

    /// Let the results of an earlier run in the results folder give way
    #[arg(long)]
    pub replace: bool,

    /// Print the summary as JSON on standard output instead of a table
    #[arg(long)]
    pub json: bool,

    /// Print nothing but errors
    #[arg(long, short)]
    pub quiet: bool,
}

/// Joins the shards, writes the results folder and prints the table.
///
/// # Errors
/// Shards that are missing, named twice, changed, or do not belong together; a results folder that may not be written.
pub fn run(args: MergeArgs) -> anyhow::Result<ExitCode> {
    let request = Request { shards: args.shards, out: args.out, replace: args.replace };
    let progress = Progress::new(args.quiet);
    let study = merge(&request, &|event| progress.show(&event))?;
    progress.finish();
    Ok(print_study(&study, &request.out, args.json, args.quiet))
}
