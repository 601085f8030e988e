//! A drive that stands still when a pointing begins: its first frames trail along the daily motion.

use super::contradiction::excess_across;
use super::evidence::{FrameEvidence, Standstill};
use super::seen_step::own_along;
use crate::units::{Measured, Pixels, Seconds};

/// The trail of a first frame along the daily motion must exceed this, pixels ...
const LEAST_PX: f64 = 1.0;
/// ... and its sigmas by this factor ...
const SURE: f64 = 6.0;
/// ... and the trail of the first frame after it by this factor ...
const STANDS_OUT: f64 = 5.0;
/// ... or by this one, where ...
const EXCEEDS: f64 = 1.5;
/// ... it is longer than the drift to the next frame draws, by more than any other frame is by this
/// factor: a swing draws its trails between frames as well.
const ALONE: f64 = 3.0;
/// The trail along the daily motion exceeds that across it by this factor.
const ALONG: f64 = 3.0;
/// A frame that trails by this share of the sky's turn stood still from end to end.
const WHOLE: f64 = 0.9;

/// The standstills at the starts of pointings.
///
/// Method: the leading frames of a pointing that trail along the daily motion, all but the last of
/// them by the sky's whole turn, followed by a frame that does not; the trails give the time.
pub fn find_standstills(frames: &[FrameEvidence]) -> Vec<Standstill> {
    let mut found = Vec::new();
    let mut rest = frames;
    while let Some(first) = rest.first() {
        let length = rest
            .iter()
            .take_while(|frame| frame.pointing == first.pointing)
            .count();
        let (pointing, others) = rest.split_at(length);
        found.extend(at_start(pointing));
        rest = others;
    }
    found
}

fn at_start(pointing: &[FrameEvidence]) -> Option<Standstill> {
    // In a pointing of stars that all trail the drive stands for good, or runs at another rate.
    let n_standing = 1 + pointing
        .iter()
        .take_while(|frame| stood(frame).is_some_and(|(share, _)| share.value > WHOLE))
        .count();
    let n_standing = if n_standing > 1 && !trails_more(pointing, n_standing) {
        n_standing - 1
    } else {
        n_standing
    };
    if !trails_more(pointing, n_standing) {
        return None;
    }
    let standing = &pointing[..n_standing];
    let (mut time, mut variance, mut worst) = (0.0, 0.0, None::<Measured<Pixels>>);
    for frame in standing {
        let (share, along) = stood(frame)?;
        let exposure = frame.exposure?;
        time += share.value.min(1.0) * exposure.s();
        variance += (share.sigma * exposure.s()).powi(2);
        if worst.is_none_or(|worst| along.value > worst.value) {
            worst = Some(along);
        }
    }
    Some(Standstill {
        frames: standing.iter().map(|frame| frame.frame).collect(),
        duration: Measured::new(Seconds::new(time), Seconds::new(variance.sqrt())),
        trail: worst?,
    })
}

/// Whether the last of the leading frames trails clearly more than the one after it.
fn trails_more(pointing: &[FrameEvidence], n_standing: usize) -> bool {
    let (Some(last), Some(next)) = (pointing.get(n_standing - 1), pointing.get(n_standing)) else {
        return false;
    };
    let (Some((_, along)), Some((next_along, _))) = (stood(last), next.along_and_across()) else {
        return false;
    };
    let along_px = along.value.px();
    let clear = along_px > LEAST_PX && along_px > SURE * along.sigma.px();
    clear && (along_px > STANDS_OUT * next_along || is_alone(pointing, n_standing, along_px))
}

/// Whether the last of the leading frames alone trails more than the drift between frames draws.
fn is_alone(pointing: &[FrameEvidence], n_standing: usize, along_px: f64) -> bool {
    let beyond = |frame: &FrameEvidence| {
        let drawn = frame.predicted?.drive.length().px();
        Some((own_along(frame)? - drawn).abs())
    };
    let own = pointing.get(n_standing - 1).and_then(beyond);
    let others = &pointing[n_standing..];
    let rest = others
        .iter()
        .map(|frame| Some((beyond(frame)?, own_along(frame)?)));
    let rest: Option<Vec<(f64, f64)>> = rest.collect();
    let (Some(own), Some(rest)) = (own, rest) else {
        return false;
    };
    let alone = rest
        .iter()
        .all(|(beyond, shown)| own > ALONE * beyond && along_px > EXCEEDS * shown);
    alone && own > along_px / ALONE
}

/// Share of the exposure for which the sky ran through the frame, and the trail along its motion.
fn stood(frame: &FrameEvidence) -> Option<(Measured<f64>, Measured<Pixels>)> {
    let (_, across) = frame.along_and_across()?;
    let across = across_beyond_axis(frame).unwrap_or(across);
    let along = own_along(frame)?;
    let whole = frame.along?.length().px();
    if along < ALONG * across || whole <= 0.0 {
        return None;
    }
    let sigma = frame.trail?.length.sigma;
    Some((
        Measured::new(along / whole, sigma.px() / whole),
        Measured::new(Pixels::new(along), sigma),
    ))
}

/// The trail across the daily motion that the axis and the air do not draw.
fn across_beyond_axis(frame: &FrameEvidence) -> Option<f64> {
    let parts = frame.predicted?;
    Some(
        excess_across(frame, parts.axis + parts.refraction)?
            .value
            .max(0.0),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::FrameTrail;
    use crate::units::{Angle, PixelVector};

    fn frame(frame: usize, pointing: usize, along_px: f64) -> FrameEvidence {
        let vector = PixelVector::new(along_px, 0.1);
        FrameEvidence {
            frame,
            pointing,
            exposure: Some(Seconds::new(60.0)),
            fwhm: None,
            trail: Some(FrameTrail::seen(vector, 0.1, Angle::from_deg(2.0))),
            joined: None,
            predicted: None,
            drifted: None,
            foreseen: None,
            own_motion: None,
            lens: None,
            light: None,
            corner_trail: None,
            along: Some(PixelVector::new(120.0, 0.0)),
        }
    }

    #[test]
    fn half_an_exposure_of_standing_is_half_of_its_time() {
        let frames = [frame(0, 0, 60.0), frame(1, 0, 0.5), frame(2, 0, 0.5)];
        let found = find_standstills(&frames);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].frames, [0]);
        assert!((found[0].duration.value.s() - 30.0).abs() < 1e-9);
        assert!((found[0].slack().value.arcsec() - 451.2).abs() < 0.1);
    }

    #[test]
    fn a_standstill_of_more_than_a_frame_is_added_up() {
        let frames = [frame(0, 0, 119.0), frame(1, 0, 40.0), frame(2, 0, 0.5)];
        let found = find_standstills(&frames);
        assert_eq!(found[0].frames, [0, 1]);
        assert!((found[0].duration.value.s() - 79.5).abs() < 1e-6);
    }

    #[test]
    fn a_drive_that_never_runs_has_no_standstill_at_its_start() {
        let standing = [frame(0, 0, 119.0), frame(1, 0, 120.0), frame(2, 0, 121.0)];
        assert!(find_standstills(&standing).is_empty());
        let swinging = [frame(0, 0, 4.0), frame(1, 0, 3.0), frame(2, 0, 4.0)];
        assert!(find_standstills(&swinging).is_empty());
        // The frame before belongs to another pointing.
        let last = [frame(0, 0, 0.5), frame(1, 1, 0.5), frame(2, 1, 60.0)];
        assert!(find_standstills(&last).is_empty());
    }
}
