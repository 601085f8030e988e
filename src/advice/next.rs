//! Frames to take next, and which part of the axis is known, in words.

use super::wording::{Situation, angle_words};
use super::{Decision, NextFrame};
use crate::diagnosis::Cause;
use crate::mount::model::northern_end;
use crate::mount::observability::{Knowledge, only_turns_field};
use crate::mount::plan::{Purpose, TestFrames, hour_angle_declination};
use crate::sky::{Direction, Horizon};
use crate::units::{Angle, Seconds};

/// No error is shown smaller than the last digit.
const LAST_DIGIT: Angle = Angle::from_arcmin(0.1);
/// An axis known to better than this in its weak direction needs no word about it.
const FINE: Angle = Angle::from_arcmin(1.0);

/// The frames of the plan with their words.
pub fn next_frames(situation: &Situation<'_>) -> Vec<NextFrame> {
    let described = situation
        .next
        .iter()
        .map(|frames| describe(situation, frames));
    described.collect()
}

fn describe(situation: &Situation<'_>, frames: &TestFrames) -> NextFrame {
    let place = frames
        .aim
        .zip(situation.true_pole)
        .zip(situation.hemisphere);
    let place =
        place.map(|((aim, pole), hemisphere)| hour_angle_declination(aim, pole, hemisphere));
    let equator = frames.aim.is_none() && frames.purpose == Purpose::First;
    NextFrame {
        facing: facing(frames, equator),
        hour_angle: place
            .map(|(hour_angle, _)| hour_angle)
            .or(equator.then_some(Angle::ZERO)),
        declination: place
            .map(|(_, declination)| declination)
            .or(equator.then_some(Angle::ZERO)),
        altitude: frames.aim.map(|aim| aim.az_alt().1),
        untouched: frames.untouched,
        exposure: frames.exposure,
        count: frames.count,
        purpose: frames.purpose,
        why: why(frames),
    }
}

fn facing(frames: &TestFrames, equator: bool) -> String {
    match frames.aim {
        _ if frames.untouched => "the same field".to_owned(),
        Some(aim) => side_of_sky(aim).to_owned(),
        None if equator => "the celestial equator on the meridian".to_owned(),
        None => "any clear part of the sky".to_owned(),
    }
}

/// What the frames are for, with numbers: a clause that follows "it" or "they".
fn why(frames: &TestFrames) -> String {
    match frames.purpose {
        Purpose::Axis {
            before,
            weak_after,
            largest_after,
        } => {
            let line = before.line();
            let brings = format!(
                "brings {} from {} to {}",
                line.key(),
                angle_words(before.weak_sigma),
                angle_words(weak_after)
            );
            let rest = largest_after > weak_after * 1.5;
            if rest {
                format!(
                    "{brings}, and no part is worse than {} then",
                    angle_words(largest_after)
                )
            } else {
                brings
            }
        }
        Purpose::Sign { after } => {
            let known = after.map_or(String::new(), |known| {
                format!(
                    ", and to {} in the part known best, {} in the other",
                    angle_words(known.strong_sigma),
                    angle_words(known.weak_sigma)
                )
            });
            format!("shows which way the stars drift, so which of the two moves is right{known}")
        }
        Purpose::Drive { spans, will_span } => format!(
            "tells a wrong rate from a swing: the frames cover {} now, {} then",
            duration_words(spans),
            duration_words(will_span)
        ),
        Purpose::First => "shows drift where stars move fastest".to_owned(),
    }
}

/// "Take 2 frames of 60 s facing east, 45 degrees up: that brings ...".
pub fn step(frames: &NextFrame, nth: usize, decision: Decision) -> String {
    let take = match (frames.untouched, frames.count) {
        (true, 1) => "one more frame".to_owned(),
        (true, count) => format!("{count} more frames"),
        (false, count) => format!("{count} frames"),
    };
    let place = if frames.untouched {
        "of the same field, touching nothing".to_owned()
    } else {
        let altitude = frames.altitude.map_or(String::new(), |altitude| {
            format!(
                ", {:.0}\u{b0} up, the camera untouched between them",
                altitude.deg()
            )
        });
        format!("facing {}{altitude}", frames.facing)
    };
    let start = match decision {
        _ if nth > 0 => "Then take",
        Decision::Realign => "Better still, before the move: take",
        _ => "Take",
    };
    // An exposure to set on the camera: no digits that it does not have.
    let exposure = (frames.exposure.s() * 10.0).round() / 10.0;
    format!(
        "{start} {take} of {exposure} s {place}: that {}.",
        frames.why
    )
}

