//! Truth held here: published. Rules and tables of others for drift, field rotation and exposure,
//! each with its source; and facts of the trade, marked as such.

use nalgebra::Vector3;
use stillpoint::diagnosis::Verdict;
use stillpoint::limits::{CameraInUse, USUAL_WIDTH, axis_ratio, rate_of_axis, rate_untracked};
use stillpoint::sky::{
    Atmosphere, Direction, Horizon, Observer, SkyDrift, TurningAxis, pole_star_place,
};
use stillpoint::units::{Angle, AngularRate, Hemisphere, Length, Pixels, Seconds, Site};

/// A mean solar day over a sidereal one: rules of thumb often turn the sky once in 24 hours, which
/// is 0.27 % too slow; source: [MEEUS] chapter 12, 1.002 737 9.
const DAY_RATIO: f64 = 1.002_737_9;

fn camera(focal: f64, pitch: f64) -> CameraInUse {
    CameraInUse {
        focal: Length::from_mm(focal),
        pixel_pitch: Length::from_um(pitch),
    }
}

/// Drift about an axis that is off by an angle, for a star whose hour angle is `past` that of the
/// side on which the axis is off; seen from the Earth's equator, where the meridian is overhead.
fn drift_of_axis(error: Angle, past: Angle, declination: Angle) -> SkyDrift {
    let (h, d) = (past, declination);
    let star = Vector3::new(-d.cos() * h.sin(), d.sin(), d.cos() * h.cos());
    let axis = TurningAxis {
        axis: Direction::<Horizon>::from_az_alt(Angle::ZERO, error),
        pole: Direction::from_az_alt(Angle::ZERO, Angle::ZERO),
        hemisphere: Hemisphere::North,
        rate_ratio: 1.0,
    };
    axis.drift(Direction::new(star))
}

/// The half-pixel rule T X F / M = 23636: exposure T in seconds, axis error X in arcminutes, focal
/// length F in millimetres, pixel M in micrometres (as the project was handed it, without a source;
/// 0.5e-3 / (2 pi / 86400 x pi / 10800) = 23636 shows units and the solar day).
#[test]
fn the_half_pixel_rule() {
    for (error, focal, pitch) in [(1.0, 150.0, 3.3), (20.0, 50.0, 4.3), (5.0, 600.0, 9.0)] {
        let rate = rate_of_axis(Angle::from_arcmin(error));
        let time = camera(focal, pitch).longest_exposure(rate, Pixels::new(0.5));
        let constant = time.s() * error * focal / pitch * DAY_RATIO;
        assert!((constant - 23_636.0).abs() < 2.0, "{constant}");
    }
}

/// F. Barrett 2008, "Determining Polar Axis Alignment Accuracy": on the celestial equator the drift
/// in arcseconds is a quarter degree an hour's worth, error = 3.81 x drift / minutes, error in
/// arcminutes (the constant from memory; 60 / (15.041 x 60 x 2.909e-4 x 60) = 3.81).
#[test]
fn drift_for_a_given_error_and_time() {
    for (error, minutes) in [(1.0, 5.0), (10.0, 3.0), (38.0, 1.0)] {
        let drift = drift_of_axis(
            Angle::from_arcmin(error),
            Angle::from_deg(90.0),
            Angle::ZERO,
        );
        let arcsec = -drift.north.arcsec_per_min() * minutes;
        assert!((3.81 * arcsec / minutes - error).abs() < 0.001 * error);
    }
}

/// 15.7 arcsec a minute for a degree: common practice, and with the solar day exactly 5 pi.
#[test]
fn the_drift_rule_of_a_degree() {
    let rate = rate_of_axis(Angle::from_deg(1.0)).arcsec_per_min();
    let by_rule = 5.0 * std::f64::consts::PI * DAY_RATIO;
    assert!((rate - by_rule).abs() < 0.001, "{rate} {by_rule}");
    assert!((rate - 15.7).abs() < 0.06);
}

