//! Which frames belong to one pointing, and how the stars moved between them.

use rayon::prelude::*;

use super::between::{FrameMatch, match_frames};
use super::lens::Lens;
use crate::sky::rotation::rotation_vector;
use crate::stars::StarField;
use crate::units::{Angle, AngularRate, Measured, PixelVector, Seconds};

/// A frame with its place in time.
#[derive(Debug, Clone, Copy)]
pub struct TimedField<'a> {
    /// Its stars.
    pub field: &'a StarField,
    /// Its lens; a guess where nothing is known.
    pub lens: Lens,
    /// Mid exposure since the night's reference instant; `None` without a clock.
    pub mid: Option<Seconds>,
}

/// Consecutive frames during which the camera was not moved on the tracker.
#[derive(Debug, Clone, PartialEq)]
pub struct Pointing {
    /// Indices of its frames, in order.
    pub frames: Vec<usize>,
    /// Matches between each frame and the next; one fewer than `frames`.
    pub links: Vec<FrameMatch>,
}

/// The fastest turn between frames that a tracker can make the sky do: reversed at solar rate is
/// twice sidereal; more than that is a hand on the camera.
const FASTEST: f64 = 2.3;
/// A bump or a sagging head moves the camera by less than this between frames; a hand that
/// re-points it moves it by more (own choice).
const BUMP: Angle = Angle::from_deg(1.0);

/// The lens's scale away from the centre is not known better than this, relative, and a turn
/// across half a frame is wrong by as much (own estimate; the stars of a fixed camera gave 0.6 %).
const SCALE_FLOOR: f64 = 0.005;

/// Splits frames in order of time into pointings.
///
/// Two neighbours belong together where their stars match by a turn that tracking, however wrong,
/// can make in the time between them, plus a bump. After hours in which that could be half a turn no
/// match tells how far the camera turned: what follows, mostly another night, is a pointing of its own.
pub fn find_pointings(frames: &[TimedField<'_>]) -> Vec<Pointing> {
    let mut pointings: Vec<Pointing> = Vec::new();
    let links: Vec<Option<FrameMatch>> = (0..frames.len())
        .into_par_iter()
        .map(|idx| link_between(&frames[idx.checked_sub(1)?], &frames[idx]))
        .collect();
    for (idx, link) in links.into_iter().enumerate() {
        match (link, pointings.last_mut()) {
            (Some(link), Some(pointing)) => {
                pointing.frames.push(idx);
                pointing.links.push(link);
            }
            _ => pointings.push(Pointing {
                frames: vec![idx],
                links: Vec::new(),
            }),
        }
    }
    pointings
}

fn link_between(a: &TimedField<'_>, b: &TimedField<'_>) -> Option<FrameMatch> {
    if (a.field.width, a.field.height) != (b.field.width, b.field.height) {
        // A camera set upright between the frames was moved.
        return None;
    }
    let interval = match (a.mid, b.mid) {
        (Some(a), Some(b)) => (b - a).abs(),
        // Without a clock, ten minutes between neighbours at the most.
        _ => Seconds::new(600.0),
    };
    let most = AngularRate::SIDEREAL.over(interval) * FASTEST + BUMP;
    if most >= Angle::from_deg(180.0) {
        return None;
    }
    let link = match_frames(a.field, b.field, &a.lens)?;
    let turned = Angle::from_rad(rotation_vector(&link.rotation).norm());
    (turned < most).then_some(link)
}

/// How a match moves the star at the frame's centre, pixels of the second frame, with the sigma
/// of each component.
pub fn center_motion(
    link: &FrameMatch,
    field: &StarField,
    lens: &Lens,
) -> Option<(PixelVector, f64)> {
    let center = field.center();
    let direction = lens.direction(center);
    let moved = crate::sky::Direction::new(link.rotation * direction.vector());
    let step = lens.pixel(moved)? - center;
    let across = link.covariance[(0, 0)]
        .max(link.covariance[(1, 1)])
        .max(0.0)
        .sqrt();
    Some((step, across * lens.focal_px))
}

/// Speed at which the sky turned in the camera, over the sidereal rate, without its direction.
///
/// 1 is a camera that stands still on the ground (or a drive at twice the rate, which nobody has);
/// near 0 is a tracker that follows. Needs no hint.
/// Output: weighted mean over the links of the pointings; `None` without a link with a clock.
pub fn sky_rate(frames: &[TimedField<'_>], pointings: &[Pointing]) -> Option<Measured<f64>> {
    let (mut sum, mut weights) = (0.0, 0.0);
    for pointing in pointings {
        for (pair, link) in pointing.frames.windows(2).zip(&pointing.links) {
            let (Some(a), Some(b)) = (frames[pair[0]].mid, frames[pair[1]].mid) else {
                continue;
            };
            let turn = rotation_vector(&link.rotation);
            let expected = AngularRate::SIDEREAL.over(b - a).rad();
            if expected <= 0.0 {
                continue;
            }
            let size = turn.norm();
            let along = if size > 0.0 {
                turn / size
            } else {
                nalgebra::Vector3::z()
            };
            let variance = (along.transpose() * link.covariance * along)[0] / expected.powi(2);
            let weight = 1.0 / variance.max(1e-12);
            sum += weight * size / expected;
            weights += weight;
        }
    }
    let sigma = weights.recip().sqrt().hypot(SCALE_FLOOR);
    (weights > 0.0).then(|| Measured::new(sum / weights, sigma))
}
