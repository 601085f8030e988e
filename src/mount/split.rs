//! Cuts an alignment where one axis no longer holds: a knock, a realignment, a moved camera.

use nalgebra::{Matrix2, Vector2, Vector3};

use super::creep::find_creep;
use super::invert::{AxisFit, Stretch, fit_axis};
use super::swing::chance_of;
use crate::sky::rotation::rotation_vector;
use crate::units::{Angle, Measured, Seconds};

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

/// What moved the axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChangeKind {
    /// The whole rig turned, and the axis with it.
    Knocked,
    /// The axis was moved, and the camera another way.
    Moved,
    /// The camera jumped; the frames after it do not tell whether the axis moved along.
    Unclear,
}

/// A change of the axis inside an alignment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisChange {
    /// Last frame before it (index in the alignment).
    pub before: usize,
    /// First frame after it.
    pub after: usize,
    /// Middle of the time in which it happened, from the night's reference instant.
    pub at: Seconds,
    /// Angle between the two axes.
    pub size: Measured<Angle>,
    /// What happened.
    pub kind: ChangeKind,
    /// Odds that noise alone looks like this, [0, 1].
    pub odds: f64,
}

/// A part of an alignment that one axis explains.
#[derive(Debug, Clone, PartialEq)]
pub struct PartFit {
    /// The change that it began with; `None` for the first part.
    pub change: Option<AxisChange>,
    /// Its frames, where the fit rests on them alone.
    pub stretches: Vec<Stretch>,
    /// Axis and drive angles.
    pub fit: AxisFit,
    /// Jumps of the camera within it or at its start, in order of frames.
    pub jumps: Vec<Jump>,
}

/// A cut is made only if it lowers chi-square to less than this share of what it was ...
const SHARE_LEFT: f64 = 0.25;
/// ... if chance would do so with odds below this, over all places tried ...
const LEAST_ODDS: f64 = 1e-4;
/// ... and the jump is no smaller than this; slower motion is sag or wind, not a bump.
const LEAST_JUMP: Angle = Angle::from_arcsec(20.0);
/// Misfits below this (root of reduced chi-square) are noise that the model left out.
const LEAST_MISFIT: f64 = 2.0;
/// A number left free must lower chi-square by this to be worth it: two at odds of 1e-3.
const PRICE: f64 = 7.0;
/// Cuts of one alignment; each doubles the work.
const MAX_CUTS: usize = 4;
/// A chi-square of two numbers up to this is an agreement (odds of chance 1 %) ...
const AGREES: f64 = 9.2;
/// ... and one explanation beats another by this (odds of 1 to 100).
const BEATS: f64 = 9.2;

/// Fits one axis, or several in order of time where one does not hold; `None` without any two
/// frames of one stretch.
///
/// Method: while the misfit is no noise, both sides of every gap between frames are fitted on
/// their own and the best gap is taken. The axes of both sides then say what happened there: they
/// agree (the camera jumped), differ as the jump itself does (the rig was knocked), or differ
/// otherwise (the axis was moved). A cut that leaves nothing over to test it with is not made, nor
/// one that a smooth motion explains better. `floor` is how far two axes of one alignment may
/// seem apart for what the model leaves out, 1-sigma.
pub fn fit_parts(stretches: &[Stretch], start: Vector3<f64>, floor: Angle) -> Option<Vec<PartFit>> {
    parts_of(stretches, start, floor, MAX_CUTS)
}

fn parts_of(
    stretches: &[Stretch],
    start: Vector3<f64>,
    floor: Angle,
    n_cuts: usize,
) -> Option<Vec<PartFit>> {
    let mut pieces = stretches.to_vec();
    let mut fit = fit_axis(&pieces, start)?;
    let mut jumps = Vec::new();
    for left in (0..n_cuts).rev() {
        let Some(cut) = best_cut(&pieces, &fit, start) else {
            break;
        };
        match cut.explain(floor) {
            Explained::SameAxis => {
                let Some(jump) = cut.jump else { break };
                pieces = cut.sides.concat();
                fit = fit_axis(&pieces, start)?;
                jumps.push(jump);
            }
            Explained::Changed(change, now) => {
                let [before, after] = &cut.sides;
                let mut parts = parts_of(before, start, floor, left)?;
                parts[0]
                    .jumps
                    .extend(jumps_in(&jumps, |jump| jump.after <= change.before));
                let later = parts_of(after, start, floor, left);
                let mut later = later.unwrap_or_else(|| vec![PartFit::of_axis_alone(&now)]);
                if let ([only], false) = (later.as_mut_slice(), change.kind == ChangeKind::Moved) {
                    only.fit.axis = now.axis;
                    only.fit.basis = now.basis;
                    only.fit.covariance = now.covariance;
                    only.stretches.clear();
                }
                later[0].change = Some(change);
                later[0].jumps.extend(cut.jump);
                later[0]
                    .jumps
                    .extend(jumps_in(&jumps, |jump| jump.before >= change.after));
                parts.extend(later);
                return Some(parts);
            }
        }
    }
    jumps.sort_by_key(|jump: &Jump| jump.before);
    Some(vec![PartFit {
        change: None,
        stretches: pieces,
        fit,
        jumps,
    }])
}

