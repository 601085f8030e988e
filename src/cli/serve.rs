//! `serve`: the answer after each frame as a page, for the phone beside the tripod.

use clap::Args;

use crate::error::{Error, ErrorKind, Warned};
use crate::live::LiveNight;
use crate::report::NightReport;
use crate::report::json::Target;
use crate::report::text;
use crate::serve::{self, Host, Reach};

use super::Outcome;
use super::args::DiagnoseArgs;
use super::diagnose::write_files;
use super::refuse::{Wanted, printable};
use super::settings::DiagnoseRun;
use super::terminal::{self, Bar, Reader};
use super::threads::in_threads;

/// Port of the page, if none is given.
const PORT: u16 = 8126;

const WANTED_PORT: Wanted = Wanted {
    flag: "--port",
    allowed: "a whole number from 1024 to 65535, or 0 for any free port",
    example: "--port 8127",
};

/// Flags of `serve`.
#[derive(Debug, Clone, Default, Args)]
#[command(
    about = "Show the answer after each frame as a page in a browser, until Ctrl-C",
    long_about = None,
    after_help = "\
The page follows by itself. Frames can be dropped onto it, and after moving the axis one touch of
\"I have corrected now\" begins a new alignment.

  stillpoint serve tonight             for a browser on this computer
  stillpoint serve tonight --lan       for a phone in the same network; it has to give a code

With --lan anyone in the network who listens can read along: use a network that you trust.
Ctrl-C ends it. Exit code: 2 could not run."
)]
pub struct ServeArgs {
    /// The same as those of `diagnose`.
    #[command(flatten)]
    pub diagnose: DiagnoseArgs,

    /// Open the page to devices in the same network; each has to give a one-time code
    #[arg(long)]
    pub lan: bool,

    /// Port of the page [default: 8126]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub port: Option<String>,
}

/// Runs `serve` until it is ended or the folder is gone.
///
/// # Errors
/// When a flag is not usable, the port is taken, the folder cannot be read any more, or nothing can
/// be written.
pub fn run(args: &ServeArgs) -> Result<Outcome, Error> {
    let run = args.diagnose.checked()?;
    let reach = if args.lan {
        Reach::Network
    } else {
        Reach::ThisComputer
    };
    let listener = serve::bind(reach, port(args.port.as_deref())?)?;
    let night = LiveNight::new(run.folder.clone(), run.settings.clone(), run.origin.clone());
    let (threads, bar) = (run.threads, Bar::new(run.red, run.on_rerun));
    // It lives as long as the program: the server's thread is never waited for.
    let host: &'static Terminal = Box::leak(Box::new(Terminal { run }));
    in_threads(threads, || serve::serve(night, listener, reach, host, &bar))?;
    Ok(Outcome::Answered)
}

fn port(typed: Option<&str>) -> Result<u16, Error> {
    let Some(typed) = typed else {
        return Ok(PORT);
    };
    let number = typed.trim().parse::<u16>().ok();
    number
        .filter(|port| *port == 0 || 1024 <= *port)
        .ok_or_else(|| WANTED_PORT.refuse(typed, "that is no such number"))
}

/// Tells on standard output what the server has to say.
struct Terminal {
    run: DiagnoseRun,
}

impl Terminal {
    /// One paragraph; standard output is for JSON alone where that was asked for.
    fn say(&self, words: &str) -> Result<(), Error> {
        if self.run.json == Some(Target::StandardOutput) {
            return Ok(());
        }
        let look = terminal::look(self.run.red);
        match terminal::print_to_reader(&terminal::line(words, &look))? {
            Reader::There => Ok(()),
            Reader::Gone => Err(Error::new(
                ErrorKind::Io,
                "nobody reads standard output any more",
            )),
        }
    }

    /// The same where nothing can be done about a failure.
    fn mention(&self, words: &str) {
        let _ = self.say(words);
    }
}

impl Host for Terminal {
    fn is_open(&self, addresses: &[String]) {
        let folder = printable(&self.run.folder.display().to_string());
        self.mention(&format!(
            "Watching {folder}. The page: {}",
            addresses.join(" or ")
        ));
        self.mention("Ctrl-C ends.");
    }

    fn code(&self, code: &str) {
        let (left, right) = code.split_at(code.len() / 2);
        self.mention(&format!("Code for the next device: {left}\u{a0}{right}"));
    }

    fn came_in(&self) {
        self.mention("A device gave the code and is in.");
    }

    fn locked(&self) {
        self.mention("Too many wrong codes: none is taken for a minute.");
    }

    fn answer(&self, report: &Warned<NightReport>) -> Result<(), Error> {
        // A file that cannot be written keeps no answer from the terminal.
        let (files, _) = write_files(&self.run, report);
        if self.run.json == Some(Target::StandardOutput) {
            return files;
        }
        let look = terminal::look(self.run.red);
        match terminal::print_to_reader(&format!("\n{}", text::brief(report, &look)))? {
            Reader::There => files,
            Reader::Gone => Err(Error::new(
                ErrorKind::Io,
                "nobody reads standard output any more",
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ports_are_checked() {
        assert_eq!(port(None).unwrap(), PORT);
        assert_eq!(port(Some("0")).unwrap(), 0);
        assert_eq!(port(Some("8127")).unwrap(), 8127);
        for typed in ["80", "70000", "-1", "web", ""] {
            let error = port(Some(typed)).unwrap_err();
            assert!(error.context.contains("1024 to 65535"), "{error}");
        }
    }
}
