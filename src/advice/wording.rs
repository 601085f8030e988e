//! The words: short sentences that a tired person reads once.

use super::axis_words::{
    Tense, axis_wrong, change_reason, distance_words, side_reason, told_words,
};
use super::base::{BaseScrews, turns};
use super::choose::correction_of;
use super::drive_words::drive_reasons;
use super::motion::own_motion_words;
use super::next::{known_words, next_frames, step};
use super::pole_star::{self, PoleStarInstead, PoleStarNow};
use super::trouble::{cure_steps, disagreement, settling_words, trouble};
use super::{Advice, Correction, Decision, NextFrame, choose};
use crate::diagnosis::evidence::Evidence;
use crate::diagnosis::limits::ExposureLimits;
use crate::diagnosis::outlook::Outlook;
use crate::diagnosis::{Cause, CauseShare, Finding};
use crate::limits::settable_words;
use crate::mount::model::AxisError;
use crate::mount::plan::TestFrames;
use crate::mount::{AxisEstimate, AxisUnknown};
use crate::sky::{Direction, Horizon};
use crate::units::{Angle, Hemisphere, Measured, Pixels, Seconds};

/// Everything that the words need.
#[derive(Debug, Clone, Copy)]
pub struct Situation<'a> {
    /// What was found.
    pub finding: &'a Finding,
    /// What it rests on.
    pub evidence: &'a Evidence,
    /// Longest exposures.
    pub limits: ExposureLimits,
    /// Altitude of the refracted pole, if the site is known.
    pub pole_altitude: Option<Angle>,
    /// Which pole is up, if the site is known.
    pub hemisphere: Option<Hemisphere>,
    /// The celestial pole without air, if the site is known.
    pub true_pole: Option<Direction<Horizon>>,
    /// Where the pointings looked, as far as it is known.
    pub sights: &'a [Direction<Horizon>],
    /// Names of the frames' files.
    pub files: &'a [&'a str],
    /// Frames worth taking.
    pub next: &'a [TestFrames],
    /// The base's screws, as far as the settings tell.
    pub base: BaseScrews,
    /// Where the pole star stood at the last frame, if site and time are known.
    pub pole_star: Option<PoleStarNow>,
    /// How long stars will stay round, if the axis is known.
    pub outlook: Option<&'a Outlook>,
    /// The exposure that is wanted.
    pub wanted: Option<Seconds>,
    /// What is missing to say more, a clause each ("the site (--site LAT,LON)").
    pub missing: &'a [String],
}

/// Width of the Moon, for people who measure the sky by it.
const MOON: Angle = Angle::from_arcmin(31.0);

/// The advice for a situation.
pub fn say(situation: &Situation<'_>) -> Advice {
    let (decision, correction) = choose(
        situation.finding,
        situation.evidence,
        situation.pole_altitude,
    );
    let next_frames = next_frames(situation);
    let pole_star = pole_star_instead(situation, correction.as_ref());
    Advice {
        pole_star,
        decision,
        correction,
        headline: headline(situation, decision, correction.as_ref()),
        reasons: reasons(situation, pole_star.as_ref()),
        todo: todo(situation, decision, correction.as_ref(), &next_frames),
        next_frames,
    }
}

fn headline(
    situation: &Situation<'_>,
    decision: Decision,
    correction: Option<&Correction>,
) -> String {
    match (situation.finding.cause, correction) {
        (Cause::Axis, Some(correction)) => {
            let wrong = situation
                .evidence
                .axis()
                .map_or(String::new(), |axis| axis_wrong(axis, Tense::Present));
            format!("Realign: {}: {wrong}.", move_words(correction))
        }
        (Cause::Axis, None) => axis_unsure(situation),
        (Cause::Aligned, _) => aligned(situation),
        (Cause::Unknown, _) => unknown(situation),
        (cause, _) => trouble(situation, cause, decision),
    }
}

/// "move the axis 66' west and lower it 4'": the move as such, on the sky.
fn move_words(correction: &Correction) -> String {
    let (east, raise) = (correction.east_on_sky, correction.raise);
    let side = if east > Angle::ZERO { "east" } else { "west" };
    let way = if raise > Angle::ZERO {
        "raise"
    } else {
        "lower"
    };
    let (aside, upright) = (angle_words(east.abs()), angle_words(raise.abs()));
    match (east == Angle::ZERO, raise == Angle::ZERO) {
        (false, false) => format!("move the axis {aside} {side} and {way} it {upright}"),
        (false, true) => format!("move the axis {aside} {side}"),
        (true, _) => format!("{way} the axis {upright}"),
    }
}

