//! A step of the drive angle between two frames or inside one.

use nalgebra::{SMatrix, SVector, Vector2, Vector3};

use super::invert::DriveAngle;
use super::swing::{Record, chance_of};
use crate::units::{Angle, AngularRate, Measured, Seconds};

/// A step of the drive angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveStep {
    /// Last frame before it (index in the alignment).
    pub before: usize,
    /// First frame after it; two further on where the step fell into the frame between.
    pub after: usize,
    /// Middle of the time in which it happened, from the night's reference instant.
    pub at: Seconds,
    /// How far the drive jumped ahead (positive) or back.
    pub size: Measured<Angle>,
    /// Mean rate over the sidereal rate, free of the step.
    pub rate_ratio: Measured<f64>,
    /// Odds that noise alone looks like this, [0, 1].
    pub odds: f64,
}

/// Odds of chance above which a step is not believed.
const LEAST_ODDS: f64 = 1e-3;
/// A step smaller than this is the gear's own swing (own choice).
const LEAST_ARCSEC: f64 = 4.0;
/// A step is larger than what its own record's slope adds up to, by this factor: a swing seen for a
/// part of its period looks like a slope with a step back.
const OVER_SLOPE: f64 = 2.0;
/// ... and than what it leaves over, root mean square.
const OVER_REST: f64 = 5.0;

struct Tried {
    gain: f64,
    chi_square: f64,
    n_free: usize,
    size: f64,
    size_sigma: f64,
    rate: f64,
    rate_sigma: f64,
    /// Stretch, and the frames of it before and after the step.
    place: (usize, usize, usize),
}

/// From this reduced chi-square on something swings beneath the step (own choice).
const SWINGS_BENEATH: f64 = 4.0;
/// A frame's own place is given up only for a gain in chi-square beyond this (odds of 1e-3).
const PRICE_OF_A_FRAME: f64 = 11.0;

impl Tried {
    fn is_inside(&self) -> bool {
        self.place.2 - self.place.1 > 1
    }
    fn cost(&self, scale: f64) -> f64 {
        let price = if self.is_inside() {
            PRICE_OF_A_FRAME
        } else {
            0.0
        };
        self.chi_square / scale + price
    }
}

/// Finds the step that explains a record, if one does.
///
/// Method: a step is tried at every gap between frames, and inside every frame, whose own place
/// then means nothing; rate and offsets are fitted along. It is believed if it leaves something
/// over to test it with, stands out of what it leaves, and chance would reach it with odds below
/// 1e-3 over all places tried.
pub fn find_step(stretches: &[&[DriveAngle]]) -> Option<DriveStep> {
    let long: Vec<&[DriveAngle]> = stretches.iter().copied().filter(|s| s.len() >= 2).collect();
    let record = Record::new(&long)?;
    let line = record.line_chi_square();
    let mut tried = Vec::new();
    for (idx, stretch) in record.stretches.iter().enumerate() {
        for after in 1..stretch.len() {
            tried.extend(between(&record, line, (idx, after - 1, after)));
        }
        for inside in 1..stretch.len().saturating_sub(1) {
            tried.extend(within(&record, line, (idx, inside - 1, inside + 1)));
        }
    }
    let n_tried = tried.len() as f64;
    // All places are weighed by the noise that the best of them leaves.
    let scales = tried
        .iter()
        .map(|one| (one.chi_square / one.n_free as f64).max(1.0));
    let scale = scales.reduce(f64::min)?;
    let best = tried
        .into_iter()
        .min_by(|a, b| a.cost(scale).total_cmp(&b.cost(scale)))?;
    let dimensions = if best.place.2 - best.place.1 == 1 {
        1
    } else {
        2
    };
    let odds = (chance_of(best.gain.max(0.0).sqrt(), dimensions) * n_tried).min(1.0);
    let rest = rest_of(&record, &best);
    let slope = best.rate.abs() * record.span;
    let size = best.size.abs();
    let stands_out = size > LEAST_ARCSEC
        && size > OVER_SLOPE * slope
        && size > OVER_REST * rest
        && size > OVER_REST * best.size_sigma;
    (odds < LEAST_ODDS && stands_out).then(|| step_of(&long, &best, odds))
}

/// A step in the gap between two neighbours.
fn between(record: &Record, line: f64, place: (usize, usize, usize)) -> Option<Tried> {
    let edge = edge_of(record, place);
    let sums = record.sums::<2>(|p| Vector2::new(p.time, f64::from(p.time > edge)));
    let solved = Solved::of(sums)?;
    tried(record, place, line, &solved)
}

/// A step while a frame was exposed: its place lies anywhere between the two levels.
fn within(record: &Record, line: f64, place: (usize, usize, usize)) -> Option<Tried> {
    let own = record.stretches[place.0][place.1 + 1].time;
    let sums = record
        .sums::<3>(|p| Vector3::new(p.time, f64::from(p.time > own), f64::from(p.time == own)));
    let solved = Solved::of(sums)?;
    // The frame's own place lies between the levels, or it is no step.
    let share = solved.parts[2] / solved.parts[1];
    if !(-0.05..1.05).contains(&share) {
        return None;
    }
    tried(record, place, line, &solved)
}

