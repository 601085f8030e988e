//! Normal equations of a pointing with the star places eliminated (Schur complement).
//!
//! Unknowns are the rotation vectors of the frames, three numbers each, and as the last block what
//! all frames share (logarithm of the focal length, both radial distortions, the lens's centre,
//! strength of the air).
//! A star's place has two numbers and touches only the frames that see it; it is taken out at
//! once, so that the matrix has three rows a frame however many stars there are.

use nalgebra::{
    DMatrix, DVector, Matrix2, Matrix2x3, Matrix2x6, Matrix3, Matrix3x6, Matrix6, Matrix6x2,
};
use nalgebra::{Vector2, Vector3, Vector6};
use rayon::prelude::*;

/// Numbers that all frames share.
pub(super) const N_COMMON: usize = 6;

/// One star in one frame, made linear: `off = to_frame f + to_star s + to_common c + noise`.
#[derive(Clone, Copy)]
pub(super) struct Row {
    /// Which star.
    pub(super) star: usize,
    /// Measured minus expected place, pixels.
    pub(super) off: Vector2<f64>,
    /// Pixels per radian of the frame's rotation vector.
    pub(super) to_frame: Matrix2x3<f64>,
    /// Pixels per radian of the star's place.
    pub(super) to_star: Matrix2<f64>,
    /// Pixels per unit of what all frames share.
    pub(super) to_common: Matrix2x6<f64>,
    /// Inverse covariance of `off`, robust weight and residual scale included.
    pub(super) weight: Matrix2<f64>,
}

/// What is known of a block beforehand: its information and the step towards where it is held.
#[derive(Clone, Copy)]
pub(super) struct Hold<M, V> {
    /// Inverse covariance.
    pub(super) information: M,
    /// Held value minus present value.
    pub(super) step: V,
}

/// A star's block, eliminated: lower triangle of its own information, and its columns scaled by it.
struct StarBlock {
    /// Inverse of the Cholesky factor of the star's own information.
    whitener: Matrix2<f64>,
    /// Right side, whitened.
    right: Vector2<f64>,
    /// First frame that sees it.
    first: usize,
    /// Whitened coupling with the frames from `first` on, three numbers a frame, one list for each
    /// of the star's two parts; zeros where a frame between does not see it.
    columns: [Vec<f64>; 2],
    /// Whitened coupling with what all frames share.
    common: Matrix6x2<f64>,
}

/// Normal equations of frames and what they share.
pub(super) struct Reduced {
    n_frames: usize,
    /// Information of each frame's attitude with stars and all else held.
    pub(super) own: Vec<Matrix3<f64>>,
    right: DVector<f64>,
    frame_common: Vec<Matrix3x6<f64>>,
    common: Matrix6<f64>,
    stars: Vec<StarBlock>,
    stars_of_frame: Vec<Vec<usize>>,
}

/// A step of all unknowns.
pub(super) struct Step {
    /// Rotation vectors, one a frame.
    pub(super) frames: Vec<Vector3<f64>>,
    /// What all frames share.
    pub(super) common: Vector6<f64>,
    /// Star places, in their tangent planes.
    pub(super) stars: Vec<Vector2<f64>>,
}

impl Reduced {
    /// Sums the rows of all frames; every sum runs in the order of frames and rows.
    pub(super) fn new(
        rows: &[Vec<Row>],
        stars: &[Hold<Matrix2<f64>, Vector2<f64>>],
        common: &Hold<Matrix6<f64>, Vector6<f64>>,
    ) -> Option<Self> {
        let n_frames = rows.len();
        let mut own = vec![Matrix3::zeros(); n_frames];
        let mut frame_common = vec![Matrix3x6::zeros(); n_frames];
        let mut right = DVector::zeros(3 * n_frames + N_COMMON);
        let mut common_information = common.information;
        let mut common_right = common.information * common.step;
        for (frame, rows) in rows.iter().enumerate() {
            let mut frame_right = Vector3::zeros();
            for row in rows {
                let weighted = row.to_frame.transpose() * row.weight;
                let weighted_common = row.to_common.transpose() * row.weight;
                own[frame] += weighted * row.to_frame;
                frame_common[frame] += weighted * row.to_common;
                frame_right += weighted * row.off;
                common_information += weighted_common * row.to_common;
                common_right += weighted_common * row.off;
            }
            right.fixed_rows_mut::<3>(3 * frame).copy_from(&frame_right);
        }
        right
            .fixed_rows_mut::<N_COMMON>(3 * n_frames)
            .copy_from(&common_right);
        let mut reduced = Self {
            n_frames,
            own,
            right,
            frame_common,
            common: common_information,
            stars: star_blocks(rows, stars)?,
            stars_of_frame: rows
                .iter()
                .map(|rows| rows.iter().map(|row| row.star).collect())
                .collect(),
        };
        reduced.take_stars_from_right();
        Some(reduced)
    }