/// The move with all that helps to make it: sides, Moon widths, the base's own scale.
fn step_words(
    correction: &Correction,
    hemisphere: Option<Hemisphere>,
    base: &BaseScrews,
) -> Vec<String> {
    let mut steps = Vec::new();
    let east = correction.east_on_sky;
    if east != Angle::ZERO {
        let (side, is_east) = if east > Angle::ZERO {
            ("east", true)
        } else {
            ("west", false)
        };
        let hand = hemisphere.map_or(String::new(), |hemisphere| {
            let right = is_east == (hemisphere == Hemisphere::North);
            format!(
                " (to the {} as you face the pole)",
                if right { "right" } else { "left" }
            )
        });
        steps.push(format!(
            "Turn the base so that the axis moves {} {side}{hand}: {} Moon widths on the sky, {} on the base's own scale{}.",
            angle_words(east.abs()),
            moons(east.abs()),
            scale_words(correction.east_horizontal.abs()),
            turns(base.azimuth, correction.east_horizontal)
        ));
    }
    let raise = correction.raise;
    if raise != Angle::ZERO {
        let way = if raise > Angle::ZERO {
            "Raise"
        } else {
            "Lower"
        };
        steps.push(format!(
            "{way} the axis by {}: {} Moon widths{}.",
            angle_words(raise.abs()),
            moons(raise.abs()),
            turns(base.altitude, raise)
        ));
    }
    steps
}

fn axis_unsure(situation: &Situation<'_>) -> String {
    let Some(axis) = situation.evidence.axis() else {
        return unknown(situation);
    };
    if axis.mirror_ambiguous {
        let mirror = AxisEstimate {
            error: mirrored(situation, axis),
            ..*axis
        };
        return either_way(situation, axis, &mirror);
    }
    if situation.pole_altitude.is_none() {
        let known = situation.evidence.axis_beside_field();
        let off = known.map_or("the axis is off".to_owned(), |axis| distance_words(&axis));
        let sides = told_words(
            situation,
            known.as_ref().and_then(|axis| axis.told.as_ref()),
        );
        return format!("{}; {sides}.", capital(&off));
    }
    format!(
        "Stars trail as by an axis that is off, but it is not known well enough to move ({}): take the frames listed below.",
        axis_wrong(axis, Tense::Present)
    )
}

/// A lone frame: both moves that would cure it, and what it does not tell.
fn either_way(situation: &Situation<'_>, axis: &AxisEstimate, mirror: &AxisEstimate) -> String {
    let decides = "One more frame of the same field, touching nothing, decides";
    let pole_altitude = situation.pole_altitude.unwrap_or(Angle::ZERO);
    let moves = [axis, mirror].map(|axis| correction_of(axis, pole_altitude));
    let [Some(one), Some(other)] = moves else {
        return format!(
            "The axis is off, but one frame cannot tell which way: either {}, or {}. {decides}.",
            axis_wrong(axis, Tense::Present),
            axis_wrong(mirror, Tense::Present)
        );
    };
    let (up, east, _) = axis.parts();
    let open = [
        (one.raise, up, "Up-down"),
        (one.east_on_sky, east, "East-west"),
    ];
    let open = open
        .iter()
        .filter(|(sure, _, _)| *sure == Angle::ZERO)
        .map(|(_, part, name)| format!(" {name} it tells only to {}.", angle_words(part.sigma)));
    format!(
        "The axis is off, but one frame cannot tell which way: either {}, or {}.{} {decides}.",
        move_words(&one),
        move_words(&other),
        open.collect::<String>()
    )
}

/// The other axis error that draws the same trails.
fn mirrored(situation: &Situation<'_>, axis: &AxisEstimate) -> AxisError {
    let lone = situation.evidence.lone.as_ref();
    lone.and_then(|lone| lone.mirror).unwrap_or(AxisError {
        up: -axis.error.up,
        east: -axis.error.east,
    })
}

fn aligned(situation: &Situation<'_>) -> String {
    let now = situation.limits.now.map_or(String::new(), |limit| {
        format!(" Stars stay round up to {} here.", settable_words(limit))
    });
    let beside = situation.evidence.axis_beside_field();
    let over_ground = situation.evidence.axis();
    let axis = match (beside, over_ground) {
        (Some(axis), _) => format!(" ({})", distance_words(&axis)),
        (None, Some(axis)) if situation.evidence.adrift.is_none() => {
            format!(" ({})", axis_wrong(axis, Tense::Present))
        }
        _ => String::new(),
    };
    format!("Carry on: the stars are round for this lens{axis}.{now}")
}

