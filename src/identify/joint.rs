//! The joint fit of a pointing: attitudes of all frames, places of all stars, lens and air at once.
//!
//! Method: Gauss-Newton on pixels with robust weights (damped where a step is long), star places
//! eliminated ([`super::reduced`]). A star that is identified is held at its catalogue place by
//! the sigma that goes with it; others stand where their frames put them. Lens and air are held
//! at what is known of them, so that what is not known of them widens the attitudes' covariance.

use nalgebra::{Cholesky, DMatrix, Dyn, Matrix2, Matrix2x3, Matrix3, Matrix3x2, Rotation3};
use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use super::attitude::{Anchor, Reference};
use super::lens::Lens;
use super::reduced::{Hold, Reduced, Row};
use crate::sky::rotation::skew;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::units::{PixelPoint, Seconds};

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
    pub(super) seen: Vec<Seen>,
    pub(super) attitude: Rotation<Camera, Horizon>,
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
    /// Of all frames' rotation vectors together, all else eliminated.
    pub(super) information: DMatrix<f64>,
    /// Stars that count and root mean square residual, a frame.
    pub(super) quality: Vec<(usize, f64)>,
}

/// Rounds at most; each makes the error of the linear model some hundred times smaller.
const MAX_ROUNDS: usize = 12;
/// The fit is settled where no frame moves by more than this many of its own sigmas.
const SETTLED: f64 = 1e-3;
/// A step is shortened to this many radians: beyond, the linear model does not hold.
const LONGEST_STEP: f64 = 0.02;
/// How loosely the reference attitude is held, radians: enough to make the equations solvable
/// where no star has a name, far too loose to matter (a reference is good to minutes of arc).
const REFERENCE_SIGMA: f64 = 0.02;
/// Residuals count nothing from here on, in robust sigmas (Tukey's biweight). At 6 the variance of
/// an attitude is 1.006 times the least; sum of weights and residual scale are both 5 % low, which
/// cancels in the covariance to 0.998 (integrals of two-dimensional normal residuals).
const CUT: f64 = 6.0;
/// The stars' own sigmas count as much as this many residuals when a frame's residual scale is
/// taken: a frame with a handful of stars is not believed to be ten times better than its stars.
const SCALE_TRUST: f64 = 10.0;

