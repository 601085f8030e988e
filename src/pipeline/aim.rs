//! Where each pointing looked: from its stars, or from what the user says.

use super::gather::MeasuredFrame;
use super::{Aim, DiagnoseSettings, NightFacts, PointingHint};
use crate::identify::hint::attitude_towards;
use crate::identify::lens::Lens;
use crate::identify::pointing::Pointing;
use crate::report::CenterSource;
use crate::sky::{Camera, Horizon, Rotation};
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
    /// How far it may be off, 1-sigma in each direction.
    pub doubt: Angle,
    /// The lens that goes with it.
    pub lens: Lens,
}

/// A direction told by a person is good to this (own estimate: a compass word and a look up).
const HINT_DOUBT: Angle = Angle::from_deg(4.0);

/// Where the pointings looked.
pub fn aim_pointings(
    frames: &[MeasuredFrame],
    pointings: &[Pointing],
    facts: &NightFacts,
    settings: &DiagnoseSettings,
    first_pointing: usize,
    lenses: &[Option<Lens>],
) -> Vec<Option<Aimed>> {
    let aim_of = |(idx, pointing): (usize, &Pointing)| {
        let hint = settings.hint(first_pointing + idx)?;
        let middle = pointing.frames.len() / 2;
        let frame = pointing.frames[middle];
        aim_by_hint(hint, &frames[frame], lenses[frame]?, facts, middle)
    };
    pointings.iter().enumerate().map(aim_of).collect()
}

fn aim_by_hint(
    hint: &PointingHint,
    frame: &MeasuredFrame,
    lens: Lens,
    facts: &NightFacts,
    idx: usize,
) -> Option<Aimed> {
    let direction = match hint.aim {
        Aim::Ground(direction) => direction,
        Aim::Sky(direction) => facts
            .sky_at_mid_exposure(&frame.header)?
            .observed(direction),
        Aim::Unsaid => return None,
    };
    Some(Aimed {
        frame: idx,
        attitude: attitude_towards(direction, hint.roll.unwrap_or(Angle::ZERO)),
        source: CenterSource::Hint,
        doubt: HINT_DOUBT,
        lens,
    })
}
