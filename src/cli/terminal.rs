//! The terminal: what it can show, errors on two lines, a bar of progress.

use std::io::{self, IsTerminal, Write};
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use crate::error::Error;
use crate::pipeline::Progress;
use crate::report::page::{Ink, Letters, Look, Page, Role};

use super::refuse::printable;

/// Width taken where nobody says one: paper terminals, pipes.
const DEFAULT_WIDTH: usize = 80;

/// What standard output can show.
pub fn look(red: bool) -> Look {
    let on_terminal = io::stdout().is_terminal();
    Look {
        width: width(on_terminal),
        letters: letters(|name| std::env::var(name).ok()),
        ink: ink(on_terminal, red, |name| std::env::var(name).ok()),
    }
}

fn width(on_terminal: bool) -> usize {
    let (_, columns) = console::Term::stdout()
        .size_checked()
        .filter(|_| on_terminal)
        .unwrap_or((0, DEFAULT_WIDTH as u16));
    usize::from(columns).max(1)
}

/// Letters beyond ASCII only where the locale says UTF-8: the first of three variables that is set decides.
fn letters(variable: impl Fn(&str) -> Option<String>) -> Letters {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .into_iter()
        .filter_map(variable)
        .find(|value| !value.is_empty())
        .unwrap_or_default()
        .to_lowercase();
    if locale.contains("utf-8") || locale.contains("utf8") {
        Letters::Unicode
    } else {
        Letters::Ascii
    }
}

/// Colours on a terminal only; `--red` was asked for by hand and so overrules `NO_COLOR`.
fn ink(on_terminal: bool, red: bool, variable: impl Fn(&str) -> Option<String>) -> Ink {
    let asked_plain = variable("NO_COLOR").is_some_and(|value| !value.is_empty())
        || variable("TERM").is_some_and(|value| value == "dumb");
    match (on_terminal, red) {
        (false, _) => Ink::Plain,
        (true, true) => Ink::Red,
        (true, false) if asked_plain => Ink::Plain,
        (true, false) => Ink::Colour,
    }
}

/// Lines that standard output shows at once, and whether it is a terminal at all.
pub fn height() -> Option<usize> {
    let terminal = console::Term::stdout();
    let (rows, _) = terminal.size_checked().filter(|_| terminal.is_term())?;
    Some(usize::from(rows))
}

/// Words of little weight, folded to the terminal.
pub fn line(words: &str, look: &Look) -> String {
    let mut page = Page::new(*look);
    page.words(Role::Quiet, "", words);
    page.finish()
}

/// Clears the terminal; red on black stays black to its foot.
pub fn clear(red: bool) -> Result<(), Error> {
    print(if red {
        "\x1b[0;31;40m\x1b[2J\x1b[H"
    } else {
        "\x1b[2J\x1b[H"
    })
}

/// Writes text to standard output; a reader that went away early is no error.
///
/// # Errors
/// When the system refuses to write.
pub fn print(text: &str) -> Result<(), Error> {
    print_to_reader(text).map(|_| ())
}

/// The same; says whether anyone reads.
pub fn print_to_reader(text: &str) -> Result<Reader, Error> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(Reader::There),
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(Reader::Gone),
        Err(error) => Err(Error::new(
            crate::error::ErrorKind::Io,
            format!("standard output: {error}"),
        )),
    }
}

/// Who reads standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reader {
    /// Someone.
    There,
    /// Nobody any more.
    Gone,
}

/// Writes an error and, on a second line, what to do about it, to standard error.
pub fn print_error(error: &Error) {
    let mut lines = format!("stillpoint: {}\n", printable(&error.context));
    if let Some(hint) = &error.hint {
        lines.push_str(&format!("      hint: {}\n", printable(hint)));
    }
    // Nothing is left to do when standard error is closed too.
    let _ = io::stderr().lock().write_all(lines.as_bytes());
}

/// Says that the run was interrupted, how far it was, and what a rerun finds.
pub fn print_interrupted() {
    let course = course().take();
    let mut words = "interrupted".to_string();
    let mut hint = None;
    if let Some(course) = course {
        if let Some((bar, what)) = course.bar {
            // A finished bar counts as full.
            let (done, all) = (bar.position(), bar.length().unwrap_or(0));
            bar.finish_and_clear();
            words.push_str(&format!(" while {what}: {done} of {all} done"));
        }
        hint = Some(course.on_rerun.to_string());
    }
    let kind = crate::error::ErrorKind::Io;
    print_error(&Error {
        hint,
        ..Error::new(kind, words)
    });
}

/// How far the run is, for the case that it is interrupted.
struct Course {
    bar: Option<(ProgressBar, String)>,
    on_rerun: &'static str,
}

