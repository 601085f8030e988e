//! Camera attitudes in; axis, drive record and what cannot be known out.
//!
//! The key fact: between two frames of a pointing the camera turned over the ground by
//! `Rot(a, theta)`, whatever the drive did. With every drive angle free, the axis is the fixed
//! line of the camera's motion; the drive angles against time are then the record of the drive.
//!
//! `invert` fits the axis, `split` cuts pointings at bumps, `creep` finds what no axis explains,
//! `drive` reads the record of the drive, `predict` draws the trail that all of it makes, `lone`
//! does what can be done with one frame. `model` is the physics and knows no fitting.

pub mod creep;
pub mod drive;
pub mod invert;
pub mod lone;
pub mod model;
pub mod predict;
pub mod split;
pub mod ties;

use nalgebra::{Matrix2, Vector3};

use crate::identify::attitude::Evolve;
use crate::sky::{Direction, Horizon};
use crate::units::{Angle, Hemisphere, Measured};
use creep::{Creep, find_creep};
use drive::{DriveRecord, record_drive};
use invert::{AxisFit, Stretch};
use model::{AxisError, error_of_axis, northern_end};
use split::{Jump, SplitFit, fit_with_cuts};
use ties::Tie;

/// The ground that the tracker stands on: where the pole is, and how the sky moves there.
#[derive(Clone, Copy)]
pub struct Ground<'a> {
    /// Celestial pole above the horizon, without air.
    pub true_pole: Direction<Horizon>,
    /// The same pole as seen through the air: what the axis should aim at.
    pub refracted_pole: Direction<Horizon>,
    /// Motion of the sky, refraction included.
    pub evolve: &'a Evolve<'a>,
}

impl Ground<'_> {
    /// Which pole is up.
    pub fn hemisphere(&self) -> Hemisphere {
        if self.true_pole.vector().y >= 0.0 {
            Hemisphere::North
        } else {
            Hemisphere::South
        }
    }
    /// Northern end of the line to the refracted pole.
    pub fn refracted_north(&self) -> Vector3<f64> {
        northern_end(self.refracted_pole, self.hemisphere())
    }
}

/// Where the axis points, and how surely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisEstimate {
    /// The end of the axis near the pole above the horizon.
    pub direction: Direction<Horizon>,
    /// Axis minus refracted pole.
    pub error: AxisError,
    /// Covariance of (up, east), square radians.
    pub covariance: Matrix2<f64>,
    /// True where the opposite error fits as well.
    pub mirror_ambiguous: bool,
}

impl AxisEstimate {
    /// Up and east parts, each with its sigma, and their correlation.
    pub fn parts(&self) -> (Measured<Angle>, Measured<Angle>, f64) {
        let sigma = |part: usize| self.covariance[(part, part)].max(0.0).sqrt();
        let product = sigma(0) * sigma(1);
        let correlation = if product > 0.0 {
            self.covariance[(0, 1)] / product
        } else {
            0.0
        };
        (
            Measured::new(self.error.up, Angle::from_rad(sigma(0))),
            Measured::new(self.error.east, Angle::from_rad(sigma(1))),
            correlation.clamp(-1.0, 1.0),
        )
    }
}

/// How far the attitudes of an alignment may all be off together, 1-sigma.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doubt {
    /// Turn about any line (a hinted direction; the fit to identified stars).
    pub attitude: Angle,
    /// Turn about the pole alone (the camera's clock).
    pub clock: Angle,
}

impl Doubt {
    /// The larger of two doubts in each part.
    pub fn max(self, other: Self) -> Self {
        Self {
            attitude: self.attitude.max(other.attitude),
            clock: self.clock.max(other.clock),
        }
    }
}

/// Why the frames do not tell the axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AxisUnknown {
    /// No two frames of one pointing could be compared.
    TooFewFrames,
    /// The drive did not turn far enough: the turn has no direction.
    NotTurning,
    /// The camera's motion is no turn about one axis, but changes smoothly.
    Creeping,
    /// No axis fits the frames: the directions given for them may be wrong.
    Inconsistent,
}

/// What the frames of one alignment say about the mount.
#[derive(Debug, Clone, PartialEq)]
pub struct MountFit {
    /// The axis, or why it is unknown.
    pub axis: Result<AxisEstimate, AxisUnknown>,
    /// The drive's record; `None` without two frames of one pointing.
    pub drive: Option<DriveRecord>,
    /// Bumps between frames.
    pub jumps: Vec<Jump>,
    /// Slow motion off the axis line.
    pub creep: Option<Creep>,
    /// Root of reduced chi-square of the fit.
    pub misfit: f64,
}

/// Relative 1-sigma of the air's refraction under the standard atmosphere at the site's height:
/// 15 degrees C of weather are 5 %, 10 hPa are 1 % (refraction goes with pressure over temperature).
pub const AIR_SIGMA: f64 = 0.05;

/// An axis known worse than this is as good as unknown.
const USELESS: Angle = Angle::from_deg(20.0);

/// Residuals this many times their sigma are no noise.
const CONTRADICTION: f64 = 10.0;

