//! An axis that the exposures themselves contradict is no axis.
//!
//! What the axis does between frames it does during them too. A knock between two frames moves the
//! stars between them only, and a rig that sags moves them less and less; with two or three frames
//! of a pointing both look like an axis, and the places alone cannot tell.

use super::evidence::{Evidence, FrameEvidence};
use crate::mount::AxisUnknown;
use crate::mount::creep::Creep;
use crate::mount::split::Jump;
use crate::units::{Angle, Measured, PixelVector, Pixels};

/// A trail that differs along the daily motion as well as across it by this share of what the axis
/// draws, and this many pixels, is not the axis's: an uneven drive draws nothing across.
const LEAST_ACROSS_SHARE: f64 = 0.01;
const LEAST_ACROSS_PX: f64 = 0.2;
/// With more frames than this in a pointing their places have shown that one axis holds.
const FEW: usize = 3;

/// Nobody aims an axis this badly: what is fitted there is something else (own choice).
const FARTHEST: Angle = Angle::from_deg(20.0);
/// A frame's own trail across the daily motion contradicts the axis's beyond this many sigmas ...
const SURE: f64 = 5.0;
/// ... and pixels ...
const LEAST_PX: f64 = 0.7;
/// ... and this share of the trail that the axis would draw.
const LEAST_SHARE: f64 = 0.2;
/// One frame in this many must be shorter than the axis allows; an odd frame among many is the
/// frame's own matter.
const ONE_IN: usize = 3;

/// Takes the axis away where the frames' own trails contradict it, and names the motion between
/// frames that must have been taken for it: a creep where trails shrink, else a knock.
///
/// A trail longer than the axis draws is no contradiction: wind draws one.
pub fn without_contradicted_axis(mut evidence: Evidence) -> Evidence {
    let Some(axis) = evidence.axis().filter(|axis| !axis.mirror_ambiguous) else {
        return evidence;
    };
    let is_far = axis.error.total() > FARTHEST;
    if let Some(why) = strays(&evidence.frames) {
        take_axis(&mut evidence, None, false);
        if let Some(fit) = evidence.fit.as_mut() {
            fit.axis = Err(why);
        }
        return evidence;
    }
    let excesses: Vec<(usize, Measured<f64>)> = evidence
        .frames
        .iter()
        .enumerate()
        .filter_map(|(at, frame)| Some((at, excess_across(frame, drawn(frame)?)?)))
        .collect();
    let of_sign = |sign: f64| {
        let big = excesses.iter().filter(move |(_, px)| sign * px.value > 0.0);
        big.filter(|(at, px)| is_clear(&evidence.frames[*at], *px))
    };
    let n_short = of_sign(-1.0).count();
    let contradicted = n_short > 0 && n_short * ONE_IN >= excesses.len();
    let askew = askew(&evidence.frames);
    if !contradicted && !is_far && askew.is_none() {
        return evidence;
    }
    let shrinks = of_sign(1.0).count() > 0;
    let largest = of_sign(-1.0).copied();
    let largest = largest.min_by(|a, b| a.1.value.total_cmp(&b.1.value));
    take_axis(&mut evidence, largest.or(askew), shrinks);
    evidence
}

/// Measured trail across the daily motion less the expected one there, pixels; what is along it is
/// the drive's.
pub fn excess_across(frame: &FrameEvidence, expected: PixelVector) -> Option<Measured<f64>> {
    let (trail, line) = (frame.trail?, frame.along_line()?);
    let across = |vector: PixelVector| (vector.dx * line.dy - vector.dy * line.dx).abs();
    let spread = trail.covariance;
    let variance = spread.xx * line.dy * line.dy - 2.0 * spread.xy * line.dx * line.dy
        + spread.yy * line.dx * line.dx;
    Some(Measured::new(
        across(trail.vector) - across(expected),
        variance.max(0.0).sqrt(),
    ))
}

/// The trail that axis and drive draw in a frame, wherever they were found.
fn drawn(frame: &FrameEvidence) -> Option<PixelVector> {
    frame.predicted.map(|parts| parts.total).or(frame.foreseen)
}

fn is_clear(frame: &FrameEvidence, excess: Measured<f64>) -> bool {
    let drawn = drawn(frame).map_or(0.0, |trail| trail.length().px());
    let size = excess.value.abs();
    size > SURE * excess.sigma && size > LEAST_PX && size > LEAST_SHARE * drawn
}

/// A frame alone in its pointing whose trail is not what the axis draws there, where that axis rests
/// on two frames: nothing tells which of them to believe.
fn strays(frames: &[FrameEvidence]) -> Option<AxisUnknown> {
    let mut telling = frames.iter().filter(|frame| frame.predicted.is_some());
    let (_, last) = (telling.next()?, telling.next()?);
    if telling.next().is_some() {
        return None;
    }
    let stray = frames.iter().find(|frame| {
        let excess = frame.foreseen.and_then(|drawn| excess_across(frame, drawn));
        excess.is_some_and(|excess| is_clear(frame, excess))
    })?;
    Some(AxisUnknown::Disagreeing {
        before: last.frame.min(stray.frame),
        after: last.frame.max(stray.frame),
    })
}

