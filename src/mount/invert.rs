//! The fit: one axis for all stretches of an alignment, every drive angle free.
//!
//! Each frame gives the camera's turn `D` over the ground since its stretch's reference, a
//! rotation with a covariance. The model is `D = Exp(-theta a) Exp(p)`: the drive turned by
//! `theta` about the axis `a` (its northern end), and `p` is the small error of the reference
//! itself, one for each stretch. The drive angles are eliminated (they act along `a` only), so the
//! normal equations hold two numbers for the axis and three a stretch, however many frames there
//! are. Frames whose turns share errors ([`Tie`]) are weighed together, others one by one: what they
//! share is estimated along and eliminated as well.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector, Matrix3, Matrix3x2, Rotation3, Vector3};

use super::drive::shared_rate_sigma;
use super::ties::{Shared, Tie};
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
    /// What the frames share (lens, air, axis, reference) and the angles' own sigmas do not show, on
    /// the mean rate of the drive: 1-sigma, scaled by the residuals.
    pub shared_rate: f64,
    /// Sum of the weighted squares.
    pub chi_square: f64,
    /// Data minus parameters; zero where nothing is over to test the model with.
    pub degrees_of_freedom: usize,
}

impl AxisFit {
    /// What the covariance was scaled by for the residuals.
    pub fn residual_scale(&self) -> f64 {
        (SCALE_TRUST + self.chi_square) / (SCALE_TRUST + self.degrees_of_freedom as f64)
    }
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
pub(super) const REFERENCE_SIGMA: f64 = 0.02;
const MAX_STEPS: usize = 30;

/// The stated sigmas count as much as this many residuals when the residual scale is taken. A scale
/// from few residuals makes pulls wider than one (Student): with 4 and four degrees of freedom 400
/// trials had a spread of 1.13, with 10 the excess is some 2 % (expectation of the scale's inverse).
const SCALE_TRUST: f64 = 10.0;

/// Fits the axis to the turns of an alignment whose frames have independent errors.
///
/// Method: Gauss-Newton on the axis (two tangent parts) and the reference errors, drive angles
/// eliminated by projection. `start` is a direction near the northern end of the axis.
/// Output: covariance is 1-sigma, scaled by the residuals: (10 + chi-square) / (10 + degrees of
/// freedom), which shrinks as well as grows and trusts the stated sigmas where little is left over.
/// `None` without any stretch of two frames.
pub fn fit_axis(stretches: &[Stretch], start: Vector3<f64>) -> Option<AxisFit> {
    fit_axis_tied(stretches, &[], start)
}

/// The same where frames share errors; frames that no tie names stand alone.
pub fn fit_axis_tied(stretches: &[Stretch], ties: &[Tie], start: Vector3<f64>) -> Option<AxisFit> {
    if !stretches.iter().any(|stretch| stretch.turns.len() >= 2) {
        return None;
    }
    let groups = groups_of(stretches, ties)?;
    let mut state = State::new(stretches, start);
    for _ in 0..MAX_STEPS {
        let step = state.step(stretches, &groups)?;
        if step < 1e-11 {
            break;
        }
    }
    state.finish(stretches, &groups)
}

/// Frames whose turns are weighed together.
struct Group<'a> {
    members: Vec<Member>,
    /// What ties them; without it each stands alone.
    tie: Option<&'a Tie>,
}

struct Member {
    /// The frame as (stretch, turn within it).
    of: (usize, usize),
    /// Its place in the tie.
    place: usize,
    /// Inverse covariance of its own error, beside what it shares.
    weight: Matrix3<f64>,
}

fn groups_of<'a>(stretches: &[Stretch], ties: &'a [Tie]) -> Option<Vec<Group<'a>>> {
    let mut alone: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    for (idx, stretch) in stretches.iter().enumerate() {
        alone.extend(
            stretch
                .turns
                .iter()
                .enumerate()
                .map(|(at, turn)| (turn.frame, (idx, at))),
        );
    }
    let mut groups = Vec::new();
    for tie in ties {
        let wanted = tie.frames().iter().enumerate();
        let members: Vec<Member> = wanted
            .filter_map(|(place, frame)| {
                Some(Member {
                    of: alone.remove(frame)?,
                    place,
                    weight: tie.floor(place),
                })
            })
            .collect();
        if !members.is_empty() {
            groups.push(Group {
                members,
                tie: Some(tie),
            });
        }
    }
    let single = |of: (usize, usize)| {
        Some(Member {
            of,
            place: 0,
            weight: stretches[of.0].turns[of.1].covariance.try_inverse()?,
        })
    };
    let members: Option<Vec<Member>> = alone.into_values().map(single).collect();
    let members = members?;
    if !members.is_empty() {
        groups.push(Group { members, tie: None });
    }
    Some(groups)
}

struct State {
    axis: Vector3<f64>,
    start: Vector3<f64>,
    references: Vec<Vector3<f64>>,
    angles: Vec<Vec<f64>>,
}

/// Normal equations of axis and references, and the way back to each group's drive angles.
struct Equations {
    normal: DMatrix<f64>,
    right: DVector<f64>,
    groups: Vec<GroupEquations>,
}

