//! The axis in words: where its sides are not known, and where it changed inside an alignment.

use super::Situation;
use super::drive_words::name;
use super::wording::{angle_words, measured_words, missing};
use crate::diagnosis::{AxisBesideField, ToldSides};
use crate::mount::AxisEstimate;
use crate::mount::split::{AxisChange, ChangeKind};
use crate::units::{Angle, Measured};

/// "the axis is 42' +- 2' from the pole": all that can be said without a horizon.
pub(super) fn distance_words(axis: &AxisBesideField) -> String {
    format!("the axis is {} from the pole", measured_words(axis.total))
}

/// The side of the axis against the field, for whoever knows where the field stood.
pub(super) fn side_reason(situation: &Situation<'_>) -> Option<String> {
    let axis = situation.evidence.axis_beside_field()?;
    // Nobody can use a side that is not known to an eighth of a turn.
    if axis.hour_angle.sigma > Angle::from_deg(45.0) {
        return None;
    }
    let hours = axis.hour_angle.value.deg();
    let side = match hours {
        h if h.abs() < 0.5 => "the field's own hour angle".to_owned(),
        h => format!(
            "the field's hour angle {} {:.0}\u{b0}",
            if h < 0.0 { "-" } else { "+" },
            h.abs()
        ),
    };
    Some(format!(
        "{}, its northern end on the side of {side} (+- {:.0}\u{b0}; field of {}); refraction could not be allowed for; {}",
        distance_words(&axis),
        axis.hour_angle.sigma.deg().max(1.0),
        name(situation.files, axis.frame),
        place_words(situation, &axis)
    ))
}

/// Which place the told direction speaks for, or what else would tell the sides.
fn place_words(situation: &Situation<'_>, axis: &AxisBesideField) -> String {
    let Some(told) = axis.told else {
        let missing = missing(situation);
        return format!("for up, down, east and west give {missing}");
    };
    if !told.one_hemisphere {
        return "the direction given (--facing, --altitude) leaves both hemispheres open"
            .to_owned();
    }
    format!(
        "the direction given (--facing, --altitude) speaks for a place {}; if that is not yours, the direction is wrong and so are the sides",
        latitude_words(&told)
    )
}

/// "near 38 degrees north (+- 7 degrees)".
fn latitude_words(told: &ToldSides) -> String {
    let degrees = told.latitude.value.deg();
    format!(
        "near {:.0}\u{b0} {} (+- {:.0}\u{b0})",
        degrees.abs(),
        if degrees < 0.0 { "south" } else { "north" },
        told.latitude.sigma.deg().max(1.0)
    )
}

/// The sides by a told direction and the move that they ask for, from the distance on; without any
/// sure side, what is missing.
pub(super) fn told_words(situation: &Situation<'_>, told: Option<&ToldSides>) -> String {
    let missing = missing(situation);
    let Some(told) = told else {
        return format!("up, down, east and west cannot be told without {missing}");
    };
    let words = |part: Option<Measured<Angle>>, [plus, minus]: [&str; 2], back: [&str; 2]| {
        let part = part?;
        let size = Measured::new(part.value.abs(), part.sigma);
        let (wrong, cure) = match part.value >= Angle::ZERO {
            true => (plus, back[0]),
            false => (minus, back[1]),
        };
        let cure = cure.replace("{}", &angle_words(size.value));
        Some((format!("{} {wrong}", measured_words(size)), cure))
    };
    let east = words(
        told.sure_east(),
        ["too far east", "too far west"],
        ["move it {} west", "move it {} east"],
    );
    let up = words(
        told.sure_up(),
        ["too high", "too low"],
        ["lower it {}", "raise it {}"],
    );
    let open = match (&east, &up) {
        (None, None) => {
            return format!(
                "the direction given (--facing, --altitude) does not settle up, down, east and west: they cannot be told without {missing}"
            );
        }
        (Some(_), None) => "; up or down it does not settle",
        (None, Some(_)) => "; east or west it does not settle",
        _ => "",
    };
    let (wrong, cure): (Vec<_>, Vec<_>) = east.into_iter().chain(up).unzip();
    format!(
        "if you are {}, as the direction given (--facing, --altitude) says, it points about {}{open}: {} and test again; if you are not, the direction is wrong: give {missing}",
        latitude_words(told),
        wrong.join(", "),
        cure.join(", ")
    )
}

/// Whether the axis is still so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tense {
    Present,
    Past,
}

/// A part of the axis error that is not known to this is called unknown.
const UNKNOWN: Angle = Angle::from_arcmin(30.0);

/// "the axis points 66' +- 0.4' too far east, 4.1' +- 2' too high"; a part that is not seen, at two
/// of its sigmas, is told as a limit.
pub(super) fn axis_wrong(axis: &AxisEstimate, tense: Tense) -> String {
    let (up, east, _) = axis.parts();
    let (points, is) = match tense {
        Tense::Present => ("points", "is"),
        Tense::Past => ("pointed", "was"),
    };
    let sides = [
        (east, "azimuth", "too far east", "too far west"),
        (up, "altitude", "too high", "too low"),
    ];
    let seen: Vec<String> = sides
        .iter()
        .filter(|(part, ..)| is_seen(*part))
        .map(|(part, _, plus, minus)| {
            let side = if part.value >= Angle::ZERO {
                plus
            } else {
                minus
            };
            format!("{} {side}", measured_words(*part))
        })
        .collect();
    let unseen = unseen_words(&sides.map(|(part, name, ..)| (part, name)));
    match (seen.is_empty(), unseen.is_empty()) {
        (false, true) => format!("the axis {points} {}", seen.join(", ")),
        (false, false) => format!("the axis {points} {}; it {is} {unseen}", seen.join(", ")),
        _ => format!("the axis {is} {unseen}"),
    }
}

