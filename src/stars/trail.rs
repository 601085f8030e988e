//! The frame's trail: from the stars' shapes where it is short, from fitted segments where it is long.

use nalgebra::{DMatrix, DVector};

use super::calibration::Calibration;
use super::field::{VectorField, median, principal_variances};
use super::{FrameTrail, LensShape, Star, Stretch};
use crate::units::{Angle, AxialAngle, Measured, PixelPoint, PixelTensor, PixelVector, Pixels};

/// Fewest stars that a frame's trail rests on.
const FEWEST_STARS: usize = 5;
/// A lens, a sensor's filter or a compressed picture leave stars on the axis this much out of round
/// (share of their second moment); no fit of a frame can tell it from a trail. From memory of
/// common practice, no source; a larger value makes the short trails' sigmas larger.
const ROUNDNESS_FLOOR: f64 = 0.01;
/// The same where the frame shows how even its lens is: what filter, sensor and development leave at
/// the centre of a lens without a fault (seen on rendered frames, developed in several ways: mostly
/// within their noise of 0.002 to 0.007). A larger value makes the sigmas of short trails larger.
const EVEN_LENS_FLOOR: f64 = 0.003;
/// A lens that is tilted or off its centre stretches stars more on one side than on the other, and at
/// the centre by a share of what it does at half the diagonal (own estimate).
const LOPSIDED_SHARE: f64 = 0.2;

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
    if stars.len() < FEWEST_STARS {
        return None;
    }
    let elongation = ElongationFit::of(stars, center, scale)?;
    let width = median(stars.iter().map(|s| 0.5 * (s.moments.xx + s.moments.yy)));
    let floor = elongation.floor(width);
    let [e1, e2] = elongation.center;
    let variance = [
        elongation.variance[0] + floor * floor,
        elongation.variance[1] + floor * floor,
    ];
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
    let trail = FrameTrail {
        vector,
        covariance,
        length: Measured::new(Pixels::new(length), Pixels::new(length_sigma)),
        angle: AxialAngle::from_angle(angle),
        angle_sigma: Angle::from_deg(angle_sigma),
        n_stars: elongation.used,
    };
    let lens = elongation
        .corner
        .map(|corner| lens_shape(corner, ROUNDNESS_FLOOR * width, calibration));
    Some(ShortTrail { trail, lens })
}

