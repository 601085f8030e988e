//! The move by eye: where the beam or the pole star goes, now and next time.

use jiff::Timestamp;

use super::Correction;
use super::wording::angle_words;
use crate::sky::PlaceAboutPole;
use crate::units::{Angle, Hemisphere};

/// Where the pole star stands about the refracted pole at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleStarNow {
    /// Its place.
    pub place: PlaceAboutPole,
    /// When.
    pub at: Timestamp,
}

/// Where the pole star has to stand in a scope, or a beam beside it, that is off its tracker's axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleStarInstead {
    /// Where it belongs by the sky.
    pub belongs: PoleStarNow,
    /// Where to put it instead.
    pub instead: PlaceAboutPole,
}

/// The correction seen by who faces the pole: right and up.
fn seen(correction: &Correction, hemisphere: Hemisphere) -> (Angle, Angle) {
    let right = match hemisphere {
        Hemisphere::North => correction.east_on_sky,
        Hemisphere::South => -correction.east_on_sky,
    };
    (right, correction.raise)
}

impl PoleStarInstead {
    /// For an axis that needs this correction although the star stood where it belongs.
    ///
    /// The scope looks as far beside the axis as the axis stands beside the pole. With the axis on
    /// the pole the star then shows shifted by the negative of the correction.
    pub(super) fn of(
        belongs: PoleStarNow,
        correction: &Correction,
        hemisphere: Hemisphere,
    ) -> Self {
        let (right, up) = seen(correction, hemisphere);
        Self {
            belongs,
            instead: belongs.place.shifted(-right, -up),
        }
    }

    pub(super) fn words(&self) -> String {
        format!(
            "if the pole star stood where it belongs (stillpoint polestar) when you aligned, the scope or beam is off against the axis: put the star at {} o'clock, {} from the middle, instead of {} o'clock and {} (by eye, for {} UTC)",
            clock(self.instead),
            angle_words(self.instead.distance),
            clock(self.belongs.place),
            angle_words(self.belongs.place.distance),
            self.belongs.at.strftime("%H:%M")
        )
    }
}

/// The step by eye for a correction.
pub(super) fn step(correction: &Correction, hemisphere: Option<Hemisphere>) -> Option<String> {
    let (right, up) = seen(correction, hemisphere?);
    Some(format!(
        "By eye, facing the pole: a beam has to end {} of where it points now. In a scope that does not turn the picture the pole star ends {} of where it stands now; in one that does, {}.",
        way(right, up),
        way(-right, -up),
        way(right, up)
    ))
}

/// "82' right and 14' down".
fn way(right: Angle, up: Angle) -> String {
    let part = |angle: Angle, plus: &str, minus: &str| {
        let word = if angle > Angle::ZERO { plus } else { minus };
        (angle != Angle::ZERO).then(|| format!("{} {word}", angle_words(angle.abs())))
    };
    let parts = [part(right, "right", "left"), part(up, "up", "down")];
    let known: Vec<String> = parts.into_iter().flatten().collect();
    known.join(" and ")
}

/// A direction as the hour hand of a clock shows it.
fn clock(place: PlaceAboutPole) -> String {
    let minutes = (place.clockwise_from_up.wrapped_positive().deg() * 2.0).round() as u32 % 720;
    let hour = match minutes / 60 {
        0 => 12,
        hour => hour,
    };
    format!("{hour}:{:02}", minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn correction(east: f64, raise: f64) -> Correction {
        Correction {
            raise: Angle::from_arcmin(raise),
            east_on_sky: Angle::from_arcmin(east),
            east_horizontal: Angle::from_arcmin(east / 0.64),
        }
    }

    #[test]
    fn beam_and_star_go_opposite_ways_and_south_is_turned_round() {
        let north = step(&correction(82.0, -14.0), Some(Hemisphere::North)).unwrap();
        assert!(
            north.contains("a beam has to end 82' right and 14' down of where it points"),
            "{north}"
        );
        assert!(
            north.contains("the pole star ends 82' left and 14' up"),
            "{north}"
        );
        let south = step(&correction(82.0, 0.0), Some(Hemisphere::South)).unwrap();
        assert!(south.contains("a beam has to end 82' left of"), "{south}");
        assert!(step(&correction(82.0, 0.0), None).is_none());
    }

    #[test]
    fn the_star_goes_where_the_axis_was_by_hand() {
        // The axis is 40' too low: raise it by 40'. The star belongs 30' to the right. Once the axis
        // is on the pole the scope looks 40' above it, and the star shows 40' below its place.
        let belongs = PoleStarNow {
            place: PlaceAboutPole {
                distance: Angle::from_arcmin(30.0),
                clockwise_from_up: Angle::from_deg(90.0),
            },
            at: "2026-01-15T22:14:00Z".parse().unwrap(),
        };
        let found = PoleStarInstead::of(belongs, &correction(0.0, 40.0), Hemisphere::North);
        assert!((found.instead.distance.arcmin() - 50.0).abs() < 1e-6);
        // 30 right and 40 down: 143.13 degrees, 4:46.
        assert!((found.instead.clockwise_from_up.deg() - 143.130).abs() < 1e-3);
        let words = found.words();
        assert!(
            words.contains("at 4:46 o'clock, 50' from the middle, instead of 3:00 o'clock and 30'"),
            "{words}"
        );
        assert!(words.contains("22:14 UTC"));
    }
}
