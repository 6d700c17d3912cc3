//! The command line: what can be typed, and how it becomes options and exit codes.

pub mod figure;
pub mod measure;
pub mod merge;
pub mod phantom;
pub mod progress;
pub mod relate;
pub mod scale;
pub mod verify;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

use crate::error::Error;

/// Exit code when some fields could not be measured.
pub const SOME_FAILED: u8 = 1;

/// Exit code when the command could not be carried out as typed.
pub const USAGE: u8 = 2;

/// Porosity, grain size and their uncertainty from micrographs of fired ceramics.
#[derive(Debug, Parser)]
#[command(
    version,
    propagate_version = true,
    after_help = "Exit codes: 0 all well; 1 some pictures could not be measured or have no sure scale, or a \
                  verification differs; \
                  2 the command cannot be carried out as typed."
)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Measure porosity and grain size on a folder of micrographs
    Measure(Box<measure::MeasureArgs>),
    /// Join the shards of a run that was split with `measure --shard`
    Merge(merge::MergeArgs),
    /// Find the scale of every picture, to be checked and settled before measuring
    Scale(Box<scale::ScaleArgs>),
    /// Relate porosity, grain size and density to the firing, and say what follows
    Relate(Box<relate::RelateArgs>),
    /// Draw a grain size figure for a journal from a results folder
    Figure(Box<figure::FigureArgs>),
    /// Draw micrographs whose porosity and grain size are exactly known
    Phantom(Box<phantom::PhantomArgs>),
    /// Repeat a run from its results folder and compare byte for byte
    Verify(verify::VerifyArgs),
    /// Print a completion script for a shell
    Completions {
        /// Shell that the script is for
        shell: clap_complete::Shell,
    },
}

/// Carries out a command.
///
/// # Errors
/// Whatever kept the command from being carried out at all; single pictures that fail only change the exit code.
pub fn run(cli: Cli) -> anyhow::Result<ExitCode> {
    match cli.command {
        Command::Measure(args) => measure::run(*args),
        Command::Merge(args) => merge::run(args),
        Command::Scale(args) => scale::run(*args),
        Command::Relate(args) => relate::run(&args),
        Command::Figure(args) => figure::run(*args),
        Command::Phantom(args) => phantom::run(*args).map(|()| ExitCode::SUCCESS),
        Command::Verify(args) => verify::run(&args),
        Command::Completions { shell } => {
            clap_complete::generate(shell, &mut Cli::command(), "ceramograph", &mut std::io::stdout());
            Ok(ExitCode::SUCCESS)
        }
    }
}

/// An error and its causes on one line; a cause that the text before it already tells is not told twice.
pub fn explained(error: &anyhow::Error) -> String {
    error.chain().map(ToString::to_string).fold(String::new(), |told, cause| {
        if told.is_empty() {
            cause
        } else if told.contains(&cause) {
            told
        } else {
            format!("{told}: {cause}")
        }
    })
}

/// The exit code that an error ends the program with: 1 where the run itself failed on its way, 2 where it could not
/// begin as typed.
pub fn exit_code(error: &anyhow::Error) -> ExitCode {
    match error.downcast_ref::<Error>() {
        Some(Error::Write { .. }) => ExitCode::from(SOME_FAILED),
        _ => ExitCode::from(USAGE),
    }
}
