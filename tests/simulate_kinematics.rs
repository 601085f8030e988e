//! Truth: published vectors (`testdata/published/drift_per_minute.csv`) and the drift rule.
//!
//! The simulator's own motion of stars over the camera, so that what it draws can judge the rest.

use std::f64::consts::PI;

use nalgebra::{Matrix3, Vector3};
use stillpoint::simulate::{AlignmentTruth, FrameTruth, NoRealStars, Scenario, Simulation};

/// A narrow view, no refraction, on a date when ICRS and the sky of the date agree.
fn scenario(
    latitude: f64,
    altitude_error: f64,
    azimuth_error: f64,
    rate: f64,
    aim: &str,
) -> Scenario {
    let text = format!(
        r#"
        seed = 1
        start_utc = "2000-01-01T12:00:00Z"
        [site]
        latitude_deg = {latitude:?}
        longitude_deg = 0.0
        pressure_hpa = 0.0
        temperature_c = 10.0
        [camera]
        maker = "Invented"
        model = "I-1"
        width_px = 2001
        height_px = 2001
        pitch_um = 4.0
        read_noise_e = 2.0
        full_well_e = 30000.0
        iso = 400.0
        bits = 14
        [lens]
        name = "Invented 1000 mm"
        focal_mm = 1000.0
        f_number = 8.0
        fwhm_px = 2.5
        [sky]
        brightness_mag_arcsec2 = 20.0
        [output]
        format = "jpg"
        utc_offset_h = 0.0
        prefix = "T"
        first_number = 1
        [[alignment]]
        axis = {{ altitude_error_arcmin = {altitude_error:?}, azimuth_error_arcmin = {azimuth_error:?} }}
        drive = {{ rate = {rate:?} }}
        [[alignment.pointing]]
        {aim}
        frames = 1
        exposure_s = 6.0
        gap_s = 1.0
        "#
    );
    Scenario::parse(&text).unwrap()
}

fn first_frame(scenario: &Scenario) -> FrameTruth {
    let night = Simulation::new(scenario, &NoRealStars)
        .unwrap()
        .night_truth()
        .unwrap();
    night.alignments[0].frames[0].clone()
}

/// Drift to the sky's east and north and rotation about the line of sight, arcseconds a minute,
/// of a frame whose up side is north.
fn drift(frame: &FrameTruth) -> [f64; 3] {
    let per_minute = 60.0 / frame.exposure_s;
    let arcsec = frame.pixel_scale_arcsec * per_minute;
    let [cx, cy] = frame.trail_center.at_px;
    let (mut turning, mut square) = (0.0, 0.0);
    for corner in &frame.trail_corners {
        let (x, y) = (corner.at_px[0] - cx, corner.at_px[1] - cy);
        turning += x * corner.net_px[1] - y * corner.net_px[0];
        square += x * x + y * y;
    }
    [
        -frame.trail_center.net_px[0] * arcsec,
        -frame.trail_center.net_px[1] * arcsec,
        turning / square * per_minute * 180.0 / PI * 3600.0,
    ]
}

/// The table's axis is the pole plus a small vector (up, east) in the tangent plane; the scenario
/// wants differences of altitude and azimuth.
fn altitude_and_azimuth(latitude_deg: f64, up_arcmin: f64, east_arcmin: f64) -> (f64, f64) {
    let altitude = latitude_deg.abs().to_radians();
    let (up, east) = (
        (up_arcmin / 60.0).to_radians(),
        (east_arcmin / 60.0).to_radians(),
    );
    // Towards the pole's azimuth, east, and the zenith.
    let ahead = altitude.cos() - up * altitude.sin();
    let height = altitude.sin() + up * altitude.cos();
    let axis_altitude = height.atan2(ahead.hypot(east));
    let azimuth_on_sky = east.atan2(ahead) * altitude.cos();
    let arcmin = |angle: f64| angle.to_degrees() * 60.0;
    (arcmin(axis_altitude - altitude), arcmin(azimuth_on_sky))
}

