//! The joint fit of a pointing: attitudes of all frames, places of all stars, lens and air at once.
//!
//! Method: Gauss-Newton on pixels with robust weights (damped where a step is long), star places
//! eliminated ([`super::reduced`]). A star that is identified is held at its catalogue place by
//! the sigma that goes with it; others stand where their frames put them. Lens and air are held
//! at what is known of them, so that what is not known of them widens the attitudes' covariance.
//! Low stars count as far as one knows the air near the ground; the bend of a long path is told
//! from the stars' shapes ([`super::smear`]).

use std::sync::OnceLock;

use nalgebra::{Matrix2, Matrix2x6, Matrix3, Matrix3x2, Matrix6};
use nalgebra::{Rotation3, Vector2, Vector3, Vector6};
use rayon::prelude::*;

use super::attitude::{Anchor, Reference};
use super::envelope::{Envelope, Factor};
use super::lens::Lens;
use super::reduced::{Hold, Reduced, Row};
use super::weighing::{CUT, Sized, Tally, common_variance, frame_variances, robust_scale, weigh};
use crate::sky::rotation::skew;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::units::{Angle, PixelPoint, PixelVector, Seconds};

/// A star in a frame, as the fit sees it.
#[derive(Clone, Copy)]
pub(super) struct Seen {
    /// Which star.
    pub(super) star: usize,
    /// Where it was measured.
    pub(super) place: PixelPoint,
    /// Inverse covariance of `place` by the star finder, 1 / square pixels.
    pub(super) information: Matrix2<f64>,
}

/// A star's place at the reference instant.
#[derive(Clone, Copy)]
pub(super) struct Place {
    /// Where it is now thought to stand.
    pub(super) direction: Direction<Horizon>,
    /// Where the catalogue has it.
    pub(super) anchor: Option<Anchor>,
}

/// One frame: its instant, its stars, its attitude.
pub(super) struct Frame {
    pub(super) elapsed: Seconds,
    /// Spread of the light over the stars' path ([`super::smear`]).
    pub(super) smear: Seconds,
    pub(super) seen: Vec<Seen>,
    pub(super) attitude: Rotation<Camera, Horizon>,
    /// How the air's strength moves each of `seen`, worked out once: places hardly move in a fit.
    pub(super) by_air: OnceLock<Vec<Vector3<f64>>>,
}

/// Everything that is fitted together.
pub(super) struct Joint<'a> {
    pub(super) reference: &'a Reference<'a>,
    /// The reference's frame, counted among `frames`, if it is there.
    pub(super) held_frame: usize,
    pub(super) frames: Vec<Frame>,
    pub(super) stars: Vec<Place>,
    pub(super) lens: Lens,
    /// Strength of the air over what the reference's `evolve` takes, minus one.
    pub(super) air: f64,
}

/// What comes out, beside the improved frames.
pub(super) struct Outcome {
    /// Of each frame with all else held.
    pub(super) own: Vec<Matrix3<f64>>,
    /// Of all frames' rotation vectors together and what they share.
    pub(super) information: Envelope,
    /// Residuals of each frame.
    pub(super) tallies: Vec<Tally>,
}

/// Rounds at most; each makes the error of the linear model some hundred times smaller.
const MAX_ROUNDS: usize = 20;
/// The fit is settled where no frame moves by more than this many of its own sigmas.
const SETTLED: f64 = 1e-3;
/// A step is shortened to this many radians: beyond, the linear model does not hold.
const LONGEST_STEP: f64 = 0.02;
/// How loosely the steps of the reference attitude are held, radians. It damps the steps in the
/// directions that no star tells and takes no part in where they end; looser than this, the
/// rounding of sums over thousands of stars is as large as the hold and the steps run astray.
const REFERENCE_SIGMA: f64 = 1e-4;
/// The same where stars with names tell every direction; a tighter hold would only slow the fit.
const NAMED_REFERENCE_SIGMA: f64 = 1e-3;
/// Sine of the altitude (2 degrees) below which refraction is anybody's guess.
const LEAST_ALTITUDE_SINE: f64 = 0.035;

