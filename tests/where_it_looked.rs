//! Truth: synthetic. The demo night's truth file, written by the simulator from its own attitudes.

use std::path::{Path, PathBuf};

use serde_json::Value;
use stillpoint::frame::{Overrides, read_frame};
use stillpoint::pipeline::{DiagnoseSettings, MeasureSettings, Unwatched, diagnose, measure};
use stillpoint::report::FrameReport;
use stillpoint::report::measure::{Identified, Identity, MeasuredFile};
use stillpoint::sky::{Direction, Icrs};
use stillpoint::units::{Angle, Length};

/// Farthest that a centre may be from the truth: a tenth of what would matter to anybody, and ten
/// times what was seen (0.04). The simulator's centre is the direction of the middle pixel through
/// the air at mid exposure, as ours is.
const CENTER_PX: f64 = 0.4;
/// Farthest that the picture's turn may be off; seen: up to 0.0047, where the sigma is 0.003.
const TURN_DEG: f64 = 0.02;
/// Largest error of the scale in its own sigmas; seen: up to 1.2 in eight frames.
const SCALE_SIGMAS: f64 = 3.5;

/// Largest relative error of the scale that `diagnose` shows; the air's flattening of the sky, where
/// it is not taken out, makes 3.4e-4 and more of it; seen: up to 1.6e-4.
const SCALE_OFF: f64 = 2.5e-4;

#[test]
fn every_demo_frame_is_measured_to_where_it_looked() {
    let truths = truths();
    let files: Vec<PathBuf> = truths
        .iter()
        .map(|truth| night().join(file(truth)))
        .collect();
    let report = measure(&files, &MeasureSettings::default(), &Unwatched)
        .unwrap()
        .value;
    assert_eq!(report.frames.len(), 8);
    for (measured, truth) in report.frames.iter().zip(&truths) {
        agrees(&measured.frame, truth);
        let known = known(measured).expect("the demo's stars are in the catalogue");
        let scale = known.scale();
        let off = scale.value.arcsec() - number(truth, "pixel_scale_arcsec");
        assert!(
            off.abs() < SCALE_SIGMAS * scale.sigma.arcsec(),
            "{}: scale off by {off} of {}",
            measured.frame.file,
            scale.sigma.arcsec()
        );
        assert!(scale.sigma.arcsec() < 2e-3);
        assert!(known.plate.rms.px() < 0.6);
    }
}

#[test]
fn the_whole_way_of_the_night_looks_to_the_same_places() {
    let report = diagnose(&night(), &DiagnoseSettings::default(), &Unwatched)
        .unwrap()
        .value;
    let truths = truths();
    assert_eq!(report.frames.len(), truths.len());
    for frame in &report.frames {
        let truth = truths.iter().find(|truth| file(truth) == frame.file);
        let truth = truth.expect("a frame of the night");
        agrees(frame, truth);
        let scale = frame.pixel_scale.expect("a scale by the stars").arcsec();
        let off = scale / number(truth, "pixel_scale_arcsec") - 1.0;
        assert!(off.abs() < SCALE_OFF, "{}: scale off by {off}", frame.file);
    }
    let said = report
        .assumptions
        .iter()
        .find(|one| one.contains("lens by the stars"));
    let numbers: Vec<f64> = said
        .expect("a sentence about the lens")
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect();
    let off = numbers[0] - number(&truths[0], "pixel_scale_arcsec");
    assert!(off.abs() < SCALE_SIGMAS * numbers[1], "{numbers:?}");
}

#[test]
fn a_mirrored_picture_is_not_identified_and_its_original_is() {
    let place = tempfile::tempdir().unwrap();
    let original = image::open(night().join(file(&truths()[0])))
        .unwrap()
        .to_rgb8();
    let copy = |name: &str, picture: &image::RgbImage| {
        let path = place.path().join(name);
        picture.save(&path).unwrap();
        path
    };
    let files = [
        copy("as-it-was.png", &original),
        copy("mirrored.png", &image::imageops::flip_horizontal(&original)),
        copy("upside-down.png", &image::imageops::rotate180(&original)),
    ];
    // A copy carries no tags.
    let settings = MeasureSettings {
        overrides: Overrides {
            focal_length: Some(Length::from_mm(135.0)),
            pixel_pitch: Some(Length::from_um(2.8)),
            ..Overrides::default()
        },
        photographs: false,
        cache: None,
    };
    let report = measure(&files, &settings, &Unwatched).unwrap().value;
    let [original, mirrored, turned] = &report.frames[..] else {
        panic!("three files, three reports");
    };
    let up = |file: &MeasuredFile| known(file).unwrap().plate.up_position_angle();
    let turn = (up(turned) - up(original)).wrapped_positive();
    assert!((turn.deg() - 180.0).abs() < TURN_DEG, "{}", turn.deg());
    let measured = mirrored.measured.as_ref().unwrap();
    assert!(measured.field.stars.len() > 300);
    assert!(
        matches!(measured.identity, Identity::Unknown(_)),
        "{:?}",
        mirrored.frame.center
    );
    assert!(mirrored.frame.center.is_none() && mirrored.frame.n_identified == 0);
}