/// From this misfit on, one axis does not hold for both sides of a bump.
const BROKEN: f64 = 3.0;

/// Fits axis and drive to an alignment's stretches.
///
/// Input: attitudes of the frames over the ground, a stretch a pointing.
/// `doubt` turns the axis error by as much, and mimics a slow drive.
pub fn fit_mount(stretches: &[Stretch], ground: &Ground<'_>, doubt: Doubt) -> MountFit {
    fit_mount_tied(stretches, &[], ground, doubt)
}

/// The same where the frames of a stretch share errors.
pub fn fit_mount_tied(
    stretches: &[Stretch],
    ties: &[Tie],
    ground: &Ground<'_>,
    doubt: Doubt,
) -> MountFit {
    let Some(split) = fit_with_cuts(stretches, ground.refracted_north()) else {
        return MountFit {
            axis: Err(AxisUnknown::TooFewFrames),
            drive: None,
            jumps: Vec::new(),
            creep: None,
            misfit: 1.0,
        };
    };
    let split = tied(largest_part(split, ground), ties, ground);
    let drive = record_drive(&split.fit.drive, doubt.attitude);
    let creep = find_creep(&split.fit);
    MountFit {
        axis: axis_of(&split.fit, ground, doubt, drive.as_ref(), creep.as_ref()),
        drive,
        jumps: split.jumps,
        creep,
        misfit: split.fit.misfit(),
    }
}

/// A bump that moved the axis itself leaves no axis that fits both sides of it: then the side
/// that tells its axis better stands for the alignment.
fn largest_part(split: SplitFit, ground: &Ground<'_>) -> SplitFit {
    let Some(jump) = split
        .jumps
        .first()
        .copied()
        .filter(|_| split.fit.misfit() > BROKEN)
    else {
        return split;
    };
    let is_before = |stretch: &&Stretch| stretch.turns.iter().all(|turn| turn.frame <= jump.before);
    let (before, after): (Vec<&Stretch>, Vec<&Stretch>) =
        split.stretches.iter().partition(is_before);
    let fit_of = |part: Vec<&Stretch>| {
        let stretches: Vec<Stretch> = part.into_iter().cloned().collect();
        let fit = invert::fit_axis(&stretches, ground.refracted_north())?;
        Some((fit, stretches))
    };
    let parts = [fit_of(before), fit_of(after)].into_iter().flatten();
    let best = parts.min_by(|a, b| a.0.covariance.trace().total_cmp(&b.0.covariance.trace()));
    match best {
        Some((fit, stretches)) => SplitFit {
            fit,
            stretches,
            jumps: split.jumps,
        },
        None => split,
    }
}

/// Cuts are looked for frame by frame; the fit that counts takes what the frames share along.
fn tied(split: SplitFit, ties: &[Tie], ground: &Ground<'_>) -> SplitFit {
    match invert::fit_axis_tied(&split.stretches, ties, ground.refracted_north()) {
        Some(fit) => SplitFit { fit, ..split },
        None => split,
    }
}

fn axis_of(
    fit: &AxisFit,
    ground: &Ground<'_>,
    doubt: Doubt,
    drive: Option<&DriveRecord>,
    creep: Option<&Creep>,
) -> Result<AxisEstimate, AxisUnknown> {
    let stands = drive.is_some_and(|record| record.nominal == Some(drive::NominalRate::Stopped));
    if stands {
        return Err(AxisUnknown::NotTurning);
    }
    if creep.is_some() {
        return Err(AxisUnknown::Creeping);
    }
    if fit.covariance.trace().sqrt() > USELESS.rad() {
        let misfits = fit.misfit() > CONTRADICTION;
        return Err(if misfits {
            AxisUnknown::Inconsistent
        } else {
            AxisUnknown::NotTurning
        });
    }
    let hemisphere = ground.hemisphere();
    let direction: Direction<Horizon> = Direction::new(match hemisphere {
        Hemisphere::North => fit.axis,
        Hemisphere::South => -fit.axis,
    });
    // `basis` is (up, east) of the northern end; the southern end moves the other way in both,
    // which leaves a covariance as it is.
    let error = error_of_axis(direction, ground.refracted_pole);
    // An attitude off by a small turn moves the axis by that turn times (axis - pole / rate);
    // a clock that is off turns the error itself about the pole.
    let rate = drive.map_or(1.0, |record| record.rate_ratio.value);
    let lever = fit.axis - northern_end(ground.true_pole, hemisphere) / rate;
    let by_attitude = lever.norm() * doubt.attitude.rad();
    let by_clock = error.total().rad() * doubt.clock.rad();
    let extra = by_attitude.powi(2) + by_clock.powi(2);
    // The aim itself stands as high as the air bends; that is an error of the upward part.
    let bent = ground.true_pole.separation(ground.refracted_pole).rad();
    let by_air = Matrix2::new((AIR_SIGMA * bent).powi(2), 0.0, 0.0, 0.0);
    Ok(AxisEstimate {
        direction,
        error,
        covariance: fit.covariance + Matrix2::identity() * extra + by_air,
        mirror_ambiguous: false,
    })
}
