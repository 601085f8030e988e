//! `watch`: the answer anew after each frame that arrives, until Ctrl-C.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::error::{Error, Warned};
use crate::live::{LiveNight, Look, Notice};
use crate::report::NightReport;
use crate::report::json::Target;
use crate::report::screen::screen;

use super::Outcome;
use super::args::DiagnoseArgs;
use super::diagnose::{words, write_files};
use super::refuse::printable;
use super::settings::{Detail, DiagnoseRun};
use super::terminal::{self, Bar, Reader};
use super::threads::in_threads;

/// Flags of `watch`.
#[derive(Debug, Clone, Default, Args)]
#[command(
    about = "Do the same again after each frame that arrives in the folder, until Ctrl-C",
    long_about = None,
    after_help = "\
Frames that are still being written are waited for. On a terminal each answer takes one screen; in
a pipe each new answer is printed below the last. After moving the axis, put the next frames into a
folder of their own inside FOLDER.

  stillpoint watch tonight
  stillpoint watch tonight --red --site 51.5,-0.1 --utc-offset +01:00

Ctrl-C ends it. Exit code: 2 could not run."
)]
pub struct WatchArgs {
    /// The same as those of `diagnose`.
    #[command(flatten)]
    pub diagnose: DiagnoseArgs,
}

/// Runs `watch` until it is ended or the folder is gone.
///
/// # Errors
/// When a flag is not usable, the folder cannot be read any more, or nothing can be written.
pub fn run(args: &WatchArgs) -> Result<Outcome, Error> {
    let run = args.diagnose.checked()?;
    in_threads(run.threads, || watch(&run))?;
    Ok(Outcome::Answered)
}

fn watch(run: &DiagnoseRun) -> Result<(), Error> {
    let notice = Notice::of(&run.folder);
    let mut night = LiveNight::new(run.folder.clone(), run.settings.clone(), run.origin.clone());
    let mut screen = Screen::new(run);
    let bar = Bar::new(run.red, run.on_rerun);
    loop {
        let look = night.look(&bar)?;
        let answer = look.is_new.then(|| night.answer()).flatten();
        if screen.show(answer, &look)? == Reader::Gone {
            return Ok(());
        }
        notice.wait(look.rest());
    }
}

/// What is on the terminal, or went into the pipe.
struct Screen<'a> {
    run: &'a DiagnoseRun,
    height: Option<usize>,
    answer: Option<Warned<NightReport>>,
    arriving: Option<Vec<PathBuf>>,
}

impl<'a> Screen<'a> {
    fn new(run: &'a DiagnoseRun) -> Self {
        let is_text = run.json != Some(Target::StandardOutput);
        Self {
            run,
            height: terminal::height().filter(|_| is_text),
            answer: None,
            arriving: None,
        }
    }

    /// Shows what is new, and nothing otherwise.
    ///
    /// A file that cannot be written keeps no answer from the screen; the failure is told after it.
    fn show(&mut self, answer: Option<Warned<NightReport>>, look: &Look) -> Result<Reader, Error> {
        let (files, page) = match &answer {
            Some(report) => write_files(self.run, report),
            None => (Ok(()), None),
        };
        let reader = self.put_up(answer, look, page.as_deref())?;
        files.map(|()| reader)
    }

    fn put_up(
        &mut self,
        answer: Option<Warned<NightReport>>,
        look: &Look,
        page: Option<&Path>,
    ) -> Result<Reader, Error> {
        let is_new = answer.is_some();
        let first = self.answer.is_none();
        if is_new || look.is_new {
            self.answer = answer;
        }
        let same_arriving = self.arriving.as_ref() == Some(&look.arriving);
        if self.height.is_some() {
            if is_new || look.is_new || !same_arriving {
                self.arriving = Some(look.arriving.clone());
                return self.draw();
            }
            return Ok(Reader::There);
        }
        match &self.answer {
            Some(report) if is_new && self.run.json != Some(Target::StandardOutput) => {
                let look = terminal::look(self.run.red);
                let gap = if first { "" } else { "\n" };
                let words = words(self.run, report, page, &look);
                terminal::print_to_reader(&format!("{gap}{words}"))
            }
            _ => Ok(Reader::There),
        }
    }

    /// One screenful, and a line about the folder at its foot.
    fn draw(&self) -> Result<Reader, Error> {
        let look = terminal::look(self.run.red);
        // Asked again, as windows change.
        let height = terminal::height().or(self.height).unwrap_or(24);
        let answer = match (&self.answer, self.run.detail) {
            (Some(report), Detail::Brief) => words(self.run, report, None, &look),
            (Some(report), Detail::Full) => screen(report, &look, height.saturating_sub(3)),
            (None, _) => terminal::line("No frames yet.", &look),
        };
        terminal::clear(self.run.red)?;
        let foot = terminal::line(&self.foot(), &look);
        terminal::print_to_reader(&format!("{answer}\n{foot}"))
    }

    fn foot(&self) -> String {
        let arriving = self.arriving.as_deref().unwrap_or_default();
        match arriving {
            [] => format!(
                "Waiting for frames in {}. Ctrl-C ends.",
                printable(&self.run.folder.display().to_string())
            ),
            [one] => format!("{} is arriving.", printable(&one.display().to_string())),
            several => format!("{} files are arriving.", several.len()),
        }
    }
}
