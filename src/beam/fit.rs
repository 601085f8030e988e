//! Least squares of the marks' distances from the beam's path.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::curve::Cone;
use super::{MarkError, PointerFit, PointerTest, PointerUnknown, Wall, WallPoint, angle_of};
use crate::units::{Angle, Length, Measured};

/// A tape measure over some metres in the dark is good to this (own estimate).
const TAPE: Length = Length::from_mm(10.0);
/// Marks that a guessed error counts for, against the marks' own scatter.
const GUESS_WEIGHT: f64 = 4.0;
/// A radius with a larger share of itself as sigma is none.
const VAGUE: f64 = 0.5;
/// Steps of the fit; it takes five to ten.
const MOST_STEPS: usize = 100;
/// Slopes that the fit of a slanted wall starts from: 30 degrees, to every side.
const FIRST_SLOPE: f64 = 0.577;

/// The beam against its housing, from marks on a wall.
///
/// Method: 1. a circle by linear least squares as a start (Kasa: x^2 + y^2 is linear in centre and
/// radius); 2. damped least squares of the orthogonal distances from the path; 3. covariance from
/// the normal matrix and the marks' error; a guessed error is corrected by the scatter found.
/// Marks that do not leave one point by more than their error are a beam on its axis.
/// Output: 1-sigma uncertainties to first order; the path's own bias is below them as long as the
/// marks' error is below the radius.
///
/// # Errors
/// [`PointerUnknown`]: too few marks, or marks on too short a part of the path.
pub fn fit_pointer(test: &PointerTest) -> Result<PointerFit, PointerUnknown> {
    let needed = test.wall.marks_needed();
    let given = test.marks.len();
    if given < needed {
        return Err(PointerUnknown::TooFewMarks { given, needed });
    }
    let marks: Vec<Vector2<f64>> = test.marks.iter().map(|mark| mark.vector()).collect();
    let (MarkError::Known(expected) | MarkError::Guessed(expected)) = test.mark_error;
    if is_one_point(&marks, expected.mm()) {
        return Ok(on_axis(test, &marks, expected.mm()));
    }
    let distance = test.distance.mm();
    let start = circle(&marks, distance).ok_or(PointerUnknown::ShortArc)?;
    let free = match test.wall {
        Wall::Square => 3,
        Wall::Slanted => 5,
    };
    let starts: Vec<Cone> = match test.wall {
        Wall::Square => vec![start],
        Wall::Slanted => leaning(start),
    };
    let best = starts
        .into_iter()
        .filter_map(|start| refine(&marks, start, free))
        .min_by(|a, b| a.square_sum.total_cmp(&b.square_sum))
        .ok_or(PointerUnknown::ShortArc)?;
    let fit = best.report(test, &marks, free);
    let is_vague = fit.radius.sigma > fit.radius.value * VAGUE && fit.is_seen_beyond(&marks);
    if is_vague || !fit.radius.sigma.mm().is_finite() {
        return Err(PointerUnknown::ShortArc);
    }
    Ok(fit)
}

impl PointerFit {
    /// Whether the circle is larger than the marks are spread: then its radius is a guess.
    fn is_seen_beyond(&self, marks: &[Vector2<f64>]) -> bool {
        let middle = mean(marks);
        let spread = marks.iter().map(|mark| (mark - middle).norm());
        self.radius.value.mm() > 1.5 * spread.fold(0.0, f64::max)
    }
}

fn mean(marks: &[Vector2<f64>]) -> Vector2<f64> {
    marks.iter().sum::<Vector2<f64>>() / marks.len() as f64
}

/// Whether all marks are one point as far as their error tells.
fn is_one_point(marks: &[Vector2<f64>], sigma: f64) -> bool {
    let middle = mean(marks);
    let square_sum: f64 = marks
        .iter()
        .map(|mark| (mark - middle).norm_squared())
        .sum();
    let degrees = 2.0 * (marks.len() - 1) as f64;
    // The mean of chi-square plus two of its standard deviations.
    square_sum / (sigma * sigma) <= degrees + 2.0 * (2.0 * degrees).sqrt()
}

