//! The JSON contract, version 1: the same report in the shape and units of its keys.
//!
//! Keys never change within a version; new ones may be added. What is not known is `null`, and so
//! is a number that is not finite.

use serde::Serialize;

use crate::advice::PoleStarInstead;
use crate::diagnosis::ToldSides;
use crate::error::Warned;
use crate::mount::observability::Knowledge;
use crate::mount::predict::OwnMotion;
use crate::stars::FrameTrail;
use crate::units::{Angle, Seconds};

use super::exposing::{OutlookEntry, ShorteningEntry};
use super::{
    AlignmentReport, AxisReport, AxisWithoutSite, CauseShare, CenterReport, Correction,
    DriftReport, DriveReport, FrameReport, NextFrame, NightReport, PeriodicReport, SiteReport,
    StandstillReport, StepReport,
};

/// Version of the contract.
pub const SCHEMA: u32 = 1;

/// A finite number, rounded to a millionth of its unit; `None` is written as `null`.
pub(super) type Number = Option<f64>;

/// The whole document.
#[derive(Debug, Clone, Serialize)]
pub struct Night {
    schema: u32,
    program: Program,
    /// The answer in words; an addition to version 1.
    answer: String,
    site: Option<Site>,
    frames: Vec<Frame>,
    alignments: Vec<Alignment>,
    /// What was taken for granted; an addition to version 1.
    assumptions: Vec<String>,
    /// Doubtful facts with their effect; an addition to version 1.
    warnings: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct Program {
    name: &'static str,
    version: &'static str,
}

impl Program {
    /// This program.
    pub(super) fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME"),
            version: env!("CARGO_PKG_VERSION"),
        }
    }
}

