//! A frame's trail by both witnesses: its stars' shapes, and axis and drive between frames.

use nalgebra::{Matrix2, Vector2};

use super::within::TurnGuess;
use crate::stars::FrameTrail;
use crate::units::{Angle, AxialAngle, Measured, PixelTensor, PixelVector, Pixels};

/// The trail that axis and drive draw in an exposure.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// With a drive that keeps up with the sky.
    pub even: PixelVector,
    /// Covariance of `even` by what is not known about the axis.
    pub unsure: PixelTensor,
    /// What the drive adds for each radian that it turns ahead of the sky.
    pub per_radian: PixelVector,
    /// What the drive may have done.
    pub turns: Vec<TurnGuess>,
}

/// What moves the camera within an exposure and leaves no trace between frames, 1-sigma in pixels,
/// with its probability: mostly next to nothing; rarely a gust, a slip there and back, a shaken rig
/// of any size (own choice; larger ones would make the shapes count for more).
const UNSEEN: [(f64, f64); 5] = [
    (0.96, 0.03),
    (0.01, 0.3),
    (0.01, 1.0),
    (0.01, 3.0),
    (0.01, 10.0),
];

/// A trail shorter than this many of its sigmas is judged by its square, which is what shapes show and
/// what their errors are normal in; longer ones by their length (own choice: there both agree).
const BY_SQUARE: f64 = 5.0;
/// A direction's sigma from which on nothing is known of it.
const UNKNOWN: Angle = Angle::from_deg(90.0);
/// Points of a foreseen trail's distribution on either side of its mean, and how far they reach in sigmas.
const STEPS: i32 = 10;
const REACH: f64 = 4.0;

/// Mean and covariance of a trail with their probability, not normalised: a normal law that is foreseen, or
/// what a shape leaves of it.
struct Lobe {
    weight: f64,
    mean: Vector2<f64>,
    covariance: Matrix2<f64>,
}

/// What the shape of a frame's stars shows.
enum Shown {
    /// A trail both ways along its line, and its covariance.
    Line([Vector2<f64>; 2], Matrix2<f64>),
    /// An elongation, `Qxx - Qyy` and `2 Qxy`, square pixels, and the 1-sigma of each.
    Square(Vector2<f64>, f64),
}

/// The trail that shapes and motion between frames show together.
///
/// Method: every guess about the drive, with every size of unseen motion, foresees a trail and its
/// covariance; each is weighed by what the shape says (in both directions of the line, for a trail has
/// no arrow), and what is left of them is added with their probabilities. Where the shape contradicts
/// what is foreseen, only the unlikely large unseen motions are left, and the shape's own trail comes
/// out.
pub fn join(shape: &FrameTrail, drawn: &Drawn) -> Option<FrameTrail> {
    let Measured { value, sigma } = shape.length;
    if !(value + sigma).px().is_finite() {
        return None;
    }
    let shown = Shown::by(shape);
    let (even, slope) = (column(drawn.even), column(drawn.per_radian));
    let mut lobes = Vec::with_capacity(2 * UNSEEN.len() * drawn.turns.len());
    for turn in &drawn.turns {
        let mean = even + slope * turn.ahead.value.rad();
        let by_drive = slope * slope.transpose() * turn.ahead.sigma.rad().powi(2);
        for (chance, unseen) in UNSEEN {
            let foreseen = Lobe {
                weight: turn.weight * chance,
                mean,
                covariance: matrix(drawn.unsure) + by_drive + Matrix2::identity() * unseen * unseen,
            };
            shown.add(&foreseen, &mut lobes);
        }
    }
    let (mean, covariance) = mean_of(&mut lobes)?;
    Some(trail_of(mean, covariance, shape.n_stars))
}

impl Shown {
    fn by(shape: &FrameTrail) -> Self {
        let (length, sigma) = (shape.length.value.px(), shape.length.sigma.px());
        if length >= BY_SQUARE * sigma {
            let vector = column(shape.vector);
            return Self::Line([vector, -vector], matrix(shape.covariance));
        }
        // As the trail of an elongation is told: its noise's share taken off, its sigma upwards.
        let noise = ((length + sigma).powi(2) - length * length) / 12.0;
        let size = if length > 0.0 {
            (length * length / 12.0).hypot(noise)
        } else if shape.angle_sigma < UNKNOWN {
            noise / (2.0 * shape.angle_sigma.rad()).max(1.0)
        } else {
            0.0
        };
        let (sin, cos) = (2.0 * shape.angle.angle().rad()).sin_cos();
        Self::Square(Vector2::new(cos, sin) * size, noise)
    }

    /// Adds what the shape leaves of a foreseen trail.
    fn add(&self, foreseen: &Lobe, lobes: &mut Vec<Lobe>) {
        match self {
            Self::Line(ways, noise) => {
                lobes.extend(
                    ways.iter()
                        .filter_map(|way| product(foreseen, *way, *noise)),
                );
            }
            Self::Square(elongation, sigma) => {
                lobes.extend(squared_product(foreseen, *elongation, *sigma));
            }
        }
    }
}

