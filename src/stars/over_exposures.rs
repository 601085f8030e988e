//! Lens and trail told apart over frames of different exposure: a trail grows with the exposure, what a
//! lens does to the stars stays.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Vector2};

use super::calibration::Calibration;
use super::elongation::{ElongationFit, ROUNDNESS_FLOOR};
use super::field::median;
use super::shape::shapely;
use super::trail::{lens_shape, trail_by_elongation};
use super::{FrameTrail, LensShape, StarField};
use crate::units::{Measured, PixelPoint, Pixels, Seconds};

/// A frame as a witness of its lens.
#[derive(Debug, Clone, Copy)]
pub struct Exposed<'a> {
    /// Its stars.
    pub field: &'a StarField,
    /// How long it was exposed.
    pub length: Seconds,
    /// Frames of one number were taken with the camera in one place on the tracker: their trails point
    /// the same way and grow alike.
    pub stand: usize,
}

/// What frames of different exposure say about their lens.
#[derive(Debug, Clone, PartialEq)]
pub struct LensOverExposures {
    /// Numbers of the frames that it rests on, as they were given.
    pub frames: Vec<usize>,
    /// Shortest and longest exposure.
    pub exposures: [Seconds; 2],
    /// The trail that would draw stars as long as the lens leaves them at the centre of the frame.
    pub at_center: FrameTrail,
    /// What the lens does in the corners, free of any turn of the field.
    pub corner: LensShape,
    /// Frames of short trails, and the trail that each would show at its centre in a perfect lens.
    pub trails: Vec<(usize, FrameTrail)>,
}

impl LensOverExposures {
    /// Sigmas by which the stars at the centre are out of round; the length's sigma is no measure of it,
    /// for a length goes with the root of what is measured.
    pub fn center_significance(&self) -> f64 {
        // The direction's sigma is half the elongation's over the elongation.
        0.5 / self.at_center.angle_sigma.rad().max(1e-9)
    }

    /// The same of the pattern in the corners.
    pub fn corner_significance(&self) -> f64 {
        let Measured { value, sigma } = self.corner.corner;
        let size = value.px().powi(2);
        size / ((value + sigma).px().powi(2) - size).max(1e-9)
    }
}

/// Numbers of an elongation pattern: two at the centre, four slopes, two of the radial pattern.
const PATTERN: usize = 8;
const CENTER: usize = 2;
/// Numbers of a stand's trail: two of its elongation at the centre, and the turn of the field in pixels at
/// half the diagonal, for the longest exposure.
const GROWING: usize = 3;
/// The longest exposure of a stand over its shortest that tells a trail from a lens at all.
const APART: f64 = 1.4;
/// How unlike the trails of a stand's frames are, 1-sigma, shares of what their exposures let expect: a
/// drive that swings, a breeze. All are tried; the frames say which (own choice of range).
const UNLIKE: [f64; 7] = [0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 2.0];
/// What a lens leaves at the centre, 1-sigma, shares of a star's second moment: what good ones do, and what
/// one that is out of line does (own choice). Both are tried.
const LEFT: [f64; 2] = [ROUNDNESS_FLOOR, 0.1];
/// Patterns off the centre, and growing trails, are no larger than this share of a star's second moment.
const ANY: f64 = 30.0;
/// Turn of the field during the longest exposure, 1-sigma, pixels at half the diagonal (own choice).
const TURN_PX: f64 = 5.0;
/// Reduced chi-square of frames that fit one lens and one trail that grows at all: of a drive that stood
/// in one of them they tell nothing.
const SOUND: f64 = 9.0;
/// Frames that are asked, at most: more tell little else.
const MOST_FRAMES: usize = 60;
/// Least change of trails from frame to frame, share of a star's second moment.
const STIR: f64 = 0.002;

