//! The camera's turn between two frames from stars that are already paired: weighted, robust
//! least squares over the small rotation vector.

use nalgebra::{Matrix2, Matrix2x3, Matrix3, Rotation3, Vector2, Vector3};

use super::lens::Lens;
use super::scatter::{median, robust_scale2, trusted_share};
use crate::sky::{Camera, Direction};
use crate::units::{PixelPoint, PixelTensor};

/// Noise floor of a star's place on either axis, pixels: what centroids miss that their sigma
/// does not know of. Altering it changes the weight of the brightest stars only.
const FLOOR_PX: f64 = 0.02;

/// Terms that are fitted: a small rotation.
const N_TERMS: usize = 3;

/// One star seen in two frames.
pub(crate) struct Sighting {
    /// Its direction in the camera of the first frame.
    pub(crate) direction: Vector3<f64>,
    /// Covariance of its place in the first frame, square pixels.
    pub(crate) first_covariance: PixelTensor,
    /// Its place in the second frame.
    pub(crate) place: PixelPoint,
    /// Covariance of `place`, square pixels.
    pub(crate) covariance: PixelTensor,
}

/// A fitted turn and how well it fits.
pub(crate) struct Turn {
    /// Carries directions of the first frame to the second.
    pub(crate) rotation: Rotation3<f64>,
    /// Of a small rotation after `rotation`, square radians, scaled by the residuals.
    pub(crate) covariance: Matrix3<f64>,
    /// Which sightings were kept.
    pub(crate) kept: Vec<bool>,
    /// Median length of the kept residuals, pixels.
    pub(crate) scatter_px: f64,
    /// Root mean square of the kept two-dimensional residuals, pixels.
    pub(crate) rms_px: f64,
}

/// The turn that carries each star's first direction onto its second place.
///
/// Method: Gauss-Newton with Cauchy weights on residuals in units of their own covariance; then
/// stars beyond four times the scatter are dropped and the rest fitted with plain weights.
/// `None` with fewer than three stars left or all of them in one place.
/// Source: G. Wahba 1965, SIAM Review 7, 409, problem 65-1 (the function minimised).
pub(crate) fn fit_turn(sightings: &[Sighting], start: Rotation3<f64>, lens: &Lens) -> Option<Turn> {
    let mut rotation = start;
    let mut scale2 = f64::INFINITY;
    // The start is near: a few steps settle the weights.
    for round in 0..8 {
        let terms = terms(sightings, &rotation, lens);
        let squares = terms.iter().map(Term::mahalanobis2).collect();
        scale2 = robust_scale2(squares, trusted_share(round), N_TERMS);
        let (normal, gradient) = normal_equations(&terms, |m2| 1.0 / (1.0 + m2 / (6.0 * scale2)));
        let step = normal.cholesky()?.solve(&gradient);
        rotation = Rotation3::new(step) * rotation;
        if round > 1 && step.norm() * lens.focal_px < 1e-4 {
            break;
        }
    }
    let kept: Vec<bool> = sightings
        .iter()
        .map(|s| Term::new(s, &rotation, lens).is_some_and(|t| t.mahalanobis2() <= 16.0 * scale2))
        .collect();
    let inliers = || sightings.iter().zip(&kept).filter(|(_, k)| **k);
    let terms_now = |rotation: &Rotation3<f64>| -> Vec<Term> {
        let found = inliers().filter_map(|(s, _)| Term::new(s, rotation, lens));
        found.collect()
    };
    let terms = terms_now(&rotation);
    if terms.len() < 3 {
        return None;
    }
    let (normal, gradient) = normal_equations(&terms, |_| 1.0);
    let inverse = normal.cholesky()?;
    rotation = Rotation3::new(inverse.solve(&gradient)) * rotation;
    let terms = terms_now(&rotation);
    let chi2: f64 = terms.iter().map(Term::mahalanobis2).sum();
    let square_sum: f64 = terms.iter().map(|t| t.residual.norm_squared()).sum();
    // Two more than the terms fitted, because a scatter that is itself known from few residuals
    // makes errors follow Student's law, of variance n / (n - 2).
    let freedom = (2.0 * terms.len() as f64 - N_TERMS as f64 - 2.0).max(1.0);
    Some(Turn {
        rotation,
        covariance: inverse.inverse() * (chi2 / freedom),
        kept,
        scatter_px: median(terms.iter().map(|t| t.residual.norm()).collect()),
        rms_px: (square_sum / terms.len() as f64).sqrt(),
    })
}

/// Residual, weight and derivative of one star.
struct Term {
    residual: Vector2<f64>,
    weight: Matrix2<f64>,
    derivative: Matrix2x3<f64>,
}

impl Term {
    fn new(sighting: &Sighting, rotation: &Rotation3<f64>, lens: &Lens) -> Option<Self> {
        let turned = Direction::<Camera>::new(rotation * sighting.direction);
        let gap = sighting.place - lens.pixel(turned)?;
        // The first frame's error ellipse turns with the camera's roll.
        let roll = rotation.matrix().fixed_view::<2, 2>(0, 0).into_owned();
        let spread = roll * matrix_of(sighting.first_covariance) * roll.transpose()
            + matrix_of(sighting.covariance)
            + Matrix2::identity() * (2.0 * FLOOR_PX * FLOOR_PX);
        Some(Self {
            residual: Vector2::new(gap.dx, gap.dy),
            weight: spread.try_inverse()?,
            derivative: -lens.jacobian(turned) * turned.vector().cross_matrix(),
        })
    }

    /// Squared residual in units of its own sigma.
    fn mahalanobis2(&self) -> f64 {
        (self.residual.transpose() * self.weight * self.residual)[0]
    }
}

fn terms(sightings: &[Sighting], rotation: &Rotation3<f64>, lens: &Lens) -> Vec<Term> {
    let found = sightings
        .iter()
        .filter_map(|s| Term::new(s, rotation, lens));
    found.collect()
}

fn matrix_of(tensor: PixelTensor) -> Matrix2<f64> {
    Matrix2::new(tensor.xx, tensor.xy, tensor.xy, tensor.yy)
}

/// Sum of weighted squares of the derivatives, and of derivative times residual.
fn normal_equations(
    terms: &[Term],
    weight_of: impl Fn(f64) -> f64,
) -> (Matrix3<f64>, Vector3<f64>) {
    let mut normal = Matrix3::zeros();
    let mut gradient = Vector3::zeros();
    for term in terms {
        let weighted = term.derivative.transpose() * term.weight * weight_of(term.mahalanobis2());
        normal += weighted * term.derivative;
        gradient += weighted * term.residual;
    }
    (normal, gradient)
}
