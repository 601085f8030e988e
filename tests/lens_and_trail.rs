//! Truth: synthetic, the scenario's lens and the simulator's own trails. Frames of different exposure tell
//! a lens that draws stars around the centre from the trail.

#[path = "support/one_field.rs"]
mod one_field;

use std::path::{Path, PathBuf};

use one_field::one_field;
use stillpoint::pipeline::{DiagnoseSettings, MeasureSettings, Unwatched, diagnose, measure};
use stillpoint::simulate::{NightTruth, Scenario, write_night};
use stillpoint::stars::{FrameTrail, Stretch};

/// Streak of the astigmatism at half the diagonal, and flare of the coma there, pixels.
const ASTIGMATISM_PX: f64 = -4.0;
const COMA_PX: f64 = 2.0;
/// Farthest off in sigmas of the answer; about eight numbers are asked.
const MOST_SIGMAS: f64 = 3.0;

/// The demo's sky and camera with a poor lens and a fair axis, one field in these exposures.
fn night(folder: &Path, lengths: &[f64]) -> NightTruth {
    let demo = include_str!("../testdata/demo/night.toml");
    let demo = &demo[..demo.find("[[alignment]]").unwrap()];
    let lens = format!("astigmatism_px = {ASTIGMATISM_PX:.1}\ncoma_px = {COMA_PX:.1}");
    let mut scenario = demo
        .replace("astigmatism_px = 0.5", &lens)
        .replace("format = \"jpg\"\nquality = 88", "format = \"tif16\"");
    scenario.push_str(
        "[[alignment]]\nname = \"try\"\n\
         axis = { altitude_error_arcmin = 12.0, azimuth_error_arcmin = -30.0 }\n\
         drive = { rate = \"sidereal\", periodic = [{ amplitude_arcsec = 3.0, period_s = 638.0 }] }\n",
    );
    scenario.push_str(&one_field(-0.5, lengths));
    write_night(&Scenario::parse(&scenario).unwrap(), folder, &|_, _| {}).unwrap()
}

/// The trail that would draw stars as long as the lens does at half the diagonal: a streak of length s
/// along a line adds s^2 / 12 to its second moment, a flare whose light falls evenly to nothing s^2 / 18;
/// the negative streak lies around the centre.
fn corner_px() -> f64 {
    let around = ASTIGMATISM_PX.powi(2) / 12.0 - COMA_PX.powi(2) / 18.0;
    (12.0 * around).sqrt()
}

#[test]
fn exposures_tell_the_lens_and_leave_the_trail() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("night");
    let truth = night(&folder, &[15.0, 30.0, 60.0]);
    let truths = &truth.alignments[0].frames;
    let files: Vec<PathBuf> = truths
        .iter()
        .map(|frame| folder.join(&frame.file))
        .collect();
    let report = measure(&files, &MeasureSettings::default(), &Unwatched).unwrap();
    let [lens] = report.value.lenses.as_slice() else {
        panic!("{:?}", report.value.lenses);
    };
    assert_eq!(lens.frames, [0, 1, 2]);
    let corner = lens.corner.corner;
    let off = (corner.value.px() - corner_px()) / corner.sigma.px();
    assert!(
        off.abs() < MOST_SIGMAS && corner.sigma.px() < 0.3,
        "{corner:?}"
    );
    assert_eq!(lens.corner.stretch, Stretch::Around);
    assert!(!lens.is_seen_at_center(), "{:?}", lens.at_center);
    assert_eq!(lens.trails.len(), 3);
    for (number, trail) in &lens.trails {
        let [dx, dy] = truths[*number].trail_center.net_px;
        let (off, sigma) = (
            trail.length.value.px() - dx.hypot(dy),
            trail.length.sigma.px(),
        );
        assert!(
            off.abs() < MOST_SIGMAS * sigma && sigma < 0.3,
            "{number}: {trail:?}"
        );
    }
    // The shortest trail alone: nothing but that it is shorter than the lens lets see.
    let alone = report.value.frames[0].frame.trail.unwrap();
    let sigma = |trail: &FrameTrail| trail.length.sigma.px();
    assert!(sigma(&lens.trails[0].1) < 0.7 * sigma(&alone), "{alone:?}");

    let night = diagnose(&folder, &DiagnoseSettings::default(), &Unwatched)
        .unwrap()
        .value;
    let told = night
        .assumptions
        .iter()
        .find(|one| one.contains("lens by 3 exposures"));
    assert!(
        told.is_some_and(|one| one.contains("around the centre")),
        "{told:?}"
    );
    let shares = &night.alignments[0].causes;
    assert!(
        shares
            .iter()
            .any(|share| share.cause == stillpoint::diagnosis::Cause::Lens),
        "{shares:?}"
    );
}

#[test]
fn exposures_alike_tell_nothing_of_the_lens() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("night");
    let truth = night(&folder, &[20.0, 20.0]);
    let frames = truth.alignments[0].frames.iter();
    let files: Vec<PathBuf> = frames.map(|frame| folder.join(&frame.file)).collect();
    let report = measure(&files, &MeasureSettings::default(), &Unwatched).unwrap();
    assert!(report.value.lenses.is_empty());
}
