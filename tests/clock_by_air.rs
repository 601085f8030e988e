//! Truth: synthetic, the clock of the scenario. A wrong clock is told by how the air flattens the
//! sky, and a right one never is.

use stillpoint::error::Warned;
use stillpoint::pipeline::{DiagnoseSettings, MeasuredAlignment, MeasuredFrame, diagnose_measured};
use stillpoint::report::NightReport;
use stillpoint::simulate::{Scenario, star_lists};

/// Noise of a star's place in the lists, pixels a coordinate.
const CENTROID_PX: f64 = 0.06;

/// The demo night's places, with other clocks, seeds and air.
fn night(clock_error_s: f64, seed: u64, pressure_hpa: f64) -> Warned<NightReport> {
    let text = include_str!("../testdata/demo/night.toml");
    let change = |text: &str, from: &str, to: String| {
        assert!(text.contains(from), "{from}");
        text.replace(from, &to)
    };
    let text = change(
        text,
        "clock_error_s = 0.8",
        format!("clock_error_s = {clock_error_s:.1}"),
    );
    let text = change(&text, "seed = 20261010", format!("seed = {seed}"));
    let text = change(
        &text,
        "pressure_hpa = 919.0",
        format!("pressure_hpa = {pressure_hpa:.1}"),
    );
    let lists = star_lists(&Scenario::parse(&text).unwrap(), CENTROID_PX).unwrap();
    let frames = lists
        .into_iter()
        .enumerate()
        .map(|(nth, list)| MeasuredFrame {
            file: format!("frame {nth}"),
            header: list.header,
            field: list.field,
            stacked: None,
            response: None,
        });
    // Both alignments at once: the axis moved between, the clock did not.
    let (first, second): (Vec<_>, Vec<_>) = frames.enumerate().partition(|(nth, _)| *nth < 4);
    let alignment = |name: &str, frames: Vec<(usize, MeasuredFrame)>| MeasuredAlignment {
        name: name.to_owned(),
        frames: frames.into_iter().map(|(_, frame)| frame).collect(),
    };
    let alignments = vec![alignment("first", first), alignment("second", second)];
    diagnose_measured(alignments, &DiagnoseSettings::default())
}

fn words(night: &Warned<NightReport>) -> String {
    let warnings = night.warnings.iter().map(|warning| warning.text.as_str());
    warnings.collect::<Vec<_>>().join("\n")
}

#[test]
fn a_clock_an_hour_off_is_told_with_its_side() {
    for (hours, side) in [(1.0, "ahead"), (-1.0, "behind"), (2.0, "ahead")] {
        let night = night(hours * 3600.0, 1, 919.0);
        let words = words(&night);
        assert!(words.contains("your camera clock is"), "{hours} h: {words}");
        let clause = words.split("your camera clock is").nth(1).unwrap();
        let told = clause.split('(').next().unwrap();
        assert!(told.contains(side), "{hours} h: {told}");
        let minutes = minutes_of(told);
        assert!(
            (minutes - 60.0 * hours.abs()).abs() < 15.0,
            "{hours} h: {told}"
        );
    }
}

/// "1 h 02 min +- 3 min ahead" in minutes.
fn minutes_of(told: &str) -> f64 {
    let value = told.split("+-").next().unwrap();
    let parts: Vec<&str> = value.split_whitespace().collect();
    parts
        .chunks_exact(2)
        .map(|pair| pair[0].parse::<f64>().unwrap() * if pair[1] == "h" { 60.0 } else { 1.0 })
        .sum()
}

#[test]
fn a_right_clock_is_never_accused() {
    for seed in 1..9 {
        // Weather up to 3 % from the standard air of the height.
        let pressure = 919.0 * (1.0 + 0.0075 * (seed as f64 - 4.5));
        let night = night(0.8, seed, pressure);
        let words = words(&night);
        assert!(!words.contains("camera clock"), "seed {seed}: {words}");
        let assumed = night.value.assumptions.join("\n");
        assert!(
            assumed.contains("the air flattens"),
            "seed {seed}: {assumed}"
        );
    }
}
