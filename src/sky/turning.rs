//! How the sky turns over a site: the pole, and where a direction will be after a while.
//!
//! Needs latitude and air only, no clock: usable for frames whose time of day is unknown.

use nalgebra::{Rotation3, Unit, Vector3};

use super::{Atmosphere, Direction, Horizon};
use crate::units::{Angle, AngularRate, Hemisphere, Seconds};

/// The celestial pole above the horizon, without refraction; at the equator the north one.
pub fn true_pole(latitude: Angle) -> Direction<Horizon> {
    let north = north_pole(latitude);
    match hemisphere(latitude) {
        Hemisphere::North => Direction::new(north),
        Hemisphere::South => Direction::new(-north),
    }
}

/// The celestial pole above the horizon as it is seen through the air.
pub fn refracted_pole(latitude: Angle, atmosphere: &Atmosphere) -> Direction<Horizon> {
    atmosphere.refract(true_pole(latitude))
}

/// Where the star seen at a direction now will be seen after a duration, which may be negative.
///
/// Method: takes refraction off, turns by 15.041" a second against the Earth's rotation about the
/// true pole, puts refraction on.
pub fn evolve(
    latitude: Angle,
    atmosphere: &Atmosphere,
    observed: Direction<Horizon>,
    duration: Seconds,
) -> Direction<Horizon> {
    let airless = atmosphere.unrefract(observed);
    atmosphere.refract(evolve_airless(latitude, airless, duration))
}

/// Where a star that stands at an airless direction now will stand after a duration.
pub fn evolve_airless(
    latitude: Angle,
    airless: Direction<Horizon>,
    duration: Seconds,
) -> Direction<Horizon> {
    let pole = Unit::new_unchecked(north_pole(latitude));
    let angle = AngularRate::SIDEREAL.over(duration);
    let turn = Rotation3::from_axis_angle(&pole, -angle.rad());
    Direction::new(turn * airless.vector())
}

/// Of a latitude, as [`crate::units::Site::hemisphere`] has it.
fn hemisphere(latitude: Angle) -> Hemisphere {
    if latitude.rad() < 0.0 {
        Hemisphere::South
    } else {
        Hemisphere::North
    }
}

fn north_pole(latitude: Angle) -> Vector3<f64> {
    Vector3::new(0.0, latitude.cos(), latitude.sin())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn direction(azimuth_deg: f64, altitude_deg: f64) -> Direction<Horizon> {
        Direction::from_az_alt(Angle::from_deg(azimuth_deg), Angle::from_deg(altitude_deg))
    }

    #[test]
    fn the_pole_stands_as_high_as_the_latitude_on_its_own_side() {
        let (azimuth, altitude) = true_pole(Angle::from_deg(51.5)).az_alt();
        assert!(azimuth.deg().abs() < 1e-9 && (altitude.deg() - 51.5).abs() < 1e-9);
        let (azimuth, altitude) = true_pole(Angle::from_deg(-33.9)).az_alt();
        assert!((azimuth.deg() - 180.0).abs() < 1e-9 && (altitude.deg() - 33.9).abs() < 1e-9);
    }

    #[test]
    fn stars_rise_in_the_east_and_set_in_the_west_on_both_sides_of_the_equator() {
        let air = Atmosphere::standard(0.0);
        for latitude in [-40.0, 0.0, 40.0] {
            let after = |azimuth_deg: f64| {
                let latitude = Angle::from_deg(latitude);
                let start = direction(azimuth_deg, 20.0);
                let later = evolve(latitude, &air, start, Seconds::new(60.0));
                later.az_alt().1.deg() - 20.0
            };
            assert!(after(90.0) > 0.1, "{latitude}");
            assert!(after(270.0) < -0.1, "{latitude}");
        }
    }

    #[test]
    fn a_star_at_the_true_pole_stays_and_one_due_south_goes_west_at_the_sidereal_rate() {
        let latitude = Angle::from_deg(45.0);
        let pole = true_pole(latitude);
        let still = evolve_airless(latitude, pole, Seconds::new(3600.0));
        assert!(pole.separation(still).rad() < 1e-12);
        let south = direction(180.0, 45.0);
        let later = evolve_airless(latitude, south, Seconds::new(60.0));
        assert!((south.separation(later).arcsec() - 902.46).abs() < 0.01);
        assert!(later.az_alt().0.deg() > 180.0);
    }

    #[test]
    fn going_back_undoes_going_on() {
        let latitude = Angle::from_deg(-20.0);
        let air = Atmosphere::standard(500.0);
        let start = direction(300.0, 4.0);
        let there = evolve(latitude, &air, start, Seconds::new(1800.0));
        let back = evolve(latitude, &air, there, Seconds::new(-1800.0));
        assert!(start.separation(back).rad() < 1e-10);
    }
}