fn jumps_in(jumps: &[Jump], wanted: impl Fn(&Jump) -> bool) -> impl Iterator<Item = Jump> {
    jumps.iter().copied().filter(move |jump| wanted(jump))
}

impl PartFit {
    /// A part whose own frames tell no axis.
    fn of_axis_alone(now: &AxisFit) -> Self {
        Self {
            change: None,
            stretches: Vec::new(),
            fit: now.clone(),
            jumps: Vec::new(),
        }
    }
}

/// Both sides of a gap between frames, each fitted on its own.
struct Cut {
    sides: [Vec<Stretch>; 2],
    fits: [Option<AxisFit>; 2],
    /// What the camera did between the frames, where both are of one pointing.
    jump: Option<Jump>,
    /// The change of the axis that the jump asks for if the rig moved as a whole, along the basis
    /// of the first side, with its covariance.
    carried: Option<(Vector2<f64>, Matrix2<f64>)>,
    frames: (usize, usize),
    at: f64,
    chi_square: f64,
    /// Reduced chi-square, at least 1.
    scale: f64,
    /// Numbers that the cut leaves free.
    n_bought: usize,
    odds: f64,
}

enum Explained {
    SameAxis,
    /// The change, and the axis after it.
    Changed(AxisChange, Box<AxisFit>),
}

fn best_cut(pieces: &[Stretch], fit: &AxisFit, start: Vector3<f64>) -> Option<Cut> {
    if fit.misfit() < LEAST_MISFIT {
        return None;
    }
    let n_frames: usize = pieces.iter().map(|piece| piece.turns.len()).sum();
    let places = pieces.iter().enumerate().flat_map(|(idx, piece)| {
        let inside = 0..piece.turns.len();
        inside
            .filter(move |at| idx + at > 0)
            .map(move |at| (idx, at))
    });
    let cuts: Vec<Cut> = places
        .filter_map(|place| cut_at(pieces, place, start, fit, n_frames))
        .collect();
    // All places are weighed by the noise that the best of them leaves.
    let scale = cuts.iter().map(|cut| cut.scale).reduce(f64::min)?;
    let cost = |cut: &Cut| cut.chi_square / scale + PRICE * cut.n_bought as f64;
    let best = cuts
        .into_iter()
        .min_by(|a, b| cost(a).total_cmp(&cost(b)))?;
    let smooth = find_creep(fit).map_or(0.0, |creep| creep.smoothness);
    let share = best.chi_square / fit.chi_square;
    let large = best.jump.is_none_or(|jump| jump.size.value > LEAST_JUMP);
    (share < SHARE_LEFT && 1.0 - smooth > share && best.odds < LEAST_ODDS && large).then_some(best)
}