/// Best values of rate, size of the step and, within a frame, its place, one offset a stretch
/// eliminated.
struct Solved<const N: usize> {
    parts: SVector<f64, N>,
    covariance: SMatrix<f64, N, N>,
    chi_square: f64,
}

impl<const N: usize> Solved<N> {
    fn of((normal, right, square): (SMatrix<f64, N, N>, SVector<f64, N>, f64)) -> Option<Self> {
        let covariance = normal.try_inverse()?;
        let parts = covariance * right;
        Some(Self {
            parts,
            covariance,
            chi_square: (square - right.dot(&parts)).max(0.0),
        })
    }
}

fn tried<const N: usize>(
    record: &Record,
    place: (usize, usize, usize),
    line: f64,
    solved: &Solved<N>,
) -> Option<Tried> {
    let n_free = record.n_points.checked_sub(record.stretches.len() + N)?;
    if n_free == 0 {
        return None;
    }
    let scale = (solved.chi_square / n_free as f64).max(1.0);
    // A gear's swing beneath the step is no noise, and a scale from few frames may be small by luck:
    // Student's distribution is wider by about this much.
    let luck = if scale > SWINGS_BENEATH {
        ((n_free + 2) as f64 / n_free as f64).sqrt()
    } else {
        1.0
    };
    let sigma = |part: usize| (solved.covariance[(part, part)] * scale).sqrt() * luck;
    Some(Tried {
        gain: (line - solved.chi_square) / scale,
        chi_square: solved.chi_square,
        n_free,
        size: solved.parts[1],
        size_sigma: sigma(1),
        rate: solved.parts[0],
        rate_sigma: sigma(0),
        place,
    })
}

fn edge_of(record: &Record, (stretch, before, after): (usize, usize, usize)) -> f64 {
    let points = &record.stretches[stretch];
    0.5 * (points[before].time + points[after].time)
}

/// Root mean square of what the step leaves over, arcsec.
fn rest_of(record: &Record, best: &Tried) -> f64 {
    let points = record.stretches.iter().flatten();
    let mean_variance = points.map(|p| p.sigma * p.sigma).sum::<f64>() / record.n_points as f64;
    (best.chi_square / best.n_free as f64 * mean_variance).sqrt()
}

fn step_of(stretches: &[&[DriveAngle]], best: &Tried, odds: f64) -> DriveStep {
    let (stretch, before, after) = best.place;
    let (before, after) = (&stretches[stretch][before], &stretches[stretch][after]);
    let sidereal = AngularRate::SIDEREAL.arcsec_per_s();
    DriveStep {
        before: before.frame,
        after: after.frame,
        at: Seconds::new(0.5 * (before.mid + after.mid)),
        size: Measured::new(
            Angle::from_arcsec(best.size),
            Angle::from_arcsec(best.size_sigma),
        ),
        rate_ratio: Measured::new(1.0 + best.rate / sidereal, best.rate_sigma / sidereal),
        odds,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn record(ahead: impl Fn(f64) -> f64, n_frames: usize, seed: u64) -> Vec<DriveAngle> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let of = |frame: usize| {
            let mid = 60.0 * frame as f64;
            let noise: f64 = StandardNormal.sample(&mut random);
            DriveAngle {
                frame,
                mid,
                angle: AngularRate::SIDEREAL.rad_per_s() * mid
                    + Angle::from_arcsec(ahead(mid) + 0.2 * noise).rad(),
                sigma: Angle::from_arcsec(0.2).rad(),
                residual: Vector3::zeros(),
                chi_square: 0.0,
            }
        };
        (0..n_frames).map(of).collect()
    }

    #[test]
    fn a_step_is_found_with_its_place_and_size_with_unit_pulls() {
        let mut square = 0.0;
        for seed in 0..200 {
            let drive = record(|t| if t > 200.0 { -30.0 } else { 0.0 }, 7, seed);
            let step = find_step(&[&drive]).unwrap();
            assert_eq!((step.before, step.after), (3, 4));
            square += ((step.size.value.arcsec() + 30.0) / step.size.sigma.arcsec()).powi(2);
        }
        // The sigma widens with what is left over in half of the trials, never narrows.
        let spread = (square / 200.0).sqrt();
        assert!((0.8..1.1).contains(&spread), "pull spread {spread}");
    }

    #[test]
    fn a_step_inside_a_frame_leaves_that_frame_between() {
        let place = |t: f64| match t {
            t if t < 170.0 => 0.0,
            t if t < 190.0 => 11.0,
            _ => 25.0,
        };
        let drive = record(place, 7, 1);
        let step = find_step(&[&drive]).unwrap();
        assert_eq!((step.before, step.after), (2, 4));
        assert!((step.size.value.arcsec() - 25.0).abs() < 2.0);
    }

    #[test]
    fn swings_and_noise_are_no_steps() {
        for seed in 0..40 {
            let phase = seed as f64 * 0.157;
            let swing = |t: f64| 30.0 * (t / 480.0 * std::f64::consts::TAU + phase).sin();
            for n_frames in [5, 6, 8, 12] {
                assert_eq!(
                    find_step(&[&record(swing, n_frames, seed)]),
                    None,
                    "{n_frames}, phase {phase}"
                );
                assert_eq!(find_step(&[&record(|_| 0.0, n_frames, seed)]), None);
            }
        }
    }
}