/// The lens's pattern as the trail that would stretch a star in the corner as much.
fn lens_shape(corner: Measured<f64>, floor: f64, calibration: &Calibration) -> LensShape {
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

/// Elongation at the frame's centre, free of the lens's radial pattern.
pub(super) struct ElongationFit {
    center: [f64; 2],
    variance: [f64; 2],
    /// Radial pattern at half the diagonal: along the radius minus across it; `None` where not fitted.
    corner: Option<Measured<f64>>,
    /// What changes from side to side, at half the diagonal, beyond its noise; `None` where not fitted.
    lopsided: Option<f64>,
    used: usize,
}

/// Columns before those of the radial pattern: both values at the centre and their slopes.
const PATTERN_FROM: usize = 6;

impl ElongationFit {
    /// Elongation at the centre that is no trail's, 1-sigma, square pixels: learnt from the frame's
    /// pattern where there are stars enough to see it.
    fn floor(&self, width: f64) -> f64 {
        match self.lopsided {
            Some(lopsided) => (EVEN_LENS_FLOOR * width)
                .hypot(LOPSIDED_SHARE * lopsided)
                .min(ROUNDNESS_FLOOR * width),
            None => ROUNDNESS_FLOOR * width,
        }
    }

    fn of(stars: &[&Star], center: PixelPoint, scale: f64) -> Option<Self> {
        let rows: Vec<Vec<f64>> = stars
            .iter()
            .flat_map(|s| pair_of_rows(s, center, scale, stars.len()))
            .collect();
        let design = DMatrix::from_fn(rows.len(), rows[0].len(), |i, k| rows[i][k]);
        let values = DVector::from_iterator(
            rows.len(),
            stars
                .iter()
                .flat_map(|s| [s.moments.xx - s.moments.yy, 2.0 * s.moments.xy]),
        );
        let errors: Vec<f64> = stars
            .iter()
            .flat_map(|s| {
                let diagonal = s.moments_sigma.xx.powi(2) + s.moments_sigma.yy.powi(2);
                [diagonal, 4.0 * s.moments_sigma.xy.powi(2)]
            })
            .collect();
        robust_pairs(&design, &values, &errors)
    }
}

/// Rows of the design matrix for the two components of one star.
///
/// Unknowns: both values at the centre; with enough stars their slopes, the radial pattern r^2 and r^4
/// (astigmatism, coma and field curvature stretch along or across the radius), and their curvatures.
fn pair_of_rows(star: &Star, center: PixelPoint, scale: f64, n_stars: usize) -> [Vec<f64>; 2] {
    let (x, y) = (
        (star.position.x - center.x) / scale,
        (star.position.y - center.y) / scale,
    );
    let mut rows = [vec![1.0, 0.0], vec![0.0, 1.0]];
    let both = |rows: &mut [Vec<f64>; 2], term: f64| {
        rows[0].extend([term, 0.0]);
        rows[1].extend([0.0, term]);
    };
    if n_stars >= 12 {
        both(&mut rows, x);
        both(&mut rows, y);
        rows[0].push(x * x - y * y);
        rows[1].push(2.0 * x * y);
    }
    if n_stars >= 40 {
        let r2 = x * x + y * y;
        rows[0].push(r2 * (x * x - y * y));
        rows[1].push(r2 * 2.0 * x * y);
    }
    rows
}

/// Weighted least squares with an excess scatter from the residuals and Tukey weights on pairs.
fn robust_pairs(
    design: &DMatrix<f64>,
    values: &DVector<f64>,
    errors: &[f64],
) -> Option<ElongationFit> {
    const TUKEY: f64 = 5.0;
    let n_stars = errors.len() / 2;
    let mut solution = DVector::zeros(design.ncols());
    for k in 0..2 {
        solution[k] = median((0..n_stars).map(|i| values[2 * i + k]));
    }
    let mut result = None;
    for _ in 0..12 {
        let residuals = values - design * &solution;
        let excess = excess_variance(&residuals, errors);
        let pull = |i: usize| residuals[i] * residuals[i] / (errors[i] + excess);
        let weight = |i: usize| {
            let t2 = (pull(i - i % 2) + pull(i - i % 2 + 1)) / (2.0 * TUKEY * TUKEY);
            if t2 < 1.0 {
                (1.0 - t2).powi(2) / (errors[i] + excess)
            } else {
                0.0
            }
        };
        let weights = DVector::from_fn(values.len(), |i, _| weight(i));
        let weighted = DMatrix::from_fn(design.nrows(), design.ncols(), |i, k| {
            design[(i, k)] * weights[i]
        });
        let (normal, right) = (weighted.transpose() * design, weighted.transpose() * values);
        let free_inverse = normal.clone().try_inverse()?;
        let free = &free_inverse * &right;
        let held = DMatrix::from_diagonal(&pattern_weights(&free, &free_inverse));
        let inverse = (normal + held).try_inverse()?;
        solution = &inverse * right;
        let used = weights.iter().filter(|w| **w > 0.0).count() / 2;
        result = Some(ElongationFit {
            center: [solution[0], solution[1]],
            variance: [inverse[(0, 0)], inverse[(1, 1)]],
            corner: corner_of(&free, &free_inverse),
            lopsided: lopsided_of(&free, &free_inverse),
            used,
        });
    }
    result.filter(|r| r.used >= FEWEST_STARS)
}

/// How firmly each number of the pattern is held at none: as firmly as its group is small.
///
/// A pattern that the stars do not show beyond noise costs the value at the centre half of what they
/// know; one that they show has its way. Slopes make one group, the radial pattern the other; each
/// is expected as large as it is seen beyond its noise.
fn pattern_weights(free: &DVector<f64>, inverse: &DMatrix<f64>) -> DVector<f64> {
    /// Least size of a pattern, square sigmas of its numbers: keeps what noise may hide.
    const LEAST: f64 = 0.1;
    let mut weights = DVector::zeros(free.len());
    for group in [2..PATTERN_FROM.min(free.len()), PATTERN_FROM..free.len()] {
        if group.is_empty() {
            continue;
        }
        let mean =
            |of: &dyn Fn(usize) -> f64| group.clone().map(of).sum::<f64>() / group.len() as f64;
        let noise = mean(&|k| inverse[(k, k)]);
        let size = (mean(&|k| free[k] * free[k]) - noise).max(LEAST * noise);
        for k in group.clone() {
            weights[k] = size.recip();
        }
    }
    weights
}

/// The radial pattern's terms are all one at half the diagonal: their sum.
fn corner_of(solution: &DVector<f64>, inverse: &DMatrix<f64>) -> Option<Measured<f64>> {
    let pattern = PATTERN_FROM..solution.len();
    let value = pattern.clone().map(|k| solution[k]).sum();
    let variance: f64 = pattern
        .clone()
        .flat_map(|i| pattern.clone().map(move |k| inverse[(i, k)]))
        .sum();
    (!pattern.is_empty()).then(|| Measured::new(value, variance.max(0.0).sqrt()))
}

/// Length of the slopes' vector at half the diagonal, its noise's share taken off.
fn lopsided_of(solution: &DVector<f64>, inverse: &DMatrix<f64>) -> Option<f64> {
    if solution.len() <= PATTERN_FROM + 1 {
        return None;
    }
    let square: f64 = (2..PATTERN_FROM)
        .map(|k| solution[k] * solution[k] - inverse[(k, k)])
        .sum();
    Some(square.max(0.0).sqrt())
}

/// Variance to be added to all errors for half of the pulls to be within those of a normal law.
///
/// A pull r / sqrt(v + added) falls with what is added and passes the law's median where added is
/// (r / median)^2 - v, so that the median of these values is what half of the pulls need.
fn excess_variance(residuals: &DVector<f64>, errors: &[f64]) -> f64 {
    const SIGMAS_PER_MEDIAN: f64 = 1.4826;
    let needed = |(r, v): (&f64, &f64)| (SIGMAS_PER_MEDIAN * r).powi(2) - v;
    median(residuals.iter().zip(errors).map(needed)).max(0.0)
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
