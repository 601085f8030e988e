//! The fit: one axis for all stretches of an alignment, every drive angle free.
//!
//! Each frame gives the camera's turn `D` over the ground since its stretch's reference, a
//! rotation with a covariance. The model is `D = Exp(-theta a) Exp(p)`: the drive turned by
//! `theta` about the axis `a` (its northern end), and `p` is the small error of the reference
//! itself, one for each stretch. The drive angles are eliminated frame by frame (they act along
//! `a` only), so the normal equations hold two numbers for the axis and three a stretch, however
//! many frames there are.

use nalgebra::{DMatrix, DVector, Matrix3, Matrix3x2, Rotation3, Vector3};

use crate::sky::rotation::{left_jacobian, rotation_vector};

/// The camera's attitude in one frame, against the reference attitude of its stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameTurn {
    /// Index of the frame in its alignment.
    pub frame: usize,
    /// Seconds from the night's reference instant to mid exposure.
    pub mid: f64,
    /// Camera now = `turn` * camera at the reference, in the horizon frame.
    pub turn: Rotation3<f64>,
    /// Covariance of the rotation vector that would correct `turn` from the left, square radians.
    pub covariance: Matrix3<f64>,
}

/// Frames between which nothing but the drive moved the camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// In order of time; one frame alone says nothing about the axis.
    pub turns: Vec<FrameTurn>,
}

/// Drive angle of one frame against its stretch's reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveAngle {
    /// Index of the frame in its alignment.
    pub frame: usize,
    /// Seconds from the night's reference instant to mid exposure.
    pub mid: f64,
    /// Radians, positive with the sky.
    pub angle: f64,
    /// 1-sigma, radians.
    pub sigma: f64,
    /// What the model leaves over, as a rotation vector in the horizon frame.
    pub residual: Vector3<f64>,
    /// Weighted square of the residual (two degrees of freedom before the fit).
    pub chi_square: f64,
}

/// The axis that explains the turns best.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisFit {
    /// Northern end of the axis in the horizon frame.
    pub axis: Vector3<f64>,
    /// Two unit vectors at right angles to the axis that `covariance` refers to.
    pub basis: Matrix3x2<f64>,
    /// Covariance of the axis along `basis`, square radians, scaled by the residuals.
    pub covariance: nalgebra::Matrix2<f64>,
    /// Drive angles, a list a stretch.
    pub drive: Vec<Vec<DriveAngle>>,
    /// Sum of the weighted squares.
    pub chi_square: f64,
    /// Data minus parameters; zero where nothing is over to test the model with.
    pub degrees_of_freedom: usize,
}

impl AxisFit {
    /// Root of the reduced chi-square; 1 where there is nothing over to test with.
    pub fn misfit(&self) -> f64 {
        match self.degrees_of_freedom {
            0 => 1.0,
            n => (self.chi_square / n as f64).sqrt(),
        }
    }
}

/// How loosely the axis is held to its start, radians: far beyond any real misalignment, so that
/// it only keeps the equations solvable where the data say nothing.
const PRIOR_SIGMA: f64 = 0.5;
/// Same for a stretch's reference error; a reference is good to minutes of arc.
const REFERENCE_SIGMA: f64 = 0.02;
const MAX_STEPS: usize = 30;

/// Fits the axis to the turns of an alignment.
///
/// Method: Gauss-Newton on the axis (two tangent parts) and the reference errors, drive angles
/// eliminated by projection. `start` is a direction near the northern end of the axis.
/// Output: covariance is 1-sigma, multiplied by the reduced chi-square where that exceeds 1.
/// `None` without any stretch of two frames.
pub fn fit_axis(stretches: &[Stretch], start: Vector3<f64>) -> Option<AxisFit> {
    if !stretches.iter().any(|stretch| stretch.turns.len() >= 2) {
        return None;
    }
    let mut state = State::new(stretches, start);
    for _ in 0..MAX_STEPS {
        let step = state.step(stretches)?;
        if step < 1e-11 {
            break;
        }
    }
    state.finish(stretches)
}

