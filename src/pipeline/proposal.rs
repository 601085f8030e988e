//! Which frames to take next, for an alignment as it stands.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::aim::Aimed;
use super::facts::NightFacts;
use super::gather::MeasuredFrame;
use super::survey::Survey;
use crate::diagnosis::limits::ExposureLimits;
use crate::diagnosis::{Cause, Evidence, Finding};
use crate::identify::pointing::Pointing;
use crate::mount::drive::NominalRate;
use crate::mount::foresee::{expected_covariance, in_camera, over_ground};
use crate::mount::invert::{FrameTurn, Stretch};
use crate::mount::model::northern_end;
use crate::mount::plan::{PlanQuestion, Purpose, TestFrames};
use crate::mount::{Doubt, Ground, variance_by_doubt};
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::units::{Angle, AngularRate, Hemisphere, Seconds};

/// What the plan rests on.
#[derive(Clone, Copy)]
pub struct ProposalQuestion<'a> {
    /// The alignment's frames.
    pub frames: &'a [MeasuredFrame],
    /// Mid exposures since the night's reference instant.
    pub mids: &'a [Option<Seconds>],
    /// Its pointings.
    pub pointings: &'a [Pointing],
    /// Where they looked.
    pub aims: &'a [Option<Aimed>],
    /// Turns and attitudes of the camera.
    pub survey: &'a Survey,
    /// What is known about frames and mount.
    pub evidence: &'a Evidence,
    /// Causes.
    pub finding: &'a Finding,
    /// Longest exposures.
    pub limits: ExposureLimits,
    /// Site and clock.
    pub facts: &'a NightFacts,
}

/// Exposure to advise where no frame tells its own.
const USUAL_EXPOSURE: Seconds = Seconds::new(60.0);
/// Pause between exposures where none can be seen.
const USUAL_GAP: Seconds = Seconds::new(5.0);
/// No test frame is longer: it only costs time (own choice).
const LONGEST_TEST: Seconds = Seconds::new(120.0);
/// Trails longer than this are measured worse, pixels; the exposures at hand count as fine.
const LONG_TRAIL_PX: f64 = 20.0;
/// The axis is known well enough when what is left open trails stars by this share of the tolerance ...
const SHARE_OF_TOLERANCE: f64 = 1.0 / 3.0;
/// ... in an exposure this many times the longest of the test.
const FORWARD: f64 = 2.0;
/// Limits of what is asked for: a small tracker's screws are not finer than the first (common
/// practice, no source), and nobody is content with worse than the second.
const FINEST: Angle = Angle::from_arcmin(0.5);
const COARSEST: Angle = Angle::from_arcmin(20.0);
/// A worm of a small tracker turns once in about eight to ten minutes (common practice, no source).
const WORM: Seconds = Seconds::new(480.0);
/// Frames that tell a swing from a rate: fewer fit a straight line too well.
const FRAMES_FOR_SWING: usize = 6;
/// An answer as sure as this needs no further frames.
const TOLD: f64 = 0.9;
/// Most frames that one answer asks for.
const MOST_FRAMES: usize = 8;

