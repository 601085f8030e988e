//! What frames not yet taken would tell about the axis: their Fisher information in the model.
//!
//! The same equations as `invert`, at the axis as it is known, with drive angles free and each
//! stretch's reference error eliminated; covariances of attitudes are those of the frames at hand.

use nalgebra::{Matrix2, Matrix2x3, Matrix3, Matrix3x2, Rotation3, Vector3};

use super::invert::{FrameTurn, REFERENCE_SIGMA, Stretch, tangent_basis};
use crate::identify::attitude::{information, systematic_floor};
use crate::identify::lens::Lens;
use crate::sky::rotation::{left_jacobian, rotation_vector, skew};
use crate::sky::{Camera, Horizon, Rotation};
use crate::stars::StarField;

/// Information of one stretch on axis and reference error.
#[derive(Debug, Clone, Copy)]
pub struct StretchInformation {
    axis: Matrix2<f64>,
    cross: Matrix2x3<f64>,
    reference: Matrix3<f64>,
}

/// The line that all is linearised about.
#[derive(Debug, Clone, Copy)]
pub struct Linearised {
    /// Northern end of the axis.
    axis: Vector3<f64>,
    basis: Matrix3x2<f64>,
}

impl Linearised {
    /// About an axis, given by its northern end.
    pub fn about(axis_north: Vector3<f64>) -> Self {
        Self {
            axis: axis_north,
            basis: tangent_basis(axis_north),
        }
    }

    /// Information of frames at hand.
    pub fn of_stretch(&self, stretch: &Stretch) -> StretchInformation {
        let mut sum = StretchInformation::empty();
        for turn in &stretch.turns {
            self.add(&mut sum, self.angle_of(turn), &turn.covariance);
        }
        sum
    }

    /// Drive angle of a frame at hand, radians.
    pub fn angle_of(&self, turn: &FrameTurn) -> f64 {
        -rotation_vector(&turn.turn).dot(&self.axis)
    }

    /// Adds a frame at a drive angle, its attitude known to `covariance` (horizon frame).
    pub fn add(&self, sum: &mut StretchInformation, angle: f64, covariance: &Matrix3<f64>) {
        let Some(weight) = covariance.try_inverse() else {
            return;
        };
        let along = weight * self.axis;
        // The drive angle takes up whatever lies along the axis.
        let weight = weight - along * along.transpose() / self.axis.dot(&along);
        let to_axis = left_jacobian(self.axis * -angle) * self.basis * -angle;
        let to_reference = *Rotation3::new(self.axis * -angle).matrix();
        let axis_t = to_axis.transpose();
        sum.axis += axis_t * weight * to_axis;
        sum.cross += axis_t * weight * to_reference;
        sum.reference += to_reference.transpose() * weight * to_reference;
    }
}

impl StretchInformation {
    /// Of no frame.
    pub fn empty() -> Self {
        Self {
            axis: Matrix2::zeros(),
            cross: Matrix2x3::zeros(),
            reference: Matrix3::identity() * REFERENCE_SIGMA.powi(-2),
        }
    }

    /// Information on the axis alone, along (up, east), with the reference error eliminated.
    pub fn on_axis(&self) -> Matrix2<f64> {
        let left = self
            .reference
            .try_inverse()
            .map_or(Matrix2::zeros(), |inverse| {
                self.cross * inverse * self.cross.transpose()
            });
        self.axis - left
    }
}

/// Covariance of an attitude in the camera's own frame, from one that is known over the ground.
pub fn in_camera(covariance: &Matrix3<f64>, attitude: &Rotation<Camera, Horizon>) -> Matrix3<f64> {
    let turn = attitude.inner().matrix();
    turn.transpose() * covariance * turn
}

/// The reverse of [`in_camera`], for a camera that looks elsewhere.
pub fn over_ground(
    covariance: &Matrix3<f64>,
    attitude: &Rotation<Camera, Horizon>,
) -> Matrix3<f64> {
    let turn = attitude.inner().matrix();
    turn * covariance * turn.transpose()
}

/// Covariance, in the camera's frame, of the attitude that another frame with the same stars would have.
///
/// Every star counts with its own sigma; `None` with fewer than four of them.
pub fn expected_covariance(field: &StarField, lens: &Lens) -> Option<Matrix3<f64>> {
    let mut sum = Matrix3::zeros();
    let mut n_stars = 0;
    for star in &field.stars {
        let direction = lens.direction(star.position);
        let to_pixels = lens.jacobian(direction) * skew(direction.vector());
        sum += to_pixels.transpose() * information(star) * to_pixels;
        n_stars += 1;
    }
    let covariance = sum.try_inverse().filter(|_| n_stars >= 4)?;
    let floor = systematic_floor(lens, &Rotation::new(Rotation3::identity()));
    Some(covariance + floor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mount::invert::fit_axis;
    use crate::units::{Angle, AngularRate};

    #[test]
    fn foreseen_information_is_that_of_the_fit() {
        let pole = Vector3::new(0.0, 0.6, 0.8);
        let sight = Vector3::new(0.3, -0.8, 0.5).normalize();
        let covariance = Matrix3::identity() * 1e-12 + sight * sight.transpose() * 1e-9;
        let spin = AngularRate::SIDEREAL.rad_per_s();
        let turns = [-70.0, 0.0, 70.0, 150.0]
            .iter()
            .enumerate()
            .map(|(frame, t)| FrameTurn {
                frame,
                mid: *t,
                turn: Rotation3::new(pole * (-spin * t)),
                covariance,
            });
        let stretch = Stretch {
            turns: turns.collect(),
        };
        let fit = fit_axis(std::slice::from_ref(&stretch), pole).unwrap();
        let foreseen = Linearised::about(pole).of_stretch(&stretch).on_axis();
        let found = (foreseen + Matrix2::identity() * 4.0)
            .try_inverse()
            .unwrap();
        let unscaled = fit.covariance / fit.residual_scale();
        let off = (found - unscaled).norm() / unscaled.norm();
        assert!(off < 1e-6, "{off}");
        // The part along the line of sight is the weak one.
        assert!(Angle::from_rad(found[(0, 0)].sqrt()).arcmin() > 1.0);
    }
}
