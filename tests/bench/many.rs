//! How long 300 frames of some 500 stars take once their stars are measured: pointings, matching,
//! survey, mount, diagnosis and advice, with identification timed apart.
//!
//! `cargo bench --bench many`
#![allow(clippy::print_stdout, clippy::disallowed_methods)] // A bench is there to time and print.

#[path = "../support/rig.rs"]
mod rig;

use std::time::{Duration, Instant};

use rig::{RIG, Rig, measured};

use stillpoint::identify::{FocalRange, Hints, Identifier, Plate};
use stillpoint::pipeline::{DiagnoseSettings, diagnose_measured};
use stillpoint::simulate::{Listing, Scenario, SimulatedField, star_lists};

const N_FRAMES: usize = 300;
/// Runs of which the median is taken.
const N_RUNS: usize = 3;
/// True axis error, arcminutes, and how near the answer has to come: several of its sigmas.
const AXIS: (f64, f64) = (6.0, -11.0);
const NEAR_ARCMIN: f64 = 0.5;

fn main() {
    println!(
        "{:<36} {:>8} {:>14} {:>10} {:>10} {:>10}",
        "", "stars", "identification", "the rest", "all", "CPU of all"
    );
    run("one pointing", &[(-2.9, 20.0, 300)]);
    let three = &[(0.0, 2.0, 100), (-4.0, 25.0, 100), (3.0, 40.0, 100)];
    run("three pointings", three);
    if let Some(peak) = peak_memory() {
        println!("peak memory of this program, star lists and simulator included: {peak}");
    }
}

fn run(name: &str, pointings: &'static [(f64, f64, usize)]) {
    let night = Rig {
        axis_arcmin: AXIS,
        drive: "rate = \"sidereal\"\nperiodic = [{ amplitude_arcsec = 8.0, period_s = 480.0 }]",
        pointings,
        ..RIG
    };
    let scenario = night.scenario();
    let listing = Listing {
        star_px: 0.05,
        frame_px: 0.002,
        most_stars: Some(500),
        place_arcsec: 0.5,
        unevenness: 0.0,
    };
    let lists = star_lists(&scenario, listing).expect("a sky for the date");
    assert_eq!(lists.len(), N_FRAMES);
    let n_stars = lists
        .iter()
        .map(|list| list.field.stars.len())
        .sum::<usize>()
        / N_FRAMES;
    let identified = median(|| identify(&scenario, &lists));
    let before = cpu_seconds();
    let all = median(|| diagnose(&lists));
    let cpu = cpu_seconds()
        .zip(before)
        .map(|(now, before)| (now - before) / N_RUNS as f64);
    let cpu = cpu.map_or("-".to_owned(), |cpu| format!("{cpu:.2}s"));
    let rest = all.saturating_sub(identified);
    println!(
        "{:<36} {n_stars:>8} {identified:>14.2?} {rest:>10.2?} {all:>10.2?} {cpu:>10}",
        format!("{N_FRAMES} frames, {name}")
    );
}

/// Each frame helped by the one before, as the pipeline does it.
fn identify(scenario: &Scenario, lists: &[SimulatedField]) -> Duration {
    let focal_px = scenario.lens.focal_mm * 1000.0 / scenario.camera.pitch_um;
    let start = Instant::now();
    let identifier = Identifier::new();
    let mut prior: Option<Plate> = None;
    for list in lists {
        let hints = Hints {
            prior,
            ..Hints::new(FocalRange::about(focal_px, 0.1).expect("a focal length"))
        };
        let found = identifier.identify(&list.field, &hints);
        prior = Some(found.plate().expect("a plate").clone());
    }
    start.elapsed()
}

fn diagnose(lists: &[SimulatedField]) -> Duration {
    let alignments = vec![measured(lists)];
    let start = Instant::now();
    let report = diagnose_measured(alignments, &DiagnoseSettings::default()).value;
    let took = start.elapsed();
    let axis = report.alignments[0].axis.expect("an axis");
    let off_up = axis.altitude_error.value.arcmin() - AXIS.0;
    let off_east = axis.azimuth_error.value.arcmin() - AXIS.1;
    assert!(
        off_up.hypot(off_east) < NEAR_ARCMIN,
        "{off_up:.2}' and {off_east:.2}' from truth"
    );
    took
}

fn median(mut work: impl FnMut() -> Duration) -> Duration {
    let mut times: Vec<Duration> = (0..N_RUNS).map(|_| work()).collect();
    times.sort();
    times[N_RUNS / 2]
}

/// Processor time of all threads so far, where the system says so: on a busy machine the clock on
/// the wall says little. Ticks are hundredths of a second there.
fn cpu_seconds() -> Option<f64> {
    let line = std::fs::read_to_string("/proc/self/stat").ok()?;
    let (_, rest) = line.rsplit_once(')')?;
    let words: Vec<&str> = rest.split_whitespace().collect();
    let ticks = |nth: usize| words.get(nth)?.parse::<f64>().ok();
    Some((ticks(11)? + ticks(12)?) / 100.0)
}

/// Highest resident size so far, where the system says so.
fn peak_memory() -> Option<String> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kib: f64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(format!("{:.0} MiB", kib / 1024.0))
}
