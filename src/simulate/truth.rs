//! What really happened on a simulated night, in a format of its own.
//!
//! Pixels are those of the frame after its orientation is applied: (0, 0) is the centre of the
//! first pixel, x right, y down. Axis errors are on the sky, east positive.

use jiff::{SignedDuration, Timestamp};
use nalgebra::{Rotation3, Vector3};
use serde::Serialize;

use super::observer::{Observer, SkyMoment};
use super::path::{Exposure, Spot, mean, spread};
use super::rig::{Rig, error_from_pole};
use super::schedule::Shot;
use crate::error::Error;

/// What really happened.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NightTruth {
    /// Alignments in order of time.
    pub alignments: Vec<AlignmentTruth>,
}

/// One alignment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlignmentTruth {
    /// Sub-folder.
    pub name: String,
    /// Axis at the start of the alignment.
    pub axis: AxisTruth,
    /// Turn of the drive in units of the stars' rate, without periodic parts.
    pub rate_ratio: f64,
    /// Largest amplitude among the periodic errors, arcseconds about the axis.
    pub periodic_amplitude_arcsec: f64,
    /// Frames in order of time.
    pub frames: Vec<FrameTruth>,
}

/// Where the axis pointed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AxisTruth {
    /// Altitude of the axis, degrees.
    pub altitude_deg: f64,
    /// Azimuth of the axis, degrees from north through east.
    pub azimuth_deg: f64,
    /// Axis minus refracted pole, altitude, arcminutes, up positive.
    pub altitude_error_arcmin: f64,
    /// Axis minus refracted pole, azimuth on the sky, arcminutes, east positive.
    pub azimuth_error_arcmin: f64,
    /// Axis minus true pole, altitude, arcminutes, up positive.
    pub true_pole_altitude_error_arcmin: f64,
}

/// One frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrameTruth {
    /// File, relative to the night's folder.
    pub file: String,
    /// Count of the camera's aimings within the alignment, from 0.
    pub pointing: usize,
    /// Start of the exposure, UTC.
    pub start_utc: String,
    /// Middle of the exposure, UTC.
    pub mid_utc: String,
    /// Length of the exposure, seconds.
    pub exposure_s: f64,
    /// ICRS right ascension of the middle of the frame at mid exposure, degrees.
    pub center_ra_deg: f64,
    /// ICRS declination of the middle of the frame at mid exposure, degrees.
    pub center_dec_deg: f64,
    /// Altitude of the middle of the frame as seen, degrees.
    pub altitude_deg: f64,
    /// Azimuth of the middle of the frame, degrees from north through east.
    pub azimuth_deg: f64,
    /// Hour angle of the middle of the frame about the true pole, degrees, west positive.
    pub hour_angle_deg: f64,
    /// Position angle of the frame's up side, degrees north through east (ICRS).
    pub up_position_angle_deg: f64,
    /// Camera (x right, y down, z into the scene) to horizon frame (x east, y north, z up) at mid exposure, row by row.
    pub attitude: [[f64; 3]; 3],
    /// Axis at mid exposure.
    pub axis: AxisTruth,
    /// Turn of the drive since the start of the alignment at start, middle and end, arcseconds.
    pub drive_angle_arcsec: [f64; 3],
    /// Angle of a pixel at the middle of the frame, arcseconds.
    pub pixel_scale_arcsec: f64,
    /// Trail of a star in the middle of the frame.
    pub trail_center: TrailTruth,
    /// Trails in the corners: top left, top right, bottom left, bottom right.
    pub trail_corners: Vec<TrailTruth>,
    /// Stars drawn, real and invented.
    pub stars: usize,
}

/// The path of a star that a pixel sees at mid exposure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrailTruth {
    /// The pixel.
    pub at_px: [f64; 2],
    /// Straight vector from start to end, pixels (swinging left out).
    pub net_px: [f64; 2],
    /// Second moments (xx, xy, yy) of the light along the path, square pixels (swinging included).
    pub spread_px2: [f64; 3],
    /// Mean place of the light, pixels.
    pub mean_px: [f64; 2],
}

const DEG: f64 = 180.0 / std::f64::consts::PI;

/// An instant of the night.
pub fn instant(start: Timestamp, seconds: f64) -> Timestamp {
    start + SignedDuration::from_nanos((seconds * 1e9).round() as i64)
}

/// Where an axis points and how far it is from the pole.
pub fn axis_truth(observer: &Observer, sky: &SkyMoment, axis: &Vector3<f64>) -> AxisTruth {
    let (altitude_error, azimuth_error) = error_from_pole(&sky.seen_pole(), axis);
    let true_pole = observer.at_hour_angle(
        0.0,
        std::f64::consts::FRAC_PI_2.copysign(-observer.turn_sense()),
    );
    let (true_altitude_error, _) = error_from_pole(&true_pole, axis);
    AxisTruth {
        altitude_deg: axis.z.asin() * DEG,
        azimuth_deg: (axis.x.atan2(axis.y) * DEG).rem_euclid(360.0),
        altitude_error_arcmin: altitude_error * DEG * 60.0,
        azimuth_error_arcmin: azimuth_error * DEG * 60.0,
        true_pole_altitude_error_arcmin: true_altitude_error * DEG * 60.0,
    }
}

