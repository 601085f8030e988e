//! Nights whose motion is known, told back.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::*;
use crate::stars::FrameTrail;
use crate::units::{AngularRate, PixelVector};

const FOCAL_PX: f64 = 40_000.0;
const EXPOSURE: f64 = 60.0;
const CADENCE: f64 = 70.0;

fn pole() -> Vector3<f64> {
    Vector3::new(0.0, 0.6, 0.8)
}

/// A camera that looks south, 50 degrees from the pole's equator side.
fn aimed() -> Rotation3<f64> {
    let view = Vector3::new(0.1, -0.7, 0.7).normalize();
    let right = view.cross(&Vector3::z()).normalize();
    let down = view.cross(&right);
    Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[right, down, view]))
}

/// Frames of a tracker whose axis is off by so many arcsec east, whose drive is so many ahead at a
/// time, and whose rig is turned (over the ground, arcsec) at a time.
fn night(
    n_frames: usize,
    east: f64,
    ahead: &dyn Fn(f64) -> f64,
    turned: &dyn Fn(f64) -> Vector3<f64>,
) -> Night {
    let rad = |arcsec: f64| Angle::from_arcsec(arcsec).rad();
    let axis = (pole() + Vector3::x() * rad(east)).normalize();
    let spin = AngularRate::SIDEREAL.rad_per_s();
    let camera = |t: f64| {
        let driven = Rotation3::new(axis * -(spin * t + rad(ahead(t))));
        Rotation3::new(turned(t).map(rad)) * driven * aimed()
    };
    let witness = |frame: usize| {
        let mid = CADENCE * frame as f64 + 0.5 * EXPOSURE;
        let samples: Vec<f64> = (0..200)
            .map(|k| mid + EXPOSURE * ((f64::from(k) + 0.5) / 200.0 - 0.5))
            .collect();
        // A star that stands in the middle of the field.
        let star = aimed() * Vector3::z();
        let seen = |t: &f64| camera(*t).inverse() * (Rotation3::new(pole() * (-spin * t)) * star);
        let path: Vec<[f64; 2]> = samples
            .iter()
            .map(seen)
            .map(|place| [FOCAL_PX * place.x / place.z, FOCAL_PX * place.y / place.z])
            .collect();
        let [dx, dy] = exposure::spread(&path);
        let length = (12.0 * dx.hypot(dy)).sqrt();
        let angle = 0.5 * dy.atan2(dx);
        let vector = PixelVector::new(length * angle.cos(), length * angle.sin());
        // The mean of the turns, about the middle one.
        let middle = camera(mid);
        let off = samples.iter().map(|t| {
            crate::sky::rotation::rotation_vector(&(middle.inverse() * camera(*t))) / 200.0
        });
        let mean = middle * Rotation3::new(off.sum::<Vector3<f64>>());
        Witness {
            frame,
            mid,
            exposure: EXPOSURE,
            camera: mean,
            covariance: Matrix3::identity() * (0.1 / FOCAL_PX).powi(2),
            trail: Some(FrameTrail::seen(vector, 0.1, Angle::from_deg(3.0))),
            air: PixelVector::default(),
            focal_px: FOCAL_PX,
            width_px: 12.0,
        }
    };
    let frames = (0..n_frames).map(witness).collect();
    Night::new(vec![frames], pole(), pole()).expect("frames of one pointing")
}

fn still(_: f64) -> Vector3<f64> {
    Vector3::zeros()
}

fn largest(accounts: &[Account]) -> (Part, f64) {
    let first = &accounts[0].parts[0];
    (first.0, first.1.value.px())
}

#[test]
fn an_axis_is_told_with_its_side() {
    let accounts = tell(&night(4, 1200.0, &|_| 0.0, &still));
    assert_eq!(largest(&accounts).0, Part::Axis);
    let [_, east] = accounts[0].axis;
    let off = Angle::from_rad(east.value).arcsec() - 1200.0;
    let sigma = Angle::from_rad(east.sigma).arcsec();
    assert!(off.abs() < 4.0 * sigma + 5.0, "{off} +- {sigma}");
}

#[test]
fn a_step_inside_an_exposure_is_a_step_with_its_size() {
    let accounts = tell(&night(
        5,
        60.0,
        &|t| if t > 185.0 { 40.0 } else { 0.0 },
        &still,
    ));
    assert_eq!(largest(&accounts).0, Part::Step);
    let step = accounts[0].step.expect("a step");
    assert_eq!((step.before, step.after), (1, 3));
    assert!((step.size.value.arcsec() - 40.0).abs() < 2.0, "{step:?}");
}

#[test]
fn two_frames_at_a_rate_of_the_switch_tell_it() {
    // Mean lunar, 14.492 arcsec a second, against the sky's 15.041.
    let accounts = tell(&night(2, 60.0, &|t| -0.549 * t, &still));
    let rate = chance_of(&accounts, Part::Rate);
    assert!(
        largest(&accounts).0 == Part::Rate && rate > 0.5,
        "{accounts:?}"
    );
}

#[test]
fn a_swing_is_no_rate_and_no_slack() {
    let swing = |t: f64| 20.0 * (std::f64::consts::TAU * t / 300.0).sin();
    let accounts = tell(&night(6, 60.0, &swing, &still));
    assert_eq!(largest(&accounts).0, Part::Swing);
}

#[test]
fn a_swing_that_is_no_pure_sine_is_no_step() {
    let phase = |t: f64| std::f64::consts::TAU * t / 540.0;
    let swing = |t: f64| 38.0 * phase(t).sin() + 2.6 * (2.0 * phase(t) + 1.0).sin();
    let accounts = tell(&night(6, 60.0, &swing, &still));
    assert_eq!(largest(&accounts).0, Part::Swing);
    let step = chance_of(&accounts, Part::Step);
    assert!(step < 0.3, "{step}");
}

#[test]
fn slack_is_told_with_its_time() {
    let slack = |t: f64| -15.04 * t.clamp(0.0, 8.0);
    let accounts = tell(&night(3, 60.0, &slack, &still));
    assert_eq!(largest(&accounts).0, Part::Slack);
    let (frame, time) = accounts[0].stood[0];
    assert_eq!(frame, 0);
    assert!((time.value.s() - 8.0).abs() < 1.0, "{time:?}");
}

#[test]
fn a_knock_between_frames_is_no_step_of_the_drive() {
    let knock = |t: f64| {
        let size = if t > 137.0 { 1.0 } else { 0.0 };
        Vector3::new(25.0, 5.0, -15.0) * size
    };
    let accounts = tell(&night(4, 60.0, &|_| 0.0, &knock));
    assert_eq!(largest(&accounts).0, Part::Knock);
    let step = accounts[0].step.expect("a knock");
    assert_eq!((step.before, step.after), (1, 2));
}

#[test]
fn a_still_night_has_nothing_to_tell() {
    let accounts = tell(&night(4, 0.0, &|_| 0.0, &still));
    assert!(largest(&accounts).1 < 0.3, "{accounts:?}");
}

#[test]
fn one_frame_a_pointing_tells_nothing() {
    let whole = night(2, 60.0, &|_| 0.0, &still);
    let witness = whole.frames[0].witness.clone();
    assert!(Night::new(vec![vec![witness]], pole(), pole()).is_none());
}
