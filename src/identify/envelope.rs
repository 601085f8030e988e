//! Symmetric equations kept row by row from the first entry that is not zero, and their factor.
//!
//! A row of the Cholesky factor begins where the matrix's row begins, so that neither memory nor
//! time is spent on what lies before it (A. George, J. W. H. Liu 1981, Computer Solution of Large
//! Sparse Positive Definite Systems, chapter 4; cited from memory).

use nalgebra::{DMatrix, Matrix3};
use rayon::prelude::*;

/// Lower triangle of a symmetric matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {
    /// Each row from its first column to the diagonal.
    rows: Vec<Vec<f64>>,
}

/// Cholesky factor of an [`Envelope`], in the same shape.
#[derive(Debug, Clone)]
pub struct Factor {
    rows: Vec<Vec<f64>>,
}

/// Rows that are finished one after the other, once all rows above them are taken from them side by
/// side. It changes how the work is cut, not what is summed.
const PANEL: usize = 64;
/// Rows that go through the finished rows together: a finished row is fetched once for all of them.
const TOGETHER: usize = 8;

impl Envelope {
    /// From rows that end on the diagonal; `None` where one is empty or longer than its place allows.
    pub fn from_rows(rows: Vec<Vec<f64>>) -> Option<Self> {
        let fits = |(at, row): (usize, &Vec<f64>)| !row.is_empty() && row.len() <= at + 1;
        rows.iter().enumerate().all(fits).then_some(Self { rows })
    }

    /// Number of rows.
    pub fn size(&self) -> usize {
        self.rows.len()
    }

    /// Adds to the diagonal block of three rows.
    pub fn add_block(&mut self, at: usize, block: &Matrix3<f64>) {
        for part in 0..3 {
            let row = &mut self.rows[at + part];
            for (back, value) in row.iter_mut().rev().take(part + 1).enumerate() {
                *value += block[(part, part - back)];
            }
        }
    }

    /// The factor; `None` where the matrix is not positive definite.
    pub fn cholesky(self) -> Option<Factor> {
        let mut rows = self.rows;
        for begin in (0..rows.len()).step_by(PANEL) {
            let end = (begin + PANEL).min(rows.len());
            let (done, rest) = rows.split_at_mut(begin);
            let panel = rest[..end - begin].par_chunks_mut(TOGETHER).enumerate();
            panel.for_each(|(chunk, rows)| {
                for (column, above) in done.iter().enumerate() {
                    for (k, row) in rows.iter_mut().enumerate() {
                        take(row, begin + chunk * TOGETHER + k, column, above);
                    }
                }
            });
            for at in begin..end {
                let (done, rest) = rows.split_at_mut(at);
                let row = &mut rest[0];
                for (column, above) in done.iter().enumerate().skip(begin) {
                    take(row, at, column, above);
                }
                let (diagonal, before) = row.split_last_mut()?;
                let pivot = *diagonal - dot(before, before);
                if pivot.is_nan() || pivot <= 0.0 {
                    return None;
                }
                *diagonal = pivot.sqrt();
            }
        }
        Some(Factor { rows })
    }

    /// All of it, both triangles.
    #[cfg(test)]
    pub fn dense(&self) -> DMatrix<f64> {
        let entry = |row: usize, column: usize| {
            let values = &self.rows[row];
            let start = row + 1 - values.len();
            column.checked_sub(start).map_or(0.0, |k| values[k])
        };
        DMatrix::from_fn(self.size(), self.size(), |row, column| {
            entry(row.max(column), row.min(column))
        })
    }
}

/// Makes one entry of a row, the one under the diagonal of the finished row `above`, the factor's.
fn take(row: &mut [f64], at: usize, column: usize, above: &[f64]) {
    let start = at + 1 - row.len();
    let Some(place) = column.checked_sub(start) else {
        return;
    };
    let (before, diagonal) = (&above[..above.len() - 1], above[above.len() - 1]);
    let common = place.min(before.len());
    let product = dot(
        &row[place - common..place],
        &before[before.len() - common..],
    );
    row[place] = (row[place] - product) / diagonal;
}

/// Sum of products, in eight sums side by side, always in the same order.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a, b) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest = a.remainder().iter().zip(b.remainder());
    let rest: f64 = rest.map(|(x, y)| x * y).sum();
    for (x, y) in a.zip(b) {
        for (sum, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += x * y;
        }
    }
    sums.iter().sum::<f64>() + rest
}

impl Factor {
    /// Number of rows.
    pub fn size(&self) -> usize {
        self.rows.len()
    }

    /// Replaces each column of `right` by the solution.
    pub fn solve(&self, right: &mut DMatrix<f64>) {
        for mut column in right.column_iter_mut() {
            let x = column.as_mut_slice();
            for (at, row) in self.rows.iter().enumerate() {
                let before = &row[..row.len() - 1];
                let product = dot(before, &x[at - before.len()..at]);
                x[at] = (x[at] - product) / row[row.len() - 1];
            }
            for (at, row) in self.rows.iter().enumerate().rev() {
                let before = &row[..row.len() - 1];
                x[at] /= row[row.len() - 1];
                let value = x[at];
                for (x, factor) in x[at - before.len()..at].iter_mut().zip(before) {
                    *x -= factor * value;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::FieldNoise;

    /// Rows that begin where they like; the diagonal outweighs them.
    fn ragged(size: usize) -> Envelope {
        let mut noise = FieldNoise::new(81);
        let rows = (0..size).map(|at| {
            let length = (at * 7 + 3) % (at + 1) + 1;
            let mut row: Vec<f64> = (0..length).map(|_| noise.uniform(-1.0, 1.0)).collect();
            row[length - 1] = 2.0 * size as f64;
            row
        });
        Envelope::from_rows(rows.collect()).expect("rows that fit")
    }

    #[test]
    fn the_factor_solves_what_the_whole_matrix_says() {
        for size in [1, 5, 64, 65, 200] {
            let matrix = ragged(size);
            let right = DMatrix::from_fn(size, 2, |row, column| (row * 3 + column) as f64 - 7.0);
            let mut solved = right.clone();
            matrix
                .clone()
                .cholesky()
                .expect("positive")
                .solve(&mut solved);
            assert!((matrix.dense() * solved - &right).norm() < 1e-9 * right.norm());
        }
    }

    #[test]
    fn what_is_not_positive_has_no_factor() {
        let rows = vec![vec![1.0], vec![2.0, 1.0]];
        assert!(Envelope::from_rows(rows).unwrap().cholesky().is_none());
        assert!(
            Envelope::from_rows(vec![vec![f64::NAN]])
                .unwrap()
                .cholesky()
                .is_none()
        );
        assert!(Envelope::from_rows(vec![vec![1.0, 2.0]]).is_none());
    }

    #[test]
    fn a_block_is_added_on_the_diagonal_alone() {
        let mut matrix = ragged(9);
        // Rows of the block reach back over it.
        for at in 3..6 {
            matrix.rows[at] = vec![0.0; at + 1];
        }
        let before = matrix.dense();
        let block = Matrix3::new(1.0, 2.0, 3.0, 2.0, 4.0, 5.0, 3.0, 5.0, 6.0);
        matrix.add_block(3, &block);
        let added = matrix.dense() - before;
        assert_eq!(added.fixed_view::<3, 3>(3, 3).into_owned(), block);
        assert_eq!(added.norm(), block.norm());
    }
}
