//! Truth: synthetic, the axis of the scenario. Exposures of different lengths show whether the
//! camera stamps their start or their end, or the answer says what that leaves open.

#[path = "support/one_field.rs"]
mod one_field;

use one_field::one_field;
use stillpoint::error::Warned;
use stillpoint::frame::Stamp;
use stillpoint::pipeline::{DiagnoseSettings, MeasuredAlignment, MeasuredFrame, diagnose_measured};
use stillpoint::report::NightReport;
use stillpoint::simulate::{Scenario, star_lists};

/// Noise of a star's place in the lists, pixels a coordinate.
const CENTROID_PX: f64 = 0.06;
/// The axis of the demo's first alignment.
const UP_ARCMIN: f64 = 14.0;
const EAST_ARCMIN: f64 = -82.0;

/// The demo's first axis in exposures of such lengths of one field, the camera untouched; their times
/// lie so many lengths behind the true start.
fn night(lengths_late: f64, lengths: &[f64], stated: Option<Stamp>) -> Warned<NightReport> {
    let text = include_str!("../testdata/demo/night.toml");
    let mut scenario = text[..text.find("[[alignment.pointing]]").unwrap()].to_owned();
    scenario.push_str(&one_field(-1.5, lengths));
    let lists = star_lists(&Scenario::parse(&scenario).unwrap(), CENTROID_PX).unwrap();
    let frames = lists.into_iter().enumerate().map(|(nth, list)| {
        let length = list.header.exposure.unwrap();
        let written = list.header.later(length * lengths_late);
        MeasuredFrame {
            file: format!("frame {nth}"),
            header: written,
            field: list.field,
            stacked: None,
            response: None,
        }
    });
    let alignment = MeasuredAlignment {
        name: "first".to_owned(),
        frames: frames.collect(),
    };
    let mut settings = DiagnoseSettings::default();
    settings.overrides.defaults.stamped = stated;
    diagnose_measured(vec![alignment], &settings)
}

/// How many sigmas off the axis is, the worse part, and the larger sigma in arcminutes.
fn pull(night: &Warned<NightReport>) -> (f64, f64) {
    let axis = night.value.alignments[0].axis.as_ref().expect("an axis");
    let parts = [
        (axis.altitude_error, UP_ARCMIN),
        (axis.azimuth_error, EAST_ARCMIN),
    ];
    parts
        .iter()
        .fold((0.0, 0.0), |worst: (f64, f64), (part, truth)| {
            let sigma = part.sigma.arcmin();
            let off = (part.value.arcmin() - truth).abs() / sigma;
            (worst.0.max(off), worst.1.max(sigma))
        })
}

fn words(night: &Warned<NightReport>) -> String {
    let warnings = night.warnings.iter().map(|warning| warning.text.as_str());
    warnings.collect::<Vec<_>>().join("\n")
}

const DIFFERENT: [f64; 4] = [60.0, 20.0, 60.0, 20.0];

#[test]
fn a_camera_that_stamps_the_end_is_found_by_exposures_that_differ() {
    let night = night(1.0, &DIFFERENT, None);
    let words = words(&night);
    assert!(words.contains("stamps the end"), "{words}");
    let (pull, sigma) = pull(&night);
    assert!(pull < 4.0, "{pull} sigma of {sigma}'; {words}");
}

#[test]
fn a_camera_that_stamps_the_start_is_not_accused() {
    let night = night(0.0, &DIFFERENT, None);
    assert!(!words(&night).contains("stamps"), "{}", words(&night));
    let (pull, sigma) = pull(&night);
    assert!(pull < 4.0, "{pull} sigma of {sigma}'");
}

#[test]
fn a_setting_that_the_frames_contradict_is_told() {
    let said_start = words(&night(1.0, &DIFFERENT, Some(Stamp::Start)));
    assert!(said_start.contains("stamps the start"), "{said_start}");
    // By the setting the times were taken back by the length of the exposure.
    let said_end = words(&night(-1.0, &DIFFERENT, Some(Stamp::End)));
    assert!(said_end.contains("stamps the end"), "{said_end}");
    let rightly = words(&night(0.0, &DIFFERENT, Some(Stamp::End)));
    assert!(!rightly.contains("stamps"), "{rightly}");
}

#[test]
fn two_exposures_that_differ_leave_it_open_and_say_so() {
    let open = night(0.0, &[60.0, 20.0], None);
    assert!(words(&open).contains("start or end"), "{}", words(&open));
    let stated = night(0.0, &[60.0, 20.0], Some(Stamp::Start));
    assert!(!words(&stated).contains("start or end"));
    assert!(pull(&open).1 > pull(&stated).1);
    let alike = night(0.0, &[60.0, 60.0], None);
    assert!(!words(&alike).contains("stamps"), "{}", words(&alike));
}