impl Joint<'_> {
    /// Fits; `None` where the equations cannot be solved.
    ///
    /// Numbered steps: 1. all frames weighed as their stars state; 2. by the variance that all
    /// residuals show; 3. by the variance that each frame's residuals show.
    pub(super) fn solve(&mut self) -> Option<Outcome> {
        let mut cut_scale = f64::INFINITY;
        // 1.
        let stated = vec![1.0; self.frames.len()];
        let tallies = self.settle(&stated, &mut cut_scale)?.tallies;
        // 2.
        let common = common_variance(&tallies);
        cut_scale = f64::INFINITY;
        let alike = vec![common; self.frames.len()];
        let tallies = self.settle(&alike, &mut cut_scale)?.tallies;
        // 3.
        let variances = frame_variances(&tallies, common);
        let linear = self.settle(&variances, &mut cut_scale)?;
        Some(Outcome {
            information: self.held(linear.reduced.matrix()?),
            own: linear.reduced.own,
            tallies: linear.tallies,
        })
    }

    /// Steps until nothing moves any more; returns the equations there.
    fn settle(&mut self, variances: &[f64], cut_scale: &mut f64) -> Option<Linear> {
        let mut factor: Option<Factor> = None;
        let mut before = f64::INFINITY;
        for _ in 0..MAX_ROUNDS {
            let linear = self.linear(variances, cut_scale)?;
            // The factor of an earlier round serves while steps shrink fast with it.
            let usable = match factor.take() {
                Some(factor) => factor,
                None => self.held(linear.reduced.matrix()?).cholesky()?,
            };
            let step = linear.reduced.step(&usable);
            let size = step_size(&linear.reduced, &step.frames);
            if size < SETTLED {
                return Some(linear);
            }
            self.take(&step);
            let shrinks = before.is_finite() && size < 0.3 * before;
            factor = shrinks.then_some(usable);
            before = size;
        }
        self.linear(variances, cut_scale)
    }

    /// The matrix with the reference frame held.
    fn held(&self, mut matrix: Envelope) -> Envelope {
        let named = self.stars.iter().any(|star| star.anchor.is_some());
        let sigma: f64 = if named {
            NAMED_REFERENCE_SIGMA
        } else {
            REFERENCE_SIGMA
        };
        let hold = Matrix3::identity() * sigma.powi(-2);
        matrix.add_block(3 * self.held_frame, &hold);
        matrix
    }

    fn take(&mut self, step: &super::reduced::Step) {
        let longest = step.frames.iter().map(|v| v.norm()).fold(0.0, f64::max);
        let shorten = (LONGEST_STEP / longest.max(LONGEST_STEP)).min(1.0);
        for (frame, turn) in self.frames.iter_mut().zip(&step.frames) {
            frame.attitude = Rotation::new(Rotation3::new(turn * shorten) * frame.attitude.inner());
        }
        for (star, moved) in self.stars.iter_mut().zip(&step.stars) {
            let place = star.direction.vector();
            star.direction = Direction::new(place + tangents(place) * moved * shorten);
        }
        let common = step.common * shorten;
        self.lens.focal_px *= common[0].exp();
        self.lens.k1 += common[1];
        self.lens.k2 += common[2];
        self.lens.center.x += common[3];
        self.lens.center.y += common[4];
        self.air += common[5];
    }

    /// Numbered steps: 1. rows of all frames; 2. how well each star's place is known from all of
    /// them and its anchor; 3. each residual's size; 4. the scale of all residuals and the
    /// weights; 5. the equations.
    fn linear(&self, variances: &[f64], cut_scale: &mut f64) -> Option<Linear> {
        // 1.
        let mut rows: Vec<Vec<Row>> = self.frames.par_iter().map(|f| self.rows(f)).collect();
        // 2.
        let holds: Vec<_> = self.stars.iter().map(Place::hold).collect();
        let mut whole: Vec<f64> = holds.iter().map(|h| 0.5 * h.information.trace()).collect();
        let per_square = self.lens.focal_px.powi(2);
        let own = |row: &Row, variance: f64| 0.5 * row.weight.trace() * per_square / variance;
        for (rows, variance) in rows.iter().zip(variances) {
            for row in rows {
                whole[row.star] += own(row, *variance);
            }
        }
        // 3.
        let sizes: Vec<Vec<Sized>> = rows
            .par_iter()
            .zip(variances)
            .map(|(rows, &variance)| {
                let sized =
                    |row: &Row| Sized::new(row, own(row, variance), whole[row.star], variance);
                rows.iter().map(sized).collect()
            })
            .collect();
        // 4.
        *cut_scale = cut_scale.min(robust_scale(&sizes));
        let tallies = rows
            .par_iter_mut()
            .zip(&sizes)
            .zip(variances)
            .map(|((rows, sizes), &variance)| weigh(rows, sizes, *cut_scale, variance))
            .collect();
        // 5.
        let reduced = Reduced::new(&rows, &holds, &self.common_hold())?;
        Some(Linear { reduced, tallies })
    }

    fn common_hold(&self) -> Hold<Matrix6<f64>, Vector6<f64>> {
        let doubt = &self.reference.doubt;
        let sigma = Vector6::new(
            doubt.focal,
            doubt.k1,
            doubt.k2,
            doubt.center_px,
            doubt.center_px,
            doubt.air.map_or(0.0, |air| air.sigma),
        );
        // What has no doubt is held hard, not infinitely hard.
        let information = sigma.map(|s| s.max(1e-9).powi(-2));
        let step = Vector6::new(
            (self.reference.lens.focal_px / self.lens.focal_px).ln(),
            self.reference.lens.k1 - self.lens.k1,
            self.reference.lens.k2 - self.lens.k2,
            doubt.center.x - self.lens.center.x,
            doubt.center.y - self.lens.center.y,
            -self.air,
        );
        Hold {
            information: Matrix6::from_diagonal(&information),
            step,
        }
    }

    /// Residuals and derivatives of a frame's stars; weights are the star finder's.
    fn rows(&self, frame: &Frame) -> Vec<Row> {
        let evolve = self.reference.evolve;
        let denser = self.reference.doubt.air.map(|air| (air.denser, air.step));
        let to_camera = frame.attitude.inverse();
        let matrix = to_camera.inner().matrix();
        let place_of = |seen: &Seen| self.stars[seen.star].direction;
        let changes = frame.by_air.get_or_init(|| {
            let change = |seen: &Seen| {
                denser.map_or(Vector3::zeros(), |(denser, step)| {
                    let now = evolve(place_of(seen), frame.elapsed);
                    (denser(now).vector() - now.vector()) / step
                })
            };
            frame.seen.iter().map(change).collect()
        });
        let places: Vec<_> = frame
            .seen
            .iter()
            .zip(changes)
            .map(|(seen, change)| {
                let place = place_of(seen);
                let now = evolve(place, frame.elapsed);
                (place.vector(), now.vector() + change * self.air, *change)
            })
            .collect();
        let turned = sky_turn(&places);
        let one = |(seen, (place, now, change)): (&Seen, &Moved)| {
            let low = denser.map_or(Some(Vector3::zeros()), |_| low_air(now))?;
            let in_camera = Direction::<Camera>::new(matrix * now);
            let expected = self.lens.pixel(in_camera)?;
            let bend = self.bend(*place, frame, matrix).unwrap_or_default();
            let off = seen.place - (expected + bend);
            let to_pixels = self.lens.jacobian(in_camera) * matrix;
            Some(Row {
                star: seen.star,
                off: Vector2::new(off.dx, off.dy),
                to_frame: to_pixels * skew(*now),
                to_star: to_pixels * turned * tangents(*place),
                to_common: self.by_common(in_camera, expected, to_pixels * change),
                weight: blurred(seen.information, to_pixels * low),
            })
        };
        frame.seen.iter().zip(&places).filter_map(one).collect()
    }

    /// How far a star's light lies on average from the middle of its path while the shutter was open;
    /// `None` where it did not run.
    ///
    /// Method: two points of the path, one standard deviation either way, have its mean and spread,
    /// which is all that counts of a path that is bent evenly.
    fn bend(
        &self,
        place: Vector3<f64>,
        frame: &Frame,
        to_camera: &Matrix3<f64>,
    ) -> Option<PixelVector> {
        if frame.smear.s() <= 0.0 {
            return None;
        }
        let at = |instant: Seconds| {
            let seen = (self.reference.evolve)(Direction::new(place), instant);
            self.lens.pixel(Direction::new(to_camera * seen.vector()))
        };
        let middle = at(frame.elapsed)?;
        let before = at(frame.elapsed - frame.smear)? - middle;
        let after = at(frame.elapsed + frame.smear)? - middle;
        Some((before + after) * 0.5)
    }

    /// Pixels per unit of the logarithm of the focal length, of both distortions, of the
    /// lens's centre and of the air.
    fn by_common(
        &self,
        in_camera: Direction<Camera>,
        expected: PixelPoint,
        by_air: Vector2<f64>,
    ) -> Matrix2x6<f64> {
        let v = in_camera.vector();
        let (x, y) = (v.x / v.z, v.y / v.z);
        let r2 = x * x + y * y;
        let bent = self.lens.focal_px * r2;
        let out = expected - self.lens.center;
        Matrix2x6::from_columns(&[
            Vector2::new(out.dx, out.dy),
            Vector2::new(x, y) * bent,
            Vector2::new(x, y) * (bent * r2),
            Vector2::x(),
            Vector2::y(),
            by_air,
        ])
    }
}

