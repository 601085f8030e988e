//! Camera attitudes in; axis, drive record and what cannot be known out.
//!
//! The key fact: between two frames of a pointing the camera turned over the ground by
//! `Rot(a, theta)`, whatever the drive did. With every drive angle free, the axis is the fixed
//! line of the camera's motion; the drive angles against time are then the record of the drive.
//!
//! `invert` fits the axis, `split` cuts pointings at bumps, `creep` finds what no axis explains,
//! `drive` reads the record of the drive, `within` what it did inside the exposures, `predict` draws
//! the trail that all of it makes, `joined` weighs that against the shapes, `lone`
//! does what can be done with one frame and the `slopes` of its shapes. `observability` says which part of the axis is known,
//! `stamps` whether times are those of starts or ends,
//! `foresee` what further frames would tell, `plan` which ones to take. `model` is the physics and
//! knows no fitting.

pub mod account;
pub mod creep;
pub mod drive;
pub mod foresee;
pub mod invert;
pub mod joined;
pub mod lone;
pub mod model;
pub mod observability;
pub mod plan;
pub mod predict;
pub mod slip;
pub mod slopes;
pub mod split;
pub mod stamps;
pub mod swing;
pub mod ties;
pub mod within;

use nalgebra::{Matrix2, Vector3};

use crate::identify::attitude::Evolve;
use crate::sky::{Direction, Horizon};
use crate::units::{Angle, Hemisphere, Measured};
use creep::{Creep, find_creep};
use drive::{DriveRecord, record_drive};
use invert::{AxisFit, DriveAngle, Stretch};
use model::{AxisError, error_of_axis, northern_end};
use split::{AxisChange, Jump, PartFit};
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
    /// Two pointings ask for different axes, and nothing is left over to say why.
    Disagreeing {
        /// Last frame of the first of them (index in the alignment).
        before: usize,
        /// First frame of the next.
        after: usize,
    },
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
    /// Drive angles that the record was read from, a list a stretch.
    pub angles: Vec<Vec<DriveAngle>>,
    /// Bumps between frames.
    pub jumps: Vec<Jump>,
    /// Slow motion off the axis line.
    pub creep: Option<Creep>,
    /// Root of reduced chi-square of the fit.
    pub misfit: f64,
    /// What frames share and the scatter of their drive angles does not show, on the drive's mean
    /// rate, 1-sigma.
    pub rate_doubt: f64,
    /// The change of the axis that it holds from; `None` where one axis held for all frames.
    pub change: Option<AxisChange>,
    /// What held before that change.
    pub earlier: Option<Box<MountFit>>,
}

/// Relative 1-sigma of the air's refraction under the standard atmosphere at the site's height:
/// 15 degrees C of weather are 5 %, 10 hPa are 1 % (refraction goes with pressure over temperature).
pub const AIR_SIGMA: f64 = 0.05;

/// An axis known worse than this is as good as unknown.
const USELESS: Angle = Angle::from_deg(20.0);

/// Residuals this many times their sigma are no noise.
const CONTRADICTION: f64 = 10.0;

/// The air moves a field's place by this share of what it does to the axis, in some minutes (own
/// estimate: a fiftieth of a radian's turn, and as much again to be safe).
const CREEP_OF_AIR: f64 = 0.04;

/// How far two axes of one alignment may seem apart for what the model leaves out (own estimate:
/// refraction of real air, lens and clock, from the practice nights' pulls).
const AXIS_FLOOR: Angle = Angle::from_arcmin(0.3);