impl Joint<'_> {
    /// Fits; `None` where the equations cannot be solved.
    pub(super) fn solve(&mut self) -> Option<Outcome> {
        let mut scales = vec![f64::INFINITY; self.frames.len()];
        let mut factor: Option<Cholesky<f64, Dyn>> = None;
        let mut before = f64::INFINITY;
        for _ in 0..MAX_ROUNDS {
            let reduced = self.linear(&mut scales)?.reduced;
            // The factor of an earlier round serves while steps shrink fast with it.
            let usable = match factor.take() {
                Some(factor) => factor,
                None => self.held(reduced.matrix()).cholesky()?,
            };
            let step = reduced.step(&usable);
            let size = step_size(&reduced, &step.frames);
            self.take(&step);
            if size < SETTLED {
                break;
            }
            factor = (size < 0.3 * before).then_some(usable);
            before = size;
        }
        let linear = self.linear(&mut scales)?;
        let matrix = self.held(linear.reduced.matrix());
        Some(Outcome {
            information: linear.reduced.frames_information(&matrix)?,
            own: linear.reduced.own,
            quality: linear.quality,
        })
    }

    /// The matrix with the reference frame held.
    fn held(&self, mut matrix: DMatrix<f64>) -> DMatrix<f64> {
        for part in 0..3 {
            let at = 3 * self.held_frame + part;
            matrix[(at, at)] += REFERENCE_SIGMA.powi(-2);
        }
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
        self.lens.focal_px *= (step.common.x * shorten).exp();
        self.lens.k1 += step.common.y * shorten;
        self.air += step.common.z * shorten;
    }

    /// Rows of all frames with weights and scales, and the equations they make.
    fn linear(&self, scales: &mut [f64]) -> Option<Linear> {
        let sizes: Vec<Matrix2<f64>> = self.star_information(scales);
        let frames: Vec<WeighedFrame> = self
            .frames
            .par_iter()
            .zip(scales.par_iter())
            .map(|(frame, scale)| self.weigh(frame, *scale, &sizes))
            .collect();
        let mut rows = Vec::with_capacity(frames.len());
        let mut quality = Vec::with_capacity(frames.len());
        for (frame, scale) in frames.into_iter().zip(scales) {
            *scale = frame.scale;
            quality.push((frame.n_stars, frame.rms_px));
            rows.push(frame.rows);
        }
        let holds: Vec<_> = self.stars.iter().map(Place::hold).collect();
        let reduced = Reduced::new(&rows, &holds, &self.common_hold())?;
        Some(Linear { reduced, quality })
    }

    fn common_hold(&self) -> Hold<Matrix3<f64>, Vector3<f64>> {
        let doubt = &self.reference.doubt;
        let sigma = Vector3::new(
            doubt.focal,
            doubt.k1,
            doubt.air.map_or(0.0, |air| air.sigma),
        );
        // What has no doubt is held hard, not infinitely hard.
        let information = sigma.map(|s| s.max(1e-9).powi(-2));
        let step = Vector3::new(
            (self.reference.lens.focal_px / self.lens.focal_px).ln(),
            self.reference.lens.k1 - self.lens.k1,
            -self.air,
        );
        Hold {
            information: Matrix3::from_diagonal(&information),
            step,
        }
    }

    /// How well each star's place is known from all its frames and its anchor, in its tangent
    /// plane, 1 / square radians: for the share of its own noise that a residual lacks.
    fn star_information(&self, scales: &[f64]) -> Vec<Matrix2<f64>> {
        let mut sizes: Vec<Matrix2<f64>> =
            self.stars.iter().map(|s| s.hold().information).collect();
        for (frame, scale) in self.frames.iter().zip(scales) {
            let scale = if scale.is_finite() { *scale } else { 1.0 };
            let per_square = (self.lens.focal_px / scale).powi(2);
            for seen in &frame.seen {
                let mean = 0.5 * seen.information.trace();
                sizes[seen.star] += Matrix2::identity() * (mean * per_square);
            }
        }
        sizes
    }

    fn weigh(&self, frame: &Frame, last_scale: f64, sizes: &[Matrix2<f64>]) -> WeighedFrame {
        let unit = if last_scale.is_finite() {
            last_scale
        } else {
            1.0
        };
        let unweighed = self.rows(frame);
        let measured: Vec<Sized> = unweighed
            .iter()
            .map(|row| {
                // A residual is smaller than its star's error, because the star's place rests on it.
                let own = 0.5 * row.weight.trace() * (self.lens.focal_px / unit).powi(2);
                let whole = 0.5 * sizes[row.star].trace();
                let left = (1.0 - own / whole).max(LEAST_LEFT);
                let square = (row.off.transpose() * row.weight * row.off)[0] / (2.0 * left);
                Sized { square, left }
            })
            .collect();
        let scale = robust_scale(&measured).min(last_scale);
        let mut weighed = WeighedFrame {
            rows: Vec::with_capacity(unweighed.len()),
            scale,
            n_stars: 0,
            rms_px: 0.0,
        };
        let (mut weights, mut squares, mut squares_px) = (0.0, 0.0, 0.0);
        for (mut row, sized) in unweighed.into_iter().zip(measured) {
            let size = sized.square.sqrt() / scale;
            if size >= CUT {
                continue;
            }
            let weight = (1.0 - (size / CUT).powi(2)).powi(2);
            // A star that rests on this frame alone says nothing about the frame's scale.
            let counted = weight * sized.left.min(1.0);
            weights += counted;
            squares += counted * sized.square;
            squares_px += counted * row.off.norm_squared() / (2.0 * sized.left);
            row.weight *= weight;
            weighed.n_stars += 1;
            weighed.rows.push(row);
        }
        // Two residuals a star, three numbers of the frame.
        let freedom = (2.0 * weights - 3.0).max(0.0);
        let variance = (SCALE_TRUST + 2.0 * squares) / (SCALE_TRUST + freedom);
        weighed.rms_px = (squares_px / weights.max(1e-9)).sqrt();
        for row in &mut weighed.rows {
            row.weight /= variance;
        }
        weighed
    }

    /// Residuals and derivatives of a frame's stars; weights are the star finder's.
    fn rows(&self, frame: &Frame) -> Vec<Row> {
        let evolve = self.reference.evolve;
        let denser = self.reference.doubt.air.map(|air| (air.denser, air.step));
        let to_camera = frame.attitude.inverse();
        let matrix = to_camera.inner().matrix();
        let places: Vec<_> = frame
            .seen
            .iter()
            .map(|seen| {
                let place = self.stars[seen.star].direction;
                let now = evolve(place, frame.elapsed);
                let change = denser.map_or(Vector3::zeros(), |(denser, step)| {
                    (denser(place, frame.elapsed).vector() - now.vector()) / step
                });
                (place.vector(), now.vector() + change * self.air, change)
            })
            .collect();
        let turned = sky_turn(&places);
        let one =
            |(seen, (place, now, change)): (&Seen, &(Vector3<f64>, Vector3<f64>, Vector3<f64>))| {
                let in_camera = Direction::<Camera>::new(matrix * now);
                let expected = self.lens.pixel(in_camera)?;
                let off = seen.place - expected;
                let to_pixels = self.lens.jacobian(in_camera) * matrix;
                Some(Row {
                    star: seen.star,
                    off: Vector2::new(off.dx, off.dy),
                    to_frame: to_pixels * skew(*now),
                    to_star: to_pixels * turned * tangents(*place),
                    to_common: self.by_common(in_camera, expected, to_pixels * change),
                    weight: seen.information,
                })
            };
        frame.seen.iter().zip(&places).filter_map(one).collect()
    }

    /// Pixels per unit of the logarithm of the focal length, of the distortion and of the air.
    fn by_common(
        &self,
        in_camera: Direction<Camera>,
        expected: PixelPoint,
        by_air: Vector2<f64>,
    ) -> Matrix2x3<f64> {
        let v = in_camera.vector();
        let (x, y) = (v.x / v.z, v.y / v.z);
        let bent = self.lens.focal_px * (x * x + y * y);
        let out = expected - self.lens.center;
        Matrix2x3::new(out.dx, bent * x, by_air.x, out.dy, bent * y, by_air.y)
    }
}