/// A star's place at the reference instant, now, and the change of the latter by the air's strength.
type Moved = (Vector3<f64>, Vector3<f64>, Vector3<f64>);

struct Linear {
    reduced: Reduced,
    tallies: Vec<Tally>,
}

impl Place {
    /// What the catalogue says, against where the star is now thought to stand; a star whose
    /// catalogue place is far off is let go (a wrong name).
    fn hold(&self) -> Hold<Matrix2<f64>, Vector2<f64>> {
        let free = Hold {
            information: Matrix2::zeros(),
            step: Vector2::zeros(),
        };
        let Some(anchor) = self.anchor else {
            return free;
        };
        let place = self.direction.vector();
        let step = tangents(place).transpose() * (anchor.place.vector() - place);
        let size = step.norm() / (std::f64::consts::SQRT_2 * anchor.sigma.rad());
        if size >= CUT {
            return free;
        }
        let weight = (1.0 - (size / CUT).powi(2)).powi(2) * anchor.sigma.rad().powi(-2);
        Hold {
            information: Matrix2::identity() * weight,
            step,
        }
    }
}

/// What a star's vertical place leaves open because the air near the ground is not the standard
/// one, as the 1-sigma displacement; `None` where no star is seen.
///
/// The second term of refraction, 0.067" tan^3 z, goes by how the air cools with height; it may be
/// off by a tenth (own estimate; the model itself is within 1.1" of ray traces 10 degrees up, where
/// this is 1.2").
fn low_air(seen: &Vector3<f64>) -> Option<Vector3<f64>> {
    const SECOND_TERM_SIGMA: Angle = Angle::from_arcsec(0.0067);
    if seen.z < LEAST_ALTITUDE_SINE {
        return None;
    }
    let across = (1.0 - seen.z * seen.z).max(0.0).sqrt();
    let upward = (Vector3::z() - seen * seen.z) / across.max(1e-9);
    Some(upward * (SECOND_TERM_SIGMA.rad() * (across / seen.z).powi(3)))
}

