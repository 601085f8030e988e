//! Truth: synthetic, the axis of the scenario. One night in every format that the simulator writes
//! must give the same axis, and a camera's RAW file must tell it better than its JPEG.
#![cfg(feature = "raw")]

use std::path::Path;

use stillpoint::pipeline::{DiagnoseSettings, Unwatched, diagnose};
use stillpoint::report::AxisReport;
use stillpoint::simulate::{Scenario, write_night};
use stillpoint::units::{Angle, Measured};

/// Axis of the night, arcminutes against the refracted pole: up, and east on the sky.
const AXIS: (f64, f64) = (21.0, -34.0);
/// How far an answer may be from the truth, in its own sigmas: 1 in 16 000 fair ones is further.
const SIGMAS: f64 = 4.0;
/// How far two formats may be apart, in the sigmas of both: they show the same photons, so less
/// than independent frames would be.
const APART: f64 = 3.0;

fn scenario(format: &str, colour: bool, orientation: u8) -> Scenario {
    let text = format!(
        r#"
seed = 90417
start_utc = "2026-03-12T20:30:00Z"
[site]
latitude_deg = 46.5
longitude_deg = 11.4
height_m = 600.0
pressure_hpa = 945.0
temperature_c = 4.0
[camera]
maker = "Quillon"
model = "Q-6"
width_px = 1200
height_px = 800
pitch_um = 4.0
colour = {colour}
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
format = "{format}"
orientation = {orientation}
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
facing = "south"
altitude_deg = 42.0
frames = 2
exposure_s = 60.0
gap_s = 8.0
settle_s = 10.0
[[alignment.pointing]]
hour_angle_h = -4.0
declination_deg = 15.0
frames = 2
exposure_s = 60.0
gap_s = 8.0
before_s = 90.0
settle_s = 10.0
"#,
        AXIS.0, AXIS.1
    );
    Scenario::parse(&text).unwrap()
}

/// The axis that the program finds in a night's files.
fn axis_of(night: &Path) -> AxisReport {
    let report = diagnose(night, &DiagnoseSettings::default(), &Unwatched).unwrap();
    report.value.alignments[0].axis.expect("an axis")
}

fn drawn(format: &str, colour: bool, orientation: u8) -> AxisReport {
    let folder = tempfile::tempdir().unwrap();
    let night = folder.path().join(format);
    write_night(&scenario(format, colour, orientation), &night, &|_, _| ()).unwrap();
    axis_of(&night)
}

fn assert_true(name: &str, axis: &AxisReport) {
    for (part, truth) in [(axis.altitude_error, AXIS.0), (axis.azimuth_error, AXIS.1)] {
        let off = (part.value.arcmin() - truth).abs();
        assert!(
            off <= SIGMAS * part.sigma.arcmin(),
            "{name}: {part:?}, true {truth}'"
        );
    }
}

fn assert_agree(name: &str, one: Measured<Angle>, other: Measured<Angle>) {
    let apart = (one.value.arcmin() - other.value.arcmin()).abs();
    let sigma = one.sigma.arcmin().hypot(other.sigma.arcmin());
    assert!(apart <= APART * sigma, "{name}: {one:?} against {other:?}");
}

#[test]
fn one_night_in_jpeg_tiff_dng_and_fits_has_one_axis() {
    let formats = ["jpg", "tif16", "dng", "fits"];
    let axes = formats.map(|format| drawn(format, true, 1));
    for (name, axis) in formats.iter().zip(&axes) {
        assert_true(name, axis);
        assert_agree(name, axis.altitude_error, axes[0].altitude_error);
        assert_agree(name, axis.azimuth_error, axes[0].azimuth_error);
    }
    let [jpeg, _, dng, _] = axes.map(|axis| axis.total().sigma.arcmin());
    assert!(
        dng < jpeg,
        "a camera's counts tell more: {dng} against {jpeg}"
    );
}

#[test]
fn a_camera_on_its_side_and_one_without_filters_have_it_too() {
    assert_true("dng, stored on its side", &drawn("dng", true, 6));
    assert_true("dng without filters", &drawn("dng", false, 1));
    assert_true("fits without filters", &drawn("fits", false, 1));
}
