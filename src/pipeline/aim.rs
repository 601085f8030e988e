//! Where each pointing looked: from its stars, or from what the user says.

use super::gather::MeasuredFrame;
use super::plates::Plates;
use super::{Aim, DiagnoseSettings, NightFacts, PointingHint};
use crate::error::Warning;
use crate::identify::hint::attitude_towards;
use crate::identify::lens::Lens;
use crate::identify::pointing::Pointing;
use crate::identify::{Identifier, fit_over_ground};
use crate::mount::Doubt;
use crate::report::CenterSource;
use crate::sky::catalogue::Catalogue;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::units::Angle;

/// A pointing's attitude over the ground in one of its frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aimed {
    /// Which of the pointing's frames, counted within the pointing.
    pub frame: usize,
    /// The camera over the ground at that frame's mid exposure.
    pub attitude: Rotation<Camera, Horizon>,
    /// Who says so.
    pub source: CenterSource,
    /// How far it may be off.
    pub doubt: Doubt,
    /// The lens that goes with it.
    pub lens: Lens,
}

/// Where the pointings looked, and what does not fit together.
pub struct Aims {
    /// One a pointing.
    pub aims: Vec<Option<Aimed>>,
    /// Contradictions between stars, clock and hints.
    pub warnings: Vec<Warning>,
}

/// A direction told by a person is good to this (own estimate: a compass word and a look up).
const HINT_DOUBT: Doubt = Doubt {
    attitude: Angle::from_deg(4.0),
    clock: Angle::ZERO,
};
/// Identified stars: a fit to some arcseconds; a camera's clock off by some ten seconds.
const STAR_DOUBT: Doubt = Doubt {
    attitude: Angle::from_arcsec(6.0),
    clock: Angle::from_arcmin(2.5),
};
/// A field lower than this cannot have been photographed.
const LOWEST: Angle = Angle::from_deg(-1.5);
/// A hint this far from what the stars say is a contradiction.
const CONTRADICTION: Angle = Angle::from_deg(20.0);

/// How far a person may be off who says where the camera looked, and the sky that is searched then.
const HINT_REACH: Angle = Angle::from_deg(12.0);

/// Looks again at pointings whose stars were not identified, near where the user says they are.
pub fn look_where_told(
    frames: &[MeasuredFrame],
    pointings: &[Pointing],
    plates: &mut Plates,
    identifier: &Identifier,
    facts: &NightFacts,
    hint_of: impl Fn(usize) -> Option<PointingHint>,
) {
    for (idx, pointing) in pointings.iter().enumerate() {
        let Some(hint) = hint_of(idx) else { continue };
        let middle = &frames[pointing.frames[pointing.frames.len() / 2]];
        let direction = match hint.aim {
            Aim::Sky(direction) => Some(direction),
            Aim::Ground(direction) => facts
                .sky_at_mid_exposure(&middle.header)
                .map(|sky| sky.to_icrs(direction)),
            Aim::Unsaid => None,
        };
        if let Some(direction) = direction {
            plates.look_near(
                frames,
                &pointing.frames,
                identifier,
                (direction, HINT_REACH),
            );
        }
    }
}

/// The question: an alignment's frames with what is known about them.
pub struct AimQuestion<'a> {
    /// The frames.
    pub frames: &'a [MeasuredFrame],
    /// Their pointings.
    pub pointings: &'a [Pointing],
    /// Their plates and lenses.
    pub plates: &'a Plates,
    /// Site and clock.
    pub facts: &'a NightFacts,
    /// Hints.
    pub settings: &'a DiagnoseSettings,
    /// Pointings of the night before this alignment.
    pub first_pointing: usize,
}