/// M. Covington, Astrophotography for the Amateur, 2nd ed. 1999, appendix B: declination of a star
/// in the coordinates of the false pole, `acos(cos h cos d sin e + sin d cos e)` from that pole, and
/// the angle at the star between the two poles, by the sine rule: `sin q = sin e sin h / sin(polar
/// distance)`. h is the star's hour angle less that of the false pole; the sky turns by 15 degrees
/// an hour there. The turn is for a camera that is kept on the star, which follows its drift in
/// right ascension and turns with it.
#[test]
fn declination_drift_and_field_rotation_about_a_false_pole() {
    let (error, minutes) = (Angle::from_arcmin(6.0), 4.0);
    let turned = Angle::from_deg(minutes / 4.0 * DAY_RATIO);
    let mut checked = 0;
    for dec in [0.0, 30.0, 60.0].map(Angle::from_deg) {
        for hour in (0..360)
            .step_by(15)
            .map(|deg| Angle::from_deg(f64::from(deg)))
        {
            let polar =
                |h: Angle| (h.cos() * dec.cos() * error.sin() + dec.sin() * error.cos()).acos();
            let between = |h: Angle| (error.sin() * h.sin() / polar(h).sin()).asin();
            let later = hour + turned;
            let mid = hour + turned / 2.0;
            let drift = drift_of_axis(error, mid, dec);
            // A growing distance from the pole that the camera turns about is a drift to the south.
            let farther = Angle::from_rad(polar(later) - polar(hour));
            let time = Seconds::new(60.0 * minutes);
            let moved = -drift.north.over(time);
            assert!(
                (farther.arcsec() - moved.arcsec()).abs() < 0.05,
                "{dec:?} {hour:?}: {} {}",
                farther.arcsec(),
                moved.arcsec()
            );
            let turn = Angle::from_rad(between(later) - between(hour));
            // Kept on the star: the drift in right ascension turns the camera back by sin d / cos d.
            let kept = drift.rotation - drift.east * dec.tan();
            let found = kept.over(time).arcsec();
            assert!(
                (turn.arcsec() - found).abs() < 0.02 * error.arcsec() * turned.rad() / dec.cos(),
                "{dec:?} {hour:?}: {} {found}",
                turn.arcsec()
            );
            checked += 1;
        }
    }
    assert_eq!(checked, 72);
}

/// Covington's own figure, as quoted from the same appendix: 2' of error drift a star by up to 15.7
/// arcsec in half an hour.
#[test]
fn half_an_hour_at_two_arcminutes() {
    let drift = rate_of_axis(Angle::from_arcmin(2.0)).over(Seconds::new(1800.0));
    assert!((drift.arcsec() - 15.7).abs() < 0.1);
}

/// How stars look, at the worst place of the sky, with the axis put straight on the pole star; the
/// sensor is Micro Four Thirds, 17.3 mm wide, with 20 million pixels of 3.3 um, crop factor 2.
fn look(equivalent_focal: f64, exposure: f64) -> (Verdict, f64) {
    let site = Site::new(Angle::from_deg(51.5), Angle::ZERO).unwrap();
    let observer = Observer::new(site, Atmosphere::standard(0.0));
    let place = pole_star_place(&observer.at("2026-01-15T22:00:00Z".parse().unwrap()));
    let camera = camera(equivalent_focal / 2.0, 3.3);
    let trail = camera.trail(
        rate_of_axis(place.about_pole.distance),
        Seconds::new(exposure),
    );
    let ratio = axis_ratio(trail, USUAL_WIDTH);
    (Verdict::of_axis_ratio(ratio), ratio)
}

/// Common practice, no source.
#[test]
fn trade_facts_of_an_axis_straight_on_the_pole_star() {
    assert_eq!(
        look(300.0, 60.0).0,
        Verdict::Soft,
        "{:?}",
        look(300.0, 60.0)
    );
    assert_eq!(look(300.0, 120.0).0, Verdict::Trailed);
    assert_ne!(look(100.0, 120.0).0, Verdict::Trailed);
}

/// Common practice, no source: due south on the celestial equator is the worst place. True of an
/// axis off to the east or west, of a camera that stands, and of a drive.
#[test]
fn due_south_on_the_equator_is_the_worst_place() {
    let speed = |hour: f64, dec: f64| {
        // Too far east: the side on which the axis is off has an hour angle of -90 degrees.
        let past = Angle::from_deg(hour + 90.0);
        let drift = drift_of_axis(Angle::from_arcmin(20.0), past, Angle::from_deg(dec));
        drift.speed().rad_per_s()
    };
    let still = |dec: f64| rate_untracked(Angle::from_deg(dec));
    for dec in [-60.0, -20.0, 0.0, 35.0, 80.0] {
        for hour in [-90.0, -30.0, 0.0, 45.0, 90.0] {
            assert!(speed(hour, dec) <= speed(0.0, 0.0) * (1.0 + 1e-4));
        }
        assert!(still(dec) <= still(0.0));
    }
    assert!(speed(90.0, 0.0) < 0.01 * speed(0.0, 0.0));
    assert_eq!(still(0.0), AngularRate::SIDEREAL);
}