/// Fits axis and drive to an alignment's stretches.
///
/// Input: attitudes of the frames over the ground, a stretch a pointing; `ties` hold the errors
/// that frames of a stretch share. `doubt` turns the axis error by as much, and mimics a slow
/// drive; `air` is the 1-sigma size of what the air does to the axis and is not in the model.
/// Output: the fit that holds for the last frames, with what held before them in `earlier`.
pub fn fit_mount(
    stretches: &[Stretch],
    ties: &[Tie],
    ground: &Ground<'_>,
    doubt: Doubt,
    air: Angle,
) -> MountFit {
    let start = ground.refracted_north();
    // A direction that is off by some degrees turns each pointing's axis by its own part of that.
    let lever = invert::fit_axis(stretches, start).map_or(0.0, |fit| (fit.axis - start).norm());
    let by_aim = lever.min(1.0) * doubt.attitude.rad();
    let floor = AXIS_FLOOR.rad().hypot(by_aim).hypot(air.rad());
    let parts = split::fit_parts(stretches, start, Angle::from_rad(floor));
    let later = parts.unwrap_or_default().into_iter();
    let fits = later.map(|part| {
        let apart = split::disagreement(&part.stretches, start, Angle::from_rad(floor));
        let mut fit = fit_of_part(tied(part, ties, start), ground, doubt, air);
        if let (Some((before, after)), Ok(_)) = (apart, &fit.axis) {
            fit.axis = Err(AxisUnknown::Disagreeing { before, after });
        }
        fit
    });
    let joined = fits.reduce(|earlier, mut now| {
        now.earlier = Some(Box::new(earlier));
        now
    });
    joined.unwrap_or(MountFit {
        axis: Err(AxisUnknown::TooFewFrames),
        drive: None,
        angles: Vec::new(),
        jumps: Vec::new(),
        creep: None,
        misfit: 1.0,
        rate_doubt: 0.0,
        change: None,
        earlier: None,
    })
}

/// Cuts are looked for frame by frame; the fit that counts takes what the frames share along.
fn tied(part: PartFit, ties: &[Tie], start: Vector3<f64>) -> PartFit {
    match invert::fit_axis_tied(&part.stretches, ties, start) {
        Some(fit) => PartFit { fit, ..part },
        None => part,
    }
}

fn fit_of_part(part: PartFit, ground: &Ground<'_>, doubt: Doubt, air: Angle) -> MountFit {
    let mut fit = part.fit;
    fit.covariance += Matrix2::identity() * air.rad().powi(2);
    let mut drive = record_drive(&fit.drive, doubt.attitude);
    // What turns an axis by so much for the eye speeds the stars up by as much at most.
    let rate_doubt = fit.shared_rate.hypot(air.rad());
    if let Some(drive) = &mut drive {
        drive.rate_ratio.sigma = drive.rate_ratio.sigma.hypot(rate_doubt);
    }
    // What the air does alone must not pass for a rig that sinks.
    let creep = find_creep(&fit).filter(|creep| creep.departure.value > air * CREEP_OF_AIR);
    MountFit {
        axis: axis_of(&fit, ground, doubt, drive.as_ref(), creep.as_ref()),
        drive,
        misfit: fit.misfit(),
        angles: fit.drive,
        jumps: part.jumps,
        creep,
        rate_doubt,
        change: part.change,
        earlier: None,
    }
}

impl MountFit {
    /// What held when a frame was taken.
    pub fn part_of(&self, frame: usize) -> &MountFit {
        match (&self.earlier, self.change) {
            (Some(earlier), Some(change)) if frame < change.after => earlier.part_of(frame),
            _ => self,
        }
    }

    /// Reads the drive's record anew without some frames, in which it stood still.
    pub fn forget_frames(&mut self, frames: &[usize]) {
        if frames.is_empty() {
            return;
        }
        for stretch in &mut self.angles {
            stretch.retain(|angle| !frames.contains(&angle.frame));
        }
        let Some(known) = &self.drive else { return };
        if let Some(mut drive) = record_drive(&self.angles, known.doubt) {
            drive.rate_ratio.sigma = drive.rate_ratio.sigma.hypot(self.rate_doubt);
            self.drive = Some(drive);
        }
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
    let rate = drive.map_or(1.0, |record| record.rate_ratio.value);
    let extra = variance_by_doubt(direction, ground, rate, doubt);
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

/// Variance of each part of the axis error by what all attitudes may be off together, square radians.
///
/// An attitude off by a small turn moves the axis by that turn times (axis - pole / rate); a clock
/// that is off turns the error itself about the pole.
pub fn variance_by_doubt(
    axis: Direction<Horizon>,
    ground: &Ground<'_>,
    rate: f64,
    doubt: Doubt,
) -> f64 {
    let hemisphere = ground.hemisphere();
    let lever = northern_end(axis, hemisphere) - northern_end(ground.true_pole, hemisphere) / rate;
    let by_attitude = lever.norm() * doubt.attitude.rad();
    let error = error_of_axis(axis, ground.refracted_pole);
    let by_clock = error.total().rad() * doubt.clock.rad();
    by_attitude.powi(2) + by_clock.powi(2)
}