/// A beam that draws no circle: all marks are the axis.
fn on_axis(test: &PointerTest, marks: &[Vector2<f64>], sigma: f64) -> PointerFit {
    let center = mean(marks);
    let n = marks.len() as f64;
    let distances = || marks.iter().map(|mark| (mark - center).norm());
    let spread = distances().map(|d| d * d).sum::<f64>() / n;
    // The marks' own error is taken off; what is left is no more than it.
    let radius = (spread - 2.0 * sigma * sigma * (n - 1.0) / n)
        .max(0.0)
        .sqrt();
    let covariance = Matrix2::identity() * (sigma * sigma / n);
    let farthest = distances().enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
    let (idx, distance) = farthest.unwrap_or((0, 0.0));
    PointerFit {
        center: WallPoint::of(center),
        center_covariance: covariance,
        radius: Measured::new(Length::from_mm(radius), Length::from_mm(sigma)),
        angle: angle(radius, sigma, test.distance),
        slant: None,
        mark_sigma: Length::from_mm(sigma),
        misfit: None,
        farthest: (idx, Length::from_mm(distance)),
        to_center: WallPoint::of(center - marks[test.current]),
        move_covariance: Matrix2::identity() * (sigma * sigma * (1.0 + 1.0 / n)),
        beam_sides: [WallPoint::from_mm(1.0, 0.0), WallPoint::from_mm(0.0, 1.0)],
    }
}

fn angle(radius: f64, sigma: f64, distance: Length) -> Measured<Angle> {
    let value = angle_of(Length::from_mm(radius), distance);
    let by_marks = sigma / distance.mm();
    let by_tape = value.rad() * (TAPE / distance);
    Measured::new(value, Angle::from_rad(by_marks.hypot(by_tape)))
}

/// Circle by linear least squares; `None` for marks in a row.
fn circle(marks: &[Vector2<f64>], distance: f64) -> Option<Cone> {
    let middle = mean(marks);
    let mut normal = nalgebra::Matrix3::zeros();
    let mut right = nalgebra::Vector3::zeros();
    for mark in marks {
        let from = mark - middle;
        let row = nalgebra::Vector3::new(2.0 * from.x, 2.0 * from.y, 1.0);
        normal += row * row.transpose();
        right += row * from.norm_squared();
    }
    let solved = normal.cholesky()?.solve(&right);
    let square = solved.z + solved.xy().norm_squared();
    (square.is_finite() && square > 0.0).then(|| Cone {
        center: middle + solved.xy(),
        radius: square.sqrt(),
        slope: Vector2::zeros(),
        distance,
    })
}

/// Starts for a slanted wall: the same circle, leaning to four sides (opposite sides look alike).
fn leaning(start: Cone) -> Vec<Cone> {
    let lean = |turn: i32| {
        let side = Angle::from_deg(45.0 * f64::from(turn));
        Cone {
            slope: Vector2::new(side.cos(), side.sin()) * FIRST_SLOPE,
            radius: start.radius * 0.9,
            ..start
        }
    };
    (0..4).map(lean).collect()
}

/// A path that no step makes better.
struct Best {
    cone: Cone,
    square_sum: f64,
    /// Inverse of the normal matrix for marks of error one: centre, radius, slopes.
    inverse: DMatrix<f64>,
    /// Signed distances of the marks.
    distances: DVector<f64>,
}

impl Cone {
    fn shifted(&self, step: &[f64]) -> Self {
        let slope = |nth: usize| step.get(nth).copied().unwrap_or(0.0);
        Self {
            center: self.center + Vector2::new(step[0], step[1]),
            radius: self.radius + step[2],
            slope: self.slope + Vector2::new(slope(3), slope(4)),
            ..*self
        }
    }