fn unknown(situation: &Situation<'_>) -> String {
    let seen = match situation.finding.longest_trail {
        Some(trail) => format!("stars trail by up to {}", pixels_words(trail)),
        None => "too few stars can be measured".to_owned(),
    };
    let fit = situation.evidence.fit.as_ref();
    if let Some(Err(AxisUnknown::Disagreeing { before, after })) = fit.map(|fit| fit.axis.as_ref())
    {
        let apart = disagreement(situation.files, *before, *after);
        format!("Cannot tell: {apart}.")
    } else if situation.missing.is_empty() {
        format!("Cannot tell: {seen}, and nothing more can be made of these frames.")
    } else {
        format!(
            "Cannot tell: {seen}. What is missing: {}.",
            missing(situation)
        )
    }
}

pub(super) fn missing(situation: &Situation<'_>) -> String {
    if situation.missing.is_empty() && situation.evidence.adrift.is_some() {
        return "a site, a clock and a zone (--site LAT,LON, --utc-offset +HH:MM) that fit the stars".to_owned();
    }
    situation.missing.join("; ")
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}

pub(super) fn share_of<'a>(situation: &'a Situation<'_>, cause: Cause) -> Option<&'a CauseShare> {
    situation
        .finding
        .shares
        .iter()
        .find(|share| share.cause == cause)
}

fn reasons(situation: &Situation<'_>, pole_star: Option<&PoleStarInstead>) -> Vec<String> {
    let mut reasons = Vec::new();
    if let Some(trail) = situation.finding.longest_trail {
        reasons.push(format!(
            "the longest trail is {}; up to {:.1} px counts as round here",
            pixels_words(trail),
            situation.finding.tolerance.px()
        ));
    }
    let fit = situation.evidence.fit.as_ref();
    let unknown = fit.and_then(|fit| fit.axis.as_ref().err().copied());
    reasons.extend(unknown.map(|why| why_no_axis(why, situation.files)));
    reasons.extend(change_reason(situation));
    reasons.extend(side_reason(situation));
    reasons.extend(known_words(situation));
    reasons.extend(drive_reasons(situation));
    reasons.extend(own_motion_words(situation));
    reasons.extend(standing_still(situation));
    reasons.extend(pole_star.map(PoleStarInstead::words));
    reasons
}

/// What the frames tell of a standing camera with no help from site or direction.
fn standing_still(situation: &Situation<'_>) -> Option<String> {
    let rate = situation.evidence.sky_rate?;
    let stopped = situation.finding.cause == Cause::DriveStopped;
    stopped.then(|| {
        format!(
            "between frames the sky turned through the picture at {:.3} +- {:.3} of its own rate, as it does for a camera that stands still",
            rate.value, rate.sigma
        )
    })
}

fn why_no_axis(why: AxisUnknown, files: &[&str]) -> String {
    let words = match why {
        AxisUnknown::TooFewFrames => {
            "the axis needs two frames of one pointing with the camera untouched between them"
        }
        AxisUnknown::NotTurning => "a tracker that does not turn shows no axis",
        AxisUnknown::Inconsistent => {
            "no axis explains the frames: the directions given for them, their times or the site may be wrong"
        }
        AxisUnknown::Creeping => {
            "the camera's motion is no turn about one axis, so the axis cannot be told"
        }
        AxisUnknown::Disagreeing { before, after } => return disagreement(files, before, after),
    };
    words.to_owned()
}

fn todo(
    situation: &Situation<'_>,
    decision: Decision,
    correction: Option<&Correction>,
    next_frames: &[NextFrame],
) -> Vec<String> {
    let mut steps = cure_steps(situation.finding.cause);
    if let Some(correction) = correction {
        steps.extend(settling_words(situation.evidence, correction));
        steps.extend(step_words(
            correction,
            situation.hemisphere,
            &situation.base,
        ));
        steps.extend(pole_star::step(correction, situation.hemisphere));
        steps.push("Then take two test frames of the same field without touching the camera, and ask again.".to_owned());
    }
    let after = situation
        .limits
        .after_correction
        .filter(|_| correction.is_some());
    match (situation.limits.now, after) {
        (Some(now), Some(after)) => steps.push(format!(
            "Or expose no longer than {} as it stands; after the correction {}.",
            settable_words(now),
            settable_words(after)
        )),
        (Some(now), None) if matches!(decision, Decision::Realign | Decision::FixDrive) => {
            steps.push(format!(
                "Until then, expose no longer than {}.",
                settable_words(now)
            ));
        }
        _ => {}
    }
    steps.extend(wanted_words(situation));
    let listed = next_frames.iter().enumerate();
    steps.extend(listed.map(|(nth, frames)| step(frames, nth, decision)));
    steps
}

