//! One alignment through the stages: pointings, attitudes, mount, causes, advice.

use super::aim::{AimQuestion, Aimed, Aims, look_where_told};
use super::gather::{Gathered, MeasuredFrame};
use super::interpret::MountQuestion;
use super::plates::{Plates, identify_frames};
use super::survey::survey;
use super::{DiagnoseSettings, NightFacts};
use crate::advice::{Advice, Situation, say};
use crate::diagnosis::limits::{ExposureLimits, exposure_limits};
use crate::diagnosis::{Evidence, Finding, find_causes};
use crate::error::Warning;
use crate::identify::lens::Lens;
use crate::identify::pointing::{Pointing, TimedField, find_pointings, sky_rate};
use crate::identify::{Identifier, Plate};
use crate::mount::MountFit;
use crate::sky::{Camera, Horizon, Rotation};
use crate::units::Seconds;

/// An alignment with everything that was worked out about it.
pub struct Examined {
    /// Its frames.
    pub gathered: Gathered,
    /// Plates and lenses of its frames.
    pub plates: Plates,
    /// Mid exposures since the night's reference instant.
    pub mids: Vec<Option<Seconds>>,
    /// Its pointings.
    pub pointings: Vec<Pointing>,
    /// Where each pointing looked.
    pub aims: Vec<Option<Aimed>>,
    /// The camera over the ground in each frame, where it is known.
    pub attitudes: Vec<Option<Rotation<Camera, Horizon>>>,
    /// What is known about each frame and the mount.
    pub evidence: Evidence,
    /// Causes.
    pub finding: Finding,
    /// What came up while aiming.
    pub warnings: Vec<Warning>,
    /// Longest exposures.
    pub limits: ExposureLimits,
    /// Decision and words.
    pub advice: Advice,
}

impl Examined {
    /// A plate of any of its frames.
    pub fn any_plate(&self) -> Option<&Plate> {
        self.plates.plates.iter().flatten().next()
    }

    /// Fit of axis and drive, if there is one.
    pub fn fit(&self) -> Option<&MountFit> {
        self.evidence.fit.as_ref()
    }
}

/// Takes the frames of one alignment through all stages.
///
/// `first_pointing` counts the pointings of the night before this alignment, for the hints;
/// `known` is a plate from earlier in the night.
pub fn examine(
    gathered: Gathered,
    facts: &NightFacts,
    settings: &DiagnoseSettings,
    first_pointing: usize,
    identifier: &Identifier,
    known: Option<&Plate>,
) -> Examined {
    let frames = &gathered.frames;
    let mut plates = identify_frames(frames, identifier, known);
    let lenses = plates.lenses.clone();
    let mids: Vec<_> = frames
        .iter()
        .map(|frame| facts.mid_exposure(&frame.header))
        .collect();
    let timed: Vec<_> = frames
        .iter()
        .zip(&mids)
        .zip(&lenses)
        .map(|((frame, mid), lens)| TimedField {
            field: &frame.field,
            lens: lens.unwrap_or_else(|| typical_lens(frame)),
            mid: *mid,
        })
        .collect();
    let pointings = find_pointings(&timed);
    let hint_of = |idx| settings.hint(first_pointing + idx).copied();
    look_where_told(frames, &pointings, &mut plates, identifier, facts, hint_of);
    let rate = sky_rate(&timed, &pointings).filter(|_| lenses.iter().any(Option::is_some));
    let question = AimQuestion {
        frames,
        pointings: &pointings,
        plates: &plates,
        facts,
        settings,
        first_pointing,
    };
    let Aims { aims, warnings } = question.answer();
    let survey = survey(frames, &mids, &pointings, &aims, facts);
    let mount_question = MountQuestion {
        frames,
        mids: &mids,
        pointings: &pointings,
        aims: &aims,
        survey: &survey,
        sky_rate: rate,
        identified: plates.plates.iter().any(Option::is_some),
        facts,
        tolerance: settings.tolerance,
    };
    let evidence = mount_question.answer();
    let finding = find_causes(&evidence);
    let limits = exposure_limits(&evidence, finding.tolerance);
    let missing = facts.what_is_missing(&gathered, &aims, &plates);
    let names: Vec<String> = frames.iter().map(|frame| frame.file.clone()).collect();
    let advice = say(&Situation {
        finding: &finding,
        evidence: &evidence,
        limits,
        pole_altitude: facts.pole_altitude(),
        hemisphere: facts.site.map(|report| report.site.hemisphere()),
        names: &names,
        missing: &missing,
    });
    Examined {
        plates,
        warnings,
        mids,
        pointings,
        aims,
        attitudes: survey.attitudes,
        evidence,
        finding,
        limits,
        advice,
        gathered,
    }
}

/// A lens for matching alone, where nothing is known: 50 mm on a 36 mm wide sensor.
fn typical_lens(frame: &MeasuredFrame) -> Lens {
    let (width, height) = (frame.field.width, frame.field.height);
    let focal_px = width.max(height) as f64 * 50.0 / 36.0;
    Lens {
        focal_px,
        center: frame.field.center(),
        k1: 0.0,
    }
}