fn is_seen(part: Measured<Angle>) -> bool {
    part.value.abs() > part.sigma * 2.0
}

/// "on the pole within 0.1' in azimuth and 0.3' in altitude": of the parts that are not seen, the
/// value and two sigmas, rounded up. Nothing where all are seen.
fn unseen_words(parts: &[(Measured<Angle>, &str)]) -> String {
    let unseen = || parts.iter().filter(|(part, _)| !is_seen(*part));
    let within: Vec<String> = unseen()
        .filter(|(part, _)| part.sigma <= UNKNOWN)
        .map(|(part, name)| {
            let limit = part.value.abs() + part.sigma * 2.0;
            let tenths = (limit.arcmin() * 10.0 - 1e-6).ceil().max(1.0);
            format!(
                "{} in {name}",
                angle_words(Angle::from_arcmin(tenths / 10.0))
            )
        })
        .collect();
    let unknown = unseen()
        .filter(|(part, _)| part.sigma > UNKNOWN)
        .map(|(part, name)| format!("not known in {name} (+- {})", angle_words(part.sigma)));
    let mut words: Vec<String> = Vec::new();
    if !within.is_empty() {
        words.push(format!("on the pole within {}", within.join(" and ")));
    }
    words.extend(unknown);
    words.join(", ")
}

/// What happened to the axis before these frames.
pub(super) fn change_reason(situation: &Situation<'_>) -> Option<String> {
    let change = situation.evidence.fit.as_ref()?.change?;
    let before = situation.evidence.axis_before.as_ref();
    // Sides are told only where there are sides.
    let before = before.filter(|_| situation.evidence.adrift.is_none());
    let was = before.map_or(String::new(), |axis| {
        format!("; before that {}", axis_wrong(axis, Tense::Past))
    });
    Some(format!(
        "between {} and {} {}{was} ({})",
        name(situation.files, change.before),
        name(situation.files, change.after),
        what_happened(&change),
        odds_words(change.odds)
    ))
}

fn what_happened(change: &AxisChange) -> String {
    let size = measured_words(change.size);
    match change.kind {
        ChangeKind::Knocked => format!("the whole rig was knocked and its axis moved by {size}"),
        ChangeKind::Moved => format!("the axis was moved by {size}"),
        ChangeKind::Unclear => {
            let most = measured_words(Measured::new(change.size.value * 2.0, change.size.sigma));
            format!(
                "the camera jumped; whether the axis stayed or moved along by {most} the frames after it do not tell"
            )
        }
    }
}

fn odds_words(odds: f64) -> String {
    match odds {
        odds if odds < 1e-6 => "odds of chance below one in a million".to_owned(),
        odds => format!("odds of chance one in {:.0}", 1.0 / odds),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Seconds;

    fn change(kind: ChangeKind) -> AxisChange {
        AxisChange {
            before: 0,
            after: 1,
            at: Seconds::new(0.0),
            size: Measured::new(Angle::from_arcmin(16.8), Angle::from_arcmin(0.3)),
            kind,
            odds: 2e-5,
        }
    }

    #[test]
    fn a_part_that_is_not_seen_has_a_limit_and_no_side() {
        let part =
            |value, sigma| Measured::new(Angle::from_arcmin(value), Angle::from_arcmin(sigma));
        let words = |east, up| unseen_words(&[(east, "azimuth"), (up, "altitude")]);
        assert_eq!(
            words(part(0.0, 0.02), part(-0.3, 0.2)),
            "on the pole within 0.1' in azimuth and 0.7' in altitude"
        );
        assert_eq!(
            words(part(5.0, 0.1), part(-0.3, 0.2)),
            "on the pole within 0.7' in altitude"
        );
        assert_eq!(
            words(part(0.1, 0.1), part(9.0, 90.0)),
            "on the pole within 0.3' in azimuth, not known in altitude (+- 90')"
        );
        assert_eq!(words(part(5.0, 0.1), part(5.0, 0.2)), "");
        assert!(is_seen(part(-0.3, 0.1)) && !is_seen(part(0.2, 0.1)));
    }

    #[test]
    fn a_change_says_what_moved_and_how_far() {
        let knocked = what_happened(&change(ChangeKind::Knocked));
        assert_eq!(
            knocked,
            "the whole rig was knocked and its axis moved by 17' +- 0.3'"
        );
        assert_eq!(
            what_happened(&change(ChangeKind::Moved)),
            "the axis was moved by 17' +- 0.3'"
        );
        assert!(what_happened(&change(ChangeKind::Unclear)).contains("moved along by 34' +- 0.3'"));
        assert_eq!(odds_words(2e-5), "odds of chance one in 50000");
    }
}
