//! One lens for all frames that were taken through it: many frames tell what one cannot, the point
//! where the lens looks straight out above all.
//!
//! Method: least squares over focal length, distortion and centre, common to all, and over every
//! frame's attitude, which is eliminated frame by frame (Schur complement); robust weights as for
//! single frames.

use nalgebra::{Matrix3, Matrix3x5, Matrix5, Rotation3, Vector3, Vector5};

use super::fit::{LensPrior, Pairing, Pose, Squeeze, Term, terms};
use super::lens::Lens;
use super::near::attitude_through;
use super::plate::Plate;
use super::scatter::{robust_scale2, trusted_share};
use super::search::distortion_limits;
use crate::sky::catalogue::Catalogue;
use crate::stars::StarField;

/// A lens known from other frames, and how well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownLens {
    /// The lens.
    pub lens: Lens,
    /// 1-sigma of the focal length relative to itself.
    pub focal_sigma: f64,
    /// 1-sigma of `lens.k1`.
    pub k1_sigma: f64,
    /// 1-sigma of `lens.k2`.
    pub k2_sigma: f64,
}

impl KnownLens {
    /// The lens of one other frame, which may have been focused anew: only a guess.
    pub(crate) fn guessed(plate: &Plate) -> Self {
        Self {
            lens: plate.lens,
            focal_sigma: f64::INFINITY,
            k1_sigma: f64::INFINITY,
            k2_sigma: f64::INFINITY,
        }
    }

    /// A prior about this lens, as wide as it is uncertain but no wider than `any`.
    pub(crate) fn narrowed(&self, any: &LensPrior) -> LensPrior {
        let is_guess = !self.focal_sigma.is_finite();
        LensPrior {
            ln_focal: if is_guess {
                any.ln_focal
            } else {
                self.lens.focal_px.ln()
            },
            ln_focal_sigma: self.focal_sigma.clamp(1e-5, any.ln_focal_sigma.max(1e-5)),
            k1: self.lens.k1,
            k1_sigma: self.k1_sigma.min(any.k1_sigma),
            k2: self.lens.k2,
            k2_sigma: self.k2_sigma.min(any.k2_sigma),
            squeeze_sigma: any.squeeze_sigma,
        }
    }
}

/// Brightest matched stars of a frame that are used, and most frames: enough for any lens.
const N_STARS: usize = 400;
const N_FRAMES: usize = 24;
/// Scatter that the model leaves out, pixels.
const FLOOR_PX: f64 = 0.1;
/// Rounds of the fit.
const ROUNDS: usize = 8;
/// The lens's centre is moved from the frame's only by this many of its sigmas, and only where it
/// explains this share of the scatter: less is a pattern that any model leaves out.
const CENTRE_SIGMAS: f64 = 8.0;
const CENTRE_GAIN: f64 = 0.05;
/// Farther from the frame's middle than this share of the half diagonal no lens is centred.
const FARTHEST_CENTRE: f64 = 0.05;
/// How far focal lengths change from frame to frame (temperature; the air's refraction, which squeezes
/// the sky by this much 45 degrees up and is not taken out of plates), relative; what is known from
/// others is never trusted further.
const FOCAL_CHANGE: f64 = 2e-4;

/// The lens common to frames of one size; `None` without frames or where the fit breaks down.
///
/// Input: measured stars and plate of each frame; the lenses of the plates agree.
pub fn fit_shared_lens(views: &[(&StarField, &Plate)]) -> Option<KnownLens> {
    let best = views
        .iter()
        .min_by(|a, b| a.1.focal_sigma.total_cmp(&b.1.focal_sigma))?;
    let every = views.len().div_ceil(N_FRAMES);
    let used: Vec<_> = views.iter().step_by(every).collect();
    let centred = Lens {
        center: best.1.frame_center,
        ..best.1.lens
    };
    let half_diagonal = best.1.frame_center.x.hypot(best.1.frame_center.y);
    let series = Series::new(&used, &centred)?;
    let held = series.fitted(&centred, half_diagonal, Centre::Held)?;
    let moved = held
        .series
        .clone()
        .fitted(&held.lens, half_diagonal, Centre::Free);
    let chosen = match moved {
        Some(moved) if moved.is_believed(&held, half_diagonal) => moved,
        _ => held,
    };
    let sigma = |at: usize| chosen.covariance[(at, at)].sqrt();
    Some(KnownLens {
        lens: chosen.lens,
        focal_sigma: sigma(0).hypot(FOCAL_CHANGE),
        k1_sigma: sigma(1),
        k2_sigma: sigma(2),
    })
}

