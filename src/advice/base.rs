//! The base's screws: turns of them for a move of the axis, in words.

use crate::units::Angle;

/// What one turn of each of the base's screws does, as far as the settings say.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BaseScrews {
    /// Raises and lowers the axis: arcminutes on the sky, clockwise positive means up.
    pub altitude: Option<Screw>,
    /// Turns the base about the vertical: arcminutes on its own scale, clockwise positive means east.
    pub azimuth: Option<Screw>,
}

/// A screw of the base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Screw {
    /// Move for one turn; above zero.
    pub per_turn: Angle,
    /// Where a clockwise turn moves the axis, if that is known.
    pub clockwise: Option<ScrewSense>,
}

/// Where a clockwise turn moves the axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScrewSense {
    /// Up, or east.
    Positive,
    /// Down, or west.
    Negative,
}

/// A turn that nobody can make better than this is not told in smaller parts.
const FINEST: f64 = 0.05;

/// ", 1.4 turns of its screw clockwise" for a move; nothing without a screw.
pub(super) fn turns(screw: Option<Screw>, amount: Angle) -> String {
    let Some(screw) = screw else {
        return String::new();
    };
    let turns = amount.abs() / screw.per_turn;
    let way = screw.clockwise.map_or("", |sense| {
        let forwards = (amount > Angle::ZERO) == (sense == ScrewSense::Positive);
        if forwards {
            " clockwise"
        } else {
            " anticlockwise"
        }
    });
    match turns {
        turns if turns < FINEST => ", less than a twentieth of a turn of its screw".to_owned(),
        turns if turns < 10.0 => format!(", {turns:.1} turns of its screw{way}"),
        turns => format!(", {turns:.0} turns of its screw{way}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_follow_sign_and_sense() {
        let screw = |clockwise| {
            Some(Screw {
                per_turn: Angle::from_arcmin(60.0),
                clockwise,
            })
        };
        let up = Angle::from_arcmin(66.0);
        assert_eq!(turns(None, up), "");
        assert_eq!(turns(screw(None), up), ", 1.1 turns of its screw");
        let positive = screw(Some(ScrewSense::Positive));
        assert_eq!(turns(positive, up), ", 1.1 turns of its screw clockwise");
        assert_eq!(
            turns(positive, -up),
            ", 1.1 turns of its screw anticlockwise"
        );
        let negative = screw(Some(ScrewSense::Negative));
        assert_eq!(turns(negative, -up), ", 1.1 turns of its screw clockwise");
        let little = Angle::from_arcmin(1.0);
        assert!(turns(positive, little).contains("a twentieth"));
    }
}
