//! `diagnose`: settings in, report to terminal and file out.

use std::path::{Path, PathBuf};

use crate::error::{Error, Warned};
use crate::pipeline;
use crate::report::json::{self, Target};
use crate::report::page::Look;
use crate::report::{NightReport, html, text};

use super::Outcome;
use super::args::DiagnoseArgs;
use super::cache;
use super::settings::{Detail, DiagnoseRun, PageTarget};
use super::terminal::{self, Bar};
use super::threads::in_threads;

/// Runs `diagnose` from flags to exit code.
///
/// # Errors
/// When a flag is not usable, no frame is, or the report cannot be written.
pub fn run(args: &DiagnoseArgs) -> Result<Outcome, Error> {
    let run = args.checked()?;
    let bar = Bar::new(run.red, run.on_rerun);
    let mut report = in_threads(run.threads, || {
        pipeline::diagnose(&run.folder, &run.settings, &bar)
    })?;
    report.value.assumptions.extend(run.origin.clone());
    cache::finish(run.settings.cache.as_ref());
    publish(&run, &report)?;
    Ok(if report.value.is_answered() {
        Outcome::Answered
    } else {
        Outcome::CannotTell
    })
}

/// Files first, so that the text can name the page; a file that cannot be written keeps no answer
/// from the terminal. No text beside JSON on standard output.
///
/// # Errors
/// The first thing that was asked for and could not be written.
fn publish(run: &DiagnoseRun, report: &Warned<NightReport>) -> Result<(), Error> {
    let (files, page) = write_files(run, report);
    let text = match &run.json {
        Some(Target::StandardOutput) => Ok(()),
        _ => terminal::print(&words(
            run,
            report,
            page.as_deref(),
            &terminal::look(run.red),
        )),
    };
    files.and(text)
}

/// Writes JSON and page where they are wanted.
///
/// Output: the first failure, and where the page stands.
pub(super) fn write_files(
    run: &DiagnoseRun,
    report: &Warned<NightReport>,
) -> (Result<(), Error>, Option<PathBuf>) {
    let json = match &run.json {
        Some(Target::StandardOutput) => terminal::print(&json::to_string(report)),
        Some(Target::File(path)) => json::write_file(report, path),
        None => Ok(()),
    };
    let (page, written) = match write_page(&run.page, report) {
        Ok(path) => (Ok(()), path),
        Err(error) => (Err(error), None),
    };
    (json.and(page), written)
}

/// The text that was asked for.
pub(super) fn words(
    run: &DiagnoseRun,
    report: &Warned<NightReport>,
    page: Option<&Path>,
    look: &Look,
) -> String {
    match run.detail {
        Detail::Brief => text::brief(report, look),
        Detail::Full => text::full(report, page, look),
    }
}

/// Writes the page; one that nobody asked for and that cannot be written is told, and no reason to fail.
///
/// Output: where it stands.
fn write_page(page: &PageTarget, report: &Warned<NightReport>) -> Result<Option<PathBuf>, Error> {
    let (path, asked) = match page {
        PageTarget::Nowhere => return Ok(None),
        PageTarget::File(path) => (path, true),
        PageTarget::Beside(path) => (path, false),
    };
    match html::write_file(report, path) {
        Ok(()) => Ok(Some(path.clone())),
        Err(error) if asked => Err(error),
        Err(error) => {
            terminal::print_error(&error.with_hint(
                "the answer is whole without the page: --report FILE writes it elsewhere, --no-report writes none",
            ));
            Ok(None)
        }
    }
}
