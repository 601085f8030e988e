//! Where the camera looks and what its lens does, from catalogue stars paired with picture stars:
//! robust least squares over attitude, focal length and radial distortion.

use nalgebra::{Matrix2, Matrix6, Rotation3, SMatrix, SVector, Vector2, Vector3};

use super::lens::Lens;
use super::scatter::{median, robust_scale2, trusted_share};
use crate::sky::{Camera, Direction, Icrs};
use crate::units::{PixelPoint, PixelTensor};

/// A lens and where it looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pose {
    pub(crate) lens: Lens,
    /// Camera directions to catalogue directions.
    pub(crate) attitude: Rotation3<f64>,
    /// How the air deforms the sky in front of the camera.
    pub(crate) squeeze: Squeeze,
}

/// A small stretch of the plane in front of the camera along one direction and as much of a
/// compression across it, which no turn and no lens makes: refraction lifts low stars more than
/// high ones.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Squeeze {
    /// Along the picture's rows against its columns: x grows by this share, y shrinks by it.
    pub(crate) plus: f64,
    /// The same along the diagonals.
    pub(crate) cross: f64,
}

impl Squeeze {
    /// Where a star at a direction in the camera seems to be; the length changes a little.
    fn apply(&self, v: &Vector3<f64>) -> Vector3<f64> {
        let along = self.plus * v.x + self.cross * v.y;
        let across = self.cross * v.x - self.plus * v.y;
        Vector3::new(v.x + along, v.y + across, v.z)
    }
}

impl Pose {
    /// The pixel that a catalogue direction (unit vector) falls on.
    pub(crate) fn project(&self, place: &Vector3<f64>) -> Option<PixelPoint> {
        self.lens.project(&self.seen(place))
    }

    /// The direction in the camera, air included, in which a catalogue direction is seen.
    fn seen(&self, place: &Vector3<f64>) -> Vector3<f64> {
        let camera = self.attitude.inverse_transform_vector(place);
        self.squeeze.apply(&camera)
    }

    /// The catalogue direction at the centre of projection.
    pub(crate) fn axis(&self) -> Direction<Icrs> {
        Direction::new(self.attitude * Vector3::z())
    }
}

/// A catalogue star and its image.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pairing {
    /// Catalogue place, a unit vector.
    pub(crate) sky: Vector3<f64>,
    /// Its image.
    pub(crate) pixel: PixelPoint,
    /// Covariance of `pixel`, square pixels.
    pub(crate) covariance: PixelTensor,
}

/// What is known of the lens beforehand, each as a Gaussian.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LensPrior {
    /// Natural logarithm of the focal length in pixels.
    pub(crate) ln_focal: f64,
    /// Its 1-sigma.
    pub(crate) ln_focal_sigma: f64,
    /// Radial distortion.
    pub(crate) k1: f64,
    /// Its 1-sigma.
    pub(crate) k1_sigma: f64,
    /// Radial distortion with the fourth power.
    pub(crate) k2: f64,
    /// Its 1-sigma.
    pub(crate) k2_sigma: f64,
    /// 1-sigma of either part of the air's squeeze, about none; 0 leaves it as it is.
    pub(crate) squeeze_sigma: f64,
}

/// Sigma that holds a squeeze in place.
const HELD: f64 = 1e-8;
/// Attitude, logarithm of the focal length, k1, k2, both parts of the squeeze.
pub(crate) const N_ALL: usize = 8;
type Step = SVector<f64, N_ALL>;
type Normal = SMatrix<f64, N_ALL, N_ALL>;

/// A fitted pose and how well it fits.
#[derive(Debug, Clone)]
pub(crate) struct PoseFit {
    pub(crate) pose: Pose,
    /// Covariance of: small rotation vector in the camera before `attitude` (radians), natural
    /// logarithm of the focal length, k1, k2; scaled by the residuals, the squeeze left open as far
    /// as it was.
    pub(crate) covariance: Matrix6<f64>,
    /// Which pairings were kept.
    pub(crate) kept: Vec<bool>,
    /// Residual (picture minus prediction) of each pairing, pixels.
    pub(crate) residuals: Vec<Vector2<f64>>,
    /// Robust scatter on one axis of the kept residuals, pixels.
    pub(crate) scatter_px: f64,
}

/// Terms that stars alone may have to carry: three of attitude, two of the lens. The third of the
/// lens is left to its prior where stars are few.
const N_TERMS: usize = 5;

