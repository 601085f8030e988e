//! Evidence in; causes as shares of the trail out, "cannot tell" among them.
//!
//! `evidence` gathers what each frame shows and what the mount's fit predicts for it; `drive_fault`
//! tells the ways in which a drive goes wrong apart, `seen_step` by what the exposures show of it;
//! `contradiction` takes an axis away that the
//! exposures do not show; `weigh` turns all of it into shares, `confidence` says how sure
//! they are; `limits` and `outlook` tell how long
//! to expose.

mod accounts;
mod confidence;
mod contradiction;
pub mod drive_fault;
pub mod evidence;
mod inside;
pub mod limits;
pub mod outlook;
mod seen_step;
pub mod shortening;
mod standstill;
mod told;
mod weigh;

pub use contradiction::{without_contradicted_axis, without_unaccounted_axis};
pub use evidence::{Adrift, AxisBesideField, Evidence, FrameEvidence, FrameLight, Standstill};
pub use inside::swing_inside;
pub use standstill::find_standstills;
pub use told::ToldSides;
pub use weigh::{find_causes, is_shaken};

use crate::units::{Measured, Pixels};

/// One cause's part of the trail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CauseShare {
    /// The cause.
    pub cause: Cause,
    /// Trail that it makes in the frame where it makes most, with its sigma.
    pub trail: Measured<Pixels>,
    /// Probability that it makes a visible trail at all, [0, 1]; of the dominant cause, that of the
    /// answer.
    pub confidence: f64,
}

/// What the frames of an alignment say about why their stars look as they do.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The dominant cause.
    pub cause: Cause,
    /// Probability that it is the dominant one, [0, 1]; `None` where the cause cannot be told.
    pub confidence: Option<f64>,
    /// Causes that make some trail, largest first.
    pub shares: Vec<CauseShare>,
    /// Trail that still counts as round, for this night's stars.
    pub tolerance: Pixels,
    /// Longest trail measured in any frame.
    pub longest_trail: Option<Measured<Pixels>>,
}

/// Why stars are not round. Keys are those of the JSON contract.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// Trail within tolerance and a small axis error for this lens.
    Aligned,
    /// The tracker's axis misses the refracted pole.
    Axis,
    /// The drive runs evenly, but not at the sidereal rate.
    DriveRate,
    /// The drive swings about its mean rate.
    DrivePeriodic,
    /// The drive stands still.
    DriveStopped,
    /// The drive turns the wrong way.
    DriveReversed,
    /// The drive stands at first, then runs.
    DriveBacklash,
    /// The drive angle makes a step.
    Slip,
    /// Stars are stretched without matching drift, frame by frame another way.
    Shake,
    /// The axis or the camera was knocked between frames.
    Bump,
    /// The camera sinks slowly, off the axis line.
    Sag,
    /// The lens draws stars long, in a pattern about the frame's centre.
    Lens,
    /// Stars are fat and round.
    Focus,
    /// Too little to tell.
    Unknown,
}

impl Cause {
    /// Every cause, in the order of the list in the JSON contract.
    pub const ALL: [Cause; 14] = [
        Cause::Aligned,
        Cause::Axis,
        Cause::DriveRate,
        Cause::DrivePeriodic,
        Cause::DriveStopped,
        Cause::DriveReversed,
        Cause::DriveBacklash,
        Cause::Slip,
        Cause::Shake,
        Cause::Bump,
        Cause::Sag,
        Cause::Lens,
        Cause::Focus,
        Cause::Unknown,
    ];

    /// Its name in the JSON contract.
    pub const fn key(self) -> &'static str {
        match self {
            Cause::Aligned => "aligned",
            Cause::Axis => "axis",
            Cause::DriveRate => "drive-rate",
            Cause::DrivePeriodic => "drive-periodic",
            Cause::DriveStopped => "drive-stopped",
            Cause::DriveReversed => "drive-reversed",
            Cause::DriveBacklash => "drive-backlash",
            Cause::Slip => "slip",
            Cause::Shake => "shake",
            Cause::Bump => "bump",
            Cause::Sag => "sag",
            Cause::Lens => "lens",
            Cause::Focus => "focus",
            Cause::Unknown => "unknown",
        }
    }
}

/// How the stars of a frame look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Axis ratio at most 1.10.
    Round,
    /// Axis ratio above 1.10, at most 1.25.
    Soft,
    /// Axis ratio above 1.25.
    Trailed,
    /// Too few stars to say.
    Unmeasured,
}

impl Verdict {
    /// From the ratio of a star's long to its short axis; not a number means unmeasured.
    pub fn of_axis_ratio(ratio: f64) -> Self {
        if ratio.is_nan() {
            Verdict::Unmeasured
        } else if ratio <= 1.10 {
            Verdict::Round
        } else if ratio <= 1.25 {
            Verdict::Soft
        } else {
            Verdict::Trailed
        }
    }

    /// Its name in the JSON contract.
    pub const fn key(self) -> &'static str {
        match self {
            Verdict::Round => "round",
            Verdict::Soft => "soft",
            Verdict::Trailed => "trailed",
            Verdict::Unmeasured => "unmeasured",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn verdicts_include_their_upper_limits() {
        assert_eq!(Verdict::of_axis_ratio(1.10), Verdict::Round);
        assert_eq!(Verdict::of_axis_ratio(1.25), Verdict::Soft);
        assert_eq!(Verdict::of_axis_ratio(1.2501), Verdict::Trailed);
        assert_eq!(Verdict::of_axis_ratio(f64::NAN), Verdict::Unmeasured);
    }

    #[test]
    fn no_two_causes_share_a_key() {
        let mut keys: Vec<_> = Cause::ALL.iter().map(|cause| cause.key()).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), Cause::ALL.len());
    }
}
