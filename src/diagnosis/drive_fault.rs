//! The ways in which a drive goes wrong, told apart by the record between frames.

use super::Cause;
use super::evidence::{Evidence, FrameEvidence};
use super::inside::swing_inside;
use super::seen_step::seen_step;
use crate::mount::AxisUnknown;
use crate::mount::drive::{DriveRecord, NominalRate};
use crate::mount::slip::DriveStep;
use crate::units::{Angle, AngularRate, Measured, Pixels};

/// How the drive of an alignment went wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveFault {
    /// The kind of fault.
    pub cause: Cause,
    /// Trail that it makes in its worst frame, pixels.
    pub trail_px: f64,
    /// 1-sigma of `trail_px`.
    pub sigma_px: f64,
}

/// Intervals' rates that agree this well, against their mean offset from sidereal, are one rate.
const ONE_RATE: f64 = 0.35;

/// The drive's fault, if its record shows one; `None` without a record.
pub fn find_drive_fault(evidence: &Evidence) -> Option<DriveFault> {
    let fit = evidence.fit.as_ref()?;
    // A record about an axis that does not fit is no record.
    if matches!(
        fit.axis,
        Err(AxisUnknown::Creeping | AxisUnknown::Inconsistent | AxisUnknown::Disagreeing { .. },)
    ) {
        return None;
    }
    let record = fit.drive.as_ref()?;
    let trail_px = worst_drive_trail(evidence);
    let fault = |cause| {
        let sigma_px = drive_sigma(evidence, record);
        Some(DriveFault {
            cause,
            trail_px,
            sigma_px,
        })
    };
    match record.nominal {
        Some(NominalRate::Stopped) => return fault(Cause::DriveStopped),
        Some(NominalRate::Reversed) => return fault(Cause::DriveReversed),
        Some(NominalRate::Half) => return fault(Cause::DriveRate),
        _ => {}
    }
    let stood = evidence.standstills.iter();
    let worst = stood.max_by(|a, b| a.trail.value.px().total_cmp(&b.trail.value.px()));
    if let Some(standstill) = worst {
        return Some(DriveFault {
            cause: Cause::DriveBacklash,
            trail_px: standstill.trail.value.px().max(trail_px),
            sigma_px: standstill.trail.sigma.px(),
        });
    }
    let offsets: Vec<f64> = offsets_from_sidereal(record);
    if let Some(step) = &record.step {
        let trail = step_px(evidence, step);
        return Some(DriveFault {
            cause: Cause::Slip,
            trail_px: trail.map_or(trail_px, |trail| trail.value.px().max(trail_px)),
            sigma_px: trail.map_or(0.0, |trail| trail.sigma.px()),
        });
    }
    if let Some(step) = seen_step(evidence, record) {
        return Some(DriveFault {
            cause: Cause::Slip,
            trail_px: step.value.px(),
            sigma_px: step.sigma.px(),
        });
    }
    if is_one_rate(&offsets) {
        return fault(Cause::DriveRate);
    }
    let shown = swing_inside(evidence).and_then(|swing| swing_px(evidence, swing));
    Some(DriveFault {
        cause: Cause::DrivePeriodic,
        trail_px: shown.map_or(trail_px, |shown| shown.value.px().max(trail_px)),
        sigma_px: drive_sigma(evidence, record),
    })
}

/// The trail of an exposure in which the drive goes from end to end of such a swing.
fn swing_px(evidence: &Evidence, swing: Measured<Angle>) -> Option<Measured<Pixels>> {
    let scale = |frame: &FrameEvidence| {
        let whole = AngularRate::SIDEREAL.over(frame.exposure?).rad();
        Some(frame.along?.length().px() / whole)
    };
    let scale = evidence.frames.iter().filter_map(scale).reduce(f64::max)?;
    let px = |angle: Angle| Pixels::new(2.0 * angle.rad() * scale);
    Some(Measured::new(px(swing.value), px(swing.sigma)))
}

/// The largest trail that the drive draws in any frame by the motion between frames, pixels.
fn worst_drive_trail(evidence: &Evidence) -> f64 {
    let parts = evidence
        .frames
        .iter()
        .filter_map(|frame| frame.predicted.as_ref());
    parts
        .map(|parts| parts.drive.length().px())
        .fold(0.0, f64::max)
}

fn drive_sigma(evidence: &Evidence, record: &DriveRecord) -> f64 {
    let along = evidence.frames.iter().filter_map(|frame| frame.along);
    let longest = along.map(|along| along.length().px()).fold(0.0, f64::max);
    let sigmas = record
        .residuals
        .iter()
        .filter_map(|residual| residual.rate_to_next);
    let sigma = sigmas.map(|rate| rate.sigma).fold(0.0, f64::max);
    longest * sigma
}

/// The trail that a step makes in the frame in which it falls; between frames it makes none.
fn step_px(evidence: &Evidence, step: &DriveStep) -> Option<Measured<Pixels>> {
    let inside = |frame: &&FrameEvidence| step.before < frame.frame && frame.frame < step.after;
    let frame = evidence.frames.iter().find(inside)?;
    let whole = AngularRate::SIDEREAL.over(frame.exposure?);
    let along_px = frame.along?.length().px();
    let px = |angle: Angle| Pixels::new(along_px * (angle / whole));
    Some(Measured::new(
        px(step.size.value.abs()),
        px(step.size.sigma),
    ))
}

/// How far each interval's rate is from sidereal.
fn offsets_from_sidereal(record: &DriveRecord) -> Vec<f64> {
    let rates = record
        .residuals
        .iter()
        .filter_map(|residual| residual.rate_to_next);
    rates.map(|rate| rate.value - 1.0).collect()
}

fn is_one_rate(offsets: &[f64]) -> bool {
    let n = offsets.len() as f64;
    let mean = offsets.iter().sum::<f64>() / n;
    let spread = offsets
        .iter()
        .map(|offset| (offset - mean).abs())
        .fold(0.0, f64::max);
    offsets.len() >= 2 && spread < ONE_RATE * mean.abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn swings_and_rates_are_told_apart() {
        assert!(is_one_rate(&[-2.7e-3, -2.6e-3]));
        assert!(!is_one_rate(&[5e-3, -1e-3, -4e-3]));
    }
}