/// Fits a pose to pairings from a start that is nearly right.
///
/// Method: Gauss-Newton with Cauchy weights on residuals in units of their covariance plus a floor
/// (what catalogue and model leave out); then pairings beyond four times the scatter are dropped
/// and the rest fitted with plain weights.
pub(crate) fn fit_pose(
    pairings: &[Pairing],
    start: Pose,
    prior: &LensPrior,
    floor_px: f64,
) -> Option<PoseFit> {
    let mut pose = start;
    let mut scale2 = f64::INFINITY;
    for round in 0..10 {
        let terms = terms(pairings, &pose, floor_px);
        let squares = terms.iter().map(Term::mahalanobis2).collect();
        scale2 = robust_scale2(squares, trusted_share(round), N_TERMS);
        let equations = Equations::new(&terms, scale2, |m2| 1.0 / (1.0 + m2 / (6.0 * scale2)));
        let step = equations.step(&pose, prior)?;
        pose = stepped(&pose, &step);
        if round > 1 && step.norm() * start.lens.focal_px < 0.02 {
            break;
        }
    }
    if !(pose.lens.focal_px.is_finite() && pose.lens.k1.is_finite() && pose.lens.k2.is_finite()) {
        return None;
    }
    let kept: Vec<bool> = pairings
        .iter()
        .map(|p| Term::new(p, &pose, floor_px).is_some_and(|t| t.mahalanobis2() <= 16.0 * scale2))
        .collect();
    let inliers: Vec<Pairing> = pairings
        .iter()
        .zip(&kept)
        .filter_map(|(p, k)| k.then_some(*p))
        .collect();
    let equations = Equations::new(&terms(&inliers, &pose, floor_px), scale2, |_| 1.0);
    pose = stepped(&pose, &equations.step(&pose, prior)?);
    let final_terms = terms(&inliers, &pose, floor_px);
    let chi2: f64 = final_terms.iter().map(Term::mahalanobis2).sum();
    // Two more than the terms fitted, because a scatter that is itself known from few residuals
    // makes errors follow Student's law, of variance n / (n - 2).
    let n_terms = N_TERMS + if prior.squeeze_sigma > 0.0 { 2 } else { 0 };
    let freedom = (2.0 * inliers.len() as f64 - n_terms as f64 - 2.0).max(1.0);
    let covariance = equations.covariance(chi2 / freedom, scale2, prior)?;
    let residual = |p: &Pairing| {
        let gap = pose.project(&p.sky).map(|place| p.pixel - place);
        gap.map_or(Vector2::zeros(), |g| Vector2::new(g.dx, g.dy))
    };
    Some(PoseFit {
        pose,
        covariance,
        residuals: pairings.iter().map(residual).collect(),
        kept,
        scatter_px: median(final_terms.iter().map(|t| t.residual.norm()).collect())
            / (2.0 * std::f64::consts::LN_2).sqrt(),
    })
}

fn stepped(pose: &Pose, step: &Step) -> Pose {
    let turn = Rotation3::new(Vector3::new(step[0], step[1], step[2]));
    Pose {
        lens: Lens {
            // Half a change of scale at a time at the most, so that a bad start cannot run away.
            focal_px: pose.lens.focal_px * step[3].clamp(-0.5, 0.5).exp(),
            k1: pose.lens.k1 + step[4],
            k2: pose.lens.k2 + step[5],
            ..pose.lens
        },
        attitude: pose.attitude * turn,
        squeeze: Squeeze {
            plus: pose.squeeze.plus + step[6],
            cross: pose.squeeze.cross + step[7],
        },
    }
}

/// Residual, weight and derivative of one pairing.
#[derive(Debug, Clone)]
pub(crate) struct Term {
    pub(crate) residual: Vector2<f64>,
    pub(crate) weight: Matrix2<f64>,
    /// By a small rotation vector before the attitude, logarithm of the focal length, k1, k2, and
    /// the squeeze.
    pub(crate) derivative: SMatrix<f64, 2, N_ALL>,
}

impl Term {
    pub(crate) fn new(pairing: &Pairing, pose: &Pose, floor_px: f64) -> Option<Self> {
        let camera = pose.seen(&pairing.sky);
        let place = pose.lens.project(&camera)?;
        let gap = pairing.pixel - place;
        let c = pairing.covariance;
        let floor = floor_px * floor_px;
        let spread = Matrix2::new(c.xx + floor, c.xy, c.xy, c.yy + floor);
        let turn = pose.lens.jacobian(Direction::<Camera>::new(camera)) * camera.cross_matrix();
        let (x, y) = (camera.x / camera.z, camera.y / camera.z);
        let r2 = x * x + y * y;
        let bend = pose.lens.focal_px * r2;
        let offset = place - pose.lens.center;
        let mut derivative = SMatrix::<f64, 2, N_ALL>::zeros();
        derivative.fixed_columns_mut::<3>(0).copy_from(&turn);
        derivative.set_column(3, &Vector2::new(offset.dx, offset.dy));
        derivative.set_column(4, &Vector2::new(bend * x, bend * y));
        derivative.set_column(5, &Vector2::new(bend * r2 * x, bend * r2 * y));
        derivative.set_column(6, &Vector2::new(offset.dx, -offset.dy));
        derivative.set_column(7, &Vector2::new(offset.dy, offset.dx));
        Some(Self {
            residual: Vector2::new(gap.dx, gap.dy),
            weight: spread.try_inverse()?,
            derivative,
        })
    }