struct State {
    axis: Vector3<f64>,
    start: Vector3<f64>,
    references: Vec<Vector3<f64>>,
    angles: Vec<Vec<f64>>,
}

/// One frame's residual, weight and derivatives.
struct Linear {
    residual: Vector3<f64>,
    weight: Matrix3<f64>,
    to_axis: Matrix3x2<f64>,
    to_reference: Matrix3<f64>,
}

impl State {
    fn new(stretches: &[Stretch], start: Vector3<f64>) -> Self {
        let axis = start.normalize();
        let angle_of = |turn: &FrameTurn| -rotation_vector(&turn.turn).dot(&axis);
        Self {
            axis,
            start: axis,
            references: vec![Vector3::zeros(); stretches.len()],
            angles: stretches
                .iter()
                .map(|s| s.turns.iter().map(angle_of).collect())
                .collect(),
        }
    }

    fn linear(
        &self,
        turn: &FrameTurn,
        angle: f64,
        reference: Vector3<f64>,
        basis: &Matrix3x2<f64>,
    ) -> Option<Linear> {
        let driven = Rotation3::new(self.axis * -angle);
        let model = driven * Rotation3::new(reference);
        let residual = rotation_vector(&(turn.turn * model.inverse()));
        let weight = turn.covariance.try_inverse()?;
        let along = weight * self.axis;
        // The drive angle takes up whatever lies along the axis: project it out of the weight.
        let weight_free = weight - along * along.transpose() / self.axis.dot(&along);
        Some(Linear {
            residual,
            weight: weight_free,
            to_axis: left_jacobian(self.axis * -angle) * basis * -angle,
            to_reference: *driven.matrix() * left_jacobian(reference),
        })
    }

    /// One Gauss-Newton step; returns its size in radians of the axis.
    fn step(&mut self, stretches: &[Stretch]) -> Option<f64> {
        let basis = tangent_basis(self.axis);
        let (normal, right) = self.normal_equations(stretches, &basis)?;
        let solution = normal.cholesky()?.solve(&right);
        let tangent = basis * solution.fixed_rows::<2>(0);
        for (idx, reference) in self.references.iter_mut().enumerate() {
            let correction: Vector3<f64> = solution.fixed_rows::<3>(2 + 3 * idx).into();
            *reference += correction;
        }
        // Long steps are shortened: the linear model holds within a few degrees.
        let shorten = (0.1 / tangent.norm().max(0.1)).min(1.0);
        self.axis = (self.axis + tangent * shorten).normalize();
        self.update_angles(stretches)?;
        Some(tangent.norm())
    }

