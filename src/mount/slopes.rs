//! How the stars' shapes change over the frame: what field rotation writes into a single exposure.
//!
//! A trail d adds d d^T / 12 to the second moments of a star. Where the field turns, d changes
//! over the frame, and with it the elongation e = (Qxx - Qyy, 2 Qxy). Only the linear slopes of e
//! are used: what a lens does by itself is a pattern about the frame's centre, even in x and y.

use nalgebra::{DMatrix, DVector, Matrix4, Vector4};

use crate::stars::{Star, StarField};
use crate::units::{PixelPoint, PixelVector};

/// Slopes of the elongation over a frame, and the recipe that made them.
#[derive(Debug, Clone)]
pub struct ShapeSlopes {
    places: Vec<PixelPoint>,
    /// Takes elongations of all places (e1, e2, e1, e2 ...) to the slopes.
    recipe: DMatrix<f64>,
    /// Change from the centre to half a diagonal away: e1 along x, e1 along y, e2 along x, e2
    /// along y; square pixels.
    pub measured: Vector4<f64>,
    /// Covariance of `measured`.
    pub covariance: Matrix4<f64>,
}

/// Stars that are used at most, the brightest first: more cost time and tell little.
const MOST_STARS: usize = 400;
/// Fewer stars do not tell slopes from the lens's own pattern.
const FEWEST_STARS: usize = 30;
/// Slope of the elongation that a tilted or decentred lens leaves, in parts of a star's second
/// moment from the centre to the corner (own estimate).
const LENS_FLOOR: f64 = 0.05;
/// Residuals beyond this many sigmas do not count.
const STRAY: f64 = 4.0;
/// Columns: two values at the centre, four slopes, the lens's r^2 and r^4 patterns.
const N_COLUMNS: usize = 8;
const ROUNDS: usize = 4;

impl ShapeSlopes {
    /// From a frame's clean stars; `None` with too few of them.
    pub fn of(field: &StarField) -> Option<Self> {
        let clean = |star: &&Star| star.quality.is_clean();
        // In frames of long trails the stars without their own trail took that of the others.
        let long = field.stars.iter().any(|star| star.trail.is_some());
        let stars: Vec<&Star> = field
            .stars
            .iter()
            .filter(clean)
            .filter(|star| !long || star.trail.is_some())
            .take(MOST_STARS)
            .collect();
        if stars.len() < FEWEST_STARS {
            return None;
        }
        let places: Vec<PixelPoint> = stars.iter().map(|star| star.position).collect();
        let half_diagonal = 0.5 * (field.width as f64).hypot(field.height as f64);
        let design = design(&places, field.center(), half_diagonal);
        let (values, variances) = elongations(&stars);
        let (recipe, covariance) = solve(&design, &values, &variances)?;
        let floor = LENS_FLOOR * narrow_moment(field, &stars);
        let slopes = &recipe * &values;
        Some(Self {
            places,
            measured: Vector4::from_iterator(slopes.iter().copied()),
            covariance: covariance + Matrix4::identity() * floor * floor,
            recipe,
        })
    }

    /// Places of the stars that it rests on.
    pub fn places(&self) -> &[PixelPoint] {
        &self.places
    }

    /// The slopes that trails at the stars' places would show; `None` where one is missing.
    pub fn of_trails(
        &self,
        trails: impl Iterator<Item = Option<PixelVector>>,
    ) -> Option<Vector4<f64>> {
        let mut values = Vec::with_capacity(2 * self.places.len());
        for trail in trails {
            let d = trail?;
            values.push((d.dx * d.dx - d.dy * d.dy) / 12.0);
            values.push(d.dx * d.dy / 6.0);
        }
        let slopes = &self.recipe * DVector::from_vec(values);
        Some(Vector4::from_iterator(slopes.iter().copied()))
    }
}

fn design(places: &[PixelPoint], center: PixelPoint, scale: f64) -> DMatrix<f64> {
    let mut design = DMatrix::zeros(2 * places.len(), N_COLUMNS);
    for (idx, place) in places.iter().enumerate() {
        let off = *place - center;
        let (x, y) = (off.dx / scale, off.dy / scale);
        let (r2, even, mixed) = (x * x + y * y, x * x - y * y, 2.0 * x * y);
        let rows = [
            [1.0, 0.0, x, y, 0.0, 0.0, even, r2 * even],
            [0.0, 1.0, 0.0, 0.0, x, y, mixed, r2 * mixed],
        ];
        for (part, row) in rows.iter().enumerate() {
            for (column, value) in row.iter().enumerate() {
                design[(2 * idx + part, column)] = *value;
            }
        }
    }
    design
}

fn elongations(stars: &[&Star]) -> (DVector<f64>, Vec<f64>) {
    let values = stars
        .iter()
        .flat_map(|s| [s.moments.xx - s.moments.yy, 2.0 * s.moments.xy]);
    let variances = stars.iter().flat_map(|s| {
        let sigma = s.moments_sigma;
        [sigma.xx.powi(2) + sigma.yy.powi(2), 4.0 * sigma.xy.powi(2)]
    });
    (
        DVector::from_iterator(2 * stars.len(), values),
        variances.collect(),
    )
}

