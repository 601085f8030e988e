//! One alignment through the stages: pointings, attitudes, mount, causes, advice.

use super::aim::{AimQuestion, Aimed, Aims, look_where_told};
use super::by_exposures::tell_lens_apart;
use super::development::allow_in_all;
use super::exposing::LastFrame;
use super::facts::clock;
use super::gather::{Gathered, MeasuredFrame};
use super::interpret::MountQuestion;
use super::plates::{Plates, identify_frames};
use super::proposal::ProposalQuestion;
use super::stamped::{Stamping, ask_stamps};
use super::survey::{Survey, survey};
use super::told::{Told, ToldQuestion};
use super::{DiagnoseSettings, NightFacts};
use crate::advice::{Advice, Situation, say};
use crate::diagnosis::limits::{ExposureLimits, exposure_limits};
use crate::diagnosis::outlook::Outlook;
use crate::diagnosis::shortening::{Shortening, shortening};
use crate::diagnosis::{Evidence, Finding, find_causes, without_contradicted_axis};
use crate::error::Warning;
use crate::frame::Header;
use crate::identify::lens::Lens;
use crate::identify::pointing::{Pointing, TimedField, find_pointings, sky_rate};
use crate::identify::{Identifier, Plate};
use crate::limits::settable;
use crate::mount::plan::TestFrames;
use crate::mount::{AxisEstimate, MountFit};
use crate::report::CenterSource;
use crate::sky::{Camera, Horizon, Rotation};
use crate::stars::LensOverExposures;
use crate::units::Seconds;

/// An alignment with everything that was worked out about it.
pub struct Examined {
    /// Its frames.
    pub gathered: Gathered,
    /// What frames of different exposure say about their lenses.
    pub by_exposures: Vec<LensOverExposures>,
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
    /// Which instants the times of its frames stand for.
    pub stamping: Stamping,
    /// What came up while aiming.
    pub warnings: Vec<Warning>,
    /// Stretches of it that one axis explains, in order of time; never empty.
    pub parts: Vec<Part>,
}

/// A part of an alignment during which its axis stayed put.
pub struct Part {
    /// The alignment's name, with the time from which the part holds.
    pub name: String,
    /// What is known about each frame and the mount.
    pub evidence: Evidence,
    /// Causes.
    pub finding: Finding,
    /// Longest exposures.
    pub limits: ExposureLimits,
    /// The same for the lenses of the bag, the target and the worst place.
    pub outlook: Option<Outlook>,
    /// What shorter exposures would cost, where they are needed.
    pub shortening: Option<Shortening>,
    /// Decision and words.
    pub advice: Advice,
}

impl Part {
    /// Fit of axis and drive, if there is one.
    pub fn fit(&self) -> Option<&MountFit> {
        self.evidence.fit.as_ref()
    }

    /// Whether a frame (index in the alignment) belongs to it.
    pub fn has(&self, frame: usize) -> bool {
        self.evidence.frames.iter().any(|one| one.frame == frame)
    }

    /// Pointings of which it has frames.
    pub fn n_pointings(&self) -> usize {
        let pointings = self.evidence.frames.iter().map(|frame| frame.pointing);
        pointings.collect::<std::collections::BTreeSet<_>>().len()
    }
}

impl Examined {
    /// A plate of any of its frames.
    pub fn any_plate(&self) -> Option<&Plate> {
        self.plates.plates.iter().flatten().next()
    }

    /// The axis as it stands now, where its sides are known.
    pub fn axis_over_ground(&self) -> Option<&AxisEstimate> {
        let now = &self.parts.last()?.evidence;
        now.axis().filter(|_| now.adrift.is_none())
    }

    /// The name of the part that a frame belongs to.
    pub fn part_name(&self, frame: usize) -> &str {
        let part = self.parts.iter().find(|part| part.has(frame));
        part.map_or(&self.gathered.name, |part| &part.name)
    }
}

/// Every frame's stars with when they were seen and through which lens.
fn timed_fields<'a>(
    frames: &'a [MeasuredFrame],
    mids: &[Option<Seconds>],
    lenses: &[Option<Lens>],
) -> Vec<TimedField<'a>> {
    let timed = frames.iter().zip(mids).zip(lenses);
    timed
        .map(|((frame, mid), lens)| TimedField {
            field: &frame.field,
            lens: lens.unwrap_or_else(|| typical_lens(frame)),
            mid: *mid,
        })
        .collect()
}