fn pole_star_instead(
    situation: &Situation<'_>,
    correction: Option<&Correction>,
) -> Option<PoleStarInstead> {
    let (now, hemisphere) = situation.pole_star.zip(situation.hemisphere)?;
    Some(PoleStarInstead::of(now, correction?, hemisphere))
}

/// What the wanted exposure needs, where stars do not stay round for so long as it stands.
fn wanted_words(situation: &Situation<'_>) -> Option<String> {
    let wanted = situation.wanted?;
    let lens = situation.outlook?.lenses.first()?;
    if lens.now.worst >= wanted {
        return None;
    }
    let tolerance = situation.finding.tolerance;
    let needed = angle_words(lens.camera.needed_alignment(wanted, tolerance));
    let wanted_s = wanted.s();
    let hold = if lens.after_correction.worst >= wanted {
        format!("The {wanted_s} s that you want need the axis within {needed} of the pole.")
    } else {
        format!(
            "The drive does not hold the {wanted_s} s that you want: {} at most, even with the axis on the pole.",
            settable_words(lens.after_correction.worst)
        )
    };
    let frames = (wanted / lens.now.worst.max(Seconds::new(0.1))).ceil();
    Some(format!(
        "{hold} Shorter exposures take {frames:.0} frames in place of each, and each adds the sensor's read noise once."
    ))
}

pub(super) fn angle_words(angle: Angle) -> String {
    let arcmin = angle.arcmin();
    match arcmin.abs() {
        x if x >= 120.0 => format!("{:.1}\u{b0}", angle.deg()),
        x if x >= 10.0 => format!("{arcmin:.0}'"),
        _ => format!("{arcmin:.1}'"),
    }
}

pub(super) fn measured_words(angle: Measured<Angle>) -> String {
    format!(
        "{} +- {}",
        angle_words(angle.value.abs()),
        // An error is never shown smaller than the last digit.
        angle_words(angle.sigma.max(Angle::from_arcmin(0.1)))
    )
}

/// Degrees, as a base's scale has them.
fn scale_words(angle: Angle) -> String {
    match angle.deg() {
        deg if deg >= 2.0 => format!("{deg:.1}\u{b0}"),
        deg => format!("{deg:.2}\u{b0}"),
    }
}

fn moons(angle: Angle) -> String {
    format!("{:.1}", angle / MOON)
}

pub(super) fn pixels_words(trail: Measured<Pixels>) -> String {
    // A tenth of a pixel is as much as anybody can use.
    format!(
        "{:.1} +- {:.1} px",
        trail.value.px(),
        trail.sigma.px().max(0.1)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::{Screw, ScrewSense};

    #[test]
    fn corrections_name_the_way_and_the_amount() {
        let correction = Correction {
            raise: Angle::from_arcmin(-4.1),
            east_on_sky: Angle::from_arcmin(-66.0),
            east_horizontal: Angle::from_arcmin(-86.0),
        };
        assert_eq!(
            move_words(&correction),
            "move the axis 66' west and lower it 4.1'"
        );
        let base = BaseScrews {
            azimuth: Some(Screw {
                per_turn: Angle::from_arcmin(43.0),
                clockwise: Some(ScrewSense::Positive),
            }),
            altitude: None,
        };
        let north = step_words(&correction, Some(Hemisphere::North), &base);
        // 86' about the vertical, whatever the sky's 66'.
        assert!(
            north[0].ends_with(
                "1.43\u{b0} on the base's own scale, 2.0 turns of its screw anticlockwise."
            ),
            "{north:?}"
        );
        assert!(
            north[0].contains("66' west (to the left as you face the pole)"),
            "{north:?}"
        );
        let south = step_words(&correction, Some(Hemisphere::South), &base);
        assert!(
            south[0].contains("66' west (to the right as you face the pole)"),
            "{south:?}"
        );
    }
}
