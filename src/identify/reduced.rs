//! Normal equations of a pointing with the star places eliminated (Schur complement).
//!
//! Unknowns are the rotation vectors of the frames, three numbers each, and as the last block what
//! all frames share (logarithm of the focal length, both radial distortions, the lens's centre,
//! strength of the air).
//! A star's place has two numbers and touches only the frames that see it; it is taken out at
//! once, so that the matrix has three rows a frame however many stars there are. In a long night
//! that ties every frame to every other. There, stars that are seen for long stay in, as rows behind
//! the frames: what the others leave lies along the diagonal, and memory grows with the frames, not
//! with their square. The solution is the same.

use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix2x6, Matrix3, Matrix3x6, Matrix6};
use nalgebra::{Matrix6x2, Vector2, Vector3, Vector6};
use rayon::prelude::*;

use super::envelope::{Envelope, Factor};

/// Numbers that all frames share.
pub(super) const N_COMMON: usize = 6;
/// Least span, in frames, that is tried as the limit between stars taken out and stars that stay in.
const NARROWEST: usize = 8;

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

    /// The matrix: frames, stars that stay in (whitened, two rows each), the common block.
    pub(super) fn matrix(&self) -> Option<Envelope> {
        self.matrix_with(self.window())
    }

    /// Span, in frames, up to which stars are taken out.
    ///
    /// Method: multiplications of the factor by the width of the band and the rows behind it, for
    /// doubled spans; the least wins.
    fn window(&self) -> usize {
        let rows = (3 * self.n_frames) as f64;
        let work = |window: usize| {
            let stay = self.stars.iter().filter(|star| star.span() > window);
            let behind = 2.0 * stay.count() as f64;
            let width = (3 * window) as f64;
            let band = rows * width * width / 2.0 - width.powi(3) / 3.0;
            band + behind * rows * (width + behind / 2.0) + behind.powi(3) / 6.0
        };
        let doubled = std::iter::successors(Some(NARROWEST), |window| Some(2 * window));
        doubled
            .take_while(|&window| window < self.n_frames)
            .chain([self.n_frames])
            .min_by(|&a, &b| work(a).total_cmp(&work(b)))
            .unwrap_or(self.n_frames)
    }

    /// Method: frame by frame, in parallel; a frame's three rows are summed over its stars in
    /// order, so that the sums do not depend on the number of threads.
    fn matrix_with(&self, window: usize) -> Option<Envelope> {
        let stay = |star: &usize| self.stars[*star].span() > window;
        let staying: Vec<usize> = (0..self.stars.len()).filter(stay).collect();
        let mut rows: Vec<Vec<f64>> = (0..self.n_frames)
            .into_par_iter()
            .flat_map_iter(|frame| self.rows_of(frame, window))
            .collect();
        for &star in &staying {
            for part in 0..2 {
                let star = &self.stars[star];
                let mut row = star.columns[part].clone();
                row.resize(rows.len() - 3 * star.first, 0.0);
                row.push(1.0);
                rows.push(row);
            }
        }
        rows.extend(self.common_rows(&staying, window));
        Envelope::from_rows(rows)
    }

    /// The three rows of a frame, from the first frame that it shares an eliminated star with.
    fn rows_of(&self, frame: usize, window: usize) -> [Vec<f64>; 3] {
        let stars = self.stars_of_frame[frame].iter().map(|&s| &self.stars[s]);
        let stars: Vec<_> = stars.filter(|star| star.span() <= window).collect();
        let start = stars.iter().map(|star| star.first).min().unwrap_or(frame);
        let length = 3 * (frame + 1 - start);
        let mut rows = [vec![0.0; length], vec![0.0; length], vec![0.0; length]];
        for StarBlock { first, columns, .. } in stars {
            let (begin, at) = (3 * (first - start), 3 * (frame - first));
            for (part, row) in rows.iter_mut().enumerate() {
                let (a, b) = (columns[0][at + part], columns[1][at + part]);
                let seen = columns[0].iter().zip(&columns[1]);
                for (sum, (u, v)) in row[begin..].iter_mut().zip(seen) {
                    *sum -= a * u + b * v;
                }
            }
        }
        for (part, row) in rows.iter_mut().enumerate() {
            row.truncate(length - 2 + part);
            for column in 0..=part {
                row[length - 3 + column] += self.own[frame][(part, column)];
            }
        }
        rows
    }

    fn common_rows(&self, staying: &[usize], window: usize) -> Vec<Vec<f64>> {
        let mut corner = self.common;
        let out = |star: &&StarBlock| star.span() <= window;
        for star in self.stars.iter().filter(out) {
            corner -= star.common * star.common.transpose();
        }
        let row_of = |part: usize| {
            let coupling = |c: &Matrix3x6<f64>| [c[(0, part)], c[(1, part)], c[(2, part)]];
            let mut row: Vec<f64> = self.frame_common.iter().flat_map(coupling).collect();
            for star in self.stars.iter().filter(out) {
                let (a, b) = (star.common[(part, 0)], star.common[(part, 1)]);
                let seen = star.columns[0].iter().zip(&star.columns[1]);
                for (sum, (u, v)) in row[3 * star.first..].iter_mut().zip(seen) {
                    *sum -= a * u + b * v;
                }
            }
            for &star in staying {
                let common = &self.stars[star].common;
                row.extend([common[(part, 0)], common[(part, 1)]]);
            }
            row.extend((0..=part).map(|column| corner[(part, column)]));
            row
        };
        (0..N_COMMON).map(row_of).collect()
    }

    /// The step that solves the equations, with a factor of [`Reduced::matrix`] (this one's or
    /// that of an earlier round nearby).
    pub(super) fn step(&self, factor: &Factor) -> Step {
        // The right side has all stars taken out; rows of those that stay in have nothing to add.
        let last = factor.size() - N_COMMON;
        let mut solution = DMatrix::zeros(factor.size(), 1);
        let frames = self.right.rows(0, 3 * self.n_frames);
        solution.rows_mut(0, frames.len()).copy_from(&frames);
        let shared = self.right.rows(3 * self.n_frames, N_COMMON);
        solution.rows_mut(last, N_COMMON).copy_from(&shared);
        factor.solve(&mut solution);
        let block = |at: usize| -> Vector3<f64> { solution.fixed_view::<3, 1>(3 * at, 0).into() };
        let common: Vector6<f64> = solution.fixed_view::<N_COMMON, 1>(last, 0).into();
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
}

