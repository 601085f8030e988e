//! The program: parse, run, say what went wrong.

use std::process::ExitCode;

use clap::Parser;
use stillpoint::cli;

fn main() -> ExitCode {
    // Clap answers --help, --version and unknown flags itself, the latter with exit code 2.
    let line = cli::args::CommandLine::parse();
    match cli::run(&line) {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            cli::print_error(&error);
            ExitCode::from(2)
        }
    }
}
