//! One night through the whole pipeline after the measuring of stars, compared with its truth.

#![allow(dead_code)] // The program and the test use their own parts.

use jiff::SignedDuration;
use stillpoint::diagnosis::Cause;
use stillpoint::error::Error;
use stillpoint::frame::Header;
use stillpoint::pipeline::{DiagnoseSettings, MeasuredAlignment, MeasuredFrame, diagnose_measured};
use stillpoint::report::{AlignmentReport, AxisReport, NightReport};
use stillpoint::simulate::{AxisTruth, FrameTruth, SimulatedField, star_lists};
use stillpoint::units::{Angle, Measured};

use super::draw::Night;
use super::truth::TrueCauses;

/// A value with its sigma and what it should be.
#[derive(Debug, Clone, Copy)]
pub struct Against {
    /// Found.
    pub value: f64,
    /// Its stated 1-sigma.
    pub sigma: f64,
    /// Truth.
    pub truth: f64,
}

impl Against {
    /// Error in units of the stated sigma.
    pub fn pull(&self) -> f64 {
        (self.value - self.truth) / self.sigma
    }
}

/// What came of a night.
pub struct Outcome {
    /// How it was drawn.
    pub night: Night,
    /// What really made its trails.
    pub causes: TrueCauses,
    /// What the program says.
    pub report: NightReport,
    /// Altitude and azimuth part of the axis error, arcminutes; the mirror nearer to truth.
    pub axis: Option<[Against; 2]>,
    /// The covariance-weighted square of the axis's error; of chi-square with two degrees.
    pub distance_square: Option<f64>,
    /// The axis of a lone frame: its opposite fits as well.
    pub mirrored: bool,
    /// Mean rate over sidereal.
    pub drive: Option<Against>,
    /// What is wrong with the correction.
    pub wrong_way: Vec<String>,
}

impl Outcome {
    /// The only alignment.
    pub fn alignment(&self) -> &AlignmentReport {
        &self.report.alignments[0]
    }
    /// Number of frames.
    pub fn n_frames(&self) -> usize {
        self.pointings().map(|pointing| pointing.frames).sum()
    }
    /// Frames of the pointing that has most.
    pub fn most_frames(&self) -> usize {
        self.pointings()
            .map(|pointing| pointing.frames)
            .max()
            .unwrap_or(0)
    }
    fn pointings(&self) -> impl Iterator<Item = &stillpoint::simulate::Pointing> {
        self.night.scenario.alignments[0].pointings.iter()
    }
    /// Whether something beside the drive moved the camera off its axis.
    pub fn is_disturbed(&self) -> bool {
        let alignment = &self.night.scenario.alignments[0];
        alignment.sag.is_some() || !alignment.bumps.is_empty()
    }
    /// Why there is no axis, in a few words; `None` where there is one with its sign.
    pub fn no_axis(&self) -> Option<&'static str> {
        if self.axis.is_some() {
            return self.mirrored.then_some("lone frame, mirror stated");
        }
        let (alignment, frames) = (self.alignment(), &self.report.frames);
        let identified = frames.iter().filter(|frame| frame.n_identified > 0).count();
        Some(match alignment.cause {
            _ if frames.iter().all(|frame| frame.n_stars < 5) => {
                "fewer than 5 stars in every frame"
            }
            _ if identified == 0 => "stars not identified",
            _ if self.most_frames() < 2 => "one frame a pointing",
            Cause::DriveStopped => "drive stands",
            Cause::Sag => "camera creeps",
            Cause::Unknown => "cause unknown",
            _ => "other",
        })
    }
}

/// A correction counts as wrong when it is larger than this many of its own sigmas,
const SURE_SIGMAS: f64 = 3.0;
/// and the truth that it opposes is larger than this, arcminutes.
const CLEAR_TRUTH_ARCMIN: f64 = 3.0;
/// A move that leaves the axis farther off than before counts as wrong beyond this many of its sigmas.
const WORSE_SIGMAS: f64 = 2.0;

/// Below this altitude of the pole the formulas for its refraction part by arcminutes: there the
/// altitude part is compared against the true pole.
const LOW_POLE_DEG: f64 = 12.0;

/// Takes a night through the pipeline.
///
/// # Errors
/// Where the sky cannot be worked out for the date.
pub fn judge(night: Night) -> Result<Outcome, Error> {
    let causes = TrueCauses::of(&night)?;
    let lists = star_lists(&night.scenario, night.listing)?;
    let truths: Vec<FrameTruth> = lists.iter().map(|list| list.truth.clone()).collect();
    let alignment = MeasuredAlignment {
        name: "night".into(),
        frames: lists
            .into_iter()
            .map(|list| measured(list, night.clock_s))
            .collect(),
    };
    let report = diagnose_measured(vec![alignment], &DiagnoseSettings::default()).value;
    let found = report.alignments[0].axis;
    let low_pole = night.scenario.site.latitude_deg.abs() < LOW_POLE_DEG;
    let axis = found.map(|found| against_truth(&found, &truths, low_pole));
    Ok(Outcome {
        distance_square: found
            .zip(axis)
            .map(|(found, axis)| distance_square(&found, &axis)),
        mirrored: found.is_some_and(|found| found.mirror_ambiguous),
        drive: drive_against_truth(&night, &report),
        wrong_way: wrong_ways(&report.alignments[0], axis.as_ref(), &truths),
        night,
        causes,
        axis,
        report,
    })
}

