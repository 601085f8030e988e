//! `diagnose`: settings in, report to terminal and file out.

use crate::error::{Error, ErrorKind, Warned};
use crate::pipeline;
use crate::report::json::{self, Target};
use crate::report::{NightReport, text};

use super::Outcome;
use super::args::DiagnoseArgs;
use super::settings::{Detail, DiagnoseRun};
use super::terminal::{self, Bar};

/// Runs `diagnose` from flags to exit code.
///
/// # Errors
/// When a flag is not usable, no frame is, or the report cannot be written.
pub fn run(args: &DiagnoseArgs) -> Result<Outcome, Error> {
    let run = args.checked()?;
    let report = in_threads(&run)?;
    publish(&run, &report)?;
    Ok(if report.value.is_answered() {
        Outcome::Answered
    } else {
        Outcome::CannotTell
    })
}

fn in_threads(run: &DiagnoseRun) -> Result<Warned<NightReport>, Error> {
    let n_threads = run.threads.map_or(0, |threads| threads.get());
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(n_threads)
        .build()
        .map_err(|error| {
            Error::new(
                ErrorKind::Io,
                format!("the system gave no threads: {error}"),
            )
            .with_hint("try --threads 1")
        })?;
    let bar = Bar::new(run.red);
    pool.install(|| pipeline::diagnose(&run.folder, &run.settings, &bar))
}

/// JSON first, so that a full disk is told before the screen is full; no text beside JSON on standard output.
fn publish(run: &DiagnoseRun, report: &Warned<NightReport>) -> Result<(), Error> {
    match &run.json {
        Some(Target::StandardOutput) => return terminal::print(&json::to_string(report)),
        Some(Target::File(path)) => json::write_file(report, path)?,
        None => {}
    }
    let look = terminal::look(run.red);
    terminal::print(&match run.detail {
        Detail::Brief => text::brief(report, &look),
        Detail::Full => text::full(report, &look),
    })
}
