//! The frame's trail: from the stars' shapes where it is short, from fitted segments where it is long.

use super::calibration::Calibration;
use super::elongation::{ElongationFit, FEWEST_STARS, ROUNDNESS_FLOOR};
use super::field::{VectorField, principal_variances};
use super::{FrameTrail, LensShape, Star, Stretch};
use crate::units::{Angle, AxialAngle, Measured, PixelPoint, PixelTensor, PixelVector, Pixels};

/// Error of the calibration from elongation to length, share of the elongation: measured on drawn
/// pictures, 1 % at S/N 60 and 3 % at S/N 15.
const CALIBRATION_ERROR: f64 = 0.03;

/// The trail of a frame whose stars are longer than they are wide.
pub(super) fn long_trail(field: &VectorField, center: PixelPoint) -> Option<FrameTrail> {
    if field.n_samples < FEWEST_STARS {
        return None;
    }
    let vector = forward(field.at(center));
    let length = vector.length().px();
    let v = field.covariance;
    let (along, across) = principal_variances(v, vector);
    let (along, across) = (along.max(0.0).sqrt(), across.max(0.0).sqrt());
    Some(FrameTrail {
        vector,
        covariance: v,
        length: Measured::new(Pixels::new(length), Pixels::new(along)),
        angle: AxialAngle::of(vector),
        angle_sigma: Angle::from_rad(across / length),
        n_stars: field.n_samples,
    })
}

fn forward(vector: PixelVector) -> PixelVector {
    if vector.dx < 0.0 { -vector } else { vector }
}

/// What the shapes of short trails tell.
pub(super) struct ShortTrail {
    pub(super) trail: FrameTrail,
    /// The lens's own pattern; `None` with too few stars to tell it from the trail.
    pub(super) lens: Option<LensShape>,
}

/// The trail of a frame whose stars are about as long as they are wide, from the elongation field.
///
/// Method: the two components of the elongation, Qxx - Qyy and 2 Qxy, are averaged with their signs
/// (mean elongations would be biased up); a smooth field with the lens's radial pattern gives their
/// values at the centre, where a lens leaves none; their length, with the noise's share taken off, gives L^2
/// by the calibration (about L^2 / 12).
pub(super) fn short_trail(
    stars: &[&Star],
    center: PixelPoint,
    scale: f64,
    calibration: &Calibration,
) -> Option<ShortTrail> {
    let elongation = ElongationFit::of(stars, center, scale)?;
    let floor = elongation.floor();
    let variance = elongation.variance.map(|v| v + floor * floor);
    let trail = trail_by_elongation(elongation.center, variance, calibration, elongation.used);
    let lens = elongation
        .corner
        .map(|corner| lens_shape(corner, ROUNDNESS_FLOOR * elongation.width, calibration));
    Some(ShortTrail { trail, lens })
}

/// The trail that draws stars as long as this: both components of the elongation, square pixels, and
/// their variances.
pub(super) fn trail_by_elongation(
    [e1, e2]: [f64; 2],
    variance: [f64; 2],
    calibration: &Calibration,
    n_stars: usize,
) -> FrameTrail {
    let size = e1.hypot(e2);
    // Noise of the component along the elongation, and the one that turns it.
    let (c, s) = if size > 0.0 {
        (e1 / size, e2 / size)
    } else {
        (1.0, 0.0)
    };
    let along = (c * c * variance[0] + s * s * variance[1])
        .sqrt()
        .hypot(CALIBRATION_ERROR * size);
    let across = (s * s * variance[0] + c * c * variance[1]).sqrt();
    let unbiased = (size * size - across * across).max(0.0).sqrt();
    let length = calibration.squared_length(unbiased).sqrt();
    let length_sigma = calibration.squared_length(unbiased + along).sqrt() - length;
    let angle = Angle::from_rad(0.5 * e2.atan2(e1));
    let angle_sigma = Angle::from_rad(0.5 * (across / size.max(1e-12)))
        .deg()
        .min(90.0);
    let vector = forward(PixelVector::new(length * angle.cos(), length * angle.sin()));
    let turn = (0.5 * across / size.max(1e-12)).min(1.0) * length;
    let covariance = rotated(
        length_sigma.powi(2),
        turn.max(0.0).powi(2).max(0.25 * length_sigma.powi(2)),
        angle,
    );
    FrameTrail {
        vector,
        covariance,
        length: Measured::new(Pixels::new(length), Pixels::new(length_sigma)),
        angle: AxialAngle::from_angle(angle),
        angle_sigma: Angle::from_deg(angle_sigma),
        n_stars,
    }
}

/// The lens's pattern as the trail that would stretch a star in the corner as much.
pub(super) fn lens_shape(
    corner: Measured<f64>,
    floor: f64,
    calibration: &Calibration,
) -> LensShape {
    let size = corner.value.abs();
    let sigma = corner.sigma.hypot(floor).hypot(CALIBRATION_ERROR * size);
    let length = calibration.squared_length(size).sqrt();
    let upper = calibration.squared_length(size + sigma).sqrt();
    LensShape {
        corner: Measured::new(Pixels::new(length), Pixels::new(upper - length)),
        stretch: if corner.value >= 0.0 {
            Stretch::Outwards
        } else {
            Stretch::Around
        },
        turn_told: false,
    }
}

/// Tensor with the given variances along and across a direction.
fn rotated(along: f64, across: f64, angle: Angle) -> PixelTensor {
    let (c, s) = (angle.cos(), angle.sin());
    PixelTensor::new(
        c * c * along + s * s * across,
        c * s * (along - across),
        s * s * along + c * c * across,
    )
}