    fn take_stars_from_right(&mut self) {
        for star in &self.stars {
            for (part, column) in star.columns.iter().enumerate() {
                let mut rows = self.right.rows_mut(3 * star.first, column.len());
                for (sum, z) in rows.iter_mut().zip(column) {
                    *sum -= z * star.right[part];
                }
            }
            let mut rows = self.right.fixed_rows_mut::<N_COMMON>(3 * self.n_frames);
            rows -= star.common * star.right;
        }
    }

    /// The matrix of all frames and the common block, lower triangle.
    ///
    /// Method: frame by frame, in parallel; a frame's three rows are summed over its stars in
    /// order, so that the sums do not depend on the number of threads.
    pub(super) fn matrix(&self) -> DMatrix<f64> {
        let rows: Vec<[Vec<f64>; 3]> = (0..self.n_frames)
            .into_par_iter()
            .map(|frame| self.rows_of(frame))
            .collect();
        let size = 3 * self.n_frames + N_COMMON;
        let mut matrix = DMatrix::zeros(size, size);
        for (frame, rows) in rows.iter().enumerate() {
            for (part, row) in rows.iter().enumerate() {
                for (column, value) in row.iter().enumerate() {
                    matrix[(3 * frame + part, column)] = *value;
                }
            }
        }
        self.fill_common(&mut matrix);
        matrix
    }

    /// The three rows of a frame up to its own block.
    fn rows_of(&self, frame: usize) -> [Vec<f64>; 3] {
        let length = 3 * (frame + 1);
        let mut rows = [vec![0.0; length], vec![0.0; length], vec![0.0; length]];
        for &star in &self.stars_of_frame[frame] {
            let StarBlock { first, columns, .. } = &self.stars[star];
            let (begin, at) = (3 * first, 3 * (frame - first));
            for (part, row) in rows.iter_mut().enumerate() {
                let (a, b) = (columns[0][at + part], columns[1][at + part]);
                let seen = columns[0].iter().zip(&columns[1]);
                for (sum, (u, v)) in row[begin..].iter_mut().zip(seen) {
                    *sum -= a * u + b * v;
                }
            }
        }
        for (part, row) in rows.iter_mut().enumerate() {
            for column in 0..3 {
                row[3 * frame + column] += self.own[frame][(part, column)];
            }
        }
        rows
    }

    fn fill_common(&self, matrix: &mut DMatrix<f64>) {
        let last = 3 * self.n_frames;
        for (frame, coupling) in self.frame_common.iter().enumerate() {
            let mut block = matrix.fixed_view_mut::<N_COMMON, 3>(last, 3 * frame);
            block.copy_from(&coupling.transpose());
        }
        let mut corner = self.common;
        for star in &self.stars {
            for part in 0..N_COMMON {
                let (a, b) = (star.common[(part, 0)], star.common[(part, 1)]);
                for (at, (u, v)) in star.columns[0].iter().zip(&star.columns[1]).enumerate() {
                    matrix[(last + part, 3 * star.first + at)] -= a * u + b * v;
                }
            }
            corner -= star.common * star.common.transpose();
        }
        let mut block = matrix.fixed_view_mut::<N_COMMON, N_COMMON>(last, last);
        block.copy_from(&corner);
    }

    /// The step that solves the equations, with a factor of [`Reduced::matrix`] (this one's or
    /// that of an earlier round nearby).
    pub(super) fn step(&self, factor: &nalgebra::Cholesky<f64, nalgebra::Dyn>) -> Step {
        let solution = factor.solve(&self.right);
        let block = |at: usize| -> Vector3<f64> { solution.fixed_rows::<3>(3 * at).into() };
        let common: Vector6<f64> = solution.fixed_rows::<N_COMMON>(3 * self.n_frames).into();
        let star_step = |star: &StarBlock| {
            let mut left = star.right - star.common.transpose() * common;
            let seen = solution.rows(3 * star.first, star.columns[0].len());
            for part in 0..2 {
                let column = star.columns[part].iter();
                left[part] -= column.zip(seen.iter()).map(|(z, d)| z * d).sum::<f64>();
            }
            star.whitener.transpose() * left
        };
        Step {
            frames: (0..self.n_frames).map(block).collect(),
            common,
            stars: self.stars.iter().map(star_step).collect(),
        }
    }