#[derive(Debug, Clone, Serialize)]
struct Site {
    latitude_deg: Number,
    longitude_deg: Number,
    source: &'static str,
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct Frame {
    file: String,
    alignment: String,
    pointing: Option<usize>,
    used: bool,
    skipped_because: Option<String>,
    start_utc: Option<String>,
    exposure_s: Number,
    focal_length_mm: Number,
    pixel_scale_arcsec: Number,
    stars: usize,
    identified_stars: usize,
    fwhm_px: Number,
    /// 1-sigma; an addition to version 1.
    fwhm_sigma_px: Number,
    trail: Option<Trail>,
    /// The same by the shapes of the frame's stars alone; an addition to version 1.
    trail_by_shapes: Option<Trail>,
    /// Motion since the frame before; an addition to version 1.
    drift: Option<Drift>,
    /// Its own trail minus what the motion between frames says; an addition to version 1.
    against_drift: Option<AgainstDrift>,
    center: Option<Center>,
    verdict: &'static str,
}

#[derive(Debug, Clone, Serialize)]
struct Trail {
    length_px: Number,
    length_sigma_px: Number,
    angle_deg: Number,
    angle_sigma_deg: Number,
    length_arcsec: Number,
    /// Covariance of the vector between the ends: xx, xy, yy; an addition to version 1.
    covariance_px2: [Number; 3],
}

#[derive(Debug, Clone, Serialize)]
struct Drift {
    dx_px: Number,
    dy_px: Number,
    sigma_px: Number,
    interval_s: Number,
}

/// Measured minus expected trail, along and across the daily motion.
#[derive(Debug, Clone, Serialize)]
struct AgainstDrift {
    along_px: Number,
    along_sigma_px: Number,
    across_px: Number,
    across_sigma_px: Number,
}

#[derive(Debug, Clone, Serialize)]
struct Center {
    ra_deg: Number,
    dec_deg: Number,
    hour_angle_deg: Number,
    altitude_deg: Number,
    azimuth_deg: Number,
    up_position_angle_deg: Number,
    source: &'static str,
}

#[derive(Debug, Clone, Serialize)]
struct Alignment {
    name: String,
    frames: usize,
    pointings: usize,
    axis: Option<Axis>,
    /// Where `axis` is null for want of site or clock; an addition to version 1.
    axis_without_site: Option<AxisBesideField>,
    drive: Option<Drive>,
    cause: &'static str,
    /// Probability that this is the right answer; null where it cannot be told.
    cause_confidence: Number,
    causes: Vec<CauseEntry>,
    decision: &'static str,
    correction: Option<CorrectionEntry>,
    longest_exposure_s: LongestExposure,
    /// By lens, at the target and where stars drift fastest; an addition to version 1.
    exposure_outlook: Option<OutlookEntry>,
    /// What shorter exposures would cost; an addition to version 1.
    shortening: Option<ShorteningEntry>,
    /// Where the pole star should stand instead; an addition to version 1.
    pole_star: Option<PoleStarEntry>,
    next_frames: Vec<NextFrameEntry>,
    /// One sentence; an addition to version 1.
    headline: String,
    /// Why, in words; an addition to version 1.
    reasons: Vec<String>,
    /// What to do, in words; an addition to version 1.
    todo: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
struct Axis {
    altitude_error_arcmin: Number,
    altitude_sigma_arcmin: Number,
    azimuth_error_arcmin: Number,
    azimuth_sigma_arcmin: Number,
    correlation: Number,
    total_arcmin: Number,
    total_sigma_arcmin: Number,
    mirror_ambiguous: bool,
    /// The other answer of a lone frame; an addition to version 1.
    mirror: Option<Mirror>,
    /// The direction known worst; an addition to version 1.
    weak: Weak,
    true_pole: TruePole,
}

#[derive(Debug, Clone, Serialize)]
struct Weak {
    /// In words: up-down, east-west, or a slant between them.
    direction: &'static str,
    /// From up towards east, [0, 180).
    angle_deg: Number,
    sigma_arcmin: Number,
    /// 1-sigma at right angles to it.
    across_sigma_arcmin: Number,
}

#[derive(Debug, Clone, Serialize)]
struct Mirror {
    altitude_error_arcmin: Number,
    azimuth_error_arcmin: Number,
}

#[derive(Debug, Clone, Serialize)]
struct AxisBesideField {
    total_arcmin: Number,
    total_sigma_arcmin: Number,
    /// Of the axis's northern end, west positive.
    hour_angle_from_field_deg: Number,
    hour_angle_from_field_sigma_deg: Number,
    field_file: String,
    by_direction: Option<ByDirection>,
}

/// Sides by a told direction; a part whose side is not sure is `null`.
#[derive(Debug, Clone, Serialize)]
struct ByDirection {
    altitude_error_arcmin: Option<Number>,
    altitude_error_sigma_arcmin: Number,
    azimuth_error_arcmin: Option<Number>,
    azimuth_error_sigma_arcmin: Number,
    latitude_deg: Number,
    latitude_sigma_deg: Number,
}

#[derive(Debug, Clone, Serialize)]
struct TruePole {
    altitude_error_arcmin: Number,
    azimuth_error_arcmin: Number,
}

#[derive(Debug, Clone, Serialize)]
struct Drive {
    rate_ratio: Number,
    rate_ratio_sigma: Number,
    periodic: Option<Periodic>,
    /// A jump of the drive angle; an addition to version 1.
    step: Option<Step>,
    /// Pointings at whose start the drive stood still; an addition to version 1.
    standstills: Vec<Standstill>,
}

#[derive(Debug, Clone, Serialize)]
struct Periodic {
    /// A lower bound where `period_s` is null.
    amplitude_arcsec: Number,
    period_s: Number,
    /// 1-sigma; an addition to version 1.
    amplitude_sigma_arcsec: Number,
    /// 1-sigma; an addition to version 1.
    period_sigma_s: Number,
    /// Time for which the drive was watched; an addition to version 1.
    watched_s: Number,
}

#[derive(Debug, Clone, Serialize)]
struct Step {
    before: String,
    after: String,
    at_utc: Option<String>,
    size_arcsec: Number,
    size_sigma_arcsec: Number,
}

#[derive(Debug, Clone, Serialize)]
struct Standstill {
    file: String,
    duration_s: Number,
    duration_sigma_s: Number,
    /// At least.
    slack_arcsec: Number,
}

#[derive(Debug, Clone, Serialize)]
struct CauseEntry {
    cause: &'static str,
    trail_px: Number,
    share: Number,
    confidence: Number,
}

#[derive(Debug, Clone, Serialize)]
struct CorrectionEntry {
    raise_arcmin: Number,
    east_arcmin_on_sky: Number,
    east_deg_horizontal: Number,
}

#[derive(Debug, Clone, Serialize)]
struct LongestExposure {
    now: Number,
    after_correction: Number,
}

#[derive(Debug, Clone, Serialize)]
struct NextFrameEntry {
    facing: String,
    hour_angle_deg: Number,
    declination_deg: Number,
    /// Altitude to aim at; an addition to version 1.
    altitude_deg: Number,
    /// Whether the pointing at hand goes on; an addition to version 1.
    untouched: bool,
    /// The larger 1-sigma of the axis that they should bring; an addition to version 1.
    sigma_after_arcmin: Number,
    exposure_s: Number,
    count: usize,
    why: String,
}

#[derive(Debug, Clone, Serialize)]
struct PoleStarEntry {
    at_utc: String,
    /// By the sky; from up clockwise, for who faces the pole.
    belongs_clockwise_deg: Number,
    belongs_distance_arcmin: Number,
    /// In a scope or beside a beam that is off its tracker's axis as found.
    instead_clockwise_deg: Number,
    instead_distance_arcmin: Number,
}

/// Rounds to a millionth; what is not finite is not known. Adding zero turns -0 into 0.
pub(super) fn number(value: f64) -> Number {
    let rounded = (value * 1e6).round() / 1e6 + 0.0;
    rounded.is_finite().then_some(rounded)
}

fn degrees(angle: Angle) -> Number {
    number(angle.deg())
}

fn arcmin(angle: Angle) -> Number {
    number(angle.arcmin())
}

fn seconds(duration: Option<Seconds>) -> Number {
    duration.and_then(|duration| number(duration.s()))
}

impl From<&Warned<NightReport>> for Night {
    fn from(report: &Warned<NightReport>) -> Self {
        let night = &report.value;
        Self {
            schema: SCHEMA,
            program: Program::this(),
            answer: night.answer.clone(),
            site: night.site.as_ref().map(Site::from),
            frames: night.frames.iter().map(Frame::from).collect(),
            alignments: night.alignments.iter().map(Alignment::from).collect(),
            assumptions: night.assumptions.clone(),
            warnings: report
                .warnings
                .iter()
                .map(|warning| warning.text.clone())
                .collect(),
        }
    }
}

impl From<&SiteReport> for Site {
    fn from(report: &SiteReport) -> Self {
        Self {
            latitude_deg: degrees(report.site.latitude()),
            longitude_deg: degrees(report.site.longitude()),
            source: report.source.key(),
        }
    }
}

impl From<&FrameReport> for Frame {
    fn from(frame: &FrameReport) -> Self {
        let trail = |trail: &FrameTrail| Trail::new(trail, frame.pixel_scale);
        Self {
            file: frame.file.clone(),
            alignment: frame.alignment.clone(),
            pointing: frame.pointing,
            used: frame.is_used(),
            skipped_because: frame.skipped_because.clone(),
            start_utc: frame.start.map(|start| start.to_string()),
            exposure_s: seconds(frame.exposure),
            focal_length_mm: frame.focal_length.and_then(|length| number(length.mm())),
            pixel_scale_arcsec: frame.pixel_scale.and_then(|scale| number(scale.arcsec())),
            stars: frame.n_stars,
            identified_stars: frame.n_identified,
            fwhm_px: frame.fwhm.and_then(|fwhm| number(fwhm.value.px())),
            fwhm_sigma_px: frame.fwhm.and_then(|fwhm| number(fwhm.sigma.px())),
            trail: frame.trail.as_ref().map(trail),
            trail_by_shapes: frame.trail_by_shapes.as_ref().map(trail),
            drift: frame.drift.as_ref().map(Drift::from),
            against_drift: frame.own_motion.as_ref().map(AgainstDrift::from),
            center: frame.center.as_ref().map(Center::from),
            verdict: frame.verdict.key(),
        }
    }
}

impl Trail {
    fn new(trail: &FrameTrail, pixel_scale: Option<Angle>) -> Self {
        let length_px = trail.length.value.px();
        let covariance = trail.covariance;
        // An angle just below a half turn rounds up to it, which the interval excludes.
        let angle = degrees(trail.angle.angle()).map(|deg| if deg < 180.0 { deg } else { 0.0 });
        Self {
            length_px: number(length_px),
            length_sigma_px: number(trail.length.sigma.px()),
            angle_deg: angle,
            angle_sigma_deg: degrees(trail.angle_sigma),
            length_arcsec: pixel_scale.and_then(|scale| number(length_px * scale.arcsec())),
            covariance_px2: [covariance.xx, covariance.xy, covariance.yy].map(number),
        }
    }
}

impl From<&DriftReport> for Drift {
    fn from(drift: &DriftReport) -> Self {
        Self {
            dx_px: number(drift.vector.dx),
            dy_px: number(drift.vector.dy),
            sigma_px: number(drift.sigma.px()),
            interval_s: number(drift.interval.s()),
        }
    }
}

impl From<&OwnMotion> for AgainstDrift {
    fn from(own: &OwnMotion) -> Self {
        Self {
            along_px: number(own.along.value.px()),
            along_sigma_px: number(own.along.sigma.px()),
            across_px: number(own.across.value.px()),
            across_sigma_px: number(own.across.sigma.px()),
        }
    }
}

impl From<&CenterReport> for Center {
    fn from(center: &CenterReport) -> Self {
        let azimuth_altitude = center.horizon.map(|direction| direction.az_alt());
        Self {
            ra_deg: center.ra.and_then(degrees),
            dec_deg: degrees(center.dec),
            hour_angle_deg: center.hour_angle.and_then(degrees),
            altitude_deg: azimuth_altitude.and_then(|(_, altitude)| degrees(altitude)),
            azimuth_deg: azimuth_altitude.and_then(|(azimuth, _)| degrees(azimuth)),
            up_position_angle_deg: degrees(center.up_position_angle),
            source: center.source.key(),
        }
    }
}

impl From<&AlignmentReport> for Alignment {
    fn from(alignment: &AlignmentReport) -> Self {
        Self {
            name: alignment.name.clone(),
            frames: alignment.n_frames,
            pointings: alignment.n_pointings,
            axis: alignment.axis.as_ref().map(Axis::from),
            axis_without_site: alignment
                .axis_without_site
                .as_ref()
                .map(AxisBesideField::from),
            drive: alignment.drive.as_ref().map(Drive::from),
            cause: alignment.cause.key(),
            cause_confidence: alignment.cause_confidence.and_then(number),
            causes: alignment.causes.iter().map(CauseEntry::from).collect(),
            decision: alignment.decision.key(),
            correction: alignment.correction.as_ref().map(CorrectionEntry::from),
            longest_exposure_s: LongestExposure {
                now: seconds(alignment.longest_exposure.now),
                after_correction: seconds(alignment.longest_exposure.after_correction),
            },
            exposure_outlook: alignment.outlook.as_ref().map(OutlookEntry::from),
            shortening: alignment.shortening.as_ref().map(ShorteningEntry::from),
            pole_star: alignment.pole_star.as_ref().map(PoleStarEntry::from),
            next_frames: alignment
                .next_frames
                .iter()
                .map(NextFrameEntry::from)
                .collect(),
            headline: alignment.headline.clone(),
            reasons: alignment.reasons.clone(),
            todo: alignment.todo.clone(),
        }
    }
}

impl From<&AxisReport> for Axis {
    fn from(axis: &AxisReport) -> Self {
        let total = axis.total();
        Self {
            altitude_error_arcmin: arcmin(axis.altitude_error.value),
            altitude_sigma_arcmin: arcmin(axis.altitude_error.sigma),
            azimuth_error_arcmin: arcmin(axis.azimuth_error.value),
            azimuth_sigma_arcmin: arcmin(axis.azimuth_error.sigma),
            correlation: number(axis.correlation),
            total_arcmin: arcmin(total.value),
            total_sigma_arcmin: arcmin(total.sigma),
            mirror_ambiguous: axis.mirror_ambiguous,
            mirror: axis.mirror.map(|error| Mirror {
                altitude_error_arcmin: arcmin(error.up),
                azimuth_error_arcmin: arcmin(error.east),
            }),
            weak: Weak::from(&axis.knowledge()),
            true_pole: TruePole {
                altitude_error_arcmin: arcmin(axis.true_pole_altitude_error),
                azimuth_error_arcmin: arcmin(axis.true_pole_azimuth_error),
            },
        }
    }
}

impl From<&Knowledge> for Weak {
    fn from(known: &Knowledge) -> Self {
        let angle = known
            .weak
            .y
            .atan2(known.weak.x)
            .to_degrees()
            .rem_euclid(180.0);
        Self {
            direction: known.line().key(),
            angle_deg: number(angle).map(|deg| if deg < 180.0 { deg } else { 0.0 }),
            sigma_arcmin: arcmin(known.weak_sigma),
            across_sigma_arcmin: arcmin(known.strong_sigma),
        }
    }
}

impl From<&AxisWithoutSite> for AxisBesideField {
    fn from(axis: &AxisWithoutSite) -> Self {
        Self {
            total_arcmin: arcmin(axis.total.value),
            total_sigma_arcmin: arcmin(axis.total.sigma),
            hour_angle_from_field_deg: degrees(axis.hour_angle_from_field.value),
            hour_angle_from_field_sigma_deg: degrees(axis.hour_angle_from_field.sigma),
            field_file: axis.field.clone(),
            by_direction: axis.by_direction.as_ref().map(ByDirection::from),
        }
    }
}

impl From<&ToldSides> for ByDirection {
    fn from(told: &ToldSides) -> Self {
        Self {
            altitude_error_arcmin: told.sure_up().map(|part| arcmin(part.value)),
            altitude_error_sigma_arcmin: arcmin(told.up.sigma),
            azimuth_error_arcmin: told.sure_east().map(|part| arcmin(part.value)),
            azimuth_error_sigma_arcmin: arcmin(told.east.sigma),
            latitude_deg: degrees(told.latitude.value),
            latitude_sigma_deg: degrees(told.latitude.sigma),
        }
    }
}

impl From<&DriveReport> for Drive {
    fn from(drive: &DriveReport) -> Self {
        Self {
            rate_ratio: number(drive.rate_ratio.value),
            rate_ratio_sigma: number(drive.rate_ratio.sigma),
            periodic: drive.periodic.as_ref().map(Periodic::from),
            step: drive.step.as_ref().map(Step::from),
            standstills: drive.standstills.iter().map(Standstill::from).collect(),
        }
    }
}

impl From<&PeriodicReport> for Periodic {
    fn from(periodic: &PeriodicReport) -> Self {
        Self {
            amplitude_arcsec: number(periodic.amplitude.value.arcsec()),
            period_s: seconds(periodic.period.map(|period| period.value)),
            amplitude_sigma_arcsec: number(periodic.amplitude.sigma.arcsec()),
            period_sigma_s: seconds(periodic.period.map(|period| period.sigma)),
            watched_s: number(periodic.watched.s()),
        }
    }
}

impl From<&StepReport> for Step {
    fn from(step: &StepReport) -> Self {
        Self {
            before: step.before.clone(),
            after: step.after.clone(),
            at_utc: step.at.map(|at| at.to_string()),
            size_arcsec: number(step.size.value.arcsec()),
            size_sigma_arcsec: number(step.size.sigma.arcsec()),
        }
    }
}

impl From<&StandstillReport> for Standstill {
    fn from(standstill: &StandstillReport) -> Self {
        Self {
            file: standstill.file.clone(),
            duration_s: number(standstill.duration.value.s()),
            duration_sigma_s: number(standstill.duration.sigma.s()),
            slack_arcsec: number(standstill.slack.value.arcsec()),
        }
    }
}

impl From<&CauseShare> for CauseEntry {
    fn from(share: &CauseShare) -> Self {
        Self {
            cause: share.cause.key(),
            trail_px: number(share.trail.px()),
            share: number(share.share),
            confidence: number(share.confidence),
        }
    }
}

impl From<&Correction> for CorrectionEntry {
    fn from(correction: &Correction) -> Self {
        Self {
            raise_arcmin: arcmin(correction.raise),
            east_arcmin_on_sky: arcmin(correction.east_on_sky),
            east_deg_horizontal: degrees(correction.east_horizontal),
        }
    }
}

impl From<&PoleStarInstead> for PoleStarEntry {
    fn from(star: &PoleStarInstead) -> Self {
        let belongs = star.belongs.place;
        Self {
            at_utc: star.belongs.at.to_string(),
            belongs_clockwise_deg: degrees(belongs.clockwise_from_up),
            belongs_distance_arcmin: arcmin(belongs.distance),
            instead_clockwise_deg: degrees(star.instead.clockwise_from_up),
            instead_distance_arcmin: arcmin(star.instead.distance),
        }
    }
}

impl From<&NextFrame> for NextFrameEntry {
    fn from(next: &NextFrame) -> Self {
        Self {
            facing: next.facing.clone(),
            hour_angle_deg: next.hour_angle.and_then(degrees),
            declination_deg: next.declination.and_then(degrees),
            altitude_deg: next.altitude.and_then(degrees),
            untouched: next.untouched,
            sigma_after_arcmin: next.purpose.largest_after().and_then(arcmin),
            exposure_s: number(next.exposure.s()),
            count: next.count,
            why: next.why.clone(),
        }
    }
}
