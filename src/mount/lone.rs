//! What a lone frame tells: the axis error up to the mirror, and only as far as its shapes go.
//!
//! Every trail is the sky's apparent turn seen at that star: `J_i (Omega x s_i) T`. The trail at
//! the centre gives two parts of Omega, the change of the shapes over the frame the third, which
//! turns the field. All of it has one common sign that no single frame can tell.

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, Vector2, Vector3};

use super::drive::NominalRate;
use super::model::{AxisError, axis_off_pole, error_of_axis, northern_end};
use super::predict::Exposure;
use super::slopes::ShapeSlopes;
use super::{AxisEstimate, Doubt, Ground};
use crate::sky::{Direction, Horizon};
use crate::stars::{FrameTrail, StarField};
use crate::units::{Angle, AngularRate, AxialAngle, Measured, PixelPoint, PixelVector};

/// One frame's answer.
#[derive(Debug, Clone, PartialEq)]
pub struct LoneFrame {
    /// A drive that is grossly wrong, recognised from the trail's length and direction.
    pub rate: Option<NominalRate>,
    /// Axis error up to the mirror; `None` where the drive hides it.
    pub axis: Option<AxisEstimate>,
    /// The other axis error that draws the same trails the other way; known as well as the first.
    pub mirror: Option<AxisError>,
    /// Drive rate over sidereal that goes with `axis`, as far as the frame tells it.
    pub drive: Option<Measured<f64>>,
}

/// What is asked of a lone frame.
#[derive(Clone, Copy)]
pub struct LoneQuestion<'a> {
    /// Camera and exposure.
    pub exposure: Exposure<'a>,
    /// Pole and air.
    pub ground: &'a Ground<'a>,
    /// The frame's stars.
    pub field: &'a StarField,
    /// Its trail at the centre.
    pub trail: &'a FrameTrail,
    /// How far the attitude may be off.
    pub doubt: Doubt,
}

/// How far an axis may be off before the frame says anything: wide, so that what the frame does
/// not tell stays visibly unknown (own choice: 4 degrees).
const AXIS_PRIOR: Angle = Angle::from_deg(4.0);
/// How far the drive may be off (own choice: 5 %), which leaves the along part of the axis error
/// unknown by some 3 degrees.
const RATE_PRIOR: f64 = 0.05;
/// Error of the centre's trail that no number of stars takes away, pixels (own estimate).
const TRAIL_FLOOR_PX: f64 = 0.02;
/// Step for derivatives, radians of the axis and parts of the rate.
const STEP: f64 = 1e-4;
const ROUNDS: usize = 8;

/// Reads a lone frame's trails.
///
/// Method: 1. a trail that matches what a stopped, half-rate or reversed drive would draw, in
/// length to 6 % and in direction to 4 degrees, is that drive's; 2. else a least-squares fit of
/// axis error and drive rate to the trail at the centre and to the slopes of the stars'
/// elongations over the frame, with the wide priors above, once for each sign of the trail.
/// Output: of the two answers the one with the smaller misfit as `axis`; it is no better than the
/// other, `mirror`.
pub fn read_lone_frame(question: &LoneQuestion<'_>) -> LoneFrame {
    let rate = question.gross_rate();
    let mut lone = LoneFrame {
        rate,
        axis: None,
        mirror: None,
        drive: None,
    };
    if rate.is_some() {
        return lone;
    }
    let slopes = ShapeSlopes::of(question.field);
    let answer = |sign: f64| question.fit(sign, slopes.as_ref());
    let (Some(one), Some(other)) = (answer(1.0), answer(-1.0)) else {
        return lone;
    };
    let (best, mirror) = if one.misfit <= other.misfit {
        (one, other)
    } else {
        (other, one)
    };
    lone.axis = Some(question.estimate(&best));
    lone.mirror = Some(mirror.error(question.ground));
    lone.drive = Some(best.rate());
    lone
}

/// A fit for one sign of the trail: up, east, rate minus one.
struct Answer {
    found: Vector3<f64>,
    covariance: Matrix3<f64>,
    misfit: f64,
}

/// The axis that stands off the pole by the first two parameters, on the plane that touches there.
fn axis_at(ground: &Ground<'_>, p: &Vector3<f64>) -> Direction<Horizon> {
    let (up, east) = (Angle::from_rad(p.x), Angle::from_rad(p.y));
    axis_off_pole(ground.refracted_pole, AxisError { up, east })
}

impl Answer {
    /// As altitude and azimuth, which differ from the parameters by some per cent of large errors.
    fn error(&self, ground: &Ground<'_>) -> AxisError {
        error_of_axis(axis_at(ground, &self.found), ground.refracted_pole)
    }

    fn rate(&self) -> Measured<f64> {
        Measured::new(1.0 + self.found.z, self.covariance[(2, 2)].sqrt())
    }
}

