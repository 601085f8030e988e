//! One night of a known cause through the pipeline after the measuring of stars.

#![allow(dead_code)] // The program and the test use their own parts.

use stillpoint::diagnosis::Cause;
use stillpoint::error::Error;
use stillpoint::pipeline::{DiagnoseSettings, MeasuredAlignment, diagnose_measured};
use stillpoint::report::{AlignmentReport, NightReport};
use stillpoint::simulate::star_lists;

use super::cause_draw::CauseNight;
use super::judge::measured;

/// What came of a night.
pub struct CauseOutcome {
    /// The night.
    pub drawn: CauseNight,
    /// The cause that the answer should name.
    pub truth: Cause,
    /// Whether that is beyond dispute.
    pub clear: bool,
    /// What the program says.
    pub report: NightReport,
}

impl CauseOutcome {
    /// The part of the night that answers: the last one; of a knock, the one that names it.
    pub fn alignment(&self) -> &AlignmentReport {
        let alignments = &self.report.alignments;
        let named = alignments.iter().find(|one| one.cause == Cause::Bump);
        let last = &alignments[alignments.len() - 1];
        named.filter(|_| self.truth == Cause::Bump).unwrap_or(last)
    }
    /// The cause that the program names.
    pub fn said(&self) -> Cause {
        self.alignment().cause
    }
    /// Whether it names the right one.
    pub fn is_right(&self) -> bool {
        self.said() == self.truth
    }
    /// Confidence of the answer; `None` of "cannot tell".
    pub fn confidence(&self) -> Option<f64> {
        self.alignment().cause_confidence
    }
}

/// Takes a night through the pipeline.
///
/// # Errors
/// Where the sky cannot be worked out for the date.
pub fn judge_cause(drawn: CauseNight) -> Result<CauseOutcome, Error> {
    let night = &drawn.night;
    let mut lists = star_lists(&night.scenario, night.listing)?;
    if !drawn.calm_frames.is_empty() {
        let mut calm = night.scenario.clone();
        calm.alignments[0].shake = None;
        for (idx, list) in star_lists(&calm, night.listing)?.into_iter().enumerate() {
            if drawn.calm_frames.contains(&idx) {
                lists[idx] = list;
            }
        }
    }
    let frames = lists.into_iter().map(|list| measured(list, night.clock_s));
    let alignment = MeasuredAlignment {
        name: "night".into(),
        frames: frames.collect(),
    };
    let report = diagnose_measured(vec![alignment], &DiagnoseSettings::default()).value;
    Ok(CauseOutcome {
        truth: drawn.doings.dominant(),
        clear: drawn.doings.is_clear(),
        drawn,
        report,
    })
}
