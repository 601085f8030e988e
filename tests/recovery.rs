//! Truth held here: synthetic. Nights with a known axis, drawn by `simulate` with its own
//! kinematics, go through the whole pipeline; what comes out must be what went in.

use std::path::Path;

use stillpoint::pipeline::{DiagnoseSettings, Unwatched, diagnose};
use stillpoint::report::{AlignmentReport, NightReport};
use stillpoint::simulate::{Scenario, write_night};

/// A night of two frames in one direction, as scenario text.
fn scenario(axis: (f64, f64), looking: &str, latitude: f64) -> String {
    format!(
        r#"
seed = 4711
start_utc = "2026-03-12T20:30:00Z"
[site]
latitude_deg = {latitude}
longitude_deg = 11.4
height_m = 600.0
pressure_hpa = 945.0
temperature_c = 4.0
humidity = 0.5
[camera]
maker = "Quillon"
model = "Q-6"
width_px = 1100
height_px = 800
pitch_um = 4.0
read_noise_e = 2.4
full_well_e = 30000.0
iso = 800.0
bits = 14
[lens]
name = "Quillon 105 mm f/2.8"
focal_mm = 105.0
f_number = 2.8
fwhm_px = 2.4
moffat_beta = 3.4
[sky]
brightness_mag_arcsec2 = 20.8
[output]
format = "jpg"
quality = 92
utc_offset_h = 1.0
prefix = "QLN"
first_number = 1
[[alignment]]
name = "first"
axis = {{ altitude_error_arcmin = {}, azimuth_error_arcmin = {} }}
[alignment.drive]
rate = "sidereal"
[[alignment.pointing]]
{looking}
frames = 2
exposure_s = 60.0
gap_s = 8.0
settle_s = 10.0
"#,
        axis.0, axis.1
    )
}

fn diagnosed(text: &str, folder: &Path) -> NightReport {
    let scenario = Scenario::parse(text).unwrap();
    let night = folder.join("night");
    write_night(&scenario, &night, &|_, _| {}).unwrap();
    diagnose(&night, &DiagnoseSettings::default(), &Unwatched)
        .unwrap()
        .value
}

fn only(report: &NightReport) -> &AlignmentReport {
    assert_eq!(report.alignments.len(), 1);
    &report.alignments[0]
}

/// Signed motion of the stars towards the north, arcsec a minute, by the frames alone.
fn northward(report: &NightReport) -> f64 {
    let second = &report.frames[1];
    let drift = second.drift.unwrap();
    let scale = second.pixel_scale.unwrap().arcsec();
    let up = second.center.unwrap().up_position_angle;
    // North lies at minus the upward position angle, counted from up to the left (east).
    let (north_x, north_y) = (up.sin(), -up.cos());
    let pixels = drift.vector.dx * north_x + drift.vector.dy * north_y;
    pixels * scale / drift.interval.minutes()
}

/// Bounds of the drift rule: 15.7 arcsec a minute for a degree, less what a star off the equator,
/// off the meridian or the change of refraction takes or gives (up to an arcsec here).
fn follows_rule(report: &NightReport, sign: f64) {
    let drift = northward(report) * sign;
    assert!((14.2..17.0).contains(&drift), "{drift} arcsec a minute");
}

const SOUTH: &str = "hour_angle_h = 0.0\ndeclination_deg = 2.0\nroll_deg = 0.0";
const EAST: &str = "hour_angle_h = -5.0\ndeclination_deg = 20.0\nroll_deg = 0.0";

fn check_axis(axis: (f64, f64), looking: &str, sign: f64) {
    let folder = tempfile::tempdir().unwrap();
    let report = diagnosed(&scenario(axis, looking, 47.2), folder.path());
    follows_rule(&report, sign);
    let found = only(&report).axis.expect("the axis is found");
    for (value, truth) in [
        (found.altitude_error, axis.0),
        (found.azimuth_error, axis.1),
    ] {
        let pull = (value.value.arcmin() - truth) / value.sigma.arcmin();
        assert!(
            pull.abs() < 3.5,
            "{} instead of {truth}, pull {pull}",
            value.value.arcmin()
        );
    }
    let correction = only(&report).correction.expect("a move is advised");
    assert!(
        correction.raise.arcmin() * axis.0 <= 0.0,
        "raised the wrong way"
    );
    assert!(
        correction.east_on_sky.arcmin() * axis.1 <= 0.0,
        "turned the wrong way"
    );
}

