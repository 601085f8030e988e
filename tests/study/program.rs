//! The recovery study: nights drawn at random through the whole pipeline after the measuring of
//! stars, against their truth. Run it by `scripts/recovery-study`.
#![allow(clippy::print_stdout)] // A study is there to print.
#![allow(clippy::disallowed_methods)] // It says how long it took; no other figure depends on it.

mod draw;
mod judge;
mod plot;
mod statistics;
mod tables;
mod truth;

use std::path::Path;

use rayon::prelude::*;

use draw::{Night, draw, draw_disturbed};
use judge::{Outcome, judge};

/// What was asked for.
struct Options {
    seed: u64,
    nights: u64,
    /// One night alone, in full.
    night: Option<u64>,
    /// That night is one with bump or sag.
    disturbed: bool,
    /// Noise of a star instead of the drawn one, pixels; 0.0001 leaves the model's own error.
    star_px: Option<f64>,
    /// Noise shared by a frame instead of the floor that the program assumes, pixels.
    frame_px: Option<f64>,
    /// A line a night.
    list: bool,
    /// Writes page and picture beside this file.
    write: bool,
}

fn main() {
    let options = Options::from_words(std::env::args().skip(1));
    match options.night {
        Some(number) => show(&options, number),
        None => study(&options),
    }
}

impl Options {
    fn from_words(words: impl Iterator<Item = String>) -> Self {
        let mut options = Self {
            seed: 1,
            nights: 500,
            night: None,
            disturbed: false,
            star_px: None,
            frame_px: None,
            list: false,
            write: false,
        };
        let mut words = words;
        while let Some(word) = words.next() {
            let mut value = || words.next().unwrap_or_default();
            match word.as_str() {
                "--seed" => options.seed = parsed(&word, &value()),
                "--nights" => options.nights = parsed(&word, &value()),
                "--night" => options.night = Some(parsed(&word, &value())),
                "--star-px" => options.star_px = Some(parsed(&word, &value())),
                "--frame-px" => options.frame_px = Some(parsed(&word, &value())),
                "--disturbed" => options.disturbed = true,
                "--list" => options.list = true,
                "--write" => options.write = true,
                // Cargo says this to every bench.
                "--bench" => {}
                other => panic!("{other} is not known; scripts/recovery-study lists the options"),
            }
        }
        options
    }

    fn judged(&self, drawn: impl Fn(u64, u64) -> Night, number: u64) -> Outcome {
        let mut night = drawn(self.seed, number);
        let listing = &mut night.listing;
        listing.star_px = self.star_px.unwrap_or(listing.star_px);
        listing.frame_px = self.frame_px.unwrap_or(listing.frame_px);
        judge(night).expect("a sky for the date")
    }
}

fn parsed<T: std::str::FromStr>(word: &str, value: &str) -> T {
    let parsed = value.parse();
    parsed.unwrap_or_else(|_| panic!("{word} needs a number, not \"{value}\""))
}

/// Nights with bump or sag that are drawn beside a hundred without.
const DISTURBED_PER_100: u64 = 12;

fn study(options: &Options) {
    let started = std::time::Instant::now();
    let all = |drawn: fn(u64, u64) -> Night, nights: u64| -> Vec<Outcome> {
        let numbers = (0..nights).into_par_iter();
        numbers
            .map(|number| options.judged(drawn, number))
            .collect()
    };
    let outcomes = all(draw, options.nights);
    let disturbed = all(draw_disturbed, options.nights * DISTURBED_PER_100 / 100);
    let seconds = started.elapsed().as_secs_f64();
    let page = tables::page(options.seed, seconds, &outcomes, &disturbed);
    if options.list {
        outcomes.iter().chain(&disturbed).for_each(print_line);
    }
    println!("{page}");
    if options.write {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/study");
        std::fs::write(folder.join("recovery.md"), &page).expect("a place to write");
        std::fs::write(folder.join("pulls.svg"), plot::picture(&outcomes))
            .expect("a place to write");
    }
}

/// A night in a line: what it was, what came out.
fn print_line(one: &Outcome) {
    let axis = match one.axis {
        Some([up, east]) => format!(
            "up {:+.2} +- {:.2} ({:+.2}, pull {:+.1}) east {:+.2} +- {:.2} ({:+.2}, pull {:+.1})",
            up.value,
            up.sigma,
            up.truth,
            up.pull(),
            east.value,
            east.sigma,
            east.truth,
            east.pull()
        ),
        None => "no axis".into(),
    };
    println!(
        "{:>4} {:<15} for {:<15} {} {} | {}",
        one.night.number,
        one.alignment().cause.key(),
        one.causes.dominant().key(),
        one.no_axis().unwrap_or("axis"),
        axis,
        tables::words(one),
    );
    println!("     {}", causes_line(one));
}

/// True trails and those reported with their confidences, pixels.
fn causes_line(one: &Outcome) -> String {
    let truth = one.causes.px.iter();
    let truth = truth.map(|(cause, px)| format!("{} {px:.2}", cause.key()));
    let said = one.alignment().causes.iter().map(|share| {
        let px = share.trail.px();
        format!("{} {px:.2} ({:.2})", share.cause.key(), share.confidence)
    });
    format!(
        "px {} for {}; tolerance {:.2}",
        said.collect::<Vec<_>>().join(", "),
        truth.collect::<Vec<_>>().join(", "),
        one.causes.tolerance_px
    )
}

/// Everything about one night.
fn show(options: &Options, number: u64) {
    let drawn = if options.disturbed {
        draw_disturbed
    } else {
        draw
    };
    let one = options.judged(drawn, number);
    print_line(&one);
    println!("{:#?}", one.night.scenario);
    println!(
        "{:?}, tolerance {:.2} px, true causes {:?}",
        one.night.listing, one.causes.tolerance_px, one.causes.px
    );
    for frame in &one.report.frames {
        println!(
            "{} pointing {:?} stars {} identified {} trail {:?}; beyond the drift {:?}",
            frame.file,
            frame.pointing,
            frame.n_stars,
            frame.n_identified,
            frame.trail.map(|trail| (trail.length, trail.vector)),
            frame.own_motion,
        );
    }
    println!("{:#?}", one.alignment());
    println!(
        "wrong: {:?}; distance square {:?}",
        one.wrong_way, one.distance_square
    );
}