/// Information on a place once a displacement along `by` is not known, 1-sigma.
fn blurred(information: Matrix2<f64>, by: Vector2<f64>) -> Matrix2<f64> {
    let weighted = information * by;
    information - weighted * weighted.transpose() / (1.0 + by.dot(&weighted))
}

fn step_size(reduced: &Reduced, turns: &[Vector3<f64>]) -> f64 {
    let squares = turns.iter().zip(&reduced.own);
    squares
        .map(|(turn, own)| turn.dot(&(own * turn)))
        .fold(0.0, f64::max)
        .sqrt()
}

/// Two unit vectors at right angles to a direction and to each other.
fn tangents(v: Vector3<f64>) -> Matrix3x2<f64> {
    let helper = if v.z.abs() < 0.8 {
        Vector3::z()
    } else {
        Vector3::x()
    };
    let first = v.cross(&helper).normalize();
    Matrix3x2::from_columns(&[first, v.cross(&first)])
}

/// The rotation nearest to what the sky did to these places since the reference instant: good
/// enough for derivatives, where the air's bending is a thousandth.
fn sky_turn(places: &[Moved]) -> Matrix3<f64> {
    let mut cross = Matrix3::zeros();
    for (then, now, _) in places {
        cross += now * then.transpose();
    }
    Rotation::<Horizon, Horizon>::nearest(&cross)
        .map_or_else(Matrix3::identity, |turn| *turn.inner().matrix())
}