/// Tells lens and trail apart.
///
/// Method: the elongation of a frame's stars over the field (values at the centre, slopes, radial
/// pattern) is the lens's, which all frames share, and the trail's, uniform and turning, which in each
/// stand grows with the square of the exposure; trails at the centre differ from that by a share of
/// themselves. One fit of all frames with their covariances for each size of that share and of what the lens may leave
/// at the centre; the answers count with their evidence. Long trails tell their length and nothing
/// of the lens.
///
/// `None` where no stand has exposures of different length, too few stars tell a pattern, or the frames
/// do not fit together.
pub fn lens_over_exposures(frames: &[Exposed<'_>]) -> Option<LensOverExposures> {
    let seen = Seen::all(frames)?;
    let ways: Vec<Way> = UNLIKE
        .iter()
        .flat_map(|unlike| LEFT.map(|left| (*unlike, left)))
        .filter_map(|(unlike, left)| seen.fit(unlike, left))
        .collect();
    let best = ways
        .iter()
        .max_by(|a, b| a.evidence.total_cmp(&b.evidence))?;
    if best.misfit > SOUND {
        return None;
    }
    let top = best.evidence;
    let whole: f64 = ways.iter().map(|way| (way.evidence - top).exp()).sum();
    let weights: Vec<f64> = ways
        .iter()
        .map(|way| (way.evidence - top).exp() / whole)
        .collect();
    let of =
        |part: &dyn Fn(&Way) -> Known| together(weights.iter().copied().zip(ways.iter().map(part)));
    let n_stars = seen.shapes.iter().map(|shape| shape.n_stars).sum();
    let exact = Calibration::exact();
    let center = of(&|way| way.at_center());
    let corner = of(&|way| way.corner());
    let trails = (0..seen.shapes.len()).filter(|&k| seen.shapes[k].is_short());
    let trails = trails.map(|k| {
        let trail = of(&|way| way.trails[k]);
        let n_stars = seen.shapes[k].n_stars;
        (seen.shapes[k].frame, trail_of(trail, n_stars, &exact))
    });
    let floor = ROUNDNESS_FLOOR * seen.width;
    let corner = Measured::new(corner.0.x, corner.1[(0, 0)].max(0.0).sqrt());
    Some(LensOverExposures {
        frames: seen.shapes.iter().map(|shape| shape.frame).collect(),
        exposures: seen.exposures,
        at_center: trail_of(center, n_stars, &exact),
        corner: LensShape {
            turn_told: true,
            ..lens_shape(corner, floor, &exact)
        },
        trails: trails.collect(),
    })
}

fn trail_of((mean, covariance): Known, n_stars: usize, exact: &Calibration) -> FrameTrail {
    let variance = [covariance[(0, 0)], covariance[(1, 1)]];
    let mut trail = trail_by_elongation([mean.x, mean.y], variance, exact, n_stars);
    // What is known by its square reaches further down than up.
    let Measured { value, sigma } = trail.length;
    let further = (value + sigma).px().powi(2);
    let nearer = (2.0 * value.px().powi(2) - further).max(0.0).sqrt();
    trail.length.sigma = sigma.max(value - Pixels::new(nearer));
    trail
}

/// Mean and covariance of several answers with their weights.
fn together(ways: impl Iterator<Item = (f64, Known)> + Clone) -> Known {
    let mean: Vector2<f64> = ways.clone().map(|(weight, (mean, _))| mean * weight).sum();
    let spread = ways.map(|(weight, (own, covariance))| {
        let off = own - mean;
        (covariance + off * off.transpose()) * weight
    });
    (mean, spread.sum())
}

/// Frames of the size of the first one and of stands whose exposures differ; of many, some spread evenly.
fn telling(frames: &[Exposed<'_>]) -> Vec<usize> {
    let size = |one: &Exposed<'_>| (one.field.width, one.field.height);
    let sound = |one: &&Exposed<'_>| one.length.s() > 0.0 && size(one) == size(&frames[0]);
    let lengths = |stand: usize| {
        let of_stand = frames
            .iter()
            .filter(sound)
            .filter(move |one| one.stand == stand);
        of_stand.map(|one| one.length.s())
    };
    let n_stands = frames.iter().map(|one| one.stand + 1).max().unwrap_or(0);
    let tells: Vec<bool> = (0..n_stands)
        .map(|stand| are_apart(lengths(stand), APART))
        .collect();
    let mut all: Vec<usize> = (0..frames.len())
        .filter(|number| sound(&&frames[*number]) && tells[frames[*number].stand])
        .collect();
    let step = all.len().div_ceil(MOST_FRAMES).max(1);
    // Of every length as many, whatever the order they were taken in.
    all.sort_by(|a, b| frames[*a].length.s().total_cmp(&frames[*b].length.s()));
    let mut some: Vec<usize> = all.into_iter().step_by(step).collect();
    some.sort_unstable();
    some
}

/// Whether the largest number is so many times the smallest.
fn are_apart(numbers: impl Iterator<Item = f64>, times: f64) -> bool {
    let (least, most) = numbers.fold((f64::MAX, 0.0), |(least, most): (f64, f64), one| {
        (least.min(one), most.max(one))
    });
    most >= times * least
}

/// An elongation at one place, square pixels: `Qxx - Qyy` and `2 Qxy`, and their covariance.
type Known = (Vector2<f64>, Matrix2<f64>);

/// The elongation that one frame shows.
struct Shape {
    /// Number of the frame.
    frame: usize,
    stand: usize,
    /// Square of the exposure over the longest.
    growth: f64,
    /// The pattern, square pixels; of long trails the values at the centre alone.
    values: DVector<f64>,
    covariance: DMatrix<f64>,
    n_stars: usize,
}

impl Shape {
    fn of(frame: usize, exposed: &Exposed<'_>, longest: Seconds) -> Option<Self> {
        let field = exposed.field;
        let is_long = field.stars.iter().any(|star| star.trail.is_some());
        let (values, covariance, n_stars) = if is_long {
            long(field.trail.as_ref()?)
        } else {
            short(field)?
        };
        Some(Self {
            frame,
            stand: exposed.stand,
            growth: (exposed.length / longest).powi(2),
            values,
            covariance,
            n_stars,
        })
    }

    fn is_short(&self) -> bool {
        self.values.len() == PATTERN
    }

    /// Rows by the lens's numbers and each stand's trail, about a trail `near`.
    fn design(&self, near: &[Trail]) -> DMatrix<f64> {
        let mut design = DMatrix::zeros(self.values.len(), PATTERN + GROWING * near.len());
        let from = PATTERN + GROWING * self.stand;
        for row in 0..CENTER {
            design[(row, from + row)] = self.growth;
        }
        if self.is_short() {
            design.fill_diagonal(1.0);
            let turned = near[self.stand].by_turn() * self.growth;
            design
                .view_mut((CENTER, from + CENTER), (PATTERN - CENTER, 1))
                .copy_from(&turned);
        }
        design
    }

    /// Its values less what the trail `near` adds to the straight rows of the design.
    fn straight(&self, near: &[Trail]) -> DVector<f64> {
        let mut values = self.values.clone();
        if self.is_short() {
            values[PATTERN - CENTER] -= self.growth * near[self.stand].turn.powi(2) / 12.0;
        }
        values
    }
}

/// A stand's trail in its longest exposure.
#[derive(Debug, Clone, Copy)]
struct Trail {
    /// At the centre, pixels.
    vector: [f64; 2],
    /// Turn of the field, pixels at half the diagonal.
    turn: f64,
}

impl Trail {
    fn of(elongation: [f64; 2], turn: f64) -> Self {
        let length = (12.0 * elongation[0].hypot(elongation[1])).sqrt();
        let (sin, cos) = (0.5 * elongation[1].atan2(elongation[0])).sin_cos();
        Self {
            vector: [length * cos, length * sin],
            turn,
        }
    }

    /// What a pixel of turn adds to slopes and radial pattern: at the place (x, y) in half diagonals the
    /// trail is `vector + turn (-y, x)`, and its elongation a twelfth of its square.
    fn by_turn(&self) -> DVector<f64> {
        let [dx, dy] = self.vector;
        let slopes = [-dy, dx, -dx, -dy].map(|d| d / 6.0);
        let [a, b, c, d] = slopes;
        DVector::from_vec(vec![a, b, c, d, -self.turn / 6.0, 0.0])
    }
}

/// Pattern of a frame whose stars are about as long as wide; `None` with too few of them.
fn short(field: &StarField) -> Option<(DVector<f64>, DMatrix<f64>, usize)> {
    let center = field.center();
    let scale = PixelPoint::new(0.0, 0.0).distance(center).px().max(1.0);
    let fit = ElongationFit::of(&shapely(field), center, scale)?;
    let (values, covariance) = fit.free;
    (values.len() == PATTERN).then_some((values, covariance, fit.used))
}

/// A long trail as the elongation that it is.
fn long(trail: &FrameTrail) -> (DVector<f64>, DMatrix<f64>, usize) {
    /// Ends of a long trail are where the light says, whatever the lens does: share of its elongation.
    const BY_LENS: f64 = 0.03;
    let length = trail.length.value.px();
    let size = length * length / 12.0;
    let (sin, cos) = (2.0 * trail.angle.angle().rad()).sin_cos();
    let sigma = trail
        .length
        .sigma
        .px()
        .max(length * trail.angle_sigma.rad());
    let sigma = (length * sigma / 6.0).hypot(BY_LENS * size);
    let values = DVector::from_vec(vec![size * cos, size * sin]);
    (
        values,
        DMatrix::identity(CENTER, CENTER) * sigma.powi(2),
        trail.n_stars,
    )
}

/// All frames.
struct Seen {
    shapes: Vec<Shape>,
    n_stands: usize,
    exposures: [Seconds; 2],
    /// Usual second moment of a star, square pixels.
    width: f64,
}

impl Seen {
    fn all(frames: &[Exposed<'_>]) -> Option<Self> {
        let chosen = telling(frames);
        let lengths = || chosen.iter().map(|number| frames[*number].length);
        let longest = lengths().reduce(Seconds::max)?;
        let shape = |number: &usize| Shape::of(*number, &frames[*number], longest);
        let mut shapes: Vec<Shape> = chosen.iter().filter_map(shape).collect();
        let mut stands: Vec<usize> = shapes.iter().map(|one| one.stand).collect();
        stands.sort_unstable();
        stands.dedup();
        for shape in &mut shapes {
            shape.stand = stands.binary_search(&shape.stand).ok()?;
        }
        let is_told = |stand: usize| {
            let of_stand = || shapes.iter().filter(|one| one.stand == stand);
            let growths = of_stand().map(|one| one.growth);
            are_apart(growths, APART * APART) && of_stand().any(Shape::is_short)
        };
        if !(0..stands.len()).any(is_told) {
            return None;
        }
        let used = || shapes.iter().map(|shape| frames[shape.frame].length);
        let exposures = [used().reduce(Seconds::min)?, used().reduce(Seconds::max)?];
        let width = |one: &Shape| {
            let stars = shapely(frames[one.frame].field);
            median(stars.iter().map(|s| 0.5 * (s.moments.xx + s.moments.yy)))
        };
        Some(Self {
            width: median(shapes.iter().filter(|one| one.is_short()).map(width)),
            n_stands: stands.len(),
            exposures,
            shapes,
        })
    }

    /// The fit for trails that differ from one another, and a lens that leaves stars out of round at the
    /// centre, by these shares: the likeliest of those that begin with no turn and with one either way.
    fn fit(&self, unlike: f64, left: f64) -> Option<Way> {
        let fits = [0.0, 1.0, -1.0].map(|turn| self.fit_about(turn, unlike, left));
        let fits = fits.into_iter().flatten();
        fits.max_by(|a, b| a.evidence.total_cmp(&b.evidence))
    }

    fn fit_about(&self, turn: f64, unlike: f64, left: f64) -> Option<Way> {
        const ROUNDS: usize = 6;
        let mut near = vec![Trail::of([0.0; 2], turn); self.n_stands];
        for shape in &self.shapes {
            let elongation = [0, 1].map(|k| shape.values[k] / shape.growth);
            let own = Trail::of(elongation, turn);
            let length = |one: &Trail| one.vector[0].hypot(one.vector[1]);
            if length(&own) > length(&near[shape.stand]) {
                near[shape.stand] = own;
            }
        }
        // The size of a trail says how much its frames may differ, and is known by the fit.
        let mut way = self.solve(&near, unlike, left)?;
        for _ in 1..ROUNDS {
            for (stand, trail) in near.iter_mut().enumerate() {
                let from = PATTERN + GROWING * stand;
                *trail = Trail::of([way.mean[from], way.mean[from + 1]], way.mean[from + 2]);
            }
            way = self.solve(&near, unlike, left)?;
        }
        Some(way)
    }

    fn solve(&self, near: &[Trail], unlike: f64, left: f64) -> Option<Way> {
        let n = PATTERN + GROWING * self.n_stands;
        let prior = DVector::from_fn(n, |k, _| {
            let is_turn = k >= PATTERN && (k - PATTERN) % GROWING == CENTER;
            let sigma = match k {
                _ if is_turn => TURN_PX,
                0..CENTER => left * self.width,
                _ => ANY * self.width,
            };
            sigma.powi(-2)
        });
        let mut normal = DMatrix::from_diagonal(&prior);
        let mut right = DVector::zeros(n);
        let mut evidence = 0.5 * prior.iter().map(|p| p.ln()).sum::<f64>();
        let mut witnesses = Vec::with_capacity(self.shapes.len());
        for shape in &self.shapes {
            let [dx, dy] = near[shape.stand].vector;
            let size = ((dx * dx + dy * dy) / 12.0).hypot(STIR * self.width);
            let stirred = (unlike * shape.growth * size).powi(2);
            let witness = Witness::of(shape, near, stirred)?;
            let weighed = witness.noise.solve(&witness.design);
            normal += witness.design.transpose() * &weighed;
            right += weighed.transpose() * &witness.values;
            evidence += witness.evidence();
            witnesses.push(witness);
        }
        let factor = normal.cholesky()?;
        let mean = factor.solve(&right);
        evidence += 0.5 * right.dot(&mean) - half_log(&factor);
        let covariance = factor.inverse();
        let trails = witnesses.iter().map(|one| one.trail(&mean, &covariance));
        let mut way = Way {
            trails: trails.collect(),
            misfit: 0.0,
            evidence,
            mean,
            covariance,
        };
        let misfit: f64 = witnesses.iter().map(|one| one.misfit(&way.mean)).sum();
        let rows: usize = self.shapes.iter().map(|shape| shape.values.len()).sum();
        way.widen(misfit / rows.saturating_sub(n).max(1) as f64);
        Some(way)
    }
}

type Factor = Cholesky<f64, Dyn>;

/// Half the logarithm of a determinant.
fn half_log(factor: &Factor) -> f64 {
    factor.l_dirty().diagonal().iter().map(|l| l.ln()).sum()
}

/// A frame's rows of the fit.
struct Witness<'a> {
    shape: &'a Shape,
    values: DVector<f64>,
    design: DMatrix<f64>,
    /// Of the covariance of its values, what stirs its trail included.
    noise: Factor,
    /// Variance of its trail about the growing one, square pixels squared.
    stirred: f64,
}

impl<'a> Witness<'a> {
    fn of(shape: &'a Shape, near: &[Trail], stirred: f64) -> Option<Self> {
        let mut noise = shape.covariance.clone();
        for k in 0..CENTER {
            noise[(k, k)] += stirred;
        }
        Some(Self {
            shape,
            values: shape.straight(near),
            design: shape.design(near),
            noise: noise.cholesky()?,
            stirred,
        })
    }

    fn evidence(&self) -> f64 {
        -0.5 * self.values.dot(&self.noise.solve(&self.values)) - half_log(&self.noise)
    }

    fn off(&self, mean: &DVector<f64>) -> DVector<f64> {
        &self.values - &self.design * mean
    }

    fn misfit(&self, mean: &DVector<f64>) -> f64 {
        let off = self.off(mean);
        off.dot(&self.noise.solve(&off))
    }

    /// Its trail as an elongation at the centre: its share of the growing one, and what it shows beyond.
    fn trail(&self, mean: &DVector<f64>, covariance: &DMatrix<f64>) -> Known {
        let gain = self.noise.inverse().rows(0, CENTER) * self.stirred;
        let from = PATTERN + GROWING * self.shape.stand;
        let grows = DMatrix::from_fn(CENTER, mean.len(), |row, column| {
            self.shape.growth * f64::from(column == from + row)
        });
        let trail = &grows * mean + &gain * self.off(mean);
        let slope = grows - &gain * &self.design;
        let own = DMatrix::identity(CENTER, CENTER) - gain.columns(0, CENTER);
        let known = &slope * covariance * slope.transpose() + own * self.stirred;
        (
            Vector2::new(trail[0], trail[1]),
            known.fixed_view::<2, 2>(0, 0).into_owned(),
        )
    }
}

/// One fit.
struct Way {
    /// Logarithm of the frames' probability, but for a constant that all fits share.
    evidence: f64,
    /// Reduced chi-square.
    misfit: f64,
    /// The lens's pattern, then each stand's trail in the longest exposure.
    mean: DVector<f64>,
    covariance: DMatrix<f64>,
    /// Trail of each frame as an elongation at the centre, with its covariance.
    trails: Vec<Known>,
}

impl Way {
    /// Frames that agree worse than their errors allow know less than they say.
    fn widen(&mut self, reduced: f64) {
        self.misfit = reduced;
        let factor = reduced.max(1.0);
        self.covariance *= factor;
        for trail in &mut self.trails {
            trail.1 *= factor;
        }
    }

    fn at_center(&self) -> Known {
        let mean = Vector2::new(self.mean[0], self.mean[1]);
        (mean, self.covariance.fixed_view::<2, 2>(0, 0).into_owned())
    }

    /// The radial pattern at half the diagonal, as the first of two numbers.
    fn corner(&self) -> Known {
        let (square, fourth) = (PATTERN - 2, PATTERN - 1);
        let c = &self.covariance;
        let variance = c[(square, square)] + 2.0 * c[(square, fourth)] + c[(fourth, fourth)];
        (
            Vector2::new(self.mean[square] + self.mean[fourth], 0.0),
            Matrix2::new(variance, 0.0, 0.0, 0.0),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Quality, Star};
    use super::*;
    use crate::units::{Angle, PixelTensor, PixelVector};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    /// Second moment of a star in a perfect lens.
    const WIDTH: f64 = 1.4;
    const SIGMA: f64 = 0.05;

    /// A lens and how fast it trails.
    #[derive(Clone, Copy)]
    struct Rig {
        /// Elongation left at the centre.
        left: [f64; 2],
        /// Elongation outwards at half the diagonal.
        corner: f64,
        /// Trail a second at the centre, and turn of the field a second, radians.
        speed: PixelVector,
        turn: f64,
    }

    const RIG: Rig = Rig {
        left: [0.06, -0.03],
        corner: 0.5,
        speed: PixelVector::new(0.020, 0.012),
        turn: 4e-6,
    };

    impl Rig {
        fn trail(&self, arm: PixelVector, length: f64) -> PixelVector {
            PixelVector::new(
                (self.speed.dx - self.turn * arm.dy) * length,
                (self.speed.dy + self.turn * arm.dx) * length,
            )
        }

        fn field(&self, length: f64, dice: &mut ChaCha8Rng) -> StarField {
            let (width, height) = (1500, 1000);
            let mut field = StarField::holding(width, height, Vec::new());
            let center = field.center();
            let scale = center.x.hypot(center.y);
            for _ in 0..120 {
                let position = PixelPoint::new(
                    dice.random_range(0.0..width as f64),
                    dice.random_range(0.0..height as f64),
                );
                let arm = position - center;
                let d = self.trail(arm, length);
                let (x, y) = (arm.dx / scale, arm.dy / scale);
                let mut noise = || SIGMA * dice.sample::<f64, _>(StandardNormal);
                let e1 = (d.dx * d.dx - d.dy * d.dy) / 12.0
                    + self.left[0]
                    + self.corner * (x * x - y * y)
                    + 2f64.sqrt() * noise();
                let e2 =
                    d.dx * d.dy / 6.0 + self.left[1] + self.corner * 2.0 * x * y + 2.0 * noise();
                field.stars.push(Star {
                    position,
                    position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
                    flux: Measured::new(100.0, 2.0),
                    peak: 0.2,
                    moments: PixelTensor::new(WIDTH + 0.5 * e1, 0.5 * e2, WIDTH - 0.5 * e1),
                    moments_sigma: PixelTensor::new(SIGMA, SIGMA, SIGMA),
                    trail: None,
                    quality: Quality::default(),
                });
            }
            field
        }
    }

    fn told(fields: &[(f64, StarField)]) -> Option<LensOverExposures> {
        let frames: Vec<Exposed> = fields
            .iter()
            .map(|(length, field)| Exposed {
                field,
                length: Seconds::new(*length),
                stand: 0,
            })
            .collect();
        lens_over_exposures(&frames)
    }

    fn elongation(trail: &FrameTrail) -> [f64; 2] {
        let size = trail.length.value.px().powi(2) / 12.0;
        let (sin, cos) = (2.0 * trail.angle.angle().rad()).sin_cos();
        [size * cos, size * sin]
    }

    #[test]
    fn a_lens_that_one_frame_takes_for_a_trail_is_told_by_a_shorter_one() {
        let mut dice = ChaCha8Rng::seed_from_u64(5);
        let fields = [20.0, 40.0, 80.0, 80.0].map(|t| (t, RIG.field(t, &mut dice)));
        let found = told(&fields).expect("exposures differ");
        let left = (12.0 * RIG.left[0].hypot(RIG.left[1])).sqrt();
        let off = (found.at_center.length.value.px() - left) / found.at_center.length.sigma.px();
        assert!(
            off.abs() < 3.0 && left > 4.0 * found.at_center.length.sigma.px(),
            "{found:?}"
        );
        let corner = (12.0 * RIG.corner).sqrt();
        let off = (found.corner.corner.value.px() - corner) / found.corner.corner.sigma.px();
        assert!(
            off.abs() < 3.0 && found.corner.corner.sigma.px() < 0.2,
            "{found:?}"
        );
        for (nth, trail) in &found.trails {
            let truth = RIG.trail(PixelVector::default(), fields[*nth].0);
            let off = (trail.length.value - truth.length()).px() / trail.length.sigma.px();
            assert!(
                off.abs() < 3.0 && trail.length.sigma.px() < 0.5,
                "{nth}: {trail:?} {truth:?}"
            );
        }
        assert_eq!((found.frames.len(), found.trails.len()), (4, 4));
    }

    #[test]
    fn sigmas_are_true_whether_trails_grow_alike_or_not() {
        const NIGHTS: u64 = 24;
        for unlike in [0.0, 0.3] {
            let (mut lens, mut trails, mut n) = (0.0, 0.0, 0.0);
            for seed in 0..NIGHTS {
                let mut dice = ChaCha8Rng::seed_from_u64(seed);
                let mut truths = Vec::new();
                let fields = [15.0, 30.0, 30.0, 60.0, 60.0].map(|t| {
                    let by: f64 = 1.0 + unlike * dice.sample::<f64, _>(StandardNormal);
                    let speed = RIG.speed * by.abs();
                    truths.push(speed * t);
                    (t, Rig { speed, ..RIG }.field(t, &mut dice))
                });
                let found = told(&fields).expect("exposures differ");
                let left = (12.0 * RIG.left[0].hypot(RIG.left[1])).sqrt();
                let Measured { value, sigma } = found.at_center.length;
                lens += ((value.px() - left) / sigma.px()).powi(2);
                for (nth, trail) in &found.trails {
                    let off = (trail.length.value - truths[*nth].length()).px();
                    trails += (off / trail.length.sigma.px()).powi(2);
                    n += 1.0;
                }
            }
            lens /= NIGHTS as f64;
            trails /= n;
            // Mean squares of pulls; few nights, and lengths of what is known by its square.
            assert!((0.2..1.8).contains(&lens), "{unlike}: lens {lens}");
            assert!((0.2..1.8).contains(&trails), "{unlike}: trails {trails}");
        }
    }

    #[test]
    fn a_long_trail_foretells_the_short_one_and_leaves_the_lens() {
        let mut dice = ChaCha8Rng::seed_from_u64(9);
        let mut long = StarField::holding(1500, 1000, RIG.field(1.0, &mut dice).stars);
        let d = RIG.trail(PixelVector::default(), 600.0);
        long.stars.iter_mut().for_each(|star| star.trail = Some(d));
        long.trail = Some(FrameTrail::seen(d, 0.05, Angle::from_deg(0.2)));
        let fields = [(60.0, RIG.field(60.0, &mut dice)), (600.0, long)];
        let found = told(&fields).expect("exposures differ");
        let [e1, e2] = elongation(&found.at_center);
        let sigma = found.at_center.length.sigma.px().powi(2) / 12.0;
        let off = (e1 - RIG.left[0]).hypot(e2 - RIG.left[1]);
        assert!(off < 3.0 * sigma.hypot(0.01) && sigma < 0.08, "{found:?}");
        assert_eq!(found.trails.len(), 1);
        assert_eq!(found.exposures.map(Seconds::s), [60.0, 600.0]);
    }

    #[test]
    fn of_many_frames_every_exposure_is_asked() {
        let field = StarField::holding(10, 10, Vec::new());
        let exposed = |nth: usize| Exposed {
            field: &field,
            length: Seconds::new([15.0, 60.0][nth % 2]),
            stand: nth / 400,
        };
        let frames: Vec<Exposed> = (0..401).map(exposed).collect();
        let chosen = telling(&frames);
        let short = chosen.iter().filter(|number| *number % 2 == 0).count();
        assert!((40..=MOST_FRAMES).contains(&chosen.len()), "{chosen:?}");
        assert!((20..=40).contains(&short), "{chosen:?}");
        // The last stand has one frame alone.
        assert!(!chosen.contains(&400));
    }

    #[test]
    fn exposures_alike_tell_nothing() {
        let mut dice = ChaCha8Rng::seed_from_u64(2);
        let fields = [60.0, 60.0, 70.0].map(|t| (t, RIG.field(t, &mut dice)));
        assert_eq!(told(&fields), None);
        assert_eq!(told(&[]), None);
    }
}
