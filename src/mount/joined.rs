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

/// A trail shorter than this many of its sigmas is not seen: it has no direction, and its length's
/// sigma holds both ways.
const SEEN: f64 = 2.0;

/// A normal distribution of the trail, not normalised.
struct Lobe {
    weight: f64,
    mean: Vector2<f64>,
    covariance: Matrix2<f64>,
}

/// The trail that shapes and motion between frames show together.
///
/// Method: every guess about the drive, with every size of unseen motion, foresees a trail and its
/// covariance; each is multiplied with the shape's (in both directions of the line, for a trail has
/// no arrow), and the products are added with their probabilities. Where the shape contradicts what
/// is foreseen, only the unlikely large unseen motions are left, and the shape's own trail comes out.
pub fn join(shape: &FrameTrail, drawn: &Drawn) -> Option<FrameTrail> {
    let (ways, noise) = shown_by(shape);
    let (even, slope) = (column(drawn.even), column(drawn.per_radian));
    let mut lobes = Vec::with_capacity(2 * UNSEEN.len() * drawn.turns.len());
    for turn in &drawn.turns {
        let foreseen = even + slope * turn.ahead.value.rad();
        let by_drive = slope * slope.transpose() * turn.ahead.sigma.rad().powi(2);
        for (chance, unseen) in UNSEEN {
            let covariance =
                matrix(drawn.unsure) + by_drive + Matrix2::identity() * unseen * unseen;
            let weight = turn.weight * chance;
            let shown = ways.iter();
            lobes
                .extend(shown.filter_map(|way| product(weight, foreseen, covariance, *way, noise)));
        }
    }
    let (mean, covariance) = mean_of(&mut lobes)?;
    Some(trail_of(mean, covariance, shape.n_stars))
}

/// The trail's vector as its shape shows it, both ways where it is seen, and its covariance.
fn shown_by(shape: &FrameTrail) -> (Vec<Vector2<f64>>, Matrix2<f64>) {
    let length = shape.length;
    if length.value < length.sigma * SEEN {
        let variance = length.sigma.max(length.value).px().powi(2);
        return (vec![Vector2::zeros()], Matrix2::identity() * variance);
    }
    let vector = column(shape.vector);
    (vec![vector, -vector], matrix(shape.covariance))
}

/// What a foreseen trail and a measured one leave together, weighed by how well they agree.
fn product(
    weight: f64,
    foreseen: Vector2<f64>,
    covariance: Matrix2<f64>,
    shown: Vector2<f64>,
    noise: Matrix2<f64>,
) -> Option<Lobe> {
    let both = covariance + noise;
    let inverse = both.try_inverse()?;
    let off = shown - foreseen;
    let gain = covariance * inverse;
    let likelihood = (-0.5 * off.dot(&(inverse * off))).exp() / both.determinant().sqrt();
    Some(Lobe {
        weight: weight * likelihood,
        mean: foreseen + gain * off,
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