    /// Derivatives of a spot by the parameters: columns.
    fn jacobian(&self, angle: f64, free: usize) -> DMatrix<f64> {
        let mut jacobian = DMatrix::zeros(2, free);
        for nth in 0..free {
            // Lengths by a micrometre, slopes by a millionth.
            let by = if nth < 3 { 1e-3 } else { 1e-6 };
            let mut step = vec![0.0; free];
            step[nth] = by;
            let ahead = self.shifted(&step).spot(angle);
            step[nth] = -by;
            let column = (ahead - self.shifted(&step).spot(angle)) / (2.0 * by);
            jacobian.column_mut(nth).copy_from(&column);
        }
        jacobian
    }

    /// Unit normal of the path, outwards.
    fn normal(&self, angle: f64) -> Vector2<f64> {
        let tangent = self.tangent(angle).normalize();
        Vector2::new(tangent.y, -tangent.x)
    }
}

/// Signed distances of the marks from the path, and their derivatives by the parameters.
fn linearised(marks: &[Vector2<f64>], cone: &Cone, free: usize) -> (DVector<f64>, DMatrix<f64>) {
    let mut distances = DVector::zeros(marks.len());
    let mut rows = DMatrix::zeros(marks.len(), free);
    for (nth, &mark) in marks.iter().enumerate() {
        let angle = cone.nearest_angle(mark);
        let normal = cone.normal(angle);
        distances[nth] = normal.dot(&(mark - cone.spot(angle)));
        let row = -(normal.transpose() * cone.jacobian(angle, free));
        rows.row_mut(nth).copy_from(&row);
    }
    (distances, rows)
}

/// Damped least squares: each step is tried with less and less damping, until none helps.
fn refine(marks: &[Vector2<f64>], start: Cone, free: usize) -> Option<Best> {
    let mut cone = start;
    let mut damping = 1e-3;
    let (mut distances, mut rows) = linearised(marks, &cone, free);
    for _ in 0..MOST_STEPS {
        let normal = rows.transpose() * &rows;
        let mut damped = normal.clone();
        for nth in 0..free {
            damped[(nth, nth)] *= 1.0 + damping;
        }
        let step = damped.cholesky()?.solve(&-(rows.transpose() * &distances));
        let next = cone.shifted(step.as_slice());
        let (next_distances, next_rows) = linearised(marks, &next, free);
        let better = next.radius > 0.0 && next_distances.norm() <= distances.norm();
        if !better {
            damping *= 10.0;
            if damping > 1e12 {
                break;
            }
            continue;
        }
        damping = (damping / 10.0).max(1e-12);
        (cone, distances, rows) = (next, next_distances, next_rows);
        if step.norm() < 1e-9 * cone.radius {
            break;
        }
    }
    let inverse = (rows.transpose() * &rows).try_inverse()?;
    Some(Best {
        cone,
        square_sum: distances.norm_squared(),
        inverse,
        distances,
    })
}

