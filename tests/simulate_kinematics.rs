//! Truth: published vectors (`testdata/published/drift_per_minute.csv`) and the drift rule.
//!
//! The simulator's own motion of stars over the camera, so that what it draws can judge the rest.

use std::f64::consts::PI;

use stillpoint::simulate::{FrameTruth, NoRealStars, Scenario, Simulation};

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