    /// Squared residual in units of its own sigma.
    pub(crate) fn mahalanobis2(&self) -> f64 {
        (self.residual.transpose() * self.weight * self.residual)[0]
    }
}

pub(crate) fn terms(pairings: &[Pairing], pose: &Pose, floor_px: f64) -> Vec<Term> {
    let found = pairings.iter().filter_map(|p| Term::new(p, pose, floor_px));
    found.collect()
}

/// Normal equations of the stars, in units of their scatter, without the prior.
struct Equations {
    normal: Normal,
    gradient: Step,
}

impl Equations {
    fn new(terms: &[Term], scale2: f64, weight_of: impl Fn(f64) -> f64) -> Self {
        let mut normal = Normal::zeros();
        let mut gradient = Step::zeros();
        for term in terms {
            let weight = term.weight * (weight_of(term.mahalanobis2()) / scale2);
            let weighted = term.derivative.transpose() * weight;
            normal += weighted * term.derivative;
            gradient += weighted * term.residual;
        }
        Self { normal, gradient }
    }

    fn step(&self, pose: &Pose, prior: &LensPrior) -> Option<Step> {
        let mut normal = self.normal;
        let mut gradient = self.gradient;
        let gaps = prior.gaps(pose);
        for (at, (weight, gap)) in (3..).zip(prior.weights().iter().zip(gaps)) {
            normal[(at, at)] += weight;
            gradient[at] += weight * gap;
        }
        Some(normal.cholesky()?.solve(&gradient))
    }

    /// Of the pose, with the stars' own weights scaled by the residuals and the prior as it stands.
    fn covariance(
        &self,
        variance_ratio: f64,
        scale2: f64,
        prior: &LensPrior,
    ) -> Option<Matrix6<f64>> {
        let mut normal = self.normal * (scale2 / variance_ratio.max(1e-6));
        for (at, weight) in (3..).zip(prior.weights()) {
            normal[(at, at)] += weight;
        }
        let inverse = normal.cholesky()?.inverse();
        Some(inverse.fixed_view::<6, 6>(0, 0).into_owned())
    }
}

impl LensPrior {
    /// Weights of focal length, k1, k2, squeeze.
    pub(crate) fn weights(&self) -> [f64; 5] {
        let squeeze = self.squeeze_sigma.max(HELD);
        let lens = [self.ln_focal_sigma, self.k1_sigma, self.k2_sigma];
        [lens[0], lens[1], lens[2], squeeze, squeeze].map(|sigma| sigma.powi(-2))
    }

