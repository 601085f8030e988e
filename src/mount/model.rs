//! Forward model: how the sky moves for a camera on a turning, misaligned axis. Knows no fitting.
//!
//! Everything is a vector in the horizon frame (x east, y north, z up). The sky turns about the
//! north celestial pole `N` by `-w`; a tracker whose axis is `a` (reported towards the pole above
//! the horizon) turns the camera about `a_N`, the end of the axis nearer to `N`, by `-r w`.
//! A star therefore moves relative to the camera at `w (r a_N - N) x s`.

use nalgebra::{Rotation3, Vector3};

use crate::sky::{Direction, Horizon};
use crate::units::{Angle, AngularRate, Hemisphere};

/// Where an axis points, against the pole that it should point at.
///
/// Parts are on the sky: `up` towards the zenith, `east` towards the east point of the horizon,
/// whichever pole stands above the horizon.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisError {
    /// Altitude of the axis minus altitude of the pole.
    pub up: Angle,
    /// Azimuth part on the sky, east positive.
    pub east: Angle,
}

impl AxisError {
    /// Length of the error on the sky.
    pub fn total(self) -> Angle {
        Angle::from_rad(self.up.rad().hypot(self.east.rad()))
    }
}

/// How a star moves relative to the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyDrift {
    /// Towards the east on the sky.
    pub east: AngularRate,
    /// Towards the north celestial pole.
    pub north: AngularRate,
    /// Turning of the field about the line of sight, right-handed about the direction to the star.
    pub rotation: AngularRate,
}

/// The north celestial pole of a latitude, airless.
pub fn north_pole(latitude: Angle) -> Vector3<f64> {
    Vector3::new(0.0, latitude.cos(), latitude.sin())
}

/// The end of an axis that lies on the north celestial pole's side.
pub fn northern_end(axis: Direction<Horizon>, hemisphere: Hemisphere) -> Vector3<f64> {
    match hemisphere {
        Hemisphere::North => axis.vector(),
        Hemisphere::South => -axis.vector(),
    }
}

/// The axis that stands off a pole by the given error: `pole + up + east`, made a unit vector.
///
/// Source: sign convention of DEVELOPERS.md; `testdata/published/drift_per_minute.csv` uses the same.
pub fn axis_off_pole(pole: Direction<Horizon>, error: AxisError) -> Direction<Horizon> {
    let (up, east) = tangent_at(pole);
    Direction::new(pole.vector() + up * error.up.rad() + east * error.east.rad())
}

/// The error of an axis against a pole: difference of altitudes, and of azimuths times the cosine
/// of the pole's altitude, east positive.
pub fn error_of_axis(axis: Direction<Horizon>, pole: Direction<Horizon>) -> AxisError {
    let (axis_azimuth, axis_altitude) = axis.az_alt();
    let (pole_azimuth, pole_altitude) = pole.az_alt();
    let clockwise = (axis_azimuth - pole_azimuth).wrapped_signed() * pole_altitude.cos();
    let facing_north = pole.vector().y >= 0.0;
    AxisError {
        up: axis_altitude - pole_altitude,
        east: if facing_north { clockwise } else { -clockwise },
    }
}

/// Unit vectors up and east at a pole on the meridian.
pub fn tangent_at(pole: Direction<Horizon>) -> (Vector3<f64>, Vector3<f64>) {
    let pole = pole.vector();
    let east = Vector3::x();
    let up = (Vector3::z() - pole * pole.z).normalize();
    (up, east)
}

/// Spin of the stars relative to the camera, `w (r a_N - N)`, radians a second in the horizon frame.
///
/// `axis_north` is the end of the axis that [`northern_end`] gives.
pub fn relative_spin(
    north_pole: Vector3<f64>,
    axis_north: Vector3<f64>,
    rate_ratio: f64,
) -> Vector3<f64> {
    (axis_north * rate_ratio - north_pole) * AngularRate::SIDEREAL.rad_per_s()
}

/// Drift of a star relative to the camera, without refraction.
///
/// Method: `spin x s`, read along the celestial east and north of the star. `None` within a
/// millionth of a degree of the celestial pole, where east has no meaning.
pub fn drift_of(
    star: Vector3<f64>,
    north_pole: Vector3<f64>,
    spin: Vector3<f64>,
) -> Option<SkyDrift> {
    let east = north_pole.cross(&star).try_normalize(1e-8)?;
    let north = star.cross(&east);
    let motion = spin.cross(&star);
    Some(SkyDrift {
        east: AngularRate::from_rad_per_s(motion.dot(&east)),
        north: AngularRate::from_rad_per_s(motion.dot(&north)),
        rotation: AngularRate::from_rad_per_s(spin.dot(&star)),
    })
}

/// A star's direction from hour angle (west positive) and declination at a latitude, airless.
pub fn star_at(latitude: Angle, hour_angle: Angle, declination: Angle) -> Vector3<f64> {
    let pole = north_pole(latitude);
    let meridian = Vector3::new(0.0, -latitude.sin(), latitude.cos());
    meridian * (declination.cos() * hour_angle.cos())
        - Vector3::x() * (declination.cos() * hour_angle.sin())
        + pole * declination.sin()
}

/// The camera's turn over the ground when the drive has turned by `drive_angle` (positive with the sky).
pub fn drive_turn(axis_north: Vector3<f64>, drive_angle: Angle) -> Rotation3<f64> {
    Rotation3::new(axis_north * -drive_angle.rad())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Drift north (arcsec a minute) of a star for an axis error in degrees at latitude 40 north.
    fn northward(up: f64, east: f64, hour_angle: f64) -> f64 {
        let latitude = Angle::from_deg(40.0);
        let pole = Direction::new(north_pole(latitude));
        let error = AxisError {
            up: Angle::from_deg(up),
            east: Angle::from_deg(east),
        };
        let axis = northern_end(axis_off_pole(pole, error), Hemisphere::North);
        let spin = relative_spin(north_pole(latitude), axis, 1.0);
        let star = star_at(latitude, Angle::from_deg(hour_angle), Angle::ZERO);
        drift_of(star, north_pole(latitude), spin)
            .unwrap()
            .north
            .arcsec_per_min()
    }

    #[test]
    fn drift_rule_has_its_four_directions_and_its_size() {
        assert!(
            (northward(0.0, 1.0, 0.0) + 15.75).abs() < 0.01,
            "east of the pole: southward due south"
        );
        assert!(
            (northward(0.0, -1.0, 0.0) - 15.75).abs() < 0.01,
            "west of the pole: northward due south"
        );
        assert!(
            (northward(1.0, 0.0, -90.0) - 15.75).abs() < 0.01,
            "too high: northward in the east"
        );
        assert!(
            (northward(-1.0, 0.0, -90.0) + 15.75).abs() < 0.01,
            "too low: southward in the east"
        );
    }

    #[test]
    fn axis_error_survives_the_round_trip_at_both_poles() {
        for latitude in [51.5, -33.9] {
            let north = north_pole(Angle::from_deg(latitude));
            let pole = Direction::new(if latitude > 0.0 { north } else { -north });
            let error = AxisError {
                up: Angle::from_arcmin(-12.0),
                east: Angle::from_arcmin(7.0),
            };
            let back = error_of_axis(axis_off_pole(pole, error), pole);
            assert!((back.up - error.up).abs().arcmin() < 0.05);
            assert!((back.east - error.east).abs().arcmin() < 0.05);
        }
    }
}