impl Best {
    fn report(&self, test: &PointerTest, marks: &[Vector2<f64>], free: usize) -> PointerFit {
        let cone = &self.cone;
        let degrees = marks.len() - free;
        let sigma = self.mark_sigma(test.mark_error, degrees);
        let covariance = &self.inverse * (sigma * sigma);
        let radius_sigma = covariance[(2, 2)].max(0.0).sqrt();
        let farthest = self.distances.iter().map(|d| d.abs()).enumerate();
        let (idx, distance) = farthest
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 0.0));
        let (to_center, move_covariance) = self.to_center(marks[test.current], &covariance, sigma);
        let expected = match test.mark_error {
            MarkError::Known(sigma) | MarkError::Guessed(sigma) => sigma.mm(),
        };
        // The wall may lean to either side: both draw the same ellipse, and the axis meets the wall
        // a little to this or that side of its middle. The middle is told, with the step as doubt.
        let to_middle = cone.middle() - cone.center;
        let doubt = to_middle * to_middle.transpose();
        PointerFit {
            center: WallPoint::of(cone.center + to_middle),
            center_covariance: covariance.fixed_view::<2, 2>(0, 0).into_owned() + doubt,
            radius: Measured::new(Length::from_mm(cone.radius), Length::from_mm(radius_sigma)),
            angle: angle(cone.radius, radius_sigma, test.distance),
            slant: (free == 5).then(|| slant(cone, &covariance)),
            mark_sigma: Length::from_mm(sigma),
            misfit: (degrees > 0).then(|| (self.square_sum / degrees as f64).sqrt() / expected),
            farthest: (idx, Length::from_mm(distance)),
            to_center: WallPoint::of(to_center + to_middle),
            move_covariance: move_covariance + doubt,
            beam_sides: cone.sides().on_wall().map(WallPoint::of),
        }
    }

    /// The marks' error: as known, or the guess corrected by what the marks show.
    fn mark_sigma(&self, error: MarkError, degrees: usize) -> f64 {
        match error {
            MarkError::Known(sigma) => sigma.mm(),
            MarkError::Guessed(guess) => {
                let weighed = GUESS_WEIGHT * guess.mm().powi(2) + self.square_sum;
                (weighed / (GUESS_WEIGHT + degrees as f64)).sqrt()
            }
        }
    }

    /// From the path's point nearest to a mark to the centre, with its covariance.
    ///
    /// Method: across the path that point is as well known as the path, along it as the mark, and
    /// the mark's error along the path does not move the path.
    fn to_center(
        &self,
        mark: Vector2<f64>,
        covariance: &DMatrix<f64>,
        sigma: f64,
    ) -> (Vector2<f64>, Matrix2<f64>) {
        let cone = &self.cone;
        let angle = cone.nearest_angle(mark);
        let normal = cone.normal(angle);
        let free = covariance.ncols();
        let across = normal * (normal.transpose() * cone.jacobian(angle, free));
        let mut by_parameters = -across;
        by_parameters[(0, 0)] += 1.0;
        by_parameters[(1, 1)] += 1.0;
        let by_path = &by_parameters * covariance * by_parameters.transpose();
        let along = Vector2::new(-normal.y, normal.x);
        let by_mark = along * along.transpose() * (sigma * sigma);
        (
            cone.center - cone.spot(angle),
            by_path.fixed_view::<2, 2>(0, 0).into_owned() + by_mark,
        )
    }
}

