//! Truth: own output of a run that nothing disturbed. A run that is ended at any moment leaves no
//! half of anything, and the next one answers as if nothing had been.
#![cfg(unix)]

#[path = "support/place.rs"]
mod place;

use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use place::{Place, Run};

/// A run with page and JSON, so that everything that is ever written is.
const RUN: [&str; 4] = ["diagnose", "night", "--json", "a.json"];
const JSON: &str = "a.json";
const PAGE: &str = "night/stillpoint.html";

/// What a signal waits for.
#[derive(Debug, Clone, Copy)]
enum Moment {
    /// A share of the looks that an undisturbed run takes: wherever that falls, nothing may break.
    Share(f64),
    /// So many frames have been measured and kept.
    Kept(usize),
    /// A part file stands: something is being written.
    Writing,
    /// The JSON stands, the page's turn has come.
    Json,
    /// The page stands too.
    Page,
}

impl Moment {
    fn has_come(self, place: &Place, share: f64) -> bool {
        match self {
            Self::Share(wanted) => share >= wanted,
            Self::Kept(wanted) => place.entries().len() >= wanted,
            Self::Writing => !place.leftovers().is_empty(),
            Self::Json => place.path(JSON).exists(),
            Self::Page => place.path(PAGE).exists(),
        }
    }
}

/// What an undisturbed run leaves.
struct Whole {
    stdout: String,
    json: Vec<u8>,
    page: Vec<u8>,
    /// How often it was looked at until it ended.
    n_looks: u32,
}

impl Whole {
    fn of(place: &Place) -> Self {
        let mut child = place.start(&RUN);
        let n_looks = look_until(&mut child, |_| false);
        let run = Run::of(child);
        assert_eq!((run.code, run.stderr.as_str()), (Some(0), ""));
        Self {
            stdout: run.stdout,
            json: fs::read(place.path(JSON)).unwrap(),
            page: fs::read(place.path(PAGE)).unwrap(),
            n_looks,
        }
    }

    /// A file that stands under its name is whole, and so is an answer.
    fn nothing_is_half(&self, place: &Place, run: &Run, when: &str) {
        for (name, whole) in [(JSON, &self.json), (PAGE, &self.page)] {
            let found = fs::read(place.path(name));
            assert!(found.map_or(true, |found| found == *whole), "{name} {when}");
        }
        let answered = run.stdout == self.stdout;
        assert!(answered || run.stdout.is_empty(), "{when}: {}", run.stdout);
        assert!(run.code != Some(0) || answered, "{when}");
    }
}

#[test]
fn runs_that_are_ended_at_any_moment_leave_nothing_that_harms_the_next() {
    let by_shares = (0..6).map(|nth| Moment::Share(f64::from(nth) / 6.0));
    let by_events = [Moment::Kept(1), Moment::Writing, Moment::Json, Moment::Page];
    let moments: Vec<Moment> = by_shares.chain(by_events).collect();
    // Two halves at once: each has a night of its own.
    std::thread::scope(|scope| {
        for half in moments.chunks(moments.len().div_ceil(2)) {
            scope.spawn(|| end_and_run_again(half));
        }
    });
}

/// At each moment a run that is interrupted and one that is killed; after some, one that is left in
/// peace.
fn end_and_run_again(moments: &[Moment]) {
    let place = Place::with_large_pixels(false);
    let whole = Whole::of(&place);
    let ends = moments
        .iter()
        .flat_map(|&moment| [(moment, "-INT"), (moment, "-KILL")]);
    let ends: Vec<(Moment, &str)> = ends.collect();
    for several in ends.chunks(4) {
        for &(moment, signal) in several {
            let _ = fs::remove_dir_all(place.path("cache"));
            for name in [JSON, PAGE] {
                let _ = fs::remove_file(place.path(name));
            }
            let when = format!("{signal} at {moment:?}");
            let run = ended_at(&place, moment, signal, whole.n_looks);
            check_code(&run, moment, signal, &when);
            whole.nothing_is_half(&place, &run, &when);
        }
        // Goes on from what the run that was killed has left.
        let again = place.run(&RUN);
        assert_eq!((again.code, again.stderr.as_str()), (Some(0), ""));
        whole.nothing_is_half(&place, &again, &format!("after {several:?}"));
        assert_eq!(place.entries().len(), place.n_frames());
        assert!(place.leftovers().is_empty(), "{:?}", place.leftovers());
    }
}

