//! Time, place and the catalogue in, directions out: apparent places, horizon coordinates,
//! refraction, the pole. Knows no pixels.
//!
//! `Observer::new(site, atmosphere).at(utc)` gives a [`SkyAt`]: computed once an instant, cheap for
//! every star. [`turning`] answers what needs no clock.

mod aiming;
mod night;
mod observer;
mod pole;
mod precession;
mod refraction;
mod time;
mod told;
pub mod turning;

pub use aiming::{AimingCost, SkyDrift, TurningAxis, cost_of_aiming_at_star};
pub use night::{DARK_SUN_ALTITUDE, Darkness};
pub use observer::{Observer, SkyAt, position_angle};
pub use pole::{PlaceAboutPole, PoleStar, PoleStarPlace, pole_star_place};
pub use precession::{CatalogueStar, mean_place};
pub use refraction::{Atmosphere, Bending, Refraction};
pub use time::{JulianDate, LARGEST_UT1_MINUS_UTC, TimeScales, Ut1};
pub use told::{ToldPlace, told_places};
pub use turning::evolve;

pub mod rotation;

pub mod catalogue;
pub(crate) mod cells;

use std::marker::PhantomData;

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};

use crate::units::Angle;

/// Frame of reference: the International Celestial Reference System (catalogue places).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Icrs;
/// Frame of reference: the horizon of a site, x east, y north, z up. Directions may be airless or
/// refracted; the function that makes them says which.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Horizon;
/// Frame of reference: the camera, x to the right of the picture, y down, z into the scene.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Camera;
/// Frame of reference: local equatorial, X = meridian at declination 0 (towards the zenith's side),
/// Y = east, Z = celestial pole above the horizon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LocalEquatorial;

/// A unit vector in the frame of reference `F`.
#[derive(Debug, PartialEq)]
pub struct Direction<F> {
    vector: Unit<Vector3<f64>>,
    frame: PhantomData<F>,
}

impl<F> Clone for Direction<F> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<F> Copy for Direction<F> {}

impl<F> Direction<F> {
    /// From any vector that is not zero; its length is dropped.
    pub fn new(vector: Vector3<f64>) -> Self {
        Self {
            vector: Unit::new_normalize(vector),
            frame: PhantomData,
        }
    }
    /// The unit vector.
    pub fn vector(self) -> Vector3<f64> {
        self.vector.into_inner()
    }
    /// Angle to another direction of the same frame, [0, 180] degrees; precise for tiny angles too.
    pub fn separation(self, other: Self) -> Angle {
        let cross = self.vector().cross(&other.vector()).norm();
        Angle::from_rad(cross.atan2(self.vector().dot(&other.vector())))
    }
}

impl Direction<Icrs> {
    /// From right ascension and declination.
    pub fn from_ra_dec(ra: Angle, dec: Angle) -> Self {
        Self::new(Vector3::new(
            dec.cos() * ra.cos(),
            dec.cos() * ra.sin(),
            dec.sin(),
        ))
    }
    /// Right ascension in [0, 360) degrees and declination.
    pub fn ra_dec(self) -> (Angle, Angle) {
        let v = self.vector();
        let ra = Angle::from_rad(v.y.atan2(v.x)).wrapped_positive();
        (ra, Angle::from_rad(v.z.atan2(v.x.hypot(v.y))))
    }
}

impl Direction<Horizon> {
    /// From azimuth (north through east) and altitude.
    pub fn from_az_alt(azimuth: Angle, altitude: Angle) -> Self {
        Self::new(Vector3::new(
            altitude.cos() * azimuth.sin(),
            altitude.cos() * azimuth.cos(),
            altitude.sin(),
        ))
    }
    /// Azimuth in [0, 360) degrees, north through east, and altitude.
    pub fn az_alt(self) -> (Angle, Angle) {
        let v = self.vector();
        let azimuth = Angle::from_rad(v.x.atan2(v.y)).wrapped_positive();
        (azimuth, Angle::from_rad(v.z.atan2(v.x.hypot(v.y))))
    }
}

/// A rotation that takes directions of the frame `From` to the frame `To`.
#[derive(Debug, PartialEq)]
pub struct Rotation<From, To> {
    rotation: Rotation3<f64>,
    frames: PhantomData<(From, To)>,
}

impl<From, To> Clone for Rotation<From, To> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<From, To> Copy for Rotation<From, To> {}

impl<From, To> Rotation<From, To> {
    /// From a rotation matrix that is already orthogonal.
    pub fn new(rotation: Rotation3<f64>) -> Self {
        Self {
            rotation,
            frames: PhantomData,
        }
    }
    /// The rotation nearest to a matrix that is orthogonal up to rounding.
    ///
    /// Method: singular value decomposition, with the handedness kept (Kabsch 1976); `None` for a
    /// matrix without one.
    pub fn nearest(matrix: &Matrix3<f64>) -> Option<Self> {
        let svd = matrix.svd(true, true);
        let (u, v_t) = (svd.u?, svd.v_t?);
        let handed = Vector3::new(1.0, 1.0, (u * v_t).determinant().signum());
        let rotation = u * Matrix3::from_diagonal(&handed) * v_t;
        rotation
            .iter()
            .all(|part| part.is_finite())
            .then(|| Self::new(Rotation3::from_matrix_unchecked(rotation)))
    }
    /// The bare rotation.
    pub fn inner(&self) -> &Rotation3<f64> {
        &self.rotation
    }
    /// The same direction seen in the other frame.
    pub fn apply(&self, direction: Direction<From>) -> Direction<To> {
        Direction::new(self.rotation * direction.vector())
    }
    /// The way back.
    pub fn inverse(&self) -> Rotation<To, From> {
        Rotation::new(self.rotation.inverse())
    }
    /// First `self`, then `next`.
    pub fn then<Next>(&self, next: &Rotation<To, Next>) -> Rotation<From, Next> {
        Rotation::new(next.rotation * self.rotation)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_turn_is_its_own_nearest_rotation() {
        // Columns right = west, down, forward = south: a level camera that faces south.
        let facing_south = Matrix3::new(-1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, -1.0, 0.0);
        let rotation = Rotation::<Camera, Horizon>::nearest(&facing_south).unwrap();
        assert!((rotation.inner().matrix() - facing_south).norm() < 1e-12);
    }
}
