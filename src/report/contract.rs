//! The JSON contract, version 1: the same report in the shape and units of its keys.
//!
//! Keys never change within a version; new ones may be added. What is not known is `null`, and so
//! is a number that is not finite.

mod fill;

use serde::Serialize;

use crate::units::{Angle, Seconds};

use super::exposing::{OutlookEntry, ShorteningEntry};

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
