//! What a lone frame tells: the across part of the axis error, up to the mirror.

use nalgebra::{Matrix2, Matrix2x3, Matrix3, Vector2, Vector3};

use super::drive::NominalRate;
use super::model::{AxisError, axis_off_pole, northern_end};
use super::predict::Exposure;
use super::{AxisEstimate, Ground};
use crate::stars::FrameTrail;
use crate::units::{Angle, AxialAngle, PixelPoint, PixelVector};

/// One frame's answer.
#[derive(Debug, Clone, PartialEq)]
pub struct LoneFrame {
    /// A drive that is grossly wrong, recognised from the trail's length and direction.
    pub rate: Option<NominalRate>,
    /// Axis error up to the mirror; `None` where the drive hides it.
    pub axis: Option<AxisEstimate>,
}

/// How far an axis may be off before the frame says anything: wide, so that what the frame does
/// not tell stays visibly unknown (own choice: 4 degrees).
const AXIS_PRIOR: Angle = Angle::from_deg(4.0);
/// How far the drive may be off (own choice: 5 %), which leaves the along part of the axis error
/// unknown by some 3 degrees.
const RATE_PRIOR: f64 = 0.05;

/// Reads a lone frame's trail.
///
/// Method: 1. a trail that matches what a stopped, half-rate or reversed drive would draw, in
/// length to 6 % and in direction to 4 degrees, is that drive's; 2. else a linear least-squares
/// fit of axis error and drive rate to the trail, with the wide priors above.
/// Output: the axis error for one of the two signs of the trail; the other sign gives the mirror.
pub fn read_lone_frame(
    exposure: &Exposure<'_>,
    ground: &Ground<'_>,
    trail: &FrameTrail,
    center: PixelPoint,
) -> LoneFrame {
    let rate = gross_rate(exposure, ground, trail, center);
    let axis = match rate {
        Some(_) => None,
        None => mirror_axis(exposure, ground, trail, center),
    };
    LoneFrame { rate, axis }
}

fn gross_rate(
    exposure: &Exposure<'_>,
    ground: &Ground<'_>,
    trail: &FrameTrail,
    center: PixelPoint,
) -> Option<NominalRate> {
    let gross = [
        NominalRate::Stopped,
        NominalRate::Half,
        NominalRate::Reversed,
    ];
    gross.into_iter().find(|rate| {
        let expected = exposure.trail(ground, ground.refracted_north(), rate.ratio(), center);
        expected.is_some_and(|expected| {
            let length = expected.length();
            let apart = AxialAngle::of(expected).separation(trail.angle);
            // Too short a trail has no direction to recognise.
            length.px() > 5.0
                && (trail.length.value - length).abs().px()
                    < 0.06 * length.px() + 2.0 * trail.length.sigma.px()
                && apart.deg() < 4.0
        })
    })
}

fn mirror_axis(
    exposure: &Exposure<'_>,
    ground: &Ground<'_>,
    trail: &FrameTrail,
    center: PixelPoint,
) -> Option<AxisEstimate> {
    let trail_for = |up: f64, east: f64, rate: f64| {
        let error = AxisError {
            up: Angle::from_rad(up),
            east: Angle::from_rad(east),
        };
        let axis = axis_off_pole(ground.refracted_pole, error);
        exposure
            .trail(
                ground,
                northern_end(axis, ground.hemisphere()),
                rate,
                center,
            )
            .map(as_vector)
    };
    let base = trail_for(0.0, 0.0, 1.0)?;
    let step = 1e-3;
    let design = Matrix2x3::from_columns(&[
        (trail_for(step, 0.0, 1.0)? - base) / step,
        (trail_for(0.0, step, 1.0)? - base) / step,
        (trail_for(0.0, 0.0, 1.0 + step)? - base) / step,
    ]);
    let noise = trail.covariance;
    let weight = Matrix2::new(noise.xx, noise.xy, noise.xy, noise.yy).try_inverse()?;
    let prior = Vector3::new(AXIS_PRIOR.rad(), AXIS_PRIOR.rad(), RATE_PRIOR);
    let normal =
        design.transpose() * weight * design + Matrix3::from_diagonal(&prior.map(|s| s.powi(-2)));
    let covariance = normal.try_inverse()?;
    let found = covariance * design.transpose() * weight * (as_vector(trail.vector) - base);
    let error = AxisError {
        up: Angle::from_rad(found.x),
        east: Angle::from_rad(found.y),
    };
    Some(AxisEstimate {
        direction: axis_off_pole(ground.refracted_pole, error),
        error,
        covariance: covariance.fixed_view::<2, 2>(0, 0).into(),
        mirror_ambiguous: true,
    })
}

fn as_vector(v: PixelVector) -> Vector2<f64> {
    Vector2::new(v.dx, v.dy)
}
