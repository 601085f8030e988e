//! The fit: one axis for all stretches of an alignment, every drive angle free.
//!
//! Each frame gives the camera's turn `D` over the ground since its stretch's reference, a
//! rotation with a covariance. The model is `D = Exp(-theta a) Exp(p)`: the drive turned by
//! `theta` about the axis `a` (its northern end), and `p` is the small error of the reference
//! itself, one for each stretch. The drive angles are eliminated (they act along `a` only), so the
//! normal equations hold two numbers for the axis and three a stretch, however many frames there
//! are. Frames whose turns share errors ([`Tie`]) are weighed together, others one by one.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix3, Matrix3x2, Rotation3, Vector3};

use super::ties::Tie;
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
    /// Covariance of all of them together, one list after the other, square radians, scaled by the
    /// residuals: what frames share (lens, air, axis, reference) is in it.
    pub drive_covariance: DMatrix<f64>,
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
struct Group {
    /// Each frame as (stretch, turn within it).
    members: Vec<(usize, usize)>,
    /// Weight of their turns, three rows a frame.
    weight: DMatrix<f64>,
}

fn groups_of(stretches: &[Stretch], ties: &[Tie]) -> Option<Vec<Group>> {
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
        let Some((frames, weight)) = tie.among(|frame| alone.contains_key(&frame)) else {
            continue;
        };
        let members = frames
            .iter()
            .filter_map(|frame| alone.remove(frame))
            .collect();
        groups.push(Group { members, weight });
    }
    for member in alone.into_values() {
        let own = stretches[member.0].turns[member.1]
            .covariance
            .try_inverse()?;
        groups.push(Group {
            members: vec![member],
            weight: DMatrix::from_iterator(3, 3, own.iter().copied()),
        });
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

/// What the drive angles of a group add: their own equations, and how the others enter them.
struct GroupEquations {
    factor: Cholesky<f64, Dyn>,
    coupling: DMatrix<f64>,
    right: DVector<f64>,
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
        // Long steps are shortened: the linear model holds within a few degrees.
        let shorten = (0.1 / tangent.norm().max(0.1)).min(1.0);
        self.axis = (self.axis + tangent * shorten).normalize();
        for (idx, reference) in self.references.iter_mut().enumerate() {
            let correction: Vector3<f64> = solution.fixed_rows::<3>(2 + 3 * idx).into();
            *reference += correction;
        }
        for (group, equations) in groups.iter().zip(&equations.groups) {
            let left = &equations.right - &equations.coupling * &solution;
            let angles = equations.factor.solve(&left);
            for (&(stretch, at), angle) in group.members.iter().zip(angles.iter()) {
                self.angles[stretch][at] += angle;
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
    /// 2. their weighted products; 3. the drive angles' own equations (an angle turns its frame by
    /// minus the axis); 4. what is left for axis and references once the angles have taken theirs.
    fn add_group(
        &self,
        stretches: &[Stretch],
        group: &Group,
        basis: &Matrix3x2<f64>,
        normal: &mut DMatrix<f64>,
        right: &mut DVector<f64>,
    ) -> Option<GroupEquations> {
        let n = group.members.len();
        // 1.
        let mut residual = DVector::zeros(3 * n);
        let mut design = DMatrix::zeros(3 * n, normal.ncols());
        for (row, &(stretch, at)) in group.members.iter().enumerate() {
            let (angle, reference) = (self.angles[stretch][at], self.references[stretch]);
            let left_over = self.residual(&stretches[stretch].turns[at], angle, reference);
            residual.fixed_rows_mut::<3>(3 * row).copy_from(&left_over);
            let by_axis = left_jacobian(self.axis * -angle) * basis * -angle;
            design
                .fixed_view_mut::<3, 2>(3 * row, 0)
                .copy_from(&by_axis);
            let driven = Rotation3::new(self.axis * -angle);
            let by_reference = driven.matrix() * left_jacobian(reference);
            let mut block = design.fixed_view_mut::<3, 3>(3 * row, 2 + 3 * stretch);
            block.copy_from(&by_reference);
        }
        // 2.
        let weighted_design = &group.weight * &design;
        let weighted_residual = &group.weight * &residual;
        // 3.
        let along = |column: nalgebra::DVectorView<'_, f64>, row: usize| {
            -self.axis.dot(&column.fixed_rows::<3>(3 * row))
        };
        let coupling = DMatrix::from_fn(n, design.ncols(), |row, column| {
            along(weighted_design.column(column), row)
        });
        let angle_right = DVector::from_fn(n, |row, _| along(weighted_residual.column(0), row));
        let angle_normal = DMatrix::from_fn(n, n, |row, column| {
            let block = group.weight.fixed_view::<3, 3>(3 * row, 3 * column);
            self.axis.dot(&(block * self.axis))
        });
        let factor = angle_normal.cholesky()?;
        // 4.
        *normal +=
            design.transpose() * weighted_design - coupling.transpose() * factor.solve(&coupling);
        *right += design.transpose() * &weighted_residual
            - coupling.transpose() * factor.solve(&angle_right);
        let chi_square =
            residual.dot(&weighted_residual) - angle_right.dot(&factor.solve(&angle_right));
        Some(GroupEquations {
            factor,
            coupling,
            right: angle_right,
            chi_square,
        })
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
        let drive_covariance = angle_covariance(stretches, groups, &equations.groups, &inverse);
        let mut fit = AxisFit {
            axis: self.axis,
            basis,
            covariance: inverse.fixed_view::<2, 2>(0, 0).into(),
            drive: drive?,
            drive_covariance,
            chi_square,
            degrees_of_freedom,
        };
        fit.covariance *= fit.residual_scale();
        fit.drive_covariance *= fit.residual_scale();
        Some(fit)
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

/// Covariance of all drive angles, in the order of stretches and turns: their own equations'
/// inverse and what axis and references, of covariance `inverse`, bring along.
fn angle_covariance(
    stretches: &[Stretch],
    groups: &[Group],
    equations: &[GroupEquations],
    inverse: &DMatrix<f64>,
) -> DMatrix<f64> {
    let mut starts = vec![0];
    for stretch in stretches {
        starts.push(starts[starts.len() - 1] + stretch.turns.len());
    }
    let size = starts[stretches.len()];
    let mut own = DMatrix::zeros(size, size);
    let mut by_others = DMatrix::zeros(size, inverse.ncols());
    for (group, equations) in groups.iter().zip(equations) {
        let places: Vec<usize> = group
            .members
            .iter()
            .map(|(stretch, at)| starts[*stretch] + at)
            .collect();
        let within = equations.factor.inverse();
        let carried = equations.factor.solve(&equations.coupling);
        for (row, &to) in places.iter().enumerate() {
            by_others.set_row(to, &carried.row(row));
            for (column, &from) in places.iter().enumerate() {
                own[(to, from)] = within[(row, column)];
            }
        }
    }
    own + &by_others * inverse * by_others.transpose()
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