/// Cuts before frame `at` of piece `idx`; `None` where nothing would be left to test the cut with.
fn cut_at(
    pieces: &[Stretch],
    (idx, at): (usize, usize),
    start: Vector3<f64>,
    whole: &AxisFit,
    n_places: usize,
) -> Option<Cut> {
    let mut before = pieces[..idx].to_vec();
    let mut after = pieces[idx + 1..].to_vec();
    let (head, tail) = pieces[idx].turns.split_at(at);
    let last = match head.last() {
        Some(last) => {
            before.push(Stretch {
                turns: head.to_vec(),
            });
            last
        }
        None => pieces[idx - 1].turns.last()?,
    };
    let first = tail.first()?;
    after.insert(
        0,
        Stretch {
            turns: tail.to_vec(),
        },
    );
    let fits = [fit_axis(&before, start), fit_axis(&after, start)];
    fits[0].as_ref()?;
    let of = |value: fn(&AxisFit) -> f64| fits.iter().flatten().map(value).sum::<f64>();
    let chi_square = of(|fit| fit.chi_square);
    let n_free = of(|fit| fit.degrees_of_freedom as f64);
    if n_free < 1.0 {
        return None;
    }
    let scale = (chi_square / n_free).max(1.0);
    let gain = ((whole.chi_square - chi_square) / scale).max(0.0);
    // A cut pointing frees its reference, a second axis two numbers more.
    let dimensions = 2 * usize::from(at > 0) + 2 * usize::from(fits[1].is_some());
    let n_bought = dimensions.max(2);
    let odds = (chance_of(gain.sqrt(), n_bought) * n_places as f64).min(1.0);
    let near = fits[0].as_ref().unwrap_or(whole);
    let moved = (at > 0).then(|| {
        let moved = rotation_vector(&(first.turn * last.turn.inverse()));
        let covariance = near.basis.transpose() * (last.covariance + first.covariance) * near.basis;
        (near.basis.transpose() * moved, covariance)
    });
    Some(Cut {
        jump: moved.map(|(off, covariance)| Jump {
            before: last.frame,
            after: first.frame,
            size: Measured::new(
                Angle::from_rad(off.norm()),
                Angle::from_rad((covariance.trace() / 2.0).sqrt()),
            ),
        }),
        // The axis turns along: r x a, in a basis of (up-most, east).
        carried: moved.map(|(off, covariance)| {
            let turned = Matrix2::new(0.0, 1.0, -1.0, 0.0);
            (turned * off, turned * covariance * turned.transpose())
        }),
        sides: [before, after],
        fits,
        frames: (last.frame, first.frame),
        at: 0.5 * (last.mid + first.mid),
        chi_square,
        scale,
        n_bought,
        odds,
    })
}

impl Cut {
    fn explain(&self, floor: Angle) -> Explained {
        let Some(first) = &self.fits[0] else {
            return Explained::SameAxis;
        };
        let floor = Matrix2::identity() * floor.rad().powi(2);
        let own = self.fits[1].as_ref().map(|fit| {
            let off: Vector2<f64> = first.basis.transpose() * (fit.axis - first.axis);
            (off, fit.covariance)
        });
        let chi = |expected: Vector2<f64>, more: Matrix2<f64>| {
            own.map_or(0.0, |(off, covariance)| {
                let sum = covariance + first.covariance + floor + more;
                let rest = off - expected;
                sum.try_inverse()
                    .map_or(0.0, |weight| (rest.transpose() * weight * rest)[0])
            })
        };
        let same = chi(Vector2::zeros(), Matrix2::zeros());
        let carried = self
            .carried
            .map(|(off, covariance)| (off, covariance, chi(off, covariance)));
        let (kind, off, covariance) = match (carried, own) {
            (None, None) => return Explained::SameAxis,
            (None, Some(_)) if same < AGREES => return Explained::SameAxis,
            (None, Some((off, covariance))) => (ChangeKind::Moved, off, covariance),
            (Some((_, _, along)), _) if same < AGREES && along > same + BEATS => {
                return Explained::SameAxis;
            }
            (Some((off, covariance, along)), _) if along < AGREES && same > along + BEATS => {
                let by_jump = (off, covariance + first.covariance);
                let (off, covariance) = combined(by_jump, own);
                (ChangeKind::Knocked, off, covariance)
            }
            (Some((_, _, along)), Some((off, covariance))) if along > AGREES && same > AGREES => {
                (ChangeKind::Moved, off, covariance)
            }
            (Some((off, covariance, _)), own) => {
                // Either nothing happened to the axis or all of the jump: the middle, that wide.
                let spread = off * off.transpose() * 0.25;
                let by_jump = (off * 0.5, covariance + first.covariance + spread);
                let (off, covariance) = combined(by_jump, own);
                (ChangeKind::Unclear, off, covariance)
            }
        };
        let now = axis_after(first, off, covariance);
        let change = self.change(kind, off, covariance + first.covariance);
        Explained::Changed(change, Box::new(now))
    }

    fn change(&self, kind: ChangeKind, off: Vector2<f64>, covariance: Matrix2<f64>) -> AxisChange {
        let along = off / off.norm().max(1e-12);
        let variance = (along.transpose() * covariance * along)[0];
        AxisChange {
            before: self.frames.0,
            after: self.frames.1,
            at: Seconds::new(self.at),
            size: Measured::new(
                Angle::from_rad(off.norm()),
                Angle::from_rad(variance.max(0.0).sqrt()),
            ),
            kind,
            odds: self.odds,
        }
    }
}