/// Which part of the axis the frames tell well and which they do not; `None` where both are fine.
pub fn known_words(situation: &Situation<'_>) -> Option<String> {
    let axis = situation.evidence.axis()?;
    let known = Knowledge::of(&axis.covariance);
    // Frames too poor to call a cause are too poor for an axis.
    if situation.finding.cause == Cause::Unknown || !known.is_lopsided() || known.weak_sigma < FINE
    {
        return None;
    }
    let line = known.line();
    let numbers = format!(
        "{} is known to {}, {} only to {}",
        line.across().key(),
        angle_words(known.strong_sigma.max(LAST_DIGIT)),
        line.key(),
        angle_words(known.weak_sigma)
    );
    let look = match situation.evidence.frames.len() {
        1 => "the frame looks",
        _ => "the frames look",
    };
    Some(match turned_side(situation, &known) {
        Some(side) => format!(
            "{numbers}: {look} {side}, and there the {} part hardly moves the stars, it turns the field",
            line.key()
        ),
        None => numbers,
    })
}

/// The side that all frames face, where the weak part of the axis only turns the field.
fn turned_side(situation: &Situation<'_>, known: &Knowledge) -> Option<&'static str> {
    let axis = situation.evidence.axis()?;
    let north = northern_end(axis.direction, situation.hemisphere?);
    let first = situation.sights.first()?;
    let side = side_of_sky(*first);
    let same = situation
        .sights
        .iter()
        .all(|sight| side_of_sky(*sight) == side && only_turns_field(known.weak, *sight, north));
    same.then_some(side)
}

/// The nearest of the eight sides of the sky.
pub fn side_of_sky(direction: Direction<Horizon>) -> &'static str {
    const SIDES: [&str; 8] = [
        "north",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
    ];
    let (azimuth, altitude) = direction.az_alt();
    if altitude.deg() > 80.0 {
        return "straight up";
    }
    let nth = (azimuth.deg() / 45.0).round() as usize;
    SIDES[nth % SIDES.len()]
}

fn duration_words(time: Seconds) -> String {
    if time.s() < 120.0 {
        format!("{:.0} s", time.s())
    } else {
        format!("{:.0} min", time.minutes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector2;

    fn towards(azimuth: f64, altitude: f64) -> Direction<Horizon> {
        Direction::from_az_alt(Angle::from_deg(azimuth), Angle::from_deg(altitude))
    }

    fn known(weak: f64, strong: f64) -> Knowledge {
        Knowledge {
            weak: Vector2::new(1.0, 0.0),
            weak_sigma: Angle::from_arcmin(weak),
            strong_sigma: Angle::from_arcmin(strong),
        }
    }

    #[test]
    fn sides_of_the_sky_wrap_at_north() {
        assert_eq!(side_of_sky(towards(359.0, 30.0)), "north");
        assert_eq!(side_of_sky(towards(337.4, 30.0)), "north-west");
        assert_eq!(side_of_sky(towards(91.0, 30.0)), "east");
        assert_eq!(side_of_sky(towards(180.0, 85.0)), "straight up");
    }

    #[test]
    fn the_reason_for_frames_has_numbers() {
        let frames = TestFrames {
            aim: Some(towards(90.0, 45.0)),
            untouched: false,
            exposure: Seconds::new(60.0),
            count: 2,
            purpose: Purpose::Axis {
                before: known(9.0, 0.2),
                weak_after: Angle::from_arcmin(0.6),
                largest_after: Angle::from_arcmin(0.6),
            },
        };
        assert_eq!(why(&frames), "brings up-down from 9.0' to 0.6'");
        assert_eq!(facing(&frames, false), "east");
        let same = TestFrames {
            untouched: true,
            purpose: Purpose::Sign { after: None },
            ..frames
        };
        assert_eq!(facing(&same, false), "the same field");
        assert!(why(&same).contains("which of the two moves"));
    }
}
