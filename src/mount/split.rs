//! Cuts a pointing where the camera moved off the axis line: a bump, or the axis itself moved.

use nalgebra::Vector3;

use super::invert::{AxisFit, Stretch, fit_axis};
use crate::units::{Angle, Measured};

/// A motion of the camera between two frames that no turn about the axis explains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jump {
    /// Last frame before it (index in the alignment).
    pub before: usize,
    /// First frame after it.
    pub after: usize,
    /// Size of the turn at right angles to the axis.
    pub size: Measured<Angle>,
}

/// A fit and the jumps that had to be cut out for it.
#[derive(Debug, Clone, PartialEq)]
pub struct SplitFit {
    /// Fit over the pieces.
    pub fit: AxisFit,
    /// The pieces.
    pub stretches: Vec<Stretch>,
    /// Cuts, in order of frames.
    pub jumps: Vec<Jump>,
}

/// A cut is made only if it lowers chi-square to less than this share of what it was ...
const SHARE_LEFT: f64 = 0.25;
/// ... and by more than this: four parameters bought, at odds far beyond a thousand to one.
const LEAST_GAIN: f64 = 40.0;
/// ... and the jump is no smaller than this; slower motion is sag or wind, not a bump.
const LEAST_JUMP_ARCSEC: f64 = 20.0;
const MAX_CUTS: usize = 4;

/// Fits the axis and cuts pointings greedily while a cut explains most of the misfit.
pub fn fit_with_cuts(stretches: &[Stretch], start: Vector3<f64>) -> Option<SplitFit> {
    let mut best = SplitFit {
        fit: fit_axis(stretches, start)?,
        stretches: stretches.to_vec(),
        jumps: Vec::new(),
    };
    for _ in 0..MAX_CUTS {
        let Some(next) = best_cut(&best, start) else {
            break;
        };
        best = next;
    }
    best.jumps.sort_by_key(|jump| jump.before);
    Some(best)
}

fn best_cut(current: &SplitFit, start: Vector3<f64>) -> Option<SplitFit> {
    if current.fit.misfit() < 2.0 {
        return None;
    }
    let mut best: Option<SplitFit> = None;
    for (idx, stretch) in current.stretches.iter().enumerate() {
        for cut in 1..stretch.turns.len() {
            let mut pieces = current.stretches.clone();
            let tail = pieces[idx].turns.split_off(cut);
            pieces.insert(idx + 1, Stretch { turns: tail });
            let Some(fit) = fit_axis(&pieces, start) else {
                continue;
            };
            let better = best
                .as_ref()
                .is_none_or(|b| fit.chi_square < b.fit.chi_square);
            if better {
                let jump = jump_between(&pieces[idx], &pieces[idx + 1], &fit);
                let mut jumps = current.jumps.clone();
                jumps.push(jump);
                best = Some(SplitFit {
                    fit,
                    stretches: pieces,
                    jumps,
                });
            }
        }
    }
    let best = best?;
    let (before, after) = (current.fit.chi_square, best.fit.chi_square);
    let size = best
        .jumps
        .last()
        .map_or(0.0, |jump| jump.size.value.arcsec());
    let explains = after < SHARE_LEFT * before && before - after > LEAST_GAIN;
    // With nothing left over to test the rest with, any cut fits perfectly: not evidence.
    (explains && best.fit.degrees_of_freedom > 0 && size > LEAST_JUMP_ARCSEC).then_some(best)
}

fn jump_between(before: &Stretch, after: &Stretch, fit: &AxisFit) -> Jump {
    let (last, first) = (&before.turns[before.turns.len() - 1], &after.turns[0]);
    let moved = crate::sky::rotation::rotation_vector(&(first.turn * last.turn.inverse()));
    let off = fit.basis.transpose() * moved;
    let covariance = fit.basis.transpose() * (last.covariance + first.covariance) * fit.basis;
    Jump {
        before: last.frame,
        after: first.frame,
        size: Measured::new(
            Angle::from_rad(off.norm()),
            Angle::from_rad((covariance.trace() / 2.0).sqrt()),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mount::invert::FrameTurn;
    use nalgebra::{Matrix3, Rotation3};

    #[test]
    fn a_bump_is_cut_out_and_the_axis_stays_right() {
        let pole = Vector3::new(0.0, 0.6, 0.8);
        let axis = (pole + Vector3::new(0.01, 0.0, 0.0)).normalize();
        let bump = Rotation3::new(Vector3::new(3e-3, -1e-3, 5e-4));
        let turns = (0..6).map(|frame| {
            let driven = Rotation3::new(axis * (-0.005 * frame as f64));
            FrameTurn {
                frame,
                mid: 70.0 * frame as f64,
                // The camera moves on the tracker; the axis stays.
                turn: if frame < 4 { driven } else { driven * bump },
                covariance: Matrix3::identity() * 1e-13,
            }
        });
        let found = fit_with_cuts(
            &[Stretch {
                turns: turns.collect(),
            }],
            pole,
        )
        .unwrap();
        assert_eq!(found.jumps.len(), 1);
        assert_eq!((found.jumps[0].before, found.jumps[0].after), (3, 4));
        assert!((found.fit.axis - axis).norm() < 1e-4);
    }
}