/// Two axes that differ by this chi-square of two numbers are not one (odds of 1 to a million).
const APART: f64 = 27.6;

/// Last and first frame of two pointings that ask for different axes, where neither side has
/// anything left over that would tell a moved axis from a camera that settles.
pub fn disagreement(
    stretches: &[Stretch],
    start: Vector3<f64>,
    floor: Angle,
) -> Option<(usize, usize)> {
    let telling: Vec<&Stretch> = stretches
        .iter()
        .filter(|one| one.turns.len() >= 2)
        .collect();
    let floor = Matrix2::identity() * floor.rad().powi(2);
    (1..telling.len()).find_map(|gap| {
        let side = |stretches: &[&Stretch]| {
            let own: Vec<Stretch> = stretches.iter().map(|one| (*one).clone()).collect();
            fit_axis(&own, start).filter(|fit| fit.degrees_of_freedom == 0)
        };
        let (first, second) = (side(&telling[..gap])?, side(&telling[gap..])?);
        let off: Vector2<f64> = first.basis.transpose() * (second.axis - first.axis);
        let sum = first.covariance + second.covariance + floor;
        let square = (off.transpose() * sum.try_inverse()? * off)[0];
        let (last, next) = (telling[gap - 1].turns.last()?, telling[gap].turns.first()?);
        (square > APART).then_some((last.frame, next.frame))
    })
}

/// Weighted mean of two estimates, where there are two.
fn combined(
    a: (Vector2<f64>, Matrix2<f64>),
    b: Option<(Vector2<f64>, Matrix2<f64>)>,
) -> (Vector2<f64>, Matrix2<f64>) {
    let mean = || {
        let (b, covariance_b) = b?;
        let (weight_a, weight_b) = (a.1.try_inverse()?, covariance_b.try_inverse()?);
        let covariance = (weight_a + weight_b).try_inverse()?;
        Some((covariance * (weight_a * a.0 + weight_b * b), covariance))
    };
    mean().unwrap_or(a)
}