impl ProposalQuestion<'_> {
    /// Frames worth taking, the first ones first; none where nothing is open.
    pub fn answer(&self) -> Vec<TestFrames> {
        match self.finding.cause {
            Cause::Axis => self.for_axis(),
            // What cannot be told from frames at hand starts anew, or goes on from a lone frame.
            Cause::Unknown if self.frames.len() == 1 && self.evidence.lone.is_some() => {
                self.for_axis()
            }
            Cause::Unknown => vec![self.first_frames()],
            Cause::DriveRate | Cause::DrivePeriodic => self.for_drive().into_iter().collect(),
            // Nothing is open, or something has to be cured before frames tell more.
            _ => Vec::new(),
        }
    }

    fn for_axis(&self) -> Vec<TestFrames> {
        let planned = self.facts.with_ground(|ground| match self.evidence.axis() {
            Some(axis) if axis.mirror_ambiguous => self.for_lone(ground),
            Some(axis) => self.for_fitted(ground, axis.direction),
            None => self.for_lone(ground),
        });
        planned.unwrap_or_default()
    }

    /// The stretches of the frames that the evidence is about.
    fn stretches(&self) -> Vec<Stretch> {
        let has = |turn: &FrameTurn| {
            let mut frames = self.evidence.frames.iter();
            frames.any(|one| one.frame == turn.frame)
        };
        let stretches = self.survey.stretches.iter().map(|stretch| Stretch {
            turns: stretch
                .turns
                .iter()
                .filter(|turn| has(turn))
                .cloned()
                .collect(),
        });
        stretches
            .filter(|stretch| !stretch.turns.is_empty())
            .collect()
    }

    fn for_fitted(&self, ground: &Ground<'_>, axis: Direction<Horizon>) -> Vec<TestFrames> {
        let Some(current) = self.current() else {
            return Vec::new();
        };
        let fit = self.evidence.fit.as_ref();
        let rate = fit.and_then(|fit| fit.drive.as_ref());
        let rate = rate.map_or(1.0, |record| record.rate_ratio.value);
        let doubts = self.aims.iter().flatten().map(|aim| aim.doubt);
        let floor = doubts
            .reduce(Doubt::max)
            .map_or(0.0, |doubt| variance_by_doubt(axis, ground, rate, doubt));
        let Some(attitude) = self.attitude_covariance() else {
            return Vec::new();
        };
        let question = PlanQuestion {
            ground,
            axis_north: northern_end(axis, ground.hemisphere()),
            stretches: &self.stretches(),
            current,
            scale: fit.map_or(1.0, |fit| fit.misfit.powi(2).max(1.0)),
            floor,
            attitude,
            exposure: self.exposure(),
            longest: self.longest_exposure(),
            gap: self.gap(),
            wanted: self.wanted(),
        };
        question.best_frames().into_iter().collect()
    }

    /// A frame alone: the same field once more, which decides between the two signs; then what
    /// the two will not tell.
    fn for_lone(&self, ground: &Ground<'_>) -> Vec<TestFrames> {
        let mut frame = TestFrames {
            aim: None,
            untouched: true,
            exposure: self.exposure(),
            count: 1,
            purpose: Purpose::Sign { after: None },
        };
        let (Some(current), Some(attitude)) = (self.current(), self.attitude_covariance()) else {
            let several = self.frames.len() >= 2;
            return if several { Vec::new() } else { vec![frame] };
        };
        frame.aim = Some(sight(&current));
        let lone = [driven_stretch(
            over_ground(&attitude, &current),
            &[0.0],
            ground.refracted_north(),
        )];
        let question = PlanQuestion {
            ground,
            axis_north: ground.refracted_north(),
            stretches: &lone,
            current,
            scale: 1.0,
            floor: 0.0,
            attitude,
            exposure: self.exposure(),
            longest: self.longest_exposure(),
            gap: self.gap(),
            wanted: self.wanted(),
        };
        let after = question.after_going_on(1);
        frame.purpose = Purpose::Sign { after };
        let turned = AngularRate::SIDEREAL
            .over(self.exposure() + self.gap())
            .rad();
        let both = [driven_stretch(
            over_ground(&attitude, &current),
            &[0.0, turned],
            question.axis_north,
        )];
        let further = PlanQuestion {
            stretches: &both,
            ..question
        };
        let mut frames = vec![frame];
        frames.extend(further.best_frames());
        frames
    }

    /// Few frames fit any straight line: more of them tell a rate from a swing.
    fn for_drive(&self) -> Option<TestFrames> {
        let record = self.evidence.fit.as_ref()?.drive.as_ref()?;
        let named = matches!(
            record.nominal,
            Some(NominalRate::Half | NominalRate::Stopped | NominalRate::Reversed)
        );
        let longest = self
            .survey
            .stretches
            .iter()
            .max_by_key(|stretch| stretch.turns.len())?;
        let (first, last) = (longest.turns.first()?, longest.turns.last()?);
        let spans = Seconds::new(last.mid - first.mid);
        // Places and shapes of several frames together may have told them apart already.
        let all = self.survey.stretches.iter().map(|one| one.turns.len());
        let told = !self.evidence.accounts.is_empty()
            && all.sum::<usize>() >= FRAMES_FOR_SWING
            && self.finding.confidence.is_some_and(|sure| sure > TOLD);
        if named || told || longest.turns.len() > FRAMES_FOR_SWING / 2 || spans >= WORM {
            return None;
        }
        let each = self.exposure() + self.gap();
        let by_span = ((WORM - spans) / each).ceil().max(0.0) as usize;
        let count = by_span
            .max(FRAMES_FOR_SWING.saturating_sub(longest.turns.len()))
            .min(MOST_FRAMES);
        Some(TestFrames {
            aim: self.current().map(|current| sight(&current)),
            untouched: true,
            exposure: self.exposure(),
            count,
            purpose: Purpose::Drive {
                spans,
                will_span: spans + each * count as f64,
            },
        })
    }

    /// Nothing to go by: two frames where stars move fastest.
    fn first_frames(&self) -> TestFrames {
        let equator = self.facts.site.map(|report| {
            let latitude = report.site.latitude();
            let azimuth = match report.site.hemisphere() {
                Hemisphere::North => 180.0,
                Hemisphere::South => 0.0,
            };
            let altitude = (90.0 - latitude.deg().abs()).clamp(25.0, 70.0);
            Direction::from_az_alt(Angle::from_deg(azimuth), Angle::from_deg(altitude))
        });
        TestFrames {
            aim: equator,
            untouched: false,
            exposure: self.exposure(),
            count: 2,
            purpose: Purpose::First,
        }
    }

    /// Attitude of the camera in the last frame that has one.
    fn current(&self) -> Option<Rotation<Camera, Horizon>> {
        self.survey.attitudes.iter().rev().flatten().next().copied()
    }

    /// Covariance of one frame's attitude in the camera's frame: the middle one of those at hand,
    /// or what the last frame's stars allow.
    fn attitude_covariance(&self) -> Option<Matrix3<f64>> {
        let turns = self
            .survey
            .stretches
            .iter()
            // A frame alone rests on its named stars only, frames together on all that they share.
            .filter(|stretch| stretch.turns.len() >= 2)
            .flat_map(|stretch| &stretch.turns);
        let mut known: Vec<Matrix3<f64>> = turns
            .filter_map(|turn| {
                let attitude = self.survey.attitudes[turn.frame].as_ref()?;
                Some(in_camera(&turn.covariance, attitude))
            })
            .collect();
        known.sort_by(|a, b| a.trace().total_cmp(&b.trace()));
        known.get(known.len() / 2).copied().or_else(|| {
            let pointing = self.pointings.last()?;
            let aim = self.aims.get(self.pointings.len() - 1)?.as_ref()?;
            expected_covariance(&self.frames[*pointing.frames.last()?].field, &aim.lens)
        })
    }

    fn exposure(&self) -> Seconds {
        let exposures = self.frames.iter().filter_map(|frame| frame.header.exposure);
        exposures.reduce(Seconds::max).unwrap_or(USUAL_EXPOSURE)
    }

    /// Longest exposure whose trail is still measured well.
    fn longest_exposure(&self) -> Seconds {
        let tolerance = self.finding.tolerance.px();
        let fine = self
            .limits
            .now
            .map_or(self.exposure(), |now| now * (LONG_TRAIL_PX / tolerance));
        fine.min(LONGEST_TEST).max(self.exposure())
    }

    /// Shortest pause between two frames of a pointing.
    fn gap(&self) -> Seconds {
        let mut gaps = self
            .pointings
            .iter()
            .flat_map(|pointing| pointing.frames.windows(2))
            .filter_map(|pair| {
                let (before, after) = (pair[0], pair[1]);
                let exposures =
                    self.frames[before].header.exposure? + self.frames[after].header.exposure?;
                Some(self.mids[after]? - self.mids[before]? - exposures / 2.0)
            });
        let first = gaps.next();
        let shortest = first.map(|first| gaps.fold(first, Seconds::min));
        shortest.map_or(USUAL_GAP, |gap| {
            gap.max(Seconds::new(1.0)).min(Seconds::new(60.0))
        })
    }

    /// The axis's larger sigma that is good enough for this lens.
    fn wanted(&self) -> Angle {
        let Some(scale) = self.evidence.pixel_scale else {
            return COARSEST;
        };
        let exposure = (self.exposure() * FORWARD).max(USUAL_EXPOSURE);
        let turned = AngularRate::SIDEREAL.over(exposure).rad();
        let open = scale * (self.finding.tolerance.px() * SHARE_OF_TOLERANCE / turned);
        open.max(FINEST).min(COARSEST)
    }
}

fn sight(attitude: &Rotation<Camera, Horizon>) -> Direction<Horizon> {
    attitude.apply(Direction::new(Vector3::z()))
}

/// Frames that a perfect drive would give at these angles about an axis.
fn driven_stretch(covariance: Matrix3<f64>, angles: &[f64], axis: Vector3<f64>) -> Stretch {
    let turns = angles.iter().enumerate().map(|(frame, angle)| FrameTurn {
        frame,
        mid: 0.0,
        turn: Rotation3::new(axis * -angle),
        covariance,
    });
    Stretch {
        turns: turns.collect(),
    }
}