/// Least share of its noise that a residual is taken to hold.
const LEAST_LEFT: f64 = 1e-6;

struct Linear {
    reduced: Reduced,
    quality: Vec<(usize, f64)>,
}

struct WeighedFrame {
    rows: Vec<Row>,
    scale: f64,
    n_stars: usize,
    rms_px: f64,
}

/// Square of a residual per coordinate, in units of its star's error, and the share of that error
/// that the residual holds.
struct Sized {
    square: f64,
    left: f64,
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
fn sky_turn(places: &[(Vector3<f64>, Vector3<f64>, Vector3<f64>)]) -> Matrix3<f64> {
    let mut cross = Matrix3::zeros();
    for (then, now, _) in places {
        cross += now * then.transpose();
    }
    Rotation::<Horizon, Horizon>::nearest(&cross)
        .map_or_else(Matrix3::identity, |turn| *turn.inner().matrix())
}

/// Residual scale from the median of the stars that can tell: the median of a chi-square of two
/// degrees of freedom, over two, is ln 2.
fn robust_scale(measured: &[Sized]) -> f64 {
    let mut squares: Vec<f64> = measured
        .iter()
        .filter(|sized| sized.left > 0.1)
        .map(|sized| sized.square)
        .collect();
    if squares.is_empty() {
        return 1.0;
    }
    squares.sort_by(f64::total_cmp);
    let middle = squares[squares.len() / 2];
    (middle / std::f64::consts::LN_2).sqrt().max(LEAST_SCALE)
}

/// Residuals are never taken to be smaller than this share of what the stars say: few stars fit
/// their own mean by chance.
const LEAST_SCALE: f64 = 0.3;
