//! How long a whole `diagnose` of the demo night takes, from files to answer, and that it is right.
//!
//! `cargo bench --bench whole`
#![allow(clippy::print_stdout)] // A bench is there to print.

#[path = "support.rs"]
mod support;

use std::path::Path;

use stillpoint::pipeline::{DiagnoseSettings, Unwatched, diagnose};
use stillpoint::report::{NightReport, html};

/// Runs of which the median is taken.
const N_RUNS: usize = 9;

/// How near the answer has to come to the drawn axis; several of its sigmas (0.2' to 0.3').
const NEAR_ARCMIN: f64 = 2.0;

/// What the page of eight frames may weigh.
const MOST_BYTES: usize = 1_500_000;

fn main() {
    let night = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo/night");
    support::head();
    support::time("diagnose the demo night, 8 frames", N_RUNS, || {
        let settings = DiagnoseSettings::default();
        let report = diagnose(&night, &settings, &Unwatched).expect("a night");
        assert_answer(&report.value);
    });
    let settings = DiagnoseSettings::default();
    let report = diagnose(&night, &settings, &Unwatched).expect("a night");
    support::time("draw its page of pictures", N_RUNS, || {
        let page = html::to_string(&report);
        assert!(page.len() < MOST_BYTES, "{} bytes", page.len());
    });
}

/// Axis errors as `testdata/demo/night.truth.json` has them: altitude up, azimuth east.
fn assert_answer(report: &NightReport) {
    for (name, up, east) in [("first-try", 14.0, -82.0), ("after-correction", -0.9, 1.4)] {
        let mut alignments = report.alignments.iter();
        let alignment = alignments.find(|one| one.name == name).expect(name);
        let axis = alignment.axis.as_ref().expect("an axis");
        let off_up = axis.altitude_error.value.arcmin() - up;
        let off_east = axis.azimuth_error.value.arcmin() - east;
        assert!(
            off_up.hypot(off_east) < NEAR_ARCMIN,
            "{name}: {off_up:.1}' and {off_east:.1}' from truth"
        );
    }
}
