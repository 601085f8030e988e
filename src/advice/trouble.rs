//! The answer where something other than the axis is to blame, and its cure.

use super::drive_words::name;
use super::wording::{Situation, pixels_words, share_of};
use super::{Correction, Decision};
use crate::diagnosis::{Cause, Evidence};
use crate::limits::settable_words;
use crate::mount::drive::NominalRate;
use crate::stars::Stretch;
use crate::units::Angle;

/// Moves smaller than this are made whatever made the frames drift (own choice).
const LARGE: Angle = Angle::from_arcmin(10.0);

/// A warning before a large move that rests on two frames alone: a camera that settles draws the
/// same.
pub(super) fn settling_words(evidence: &Evidence, correction: &Correction) -> Option<String> {
    let fit = evidence.fit.as_ref()?;
    let mut stretches = fit.angles.iter().filter(|angles| angles.len() >= 2);
    let two = stretches.next().is_some_and(|angles| angles.len() == 2);
    let alone = two && stretches.next().is_none();
    let size = correction.raise.rad().hypot(correction.east_on_sky.rad());
    (alone && size > LARGE.rad()).then(|| {
        "Two frames cannot tell an axis that is off from a camera that still settles or was touched between them: wait two minutes, take two more of the same field without touching anything, and move the axis if they say the same."
            .to_owned()
    })
}

/// Two pointings that ask for different axes.
pub(super) fn disagreement(files: &[&str], before: usize, after: usize) -> String {
    format!(
        "up to {} and from {} on the frames ask for different axes; if the axis was moved between them, put the frames before and after it into folders of their own; if not, the camera settles or was touched: take three frames of one field without touching anything",
        name(files, before),
        name(files, after)
    )
}

/// What is wrong other than the axis, and its cure.
pub(super) fn trouble(situation: &Situation<'_>, cause: Cause, decision: Decision) -> String {
    let trail = share_of(situation, cause).map_or(String::new(), |share| {
        format!(" ({} of trail)", pixels_words(share.trail))
    });
    let limit = || {
        situation
            .limits
            .now
            .map_or("less".to_owned(), settable_words)
    };
    match cause {
        Cause::DriveStopped => format!(
            "The tracker is not turning: the sky runs through the picture at its full rate{trail}. Switch the drive on, check battery and clutch."
        ),
        Cause::DriveReversed => {
            format!("The tracker turns the wrong way{trail}: set the switch to your hemisphere.")
        }
        Cause::DriveRate => format!(
            "{}{trail}: set the drive to the sidereal (star) rate.",
            rate_words(situation)
        ),
        Cause::DriveBacklash => format!(
            "The drive stands still at first, then runs{trail}: let it run half a minute before the first exposure and load it against its gear."
        ),
        Cause::Slip => {
            format!("The drive slipped{trail}: tighten the clutch and balance the camera.")
        }
        Cause::DrivePeriodic => format!(
            "Shorten to {}: the drive swings about its rate{trail}, and moving the axis will not cure that.",
            limit()
        ),
        Cause::Shake => format!(
            "Steady the rig: the stars are smeared{trail} without having drifted; wind, a touch, or a shaky tripod."
        ),
        Cause::Bump => {
            "Something knocked the rig between two frames: steady it and take fresh test frames."
                .to_owned()
        }
        Cause::Sag => format!(
            "The rig is sinking{trail}: tighten ball head and tripod, then take fresh test frames."
        ),
        Cause::Lens => lens_words(situation),
        Cause::Focus => "Refocus: the stars are fat and round, not trailed.".to_owned(),
        Cause::Aligned | Cause::Axis | Cause::Unknown => format!("{decision:?}"),
    }
}

/// What to do, step by step, where nothing can be told before the rig stands still.
pub(super) fn cure_steps(cause: Cause) -> Vec<String> {
    let steps: &[&str] = match cause {
        Cause::Shake => &[
            "Stand between wind and camera, hang weight under the tripod, take off strap and lens hood, and touch nothing: use a remote release or the self-timer.",
            "Take two more frames of the same field and ask again.",
        ],
        Cause::Sag => &[
            "Tighten ball head, tracker and tripod's legs, and press the tripod's feet into the ground.",
            "Wait two minutes, take three frames of one field without touching anything, and ask again.",
        ],
        Cause::Bump => &[
            "Check that nothing is loose, then take three frames of one field without touching anything: the frames from before the knock say nothing about the axis now.",
        ],
        _ => &[],
    };
    steps.iter().map(|step| (*step).to_owned()).collect()
}

fn lens_words(situation: &Situation<'_>) -> String {
    let size = share_of(situation, Cause::Lens).map_or(String::new(), |share| {
        format!(", like a trail of {}", pixels_words(share.trail))
    });
    let shapes = situation.evidence.frames.iter().filter_map(|f| f.lens);
    let (outwards, around): (Vec<_>, Vec<_>) =
        shapes.partition(|lens| lens.stretch == Stretch::Outwards);
    let way = if outwards.len() >= around.len() {
        "outwards"
    } else {
        "around the centre"
    };
    format!(
        "Carry on, the tracker is not to blame: the centre is round, and the lens draws stars in the corners long, {way}{size}. Stop it down, focus between centre and corner, or crop."
    )
}

fn rate_words(situation: &Situation<'_>) -> String {
    let record = situation
        .evidence
        .fit
        .as_ref()
        .and_then(|fit| fit.drive.as_ref());
    let named = match record.and_then(|record| record.nominal) {
        Some(NominalRate::Solar) => Some("the solar rate"),
        Some(NominalRate::Lunar) => Some("the lunar rate"),
        Some(NominalRate::Half) => Some("half the star rate"),
        _ => None,
    };
    match (named, record) {
        (Some(named), _) => format!("The drive runs at {named}"),
        (None, Some(record)) => {
            let percent = (record.rate_ratio.value - 1.0) * 100.0;
            let side = if percent >= 0.0 { "fast" } else { "slow" };
            format!("The drive runs {:.2} % too {side}", percent.abs())
        }
        (None, None) => "The drive runs at a wrong rate".to_owned(),
    }
}