impl StarBlock {
    /// Frames from the first that sees it to the last.
    fn span(&self) -> usize {
        self.columns[0].len() / 3
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
        let dense = |reduced: &Reduced| reduced.matrix().unwrap().dense();
        assert!((dense(&with) - dense(&without)).norm() < 1e-12);
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
        let (equations, right) = whole(&rows, &holds, &common);
        let inverse = equations.try_inverse().unwrap();
        let expected = &inverse * right;
        let (last, n) = (3 * n_frames, 3 * n_frames + N_COMMON);
        // All stars taken out, those seen for long left in, all left in.
        for window in [n_frames, 3, 0] {
            let matrix = reduced.matrix_with(window).unwrap();
            let step = reduced.step(&matrix.clone().cholesky().unwrap());
            for (frame, found) in step.frames.iter().enumerate() {
                assert!((found - expected.fixed_rows::<3>(3 * frame)).norm() < 1e-9);
            }
            assert!((step.common - expected.fixed_rows::<N_COMMON>(last)).norm() < 1e-9);
            for (star, found) in step.stars.iter().enumerate() {
                assert!((found - expected.fixed_rows::<2>(n + 2 * star)).norm() < 1e-9);
            }
            let covariance = matrix.dense().try_inverse().unwrap();
            let of_frames = covariance.view((0, 0), (last, last));
            assert!((of_frames - inverse.view((0, 0), (last, last))).norm() < 1e-9);
        }
    }

    #[test]
    fn stars_that_stay_for_a_whole_long_night_are_not_taken_out() {
        let row = |star: usize| Row {
            star,
            off: Vector2::zeros(),
            to_frame: Matrix2x3::new(1.0, 0.0, 0.2 * star as f64, 0.0, 1.0, -0.3),
            to_star: Matrix2::identity(),
            to_common: Matrix2x6::zeros(),
            weight: Matrix2::identity(),
        };
        let common = Hold {
            information: Matrix6::identity(),
            step: Vector6::zeros(),
        };
        let hold = Hold {
            information: Matrix2::identity(),
            step: Vector2::zeros(),
        };
        let reduced = |n_frames: usize, n_stars: usize| {
            let frame = || (0..n_stars).map(row).collect();
            let rows: Vec<Vec<Row>> = (0..n_frames).map(|_| frame()).collect();
            Reduced::new(&rows, &vec![hold; n_stars], &common).unwrap()
        };
        let long = reduced(300, 12);
        assert!(long.window() < 300);
        assert_eq!(long.matrix().unwrap().size(), 900 + 24 + N_COMMON);
        assert_eq!(reduced(12, 300).matrix().unwrap().size(), 36 + N_COMMON);
    }
}
