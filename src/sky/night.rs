//! When a night is dark enough for the pole star.

use jiff::{SignedDuration, Timestamp};

use super::Observer;
use crate::units::Angle;

/// The Sun this far below the horizon ends civil twilight: the pole star shows in a polar scope.
/// Common practice, no source.
pub const DARK_SUN_ALTITUDE: Angle = Angle::from_deg(-6.0);
/// Steps of the search; a night shorter than this may be missed.
const SEARCH_STEP: SignedDuration = SignedDuration::from_mins(10);
/// The search looks this far ahead.
const SEARCH_SPAN: SignedDuration = SignedDuration::from_hours(24);

/// The next dark stretch from an instant on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Darkness {
    /// Dark from the first instant (not before the one asked for) up to the second.
    Between(Timestamp, Timestamp),
    /// The Sun does not go deep enough within a day.
    Never,
    /// The Sun stays deep enough for a day.
    Always,
}

impl Observer {
    /// The Sun's altitude without refraction.
    pub fn sun_altitude(&self, utc: Timestamp) -> Angle {
        let sky = self.at(utc);
        sky.airless(sky.sun()).az_alt().1
    }
    /// The night that goes on at an instant, or else the next one.
    ///
    /// Output: limits to a second. Method: ten-minute steps, then halving.
    pub fn darkness_from(&self, utc: Timestamp) -> Darkness {
        let Some(dusk) = self.first_instant(utc, true) else {
            return Darkness::Never;
        };
        match self.first_instant(dusk, false) {
            Some(dawn) => Darkness::Between(dusk, dawn),
            None => Darkness::Always,
        }
    }

    fn is_dark(&self, utc: Timestamp) -> bool {
        self.sun_altitude(utc) < DARK_SUN_ALTITUDE
    }

    /// First instant within a day at which it is dark, or is not.
    fn first_instant(&self, from: Timestamp, dark: bool) -> Option<Timestamp> {
        let end = from.saturating_add(SEARCH_SPAN).ok()?;
        let mut before = from;
        let mut after = from;
        while self.is_dark(after) != dark {
            if after >= end {
                return None;
            }
            before = after;
            after = after.checked_add(SEARCH_STEP).ok()?;
        }
        Some(self.halved(before, after, dark))
    }

    fn halved(&self, mut before: Timestamp, mut after: Timestamp, dark: bool) -> Timestamp {
        while after.duration_since(before) > SignedDuration::from_secs(1) {
            let middle = before + after.duration_since(before) / 2;
            if self.is_dark(middle) == dark {
                after = middle;
            } else {
                before = middle;
            }
        }
        after
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::Atmosphere;
    use crate::units::Site;

    fn observer(latitude_deg: f64) -> Observer {
        let site = Site::new(Angle::from_deg(latitude_deg), Angle::ZERO).unwrap();
        Observer::new(site, Atmosphere::standard(0.0))
    }

    fn instant(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn an_equinox_night_at_the_equator_lasts_eleven_hours_and_a_bit() {
        let noon = instant("2026-03-20T12:00:00Z");
        let Darkness::Between(dusk, dawn) = observer(0.0).darkness_from(noon) else {
            panic!("there is a night at the equator");
        };
        // 180 degrees less twice 6, at 15 degrees an hour.
        let hours = dawn.duration_since(dusk).as_secs_f64() / 3600.0;
        assert!((hours - 11.2).abs() < 0.03, "{hours}");
        let altitude = observer(0.0).sun_altitude(dusk);
        assert!((altitude - DARK_SUN_ALTITUDE).arcsec().abs() < 20.0);
    }

    #[test]
    fn a_night_that_has_begun_begins_now() {
        let midnight = instant("2026-03-21T00:00:00Z");
        let Darkness::Between(start, _) = observer(40.0).darkness_from(midnight) else {
            panic!("midnight in March is dark");
        };
        assert_eq!(start, midnight);
    }

    #[test]
    fn far_north_the_sun_may_not_set_or_not_rise() {
        let summer = instant("2026-06-21T12:00:00Z");
        let winter = instant("2026-12-21T12:00:00Z");
        assert_eq!(observer(70.0).darkness_from(summer), Darkness::Never);
        assert_eq!(observer(80.0).darkness_from(winter), Darkness::Always);
        assert_eq!(observer(-80.0).darkness_from(summer), Darkness::Always);
    }
}
