//! What site, stars and daylight say about a clock without measuring anything: contradictions only.

use super::alignment::Examined;
use super::clock_by_air::zone_of;
use super::facts::NightFacts;
use crate::error::Warning;
use crate::frame::Header;
use crate::units::{Angle, Seconds, Site};

/// Zones in use lie between this far behind and ...
const BEHIND_SUN_H: f64 = -2.5;
/// ... this far ahead of the mean Sun, summer time and wide countries included, with an hour to
/// spare (from memory: 1.3 h behind, 3.3 h ahead).
const AHEAD_OF_SUN_H: f64 = 4.5;
/// With the Sun higher than this nobody photographs stars by the dozen.
const TWILIGHT: Angle = Angle::from_deg(-3.0);
/// Identified stars that make a night sky.
const N_STARS: usize = 20;

/// All contradictions of a night, each once.
pub fn clock_doubts(facts: &NightFacts, examined: &[Examined]) -> Vec<Warning> {
    let mut frames = examined.iter().flat_map(|alignment| {
        let plates = alignment.plates.plates.iter();
        alignment.gathered.frames.iter().zip(plates)
    });
    let by_sun = frames.clone().find_map(|(frame, plate)| {
        let n_stars = plate.as_ref()?.matches.len();
        by_daylight(facts, &frame.file, &frame.header).filter(|_| n_stars >= N_STARS)
    });
    let site = facts.site.map(|report| report.site);
    let by_zone = frames.find_map(|(frame, _)| by_longitude(zone_of(&frame.header)?, site?));
    by_sun.into_iter().chain(by_zone).collect()
}

/// Stars by day.
fn by_daylight(facts: &NightFacts, file: &str, header: &Header) -> Option<Warning> {
    let sky = facts.sky_at_mid_exposure(header)?;
    let altitude = sky.observed(sky.sun()).az_alt().1;
    (altitude > TWILIGHT).then(|| {
        Warning::new(format!(
            "{file} shows the stars of a night, but by site and clock the Sun stood at {:.0} degrees of altitude: clock, --utc-offset or --site is wrong",
            altitude.deg()
        ))
    })
}

/// A zone that nobody keeps where the camera stood.
fn by_longitude(zone: Seconds, site: Site) -> Option<Warning> {
    let sun_h = site.longitude().wrapped_signed().deg() / 15.0;
    let ahead_h = (zone.s() / 3600.0 - sun_h + 12.0).rem_euclid(24.0) - 12.0;
    (!(BEHIND_SUN_H..=AHEAD_OF_SUN_H).contains(&ahead_h)).then(|| {
        Warning::new(format!(
            "the clock's zone of {:+.1} h does not go with longitude {:.0}, where the Sun keeps {:+.1} h: look at --utc-offset and --site",
            zone.s() / 3600.0,
            site.longitude().wrapped_signed().deg(),
            sun_h
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zones_that_nobody_keeps_are_doubted() {
        let doubted = |zone_h: f64, longitude: f64| {
            let site = Site::new(Angle::from_deg(40.0), Angle::from_deg(longitude)).unwrap();
            by_longitude(Seconds::new(3600.0 * zone_h), site).is_some()
        };
        // Winter and summer in the west of Spain, Kiribati across the date line, western China.
        for (zone, longitude) in [(1.0, -8.0), (2.0, -9.0), (14.0, -157.0), (8.0, 75.0)] {
            assert!(!doubted(zone, longitude), "{zone} at {longitude}");
        }
        // A camera that came from another continent; a longitude with the wrong sign.
        assert!(doubted(-7.0, 11.0));
        assert!(doubted(-8.0, 118.0));
    }
}
