//! What binds the turns of a pointing's frames together: errors that they share.
//!
//! Frames that see the same stars share the errors of the stars' places, and all frames share
//! those of lens and air. A tie holds the weight matrix of all turns of a pointing, in which all
//! of that is taken along.

use nalgebra::{DMatrix, Matrix3};

/// Weight of the turns of some frames together.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// Indices of the frames in their alignment, each once.
    frames: Vec<usize>,
    /// Inverse covariance of their turns, three rows a frame, 1 / square radians.
    weight: DMatrix<f64>,
}

impl Tie {
    /// From the information that stars give on the turns, which may be singular, and the
    /// covariance (floor) that each frame has beside it.
    ///
    /// Method: the inverse of (information^-1 + floor) without inverting the information:
    /// floor^-1 - floor^-1 (information + floor^-1)^-1 floor^-1.
    /// Output: `None` where the sizes do not fit or a floor cannot be inverted.
    /// Source: the matrix inversion lemma (M. A. Woodbury 1950, cited from memory).
    pub fn new(
        frames: Vec<usize>,
        information: &DMatrix<f64>,
        floors: &[Matrix3<f64>],
    ) -> Option<Self> {
        let size = 3 * frames.len();
        if information.shape() != (size, size) || floors.len() != frames.len() || size == 0 {
            return None;
        }
        let inverses: Option<Vec<Matrix3<f64>>> = floors.iter().map(|f| f.try_inverse()).collect();
        let inverses = inverses?;
        let mut sum = information.clone();
        for (at, inverse) in inverses.iter().enumerate() {
            let mut block = sum.fixed_view_mut::<3, 3>(3 * at, 3 * at);
            block += inverse;
        }
        let mut weight = sum.cholesky()?.inverse();
        for (row, left) in inverses.iter().enumerate() {
            for (column, right) in inverses.iter().enumerate() {
                let mut block = weight.fixed_view_mut::<3, 3>(3 * row, 3 * column);
                let mut value = -(left * block.clone_owned() * right);
                if row == column {
                    value += left;
                }
                block.copy_from(&value);
            }
        }
        Some(Self { frames, weight })
    }

    /// Numbers of those of its frames that `wanted` asks for, and the weight of their turns when
    /// the other frames' turns are unknown; `None` where none is asked for.
    pub(super) fn among(
        &self,
        wanted: impl Fn(usize) -> bool,
    ) -> Option<(Vec<usize>, DMatrix<f64>)> {
        let rows_of = |asked: bool| -> Vec<usize> {
            (0..self.frames.len())
                .filter(|&at| wanted(self.frames[at]) == asked)
                .flat_map(|at| 3 * at..3 * at + 3)
                .collect()
        };
        let (kept, dropped) = (rows_of(true), rows_of(false));
        if kept.is_empty() {
            return None;
        }
        let frames = kept
            .iter()
            .step_by(3)
            .map(|&row| self.frames[row / 3])
            .collect();
        let part = |rows: &[usize], columns: &[usize]| {
            self.weight.select_rows(rows).select_columns(columns)
        };
        let mut weight = part(&kept, &kept);
        if !dropped.is_empty() {
            let coupling = part(&dropped, &kept);
            let solved = part(&dropped, &dropped).cholesky()?.solve(&coupling);
            weight -= coupling.transpose() * solved;
        }
        Some((frames, weight))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tie() -> (Tie, DMatrix<f64>) {
        let root = DMatrix::from_fn(9, 9, |i, k| ((i * 7 + k * 3) % 5) as f64 - 2.0);
        let covariance = &root * root.transpose() + DMatrix::identity(9, 9);
        let floors = [Matrix3::identity() * 0.5; 3];
        let information = covariance.clone().try_inverse().unwrap();
        let tie = Tie::new(vec![2, 5, 6], &information, &floors).unwrap();
        (tie, covariance + DMatrix::identity(9, 9) * 0.5)
    }

    #[test]
    fn the_weight_is_that_of_stars_and_floor_together() {
        let (tie, covariance) = tie();
        assert!((tie.weight * covariance - DMatrix::identity(9, 9)).norm() < 1e-9);
    }

    #[test]
    fn without_a_frame_the_others_have_their_own_covariance() {
        let (tie, covariance) = tie();
        let (frames, weight) = tie.among(|frame| frame != 5).unwrap();
        assert_eq!(frames, vec![2, 6]);
        let rows = [0, 1, 2, 6, 7, 8];
        let left = covariance.select_rows(&rows).select_columns(&rows);
        assert!((weight * left - DMatrix::identity(6, 6)).norm() < 1e-9);
        assert!(tie.among(|frame| frame == 3).is_none());
    }

    #[test]
    fn information_that_says_nothing_gives_no_weight() {
        let floors = [Matrix3::identity(); 2];
        let tie = Tie::new(vec![0, 1], &DMatrix::zeros(6, 6), &floors).unwrap();
        assert!(tie.weight.norm() < 1e-12);
        assert!(Tie::new(vec![0], &DMatrix::zeros(6, 6), &floors).is_none());
    }
}