impl LoneQuestion<'_> {
    fn center(&self) -> PixelPoint {
        self.field.center()
    }

    fn gross_rate(&self) -> Option<NominalRate> {
        let gross = [
            NominalRate::Stopped,
            NominalRate::Half,
            NominalRate::Reversed,
        ];
        let (ground, trail) = (self.ground, self.trail);
        gross.into_iter().find(|rate| {
            let north = ground.refracted_north();
            let expected = self
                .exposure
                .trail(ground, north, rate.ratio(), self.center());
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

    /// Trail at a place for an axis error and a rate.
    fn trail_at(&self, p: &Vector3<f64>, place: PixelPoint) -> Option<PixelVector> {
        let axis = axis_at(self.ground, p);
        let north = northern_end(axis, self.ground.hemisphere());
        self.exposure.trail(self.ground, north, 1.0 + p.z, place)
    }

    /// Centre's trail and slopes that the parameters would show.
    fn model(&self, p: &Vector3<f64>, slopes: Option<&ShapeSlopes>) -> Option<DVector<f64>> {
        let center = self.trail_at(p, self.center())?;
        let mut values = vec![center.dx, center.dy];
        if let Some(slopes) = slopes {
            let trails = slopes.places().iter().map(|&place| self.trail_at(p, place));
            values.extend(slopes.of_trails(trails)?.iter());
        }
        Some(DVector::from_vec(values))
    }

    /// Gauss-Newton from the pole, for one sign of the centre's trail.
    fn fit(&self, sign: f64, slopes: Option<&ShapeSlopes>) -> Option<Answer> {
        let (data, weight) = self.data(sign, slopes)?;
        let prior = Vector3::new(AXIS_PRIOR.rad(), AXIS_PRIOR.rad(), RATE_PRIOR)
            .map(|sigma: f64| sigma.powi(-2));
        let mut found = self.by_center(sign)?;
        let mut covariance = Matrix3::identity();
        for _ in 0..ROUNDS {
            let base = self.model(&found, slopes)?;
            let design = self.derivatives(&found, &base, slopes)?;
            let weighted = design.transpose() * &weight;
            let normal: Matrix3<f64> =
                (&weighted * &design).fixed_view::<3, 3>(0, 0) + Matrix3::from_diagonal(&prior);
            covariance = normal.try_inverse()?;
            let right = weighted * (&data - base);
            let right: Vector3<f64> = right.fixed_rows::<3>(0) - prior.component_mul(&found);
            found += covariance * right;
        }
        let rest = &data - self.model(&found, slopes)?;
        let misfit =
            (rest.transpose() * &weight * &rest)[0] + prior.dot(&found.component_mul(&found));
        Some(Answer {
            found,
            covariance,
            misfit,
        })
    }

    /// What the centre's trail alone says: the start of the fit.
    fn by_center(&self, sign: f64) -> Option<Vector3<f64>> {
        let nothing = Vector3::zeros();
        let base = self.model(&nothing, None)?;
        let design = self.derivatives(&nothing, &base, None)?;
        let (data, weight) = self.data(sign, None)?;
        let prior = Vector3::new(AXIS_PRIOR.rad(), AXIS_PRIOR.rad(), RATE_PRIOR)
            .map(|sigma: f64| sigma.powi(-2));
        let weighted = design.transpose() * weight;
        let normal: Matrix3<f64> =
            (&weighted * &design).fixed_view::<3, 3>(0, 0) + Matrix3::from_diagonal(&prior);
        let right = weighted * (data - base);
        Some(normal.try_inverse()? * right.fixed_rows::<3>(0))
    }

    fn derivatives(
        &self,
        at: &Vector3<f64>,
        base: &DVector<f64>,
        slopes: Option<&ShapeSlopes>,
    ) -> Option<DMatrix<f64>> {
        let mut design = DMatrix::zeros(base.len(), 3);
        for part in 0..3 {
            let mut moved = *at;
            moved[part] += STEP;
            let change = (self.model(&moved, slopes)? - base) / STEP;
            design.set_column(part, &change);
        }
        Some(design)
    }

    /// Measured values and the inverse of their covariance.
    fn data(
        &self,
        sign: f64,
        slopes: Option<&ShapeSlopes>,
    ) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let size = if slopes.is_some() { 6 } else { 2 };
        let mut values = DVector::zeros(size);
        let mut weight = DMatrix::zeros(size, size);
        let vector = self.trail.vector * sign;
        values
            .fixed_rows_mut::<2>(0)
            .copy_from(&Vector2::new(vector.dx, vector.dy));
        let noise = self.trail.covariance;
        let floor = Matrix2::identity() * TRAIL_FLOOR_PX.powi(2);
        let noise = Matrix2::new(noise.xx, noise.xy, noise.xy, noise.yy) + floor;
        let center = noise.try_inverse()?;
        weight.fixed_view_mut::<2, 2>(0, 0).copy_from(&center);
        if let Some(slopes) = slopes {
            values.fixed_rows_mut::<4>(2).copy_from(&slopes.measured);
            let inverse = slopes.covariance.try_inverse()?;
            weight.fixed_view_mut::<4, 4>(2, 2).copy_from(&inverse);
        }
        Some((values, weight))
    }

    fn estimate(&self, answer: &Answer) -> AxisEstimate {
        let error = answer.error(self.ground);
        let covariance: Matrix2<f64> = answer.covariance.fixed_view::<2, 2>(0, 0).into();
        // An attitude that is off turns the sky's apparent turn with it: at least as much of it
        // as the trail shows.
        let turned = AngularRate::SIDEREAL.over(self.exposure.length).rad();
        let shown = self.trail.length.value.px() / self.exposure.lens.focal_px / turned;
        let by_attitude = error.total().rad().max(shown) * self.doubt.attitude.rad();
        let by_clock = error.total().rad() * self.doubt.clock.rad();
        AxisEstimate {
            direction: axis_at(self.ground, &answer.found),
            error,
            covariance: covariance + Matrix2::identity() * (by_attitude.powi(2) + by_clock.powi(2)),
            mirror_ambiguous: true,
        }
    }
}
