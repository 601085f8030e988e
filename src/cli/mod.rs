//! The command line: flags in, exit code out. The only stage that prints or reads the environment.

use std::process::ExitCode;

use crate::error::Error;

pub mod args;
pub mod beam;
pub mod cache;
pub mod interrupt;
pub mod limits;
pub mod polestar;
#[cfg(feature = "serve")]
pub mod serve;
pub mod settings;
pub mod simulate;
pub mod watch;

mod angle_text;
mod diagnose;
mod direction;
mod home;
pub mod keep;
mod marks;
mod measure;
mod picture;
mod quantity;
mod refuse;
mod settings_file;
mod site;
mod terminal;
mod threads;

pub use terminal::{print_error, print_interrupted};

/// How a run ended that did end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The question has its answer.
    Answered,
    /// All went well, but the frames cannot tell.
    CannotTell,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Answered => ExitCode::SUCCESS,
            Outcome::CannotTell => ExitCode::from(1),
        }
    }
}

/// Runs one command.
///
/// # Errors
/// When the command could not run; the caller shows it with [`print_error`].
pub fn run(line: &args::CommandLine) -> Result<Outcome, Error> {
    match &line.command {
        args::Command::Diagnose(args) => diagnose::run(args),
        args::Command::Watch(args) => watch::run(args),
        #[cfg(feature = "serve")]
        args::Command::Serve(args) => serve::run(args),
        args::Command::Measure(args) => measure::run(args),
        args::Command::Limits(args) => limits::run(args),
        args::Command::Polestar(args) => polestar::run(args),
        args::Command::Beam(args) => beam::run(args),
        args::Command::Settings(args) => keep::run(args),
        args::Command::Simulate(args) => {
            let bar = terminal::Bar::new(false, simulate::ON_RERUN);
            simulate::run(
                args,
                &|done, all| bar.at("drawing frames", done, all),
                &mut std::io::stdout().lock(),
            )?;
            Ok(Outcome::Answered)
        }
    }
}
