//! The program: parse, run, say what went wrong.

use std::process::ExitCode;

use clap::Parser;
use stillpoint::cli;
use stillpoint::cli::interrupt::{EXIT_CODE, Ended, until_interrupted};

fn main() -> ExitCode {
    // Clap answers --help, --version and unknown flags itself, the latter with exit code 2.
    let line = cli::args::CommandLine::parse();
    let runs_until_ended = line.runs_until_ended();
    match until_interrupted(move || cli::run(&line)) {
        Ended::Done(Ok(outcome)) => outcome.into(),
        Ended::Done(Err(error)) => {
            cli::print_error(&error);
            ExitCode::from(2)
        }
        Ended::Interrupted if runs_until_ended => ExitCode::SUCCESS,
        Ended::Interrupted => {
            cli::print_interrupted();
            ExitCode::from(EXIT_CODE)
        }
        Ended::Panicked => ExitCode::from(2),
    }
}
