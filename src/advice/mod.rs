//! Findings in; a decision, a correction and the words for both out.

/// What to do next. Keys are those of the JSON contract.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// Move the axis.
    Realign,
    /// Expose shorter.
    Shorten,
    /// Leave all as it is.
    CarryOn,
    /// Cure the drive: its rate, power, direction, hemisphere switch or clutch.
    FixDrive,
    /// Steady the rig: wind, tripod, ball head, cable.
    Steady,
    /// Focus again.
    Refocus,
    /// Shoot the listed frames first.
    MoreFrames,
}

impl Decision {
    /// Its name in the JSON contract.
    pub const fn key(self) -> &'static str {
        match self {
            Decision::Realign => "realign",
            Decision::Shorten => "shorten",
            Decision::CarryOn => "carry-on",
            Decision::FixDrive => "fix-drive",
            Decision::Steady => "steady",
            Decision::Refocus => "refocus",
            Decision::MoreFrames => "more-frames",
        }
    }
}
