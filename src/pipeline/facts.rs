//! What holds for the whole night: site, clock, ground.

use jiff::Timestamp;
use jiff::tz::Offset;

use super::aim::Aimed;
use super::gather::Gathered;
use super::plates::Plates;
use crate::frame::{Header, MissingFact, Overrides};
use crate::identify::Plate;
use crate::mount::Ground;
use crate::report::{SiteReport, SiteSource};
use crate::sky::{Atmosphere, Direction, Horizon, Observer, SkyAt, evolve};
use crate::units::{Angle, Measured, Seconds, Site};

/// Site, clock and ground of a night.
#[derive(Debug, Clone, PartialEq)]
pub struct NightFacts {
    /// Where the camera stood.
    pub site: Option<SiteReport>,
    observer: Option<Observer>,
    /// Instant from which mid exposures count, by the camera's clock.
    epoch: Option<Timestamp>,
    /// Whether the meridian is arbitrary; see [`Self::adrift`].
    adrift: bool,
}

/// What the air does to the axis where nobody knows how high the camera looked, 1-sigma: the
/// refraction of 58" tan z changes with the stars' turn as an axis off by up to 58" sec^2 z would
/// make them drift, 1.9' halfway up the sky.
/// Source: mean refraction constant, [MEEUS] chapter 16; the altitude is an own choice.
const UNKNOWN_AIR: Angle = Angle::from_arcmin(2.0);