/// Whether the lens's centre is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Centre {
    /// It stays where it is.
    Held,
    /// It is fitted.
    Free,
}

/// Paired stars of frames, and where each frame looks.
#[derive(Debug, Clone)]
struct Series {
    frames: Vec<(Vec<Pairing>, Rotation3<f64>)>,
}

/// A fit to a series.
struct Fitted {
    series: Series,
    lens: Lens,
    /// Of the logarithm of the focal length, k1, k2 and the centre in pixels.
    covariance: Matrix5<f64>,
    /// Squared scatter in units of the stars' sigmas.
    scale2: f64,
}

impl Fitted {
    fn is_believed(&self, held: &Fitted, half_diagonal: f64) -> bool {
        let step = self.lens.center - held.lens.center;
        let sure = |offset: f64, at: usize| {
            offset.abs() > CENTRE_SIGMAS * self.covariance[(at, at)].sqrt()
        };
        (sure(step.dx, 3) || sure(step.dy, 4))
            && step.length().px() < FARTHEST_CENTRE * half_diagonal
            && self.scale2 < (1.0 - CENTRE_GAIN) * held.scale2
    }
}

impl Series {
    fn new(views: &[&(&StarField, &Plate)], lens: &Lens) -> Option<Self> {
        let catalogue = Catalogue::embedded();
        let frame = |(field, plate): &&(&StarField, &Plate)| {
            let pairing = |m: &super::Match| Pairing {
                sky: catalogue.vector(m.catalogue_idx),
                pixel: field.stars[m.star_idx].position,
                covariance: field.stars[m.star_idx].position_covariance,
            };
            let pairings: Vec<_> = plate.matches.iter().take(N_STARS).map(pairing).collect();
            Some((pairings, attitude_through(lens, field, plate)?))
        };
        let frames: Vec<_> = views.iter().filter_map(frame).collect();
        (!frames.is_empty()).then_some(Self { frames })
    }

    fn fitted(mut self, start: &Lens, half_diagonal: f64, centre: Centre) -> Option<Fitted> {
        let mut lens = *start;
        let mut scale2 = f64::INFINITY;
        let mut last = None;
        for round in 0..ROUNDS {
            let terms = self.terms(&lens);
            let squares = terms.iter().flatten().map(Term::mahalanobis2).collect();
            scale2 = robust_scale2(squares, trusted_share(round), 5 + 3 * self.frames.len());
            let sums = Sums::new(&terms, scale2)?;
            let prior = Prior::new(half_diagonal / start.focal_px, centre);
            let reduced = prior.added_to(sums.normal).cholesky()?;
            let step = reduced.solve(&prior.pulled(sums.gradient, &lens));
            self.turn_by(&sums, &step);
            lens = moved(&lens, &step);
            last = Some(reduced.inverse());
        }
        let sound = lens.focal_px.is_finite() && lens.center.x.is_finite();
        sound.then_some(Fitted {
            series: self,
            lens,
            covariance: last?,
            scale2,
        })
    }

    fn terms(&self, lens: &Lens) -> Vec<Vec<Term>> {
        let of = |(pairings, attitude): &(Vec<Pairing>, Rotation3<f64>)| {
            let pose = Pose {
                lens: *lens,
                attitude: *attitude,
                squeeze: Squeeze::default(),
            };
            terms(pairings, &pose, FLOOR_PX)
        };
        self.frames.iter().map(of).collect()
    }