/// Second moment of a star across its trail: the width of a still star.
fn narrow_moment(field: &StarField, stars: &[&Star]) -> f64 {
    let by_width = field.fwhm.map(|fwhm| {
        let sigma = fwhm.value.px() / (8.0 * std::f64::consts::LN_2).sqrt();
        sigma * sigma
    });
    by_width.unwrap_or_else(|| {
        let mut small: Vec<f64> = stars.iter().map(|s| s.moments.principal().1).collect();
        small.sort_by(f64::total_cmp);
        small[small.len() / 2]
    })
}

/// Weighted least squares, strays left out; returns the recipe for the slopes and their covariance.
fn solve(
    design: &DMatrix<f64>,
    values: &DVector<f64>,
    variances: &[f64],
) -> Option<(DMatrix<f64>, Matrix4<f64>)> {
    let mut weights: Vec<f64> = variances.iter().map(|v| v.max(1e-12).recip()).collect();
    let mut result = None;
    for _ in 0..ROUNDS {
        let weighted = DMatrix::from_fn(design.nrows(), N_COLUMNS, |row, column| {
            design[(row, column)] * weights[row]
        });
        let inverse = (weighted.transpose() * design).try_inverse()?;
        let recipe = &inverse * weighted.transpose();
        let residuals = values - design * (&recipe * values);
        let scale = robust_scale(&residuals, variances);
        let covariance: Matrix4<f64> = inverse.fixed_view::<4, 4>(2, 2) * scale.powi(2).max(1.0);
        result = Some((recipe.rows(2, 4).into_owned(), covariance));
        for (row, weight) in weights.iter_mut().enumerate() {
            let variance = variances[row].max(1e-12);
            let stray = residuals[row].powi(2) > (STRAY * scale.max(1.0)).powi(2) * variance;
            *weight = if stray { 0.0 } else { variance.recip() };
        }
    }
    result
}

/// Residuals over their sigmas, from the median of their size.
fn robust_scale(residuals: &DVector<f64>, variances: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = residuals
        .iter()
        .zip(variances)
        .map(|(r, v)| r.abs() / v.max(1e-12).sqrt())
        .collect();
    sizes.sort_by(f64::total_cmp);
    1.4826 * sizes[sizes.len() / 2]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::Quality;
    use crate::units::{Measured, PixelTensor};

    /// Trails of a field that moves and turns, under a lens that stretches stars outwards.
    fn field(trail: impl Fn(f64, f64) -> PixelVector, lens: f64) -> StarField {
        let stars = (0..120).map(|nth| {
            let place = PixelPoint::new((nth * 389 % 1000) as f64, (nth * 241 % 800) as f64);
            let (x, y) = ((place.x - 499.5) / 640.0, (place.y - 399.5) / 640.0);
            let d = trail(x, y);
            Star {
                position: place,
                position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
                flux: Measured::new(100.0, 1.0),
                peak: 1.0,
                moments: PixelTensor::new(
                    1.2 + d.dx * d.dx / 12.0 + lens * x * x,
                    d.dx * d.dy / 12.0 + lens * x * y,
                    1.2 + d.dy * d.dy / 12.0 + lens * y * y,
                ),
                moments_sigma: PixelTensor::new(0.02, 0.02, 0.02),
                trail: None,
                quality: Quality::default(),
            }
        });
        StarField::holding(1000, 800, stars.collect())
    }

    #[test]
    fn a_turning_field_shows_and_the_lens_does_not() {
        let turning = |x: f64, y: f64| PixelVector::new(4.0 - 0.5 * y, 0.5 * x);
        for lens in [0.0, 0.6] {
            let slopes = ShapeSlopes::of(&field(turning, lens)).unwrap();
            let expected = slopes
                .of_trails(slopes.places().iter().map(|place| {
                    Some(turning(
                        (place.x - 499.5) / 640.0,
                        (place.y - 399.5) / 640.0,
                    ))
                }))
                .unwrap();
            let off = (slopes.measured - expected).norm();
            assert!(off < 0.02, "{off}");
            // d = (4, 0) and its change (-0.5 y, 0.5 x): e1 falls along y by 4 * 0.5 / 6, e2
            // rises along x by as much.
            assert!((slopes.measured[1] + 1.0 / 3.0).abs() < 0.02, "{slopes:?}");
            assert!((slopes.measured[2] - 1.0 / 3.0).abs() < 0.02, "{slopes:?}");
        }
    }

    #[test]
    fn few_stars_tell_no_slopes() {
        let mut few = field(|_, _| PixelVector::new(3.0, 0.0), 0.0);
        few.stars.truncate(20);
        assert!(ShapeSlopes::of(&few).is_none());
    }
}