#[test]
fn drift_and_rotation_agree_with_the_published_vectors() {
    // The table is rounded to 0.0001; the change of aberration within a minute is 0.002.
    const TOLERANCE_ARCSEC_PER_MIN: f64 = 0.01;
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/testdata/published/drift_per_minute.csv"
    );
    let table = std::fs::read_to_string(path).unwrap();
    let lines = table.lines().filter(|line| !line.starts_with('#')).skip(1);
    let rows: Vec<Vec<f64>> = lines
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect();
    assert!(rows.len() > 400);
    let mut worst: f64 = 0.0;
    for row in &rows {
        let (up, east) = altitude_and_azimuth(row[0], row[3], row[4]);
        let aim = format!(
            "hour_angle_h = {:?}\ndeclination_deg = {:?}\nup_position_angle_deg = 0.0",
            row[1] / 15.0,
            row[2]
        );
        let found = drift(&first_frame(&scenario(row[0], up, east, row[5], &aim)));
        for (value, published) in found.iter().zip(&row[6..9]) {
            worst = worst.max((value - published).abs());
            assert!(
                (value - published).abs() < TOLERANCE_ARCSEC_PER_MIN,
                "{row:?} {found:?}"
            );
        }
    }
    assert!(worst > 0.0, "nothing was compared");
}

#[test]
fn an_axis_too_far_east_lets_a_star_in_the_south_drift_south_and_too_far_west_north() {
    let aim = "facing = \"south\"\naltitude_deg = 40.0";
    let east = first_frame(&scenario(50.0, 0.0, 60.0, 1.0, aim));
    assert!(drift(&east)[1] < -15.0);
    // The camera is level and faces south: down on the frame is south on the sky.
    assert!(east.trail_center.net_px[1] > 0.0);
    let west = first_frame(&scenario(50.0, 0.0, -60.0, 1.0, aim));
    assert!(drift(&west)[1] > 15.0 && west.trail_center.net_px[1] < 0.0);
}

#[test]
fn an_axis_too_high_lets_a_star_in_the_east_drift_north_and_too_low_south() {
    let aim = "hour_angle_h = -6.0\ndeclination_deg = 0.0\nup_position_angle_deg = 0.0";
    assert!(drift(&first_frame(&scenario(50.0, 60.0, 0.0, 1.0, aim)))[1] > 15.0);
    assert!(drift(&first_frame(&scenario(50.0, -60.0, 0.0, 1.0, aim)))[1] < -15.0);
}

#[test]
fn south_of_the_equator_an_axis_too_far_east_lets_a_star_in_the_north_drift_north() {
    let aim = "facing = \"north\"\naltitude_deg = 50.0";
    let frame = first_frame(&scenario(-35.0, 0.0, 60.0, 1.0, aim));
    // Level and facing north in the southern half, the sky's north is down on the frame.
    assert!(frame.trail_center.net_px[1] > 0.0);
}

#[test]
fn a_level_camera_facing_south_shows_east_on_the_left() {
    let aim = "facing = \"south\"\naltitude_deg = 40.0";
    // With the drive off, stars go from east to west: to the right.
    let frame = first_frame(&scenario(50.0, 0.0, 0.0, 0.0, aim));
    assert!(frame.trail_center.net_px[0] > 0.0);
    assert!((frame.up_position_angle_deg + 180.0).rem_euclid(360.0) - 180.0 < 0.1);
}

#[test]
fn a_perfect_axis_and_drive_leave_every_star_in_its_place() {
    let aim = "facing = \"south-east\"\naltitude_deg = 40.0\nroll_deg = 30.0";
    let frame = first_frame(&scenario(50.0, 0.0, 0.0, 1.0, aim));
    for trail in frame.trail_corners.iter().chain([&frame.trail_center]) {
        // The diurnal part of aberration changes by 0.001 arcsec a minute.
        assert!(trail.net_px[0].hypot(trail.net_px[1]) < 1e-3);
    }
}