/// Takes the frames of one alignment through all stages.
///
/// `first_pointing` counts the pointings of the night before this alignment, for the hints;
/// `known` is a plate from earlier in the night.
pub fn examine(
    mut gathered: Gathered,
    facts: &NightFacts,
    settings: &DiagnoseSettings,
    first_pointing: usize,
    identifier: &Identifier,
    known: Option<&Plate>,
) -> Examined {
    let mut plates = identify_frames(&gathered.frames, identifier, known);
    let developed = allow_in_all(&mut gathered.frames, &plates.plates);
    let frames = &gathered.frames;
    let lenses = plates.lenses.clone();
    let mids: Vec<_> = frames
        .iter()
        .map(|frame| facts.mid_exposure(&frame.header))
        .collect();
    let timed = timed_fields(frames, &mids, &lenses);
    let pointings = find_pointings(&timed);
    let hint_of = |idx| settings.hint(first_pointing + idx).copied();
    look_where_told(frames, &pointings, &mut plates, identifier, facts, hint_of);
    let rate = sky_rate(&timed, &pointings).filter(|_| lenses.iter().any(Option::is_some));
    let by_exposures = tell_lens_apart(&mut gathered.frames, &pointings, &lenses);
    let frames = &gathered.frames;
    let question = AimQuestion {
        frames,
        pointings: &pointings,
        plates: &plates,
        facts,
        settings,
        first_pointing,
    };
    let Aims {
        mut aims,
        mut warnings,
    } = question.answer();
    warnings.extend(developed);
    let adrift = adrift_facts(frames, &aims, &plates, facts);
    let ground_facts = adrift.as_ref().unwrap_or(facts);
    let mut told = Told::default();
    if adrift.is_some() {
        let unhinted = DiagnoseSettings::default();
        let question = AimQuestion {
            facts: ground_facts,
            settings: &unhinted,
            ..question
        };
        aims = question.answer().aims;
        let question = ToldQuestion {
            pointings: &pointings,
            mids: &mids,
            aims: &aims,
            facts,
            settings,
            first_pointing,
        };
        told = question.answer();
        warnings.append(&mut told.warnings);
    }
    let mut survey = survey(frames, &plates, &mids, &pointings, &aims, ground_facts);
    let stated = settings.overrides.defaults.stamped;
    let stamping = ask_stamps(&gathered, &survey, ground_facts, stated);
    let mount_question = MountQuestion {
        frames,
        mids: &mids,
        pointings: &pointings,
        aims: &aims,
        survey: &survey,
        sky_rate: rate,
        identified: plates.plates.iter().any(Option::is_some),
        facts: ground_facts,
        open_by_stamps: stamping.open,
        told: &told.places,
        tolerance: settings.tolerance,
    };
    let evidence = mount_question.answer();
    if adrift.is_some() {
        // Over an arbitrary meridian an attitude says nothing to anybody.
        survey.attitudes.fill(None);
    }
    let untold = adrift.is_some() && told.places.iter().all(Vec::is_empty);
    let missing = facts.what_is_missing(&gathered, &aims, &plates, untold);
    let scene = Scene {
        gathered: &gathered,
        mids: &mids,
        pointings: &pointings,
        aims: &aims,
        survey: &survey,
        facts,
        settings,
        lenses: &plates.lenses,
        missing: &missing,
    };
    let parts = evidence.into_iter().map(|one| scene.part(one)).collect();
    Examined {
        plates,
        by_exposures,
        stamping,
        warnings,
        mids,
        pointings,
        aims,
        attitudes: survey.attitudes,
        parts,
        gathered,
    }
}

/// The night over an arbitrary meridian, where stars and times between frames are known, but no
/// pointing could be brought over the ground.
fn adrift_facts(
    frames: &[MeasuredFrame],
    aims: &[Option<Aimed>],
    plates: &Plates,
    facts: &NightFacts,
) -> Option<NightFacts> {
    let mut known = frames.iter().zip(&plates.plates);
    let timed = known.any(|(frame, plate)| plate.is_some() && clock(&frame.header).is_some());
    // Known stars tell a direction over the ground better than a person who was not asked for the
    // camera's roll.
    let by_stars = |aim: &Aimed| aim.source == CenterSource::Stars;
    let lost = !facts.has_ground() || !aims.iter().flatten().any(by_stars);
    (timed && lost).then(|| facts.adrift())
}