fn ended_at(place: &Place, moment: Moment, signal: &str, whole: u32) -> Run {
    let mut child = place.start(&RUN);
    look_until(&mut child, |nth| {
        moment.has_come(place, f64::from(nth) / f64::from(whole))
    });
    send(signal, &child);
    Run::of(child)
}

/// Looks again and again, until something has come or the run has ended; how often.
fn look_until(child: &mut Child, has_come: impl Fn(u32) -> bool) -> u32 {
    let mut n_looks = 0;
    while !has_come(n_looks) && child.try_wait().unwrap().is_none() {
        n_looks += 1;
        std::thread::sleep(Duration::from_micros(500));
    }
    n_looks
}

/// 130 for a run that was interrupted, or that of a run which was done by then.
fn check_code(run: &Run, moment: Moment, signal: &str, when: &str) {
    // With the way on, once there is a cache to go on from.
    let told = run.stderr.starts_with("stillpoint: interrupted");
    let fits = match (signal, run.code) {
        (_, Some(0)) => run.stderr.is_empty(),
        ("-INT", Some(130)) => told,
        // Before the program listens; a frame that is kept shows that it does.
        ("-INT", None) => matches!(moment, Moment::Share(_)),
        (_, code) => code.is_none() && run.stderr.is_empty(),
    };
    assert!(fits, "{when}: {:?} {}", run.code, run.stderr);
}

fn send(signal: &str, child: &Child) {
    let mut command = Command::new("kill");
    command.arg(signal).arg(child.id().to_string());
    // The run may have ended by itself.
    let sent = command.stderr(Stdio::null()).status();
    sent.expect("kill is there");
}

/// A run that writes its page into a pipe that holds less than the page.
fn writing_into_a_pipe(place: &Place, pipe: &Path) -> Child {
    let made = Command::new("mkfifo").arg(pipe).status();
    assert!(made.expect("mkfifo is there").success());
    place.start(&["diagnose", "night", "--report", pipe.to_str().unwrap()])
}

#[test]
fn an_interrupt_while_the_page_is_written_waits_for_the_page() {
    let place = Place::with_large_pixels(true);
    place.run(&["diagnose", "night"]);
    let page = fs::read(place.path(PAGE)).unwrap();
    assert!(page.len() > 1 << 16, "more than a pipe holds");
    let pipe = place.path("pipe");
    let child = writing_into_a_pipe(&place, &pipe);
    let mut reader = fs::File::open(&pipe).unwrap();
    let mut found = vec![0];
    // From the first byte on the page is being written, and cannot be done.
    reader.read_exact(&mut found).unwrap();
    send("-INT", &child);
    reader.read_to_end(&mut found).unwrap();
    assert!(found == page);
    // Whether the work was done before the interrupt was heard is open.
    let run = Run::of(child);
    assert!(matches!(run.code, Some(0 | 130)), "{:?}", run.code);
}

#[test]
fn a_second_interrupt_waits_for_nothing_and_a_kill_neither() {
    let place = Place::with_large_pixels(true);
    place.run(&["diagnose", "night"]);
    for (nth, signal) in ["-INT", "-KILL"].iter().enumerate() {
        let pipe = place.path(&format!("pipe {nth}"));
        let mut child = writing_into_a_pipe(&place, &pipe);
        let mut reader = fs::File::open(&pipe).unwrap();
        reader.read_exact(&mut [0]).unwrap();
        // Signals that come at once count as one.
        while child.try_wait().unwrap().is_none() {
            send(signal, &child);
            std::thread::sleep(Duration::from_millis(5));
        }
        let run = Run::of(child);
        let expected = (*signal == "-INT").then_some(130);
        assert_eq!((run.code, run.stdout.as_str()), (expected, ""), "{signal}");
    }
}
