//! Truth held here: published. The table of drifts was made by exact vector rotations, apart from
//! this project (`testdata/published/drift_per_minute.csv`); the drift rule is 15.7 arcsec a minute
//! for a degree of misalignment, in four directions (common practice; DEVELOPERS.md, conventions).

use nalgebra::{Matrix3, Rotation3, Vector3};
use stillpoint::identify::lens::Lens;
use stillpoint::mount::Ground;
use stillpoint::mount::model::{AxisError, axis_off_pole, northern_end};
use stillpoint::mount::predict::Exposure;
use stillpoint::sky::turning::{evolve_airless, true_pole};
use stillpoint::sky::{Camera, Direction, Horizon, Rotation};
use stillpoint::units::{Angle, PixelPoint, Seconds};

/// The table's own rounding is 5e-5; a minute's motion bends by far less than this, arcsec a minute.
const TOLERANCE: f64 = 0.01;
/// What the forward model reached when this was written, three times over, arcsec a minute.
const OWN_DRIFT: f64 = 0.004;

struct Row {
    latitude: Angle,
    hour_angle: Angle,
    declination: Angle,
    error: AxisError,
    rate_ratio: f64,
    /// East, north, about the line of sight; arcsec a minute.
    drift: [f64; 3],
}

fn rows() -> Vec<Row> {
    let table = include_str!("../testdata/published/drift_per_minute.csv");
    let numbers =
        |line: &str| -> Vec<f64> { line.split(',').map(|cell| cell.parse().unwrap()).collect() };
    let row = |line: &str| {
        let n = numbers(line);
        Row {
            latitude: Angle::from_deg(n[0]),
            hour_angle: Angle::from_deg(n[1]),
            declination: Angle::from_deg(n[2]),
            error: AxisError {
                up: Angle::from_arcmin(n[3]),
                east: Angle::from_arcmin(n[4]),
            },
            rate_ratio: n[5],
            drift: [n[6], n[7], n[8]],
        }
    };
    table.lines().skip(1).map(row).collect()
}

/// Drift of a star in a minute by the forward model: a camera of one arcsecond a pixel, north up.
fn modelled(row: &Row) -> [f64; 3] {
    let (sin, cos) = (row.latitude.sin(), row.latitude.cos());
    let north_pole = Vector3::new(0.0, cos, sin);
    let meridian = Vector3::new(0.0, -sin, cos);
    let (h, d) = (row.hour_angle, row.declination);
    let star =
        meridian * (d.cos() * h.cos()) - Vector3::x() * (d.cos() * h.sin()) + north_pole * d.sin();
    let east = north_pole.cross(&star).normalize();
    let north = star.cross(&east);
    // North up shows west on the right.
    let columns = Matrix3::from_columns(&[-east, -north, star]);
    let attitude: Rotation<Camera, Horizon> =
        Rotation::new(Rotation3::from_matrix_unchecked(columns));
    let lens = Lens {
        focal_px: Angle::from_rad(1.0).arcsec(),
        center: PixelPoint::new(0.0, 0.0),
        k1: 0.0,
        k2: 0.0,
    };
    let exposure = Exposure {
        lens: &lens,
        attitude,
        length: Seconds::new(60.0),
    };
    let turn = |direction, after| evolve_airless(row.latitude, direction, after);
    let pole = true_pole(row.latitude);
    let ground = Ground {
        true_pole: pole,
        refracted_pole: pole,
        evolve: &turn,
    };
    let axis = northern_end(axis_off_pole(pole, row.error), ground.hemisphere());
    let trail = |x: f64| {
        exposure
            .trail(&ground, axis, row.rate_ratio, PixelPoint::new(x, 0.0))
            .unwrap()
    };
    let side = 500.0;
    // A field that turns right-handed about the line of sight moves its right side down.
    let turned = (trail(side).dy - trail(-side).dy) / Angle::from_arcsec(2.0 * side).rad();
    [-trail(0.0).dx, -trail(0.0).dy, turned]
}

#[test]
fn every_row_of_the_table_of_drifts_is_reproduced() {
    let rows = rows();
    assert_eq!(rows.len(), 448);
    let mut worst: f64 = 0.0;
    for row in &rows {
        for (ours, theirs) in modelled(row).into_iter().zip(row.drift) {
            worst = worst.max((ours - theirs).abs());
        }
    }
    assert!(worst < TOLERANCE, "off by {worst} arcsec a minute");
    assert!(worst < OWN_DRIFT, "was 0.0013 arcsec a minute, now {worst}");
}

#[test]
fn the_drift_rule_has_its_four_directions_and_its_size() {
    let northward = |up: f64, east: f64, hour_angle: f64| {
        let error = AxisError {
            up: Angle::from_deg(up),
            east: Angle::from_deg(east),
        };
        modelled(&Row {
            latitude: Angle::from_deg(47.0),
            hour_angle: Angle::from_deg(hour_angle),
            declination: Angle::ZERO,
            error,
            rate_ratio: 1.0,
            drift: [0.0; 3],
        })[1]
    };
    assert!(
        (northward(0.0, 1.0, 0.0) + 15.75).abs() < 0.05,
        "too far east: southward due south"
    );
    assert!(
        (northward(0.0, -1.0, 0.0) - 15.75).abs() < 0.05,
        "too far west: northward due south"
    );
    assert!(
        (northward(1.0, 0.0, -90.0) - 15.75).abs() < 0.05,
        "too high: northward in the east"
    );
    assert!(
        (northward(-1.0, 0.0, -90.0) + 15.75).abs() < 0.05,
        "too low: southward in the east"
    );
}

#[test]
fn the_horizon_frame_has_east_to_the_right_of_north() {
    let east = Direction::<Horizon>::from_az_alt(Angle::from_deg(90.0), Angle::ZERO);
    assert!((east.vector() - Vector3::x()).norm() < 1e-12);
}