    fn normal_equations(
        &self,
        stretches: &[Stretch],
        basis: &Matrix3x2<f64>,
    ) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let size = 2 + 3 * stretches.len();
        let mut normal = DMatrix::zeros(size, size);
        let mut right = DVector::zeros(size);
        let off_start = basis.transpose() * (self.start - self.axis);
        for row in 0..2 {
            normal[(row, row)] = PRIOR_SIGMA.powi(-2);
            right[row] = off_start[row] * PRIOR_SIGMA.powi(-2);
        }
        for (idx, stretch) in stretches.iter().enumerate() {
            let at = 2 + 3 * idx;
            for row in 0..3 {
                normal[(at + row, at + row)] += REFERENCE_SIGMA.powi(-2);
                right[at + row] -= self.references[idx][row] * REFERENCE_SIGMA.powi(-2);
            }
            for (turn, angle) in stretch.turns.iter().zip(&self.angles[idx]) {
                let l = self.linear(turn, *angle, self.references[idx], basis)?;
                let (axis_t, reference_t) = (l.to_axis.transpose(), l.to_reference.transpose());
                let cross = axis_t * l.weight * l.to_reference;
                let mut block = normal.view_mut((0, 0), (2, 2));
                block += axis_t * l.weight * l.to_axis;
                let mut block = normal.view_mut((0, at), (2, 3));
                block += cross;
                let mut block = normal.view_mut((at, 0), (3, 2));
                block += cross.transpose();
                let mut block = normal.view_mut((at, at), (3, 3));
                block += reference_t * l.weight * l.to_reference;
                let mut part = right.rows_mut(0, 2);
                part += axis_t * l.weight * l.residual;
                let mut part = right.rows_mut(at, 3);
                part += reference_t * l.weight * l.residual;
            }
        }
        Some((normal, right))
    }

    /// Moves every drive angle to its best value for the axis and references as they are.
    fn update_angles(&mut self, stretches: &[Stretch]) -> Option<()> {
        for (idx, stretch) in stretches.iter().enumerate() {
            for (turn, angle) in stretch.turns.iter().zip(self.angles[idx].iter_mut()) {
                let model =
                    Rotation3::new(self.axis * -*angle) * Rotation3::new(self.references[idx]);
                let residual = rotation_vector(&(turn.turn * model.inverse()));
                let along = turn.covariance.try_inverse()? * self.axis;
                *angle -= residual.dot(&along) / self.axis.dot(&along);
            }
        }
        Some(())
    }

    fn finish(self, stretches: &[Stretch]) -> Option<AxisFit> {
        let basis = tangent_basis(self.axis);
        let (normal, _) = self.normal_equations(stretches, &basis)?;
        let inverse = normal.cholesky()?.inverse();
        let mut drive = Vec::with_capacity(stretches.len());
        let (mut chi_square, mut n_data) = (0.0, 0usize);
        for (idx, stretch) in stretches.iter().enumerate() {
            let mut record = Vec::with_capacity(stretch.turns.len());
            for (turn, angle) in stretch.turns.iter().zip(&self.angles[idx]) {
                let l = self.linear(turn, *angle, self.references[idx], &basis)?;
                let chi = (l.residual.transpose() * l.weight * l.residual)[0];
                let along = self.axis.dot(&(turn.covariance.try_inverse()? * self.axis));
                chi_square += chi;
                n_data += 2;
                record.push(DriveAngle {
                    frame: turn.frame,
                    mid: turn.mid,
                    angle: *angle,
                    sigma: along.recip().sqrt(),
                    residual: l.residual,
                    chi_square: chi,
                });
            }
            drive.push(record);
        }
        // A reference error has two parts across the axis that count; along it the angles absorb it.
        let n_parameters = 2 + 2 * stretches.len();
        let degrees_of_freedom = n_data.saturating_sub(n_parameters);
        let scale = match degrees_of_freedom {
            0 => 1.0,
            n => (chi_square / n as f64).max(1.0),
        };
        let covariance = inverse.fixed_view::<2, 2>(0, 0) * scale;
        Some(AxisFit {
            axis: self.axis,
            basis,
            covariance,
            drive,
            chi_square,
            degrees_of_freedom,
        })
    }
}

