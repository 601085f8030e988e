//! How long 300 frames of some 500 stars take once their stars are measured: pointings, matching,
//! survey, mount, diagnosis and advice, with identification timed apart.
//!
//! `cargo bench --bench many`
#![allow(clippy::print_stdout, clippy::disallowed_methods)] // A bench is there to time and print.

use std::time::{Duration, Instant};

use stillpoint::identify::{FocalRange, Hints, Identifier, Plate};
use stillpoint::pipeline::{DiagnoseSettings, MeasuredAlignment, MeasuredFrame, diagnose_measured};
use stillpoint::simulate::{Listing, Scenario, SimulatedField, star_lists};

const N_FRAMES: usize = 300;
/// Runs of which the median is taken.
const N_RUNS: usize = 3;
/// True axis error, arcminutes, and how near the answer has to come: several of its sigmas.
const AXIS: (f64, f64) = (6.0, -11.0);
const NEAR_ARCMIN: f64 = 0.5;

fn main() {
    println!(
        "{:<36} {:>8} {:>14} {:>10} {:>10}",
        "", "stars", "identification", "the rest", "all"
    );
    // Hour angles (hours) and declinations (degrees).
    run("one pointing", &[(-2.9, 20.0)]);
    run("three pointings", &[(0.0, 2.0), (-4.0, 25.0), (3.0, 40.0)]);
    if let Some(peak) = peak_memory() {
        println!("peak memory of this program, star lists and simulator included: {peak}");
    }
}

fn run(name: &str, pointings: &[(f64, f64)]) {
    let scenario = scenario(pointings);
    let listing = Listing {
        star_px: 0.05,
        frame_px: 0.002,
        most_stars: Some(500),
    };
    let lists = star_lists(&scenario, listing).expect("a sky for the date");
    assert_eq!(lists.len(), N_FRAMES);
    let n_stars = lists
        .iter()
        .map(|list| list.field.stars.len())
        .sum::<usize>()
        / N_FRAMES;
    let identified = median(|| identify(&scenario, &lists));
    let all = median(|| diagnose(&lists));
    let rest = all.saturating_sub(identified);
    println!(
        "{:<36} {n_stars:>8} {identified:>14.2?} {rest:>10.2?} {all:>10.2?}",
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
    let measured = |list: &SimulatedField| MeasuredFrame {
        file: list.truth.file.clone(),
        header: list.header.clone(),
        field: list.field.clone(),
    };
    let alignment = MeasuredAlignment {
        name: "night".into(),
        frames: lists.iter().map(measured).collect(),
    };
    let start = Instant::now();
    let report = diagnose_measured(vec![alignment], &DiagnoseSettings::default()).value;
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

/// Highest resident size so far, where the system says so.
fn peak_memory() -> Option<String> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kib: f64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(format!("{:.0} MiB", kib / 1024.0))
}

fn scenario(pointings: &[(f64, f64)]) -> Scenario {
    let frames = N_FRAMES / pointings.len();
    let pointings: String = pointings
        .iter()
        .map(|(hour_angle, declination)| {
            format!(
                "[[alignment.pointing]]\nhour_angle_h = {hour_angle:?}\ndeclination_deg = \
                 {declination:?}\nroll_deg = 10.0\nframes = {frames}\nexposure_s = 60.0\ngap_s = \
                 8.0\nbefore_s = 60.0\nsettle_s = 10.0\n"
            )
        })
        .collect();
    let (up, east) = AXIS;
    let text = format!(
        r#"
seed = 300
start_utc = "2026-02-19T19:10:00Z"
[site]
latitude_deg = 47.0
longitude_deg = 11.4
pressure_hpa = 1013.25
temperature_c = 15.0
[camera]
maker = "Quillon"
model = "Q-6"
width_px = 5184
height_px = 3888
pitch_um = 3.3453
read_noise_e = 2.4
full_well_e = 50000.0
iso = 800.0
bits = 14
[lens]
name = "Quillon"
focal_mm = 150.0
f_number = 2.8
fwhm_px = 2.4
[sky]
brightness_mag_arcsec2 = 20.8
[output]
format = "tif16"
utc_offset_h = 0.0
prefix = "QLN"
first_number = 1
[[alignment]]
name = "night"
axis = {{ altitude_error_arcmin = {up:?}, azimuth_error_arcmin = {east:?} }}
[alignment.drive]
rate = "sidereal"
periodic = [{{ amplitude_arcsec = 8.0, period_s = 480.0 }}]
{pointings}"#
    );
    Scenario::parse(&text).expect("a sound scenario")
}
