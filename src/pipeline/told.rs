//! What a told direction says of place and hour, where stars are known and the site is not.

use super::aim::Aimed;
use super::{Aim, DiagnoseSettings, NightFacts};
use crate::error::Warning;
use crate::identify::pointing::Pointing;
use crate::sky::{Direction, Horizon, ToldPlace, told_places};
use crate::units::{Angle, AngularRate, Seconds};

/// A direction told by a person is good to this, 1-sigma, in azimuth and in altitude (own estimate:
/// a compass word is half an eighth of a turn off at worst, and a look up is no better).
const TOLD_DOUBT: Angle = Angle::from_deg(7.0);

/// What told directions say, and those that no place fits.
#[derive(Default)]
pub struct Told {
    /// Places and hours that fit, one list a pointing; empty where nothing usable was told.
    pub places: Vec<Vec<ToldPlace>>,
    /// Directions that were refused.
    pub warnings: Vec<Warning>,
}

/// The question: pointings over an arbitrary meridian.
pub struct ToldQuestion<'a> {
    /// The pointings.
    pub pointings: &'a [Pointing],
    /// Mid exposures, one a frame.
    pub mids: &'a [Option<Seconds>],
    /// Where they looked, over the arbitrary meridian.
    pub aims: &'a [Option<Aimed>],
    /// Site, where it is known and the clock is not.
    pub facts: &'a NightFacts,
    /// Hints.
    pub settings: &'a DiagnoseSettings,
    /// Pointings of the night before this alignment.
    pub first_pointing: usize,
}

impl ToldQuestion<'_> {
    /// Places and hours by the directions that were told for these very pointings.
    ///
    /// A direction told for an earlier pointing does not hold for the next one here: it would turn
    /// the axis's side by as much as the camera was turned.
    pub fn answer(&self) -> Told {
        let mut told = Told::default();
        for (idx, aim) in self.aims.iter().enumerate() {
            let hint = self.settings.hints.get(self.first_pointing + idx);
            let seen = hint.and_then(|hint| match hint.aim {
                Aim::Ground(direction) => Some(direction),
                Aim::Sky(_) | Aim::Unsaid => None,
            });
            let places = match (aim, seen) {
                (Some(aim), Some(seen)) => {
                    let places = self.places(idx, aim, seen);
                    if places.is_empty() {
                        told.warnings
                            .push(refused(aim.declination_on_equator(), seen));
                    }
                    places
                }
                _ => Vec::new(),
            };
            told.places.push(places);
        }
        told
    }

    fn places(&self, idx: usize, aim: &Aimed, seen: Direction<Horizon>) -> Vec<ToldPlace> {
        let doubt = TOLD_DOUBT.rad().hypot(self.turned(idx).rad());
        let mut places = told_places(seen, aim.declination_on_equator(), Angle::from_rad(doubt));
        if let Some(report) = self.facts.site {
            let north = report.site.latitude() >= Angle::ZERO;
            places.retain(|place| (place.latitude >= Angle::ZERO) == north);
        }
        places
    }

    /// How far the sky turned during a pointing, as the 1-sigma of a time somewhere within it.
    fn turned(&self, idx: usize) -> Angle {
        let mids = self.pointings[idx].frames.iter();
        let mids: Vec<Seconds> = mids.filter_map(|&frame| self.mids[frame]).collect();
        let ends = mids.first().zip(mids.last());
        let span = ends.map_or(Seconds::default(), |(first, last)| *last - *first);
        AngularRate::SIDEREAL.over(span) / 12.0_f64.sqrt()
    }
}

fn refused(declination: Angle, seen: Direction<Horizon>) -> Warning {
    let (azimuth, altitude) = seen.az_alt();
    Warning::new(format!(
        "the direction given (--facing, --altitude: azimuth {:.0}, {:.0} degrees high) is wrong: the stars are of declination {:.0} degrees, and no place that fits shows them there; it is not used: give the direction of this pointing, or --site",
        azimuth.deg(),
        altitude.deg(),
        declination.deg()
    ))
}