/// What a group's frames leave over, and what of it is tied to other frames.
struct GroupEquations {
    /// Derivatives of the frames by axis and references, three rows a frame, and their residuals
    /// in the last column.
    data: DMatrix<f64>,
    /// Errors that the frames share, for each column of `data`.
    tied: DMatrix<f64>,
    shared: Option<Shared>,
    /// Weighted square of the group's residuals as they are.
    chi_square: f64,
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

    /// What a frame's turn leaves over, as a rotation vector in the horizon frame.
    fn residual(&self, turn: &FrameTurn, angle: f64, reference: Vector3<f64>) -> Vector3<f64> {
        let model = Rotation3::new(self.axis * -angle) * Rotation3::new(reference);
        rotation_vector(&(turn.turn * model.inverse()))
    }

    /// One Gauss-Newton step; returns its size in radians of the axis.
    fn step(&mut self, stretches: &[Stretch], groups: &[Group]) -> Option<f64> {
        let basis = tangent_basis(self.axis);
        let equations = self.equations(stretches, groups, &basis)?;
        let solution = equations.normal.cholesky()?.solve(&equations.right);
        let tangent = basis * solution.fixed_rows::<2>(0);
        let previous = self.axis;
        // Long steps are shortened: the linear model holds within a few degrees.
        let shorten = (0.1 / tangent.norm().max(0.1)).min(1.0);
        self.axis = (self.axis + tangent * shorten).normalize();
        for (idx, reference) in self.references.iter_mut().enumerate() {
            let correction: Vector3<f64> = solution.fixed_rows::<3>(2 + 3 * idx).into();
            *reference += correction;
        }
        let with_residual = (-&solution).push(1.0);
        for (group, equations) in groups.iter().zip(&equations.groups) {
            let left = (&equations.data - &equations.tied) * &with_residual;
            for (row, member) in group.members.iter().enumerate() {
                let along = member.weight * previous;
                let left: Vector3<f64> = left.fixed_rows::<3>(3 * row).into();
                let (stretch, at) = member.of;
                self.angles[stretch][at] -= along.dot(&left) / along.dot(&previous);
            }
        }
        Some(tangent.norm())
    }

    /// Numbered steps: 1. loose holds on axis and references; 2. a group after the other.
    fn equations(
        &self,
        stretches: &[Stretch],
        groups: &[Group],
        basis: &Matrix3x2<f64>,
    ) -> Option<Equations> {
        let size = 2 + 3 * stretches.len();
        let mut normal = DMatrix::zeros(size, size);
        let mut right = DVector::zeros(size);
        // 1.
        let off_start = basis.transpose() * (self.start - self.axis);
        for row in 0..2 {
            normal[(row, row)] = PRIOR_SIGMA.powi(-2);
            right[row] = off_start[row] * PRIOR_SIGMA.powi(-2);
        }
        for (idx, reference) in self.references.iter().enumerate() {
            for row in 0..3 {
                let at = 2 + 3 * idx + row;
                normal[(at, at)] = REFERENCE_SIGMA.powi(-2);
                right[at] = -reference[row] * REFERENCE_SIGMA.powi(-2);
            }
        }
        // 2.
        let mut own = Vec::with_capacity(groups.len());
        for group in groups {
            own.push(self.add_group(stretches, group, basis, &mut normal, &mut right)?);
        }
        Some(Equations {
            normal,
            right,
            groups: own,
        })
    }

    /// Numbered steps: 1. residuals and derivatives of the group's frames by axis and references;
    /// 2. their weights without what an angle absorbs (it turns its frame by minus the axis);
    /// 3. the errors that the frames share; 4. what is left for axis and references once angles and
    /// shared errors have taken theirs.
    fn add_group(
        &self,
        stretches: &[Stretch],
        group: &Group,
        basis: &Matrix3x2<f64>,
        normal: &mut DMatrix<f64>,
        right: &mut DVector<f64>,
    ) -> Option<GroupEquations> {
        // 1.
        let n = normal.ncols();
        let data = self.data(stretches, group, basis, n);
        // 2.
        let across: Vec<Matrix3<f64>> = group
            .members
            .iter()
            .map(|member| {
                let along = member.weight * self.axis;
                member.weight - along * along.transpose() / along.dot(&self.axis)
            })
            .collect();
        let mut weighted = data.clone();
        for (row, across) in across.iter().enumerate() {
            let mut block = weighted.rows_mut(3 * row, 3);
            let product = across * &block;
            block.copy_from(&product);
        }
        // 3.
        let shared = match group.tie {
            Some(tie) => {
                let places = group.members.iter().map(|member| member.place);
                let weights: Vec<_> = places.zip(across).collect();
                Some(tie.shared(&weights)?)
            }
            None => None,
        };
        let tied = shared.as_ref().map_or_else(
            || DMatrix::zeros(data.nrows(), data.ncols()),
            |shared| shared.part(&weighted),
        );
        // 4.
        let left = weighted.transpose() * (&data - &tied);
        *normal += left.view((0, 0), (n, n));
        *right += left.view((0, n), (n, 1));
        Some(GroupEquations {
            data,
            tied,
            shared,
            chi_square: left[(n, n)],
        })
    }

