//! The trail that a known axis and drive draw in one exposure, split by who draws it.

use nalgebra::{Matrix2, Matrix2x3, Matrix3, Rotation3, Vector2, Vector3};

use super::Ground;
use super::invert::tangent_basis;
use super::model::drive_turn;
use crate::identify::lens::Lens;
use crate::sky::{Camera, Horizon, Rotation};
use crate::stars::FrameTrail;
use crate::units::{AngularRate, Measured, PixelPoint, PixelTensor, PixelVector, Pixels, Seconds};

/// A trail from the start to the end of an exposure, and its parts, which add up to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrailParts {
    /// The whole trail, with its true sign.
    pub total: PixelVector,
    /// What the axis's error alone draws with a perfect drive.
    pub axis: PixelVector,
    /// What the drive's rate adds.
    pub drive: PixelVector,
    /// What changing refraction draws with a perfect axis and drive.
    pub refraction: PixelVector,
}

/// One exposure, as the mount sees it.
#[derive(Debug, Clone, Copy)]
pub struct Exposure<'a> {
    /// The lens.
    pub lens: &'a Lens,
    /// The camera at mid exposure.
    pub attitude: Rotation<Camera, Horizon>,
    /// Length of the exposure.
    pub length: Seconds,
}

impl Exposure<'_> {
    /// Trail of the star that stands on `pixel` at mid exposure.
    ///
    /// `axis_north` is the northern end of the axis, `rate_ratio` the drive's rate over sidereal.
    /// `None` where the star leaves the lens's field during the exposure.
    pub fn trail(
        &self,
        ground: &Ground<'_>,
        axis_north: Vector3<f64>,
        rate_ratio: f64,
        pixel: PixelPoint,
    ) -> Option<PixelVector> {
        let now = self.attitude.apply(self.lens.direction(pixel));
        let place_after = |after: Seconds| {
            let turned = drive_turn(axis_north, AngularRate::SIDEREAL.over(after) * rate_ratio);
            let camera: Rotation<Camera, Horizon> =
                Rotation::new(Rotation3::from(turned) * self.attitude.inner());
            self.lens
                .pixel(camera.inverse().apply((ground.evolve)(now, after)))
        };
        let half = self.length / 2.0;
        Some(place_after(half)? - place_after(-half)?)
    }

    /// The same trail split into the parts of axis, drive and refraction.
    pub fn trail_parts(
        &self,
        ground: &Ground<'_>,
        axis_north: Vector3<f64>,
        rate_ratio: f64,
        pixel: PixelPoint,
    ) -> Option<TrailParts> {
        let refraction = self.trail(ground, ground.refracted_north(), 1.0, pixel)?;
        let driven = self.trail(ground, axis_north, 1.0, pixel)?;
        let total = self.trail(ground, axis_north, rate_ratio, pixel)?;
        Some(TrailParts {
            total,
            axis: driven - refraction,
            drive: total - driven,
            refraction,
        })
    }
}

/// Step for derivatives, radians of the axis and parts of the rate.
const STEP: f64 = 1e-4;

impl Exposure<'_> {
    /// Covariance of [`Self::trail`] by what is not known about axis (up, east) and rate, which
    /// count as independent.
    pub fn trail_covariance(
        &self,
        ground: &Ground<'_>,
        axis_north: Vector3<f64>,
        axis_covariance: &Matrix2<f64>,
        rate: Measured<f64>,
        pixel: PixelPoint,
    ) -> Option<PixelTensor> {
        let trail = |axis: Vector3<f64>, rate: f64| {
            let trail = self.trail(ground, axis.normalize(), rate, pixel)?;
            Some(Vector2::new(trail.dx, trail.dy))
        };
        let base = trail(axis_north, rate.value)?;
        let basis = tangent_basis(axis_north);
        let by_axis = |part: usize| {
            let moved = axis_north + basis.column(part) * STEP;
            Some((trail(moved, rate.value)? - base) / STEP)
        };
        let by_rate = (trail(axis_north, rate.value + STEP)? - base) / STEP;
        let design = Matrix2x3::from_columns(&[by_axis(0)?, by_axis(1)?, by_rate]);
        let mut known = Matrix3::zeros();
        known
            .fixed_view_mut::<2, 2>(0, 0)
            .copy_from(axis_covariance);
        known[(2, 2)] = rate.sigma * rate.sigma;
        let c = design * known * design.transpose();
        Some(PixelTensor::new(c[(0, 0)], c[(0, 1)], c[(1, 1)]))
    }
}

/// A frame's own trail against what the motion between frames says it should be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnMotion {
    /// Measured minus expected along the daily motion, with the sigma of both.
    pub along: Measured<Pixels>,
    /// The same across it.
    pub across: Measured<Pixels>,
}

impl OwnMotion {
    /// Compares a measured trail, whose sign means nothing, with the expected one.
    ///
    /// `line` is the unit vector of the daily motion on the frame. The sign that leaves less is
    /// taken. A trail that is not seen has no direction: its length's sigma holds for both parts.
    pub fn of(
        measured: &FrameTrail,
        expected: PixelVector,
        uncertainty: PixelTensor,
        line: PixelVector,
    ) -> Self {
        let (plus, minus) = (measured.vector - expected, measured.vector + expected);
        let rest = if plus.length() < minus.length() {
            plus
        } else {
            minus
        };
        let length = measured.length;
        let own = if length.value < length.sigma * UNSEEN {
            let variance = length.sigma.px().powi(2).max(length.value.px().powi(2));
            PixelTensor::new(variance, 0.0, variance)
        } else {
            measured.covariance
        };
        let part = |ux: f64, uy: f64| {
            let along = |c: PixelTensor| c.xx * ux * ux + 2.0 * c.xy * ux * uy + c.yy * uy * uy;
            let variance = along(own) + along(uncertainty);
            Measured::new(
                Pixels::new(rest.dx * ux + rest.dy * uy),
                Pixels::new(variance.max(0.0).sqrt()),
            )
        };
        Self {
            along: part(line.dx, line.dy),
            across: part(-line.dy, line.dx),
        }
    }
}

/// A trail shorter than this many of its sigmas is not seen.
const UNSEEN: f64 = 2.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Angle;

    fn trail(dx: f64, dy: f64, sigma: f64) -> FrameTrail {
        let vector = PixelVector::new(dx, dy);
        FrameTrail::seen(vector, sigma, Angle::from_deg(1.0))
    }

    #[test]
    fn a_trail_has_no_sign_and_its_errors_add_to_those_of_the_prediction() {
        let line = PixelVector::new(1.0, 0.0);
        let known = PixelTensor::new(0.0, 0.0, 0.16);
        let own = OwnMotion::of(
            &trail(3.0, 0.5, 0.3),
            PixelVector::new(-2.0, 0.0),
            known,
            line,
        );
        assert!((own.along.value.px() - 1.0).abs() < 1e-12);
        assert!((own.across.value.px() - 0.5).abs() < 1e-12);
        assert!((own.along.sigma.px() - 0.3).abs() < 1e-12);
        assert!((own.across.sigma.px() - 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_trail_that_is_not_seen_agrees_with_a_short_one() {
        let line = PixelVector::new(0.0, 1.0);
        let none = PixelTensor::default();
        let mut unseen = trail(0.3, 0.0, 0.01);
        unseen.length.sigma = Pixels::new(0.4);
        let own = OwnMotion::of(&unseen, PixelVector::new(0.0, 0.3), none, line);
        assert!(own.along.value.abs() < own.along.sigma);
        assert!(own.across.value.abs() < own.across.sigma);
    }
}
