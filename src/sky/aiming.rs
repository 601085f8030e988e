//! What it costs to point the axis somewhere else than at the pole.
//!
//! Method: stars turn about the pole P, the camera about the axis a, at the rate ratio r; a star
//! moves against the camera by w (r a - P) x s north of the equator and by the opposite south of it.

use nalgebra::Vector3;

use super::{Direction, Horizon, PoleStarPlace, SkyAt};
use crate::units::{Angle, AngularRate, Hemisphere};

/// Motion of a star against a turning camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyDrift {
    /// Along right ascension on the sky, east positive.
    pub east: AngularRate,
    /// Towards the celestial north pole.
    pub north: AngularRate,
    /// Turn of the field about the line of sight: clockwise as seen on the sky is positive.
    pub rotation: AngularRate,
}

impl SkyDrift {
    /// Speed across the sky.
    pub fn speed(self) -> AngularRate {
        AngularRate::from_rad_per_s(self.east.rad_per_s().hypot(self.north.rad_per_s()))
    }
}

/// An axis, the pole it should point at, and the rate it turns at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurningAxis {
    /// Where the axis points; both directions refracted, or both airless.
    pub axis: Direction<Horizon>,
    /// The pole of the site's hemisphere.
    pub pole: Direction<Horizon>,
    /// Which pole that is.
    pub hemisphere: Hemisphere,
    /// Rate of the drive over the sidereal rate.
    pub rate_ratio: f64,
}

impl TurningAxis {
    /// How a star at this direction drifts.
    ///
    /// Output: at the pole itself, where no direction is north, the drift counts as north.
    pub fn drift(&self, star: Direction<Horizon>) -> SkyDrift {
        let s = star.vector();
        let omega = self.relative_rotation();
        let motion = omega.cross(&s);
        let north_pole = self.pole.vector() * self.sense();
        let east = north_pole.cross(&s);
        let (along_east, along_north) = match east.try_normalize(1e-12) {
            Some(east) => (motion.dot(&east), motion.dot(&s.cross(&east))),
            None => (0.0, motion.norm()),
        };
        SkyDrift {
            east: AngularRate::from_rad_per_s(along_east),
            north: AngularRate::from_rad_per_s(along_north),
            rotation: AngularRate::from_rad_per_s(omega.dot(&s)),
        }
    }
    /// The fastest drift of any star in the sky.
    pub fn worst_drift(&self) -> AngularRate {
        AngularRate::from_rad_per_s(self.relative_rotation().norm())
    }

    fn relative_rotation(&self) -> Vector3<f64> {
        let difference = self.axis.vector() * self.rate_ratio - self.pole.vector();
        difference * (self.sense() * AngularRate::SIDEREAL.rad_per_s())
    }

    fn sense(&self) -> f64 {
        match self.hemisphere {
            Hemisphere::North => 1.0,
            Hemisphere::South => -1.0,
        }
    }
}

/// What happens when the axis is aimed straight at the pole star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AimingCost {
    /// How far the axis is from the refracted pole.
    pub error: Angle,
    /// Its part upwards: positive, the axis is too high.
    pub too_high: Angle,
    /// Its part along the horizon, on the sky: positive, the axis is too far east.
    pub too_far_east: Angle,
    /// Drift of a star on the celestial equator where it crosses the meridian.
    pub at_meridian: SkyDrift,
    /// Fastest drift anywhere in the sky.
    pub worst: AngularRate,
}

/// The cost of aiming the axis straight at the pole star, with a drive at the sidereal rate.
pub fn cost_of_aiming_at_star(place: &PoleStarPlace, sky: &SkyAt) -> AimingCost {
    let site = sky.observer().site();
    let aimed = TurningAxis {
        axis: place.observed,
        pole: sky.refracted_pole(),
        hemisphere: site.hemisphere(),
        rate_ratio: 1.0,
    };
    let right_is_east = match aimed.hemisphere {
        Hemisphere::North => 1.0,
        Hemisphere::South => -1.0,
    };
    AimingCost {
        error: place.about_pole.distance,
        too_high: place.about_pole.up(),
        too_far_east: place.about_pole.right() * right_is_east,
        at_meridian: aimed.drift(equator_on_meridian(site.latitude())),
        worst: aimed.worst_drift(),
    }
}

/// Where the celestial equator crosses the meridian above the horizon.
fn equator_on_meridian(latitude: Angle) -> Direction<Horizon> {
    Direction::new(Vector3::new(0.0, -latitude.sin(), latitude.cos()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::turning::true_pole;

    fn off_by(latitude_deg: f64, too_high: Angle, too_far_east: Angle) -> TurningAxis {
        let latitude = Angle::from_deg(latitude_deg);
        let pole = true_pole(latitude);
        let up = Vector3::z() - pole.vector() * pole.vector().z;
        let shift = up.normalize() * too_high.rad() + Vector3::x() * too_far_east.rad();
        TurningAxis {
            axis: Direction::new(pole.vector() + shift),
            pole,
            hemisphere: if latitude_deg < 0.0 {
                Hemisphere::South
            } else {
                Hemisphere::North
            },
            rate_ratio: 1.0,
        }
    }

    #[test]
    fn axis_too_far_east_drifts_a_star_on_the_south_meridian_south() {
        let axis = off_by(51.5, Angle::ZERO, Angle::from_deg(1.0));
        let drift = axis.drift(equator_on_meridian(Angle::from_deg(51.5)));
        assert!((drift.north.arcsec_per_min() + 15.75).abs() < 0.01);
        assert!(drift.east.arcsec_per_min().abs() < 0.2);
    }

    #[test]
    fn axis_too_high_drifts_a_star_in_the_east_north_and_leaves_the_meridian_alone() {
        let axis = off_by(51.5, Angle::from_deg(1.0), Angle::ZERO);
        let east = Direction::new(Vector3::x());
        assert!((axis.drift(east).north.arcsec_per_min() - 15.75).abs() < 0.01);
        let meridian = axis.drift(equator_on_meridian(Angle::from_deg(51.5)));
        assert!(meridian.speed().arcsec_per_min() < 0.2);
    }

    #[test]
    fn south_of_the_equator_too_far_east_drifts_a_star_on_the_north_meridian_north() {
        let axis = off_by(-35.0, Angle::ZERO, Angle::from_deg(1.0));
        let drift = axis.drift(equator_on_meridian(Angle::from_deg(-35.0)));
        assert!((drift.north.arcsec_per_min() - 15.75).abs() < 0.01);
    }

    #[test]
    fn a_slow_drive_on_a_true_axis_lets_stars_run_west() {
        let mut axis = off_by(40.0, Angle::ZERO, Angle::ZERO);
        axis.rate_ratio = 0.5;
        let drift = axis.drift(equator_on_meridian(Angle::from_deg(40.0)));
        assert!((drift.east.arcsec_per_s() + 7.52).abs() < 0.01);
        assert!(drift.north.arcsec_per_s().abs() < 1e-9);
        assert!((axis.worst_drift().arcsec_per_s() - 7.52).abs() < 0.01);
    }
}
