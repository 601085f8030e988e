//! Findings in; a decision, a correction and the words for both out. Does no arithmetic beyond
//! turning signs and units: numbers come from `diagnosis` and `mount`.

mod axis_words;
mod base;
mod choose;
mod drive_words;
mod motion;
mod next;
mod pole_star;
mod trouble;
mod wording;

pub use base::{BaseScrews, Screw, ScrewSense};
pub use choose::choose;
pub use pole_star::{PoleStarInstead, PoleStarNow};
pub use wording::{Situation, say};

use crate::mount::plan::Purpose;
use crate::units::{Angle, Seconds};

/// What to do, in numbers and in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// What to do next.
    pub decision: Decision,
    /// The move of the axis, where one is advised.
    pub correction: Option<Correction>,
    /// Where the pole star should stand instead of where it belongs, where a move is advised.
    pub pole_star: Option<PoleStarInstead>,
    /// Frames that would settle what is open.
    pub next_frames: Vec<NextFrame>,
    /// One sentence: what is wrong and what to do.
    pub headline: String,
    /// Why, a sentence each.
    pub reasons: Vec<String>,
    /// What to do, a step each, in order.
    pub todo: Vec<String>,
}

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

/// How to move the axis: the negative of the axis error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correction {
    /// Upwards positive; negative means lower it.
    pub raise: Angle,
    /// On the sky, eastwards positive.
    pub east_on_sky: Angle,
    /// The same turn of the base about the vertical, eastwards positive.
    pub east_horizontal: Angle,
}

/// The longest exposure within tolerance, at the frames' own place in the sky.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LongestExposure {
    /// As the tracker stands.
    pub now: Option<Seconds>,
    /// With the correction made.
    pub after_correction: Option<Seconds>,
}

/// A frame that would help.
#[derive(Debug, Clone, PartialEq)]
pub struct NextFrame {
    /// Where to face, in words: a side of the sky, or "the same field".
    pub facing: String,
    /// Hour angle to aim at, west positive, where the site is known.
    pub hour_angle: Option<Angle>,
    /// Declination to aim at.
    pub declination: Option<Angle>,
    /// Altitude to aim at.
    pub altitude: Option<Angle>,
    /// The pointing at hand goes on: nothing is touched before it.
    pub untouched: bool,
    /// Exposure.
    pub exposure: Seconds,
    /// How many of them.
    pub count: usize,
    /// What they are for, with what they promise.
    pub purpose: Purpose,
    /// The same in words.
    pub why: String,
}
