//! One alignment through the stages: pointings, attitudes, mount, causes, advice.

use super::aim::{Aimed, aim_pointings};
use super::gather::{Gathered, MeasuredFrame};
use super::{DiagnoseSettings, NightFacts};
use crate::advice::{Advice, Situation, say};
use crate::diagnosis::limits::{ExposureLimits, exposure_limits};
use crate::diagnosis::{Evidence, Finding, FrameEvidence, find_causes};
use crate::identify::attitude::{FrameAttitude, Reference, solve_attitudes};
use crate::identify::lens::Lens;
use crate::identify::pointing::{Pointing, TimedField, find_pointings, sky_rate};
use crate::identify::tracks::link_tracks;
use crate::mount::drive::DriveRecord;
use crate::mount::invert::{FrameTurn, Stretch};
use crate::mount::lone::read_lone_frame;
use crate::mount::model::northern_end;
use crate::mount::predict::Exposure;
use crate::mount::{Ground, MountFit, fit_mount};
use crate::sky::{Camera, Horizon, Rotation};
use crate::units::{Angle, Seconds};

/// An alignment with everything that was worked out about it.
pub struct Examined {
    /// Its frames.
    pub gathered: Gathered,
    /// The lens by tags or options; `None` leaves angles unknown.
    pub lens: Option<Lens>,
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
    /// Longest exposures.
    pub limits: ExposureLimits,
    /// Decision and words.
    pub advice: Advice,
}

/// Takes the frames of one alignment through all stages.
///
/// `first_pointing` counts the pointings of the night before this alignment, for the hints.
pub fn examine(
    gathered: Gathered,
    facts: &NightFacts,
    settings: &DiagnoseSettings,
    first_pointing: usize,
) -> Examined {
    let lens = lens_of(&gathered.frames);
    let mids: Vec<_> = gathered
        .frames
        .iter()
        .map(|frame| facts.mid_exposure(&frame.header))
        .collect();
    let timed: Vec<_> = gathered
        .frames
        .iter()
        .zip(&mids)
        .map(|(frame, mid)| TimedField {
            field: &frame.field,
            mid: *mid,
        })
        .collect();
    let pointings = find_pointings(
        &timed,
        &lens.unwrap_or_else(|| typical_lens(&gathered.frames)),
    );
    let aims = aim_pointings(
        &gathered.frames,
        &pointings,
        facts,
        settings,
        first_pointing,
        lens.as_ref(),
    );
    let rate = sky_rate(&timed, &pointings).filter(|_| lens.is_some());
    let survey = survey(
        &gathered.frames,
        &mids,
        &pointings,
        &aims,
        lens.as_ref(),
        facts,
    );
    let mut evidence = Evidence {
        frames: frame_evidence(&gathered.frames, &pointings),
        fit: None,
        lone: None,
        sky_rate: rate,
        tolerance: settings.tolerance,
        pixel_scale: lens.map(|lens| lens.pixel_scale()),
    };
    facts.with_ground(|ground| {
        interpret(
            &mut evidence,
            &survey,
            &gathered.frames,
            lens.as_ref(),
            ground,
            &aims,
        )
    });
    let finding = find_causes(&evidence);
    let limits = exposure_limits(&evidence, finding.tolerance);
    let missing = facts.what_is_missing(&gathered, &aims);
    let advice = say(&Situation {
        finding: &finding,
        evidence: &evidence,
        limits,
        pole_altitude: facts.pole_altitude(),
        missing: &missing,
    });
    Examined {
        gathered,
        lens,
        mids,
        pointings,
        aims,
        attitudes: survey.attitudes,
        evidence,
        finding,
        limits,
        advice,
    }
}

fn lens_of(frames: &[MeasuredFrame]) -> Option<Lens> {
    frames.iter().find_map(|frame| {
        let optics = &frame.header.optics;
        let (pitch, _) = optics.pixel_pitch?;
        Lens::from_optics(
            optics.focal_length?,
            pitch,
            frame.field.width,
            frame.field.height,
        )
    })
}

/// A lens for matching alone, where nothing is known: 50 mm on a 36 mm wide sensor.
fn typical_lens(frames: &[MeasuredFrame]) -> Lens {
    let (width, height) = frames.first().map_or((3000, 2000), |frame| {
        (frame.field.width, frame.field.height)
    });
    Lens {
        focal_px: width as f64 * 50.0 / 36.0,
        center: crate::units::PixelPoint::new(
            (width as f64 - 1.0) / 2.0,
            (height as f64 - 1.0) / 2.0,
        ),
        k1: 0.0,
    }
}

/// The camera's turns over the ground.
struct Survey {
    stretches: Vec<Stretch>,
    attitudes: Vec<Option<Rotation<Camera, Horizon>>>,
}

fn survey(
    frames: &[MeasuredFrame],
    mids: &[Option<Seconds>],
    pointings: &[Pointing],
    aims: &[Option<Aimed>],
    lens: Option<&Lens>,
    facts: &NightFacts,
) -> Survey {
    let mut survey = Survey {
        stretches: Vec::new(),
        attitudes: vec![None; frames.len()],
    };
    for (pointing, aim) in pointings.iter().zip(aims) {
        let (Some(aim), Some(lens)) = (aim, lens) else {
            continue;
        };
        let known: Option<Vec<Seconds>> = pointing.frames.iter().map(|&idx| mids[idx]).collect();
        let reference_mid = mids[pointing.frames[aim.frame]];
        let (Some(known), Some(reference_mid)) = (known, reference_mid) else {
            survey.attitudes[pointing.frames[aim.frame]] = Some(aim.attitude);
            continue;
        };
        let elapsed: Vec<Seconds> = known.iter().map(|&mid| mid - reference_mid).collect();
        let fields: Vec<_> = pointing
            .frames
            .iter()
            .map(|&idx| &frames[idx].field)
            .collect();
        let links: Vec<_> = pointing
            .links
            .iter()
            .map(|link| link.pairs.clone())
            .collect();
        let tracks = link_tracks(&links);
        let solved = facts.with_ground(|ground| {
            let reference = Reference {
                lens: &aim.lens.unwrap_or(*lens),
                attitude: aim.attitude,
                frame: aim.frame,
                evolve: ground.evolve,
            };
            solve_attitudes(&fields, &elapsed, &tracks, &reference)
        });
        survey.take(pointing, aim, solved.unwrap_or_default(), &known);
    }
    survey
}