#[test]
fn a_picture_has_its_marks_on_the_stars() {
    let path = night().join(file(&truths()[4]));
    let settings = MeasureSettings {
        photographs: true,
        ..MeasureSettings::default()
    };
    let report = measure(std::slice::from_ref(&path), &settings, &Unwatched).unwrap();
    let frame = &report.value.frames[0];
    let drawing = frame.to_drawing().unwrap();
    let drawn = image::load_from_memory(&drawing.to_png())
        .unwrap()
        .to_rgb8();
    let plane = read_frame(&path, &Overrides::default())
        .unwrap()
        .value
        .plane;
    let field = &frame.measured.as_ref().unwrap().field;
    // The photograph is 1920 pixels wide in the picture, 40 from the left and 144 from the top.
    let scale = 1920.0 / plane.width() as f64;
    let n_bright = known(frame)
        .unwrap()
        .plate
        .matches
        .iter()
        .take(10)
        .filter(|matched| {
            let star = field.stars[matched.star_idx].position;
            let x = 40.0 + scale * (star.x + 0.5);
            let y = 144.0 + scale * (star.y + 0.5);
            drawn.get_pixel(x as u32, y as u32).0[0] > 100
        });
    assert_eq!(n_bright.count(), 10);
    assert!(drawing.to_svg().contains("<circle"));
}

/// Centre, turn and number of identified stars against the truth.
fn agrees(frame: &FrameReport, truth: &Value) {
    let center = frame.center.as_ref().expect("a centre by the stars");
    let found = Direction::<Icrs>::from_ra_dec(center.ra.unwrap(), center.dec);
    let expected = Direction::<Icrs>::from_ra_dec(
        Angle::from_deg(number(truth, "center_ra_deg")),
        Angle::from_deg(number(truth, "center_dec_deg")),
    );
    let off = found.separation(expected).arcsec() / number(truth, "pixel_scale_arcsec");
    assert!(off < CENTER_PX, "{}: centre off by {off} px", frame.file);
    let turn = center.up_position_angle - Angle::from_deg(number(truth, "up_position_angle_deg"));
    let turn = turn.wrapped_signed().deg();
    assert!(turn.abs() < TURN_DEG, "{}: turned by {turn}", frame.file);
    let (azimuth, altitude) = center
        .horizon
        .expect("site and time are in the tags")
        .az_alt();
    // The camera's clock is 0.8 s wrong, which is 12" of the sky's turning.
    let east = (azimuth.deg() - number(truth, "azimuth_deg")) * altitude.cos();
    let up = altitude.deg() - number(truth, "altitude_deg");
    assert!(east.hypot(up) < 0.01, "{}: {east} {up}", frame.file);
    // The demo's field has 15 to 25 stars of the catalogue on it; invented ones are in none.
    assert!(
        (12..=40).contains(&frame.n_identified),
        "{}: {} identified",
        frame.file,
        frame.n_identified
    );
}

fn known(file: &MeasuredFile) -> Option<&Identified> {
    file.measured.as_ref()?.identity.known()
}

fn night() -> PathBuf {
    demo().join("night")
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo")
}

/// What the truth file says of each frame, in the order of the night.
fn truths() -> Vec<Value> {
    let text = std::fs::read_to_string(demo().join("night.truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&text).unwrap();
    let alignments = truth["alignments"].as_array().unwrap();
    alignments
        .iter()
        .flat_map(|alignment| alignment["frames"].as_array().unwrap().clone())
        .collect()
}

fn file(truth: &Value) -> &str {
    truth["file"].as_str().unwrap()
}

fn number(truth: &Value, key: &str) -> f64 {
    truth[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} in {truth}"))
}