/// Angle between the axis and the wall's normal.
fn slant(cone: &Cone, covariance: &DMatrix<f64>) -> Measured<Angle> {
    let slope = cone.slope.norm();
    let along = cone.slope / slope.max(1e-9);
    let slopes = covariance.fixed_view::<2, 2>(3, 3);
    let variance = (along.transpose() * slopes * along)[(0, 0)];
    Measured::new(
        Angle::from_rad(slope.atan()),
        Angle::from_rad(variance.max(0.0).sqrt() / (1.0 + slope * slope)),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Rotation3, Vector3};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    const DISTANCE: Length = Length::from_mm(5000.0);

    fn test(marks: &[(f64, f64)], wall: Wall) -> PointerTest {
        PointerTest {
            marks: marks.iter().map(|m| WallPoint::from_mm(m.0, m.1)).collect(),
            current: 0,
            distance: DISTANCE,
            wall,
            mark_error: MarkError::Known(Length::from_mm(0.5)),
        }
    }

    /// Marks of a beam at an angle to an axis that meets a wall turned about its vertical: straight
    /// lines cut with a plane, apart from the formulas of `curve`.
    fn rendered(alpha: f64, slant: Angle, turns: &[f64]) -> Vec<(f64, f64)> {
        let wall = Rotation3::from_axis_angle(&Vector3::y_axis(), slant.rad());
        let (right, normal) = (wall * Vector3::x(), wall * Vector3::z());
        let to_wall = Vector3::new(0.0, 0.0, -DISTANCE.mm());
        let mark = |turn: &f64| {
            let beam = Vector3::new(turn.cos() * alpha.tan(), turn.sin() * alpha.tan(), -1.0);
            let hit = beam * (to_wall.dot(&normal) / beam.dot(&normal)) - to_wall;
            (hit.dot(&right) + 100.0, hit.y + 40.0)
        };
        turns.iter().map(mark).collect()
    }

    fn around(n: usize) -> Vec<f64> {
        (0..n)
            .map(|k| 0.3 + std::f64::consts::TAU * k as f64 / n as f64)
            .collect()
    }

    #[test]
    fn three_marks_by_hand() {
        // Right angle at (0, 0): the hypotenuse from (60, 0) to (0, 80) is the diameter, 100 mm.
        let fit =
            fit_pointer(&test(&[(0.0, 0.0), (60.0, 0.0), (0.0, 80.0)], Wall::Square)).unwrap();
        assert!((fit.center.right.mm() - 30.0).abs() < 1e-6);
        assert!((fit.center.up.mm() - 40.0).abs() < 1e-6);
        assert!((fit.radius.value.mm() - 50.0).abs() < 1e-6);
        // atan(50 / 5000) = 0.57294 deg = 34.376'.
        assert!((fit.angle.value.arcmin() - 34.376).abs() < 0.001);
        assert!((fit.to_center.right.mm() - 30.0).abs() < 1e-6);
        assert!(fit.misfit.is_none() && fit.is_seen());
    }

    #[test]
    fn four_marks_at_the_quarters_by_hand() {
        // Normal matrix of four marks at 0, 90, 180, 270 deg: 2, 2 and 4 on its diagonal.
        let marks = [(20.0, 0.0), (0.0, 20.0), (-20.0, 0.0), (0.0, -20.0)];
        let fit = fit_pointer(&test(&marks, Wall::Square)).unwrap();
        assert!((fit.radius.value.mm() - 20.0).abs() < 1e-6);
        assert!((fit.radius.sigma.mm() - 0.25).abs() < 1e-4);
        assert!((fit.center_sigma().mm() - 0.5 / 2f64.sqrt()).abs() < 1e-4);
        assert!((fit.to_center.right.mm() + 20.0).abs() < 1e-6);
    }

    #[test]
    fn two_marks_are_too_few_and_four_are_for_a_slanted_wall() {
        let two = fit_pointer(&test(&[(0.0, 0.0), (40.0, 0.0)], Wall::Square));
        assert_eq!(
            two,
            Err(PointerUnknown::TooFewMarks {
                given: 2,
                needed: 3
            })
        );
        let marks = rendered(0.004, Angle::from_deg(40.0), &around(4));
        let four = fit_pointer(&test(&marks, Wall::Slanted));
        assert_eq!(
            four,
            Err(PointerUnknown::TooFewMarks {
                given: 4,
                needed: 5
            })
        );
    }

    #[test]
    fn marks_in_a_row_or_on_a_short_arc_are_refused() {
        let row = [(0.0, 0.0), (20.0, 0.1), (40.0, 0.0), (60.0, -0.1)];
        assert_eq!(
            fit_pointer(&test(&row, Wall::Square)),
            Err(PointerUnknown::ShortArc)
        );
        let exact = [(0.0, 0.0), (20.0, 0.0), (40.0, 0.0)];
        assert_eq!(
            fit_pointer(&test(&exact, Wall::Square)),
            Err(PointerUnknown::ShortArc)
        );
    }

    #[test]
    fn marks_on_one_point_are_a_true_beam() {
        let fit =
            fit_pointer(&test(&[(10.0, 5.2), (10.3, 5.0), (9.8, 5.1)], Wall::Square)).unwrap();
        assert!(!fit.is_seen());
        assert!((fit.center.right.mm() - 10.0333).abs() < 1e-3);
        assert!((fit.radius.sigma.mm() - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_slanted_wall_is_told_from_a_larger_angle() {
        let slant = Angle::from_deg(40.0);
        let marks = rendered(0.006, slant, &around(8));
        let fit = fit_pointer(&test(&marks, Wall::Slanted)).unwrap();
        assert!((fit.angle.value.rad() - 0.006).abs() < 1e-6, "{fit:?}");
        assert!((fit.slant.unwrap().value.deg() - 40.0).abs() < 0.2);
        assert!((fit.center.right.mm() - 100.0).abs() < 0.4, "{fit:?}");
        assert!((fit.center.up.mm() - 40.0).abs() < 1e-3);
        let as_square = fit_pointer(&test(&marks, Wall::Square)).unwrap();
        assert!(as_square.misfit.unwrap() > 4.0);
    }

    /// Spreads of (found - true) / sigma over many sets of noisy marks; the shape of a set is given.
    fn pulls(wall: Wall, slant: Angle, turns: &[f64]) -> Vec<f64> {
        let clean = rendered(0.006, slant, turns);
        let noise = Normal::new(0.0, 0.5).unwrap();
        let mut dice = ChaCha8Rng::seed_from_u64(7);
        let (mut sums, n_sets) = (vec![0.0; 5], 600);
        for _ in 0..n_sets {
            let mut shake = |x: f64| x + noise.sample(&mut dice);
            let noisy: Vec<_> = clean.iter().map(|m| (shake(m.0), shake(m.1))).collect();
            let fit = fit_pointer(&test(&noisy, wall)).unwrap();
            let cov = fit.center_covariance;
            let first = Vector2::new(clean[0].0, clean[0].1);
            let wanted = Vector2::new(100.0, 40.0) - first;
            let found = fit.to_center.vector() - wanted;
            let moved = fit.move_covariance;
            let all = [
                (fit.center.right.mm() - 100.0) / cov[(0, 0)].sqrt(),
                (fit.center.up.mm() - 40.0) / cov[(1, 1)].sqrt(),
                (fit.angle.value.rad() - 0.006) / fit.angle.sigma.rad(),
                found.x / moved[(0, 0)].sqrt(),
                found.y / moved[(1, 1)].sqrt(),
            ];
            for (sum, pull) in sums.iter_mut().zip(all) {
                *sum += pull * pull;
            }
        }
        sums.iter()
            .map(|sum| (sum / f64::from(n_sets)).sqrt())
            .collect()
    }

    #[test]
    fn uncertainties_are_true() {
        // 600 sets tell a spread to 3 %; four times that is allowed.
        let square = pulls(Wall::Square, Angle::ZERO, &around(6));
        assert!(
            square.iter().all(|spread| (spread - 1.0).abs() < 0.12),
            "{square:?}"
        );
        let uneven = pulls(Wall::Square, Angle::ZERO, &[0.0, 0.8, 1.9, 3.0]);
        assert!(
            uneven.iter().all(|spread| (spread - 1.0).abs() < 0.12),
            "{uneven:?}"
        );
        let slanted = pulls(Wall::Slanted, Angle::from_deg(40.0), &around(9));
        assert!(
            slanted.iter().all(|spread| (spread - 1.0).abs() < 0.12),
            "{slanted:?}"
        );
    }

    #[test]
    fn a_guessed_error_follows_the_scatter() {
        let mut noisy = test(&rendered(0.006, Angle::ZERO, &around(12)), Wall::Square);
        for (nth, mark) in noisy.marks.iter_mut().enumerate() {
            mark.right = mark.right + Length::from_mm(if nth % 2 == 0 { 3.0 } else { -3.0 });
        }
        noisy.mark_error = MarkError::Guessed(Length::from_mm(1.0));
        let fit = fit_pointer(&noisy).unwrap();
        assert!(
            (1.5..3.0).contains(&fit.mark_sigma.mm()),
            "{:?}",
            fit.mark_sigma
        );
        assert!(fit.misfit.unwrap() > 1.5);
    }
}