/// What the parts of an alignment have in common.
struct Scene<'a> {
    gathered: &'a Gathered,
    mids: &'a [Option<Seconds>],
    pointings: &'a [Pointing],
    aims: &'a [Option<Aimed>],
    survey: &'a Survey,
    facts: &'a NightFacts,
    settings: &'a DiagnoseSettings,
    lenses: &'a [Option<Lens>],
    missing: &'a [String],
}

impl Scene<'_> {
    fn part(&self, evidence: Evidence) -> Part {
        let Self {
            gathered, facts, ..
        } = self;
        let evidence = if evidence.accounts.is_empty() {
            without_contradicted_axis(evidence)
        } else {
            evidence
        };
        let finding = find_causes(&evidence);
        let limits = exposure_limits(&evidence, finding.tolerance);
        let shorter = limits.now.map(settable);
        let shortening = shorter.and_then(|shorter| shortening(&evidence, shorter));
        let next = self.next_frames(&evidence, &finding, limits);
        let files: Vec<&str> = gathered
            .frames
            .iter()
            .map(|one| one.file.as_str())
            .collect();
        let sights: Vec<_> = self.aims.iter().flatten().map(Aimed::sight).collect();
        let over_ground = evidence.adrift.is_none();
        let last = self.last_frame(&evidence).filter(|_| over_ground);
        let outlook = last
            .as_ref()
            .and_then(|last| last.outlook(&evidence, &finding, facts, self.settings));
        let kept = &self.settings.kept;
        let advice = say(&Situation {
            finding: &finding,
            evidence: &evidence,
            limits,
            // Sides of an arbitrary meridian are no sides to move an axis to.
            pole_altitude: facts.pole_altitude().filter(|_| over_ground),
            hemisphere: facts.site.map(|report| report.site.hemisphere()),
            true_pole: facts
                .with_ground(|ground| ground.true_pole)
                .filter(|_| over_ground),
            sights: if over_ground { &sights } else { &[] },
            files: &files,
            next: &next,
            base: kept.base,
            pole_star: last.and_then(|last| last.pole_star(facts)),
            outlook: outlook.as_ref(),
            wanted: kept.wanted,
            missing: self.missing,
        });
        Part {
            name: part_name(&evidence, gathered),
            evidence,
            finding,
            limits,
            shortening,
            outlook,
            advice,
        }
    }

    /// The last frame of a part and its lens.
    fn last_frame(&self, evidence: &Evidence) -> Option<LastFrame<'_>> {
        let idx = evidence.frames.last()?.frame;
        Some(LastFrame {
            header: &self.gathered.frames[idx].header,
            lens: self.lenses[idx],
        })
    }

    /// Frames worth taking; without a place nobody can say where to point.
    fn next_frames(
        &self,
        evidence: &Evidence,
        finding: &Finding,
        limits: ExposureLimits,
    ) -> Vec<TestFrames> {
        if evidence.adrift.is_some() {
            return Vec::new();
        }
        let question = ProposalQuestion {
            frames: &self.gathered.frames,
            mids: self.mids,
            pointings: self.pointings,
            aims: self.aims,
            survey: self.survey,
            evidence,
            finding,
            limits,
            facts: self.facts,
        };
        question.answer()
    }
}

/// "folder", or "folder, after 21:14:30" by the camera's own clock for what follows a change.
fn part_name(evidence: &Evidence, gathered: &Gathered) -> String {
    let change = evidence.fit.as_ref().and_then(|fit| fit.change);
    let Some(change) = change else {
        return gathered.name.clone();
    };
    let last = &gathered.frames[change.before];
    let after = end_by_camera(&last.header).unwrap_or_else(|| last.file.clone());
    format!("{}, after {after}", gathered.name)
}

fn end_by_camera(header: &Header) -> Option<String> {
    let seconds = header.exposure.unwrap_or_default().s().round() as i64;
    let length = jiff::SignedDuration::from_secs(seconds);
    let local = header
        .local_start
        .and_then(|start| start.checked_add(length).ok());
    let of_day = local.map(|end| end.strftime("%H:%M:%S").to_string());
    of_day.or_else(|| {
        let end = header.start?.checked_add(length).ok()?;
        Some(end.strftime("%H:%M:%S UTC").to_string())
    })
}

/// A lens for matching alone, where nothing is known: 50 mm on a 36 mm wide sensor.
fn typical_lens(frame: &MeasuredFrame) -> Lens {
    let (width, height) = (frame.field.width, frame.field.height);
    let focal_px = width.max(height) as f64 * 50.0 / 36.0;
    Lens {
        focal_px,
        center: frame.field.center(),
        k1: 0.0,
        k2: 0.0,
    }
}
