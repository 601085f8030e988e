//! The axis in words: where its sides are not known, and where it changed inside an alignment.

use super::Situation;
use super::drive_words::name;
use super::wording::{axis_wrong, measured_words, missing};
use crate::diagnosis::AxisBesideField;
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
        "{}, its northern end on the side of {side} (+- {:.0}\u{b0}; field of {}); refraction could not be allowed for; for up, down, east and west give {}",
        distance_words(&axis),
        axis.hour_angle.sigma.deg().max(1.0),
        name(situation.files, axis.frame),
        missing(situation)
    ))
}

/// What happened to the axis before these frames.
pub(super) fn change_reason(situation: &Situation<'_>) -> Option<String> {
    let change = situation.evidence.fit.as_ref()?.change?;
    let before = situation.evidence.axis_before.as_ref();
    // Sides are told only where there are sides.
    let before = before.filter(|_| situation.evidence.adrift.is_none());
    let was = before.map_or(String::new(), |axis| {
        let wrong = axis_wrong(axis);
        format!("; before that {}", wrong.replace("points", "pointed"))
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
