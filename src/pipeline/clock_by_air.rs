//! Whether the night's clock agrees with the air that its frames were taken through.

use jiff::SignedDuration;

use super::alignment::Examined;
use super::facts::NightFacts;
use crate::error::Warning;
use crate::frame::Header;
use crate::identify::air_clock::{AirWitness, ClockByAir, clock_by_air};
use crate::identify::air_gauge::{AirGauge, AirView};
use crate::sky::SkyAt;
use crate::sky::catalogue::Catalogue;
use crate::units::{Measured, Seconds};

/// Frames that are asked at the most, one a pointing.
const N_MOST: usize = 8;

/// A frame's squeeze and the sky over the site at its stated instant.
struct Asked {
    gauge: AirGauge,
    sky: SkyAt,
}

/// What the air in a night's frames says about the clock, the zone and the longitude together.
pub fn clock_of_night(facts: &NightFacts, examined: &[Examined]) -> ClockByAir {
    let asked: Vec<Asked> = examined
        .iter()
        .flat_map(|alignment| {
            let pointings = alignment.pointings.iter();
            pointings.filter_map(|pointing| ask(facts, alignment, &pointing.frames))
        })
        .take(N_MOST)
        .collect();
    let airs: Vec<_> = asked.iter().map(|one| |later| one.air(later)).collect();
    let witnesses: Vec<AirWitness> = asked
        .iter()
        .zip(&airs)
        .map(|(one, air)| AirWitness {
            seen: one.gauge.seen,
            air,
        })
        .collect();
    clock_by_air(&witnesses)
}

/// The frame of a pointing that shows most identified stars.
fn ask(facts: &NightFacts, alignment: &Examined, frames: &[usize]) -> Option<Asked> {
    let plates = &alignment.plates;
    let idx = *frames
        .iter()
        .filter(|&&idx| plates.plates[idx].is_some())
        .max_by_key(|&&idx| plates.plates[idx].as_ref().map(|plate| plate.matches.len()))?;
    let frame = &alignment.gathered.frames[idx];
    let sky = facts.sky_at_mid_exposure(&frame.header)?;
    let catalogue = Catalogue::embedded();
    let airless = |star_idx| sky.airless(catalogue.direction(star_idx));
    let plate = plates.plates[idx].as_ref()?;
    let gauge = AirGauge::new(&frame.field, plate, &plates.lenses[idx]?, airless)?;
    Some(Asked { gauge, sky })
}

impl Asked {
    /// What the air makes of the frame if the time was so much later.
    fn air(&self, later: Seconds) -> Option<AirView> {
        let shift = SignedDuration::try_from_secs_f64(later.s()).ok()?;
        let then = self
            .sky
            .observer()
            .at(self.sky.utc().checked_add(shift).ok()?);
        let now = self.sky.airless_rotation();
        let turn = then.airless_rotation().inner() * now.inner().inverse();
        self.gauge.air_at(&turn, |airless| then.refract(airless))
    }
}

/// The clock that the air speaks against, by how much, and what would set it right.
pub fn clock_warning(by_air: ClockByAir, examined: &[Examined]) -> Option<Warning> {
    let ClockByAir::Ahead(ahead) = by_air else {
        return None;
    };
    let mut headers = examined
        .iter()
        .flat_map(|alignment| &alignment.gathered.frames)
        .map(|frame| &frame.header);
    let side = if ahead.value.s() > 0.0 {
        "ahead"
    } else {
        "behind"
    };
    let cure = match headers.find_map(zone_of) {
        Some(zone) => format!(
            "--utc-offset {} would be the zone of this clock",
            zone_words(zone + whole_halves(ahead))
        ),
        None => "set the clock for the next frames".to_owned(),
    };
    Some(Warning::new(format!(
        "by how the air flattens the sky in the frames, your camera clock is {} +- {:.0} min {side} (or its zone, or the site's longitude, is wrong by as much): {cure}; as it stands, the axis error is turned about the pole by {:.0} degrees",
        duration_words(ahead.value.s().abs()),
        (ahead.sigma.s() / 60.0).ceil(),
        ahead.value.s().abs() / 240.0
    )))
}

/// Clocks are wrong by whole or half hours where somebody forgot the summer or the zone: taken so
/// where the air leaves it open.
fn whole_halves(ahead: Measured<Seconds>) -> Seconds {
    const HALF_HOUR_S: f64 = 1800.0;
    let nearest = (ahead.value.s() / HALF_HOUR_S).round() * HALF_HOUR_S;
    let is_near = (nearest - ahead.value.s()).abs() <= 3.0 * ahead.sigma.s();
    if is_near && nearest != 0.0 {
        Seconds::new(nearest)
    } else {
        Seconds::new((ahead.value.s() / 60.0).round() * 60.0)
    }
}

fn duration_words(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round() as i64;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

fn zone_words(zone: Seconds) -> String {
    let minutes = (zone.s() / 60.0).round() as i64;
    let sign = if minutes < 0 { '-' } else { '+' };
    format!("{sign}{:02}:{:02}", minutes.abs() / 60, minutes.abs() % 60)
}

/// The zone of a frame's clock, as far ahead of UTC as its two times say.
pub fn zone_of(header: &Header) -> Option<Seconds> {
    let local = jiff::tz::Offset::UTC
        .to_timestamp(header.local_start?)
        .ok()?;
    Some(Seconds::new(
        local.duration_since(header.start?).as_secs_f64(),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_forgotten_are_told_as_whole_ones() {
        let ahead = |min: f64, sigma: f64| {
            let minutes = |value: f64| Seconds::new(60.0 * value);
            whole_halves(Measured::new(minutes(min), minutes(sigma))).s() / 60.0
        };
        assert_eq!(ahead(57.0, 2.0), 60.0);
        assert_eq!(ahead(-63.0, 2.0), -60.0);
        assert_eq!(ahead(47.0, 2.0), 47.0);
        assert_eq!(zone_words(Seconds::new(-9.5 * 3600.0)), "-09:30");
        assert_eq!(duration_words(3660.0), "1 h 01 min");
    }
}
