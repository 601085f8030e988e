//! The cause study: nights of each cause through the pipeline after the measuring of stars. Run it
//! by `scripts/cause-study`.
#![allow(clippy::print_stdout)] // A study is there to print.
#![allow(clippy::disallowed_methods)] // It says how long it took; no other figure depends on it.

mod cause_draw;
mod cause_judge;
mod cause_tables;
mod cause_truth;
mod draw;
mod judge;
mod statistics;
#[allow(dead_code)] // The recovery study uses more of it.
mod truth;

use std::path::Path;

use rayon::prelude::*;
use stillpoint::diagnosis::Cause;

use cause_draw::{CAUSES, draw_for};
use cause_judge::{CauseOutcome, judge_cause};

/// What was asked for.
struct Options {
    seed: u64,
    /// Nights of each cause.
    nights: u64,
    /// One cause alone.
    cause: Option<Cause>,
    /// One night alone, in full.
    night: Option<u64>,
    /// A line for each night: of all, or of those that came out wrong.
    list: Option<Listed>,
    /// Writes the page beside this file.
    write: bool,
}

/// Nights that get a line.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Listed {
    All,
    Wrong,
}

fn main() {
    let options = Options::from_words(std::env::args().skip(1));
    match (options.cause, options.night) {
        (Some(cause), Some(number)) => show(&options, cause, number),
        _ => study(&options),
    }
}

impl Options {
    fn from_words(words: impl Iterator<Item = String>) -> Self {
        let mut options = Self {
            seed: 1,
            nights: 100,
            cause: None,
            night: None,
            list: None,
            write: false,
        };
        let mut words = words;
        while let Some(word) = words.next() {
            let mut value = || words.next().unwrap_or_default();
            match word.as_str() {
                "--seed" => options.seed = parsed(&word, &value()),
                "--nights" => options.nights = parsed(&word, &value()),
                "--night" => options.night = Some(parsed(&word, &value())),
                "--cause" => options.cause = Some(named(&value())),
                "--list" => options.list = Some(Listed::All),
                "--wrong" => options.list = Some(Listed::Wrong),
                "--write" => options.write = true,
                // Cargo says this to every bench.
                "--bench" => {}
                other => panic!("{other} is not known; scripts/cause-study lists the options"),
            }
        }
        options
    }
}

fn named(key: &str) -> Cause {
    let found = CAUSES.iter().copied().find(|cause| cause.key() == key);
    found.unwrap_or_else(|| {
        let keys: Vec<&str> = CAUSES.iter().map(|cause| cause.key()).collect();
        panic!("no cause \"{key}\"; there are {}", keys.join(", "))
    })
}

fn parsed<T: std::str::FromStr>(word: &str, value: &str) -> T {
    let parsed = value.parse();
    parsed.unwrap_or_else(|_| panic!("{word} needs a number, not \"{value}\""))
}

fn judged(seed: u64, cause: Cause, number: u64) -> CauseOutcome {
    let drawn = draw_for(seed, cause, number).expect("a sky for the date");
    judge_cause(drawn).expect("a sky for the date")
}

fn study(options: &Options) {
    let started = std::time::Instant::now();
    let causes = CAUSES.iter().copied();
    let causes = causes.filter(|cause| options.cause.is_none_or(|one| one == *cause));
    let nights: Vec<(Cause, u64)> = causes
        .flat_map(|cause| (0..options.nights).map(move |number| (cause, number)))
        .collect();
    let outcomes: Vec<CauseOutcome> = nights
        .into_par_iter()
        .map(|(cause, number)| judged(options.seed, cause, number))
        .collect();
    let seconds = started.elapsed().as_secs_f64();
    for one in &outcomes {
        let wanted = match options.list {
            Some(Listed::All) => true,
            Some(Listed::Wrong) => !one.is_right() && one.clear,
            None => false,
        };
        if wanted {
            println!("{}", line(one));
        }
    }
    let page = cause_tables::page(options.seed, seconds, &outcomes);
    println!("{page}");
    if options.write {
        let page_file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/study/causes.md");
        std::fs::write(page_file, &page).expect("a place to write");
    }
}

/// A night in a line: what it was, what came out.
fn line(one: &CauseOutcome) -> String {
    let doings = &one.drawn.doings;
    let truth = doings.px.iter();
    let truth = truth.map(|(cause, px)| format!("{} {px:.2}", cause.key()));
    let said = one.alignment().causes.iter().map(|share| {
        let px = share.trail.px();
        format!("{} {px:.2} ({:.2})", share.cause.key(), share.confidence)
    });
    let scenario = &one.drawn.night.scenario;
    let pointings = scenario.alignments[0].pointings.iter();
    let frames: Vec<String> = pointings
        .map(|pointing| format!("{}x{}", pointing.frames, pointing.exposure_s))
        .collect();
    format!(
        "{} {}{} is {}, said {}{} | px {} for {}; tolerance {:.2}; {} mm {}",
        one.drawn.drawn_for.key(),
        one.drawn.night.number,
        if one.clear { "" } else { " (disputed)" },
        one.truth.key(),
        one.said().key(),
        if one.is_right() { "" } else { " WRONG" },
        said.collect::<Vec<_>>().join(", "),
        truth.collect::<Vec<_>>().join(", "),
        doings.tolerance_px(),
        scenario.lens.focal_mm,
        frames.join(" "),
    )
}

/// Everything about one night.
fn show(options: &Options, cause: Cause, number: u64) {
    let one = judged(options.seed, cause, number);
    println!("{:#?}", one.drawn.night.scenario);
    for frame in &one.report.frames {
        println!(
            "{} alignment {} pointing {:?} stars {} identified {} fwhm {:?} trail {:?}; beyond the drift {:?}",
            frame.file,
            frame.alignment,
            frame.pointing,
            frame.n_stars,
            frame.n_identified,
            frame.fwhm.map(|fwhm| fwhm.value.px()),
            frame.trail.map(|trail| (trail.length, trail.vector)),
            frame.own_motion,
        );
    }
    println!("{:#?}", one.report.alignments);
    println!("calm frames {:?}", one.drawn.calm_frames);
    println!("{}", line(&one));
}
