//! The elongation of the stars over a frame: what trail and lens make of it together.

use nalgebra::{DMatrix, DVector};

use super::Star;
use super::field::median;
use crate::units::{Measured, PixelPoint};

/// A lens, a sensor's filter or a compressed picture leave stars on the axis this much out of round
/// (share of their second moment); no fit of a frame can tell it from a trail. From memory of
/// common practice, no source; a larger value makes the short trails' sigmas larger.
pub(super) const ROUNDNESS_FLOOR: f64 = 0.01;
/// The same where the frame shows how even its lens is: what filter, sensor and development leave at
/// the centre of a lens without a fault (seen on rendered frames, developed in several ways: mostly
/// within their noise of 0.002 to 0.007). A larger value makes the sigmas of short trails larger.
pub(super) const EVEN_LENS_FLOOR: f64 = 0.003;
/// A lens that is tilted or off its centre stretches stars more on one side than on the other, and at
/// the centre by a share of what it does at half the diagonal (own estimate).
const LOPSIDED_SHARE: f64 = 0.2;

/// Elongation at the frame's centre, free of the lens's radial pattern.
pub(super) struct ElongationFit {
    pub(super) center: [f64; 2],
    pub(super) variance: [f64; 2],
    /// Radial pattern at half the diagonal: along the radius minus across it; `None` where not fitted.
    pub(super) corner: Option<Measured<f64>>,
    /// What changes from side to side, at half the diagonal, beyond its noise; `None` where not fitted.
    lopsided: Option<f64>,
    pub(super) used: usize,
    /// Usual second moment of a star, square pixels.
    pub(super) width: f64,
    /// All numbers as the stars show them, none held at none, and their covariance.
    pub(super) free: (DVector<f64>, DMatrix<f64>),
}

/// Fewest stars that a frame's elongation rests on.
pub(super) const FEWEST_STARS: usize = 5;
/// Columns before those of the radial pattern: both values at the centre and their slopes.
const PATTERN_FROM: usize = 6;

impl ElongationFit {
    /// Elongation at the centre that is no trail's, 1-sigma, square pixels: learnt from the frame's
    /// pattern where there are stars enough to see it.
    pub(super) fn floor(&self) -> f64 {
        let width = self.width;
        match self.lopsided {
            Some(lopsided) => (EVEN_LENS_FLOOR * width)
                .hypot(LOPSIDED_SHARE * lopsided)
                .min(ROUNDNESS_FLOOR * width),
            None => ROUNDNESS_FLOOR * width,
        }
    }

    /// `None` with too few stars.
    pub(super) fn of(stars: &[&Star], center: PixelPoint, scale: f64) -> Option<Self> {
        if stars.len() < FEWEST_STARS {
            return None;
        }
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
        let width = median(stars.iter().map(|s| 0.5 * (s.moments.xx + s.moments.yy)));
        robust_pairs(&design, &values, &errors, width)
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
    width: f64,
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
            width,
            free: (free, free_inverse),
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