impl NightFacts {
    /// From the headers of all frames and the options.
    pub fn new<'a>(
        headers: impl Iterator<Item = &'a Header> + Clone,
        overrides: &Overrides,
    ) -> Self {
        let from_tags = headers.clone().find_map(|header| header.site);
        let by = |site: Option<Site>, source| site.map(|site| SiteReport { site, source });
        let site = by(overrides.site, SiteSource::Option)
            .or(by(from_tags, SiteSource::Gps))
            .or(by(overrides.defaults.site, SiteSource::Settings));
        let observer = site
            .map(|report| Observer::new(report.site, Atmosphere::standard(report.site.height_m())));
        Self {
            site,
            observer,
            epoch: headers.filter_map(clock).min(),
            adrift: false,
        }
    }

    /// The same night over an arbitrary meridian, for frames whose stars are known and whose place
    /// or hour is not.
    ///
    /// Method: a place on the equator without air, where the pole lies on the horizon: "up" is the
    /// side of hour angle 0 and "east" that of hour angle -90 degrees of the arbitrary meridian.
    /// Angles between axis, pole and fields are true; sides of the horizon mean nothing.
    pub fn adrift(&self) -> Self {
        let origin = Site::new(Angle::ZERO, Angle::ZERO);
        Self {
            site: None,
            observer: origin.map(|origin| Observer::new(origin, Atmosphere::none())),
            epoch: self.epoch,
            adrift: true,
        }
    }

    /// The same night with refraction left out of the model.
    #[cfg(test)]
    pub fn without_air(&self) -> Self {
        let airless = |observer: Observer| Observer::new(observer.site(), Atmosphere::none());
        Self {
            observer: self.observer.map(airless),
            ..self.clone()
        }
    }

    /// Whether sides of the horizon mean nothing.
    pub fn is_adrift(&self) -> bool {
        self.adrift
    }

    /// Whether the site is known.
    pub fn has_ground(&self) -> bool {
        self.observer.is_some()
    }

    /// 1-sigma of what the air does to the axis and is not in the model.
    pub fn unknown_air(&self) -> Angle {
        if self.adrift {
            UNKNOWN_AIR
        } else {
            Angle::ZERO
        }
    }

    /// Mid exposure since the night's reference instant.
    pub fn mid_exposure(&self, header: &Header) -> Option<Seconds> {
        let since = clock(header)?.duration_since(self.epoch?).as_secs_f64();
        Some(Seconds::new(since) + header.exposure.unwrap_or_default() / 2.0)
    }

    /// The sky over the site at a frame's mid exposure; needs site, time and zone.
    pub fn sky_at_mid_exposure(&self, header: &Header) -> Option<SkyAt> {
        let half = header.exposure.unwrap_or_default() / 2.0;
        // Over an arbitrary meridian the zone does not matter either.
        let start = if self.adrift {
            clock(header)
        } else {
            header.start
        };
        let mid = start?
            .checked_add(jiff::SignedDuration::try_from_secs_f64(half.s()).ok()?)
            .ok()?;
        Some(self.observer?.at(mid))
    }

    /// Angle of one pixel of a frame on the sky as it is seen, the air taken out where site and time
    /// are known.
    pub fn seen_pixel_scale(&self, header: &Header, plate: &Plate) -> Measured<Angle> {
        let sky = self.sky_at_mid_exposure(header).filter(|_| !self.adrift);
        plate.seen_pixel_scale(sky.map(|sky| sky.seen_scale(plate.center())))
    }

    /// Altitude of the refracted pole.
    pub fn pole_altitude(&self) -> Option<Angle> {
        Some(self.observer?.refracted_pole().az_alt().1)
    }

    /// Calls `work` with the ground; `None` without a site.
    pub fn with_ground<T>(&self, work: impl FnOnce(&Ground<'_>) -> T) -> Option<T> {
        let observer = self.observer?;
        let (latitude, air) = (observer.site().latitude(), observer.atmosphere());
        let turn = |direction, after| evolve(latitude, &air, direction, after);
        Some(work(&Ground {
            true_pole: observer.true_pole(),
            refracted_pole: observer.refracted_pole(),
            evolve: &turn,
        }))
    }

    /// Calls `work` with what air that refracts more strongly by a small share makes of the place at
    /// which a star is seen; `None` without a site.
    ///
    /// A star whose place is known stays where it is when the air is taken for denser: what is seen
    /// of it moves at once, not only with time.
    pub fn with_denser_air<T>(
        &self,
        share: f64,
        work: impl FnOnce(&(dyn Fn(Direction<Horizon>) -> Direction<Horizon> + Sync)) -> T,
    ) -> Option<T> {
        let air = self.observer?.atmosphere();
        // Refraction goes with the pressure.
        let denser = Atmosphere::measured(air.pressure_hpa() * (1.0 + share), air.temperature_c())?;
        Some(work(&|seen| denser.refract(air.unrefract(seen))))
    }

    /// Whole hours by which the clock would have to be wrong for a direction to be `least` high:
    /// positive where the clock is behind. `None` where the sky never turns it up.
    pub fn hours_to_rise(&self, direction: Direction<Horizon>, least: Angle) -> Option<f64> {
        self.with_ground(|ground| {
            let rises = |hours: &f64| {
                let later = (ground.evolve)(direction, Seconds::new(hours * 3600.0));
                later.az_alt().1 >= least
            };
            (1..=12)
                .flat_map(|hours| [f64::from(hours), -f64::from(hours)])
                .find(rises)
        })?
    }

    /// What would have to be known to say more about an alignment, a clause each;
    /// `direction_tells` where a direction over the ground would do instead of place or hour.
    pub fn what_is_missing(
        &self,
        gathered: &Gathered,
        aims: &[Option<Aimed>],
        plates: &Plates,
        direction_tells: bool,
    ) -> Vec<String> {
        let mut clauses = Vec::new();
        for fact in &gathered.missing {
            // A site given for one frame serves all.
            if *fact == MissingFact::Site && self.site.is_some() {
                continue;
            }
            let option = fact
                .option()
                .map_or(String::new(), |option| format!(" ({option})"));
            clauses.push(format!("the {}{option}", fact.name()));
        }
        // Identified stars need nothing but site and clock, which are asked for already.
        let identified = plates.plates.iter().any(Option::is_some);
        if !identified && aims.iter().all(Option::is_none) {
            clauses
                .push("where the camera looked (--facing DIRECTION --altitude DEGREES)".to_owned());
        } else if direction_tells && !clauses.is_empty() {
            clauses.push(
                "or, roughly, where the camera looked (--facing DIRECTION --altitude DEGREES, once a pointing)"
                    .to_owned(),
            );
        }
        clauses
    }
}

/// A frame's start by its camera's clock; the zone cancels between frames.
pub fn clock(header: &Header) -> Option<Timestamp> {
    header
        .start
        .or_else(|| Offset::UTC.to_timestamp(header.local_start?).ok())
}