/// Two unit vectors at right angles to the axis and to each other: up-most first, then eastward.
pub fn tangent_basis(axis: Vector3<f64>) -> Matrix3x2<f64> {
    let east = (Vector3::x() - axis * axis.x).normalize();
    Matrix3x2::from_columns(&[east.cross(&axis), east])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Angle, AngularRate};

    fn turns_about(axis: Vector3<f64>, angles: &[f64], covariance: Matrix3<f64>) -> Stretch {
        let turns = angles
            .iter()
            .enumerate()
            .map(|(frame, angle)| FrameTurn {
                frame,
                mid: 60.0 * frame as f64,
                turn: Rotation3::new(axis * -angle),
                covariance,
            })
            .collect();
        Stretch { turns }
    }

    fn pole() -> Vector3<f64> {
        Vector3::new(0.0, 0.6, 0.8)
    }

    #[test]
    fn axis_comes_out_whatever_the_drive_does() {
        let axis = (pole() + Vector3::new(0.03, 0.01, -0.02)).normalize();
        let tiny = Matrix3::identity() * 1e-14;
        for angles in [[0.0, 0.004, 0.009], [0.0, 0.001, 0.2], [0.0, -0.004, -0.1]] {
            let fit = fit_axis(&[turns_about(axis, &angles, tiny)], pole()).unwrap();
            assert!(
                (fit.axis - axis).norm() < 1e-6,
                "off by {}",
                (fit.axis - axis).norm()
            );
            let drive = fit.drive[0][2].angle - fit.drive[0][0].angle;
            assert!((drive - angles[2]).abs() < 1e-9);
        }
    }

    #[test]
    fn a_tracker_that_stands_still_leaves_the_axis_open() {
        let still = turns_about(pole(), &[0.0, 1e-9, -1e-9], Matrix3::identity() * 1e-12);
        let fit = fit_axis(&[still], pole()).unwrap();
        assert!(fit.covariance.trace().sqrt() > 0.4);
    }

    #[test]
    fn errors_of_the_axis_have_unit_pulls() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let axis = (pole() + Vector3::new(-0.02, 0.0, 0.01)).normalize();
        // Weak about the line of sight (+y here), strong across it, as a telescope sees it.
        let sigma = Vector3::new(1e-7, 3e-6, 1e-7);
        let covariance = Matrix3::from_diagonal(&sigma.component_mul(&sigma));
        let turn = AngularRate::SIDEREAL.rad_per_s() * 75.0;
        let mut squares = [0.0; 2];
        let n_trials = 400;
        for _ in 0..n_trials {
            let mut stretch = turns_about(axis, &[0.0, turn, 2.0 * turn, 3.0 * turn], covariance);
            for frame in &mut stretch.turns {
                let noise = sigma.map(|s| {
                    let g: f64 = StandardNormal.sample(&mut random);
                    s * g
                });
                frame.turn = Rotation3::new(noise) * frame.turn;
            }
            let fit = fit_axis(&[stretch], pole()).unwrap();
            let off = fit.basis.transpose() * (axis - fit.axis);
            // The scale by residuals widens the sigma in half of the trials; undo it for the test.
            let scale = fit.misfit().max(1.0);
            for part in 0..2 {
                squares[part] += off[part].powi(2) / (fit.covariance[(part, part)] / scale.powi(2));
            }
        }
        for square in squares {
            let spread = (square / f64::from(n_trials)).sqrt();
            assert!((spread - 1.0).abs() < 0.12, "pull spread {spread}");
        }
    }

    #[test]
    fn two_frames_due_south_know_the_across_part_ten_times_better() {
        // 200 stars at 0.05 px and 4.6 arcsec/px over 5184 x 3888 pixels, latitude 37 north.
        let across = Angle::from_arcsec(4.6 * 0.05 / 200f64.sqrt()).rad();
        let about = 0.05 / 200f64.sqrt() / 1870.0;
        let south = Vector3::new(0.0, -0.8, 0.6);
        let weight = Matrix3::identity() * across.powi(-2)
            + south * south.transpose() * (about.powi(-2) - across.powi(-2));
        let turn = AngularRate::SIDEREAL.rad_per_s() * 65.0;
        let stretch = turns_about(pole(), &[0.0, turn], weight.try_inverse().unwrap());
        let fit = fit_axis(&[stretch], pole()).unwrap();
        let sigma = |part: usize| Angle::from_rad(fit.covariance[(part, part)].sqrt()).arcmin();
        assert!(
            sigma(1) < 0.2 && sigma(0) > 1.0 && sigma(0) < 3.0,
            "{} {}",
            sigma(0),
            sigma(1)
        );
    }
}