impl Survey {
    fn take(
        &mut self,
        pointing: &Pointing,
        aim: &Aimed,
        solved: Vec<Option<FrameAttitude>>,
        mids: &[Seconds],
    ) {
        self.attitudes[pointing.frames[aim.frame]] = Some(aim.attitude);
        let mut turns = Vec::new();
        for ((&frame, solved), mid) in pointing.frames.iter().zip(solved).zip(mids) {
            let Some(solved) = solved else { continue };
            self.attitudes[frame] = Some(Rotation::new(solved.turn * aim.attitude.inner()));
            turns.push(FrameTurn {
                frame,
                mid: mid.s(),
                turn: solved.turn,
                covariance: solved.covariance,
            });
        }
        if !turns.is_empty() {
            self.stretches.push(Stretch { turns });
        }
    }
}

fn frame_evidence(frames: &[MeasuredFrame], pointings: &[Pointing]) -> Vec<FrameEvidence> {
    let mut evidence = Vec::with_capacity(frames.len());
    for (pointing_idx, pointing) in pointings.iter().enumerate() {
        for &frame in &pointing.frames {
            let measured = &frames[frame];
            evidence.push(FrameEvidence {
                frame,
                pointing: pointing_idx,
                exposure: measured.header.exposure,
                fwhm: measured.field.fwhm,
                trail: measured.field.trail,
                predicted: None,
                along: None,
            });
        }
    }
    evidence
}

/// Mount fit, and with it what each frame's trail should be.
fn interpret(
    evidence: &mut Evidence,
    survey: &Survey,
    frames: &[MeasuredFrame],
    lens: Option<&Lens>,
    ground: &Ground<'_>,
    aims: &[Option<Aimed>],
) {
    let Some(lens) = lens else { return };
    let doubts = aims.iter().flatten().map(|aim| aim.doubt);
    let doubt = doubts.reduce(Angle::max).unwrap_or(Angle::ZERO);
    let several = survey
        .stretches
        .iter()
        .any(|stretch| stretch.turns.len() >= 2);
    let fit = several.then(|| fit_mount(&survey.stretches, ground, doubt));
    let axis_north = fit
        .as_ref()
        .and_then(|fit| fit.axis.as_ref().ok())
        .map(|axis| northern_end(axis.direction, ground.hemisphere()));
    for frame in &mut evidence.frames {
        let (Some(attitude), Some(length)) = (survey.attitudes[frame.frame], frame.exposure) else {
            continue;
        };
        let center = frames[frame.frame].field.center();
        let exposure = Exposure {
            lens,
            attitude,
            length,
        };
        let with_rate = |rate| exposure.trail(ground, ground.refracted_north(), rate, center);
        if let (Some(fast), Some(plain)) = (with_rate(2.0), with_rate(1.0)) {
            frame.along = Some(crate::units::PixelVector::new(
                fast.dx - plain.dx,
                fast.dy - plain.dy,
            ));
        }
        let rate = fit
            .as_ref()
            .and_then(|fit| local_rate(fit.drive.as_ref()?, frame.frame));
        if let Some(rate) = rate {
            let axis = axis_north.unwrap_or_else(|| ground.refracted_north());
            frame.predicted = exposure.trail_parts(ground, axis, rate, center);
        }
    }
    if fit.is_none() {
        read_lone(evidence, survey, frames, lens, ground);
    }
    evidence.fit = fit;
}

fn local_rate(record: &DriveRecord, frame: usize) -> Option<f64> {
    record
        .residuals
        .iter()
        .find(|residual| residual.frame == frame)
        .map(|residual| residual.local_rate)
}

/// The best single frame, read up to the mirror.
fn read_lone(
    evidence: &mut Evidence,
    survey: &Survey,
    frames: &[MeasuredFrame],
    lens: &Lens,
    ground: &Ground<'_>,
) {
    let usable = evidence
        .frames
        .iter_mut()
        .filter(|frame| frame.trail.is_some() && frame.exposure.is_some());
    let longest = usable.max_by(|a, b| {
        let length = |f: &FrameEvidence| f.trail.map_or(0.0, |trail| trail.length.value.px());
        length(a).total_cmp(&length(b))
    });
    let Some(frame) = longest else { return };
    let (Some(attitude), Some(length), Some(trail)) =
        (survey.attitudes[frame.frame], frame.exposure, frame.trail)
    else {
        return;
    };
    let exposure = Exposure {
        lens,
        attitude,
        length,
    };
    let center = frames[frame.frame].field.center();
    let lone = read_lone_frame(&exposure, ground, &trail, center);
    if let Some(axis) = &lone.axis {
        let north = northern_end(axis.direction, ground.hemisphere());
        frame.predicted = exposure.trail_parts(ground, north, 1.0, center);
    }
    evidence.lone = Some(lone);
}

/// Counts for the report.
impl Examined {
    /// Fit of axis and drive, if there is one.
    pub fn fit(&self) -> Option<&MountFit> {
        self.evidence.fit.as_ref()
    }
}