fn axis_after(first: &AxisFit, off: Vector2<f64>, covariance: Matrix2<f64>) -> AxisFit {
    let axis = (first.axis + first.basis * off).normalize();
    AxisFit {
        axis,
        basis: super::invert::tangent_basis(axis),
        covariance,
        drive: Vec::new(),
        shared_rate: 0.0,
        chi_square: 0.0,
        degrees_of_freedom: 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mount::invert::FrameTurn;
    use nalgebra::{Matrix3, Rotation3};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const SIGMA: f64 = 3e-7;
    const FLOOR: Angle = Angle::from_arcmin(0.3);

    fn pole() -> Vector3<f64> {
        Vector3::new(0.0, 0.6, 0.8)
    }

    fn turns(
        frames: std::ops::Range<usize>,
        axis: Vector3<f64>,
        seed: u64,
        moved: impl Fn(Rotation3<f64>) -> Rotation3<f64>,
    ) -> Vec<FrameTurn> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        frames
            .map(|frame| {
                let noise = Vector3::from_fn(|_, _| -> f64 { StandardNormal.sample(&mut random) });
                let driven = Rotation3::new(axis * (-0.005 * frame as f64));
                FrameTurn {
                    frame,
                    mid: 70.0 * frame as f64,
                    turn: Rotation3::new(noise * SIGMA) * moved(driven),
                    covariance: Matrix3::identity() * SIGMA * SIGMA,
                }
            })
            .collect()
    }

    fn off_pole(x: f64) -> Vector3<f64> {
        (pole() + Vector3::new(x, 0.0, 0.0)).normalize()
    }

    #[test]
    fn a_camera_that_jumps_leaves_the_axis_where_it_is() {
        let bump = Rotation3::new(Vector3::new(3e-3, -1e-3, 5e-4));
        let mut all = turns(0..4, off_pole(0.01), 1, |driven| driven);
        all.extend(turns(4..6, off_pole(0.01), 2, |driven| driven * bump));
        let found = fit_parts(&[Stretch { turns: all }], pole(), FLOOR).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].jumps[0].before, found[0].jumps[0].after), (3, 4));
        assert!((found[0].fit.axis - off_pole(0.01)).norm() < 2e-4);
    }

    #[test]
    fn a_knocked_rig_takes_its_axis_along_with_unit_pulls() {
        let knock = Rotation3::new(Vector3::new(3e-3, -2e-3, 5e-4));
        let mut squares = 0.0;
        for seed in 0..60 {
            let mut all = turns(0..4, off_pole(0.01), seed, |driven| driven);
            all.extend(turns(4..6, off_pole(0.01), seed + 100, |driven| {
                knock * driven
            }));
            let found = fit_parts(&[Stretch { turns: all }], pole(), FLOOR).unwrap();
            assert_eq!(found.len(), 2, "seed {seed}");
            let change = found[1].change.unwrap();
            assert_eq!(change.kind, ChangeKind::Knocked);
            assert_eq!((change.before, change.after), (3, 4));
            let now = &found[1].fit;
            let off = now.basis.transpose() * (knock * off_pole(0.01) - now.axis);
            let weight = now.covariance.try_inverse().unwrap();
            squares += (off.transpose() * weight * off)[0] / 2.0;
        }
        let spread = (squares / 60.0).sqrt();
        assert!((0.7..1.2).contains(&spread), "pull spread {spread}");
    }

    #[test]
    fn one_frame_after_a_jump_leaves_open_what_the_axis_did() {
        let knock = Rotation3::new(Vector3::new(3e-3, -2e-3, 5e-4));
        let mut all = turns(0..5, off_pole(0.01), 3, |driven| driven);
        all.extend(turns(5..6, off_pole(0.01), 4, |driven| knock * driven));
        let found = fit_parts(&[Stretch { turns: all }], pole(), FLOOR).unwrap();
        assert_eq!(found[1].change.unwrap().kind, ChangeKind::Unclear);
        let now = &found[1].fit;
        for axis in [off_pole(0.01), knock * off_pole(0.01)] {
            let off = now.basis.transpose() * (axis - now.axis);
            let weight = now.covariance.try_inverse().unwrap();
            let square = (off.transpose() * weight * off)[0];
            assert!(square < AGREES, "{square}");
        }
    }

    #[test]
    fn a_realignment_between_pointings_gives_two_axes() {
        let stretches = [
            Stretch {
                turns: turns(0..3, off_pole(0.02), 5, |driven| driven),
            },
            Stretch {
                turns: turns(3..6, off_pole(0.02), 6, |driven| driven),
            },
            Stretch {
                turns: turns(6..9, off_pole(0.001), 7, |driven| driven),
            },
        ];
        let found = fit_parts(&stretches, pole(), FLOOR).unwrap();
        assert_eq!(found.len(), 2);
        let change = found[1].change.unwrap();
        assert_eq!(
            (change.before, change.after, change.kind),
            (5, 6, ChangeKind::Moved)
        );
        assert!((found[1].fit.axis - off_pole(0.001)).norm() < 2e-4);
        assert!((change.size.value.rad() - 0.019).abs() < 4.0 * change.size.sigma.rad());
    }

    #[test]
    fn nothing_is_cut_where_nothing_is_left_to_test_it_or_nothing_happened() {
        let two = [
            Stretch {
                turns: turns(0..2, off_pole(0.02), 8, |driven| driven),
            },
            Stretch {
                turns: turns(2..4, off_pole(0.001), 9, |driven| driven),
            },
        ];
        assert_eq!(fit_parts(&two, pole(), FLOOR).unwrap().len(), 1);
        for seed in 0..100 {
            let quiet = Stretch {
                turns: turns(0..6, off_pole(0.02), seed, |driven| driven),
            };
            let found = fit_parts(&[quiet], pole(), FLOOR).unwrap();
            assert!(found.len() == 1 && found[0].jumps.is_empty());
        }
    }

    #[test]
    fn a_sag_that_dies_away_is_no_cut() {
        let sag = |frame: usize| {
            let sunk = 2e-3 * (1.0 - (-(frame as f64) / 3.0).exp());
            Rotation3::new(Vector3::new(sunk, 0.3 * sunk, 0.0))
        };
        let mut all = Vec::new();
        for frame in 0..8 {
            all.extend(turns(
                frame..frame + 1,
                off_pole(0.01),
                frame as u64,
                |driven| sag(frame) * driven,
            ));
        }
        let found = fit_parts(&[Stretch { turns: all }], pole(), FLOOR).unwrap();
        assert_eq!(found.len(), 1);
        assert!(found[0].jumps.is_empty());
        assert!(find_creep(&found[0].fit).is_some());
    }
}