    /// Turns each frame as it wants after the lens has taken its step.
    fn turn_by(&mut self, sums: &Sums, step: &Vector5<f64>) {
        for ((_, attitude), frame) in self.frames.iter_mut().zip(&sums.frames) {
            let turn = frame.inverse * (frame.gradient - frame.cross * step);
            *attitude *= Rotation3::new(turn);
        }
    }
}

fn moved(lens: &Lens, step: &Vector5<f64>) -> Lens {
    let mut center = lens.center;
    center.x += step[3];
    center.y += step[4];
    Lens {
        focal_px: lens.focal_px * step[0].clamp(-0.1, 0.1).exp(),
        center,
        k1: lens.k1 + step[1],
        k2: lens.k2 + step[2],
    }
}

/// A frame's part of the normal equations.
struct FrameSums {
    /// Inverse of the attitude's own block.
    inverse: Matrix3<f64>,
    /// Attitude against lens.
    cross: Matrix3x5<f64>,
    gradient: Vector3<f64>,
}

/// Normal equations of the lens with all attitudes eliminated.
struct Sums {
    normal: Matrix5<f64>,
    gradient: Vector5<f64>,
    frames: Vec<FrameSums>,
}

impl Sums {
    fn new(terms: &[Vec<Term>], scale2: f64) -> Option<Self> {
        let mut sums = Self {
            normal: Matrix5::zeros(),
            gradient: Vector5::zeros(),
            frames: Vec::with_capacity(terms.len()),
        };
        for frame in terms {
            sums.add(frame, scale2)?;
        }
        Some(sums)
    }

    fn add(&mut self, terms: &[Term], scale2: f64) -> Option<()> {
        let mut own = Matrix3::zeros();
        let mut cross = Matrix3x5::zeros();
        let mut gradient = Vector3::zeros();
        for term in terms {
            let robust = 1.0 / (1.0 + term.mahalanobis2() / (6.0 * scale2));
            let weight = term.weight * (robust / scale2);
            let turn = term.derivative.fixed_columns::<3>(0).into_owned();
            let mut lens = nalgebra::Matrix2x5::zeros();
            lens.fixed_columns_mut::<3>(0)
                .copy_from(&term.derivative.fixed_columns::<3>(3));
            // The picture moves along with the lens's centre.
            lens.fixed_columns_mut::<2>(3).fill_with_identity();
            own += turn.transpose() * weight * turn;
            cross += turn.transpose() * weight * lens;
            gradient += turn.transpose() * weight * term.residual;
            self.normal += lens.transpose() * weight * lens;
            self.gradient += lens.transpose() * weight * term.residual;
        }
        let inverse = own.try_inverse()?;
        self.normal -= cross.transpose() * inverse * cross;
        self.gradient -= cross.transpose() * inverse * gradient;
        self.frames.push(FrameSums {
            inverse,
            cross,
            gradient,
        });
        Some(())
    }
}

/// Sigma that holds a centre in place, pixels.
const HELD_PX: f64 = 1e-6;

/// What is known of any lens beforehand: weights of its terms about none.
struct Prior(Vector5<f64>);

impl Prior {
    fn new(corner_tangent: f64, centre: Centre) -> Self {
        let (k1_sigma, k2_sigma) = distortion_limits(corner_tangent);
        let hold = match centre {
            Centre::Held => HELD_PX.powi(-2),
            Centre::Free => 0.0,
        };
        Self(Vector5::new(
            0.0,
            k1_sigma.powi(-2),
            k2_sigma.powi(-2),
            hold,
            hold,
        ))
    }

    fn added_to(&self, normal: Matrix5<f64>) -> Matrix5<f64> {
        normal + Matrix5::from_diagonal(&self.0)
    }