    /// Derivatives of a group's frames by axis and references, and their residuals behind them.
    fn data(
        &self,
        stretches: &[Stretch],
        group: &Group,
        basis: &Matrix3x2<f64>,
        n: usize,
    ) -> DMatrix<f64> {
        let mut data = DMatrix::zeros(3 * group.members.len(), n + 1);
        for (row, member) in group.members.iter().enumerate() {
            let (stretch, at) = member.of;
            let (angle, reference) = (self.angles[stretch][at], self.references[stretch]);
            let left_over = self.residual(&stretches[stretch].turns[at], angle, reference);
            let by_axis = left_jacobian(self.axis * -angle) * basis * -angle;
            let driven = Rotation3::new(self.axis * -angle);
            let by_reference = driven.matrix() * left_jacobian(reference);
            let mut rows = data.fixed_rows_mut::<3>(3 * row);
            rows.fixed_columns_mut::<2>(0).copy_from(&by_axis);
            rows.fixed_columns_mut::<3>(2 + 3 * stretch)
                .copy_from(&by_reference);
            rows.fixed_columns_mut::<1>(n).copy_from(&left_over);
        }
        data
    }

    fn finish(self, stretches: &[Stretch], groups: &[Group]) -> Option<AxisFit> {
        let basis = tangent_basis(self.axis);
        let equations = self.equations(stretches, groups, &basis)?;
        let inverse = equations.normal.clone().cholesky()?.inverse();
        let chi_square = equations.groups.iter().map(|group| group.chi_square).sum();
        let n_data: usize = 2 * stretches.iter().map(|s| s.turns.len()).sum::<usize>();
        // A reference error has two parts across the axis that count; along it the angles absorb it.
        let n_parameters = 2 + 2 * stretches.len();
        let degrees_of_freedom = n_data.saturating_sub(n_parameters);
        let record_of = |(idx, stretch): (usize, &Stretch)| -> Option<Vec<DriveAngle>> {
            let turns = stretch.turns.iter().zip(&self.angles[idx]);
            turns
                .map(|(turn, angle)| self.drive_angle(turn, *angle, self.references[idx]))
                .collect()
        };
        let drive: Option<Vec<_>> = stretches.iter().enumerate().map(record_of).collect();
        let mut fit = AxisFit {
            axis: self.axis,
            basis,
            covariance: inverse.fixed_view::<2, 2>(0, 0).into(),
            drive: drive?,
            shared_rate: 0.0,
            chi_square,
            degrees_of_freedom,
        };
        fit.covariance *= fit.residual_scale();
        let scale = fit.residual_scale();
        let variance = |of: &[Vec<f64>]| {
            scale * self.variance_of_angles(of, groups, &equations.groups, &inverse)
        };
        fit.shared_rate = shared_rate_sigma(&fit.drive, &variance);
        Some(fit)
    }

    /// Variance of a sum of drive angles, each with its factor in `of`: of their own equations and of
    /// what shared errors, axis and references, of covariance `inverse`, bring along.
    fn variance_of_angles(
        &self,
        of: &[Vec<f64>],
        groups: &[Group],
        equations: &[GroupEquations],
        inverse: &DMatrix<f64>,
    ) -> f64 {
        let n = inverse.ncols();
        let mut variance = 0.0;
        let mut by_others = DVector::zeros(n);
        for (group, equations) in groups.iter().zip(equations) {
            // What the sum asks of each frame's turn.
            let mut asked = DMatrix::zeros(equations.data.nrows(), 1);
            for (row, member) in group.members.iter().enumerate() {
                let (stretch, at) = member.of;
                let along = member.weight * self.axis;
                let share = of[stretch][at] / along.dot(&self.axis);
                variance += of[stretch][at] * share;
                asked.rows_mut(3 * row, 3).copy_from(&(along * share));
            }
            if let Some(shared) = &equations.shared {
                variance += asked.dot(&shared.part(&asked));
            }
            let carried = (&equations.data - &equations.tied).transpose() * &asked;
            by_others += carried.rows(0, n);
        }
        variance + by_others.dot(&(inverse * &by_others))
    }

    /// A frame's angle with what its own weight says about it.
    fn drive_angle(
        &self,
        turn: &FrameTurn,
        angle: f64,
        reference: Vector3<f64>,
    ) -> Option<DriveAngle> {
        let residual = self.residual(turn, angle, reference);
        let weight = turn.covariance.try_inverse()?;
        let along = weight * self.axis;
        let along_square = self.axis.dot(&along);
        // What lies along the axis is the angle's: take it out of the square.
        let chi_square =
            residual.dot(&(weight * residual)) - residual.dot(&along).powi(2) / along_square;
        Some(DriveAngle {
            frame: turn.frame,
            mid: turn.mid,
            angle,
            sigma: along_square.recip().sqrt(),
            residual,
            chi_square,
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
            for part in 0..2 {
                squares[part] += off[part].powi(2) / fit.covariance[(part, part)];
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