/// The first alignment of a night facing south, with lines added to the alignment and its pointing.
fn disturbed(drive: &str, faults: &str, pointing: &str) -> AlignmentTruth {
    let text = format!(
        r#"
        seed = 4
        start_utc = "2026-02-03T20:00:00Z"
        [site]
        latitude_deg = 44.0
        longitude_deg = 5.0
        pressure_hpa = 950.0
        temperature_c = 3.0
        [camera]
        maker = "Invented"
        model = "I-1"
        width_px = 1200
        height_px = 800
        pitch_um = 4.0
        read_noise_e = 2.0
        full_well_e = 30000.0
        iso = 400.0
        bits = 14
        [lens]
        name = "Invented 200 mm"
        focal_mm = 200.0
        f_number = 4.0
        fwhm_px = 2.5
        [sky]
        brightness_mag_arcsec2 = 20.0
        [output]
        format = "jpg"
        utc_offset_h = 0.0
        prefix = "T"
        first_number = 1
        [[alignment]]
        axis = {{ altitude_error_arcmin = 3.0, azimuth_error_arcmin = -5.0 }}
        {faults}
        drive = {drive}
        [[alignment.pointing]]
        facing = "south"
        altitude_deg = 46.0
        frames = 4
        exposure_s = 60.0
        gap_s = 10.0
        {pointing}
        "#
    );
    let scenario = Scenario::parse(&text).unwrap();
    let simulation = Simulation::new(&scenario, &NoRealStars).unwrap();
    simulation.night_truth().unwrap().alignments[0].clone()
}

const STEADY: &str = "{ rate = \"sidereal\" }";

fn attitude(frame: &FrameTruth) -> Matrix3<f64> {
    Matrix3::from_fn(|i, j| frame.attitude[i][j])
}

/// Axis of the turn between two frames, in the horizon frame.
fn turning_axis(first: &FrameTruth, second: &FrameTruth) -> Vector3<f64> {
    let turn = attitude(second) * attitude(first).transpose();
    Vector3::new(
        turn[(2, 1)] - turn[(1, 2)],
        turn[(0, 2)] - turn[(2, 0)],
        turn[(1, 0)] - turn[(0, 1)],
    )
    .normalize()
}

fn axis_direction(alignment: &AlignmentTruth) -> Vector3<f64> {
    let (altitude, azimuth) = (
        alignment.axis.altitude_deg.to_radians(),
        alignment.axis.azimuth_deg.to_radians(),
    );
    Vector3::new(
        altitude.cos() * azimuth.sin(),
        altitude.cos() * azimuth.cos(),
        altitude.sin(),
    )
}

#[test]
fn the_axis_is_the_fixed_line_of_the_camera_whatever_the_drive_does() {
    for drive in [
        STEADY,
        "{ rate = \"half\", rate_error_ppm = 300.0 }",
        "{ rate = \"sidereal\", periodic = [{ amplitude_arcsec = 30.0, period_s = 400.0 }] }",
        "{ rate = \"sidereal\", slip = [{ frame = 1, second = 20.0, arcsec = 600.0 }] }",
        "{ rate = \"reverse\" }",
    ] {
        let alignment = disturbed(drive, "", "");
        let axis = axis_direction(&alignment);
        for frame in &alignment.frames[1..] {
            let found = turning_axis(&alignment.frames[0], frame);
            assert!(found.cross(&axis).norm() < 1e-9, "{drive}");
        }
        assert!((alignment.axis.altitude_error_arcmin - 3.0).abs() < 1e-6);
        assert!((alignment.axis.azimuth_error_arcmin + 5.0).abs() < 1e-6);
    }
}