/// What the night's files would give, by a camera's clock that is ahead.
pub fn measured(list: SimulatedField, clock_s: f64) -> MeasuredFrame {
    let ahead = SignedDuration::from_secs_f64(clock_s);
    let start = list.header.start;
    MeasuredFrame {
        file: list.truth.file,
        header: Header {
            start: start.map(|start| start.saturating_add(ahead).unwrap_or(start)),
            ..list.header
        },
        field: list.field,
        stacked: None,
        response: None,
    }
}

/// The axis next to truth. After a bump the night has two axes; that of either side is right, and
/// the one nearer in sigmas counts. Of a lone frame's axis and its opposite, the nearer counts.
fn against_truth(found: &AxisReport, truths: &[FrameTruth], low_pole: bool) -> [Against; 2] {
    let signs: &[f64] = if found.mirror_ambiguous {
        &[1.0, -1.0]
    } else {
        &[1.0]
    };
    let candidates = truths.iter().flat_map(|truth| {
        signs.iter().map(|sign| {
            let axis = &truth.axis;
            [
                altitude_part(found, *sign, axis, low_pole),
                part(found.azimuth_error, *sign, axis.azimuth_error_arcmin),
            ]
        })
    });
    candidates
        .min_by(|a, b| distance_square(found, a).total_cmp(&distance_square(found, b)))
        .expect("a night has frames")
}

fn altitude_part(found: &AxisReport, sign: f64, truth: &AxisTruth, low_pole: bool) -> Against {
    let seen = part(found.altitude_error, sign, truth.altitude_error_arcmin);
    if !low_pole || found.mirror_ambiguous {
        return seen;
    }
    Against {
        value: found.true_pole_altitude_error.arcmin(),
        truth: truth.true_pole_altitude_error_arcmin,
        ..seen
    }
}

fn part(found: Measured<Angle>, sign: f64, truth: f64) -> Against {
    Against {
        value: sign * found.value.arcmin(),
        sigma: found.sigma.arcmin(),
        truth,
    }
}

fn distance_square(found: &AxisReport, [up, east]: &[Against; 2]) -> f64 {
    let (a, b, r) = (
        up.pull(),
        east.pull(),
        found.correlation.clamp(-0.999_999, 0.999_999),
    );
    (a * a - 2.0 * r * a * b + b * b) / (1.0 - r * r)
}

fn drive_against_truth(night: &Night, report: &NightReport) -> Option<Against> {
    let ratio = report.alignments[0].drive.as_ref()?.rate_ratio;
    Some(Against {
        value: ratio.value,
        sigma: ratio.sigma,
        truth: night.scenario.alignments[0].drive.rate.ratio(),
    })
}

/// Corrections that point the wrong way, and directions that a lone frame cannot have.
fn wrong_ways(
    alignment: &AlignmentReport,
    axis: Option<&[Against; 2]>,
    truths: &[FrameTruth],
) -> Vec<String> {
    let mut faults = Vec::new();
    let alone = (1..truths.len()).all(|k| truths[k].pointing != truths[k - 1].pointing);
    if alone && alignment.axis.is_some_and(|axis| !axis.mirror_ambiguous) {
        faults.push("no two frames of a pointing, and yet a sign".to_owned());
    }
    let Some(correction) = alignment.correction else {
        return faults;
    };
    let (Some([up, east]), Some(last)) = (axis, truths.last()) else {
        faults.push("a correction without an axis".to_owned());
        return faults;
    };
    // A bump may have moved the axis: what counts is how it stands now.
    let now = |part: &Against, truth| Against { truth, ..*part };
    let up = now(up, last.axis.altitude_error_arcmin);
    let east = now(east, last.axis.azimuth_error_arcmin);
    let moves = [correction.raise.arcmin(), correction.east_on_sky.arcmin()];
    for ((name, part), step) in [("up", &up), ("east", &east)].into_iter().zip(moves) {
        // The right move is the negative of the error.
        let opposes = step * part.truth > 0.0 && part.truth.abs() > CLEAR_TRUTH_ARCMIN;
        if opposes && step.abs() > SURE_SIGMAS * part.sigma {
            faults.push(format!(
                "moves {step:.1}' {name} while the error is {:.1}'",
                part.truth
            ));
        }
    }
    let before = up.truth.hypot(east.truth);
    let after = (up.truth + moves[0]).hypot(east.truth + moves[1]);
    let moved = |part: &Against, step: f64| if step == 0.0 { 0.0 } else { part.sigma };
    let sigma = moved(&up, moves[0]).hypot(moved(&east, moves[1]));
    if after > before + WORSE_SIGMAS * sigma {
        faults.push(format!(
            "leaves the axis {after:.1}' off instead of {before:.1}'"
        ));
    }
    faults
}