impl AimQuestion<'_> {
    /// Where the pointings looked.
    pub fn answer(&self) -> Aims {
        let mut warnings = Vec::new();
        let aims = (0..self.pointings.len())
            .map(|idx| self.aim(idx, &mut warnings))
            .collect();
        Aims { aims, warnings }
    }

    fn aim(&self, idx: usize, warnings: &mut Vec<Warning>) -> Option<Aimed> {
        let by_hint = self
            .settings
            .hint(self.first_pointing + idx)
            .and_then(|hint| self.by_hint(idx, hint));
        let by_stars = self.by_stars(&self.pointings[idx]);
        match by_stars {
            Some(aimed) if !self.facts.is_adrift() && is_below(sight(&aimed)) => {
                let frame = &self.frames[self.pointings[idx].frames[aimed.frame]];
                warnings.push(below_horizon(&frame.file, sight(&aimed), self.facts));
                None
            }
            Some(aimed) => {
                warnings.extend(by_hint.and_then(|hint| contradiction(&aimed, &hint)));
                Some(aimed)
            }
            None => by_hint,
        }
    }

    /// The frame nearest to the middle whose stars are identified and whose instant is known.
    fn by_stars(&self, pointing: &Pointing) -> Option<Aimed> {
        let middle = pointing.frames.len() / 2;
        let mut order: Vec<usize> = (0..pointing.frames.len()).collect();
        order.sort_by_key(|at| at.abs_diff(middle));
        order.into_iter().find_map(|at| {
            let idx = pointing.frames[at];
            let frame = &self.frames[idx];
            let plate = self.plates.plates[idx].as_ref()?;
            let sky = self.facts.sky_at_mid_exposure(&frame.header)?;
            let lens = self.plates.lenses[idx]?;
            let catalogue = Catalogue::embedded();
            let seen = |star_idx| sky.observed(catalogue.direction(star_idx));
            let plate = fit_over_ground(&frame.field, plate, &lens, seen)?;
            Some(Aimed {
                frame: at,
                attitude: plate.attitude,
                source: CenterSource::Stars,
                doubt: STAR_DOUBT,
                lens: plate.lens,
            })
        })
    }

    fn by_hint(&self, idx: usize, hint: &PointingHint) -> Option<Aimed> {
        let at = self.pointings[idx].frames.len() / 2;
        let frame = self.pointings[idx].frames[at];
        let direction = match hint.aim {
            Aim::Ground(direction) => direction,
            Aim::Sky(direction) => self
                .facts
                .sky_at_mid_exposure(&self.frames[frame].header)?
                .observed(direction),
            Aim::Unsaid => return None,
        };
        Some(Aimed {
            frame: at,
            attitude: attitude_towards(direction, hint.roll.unwrap_or(Angle::ZERO)),
            source: CenterSource::Hint,
            doubt: HINT_DOUBT,
            lens: self.plates.lenses[frame]?,
        })
    }
}

impl Aimed {
    /// Where the frame's centre looks.
    pub fn sight(&self) -> Direction<Horizon> {
        self.attitude.apply(Direction::new(nalgebra::Vector3::z()))
    }

    /// Hour angle of what the frame's centre sees, west positive, over a place on the equator.
    pub fn hour_angle_on_equator(&self) -> Angle {
        let seen = self.sight().vector();
        Angle::from_rad((-seen.x).atan2(seen.z))
    }

    /// Declination of what the frame's centre sees, over a place on the equator.
    pub fn declination_on_equator(&self) -> Angle {
        Angle::from_rad(self.sight().vector().y.clamp(-1.0, 1.0).asin())
    }
}

fn sight(aimed: &Aimed) -> Direction<Horizon> {
    aimed.sight()
}

/// Whether nobody can have photographed what is seen there.
pub fn is_below(sight: Direction<Horizon>) -> bool {
    sight.az_alt().1 < LOWEST
}

/// The stars say that the camera looked into the ground: how far off must the clock be?
pub fn below_horizon(file: &str, sight: Direction<Horizon>, facts: &NightFacts) -> Warning {
    let (_, altitude) = sight.az_alt();
    let hours = facts.hours_to_rise(sight, Angle::from_deg(15.0));
    let likely = hours.map_or(String::new(), |hours| {
        let side = if hours > 0.0 { "behind" } else { "ahead" };
        format!("; a clock {:.0} h {side} would explain it", hours.abs())
    });
    Warning::new(format!(
        "{file}: by its stars, site and time the camera looked {:.0} degrees below the horizon: clock, --utc-offset or --site is wrong{likely}",
        -altitude.deg()
    ))
}

fn contradiction(stars: &Aimed, hint: &Aimed) -> Option<Warning> {
    let apart = sight(stars).separation(sight(hint));
    if apart < CONTRADICTION {
        return None;
    }
    let (azimuth, altitude) = sight(stars).az_alt();
    Some(Warning::new(format!(
        "by its stars, site and time the camera looked to azimuth {:.0}, altitude {:.0} degrees, {:.0} degrees from the direction given; the stars are believed: check --facing, clock and --utc-offset (an hour moves the sky by 15 degrees)",
        azimuth.deg(),
        altitude.deg(),
        apart.deg()
    )))
}
