//! The drive's record, as the frames' own trails and the night's accounts have it.

use super::accounted::{standstills_told, tells};
use crate::diagnosis::drive_fault::find_drive_fault;
use crate::diagnosis::{Cause, Evidence, find_standstills, is_shaken, swing_inside};
use crate::mount::account::Part;
use crate::mount::drive::{DriveRecord, NominalRate};
use crate::units::{Measured, Seconds};

/// The drive's record once the frames' own trails are known: without the frames in which it stood
/// still, and with the swing as the drive makes it.
pub(super) fn read_record(evidence: &mut Evidence) {
    evidence.standstills = if evidence.accounts.is_empty() {
        let mut found = find_standstills(&evidence.frames);
        found.retain(|one| !is_shaken(evidence, one.trail.value.px()));
        found
    } else {
        standstills_told(evidence)
    };
    let stood: Vec<usize> = evidence
        .standstills
        .iter()
        .flat_map(|standstill| standstill.frames.iter().copied())
        .collect();
    // A drive at a wrong rate draws its trail without a swing.
    let steadily_wrong = find_drive_fault(evidence).is_some_and(|fault| {
        matches!(
            fault.cause,
            Cause::DriveRate | Cause::DriveReversed | Cause::DriveStopped
        )
    });
    let swings = evidence.accounts.is_empty() || tells(evidence, Part::Swing);
    let least = swing_inside(evidence).filter(|_| stood.is_empty() && !steadily_wrong && swings);
    let exposures = evidence.frames.iter().filter_map(|frame| frame.exposure);
    let n_exposures = exposures.clone().count().max(1) as f64;
    let mean = exposures.fold(Seconds::default(), |sum, one| sum + one) / n_exposures;
    let Some(fit) = &mut evidence.fit else { return };
    fit.forget_frames(&stood);
    let Some(record) = &mut fit.drive else { return };
    record.periodic = record.periodic.map(|swing| swing.unsmeared(mean));
    if let Some(least) = least.filter(|_| record.step.is_none()) {
        record.raise_swing(least);
    }
}

/// A drive that stands, runs backwards or at half the rate needs no account.
pub(super) fn runs_with_the_sky(record: &DriveRecord) -> bool {
    !matches!(
        record.nominal,
        Some(NominalRate::Stopped | NominalRate::Reversed | NominalRate::Half)
    ) && (record.rate_ratio.value - 1.0).abs() < 0.2
}

/// Rate about a frame, from its neighbours, with the larger sigma of the intervals next to it.
pub(super) fn local_rate(record: &DriveRecord, frame: usize) -> Option<Measured<f64>> {
    let at = record
        .residuals
        .iter()
        .position(|residual| residual.frame == frame)?;
    let intervals = [at.checked_sub(1), Some(at)].into_iter().flatten();
    let sigmas = intervals.filter_map(|idx| record.residuals[idx].rate_to_next);
    let sigma = sigmas.map(|rate| rate.sigma).fold(0.0, f64::max);
    Some(Measured::new(record.residuals[at].local_rate, sigma))
}
