//! Forward model: how the sky moves for a camera on a turning, misaligned axis. Knows no fitting.
//!
//! Everything is a vector in the horizon frame (x east, y north, z up). The sky turns about the
//! north celestial pole `N` by `-w`; a tracker whose axis is `a` (reported towards the pole above
//! the horizon) turns the camera about `a_N`, the end of the axis nearer to `N`, by `-r w`.
//! A star therefore moves relative to the camera at `w (r a_N - N) x s`.

use nalgebra::{Rotation3, Vector3};

use crate::sky::{Direction, Horizon};
use crate::units::{Angle, Hemisphere};

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

/// The camera's turn over the ground when the drive has turned by `drive_angle` (positive with the sky).
pub fn drive_turn(axis_north: Vector3<f64>, drive_angle: Angle) -> Rotation3<f64> {
    Rotation3::new(axis_north * -drive_angle.rad())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::turning::true_pole;

    #[test]
    fn axis_error_survives_the_round_trip_at_both_poles() {
        for latitude in [51.5, -33.9] {
            let pole = true_pole(Angle::from_deg(latitude));
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