#[test]
fn a_bump_moves_the_axis_as_told_and_the_camera_off_its_line() {
    let bump = "bump = [{ frame = 2, second = -5.0, altitude_arcmin = 4.0, azimuth_arcmin = 6.0 }]";
    let frames = disturbed(STEADY, bump, "").frames;
    let moved = |k: usize| {
        (
            frames[k].axis.altitude_error_arcmin - 3.0,
            frames[k].axis.azimuth_error_arcmin + 5.0,
        )
    };
    assert!(moved(1).0.abs() < 1e-6 && moved(1).1.abs() < 1e-6);
    // The second step is taken from the moved axis, whose altitude differs a little.
    assert!((moved(2).0 - 4.0).abs() < 0.01 && (moved(2).1 - 6.0).abs() < 0.02);
    let before = turning_axis(&frames[0], &frames[1]);
    assert!(turning_axis(&frames[1], &frames[2]).cross(&before).norm() > 0.01);
    assert!(turning_axis(&frames[2], &frames[3]).cross(&before).norm() > 1e-3);
}

#[test]
fn a_sagging_camera_looks_lower_by_the_droop() {
    let sag = "sag = { arcsec = 400.0, time_s = 100.0 }";
    let (firm, sagging) = (disturbed(STEADY, "", ""), disturbed(STEADY, sag, ""));
    for (firm, sagging) in firm.frames.iter().zip(&sagging.frames) {
        let start = 70.0 * (f64::from(firm.file[2..6].parse::<u16>().unwrap()) - 1.0);
        let droop = 400.0 * (1.0 - (-(start + 30.0) / 100.0).exp());
        let found = (firm.altitude_deg - sagging.altitude_deg) * 3600.0;
        // Near the meridian, level stays level while the tracker turns.
        assert!((found - droop).abs() < 0.5, "{found} {droop}");
    }
}

#[test]
fn shaking_spreads_the_light_along_a_line_of_its_own_in_every_frame() {
    let shake = "shake = { arcsec = 20.0, frequency_hz = 1.3 }";
    let frames = disturbed(STEADY, shake, "").frames;
    let lines: Vec<f64> = frames
        .iter()
        .map(|frame| {
            let [xx, xy, yy] = frame.trail_center.spread_px2;
            // A swing of amplitude A has the variance A^2 / 2; the trail adds a little.
            let amplitude = 20.0 / frame.pixel_scale_arcsec;
            assert!(((xx + yy) / (amplitude * amplitude / 2.0) - 1.0).abs() < 0.15);
            0.5 * (2.0 * xy).atan2(xx - yy)
        })
        .collect();
    assert!(
        lines
            .windows(2)
            .all(|pair| (pair[0] - pair[1]).abs() > 0.01)
    );
}

#[test]
fn backlash_trails_the_first_frame_only_by_the_sky_s_own_motion() {
    let drive = "{ rate = \"sidereal\", backlash_s = 20.0 }";
    let (with, without) = (disturbed(drive, "", ""), disturbed(STEADY, "", ""));
    let change = |k: usize| {
        let (a, b) = (
            with.frames[k].trail_center.net_px,
            without.frames[k].trail_center.net_px,
        );
        (a[0] - b[0]).hypot(a[1] - b[1]) * with.frames[k].pixel_scale_arcsec
    };
    // 15.04 arcsec a second at declination 0.
    assert!((change(0) - 20.0 * 15.04).abs() < 1.0, "{}", change(0));
    assert!(change(1) < 0.1 && change(3) < 0.1);
}

#[test]
fn a_camera_left_alone_keeps_its_pointing_over_another_exposure_length() {
    let second = "
        [[alignment.pointing]]
        same_camera = true
        frames = 2
        exposure_s = 5.0
        gap_s = 2.0";
    let alignment = disturbed(STEADY, "", second);
    assert!(alignment.frames.iter().all(|frame| frame.pointing == 0));
    let (last, first) = (&alignment.frames[5], &alignment.frames[0]);
    assert_eq!((last.exposure_s, first.exposure_s), (5.0, 60.0));
    let found = turning_axis(first, last);
    assert!(found.cross(&axis_direction(&alignment)).norm() < 1e-9);
}