    /// The centre's weight pulls it to where it is, the others' to no distortion.
    fn pulled(&self, gradient: Vector5<f64>, lens: &Lens) -> Vector5<f64> {
        let pull = Vector5::new(0.0, -lens.k1, -lens.k2, 0.0, 0.0);
        gradient + self.0.component_mul(&pull)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Match;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};
    use crate::sky::{Direction, Rotation};
    use crate::units::{Angle, PixelPoint, PixelVector, Pixels};

    const MIDDLE: PixelPoint = PixelPoint::new(999.5, 666.5);

    fn lens(center: PixelPoint) -> Lens {
        Lens {
            focal_px: 1360.0,
            center,
            k1: -0.11,
            k2: 0.09,
        }
    }

    /// A frame through a lens, as it would be identified through a plain one.
    fn view(noise: &mut FieldNoise, lens: &Lens) -> (StarField, Plate) {
        let turn = Vector3::new(noise.normal(), noise.normal(), noise.normal());
        let attitude = Rotation3::new(turn);
        let pose = Pose {
            lens: *lens,
            attitude,
            squeeze: Squeeze::default(),
        };
        let catalogue = Catalogue::embedded();
        let reach = Angle::from_deg(45.0);
        let (mut stars, mut matches) = (Vec::new(), Vec::new());
        for catalogue_idx in catalogue.within(Direction::new(attitude * Vector3::z()), reach, 5.5) {
            let Some(place) = pose.project(&catalogue.vector(catalogue_idx)) else {
                continue;
            };
            if !(0.0..2000.0).contains(&place.x) || !(0.0..1334.0).contains(&place.y) {
                continue;
            }
            let (dx, dy) = (0.2 * noise.normal(), 0.2 * noise.normal());
            matches.push(Match {
                star_idx: stars.len(),
                catalogue_idx,
                residual: PixelVector::default(),
            });
            stars.push(star_at(place.x + dx, place.y + dy, 1.0, 0.2));
        }
        let plain = Lens {
            k1: 0.0,
            k2: 0.0,
            center: MIDDLE,
            ..*lens
        };
        let plate = Plate {
            lens: plain,
            focal_sigma: 1e-3,
            k1_sigma: 0.01,
            attitude: Rotation::new(attitude),
            attitude_covariance: Matrix3::identity() * 1e-8,
            matches,
            rms: Pixels::new(0.3),
            log10_chance: -50.0,
            k2_sigma: 0.01,
            frame_center: MIDDLE,
        };
        (field_of(2000, 1334, stars), plate)
    }

    fn shared(center: PixelPoint, seed: u64) -> KnownLens {
        let mut noise = FieldNoise::new(seed);
        let views: Vec<_> = (0..6).map(|_| view(&mut noise, &lens(center))).collect();
        let borrowed: Vec<_> = views.iter().map(|(field, plate)| (field, plate)).collect();
        fit_shared_lens(&borrowed).expect("a lens")
    }

    #[test]
    fn frames_together_tell_distortion_and_a_centre_that_is_not_the_frames() {
        let center = PixelPoint::new(1015.0, 670.0);
        let known = shared(center, 61);
        assert!(known.lens.center.distance(center).px() < 1.0, "{known:?}");
        assert!((known.lens.focal_px / 1360.0).ln().abs() < 4.0 * known.focal_sigma);
        assert!(
            (known.lens.k1 + 0.11).abs() < 5.0 * known.k1_sigma,
            "{known:?}"
        );
        assert!(
            (known.lens.k2 - 0.09).abs() < 5.0 * known.k2_sigma,
            "{known:?}"
        );
    }

    #[test]
    fn a_centre_that_the_stars_do_not_tell_is_left_at_the_frames() {
        let known = shared(MIDDLE, 62);
        assert!(known.lens.center.distance(MIDDLE).px() < 1e-3, "{known:?}");
        assert!((known.lens.k1 + 0.11).abs() < 5.0 * known.k1_sigma);
    }

    #[test]
    fn no_frames_tell_nothing() {
        assert!(fit_shared_lens(&[]).is_none());
    }
}
