//! The command line program; all of its work is in the library.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let cli = ceramograph::cli::Cli::parse();
    match ceramograph::cli::run(cli) {
        Ok(code) => code,
        Err(error) => {
            anstream::eprintln!("error: {}", ceramograph::cli::explained(&error));
            ceramograph::cli::exit_code(&error)
        }
    }
}