/// The one run of this process.
fn course() -> MutexGuard<'static, Option<Course>> {
    static COURSE: Mutex<Option<Course>> = Mutex::new(None);
    // A panic in another thread does not hurt a message.
    COURSE
        .lock()
        .unwrap_or_else(|poisoned| poisoned.into_inner())
}

/// A bar on standard error while it is a terminal; elsewhere it counts in silence.
#[derive(Debug)]
pub struct Bar {
    bar: Mutex<Option<ProgressBar>>,
    red: bool,
    on_rerun: &'static str,
}

impl Bar {
    /// A bar that is not drawn yet; `on_rerun` is told where the run is interrupted.
    pub fn new(red: bool, on_rerun: &'static str) -> Self {
        *course() = Some(Course {
            bar: None,
            on_rerun,
        });
        Self {
            bar: Mutex::new(None),
            red,
            on_rerun,
        }
    }

    /// Shows `done` of `all` steps; for work that counts for itself.
    pub fn at(&self, what: &str, done: usize, all: usize) {
        let is_new = self.bar.lock().map(|slot| slot.is_none()).unwrap_or(false);
        if is_new {
            self.begin(what, all);
        }
        self.with_bar(|slot| {
            if let Some(bar) = slot {
                bar.set_position(done as u64);
            }
        });
        if done >= all {
            self.end();
        }
    }

    fn with_bar(&self, act: impl FnOnce(&mut Option<ProgressBar>)) {
        // A panic in another thread does not hurt a bar.
        act(&mut self
            .bar
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner()));
    }

    /// A bar as this terminal shows it.
    fn drawn(&self, what: &str, n_steps: usize) -> ProgressBar {
        if !io::stderr().is_terminal() {
            let target = ProgressDrawTarget::hidden();
            return ProgressBar::with_draw_target(Some(n_steps as u64), target);
        }
        let shape = if self.red {
            "\x1b[31m{msg} [{wide_bar}] {pos}/{len}{left}\x1b[0m"
        } else {
            "{msg} [{wide_bar}] {pos}/{len}{left}"
        };
        let style = ProgressStyle::with_template(shape)
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .with_key("left", time_left)
            .progress_chars("=> ");
        let target = ProgressDrawTarget::stderr_with_hz(5);
        let bar = ProgressBar::with_draw_target(Some(n_steps as u64), target)
            .with_style(style)
            .with_message(what.to_string());
        bar.enable_steady_tick(Duration::from_millis(500));
        bar
    }
}

/// ", 3 minutes left", once there is something to go by.
fn time_left(state: &ProgressState, out: &mut dyn std::fmt::Write) {
    if state.pos() > 0 && !state.is_finished() {
        // Nothing is left to do where a bar cannot be written.
        let _ = write!(out, ", {:#} left", HumanDuration(state.eta()));
    }
}

impl Progress for Bar {
    fn begin(&self, what: &str, n_steps: usize) {
        let bar = self.drawn(what, n_steps);
        *course() = Some(Course {
            bar: Some((bar.clone(), what.to_string())),
            on_rerun: self.on_rerun,
        });
        self.with_bar(|slot| {
            if let Some(earlier) = slot.replace(bar) {
                earlier.finish_and_clear();
            }
        });
    }

    fn step(&self) {
        self.with_bar(|slot| {
            if let Some(bar) = slot {
                bar.inc(1);
            }
        });
    }

    fn end(&self) {
        if let Some(course) = course().as_mut() {
            course.bar = None;
        }
        self.with_bar(|slot| {
            if let Some(bar) = slot.take() {
                bar.finish_and_clear();
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn only(name: &'static str, value: &'static str) -> impl Fn(&str) -> Option<String> {
        move |asked| (asked == name).then(|| value.to_string())
    }

    #[test]
    fn letters_follow_the_locale() {
        assert_eq!(letters(only("LANG", "en_GB.UTF-8")), Letters::Unicode);
        assert_eq!(letters(only("LC_ALL", "C.utf8")), Letters::Unicode);
        assert_eq!(letters(only("LANG", "C")), Letters::Ascii);
        assert_eq!(letters(|_| None), Letters::Ascii);
    }

    #[test]
    fn colours_stay_out_of_pipes_and_obey() {
        assert_eq!(ink(false, true, |_| None), Ink::Plain);
        assert_eq!(ink(true, false, |_| None), Ink::Colour);
        assert_eq!(ink(true, false, only("NO_COLOR", "1")), Ink::Plain);
        assert_eq!(ink(true, false, only("NO_COLOR", "")), Ink::Colour);
        assert_eq!(ink(true, false, only("TERM", "dumb")), Ink::Plain);
        assert_eq!(ink(true, true, only("NO_COLOR", "1")), Ink::Red);
    }
}