    /// Information of the frames alone, what they share eliminated too; whole symmetric matrix.
    pub(super) fn frames_information(&self, matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
        let last = 3 * self.n_frames;
        let corner: Matrix6<f64> = matrix.fixed_view::<N_COMMON, N_COMMON>(last, last).into();
        let corner = Matrix6::from_fn(|i, k| corner[(i.max(k), i.min(k))]);
        let inverse = corner.try_inverse()?;
        let coupling = matrix.view((last, 0), (N_COMMON, last)).into_owned();
        let taken = inverse * &coupling;
        let mut information = matrix.view((0, 0), (last, last)).into_owned();
        for column in 0..last {
            for row in column..last {
                let shared = coupling.fixed_view::<N_COMMON, 1>(0, row);
                let value = information[(row, column)]
                    - shared.dot(&taken.fixed_view::<N_COMMON, 1>(0, column));
                information[(row, column)] = value;
                information[(column, row)] = value;
            }
        }
        Some(information)
    }
}

/// Numbered steps: 1. each star's own information from its hold and its rows; 2. its Cholesky
/// factor; 3. the couplings with the frames that see it and with what they share, whitened.
fn star_blocks(
    rows: &[Vec<Row>],
    holds: &[Hold<Matrix2<f64>, Vector2<f64>>],
) -> Option<Vec<StarBlock>> {
    // 1.
    let mut informations: Vec<Matrix2<f64>> = holds.iter().map(|hold| hold.information).collect();
    let mut rights: Vec<Vector2<f64>> = holds.iter().map(|h| h.information * h.step).collect();
    let mut spans = vec![(usize::MAX, 0); holds.len()];
    for (frame, rows) in rows.iter().enumerate() {
        for row in rows {
            let weighted = row.to_star.transpose() * row.weight;
            informations[row.star] += weighted * row.to_star;
            rights[row.star] += weighted * row.off;
            let span: &mut (usize, usize) = &mut spans[row.star];
            *span = (span.0.min(frame), frame);
        }
    }
    // 2.
    let mut blocks = Vec::with_capacity(holds.len());
    for ((information, right), (first, last)) in informations.iter().zip(&rights).zip(spans) {
        // A star that no row speaks of, or only rows whose weight is nothing, keeps its place.
        let seen = first != usize::MAX;
        let factor = information.cholesky();
        let whitener = factor
            .and_then(|factor| factor.l().try_inverse())
            .unwrap_or_else(Matrix2::zeros);
        let n_frames = if seen { last - first + 1 } else { 0 };
        blocks.push(StarBlock {
            whitener,
            right: whitener * right,
            first: if seen { first } else { 0 },
            columns: [vec![0.0; 3 * n_frames], vec![0.0; 3 * n_frames]],
            common: Matrix6x2::zeros(),
        });
    }
    // 3.
    for (frame, rows) in rows.iter().enumerate() {
        for row in rows {
            let block = &mut blocks[row.star];
            let whitened = row.weight * row.to_star * block.whitener.transpose();
            let with_frame = row.to_frame.transpose() * whitened;
            let at = 3 * (frame - block.first);
            for part in 0..2 {
                for k in 0..3 {
                    block.columns[part][at + k] += with_frame[(k, part)];
                }
            }
            block.common += row.to_common.transpose() * whitened;
        }
    }
    Some(blocks)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::FieldNoise;

    /// The same equations written out whole, stars and all, and inverted.
    fn whole(
        rows: &[Vec<Row>],
        holds: &[Hold<Matrix2<f64>, Vector2<f64>>],
        common: &Hold<Matrix6<f64>, Vector6<f64>>,
    ) -> (DMatrix<f64>, DVector<f64>) {
        let n = 3 * rows.len() + N_COMMON;
        let size = n + 2 * holds.len();
        let (mut matrix, mut right) = (DMatrix::zeros(size, size), DVector::zeros(size));
        for (frame, rows) in rows.iter().enumerate() {
            for row in rows {
                let mut design = DMatrix::zeros(2, size);
                design
                    .view_mut((0, 3 * frame), (2, 3))
                    .copy_from(&row.to_frame);
                design
                    .view_mut((0, n - N_COMMON), (2, N_COMMON))
                    .copy_from(&row.to_common);
                let at = n + 2 * row.star;
                design.view_mut((0, at), (2, 2)).copy_from(&row.to_star);
                let weighted = design.transpose() * row.weight;
                matrix += &weighted * &design;
                right += &weighted * row.off;
            }
        }
        let mut block = matrix.view_mut((n - N_COMMON, n - N_COMMON), (N_COMMON, N_COMMON));
        block += common.information;
        let mut part = right.rows_mut(n - N_COMMON, N_COMMON);
        part += common.information * common.step;
        for (star, hold) in holds.iter().enumerate() {
            let mut block = matrix.view_mut((n + 2 * star, n + 2 * star), (2, 2));
            block += hold.information;
            let mut part = right.rows_mut(n + 2 * star, 2);
            part += hold.information * hold.step;
        }
        (matrix, right)
    }

    #[test]
    fn a_star_that_counts_nothing_in_any_frame_spoils_nothing() {
        let row = |star: usize, weight: f64| Row {
            star,
            off: Vector2::new(0.3, -0.1),
            to_frame: Matrix2x3::new(1.0, 0.0, 0.2 * star as f64, 0.0, 1.0, -0.3),
            to_star: Matrix2::identity(),
            to_common: Matrix2x6::zeros(),
            weight: Matrix2::identity() * weight,
        };
        let frame =
            |last: f64| (0..4).map(move |star| row(star, if star == 3 { last } else { 1.0 }));
        let without: Vec<Vec<Row>> = (0..2).map(|_| frame(0.0).take(3).collect()).collect();
        let with: Vec<Vec<Row>> = (0..2).map(|_| frame(0.0).collect()).collect();
        let hold = || Hold {
            information: Matrix2::zeros(),
            step: Vector2::zeros(),
        };
        let common = Hold {
            information: Matrix6::identity(),
            step: Vector6::zeros(),
        };
        let holds = |n: usize| (0..n).map(|_| hold()).collect::<Vec<_>>();
        let with = Reduced::new(&with, &holds(4), &common).expect("still to be solved");
        let without = Reduced::new(&without, &holds(3), &common).expect("to be solved");
        assert!((with.matrix() - without.matrix()).norm() < 1e-12);
    }

    #[test]
    fn elimination_gives_the_steps_and_the_information_of_the_whole_equations() {
        let mut noise = FieldNoise::new(71);
        let mut random = |_: usize, _: usize| noise.uniform(-1.0, 1.0);
        let (n_frames, n_stars) = (5, 7);
        let rows: Vec<Vec<Row>> = (0..n_frames)
            .map(|frame| {
                // Some stars come late, some leave early, one is missing in between.
                let seen = (0..n_stars).filter(|star| (star + 2 * frame) % 4 != 1);
                seen.map(|star| Row {
                    star,
                    off: Vector2::from_fn(&mut random),
                    to_frame: Matrix2x3::from_fn(&mut random),
                    to_star: Matrix2::identity() + Matrix2::from_fn(&mut random) * 0.3,
                    to_common: Matrix2x6::from_fn(&mut random),
                    weight: Matrix2::new(2.0, 0.3, 0.3, 1.0),
                })
                .collect()
            })
            .collect();
        let holds: Vec<_> = (0..n_stars)
            .map(|star| Hold {
                information: Matrix2::identity() * (0.2 + star as f64),
                step: Vector2::new(0.1, -0.2),
            })
            .collect();
        let common = Hold {
            information: Matrix6::identity() * 3.0,
            step: Vector6::new(0.3, 0.0, -0.1, 0.2, 0.0, 0.1),
        };
        let reduced = Reduced::new(&rows, &holds, &common).unwrap();
        let matrix = reduced.matrix();
        let step = reduced.step(&matrix.clone().cholesky().unwrap());

        let (equations, right) = whole(&rows, &holds, &common);
        let inverse = equations.try_inverse().unwrap();
        let expected = &inverse * right;
        let n = 3 * n_frames + N_COMMON;
        for (frame, found) in step.frames.iter().enumerate() {
            assert!((found - expected.fixed_rows::<3>(3 * frame)).norm() < 1e-9);
        }
        assert!((step.common - expected.fixed_rows::<N_COMMON>(n - N_COMMON)).norm() < 1e-9);
        for (star, found) in step.stars.iter().enumerate() {
            assert!((found - expected.fixed_rows::<2>(n + 2 * star)).norm() < 1e-9);
        }
        let information = reduced.frames_information(&matrix).unwrap();
        let covariance = information.try_inverse().unwrap();
        let last = 3 * n_frames;
        assert!((covariance - inverse.view((0, 0), (last, last))).norm() < 1e-9);
    }
}