/// What a foreseen trail and an elongation leave together, summed over points of the foreseen one's
/// distribution as far as the elongation allows; the halves on either side of its line apart, for they
/// are one trail.
fn squared_product(foreseen: &Lobe, elongation: Vector2<f64>, sigma: f64) -> Vec<Lobe> {
    let farthest = (12.0 * (elongation.norm() + REACH * sigma)).sqrt();
    let axes = foreseen.covariance.symmetric_eigen();
    let [first, second] = [0, 1].map(|k| {
        let line: Vector2<f64> = axes.eigenvectors.column(k).into_owned();
        let spread = axes.eigenvalues[k].max(1e-12).sqrt();
        let points = points_along(foreseen.mean.dot(&line), spread, farthest);
        points.map(|(at, share)| (line * at, share))
    });
    let half = 0.5 * elongation.y.atan2(elongation.x);
    let line = Vector2::new(half.cos(), half.sin());
    let mut halves = [(0.0, Vector2::zeros(), Matrix2::zeros()); 2];
    for (along, share) in first {
        for (across, other) in second {
            let trail: Vector2<f64> = along + across;
            let (x, y) = (trail.x, trail.y);
            let off = (Vector2::new(x * x - y * y, 2.0 * x * y) / 12.0 - elongation) / sigma;
            let weight = share * other * (-0.5 * off.norm_squared()).exp();
            let (sum, mean, squares) = &mut halves[usize::from(trail.dot(&line) < 0.0)];
            *sum += weight;
            *mean += trail * weight;
            *squares += trail * trail.transpose() * weight;
        }
    }
    let seen = halves.into_iter().filter(|half| half.0 > 0.0);
    let lobe = |(sum, mean, squares): (f64, Vector2<f64>, Matrix2<f64>)| {
        let mean = mean / sum;
        Lobe {
            weight: foreseen.weight * sum,
            mean,
            covariance: squares / sum - mean * mean.transpose(),
        }
    };
    seen.map(lobe).collect()
}

/// Points of a normal law with their probabilities, none farther from zero than given.
fn points_along(mean: f64, sigma: f64, farthest: f64) -> [(f64, f64); 2 * STEPS as usize + 1] {
    let [from, to] = [-REACH, REACH].map(|far| (mean + far * sigma).clamp(-farthest, farthest));
    let step = (to - from) / f64::from(2 * STEPS);
    std::array::from_fn(|k| {
        let at = from + step * k as f64;
        let off = (at - mean) / sigma;
        let density = (-0.5 * off * off).exp() / (sigma * std::f64::consts::TAU.sqrt());
        (at, density * step)
    })
}

/// What a foreseen trail and a measured one leave together, weighed by how well they agree.
fn product(foreseen: &Lobe, shown: Vector2<f64>, noise: Matrix2<f64>) -> Option<Lobe> {
    let covariance = foreseen.covariance;
    let both = covariance + noise;
    let inverse = both.try_inverse()?;
    let off = shown - foreseen.mean;
    let gain = covariance * inverse;
    let likelihood = (-0.5 * off.dot(&(inverse * off))).exp() / both.determinant().sqrt();
    Some(Lobe {
        weight: foreseen.weight * likelihood,
        mean: foreseen.mean + gain * off,
        covariance: covariance - gain * covariance,
    })
}

/// Mean and covariance of all lobes together, each turned to the likeliest one's side; `None` where
/// nothing agrees with anything.
fn mean_of(lobes: &mut [Lobe]) -> Option<(Vector2<f64>, Matrix2<f64>)> {
    let likeliest = lobes
        .iter()
        .max_by(|a, b| a.weight.total_cmp(&b.weight))?
        .mean;
    for lobe in lobes.iter_mut() {
        if lobe.mean.dot(&likeliest) < 0.0 {
            lobe.mean = -lobe.mean;
        }
    }
    let whole: f64 = lobes.iter().map(|lobe| lobe.weight).sum();
    if whole.is_nan() || whole <= f64::MIN_POSITIVE {
        return None;
    }
    let mean = lobes
        .iter()
        .map(|lobe| lobe.mean * lobe.weight)
        .sum::<Vector2<f64>>()
        / whole;
    let spread = |lobe: &Lobe| {
        let off = lobe.mean - mean;
        (lobe.covariance + off * off.transpose()) * lobe.weight
    };
    let covariance = lobes.iter().map(spread).sum::<Matrix2<f64>>() / whole;
    Some((mean, covariance))
}

