//! What binds the turns of a pointing's frames together: errors that they share.
//!
//! Frames that see the same stars share the errors of the stars' places, and all frames share
//! those of lens and air. A tie holds the equations that give the turns of a pointing, stars, lens
//! and air included, and what each frame may be off beside them.

use nalgebra::{DMatrix, Matrix3};

use crate::identify::envelope::{Envelope, Factor};

/// Errors of the turns of some frames together.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// Indices of the frames in their alignment, each once.
    frames: Vec<usize>,
    /// Inverse covariance of their turns, three rows a frame, 1 / square radians, and of what they
    /// share, in the rows behind.
    information: Envelope,
    /// What each frame may be off beside that, inverse covariance.
    floors: Vec<Matrix3<f64>>,
}

impl Tie {
    /// From the information that stars give on the turns, with what the turns share in rows behind
    /// them, and the covariance (floor) that each frame has beside it.
    ///
    /// Output: `None` where the sizes do not fit or a floor cannot be inverted.
    pub fn new(frames: Vec<usize>, information: Envelope, floors: &[Matrix3<f64>]) -> Option<Self> {
        let fits = information.size() >= 3 * frames.len() && floors.len() == frames.len();
        if !fits || frames.is_empty() {
            return None;
        }
        let floors: Option<Vec<Matrix3<f64>>> = floors.iter().map(|f| f.try_inverse()).collect();
        Some(Self {
            frames,
            information,
            floors: floors?,
        })
    }

    /// Its frames, in their order.
    pub(super) fn frames(&self) -> &[usize] {
        &self.frames
    }

    /// Inverse covariance of what its frame at a place may be off beside what it shares.
    pub(super) fn floor(&self, place: usize) -> Matrix3<f64> {
        self.floors[place]
    }

    /// The shared errors of some of its frames (places in it) once each frame's turn is weighed
    /// as stated; frames that are not named are unknown. `None` where they cannot be told.
    pub(super) fn shared(&self, weights: &[(usize, Matrix3<f64>)]) -> Option<Shared> {
        let mut sum = self.information.clone();
        for (place, weight) in weights {
            sum.add_block(3 * place, weight);
        }
        Some(Shared {
            factor: sum.cholesky()?,
            places: weights.iter().map(|(place, _)| *place).collect(),
        })
    }
}

/// What frames share, estimated along.
///
/// A turn is the camera's, and two errors: one that is tied to other frames', one of its own. The
/// first is estimated with all else and eliminated.
pub(super) struct Shared {
    factor: Factor,
    places: Vec<usize>,
}

impl Shared {
    /// The tied part of the frames' errors, three rows a frame, for weighted residuals in each column.
    pub(super) fn part(&self, weighted: &DMatrix<f64>) -> DMatrix<f64> {
        let mut all = DMatrix::zeros(self.factor.size(), weighted.ncols());
        for (at, place) in self.places.iter().enumerate() {
            all.rows_mut(3 * place, 3)
                .copy_from(&weighted.rows(3 * at, 3));
        }
        self.factor.solve(&mut all);
        let mut part = DMatrix::zeros(weighted.nrows(), weighted.ncols());
        for (at, place) in self.places.iter().enumerate() {
            part.rows_mut(3 * at, 3).copy_from(&all.rows(3 * place, 3));
        }
        part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn envelope(matrix: &DMatrix<f64>) -> Envelope {
        let row = |at: usize| (0..=at).map(|column| matrix[(at, column)]).collect();
        Envelope::from_rows((0..matrix.nrows()).map(row).collect()).unwrap()
    }

    /// A tie of three frames that share two more numbers, and the covariance of their turns.
    fn tie() -> (Tie, DMatrix<f64>) {
        let root = DMatrix::from_fn(11, 11, |i, k| ((i * 7 + k * 3) % 5) as f64 - 2.0);
        let covariance = &root * root.transpose() + DMatrix::identity(11, 11);
        let floors = [Matrix3::identity() * 0.5; 3];
        let information = covariance.clone().try_inverse().unwrap();
        let tie = Tie::new(vec![2, 5, 6], envelope(&information), &floors).unwrap();
        let of_turns = covariance.view((0, 0), (9, 9)).into_owned();
        (tie, of_turns + DMatrix::identity(9, 9) * 0.5)
    }

    /// The weight of the turns at some places, told by what is left of each unit residual.
    fn weight(tie: &Tie, places: &[usize]) -> DMatrix<f64> {
        let floors: Vec<_> = places.iter().map(|&at| (at, tie.floor(at))).collect();
        let shared = tie.shared(&floors).unwrap();
        let mut weighted = DMatrix::zeros(3 * places.len(), 3 * places.len());
        for (at, (_, floor)) in floors.iter().enumerate() {
            weighted
                .fixed_view_mut::<3, 3>(3 * at, 3 * at)
                .copy_from(floor);
        }
        &weighted - weighted.transpose() * shared.part(&weighted)
    }

    #[test]
    fn the_weight_is_that_of_stars_and_floor_together() {
        let (tie, covariance) = tie();
        let product = weight(&tie, &[0, 1, 2]) * covariance;
        assert!((product - DMatrix::identity(9, 9)).norm() < 1e-9);
    }

    #[test]
    fn without_a_frame_the_others_have_their_own_covariance() {
        let (tie, covariance) = tie();
        let rows = [0, 1, 2, 6, 7, 8];
        let left = covariance.select_rows(&rows).select_columns(&rows);
        let product = weight(&tie, &[0, 2]) * left;
        assert!((product - DMatrix::identity(6, 6)).norm() < 1e-9);
    }

    #[test]
    fn information_that_says_nothing_gives_no_weight() {
        let floors = [Matrix3::identity(); 2];
        let nothing = || envelope(&DMatrix::zeros(6, 6));
        let tie = Tie::new(vec![0, 1], nothing(), &floors).unwrap();
        assert!(weight(&tie, &[0, 1]).norm() < 1e-12);
        assert!(Tie::new(vec![0], nothing(), &floors).is_none());
        assert!(Tie::new(vec![0, 1, 2], nothing(), &[floors[0]; 3]).is_none());
    }
}
