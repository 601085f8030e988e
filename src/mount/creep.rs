//! Slow motion of the camera that is no turn about one axis: a rig that sags or settles.

use nalgebra::{Matrix3, Vector3};

use super::invert::{AxisFit, DriveAngle};
use crate::units::{Angle, Measured};

/// Motion off the axis line that changes smoothly with time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Creep {
    /// Largest departure from a turn about one axis.
    pub departure: Measured<Angle>,
    /// Fraction of the misfit that a smooth curve explains, [0, 1].
    pub smoothness: f64,
}

/// Misfits below this (root of reduced chi-square) are noise that the model left out.
const LEAST_MISFIT: f64 = 3.0;
/// Ratio of what the curve explains to what it leaves, each per degree of freedom, from which on
/// the motion is called smooth: with a handful of frames chance reaches 20 one time in a hundred.
const LEAST_RATIO: f64 = 60.0;

/// Looks for a smooth departure from the turn about one axis in the residuals of a fit.
///
/// Method: in each stretch of four frames and more, the residuals across the axis are fitted by a
/// parabola in time; what it explains is the smoothness.
pub fn find_creep(fit: &AxisFit) -> Option<Creep> {
    if fit.misfit() < LEAST_MISFIT {
        return None;
    }
    let (mut total, mut left, mut departure, mut sigma) = (0.0, 0.0, 0.0f64, 0.0f64);
    let (mut data, mut curves) = (0usize, 0usize);
    for stretch in fit.drive.iter().filter(|stretch| stretch.len() >= 4) {
        for part in 0..2 {
            let across = |angle: &DriveAngle| fit.basis.column(part).dot(&angle.residual);
            let (before, after) = parabola_squares(stretch, &across)?;
            total += before;
            left += after;
        }
        data += 2 * stretch.len();
        curves += 1;
        for angle in stretch {
            departure = departure.max(angle.residual.norm());
            sigma = sigma.max(angle.sigma);
        }
    }
    if total <= 0.0 {
        return None;
    }
    let smoothness = 1.0 - left / total;
    // A parabola adds one number a part and stretch to what the fit already took.
    let left_over = data.saturating_sub(4 * curves).max(1) as f64;
    let ratio = (total - left) / (2 * curves) as f64 / (left / left_over).max(1e-30);
    (ratio >= LEAST_RATIO).then_some(Creep {
        departure: Measured::new(Angle::from_rad(departure), Angle::from_rad(sigma)),
        smoothness,
    })
}

/// Sum of squares before and after taking the best parabola in time away.
fn parabola_squares(
    stretch: &[DriveAngle],
    across: &dyn Fn(&DriveAngle) -> f64,
) -> Option<(f64, f64)> {
    let first = stretch.first()?.mid;
    let span = stretch.last()?.mid - first;
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    let row = |angle: &DriveAngle| {
        let t = (angle.mid - first) / span - 0.5;
        Vector3::new(1.0, t, t * t)
    };
    for angle in stretch {
        normal += row(angle) * row(angle).transpose();
        right += row(angle) * across(angle);
    }
    let curve = normal.try_inverse()? * right;
    let before = stretch.iter().map(|angle| across(angle).powi(2)).sum();
    let after = stretch
        .iter()
        .map(|angle| (across(angle) - row(angle).dot(&curve)).powi(2))
        .sum();
    Some((before, after))
}