#[cfg(test)]
mod tests {
    use super::super::Quality;
    use super::super::psf::Psf;
    use super::*;

    const CENTER: PixelPoint = PixelPoint::new(500.0, 400.0);
    const SCALE: f64 = 640.0;

    /// Stars of second moment 1.5 with given elongation (e1, e2) at each place, plus a fixed unevenness.
    fn stars(n: usize, elongation: impl Fn(f64, f64) -> (f64, f64)) -> Vec<Star> {
        (0..n)
            .map(|i| {
                let position = PixelPoint::new((i * 389 % 1000) as f64, (i * 241 % 800) as f64);
                let (e1, e2) = elongation(
                    (position.x - CENTER.x) / SCALE,
                    (position.y - CENTER.y) / SCALE,
                );
                let uneven = |k: usize| 0.02 * (((i * k) % 7) as f64 - 3.0) / 2.0;
                let (e1, e2) = (e1 + uneven(3), e2 + uneven(5));
                Star {
                    position,
                    position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
                    flux: Measured::new(100.0, 2.0),
                    peak: 1.0,
                    moments: PixelTensor::new(1.5 + 0.5 * e1, 0.5 * e2, 1.5 - 0.5 * e1),
                    moments_sigma: PixelTensor::new(0.02, 0.01, 0.02),
                    trail: None,
                    quality: Quality::default(),
                }
            })
            .collect()
    }

    fn trail(stars: &[Star]) -> Option<FrameTrail> {
        shapes(stars).map(|shapes| shapes.trail)
    }

    fn shapes(stars: &[Star]) -> Option<ShortTrail> {
        short_trail(
            &stars.iter().collect::<Vec<_>>(),
            CENTER,
            SCALE,
            &Calibration::of(Psf::gaussian(1.22)),
        )
    }

    #[test]
    fn the_lens_pattern_is_taken_off_the_trail() {
        // A trail of 2 pixels down-right at 30 degrees: e = 4 / 12; and a strong radial pattern.
        let e = 4.0 / 12.0;
        let made = stars(80, |x, y| {
            (
                e * 0.5 + 0.8 * (x * x - y * y),
                e * 0.75f64.sqrt() + 1.6 * x * y,
            )
        });
        let found = trail(&made).expect("many stars");
        assert!((found.length.value.px() - 2.0).abs() < 0.08, "{found:?}");
        assert!((found.angle.deg() - 30.0).abs() < 2.0, "{found:?}");
        assert!(
            found.vector.dx >= 0.0 && found.angle_sigma.deg() < 5.0,
            "{found:?}"
        );
    }

    #[test]
    fn the_lens_pattern_is_told_as_a_trail_in_the_corner() {
        for (strength, stretch) in [(0.7, Stretch::Outwards), (-0.7, Stretch::Around)] {
            let made = stars(80, |x, y| {
                (strength * (x * x - y * y), strength * 2.0 * x * y)
            });
            let lens = shapes(&made).and_then(|s| s.lens).expect("many stars");
            let length = (12.0 * 0.7f64).sqrt();
            let off = (lens.corner.value.px() - length) / lens.corner.sigma.px();
            assert!(lens.stretch == stretch && off.abs() < 3.0, "{lens:?}");
            assert!(lens.corner.sigma.px() < 0.25, "{lens:?}");
        }
        let plain = shapes(&stars(80, |_, _| (0.3, 0.0))).and_then(|s| s.lens);
        let plain = plain.expect("many stars").corner;
        assert!(plain.value.px() < 2.5 * plain.sigma.px(), "{plain:?}");
        let few = shapes(&stars(11, |_, _| (0.3, 0.0))).expect("enough for a trail");
        assert!(few.lens.is_none());
    }

    #[test]
    fn noise_alone_gives_a_length_within_its_sigma_and_no_direction() {
        let found = trail(&stars(80, |_, _| (0.0, 0.0))).expect("many stars");
        assert!(
            found.length.value.px() < 2.0 * found.length.sigma.px(),
            "{found:?}"
        );
        assert!(found.angle_sigma.deg() > 20.0, "{found:?}");
    }

    #[test]
    fn few_stars_show_no_pattern_and_keep_the_usual_floor() {
        for n in [5, 8, 11, 12, 39, 40] {
            let found = trail(&stars(n, |_, _| (0.3, 0.0))).expect("enough for a trail");
            let off = (found.length.value.px() - 3.6f64.sqrt()) / found.length.sigma.px();
            assert!(off.abs() < 3.0, "{n}: {found:?}");
        }
    }

    #[test]
    fn four_stars_are_too_few() {
        assert!(trail(&stars(4, |_, _| (0.3, 0.0))).is_none());
    }

    #[test]
    fn a_long_trail_is_the_field_at_the_centre() {
        let mut field =
            VectorField::uniform(CENTER, PixelVector::new(-6.0, -8.0)).with_common_error(0.3, 0.1);
        field.n_samples = 20;
        let found = long_trail(&field, CENTER).expect("many samples");
        assert!(
            (found.length.value.px() - 10.0).abs() < 1e-9
                && (found.length.sigma.px() - 0.3).abs() < 1e-9
        );
        assert!((found.angle_sigma.rad() - 0.01).abs() < 1e-9 && found.vector.dx > 0.0);
        field.n_samples = 4;
        assert!(long_trail(&field, CENTER).is_none());
    }
}