#[test]
fn axis_too_far_east_drifts_a_southern_star_south_and_is_turned_west() {
    check_axis((0.0, 60.0), SOUTH, -1.0);
}

#[test]
fn axis_too_far_west_drifts_a_southern_star_north_and_is_turned_east() {
    check_axis((0.0, -60.0), SOUTH, 1.0);
}

#[test]
fn axis_too_high_drifts_an_eastern_star_north_and_is_lowered() {
    check_axis((60.0, 0.0), EAST, 1.0);
}

#[test]
fn axis_too_low_drifts_an_eastern_star_south_and_is_raised() {
    check_axis((-60.0, 0.0), EAST, -1.0);
}

#[test]
fn south_of_the_equator_east_is_east_too() {
    let folder = tempfile::tempdir().unwrap();
    let looking = "hour_angle_h = 0.3\ndeclination_deg = -5.0\nroll_deg = 10.0";
    let report = diagnosed(&scenario((-15.0, 70.0), looking, -33.5), folder.path());
    let found = only(&report).axis.expect("the axis is found");
    assert!(
        (found.azimuth_error.value.arcmin() - 70.0).abs()
            < 3.5 * found.azimuth_error.sigma.arcmin()
    );
    let correction = only(&report).correction.expect("a move is advised");
    assert!(correction.east_on_sky.arcmin() < -60.0);
}

#[test]
fn one_frame_alone_never_gives_a_direction_without_its_mirror() {
    let folder = tempfile::tempdir().unwrap();
    let text = scenario((0.0, 60.0), SOUTH, 47.2).replace("frames = 2", "frames = 1");
    let report = diagnosed(&text, folder.path());
    let alignment = only(&report);
    assert!(alignment.axis.is_none_or(|axis| axis.mirror_ambiguous));
    assert!(alignment.correction.is_none());
    assert!(!alignment.next_frames.is_empty());
}

#[test]
fn without_a_site_the_distance_and_the_drive_are_told_and_what_is_missing_is_named() {
    let folder = tempfile::tempdir().unwrap();
    for (nth, axis) in [(50.0, -30.0), (-8.0, 70.0)].into_iter().enumerate() {
        let text = scenario(axis, SOUTH, 47.2)
            .replace("quality = 92", "quality = 92\nomit = [\"gps\"]")
            .replace("exposure_s = 60.0", "exposure_s = 120.0")
            .replace("frames = 2", "frames = 4");
        let report = diagnosed(&text, &folder.path().join(nth.to_string()));
        assert_eq!(report.site, None);
        let found = only(&report);
        assert!(found.axis.is_none() && found.correction.is_none());
        let beside = found
            .axis_without_site
            .as_ref()
            .expect("a distance is told");
        let (total, truth) = (beside.total, f64::hypot(axis.0, axis.1));
        let pull = (total.value.arcmin() - truth) / total.sigma.arcmin();
        assert!(
            pull.abs() < 3.0,
            "{} instead of {truth}",
            total.value.arcmin()
        );
        // The field stands on the meridian, so hour angles from it are hour angles: up lies at 0,
        // east at -90 degrees.
        let side = (-axis.1).atan2(axis.0).to_degrees();
        let hour_angle = beside.hour_angle_from_field;
        let off = (hour_angle.value.deg() - side + 180.0).rem_euclid(360.0) - 180.0;
        assert!(
            off.abs() < 3.0 * hour_angle.sigma.deg().max(1.0),
            "{off} degrees off"
        );
        let rate = found.drive.as_ref().expect("the drive is told").rate_ratio;
        assert!((rate.value - 1.0).abs() < 3.0 * rate.sigma, "{rate:?}");
        assert!(
            found.headline.contains("--site LAT,LON"),
            "{}",
            found.headline
        );
        assert!(!report.is_answered());
    }
}
