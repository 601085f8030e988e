//! `diagnose`: settings in, report to terminal and file out.

use std::path::{Path, PathBuf};

use crate::error::{Error, Warned};
use crate::pipeline;
use crate::report::json::{self, Target};
use crate::report::page::Look;
use crate::report::{NightReport, html, text};

use super::Outcome;
use super::args::DiagnoseArgs;
use super::settings::{Detail, DiagnoseRun, PageTarget};
use super::terminal::{self, Bar};
use super::threads::in_threads;

/// Runs `diagnose` from flags to exit code.
///
/// # Errors
/// When a flag is not usable, no frame is, or the report cannot be written.
pub fn run(args: &DiagnoseArgs) -> Result<Outcome, Error> {
    let run = args.checked()?;
    let bar = Bar::new(run.red);
    let mut report = in_threads(run.threads, || {
        pipeline::diagnose(&run.folder, &run.settings, &bar)
    })?;
    report.value.assumptions.extend(run.origin.clone());
    let page = publish(&run, &report)?;
    if run.json != Some(Target::StandardOutput) {
        let look = terminal::look(run.red);
        terminal::print(&words(&run, &report, page.as_deref(), &look))?;
    }
    Ok(if report.value.is_answered() {
        Outcome::Answered
    } else {
        Outcome::CannotTell
    })
}

/// Writes JSON and page where they are wanted; JSON first, so that a full disk is told before the
/// screen is full.
///
/// Output: where the page stands.
pub(super) fn publish(
    run: &DiagnoseRun,
    report: &Warned<NightReport>,
) -> Result<Option<PathBuf>, Error> {
    match &run.json {
        Some(Target::StandardOutput) => terminal::print(&json::to_string(report))?,
        Some(Target::File(path)) => json::write_file(report, path)?,
        None => {}
    }
    write_page(&run.page, report)
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

/// Writes the page; a folder that cannot be written to is no reason to fail where nobody asked.
///
/// Output: where it stands.
fn write_page(page: &PageTarget, report: &Warned<NightReport>) -> Result<Option<PathBuf>, Error> {
    match page {
        PageTarget::Nowhere => Ok(None),
        PageTarget::File(path) => html::write_file(report, path).map(|()| Some(path.clone())),
        PageTarget::Beside(path) => Ok(html::write_file(report, path).ok().map(|()| path.clone())),
    }
}