fn trail_of(mean: Vector2<f64>, covariance: Matrix2<f64>, n_stars: usize) -> FrameTrail {
    let mean = if mean.x < 0.0 { -mean } else { mean };
    let length = mean.norm();
    let line = if length > 1e-9 {
        mean / length
    } else {
        Vector2::x()
    };
    let sigma = |line: Vector2<f64>| line.dot(&(covariance * line)).max(0.0).sqrt();
    let across = sigma(Vector2::new(-line.y, line.x));
    let vector = PixelVector::new(mean.x, mean.y);
    FrameTrail {
        vector,
        covariance: PixelTensor::new(covariance[(0, 0)], covariance[(0, 1)], covariance[(1, 1)]),
        length: Measured::new(Pixels::new(length), Pixels::new(sigma(line))),
        angle: AxialAngle::of(vector),
        angle_sigma: Angle::from_deg((across / length.max(1e-9)).to_degrees().min(90.0)),
        n_stars,
    }
}

fn column(vector: PixelVector) -> Vector2<f64> {
    Vector2::new(vector.dx, vector.dy)
}

fn matrix(tensor: PixelTensor) -> Matrix2<f64> {
    Matrix2::new(tensor.xx, tensor.xy, tensor.xy, tensor.yy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(dx: f64, dy: f64, sigma: f64) -> FrameTrail {
        let covariance = Matrix2::identity() * sigma * sigma;
        let mut trail = trail_of(Vector2::new(dx, dy), covariance, 100);
        trail.length.sigma = Pixels::new(sigma);
        trail
    }

    /// Axis and drive that draw (dx, dy), known to 0.02 px but for the drive's turn (along x, 4" a pixel).
    fn drawn(dx: f64, dy: f64, turn_sigma_arcsec: f64) -> Drawn {
        Drawn {
            even: PixelVector::new(dx, dy),
            unsure: PixelTensor::new(4e-4, 0.0, 4e-4),
            per_radian: PixelVector::new(Angle::from_arcsec(4.0).rad().recip(), 0.0),
            turns: vec![TurnGuess {
                weight: 1.0,
                ahead: Measured::new(Angle::ZERO, Angle::from_arcsec(turn_sigma_arcsec)),
            }],
        }
    }

    #[test]
    fn a_trail_too_short_to_be_seen_is_the_foreseen_one() {
        let joined = join(&shape(0.0, 0.0, 0.6), &drawn(-0.3, 0.2, 0.1)).expect("both agree");
        assert!(
            (joined.length.value.px() - 0.13f64.sqrt()).abs() < 0.02,
            "{joined:?}"
        );
        assert!(joined.length.sigma.px() < 0.1, "{joined:?}");
        assert!(joined.vector.dx > 0.0 && joined.vector.dy < 0.0);
    }

    #[test]
    fn two_witnesses_know_more_than_one() {
        let joined = join(&shape(-3.1, 0.02, 0.1), &drawn(3.0, 0.0, 0.4)).expect("both agree");
        assert!((joined.length.value.px() - 3.05).abs() < 0.01, "{joined:?}");
        assert!(
            (joined.length.sigma.px() - 0.0725).abs() < 0.01,
            "{joined:?}"
        );
    }

    /// A shape that shows nothing, its elongation known to s, and a drive that nobody knows: with
    /// a = 288 s^2 the trail along its motion has the density exp(-x^4 / a), and the mean length is
    /// a^(1/4) times G(1/2) / G(1/4) (Abramowitz & Stegun 1964, 6.1.8 and 6.1.10).
    #[test]
    fn a_shape_judges_by_the_square_of_the_length() {
        const GAMMA_RATIO: f64 = 1.772_453_9 / 3.625_609_9;
        for sigma in [0.2, 0.4, 0.8_f64] {
            let own = shape(0.0, 0.0, sigma);
            let joined = join(&own, &drawn(0.0, 0.0, 200.0)).expect("both agree");
            let noise = sigma * sigma / 12.0;
            let wanted = (288.0 * noise * noise).powf(0.25) * GAMMA_RATIO;
            let found = joined.length.value.px();
            assert!((found / wanted - 1.0).abs() < 0.02, "{found} for {wanted}");
            assert!(
                joined.vector.dx > 20.0 * joined.vector.dy.abs(),
                "{joined:?}"
            );
        }
    }

    #[test]
    fn a_shape_that_contradicts_is_believed() {
        for (dx, dy) in [(2.0, 3.0), (0.9, 6.0), (-25.0, 0.0)] {
            let own = shape(dx, dy, 0.1);
            let joined = join(&own, &drawn(0.5, 0.0, 0.4)).expect("unseen motion");
            let off = joined.length.value - own.length.value;
            assert!(off.abs().px() < 0.05, "{joined:?}");
            assert!(
                (joined.length.sigma.px() / 0.1 - 1.0).abs() < 0.1,
                "{joined:?}"
            );
        }
    }

    #[test]
    fn a_drive_that_nobody_knows_leaves_the_shape_along_its_motion() {
        let joined = join(&shape(2.0, 0.3, 0.1), &drawn(0.0, 0.0, 40.0)).expect("both agree");
        assert!((joined.vector.dx - 2.0).abs() < 0.05, "{joined:?}");
        assert!(joined.covariance.yy < 0.03, "{joined:?}");
    }
}
