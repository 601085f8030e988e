//! What an exposure shows of the drive that the places between frames do not.

use super::evidence::{Evidence, FrameEvidence};
use super::weigh::is_shaken;
use crate::units::{Angle, AngularRate, Measured};

/// A trail along the daily motion counts beyond this many sigmas ...
const SURE: f64 = 5.0;
/// ... and beyond this, pixels (own choice: shapes of real stars are not known better) ...
const LEAST_PX: f64 = 1.0;
/// ... and where it is this much longer than what is left across the daily motion.
const ALONG: f64 = 3.0;

/// The least amplitude of a swing that the trails inside the exposures ask for.
///
/// Method: the trail less what the axis and the air draw, along the daily motion, is how far the
/// drive went off the sky during the exposure; a swing of amplitude A goes off by 2 A at most.
/// Of the two signs of a trail the one counts that asks for less.
pub fn swing_inside(evidence: &Evidence) -> Option<Measured<Angle>> {
    let bounds = evidence
        .frames
        .iter()
        .filter_map(|frame| least_swing(evidence, frame));
    bounds.max_by(|a, b| a.value.rad().total_cmp(&b.value.rad()))
}

fn least_swing(evidence: &Evidence, frame: &FrameEvidence) -> Option<Measured<Angle>> {
    let (trail, line) = (frame.trail?, frame.along_line()?);
    let parts = frame.predicted?;
    let others = parts.axis + parts.refraction;
    let left = [trail.vector - others, trail.vector + others];
    let smaller = left
        .into_iter()
        .min_by(|a, b| a.length().px().total_cmp(&b.length().px()))?;
    let along = (smaller.dx * line.dx + smaller.dy * line.dy).abs();
    let across = (smaller.dx * line.dy - smaller.dy * line.dx).abs();
    let sigma = trail
        .length
        .sigma
        .px()
        .hypot(axis_doubt_px(evidence, frame)?);
    if along < SURE * sigma || along < LEAST_PX || along < ALONG * across {
        return None;
    }
    if is_shaken(evidence, along) {
        return None;
    }
    let whole = AngularRate::SIDEREAL.over(frame.exposure?);
    let angle = |px: f64| {
        whole
            * (px
                / frame
                    .along
                    .map_or(f64::INFINITY, |along| along.length().px()))
    };
    Some(Measured::new(angle(along) / 2.0, angle(sigma) / 2.0))
}

/// How far the axis's own sigma may move a star during the exposure, pixels: what the axis draws
/// along the daily motion is no better known.
fn axis_doubt_px(evidence: &Evidence, frame: &FrameEvidence) -> Option<f64> {
    let axis = evidence.axis()?;
    let turned = AngularRate::SIDEREAL.over(frame.exposure?).rad();
    Some(axis.covariance.trace().max(0.0).sqrt() * turned / evidence.pixel_scale?.rad())
}
