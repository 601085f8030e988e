//! The decision: what to do next, from what was found.

use super::{Correction, Decision};
use crate::diagnosis::evidence::Evidence;
use crate::diagnosis::{Cause, Finding};
use crate::mount::AxisEstimate;
use crate::units::{Angle, Measured};

/// A part of the axis error is acted on only beyond this many sigmas.
const SURE: f64 = 2.0;

/// What to do, and the move of the axis if one is advised.
///
/// A move is never advised on an ambiguous sign, nor in a part that is not twice its own sigma.
pub fn choose(
    finding: &Finding,
    evidence: &Evidence,
    pole_altitude: Option<Angle>,
) -> (Decision, Option<Correction>) {
    match finding.cause {
        Cause::Aligned | Cause::Lens => (Decision::CarryOn, None),
        Cause::Axis => choose_for_axis(evidence, pole_altitude),
        Cause::DriveRate
        | Cause::DriveStopped
        | Cause::DriveReversed
        | Cause::DriveBacklash
        | Cause::Slip => (Decision::FixDrive, None),
        Cause::DrivePeriodic => (Decision::Shorten, None),
        Cause::Shake | Cause::Bump | Cause::Sag => (Decision::Steady, None),
        Cause::Focus => (Decision::Refocus, None),
        Cause::Unknown => (Decision::MoreFrames, None),
    }
}

fn choose_for_axis(
    evidence: &Evidence,
    pole_altitude: Option<Angle>,
) -> (Decision, Option<Correction>) {
    let Some(axis) = evidence.axis() else {
        return (Decision::MoreFrames, None);
    };
    if axis.mirror_ambiguous {
        return (Decision::MoreFrames, None);
    }
    match pole_altitude.and_then(|altitude| correction_of(axis, altitude)) {
        Some(correction) => (Decision::Realign, Some(correction)),
        None => (Decision::MoreFrames, None),
    }
}

/// The move that undoes the sure parts of an axis error; `None` where no part is sure.
pub(super) fn correction_of(axis: &AxisEstimate, pole_altitude: Angle) -> Option<Correction> {
    let (up, east, _) = axis.parts();
    let (raise, east_on_sky) = (undo(up), undo(east));
    let moves = raise != Angle::ZERO || east_on_sky != Angle::ZERO;
    moves.then(|| Correction {
        raise,
        east_on_sky,
        // Near a pole at the zenith the base turns far for little; a degree of altitude short of
        // it the turn has no meaning.
        east_horizontal: east_on_sky / pole_altitude.cos().max(0.02),
    })
}

fn undo(error: Measured<Angle>) -> Angle {
    if error.value.abs() > error.sigma * SURE {
        -error.value
    } else {
        Angle::ZERO
    }
}