/// All that a frame's truth needs.
pub struct FrameFacts<'a> {
    /// Place and start of the night.
    pub observer: &'a Observer,
    /// Start of the night, UTC.
    pub start: Timestamp,
    /// The tracker.
    pub rig: &'a Rig,
    /// The exposure's times.
    pub shot: &'a Shot,
    /// The exposure as the stars see it.
    pub exposure: &'a Exposure,
    /// Middle of the frame, pixels.
    pub center: [f64; 2],
    /// Focal length, pixels.
    pub focal_px: f64,
    /// File, relative to the night's folder.
    pub file: String,
    /// Stars drawn.
    pub stars: usize,
}

/// The truth about a frame.
///
/// # Errors
/// Where the sky cannot be worked out for the date.
pub fn frame_truth(facts: &FrameFacts) -> Result<FrameTruth, Error> {
    let (shot, exposure) = (facts.shot, facts.exposure);
    let sky = facts.observer.moment(shot.mid())?;
    let attitude = facts.rig.steady_attitude(shot, shot.mid());
    let view = attitude * Vector3::z();
    let (ra, dec) = sky.icrs(&view);
    let [cx, cy] = facts.center;
    let corners = [
        [0.0, 0.0],
        [2.0 * cx, 0.0],
        [0.0, 2.0 * cy],
        [2.0 * cx, 2.0 * cy],
    ];
    Ok(FrameTruth {
        file: facts.file.clone(),
        pointing: shot.placement,
        start_utc: instant(facts.start, shot.start).to_string(),
        mid_utc: instant(facts.start, shot.mid()).to_string(),
        exposure_s: shot.exposure,
        center_ra_deg: ra.rem_euclid(std::f64::consts::TAU) * DEG,
        center_dec_deg: dec * DEG,
        altitude_deg: view.z.asin() * DEG,
        azimuth_deg: (view.x.atan2(view.y) * DEG).rem_euclid(360.0),
        hour_angle_deg: hour_angle(facts.observer, &view) * DEG,
        up_position_angle_deg: up_position_angle(&sky, &attitude) * DEG,
        attitude: std::array::from_fn(|i| std::array::from_fn(|j| attitude[(i, j)])),
        axis: axis_truth(facts.observer, &sky, &facts.rig.axis(shot.mid())),
        drive_angle_arcsec: [shot.start, shot.mid(), shot.end()]
            .map(|t| facts.rig.drive_angle(t) * DEG * 3600.0),
        pixel_scale_arcsec: DEG * 3600.0 / facts.focal_px,
        trail_center: trail_at(exposure, facts.center),
        trail_corners: corners.iter().map(|&c| trail_at(exposure, c)).collect(),
        stars: facts.stars,
    })
}

fn trail_at(exposure: &Exposure, pixel: [f64; 2]) -> TrailTruth {
    let (ra, dec) = exposure.place_at(pixel);
    let still = vec![Spot {
        x: pixel[0],
        y: pixel[1],
        weight: 1.0,
    }];
    let path = exposure.path(ra, dec).unwrap_or(still);
    let (first, last) = exposure.ends(ra, dec).unwrap_or((pixel, pixel));
    TrailTruth {
        at_px: pixel,
        net_px: [last[0] - first[0], last[1] - first[1]],
        spread_px2: spread(&path),
        mean_px: mean(&path),
    }
}

/// Hour angle of a direction about the true pole, west positive, within half a turn.
fn hour_angle(observer: &Observer, view: &Vector3<f64>) -> f64 {
    let meridian = observer.at_hour_angle(0.0, 0.0);
    (-view.x).atan2(view.dot(&meridian))
}

/// Position angle of the frame's up side, north through east (ICRS), 0 to a whole turn.
fn up_position_angle(sky: &SkyMoment, attitude: &Rotation3<f64>) -> f64 {
    const STEP: f64 = 1e-5;
    let view = attitude * Vector3::z();
    let up = -(attitude * Vector3::y());
    let (ra, dec) = sky.icrs(&view);
    let north = sky.seen(ra, dec + STEP) - sky.seen(ra, dec - STEP);
    let east = sky.seen(ra + STEP, dec) - sky.seen(ra - STEP, dec);
    up.dot(&east.normalize())
        .atan2(up.dot(&north.normalize()))
        .rem_euclid(std::f64::consts::TAU)
}