/// Of pointings of few frames, the frame whose trail differs most from the axis's, with the
/// difference along the daily motion, where most trails differ both ways.
///
/// A knock between frames may turn the drift round so that it is as long as the trails are; then
/// they differ along the daily motion, as with an uneven drive, and a little across it as well.
fn askew(frames: &[FrameEvidence]) -> Option<(usize, Measured<f64>)> {
    let in_pointing =
        |pointing: usize| frames.iter().filter(|one| one.pointing == pointing).count();
    let known: Vec<_> = frames
        .iter()
        .enumerate()
        .filter_map(|(at, frame)| Some((at, frame, frame.own_motion?)))
        .collect();
    if known
        .iter()
        .any(|(_, frame, _)| in_pointing(frame.pointing) > FEW)
    {
        return None;
    }
    let differs = known.iter().filter_map(|(at, frame, own)| {
        let px = |part: Measured<Pixels>| Measured::new(part.value.px(), part.sigma.px());
        let (along, across) = (px(own.along), px(own.across));
        let least = (LEAST_ACROSS_SHARE * drawn(frame)?.length().px()).max(LEAST_ACROSS_PX);
        let both = across.value.abs() > SURE * across.sigma && across.value.abs() > least;
        (both && is_clear(frame, along)).then_some((*at, along))
    });
    let differs: Vec<_> = differs.collect();
    let most = 2 * differs.len() > known.len();
    let size = |one: &(usize, Measured<f64>)| one.1.value.abs();
    let largest = differs
        .into_iter()
        .max_by(|a, b| size(a).total_cmp(&size(b)));
    largest.filter(|_| most)
}

/// Takes the axis away where the likeliest account of the night stands beyond its uncertainty: it was
/// fitted to a motion that is none of the axis's.
///
/// `off` is the fitted axis less the refracted pole, as the accounts count it, radians.
pub fn without_unaccounted_axis(evidence: &mut Evidence, off: [f64; 2]) {
    let (Some(account), Some(axis)) = (evidence.accounts.first(), evidence.axis()) else {
        return;
    };
    let known = axis.covariance;
    let apart = (0..2).any(|part| {
        let told = account.axis[part];
        let sigma = known[(part, part)].max(0.0).sqrt().hypot(told.sigma);
        (told.value - off[part]).abs() > UNACCOUNTED * sigma.hypot(AXIS_DOUBT.rad())
    });
    if apart {
        take_axis(evidence, None, false);
    }
}

/// Two readings of one axis differ by less than this many sigmas ...
const UNACCOUNTED: f64 = 5.0;
/// ... of which this is the least (own choice: no correction hangs on less).
const AXIS_DOUBT: Angle = Angle::from_arcmin(0.5);

fn take_axis(evidence: &mut Evidence, largest: Option<(usize, Measured<f64>)>, shrinks: bool) {
    let step = largest.and_then(|(at, excess)| {
        let scale = evidence.pixel_scale?;
        let size = Measured::new(scale * excess.value.abs(), scale * excess.sigma);
        Some((neighbours(&evidence.frames, at)?, size))
    });
    for frame in &mut evidence.frames {
        frame.predicted = None;
        frame.foreseen = None;
        frame.joined = None;
    }
    let Some(fit) = evidence.fit.as_mut() else {
        return;
    };
    fit.axis = Err(AxisUnknown::Inconsistent);
    match step {
        Some((_, departure)) if shrinks => {
            fit.axis = Err(AxisUnknown::Creeping);
            fit.creep = Some(Creep {
                departure,
                smoothness: 1.0,
            });
        }
        Some(((before, after), size)) => fit.jumps.push(Jump {
            before,
            after,
            size,
        }),
        None => {}
    }
}