    /// Prior minus a pose, in the same order; a squeeze that is held stays where it is.
    fn gaps(&self, pose: &Pose) -> [f64; 5] {
        let open = if self.squeeze_sigma > 0.0 { 1.0 } else { 0.0 };
        [
            self.ln_focal - pose.lens.focal_px.ln(),
            self.k1 - pose.lens.k1,
            self.k2 - pose.lens.k2,
            -open * pose.squeeze.plus,
            -open * pose.squeeze.cross,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::FieldNoise;

    const NOISE_PX: f64 = 0.3;

    fn true_pose(noise: &mut FieldNoise, k1: f64) -> Pose {
        let turn = Vector3::new(noise.normal(), noise.normal(), noise.normal());
        Pose {
            lens: Lens {
                focal_px: 2000.0 * (1.0 + 0.03 * noise.normal()),
                center: PixelPoint::new(999.5, 666.5),
                k1,
                k2: 0.0,
            },
            attitude: Rotation3::new(turn),
            squeeze: Squeeze::default(),
        }
    }

    fn pairings(noise: &mut FieldNoise, pose: &Pose, n_stars: usize) -> Vec<Pairing> {
        let variance = NOISE_PX * NOISE_PX;
        let pairing = |_| {
            let place = PixelPoint::new(noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
            let seen = pose.lens.direction(place).vector();
            let unsqueezed = Squeeze {
                plus: -pose.squeeze.plus,
                cross: -pose.squeeze.cross,
            };
            let sky = (pose.attitude * unsqueezed.apply(&seen)).normalize();
            let pixel = PixelPoint::new(
                place.x + NOISE_PX * noise.normal(),
                place.y + NOISE_PX * noise.normal(),
            );
            Pairing {
                sky,
                pixel,
                covariance: PixelTensor::new(variance, 0.0, variance),
            }
        };
        (0..n_stars).map(pairing).collect()
    }

    fn prior() -> LensPrior {
        LensPrior {
            ln_focal: 2000_f64.ln(),
            ln_focal_sigma: 0.05,
            k1: 0.0,
            k1_sigma: 0.05,
            k2: 0.0,
            k2_sigma: 0.05,
            squeeze_sigma: 0.0,
        }
    }

    /// A start that is wrong by some pixels.
    fn start_near(pose: &Pose) -> Pose {
        Pose {
            lens: Lens {
                focal_px: 1.01 * pose.lens.focal_px,
                k1: 0.0,
                ..pose.lens
            },
            attitude: pose.attitude * Rotation3::new(Vector3::new(0.003, -0.002, 0.004)),
            squeeze: Squeeze::default(),
        }
    }

    #[test]
    fn the_pose_is_recovered_within_its_covariance_in_spite_of_strangers() {
        let mut noise = FieldNoise::new(21);
        let mut sum_of_squares = 0.0;
        for _ in 0..60 {
            let truth = true_pose(&mut noise, -0.04);
            let mut stars = pairings(&mut noise, &truth, 80);
            for stranger in stars.iter_mut().take(8) {
                stranger.pixel.x += noise.uniform(5.0, 20.0);
            }
            let fit = fit_pose(&stars, start_near(&truth), &prior(), 0.0).unwrap();
            let turn = (fit.pose.attitude.inverse() * truth.attitude).scaled_axis();
            let error = nalgebra::Vector6::new(
                turn.x,
                turn.y,
                turn.z,
                (truth.lens.focal_px / fit.pose.lens.focal_px).ln(),
                truth.lens.k1 - fit.pose.lens.k1,
                truth.lens.k2 - fit.pose.lens.k2,
            );
            sum_of_squares += error.dot(&(fit.covariance.try_inverse().unwrap() * error));
            assert!(fit.kept[..8].iter().all(|kept| !kept));
        }
        // Chi-square of at most 360 degrees of freedom: 360 +- 27, six sigma either way.
        assert!((200.0..400.0).contains(&sum_of_squares), "{sum_of_squares}");
    }

    #[test]
    fn a_squeeze_by_the_air_turns_no_frame_of_few_stars_by_more_than_its_sigma() {
        let mut noise = FieldNoise::new(24);
        let open = LensPrior {
            squeeze_sigma: 1e-3,
            ..prior()
        };
        let (mut sum_of_squares, mut shifts) = (0.0, [0.0, 0.0]);
        let n_fields = 200;
        for _ in 0..n_fields {
            let truth = Pose {
                squeeze: Squeeze {
                    plus: 1e-3 * noise.normal(),
                    cross: 1e-3 * noise.normal(),
                },
                ..true_pose(&mut noise, -0.02)
            };
            let stars = pairings(&mut noise, &truth, 12);
            let roll_of = |prior: &LensPrior| {
                let fit = fit_pose(&stars, start_near(&truth), prior, 0.0).unwrap();
                let turn = fit.pose.attitude.inverse() * truth.attitude;
                (turn.scaled_axis().z, fit.covariance[(2, 2)])
            };
            let (roll, variance) = roll_of(&open);
            sum_of_squares += roll * roll / variance;
            shifts[0] += roll.abs();
            shifts[1] += roll_of(&prior()).0.abs();
        }
        let spread = (sum_of_squares / f64::from(n_fields)).sqrt();
        assert!((0.75..1.2).contains(&spread), "{spread}");
        assert!(shifts[0] < 0.8 * shifts[1], "{shifts:?}");
    }

    #[test]
    fn few_stars_leave_the_distortion_to_the_prior() {
        let mut noise = FieldNoise::new(22);
        let truth = true_pose(&mut noise, 0.0);
        let stars = pairings(&mut noise, &truth, 4);
        let tight = LensPrior {
            k1_sigma: 1e-4,
            ..prior()
        };
        let fit = fit_pose(&stars, start_near(&truth), &tight, 0.0).unwrap();
        assert!(fit.pose.lens.k1.abs() < 3e-4);
    }

    #[test]
    fn no_stars_are_no_fit_and_no_panic() {
        let truth = true_pose(&mut FieldNoise::new(23), 0.0);
        assert!(fit_pose(&[], truth, &prior(), 0.1).is_none());
    }
}