/// The frame and the one before it in its pointing, or the one after it where it is the first.
fn neighbours(frames: &[FrameEvidence], at: usize) -> Option<(usize, usize)> {
    let same = |other: usize| {
        let other = frames.get(other)?;
        (other.pointing == frames[at].pointing).then_some(other.frame)
    };
    let frame = frames[at].frame;
    let before = at.checked_sub(1).and_then(same);
    before
        .map(|before| (before, frame))
        .or_else(|| Some((frame, same(at + 1)?)))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::mount::model::AxisError;
    use crate::mount::predict::{OwnMotion, TrailParts};
    use crate::mount::{AxisEstimate, MountFit};
    use crate::sky::Direction;
    use crate::stars::FrameTrail;
    use crate::units::{AxialAngle, PixelTensor};

    /// A frame whose axis would draw 6 px downwards, across the daily motion.
    fn frame(frame: usize, shown_px: f64) -> FrameEvidence {
        let shown = PixelVector::new(0.2, shown_px);
        let drawn = PixelVector::new(0.0, 6.0);
        FrameEvidence {
            frame,
            pointing: 0,
            exposure: None,
            fwhm: None,
            trail: Some(FrameTrail {
                vector: shown,
                covariance: PixelTensor::new(0.01, 0.0, 0.01),
                length: Measured::new(shown.length(), Pixels::new(0.1)),
                angle: AxialAngle::of(shown),
                angle_sigma: Angle::from_deg(2.0),
                n_stars: 100,
            }),
            joined: None,
            predicted: Some(TrailParts {
                total: drawn,
                axis: drawn,
                drive: PixelVector::default(),
                refraction: PixelVector::default(),
            }),
            drifted: Some(drawn),
            foreseen: None,
            own_motion: None,
            lens: None,
            light: None,
            corner_trail: None,
            along: Some(PixelVector::new(200.0, 0.0)),
        }
    }

    pub(in super::super) fn night(shown_px: &[f64], off: Angle) -> Evidence {
        let frames = shown_px.iter().enumerate();
        Evidence {
            frames: frames.map(|(idx, &px)| frame(idx, px)).collect(),
            standstills: Vec::new(),
            adrift: None,
            axis_before: None,
            fit: Some(MountFit {
                axis: Ok(AxisEstimate {
                    direction: Direction::new(nalgebra::Vector3::z()),
                    error: AxisError {
                        up: off,
                        east: Angle::ZERO,
                    },
                    covariance: nalgebra::Matrix2::identity() * 1e-8,
                    mirror_ambiguous: false,
                }),
                drive: None,
                angles: Vec::new(),
                jumps: Vec::new(),
                creep: None,
                misfit: 1.0,
                rate_doubt: 0.0,
                change: None,
                earlier: None,
            }),
            accounts: Vec::new(),
            lone: None,
            sky_rate: None,
            identified: true,
            tolerance: None,
            pixel_scale: Some(Angle::from_arcsec(4.0)),
        }
    }

    fn fit_after(shown_px: &[f64], off_deg: f64) -> MountFit {
        let evidence = without_contradicted_axis(night(shown_px, Angle::from_deg(off_deg)));
        evidence.fit.expect("the fit stays")
    }

    #[test]
    fn an_axis_that_draws_the_trails_stays() {
        assert!(fit_after(&[6.0, 5.8], 1.0).axis.is_ok());
        // Wind draws longer trails; one odd frame of many is its own matter.
        assert!(fit_after(&[6.0, 9.0], 1.0).axis.is_ok());
        assert!(fit_after(&[6.0, 6.1, 5.9, 1.0], 1.0).axis.is_ok());
    }

    #[test]
    fn motion_between_frames_alone_is_a_knock() {
        let fit = fit_after(&[0.5, 0.4], 1.0);
        assert_eq!(fit.axis, Err(AxisUnknown::Inconsistent));
        assert_eq!((fit.jumps[0].before, fit.jumps[0].after), (0, 1));
        assert!((fit.jumps[0].size.value.arcsec() - 4.0 * 5.6).abs() < 0.1);
    }

    #[test]
    fn trails_that_shrink_are_a_creep() {
        let fit = fit_after(&[7.8, 6.0, 4.4], 1.0);
        assert_eq!(fit.axis, Err(AxisUnknown::Creeping));
        assert!(fit.creep.is_some());
    }

    #[test]
    fn a_drift_turned_round_by_a_knock_is_no_axis_and_an_uneven_drive_is_no_knock() {
        let with_own = |along: f64, across: f64, n_frames: usize| {
            let mut night = night(&vec![6.0; n_frames], Angle::from_deg(1.0));
            let px = |value: f64| Measured::new(Pixels::new(value), Pixels::new(0.03));
            for frame in &mut night.frames {
                let (along, across) = (px(along), px(across));
                frame.own_motion = Some(OwnMotion { along, across });
            }
            without_contradicted_axis(night).fit.expect("the fit stays")
        };
        let knocked = with_own(-5.4, 0.3, 2);
        assert_eq!(knocked.axis, Err(AxisUnknown::Inconsistent));
        assert_eq!((knocked.jumps[0].before, knocked.jumps[0].after), (0, 1));
        assert!(with_own(-5.4, 0.1, 2).axis.is_ok());
        assert!(with_own(-0.5, 0.3, 2).axis.is_ok());
        // Places of many frames have shown the axis themselves.
        assert!(with_own(-5.4, 0.3, 5).axis.is_ok());
    }

    #[test]
    fn a_frame_alone_that_trails_otherwise_than_the_axis_of_two_others_draws_contradicts_it() {
        let mut night = night(&[6.0, 6.0, 2.0], Angle::from_deg(1.0));
        let lone = &mut night.frames[2];
        lone.pointing = 1;
        lone.foreseen = lone.predicted.take().map(|parts| parts.total);
        let fit = without_contradicted_axis(night).fit.expect("the fit stays");
        let (before, after) = (1, 2);
        assert_eq!(fit.axis, Err(AxisUnknown::Disagreeing { before, after }));
    }

    #[test]
    fn an_axis_far_from_the_pole_is_none() {
        assert!(fit_after(&[6.0, 6.0], 19.0).axis.is_ok());
        assert!(fit_after(&[6.0, 6.0], 21.0).axis.is_err());
    }
}
