//! A step of the drive that the exposures bear out: they tell it from a swing where the record of
//! places is too short to.
//!
//! What moves stars smoothly between two frames moves them during both exposures as well. A step
//! shows in one exposure alone, or in none if it fell between two.

use super::evidence::{Evidence, FrameEvidence};
use crate::mount::drive::DriveRecord;
use crate::units::{Measured, Pixels};

/// The step stands out from everything else between frames by this factor ...
const STANDS_OUT: f64 = 3.0;
/// ... and is longer than this, pixels (own choice: shapes are not known better).
const LEAST_PX: f64 = 1.0;
/// Exposures that do not take part show less than this share of what a smooth motion would draw.
const QUIET: f64 = 0.4;
/// The exposure in which the step fell is as long as the step within these factors.
const AS_LONG: (f64, f64) = (0.6, 1.6);

/// How far the drive ran off the sky between two neighbours of a pointing.
#[derive(Debug, Clone, Copy)]
struct Interval<'a> {
    before: &'a FrameEvidence,
    after: &'a FrameEvidence,
    /// Pixels along the daily motion, ahead positive.
    px: f64,
    /// Seconds from middle to middle.
    time: f64,
}

impl Interval<'_> {
    /// The trail that a frame beside it would have if the motion were smooth.
    fn smooth_px(&self, frame: &FrameEvidence) -> Option<f64> {
        Some(self.px.abs() / self.time * frame.exposure?.s())
    }
    /// Whether a frame shows far less of the motion than a smooth one would draw.
    fn is_quiet(&self, frame: &FrameEvidence) -> Option<bool> {
        Some(own_along(frame)? < QUIET * self.smooth_px(frame)?)
    }
}

/// The step's length on the frame, where the exposures show one; 0 sigma is never given.
pub(super) fn seen_step(evidence: &Evidence, record: &DriveRecord) -> Option<Measured<Pixels>> {
    let intervals = intervals(evidence, record);
    let largest = (0..intervals.len()).max_by(|a, b| {
        let size = |idx: &usize| intervals[*idx].px.abs();
        size(a).total_cmp(&size(b))
    })?;
    let neighbours = [largest.checked_sub(1), Some(largest + 1)];
    let inside = neighbours
        .into_iter()
        .flatten()
        .filter_map(|other| inside(&intervals, largest, other));
    let inside = inside.max_by(|a, b| a.value.px().total_cmp(&b.value.px()));
    inside.or_else(|| between(&intervals, largest))
}

/// A step between two frames: neither shows it.
fn between(intervals: &[Interval<'_>], at: usize) -> Option<Measured<Pixels>> {
    let step = &intervals[at];
    let quiet = step.is_quiet(step.before)? && step.is_quiet(step.after)?;
    let stands = stands_out(intervals, &[at], step.px.abs());
    let sigma = sigma_of(step.before)?.hypot(sigma_of(step.after)?);
    // What the exposures do not show must be more than they could hide.
    let told = step.smooth_px(step.before)? > 3.0 * sigma;
    (quiet && stands && told).then(|| Measured::new(Pixels::new(step.px.abs()), Pixels::new(sigma)))
}

/// A step in the frame that two intervals share: it alone shows all of it.
fn inside(intervals: &[Interval<'_>], one: usize, other: usize) -> Option<Measured<Pixels>> {
    let (first, last) = (
        intervals.get(one.min(other))?,
        intervals.get(one.max(other))?,
    );
    if first.after.frame != last.before.frame {
        return None;
    }
    let shown = own_along(first.after)?;
    let step = (first.px + last.px).abs();
    let alike = (AS_LONG.0 * step..AS_LONG.1 * step).contains(&shown);
    let others = own_along(first.before)?.max(own_along(last.after)?);
    let stands = stands_out(intervals, &[one, other], step);
    let sigma = sigma_of(first.after)?;
    (alike && others < QUIET * shown && stands && shown > 3.0 * sigma)
        .then(|| Measured::new(Pixels::new(shown), Pixels::new(sigma)))
}

fn stands_out(intervals: &[Interval<'_>], of: &[usize], size: f64) -> bool {
    let others = intervals.iter().enumerate();
    let others = others.filter(|(idx, _)| !of.contains(idx));
    let loudest = others.map(|(_, one)| one.px.abs()).fold(0.0, f64::max);
    intervals.len() > of.len() && size > LEAST_PX && size > STANDS_OUT * loudest
}

/// Neighbours of one pointing and what the drive did between them.
fn intervals<'a>(evidence: &'a Evidence, record: &DriveRecord) -> Vec<Interval<'a>> {
    let frame_of = |frame: usize| evidence.frames.iter().find(|one| one.frame == frame);
    let pairs = record.residuals.windows(2);
    pairs
        .filter_map(|pair| {
            let rate = pair[0].rate_to_next?;
            let (before, after) = (frame_of(pair[0].frame)?, frame_of(pair[1].frame)?);
            let time = (pair[1].mid - pair[0].mid).s();
            // Pixels a second for a drive one sidereal rate too fast.
            let pace = after.along?.length().px() / after.exposure?.s();
            Some(Interval {
                before,
                after,
                px: (rate.value - 1.0) * pace * time,
                time,
            })
        })
        .collect()
}

/// The trail along the daily motion beyond what the axis and the air draw, without sign.
pub(super) fn own_along(frame: &FrameEvidence) -> Option<f64> {
    let (trail, line) = (frame.trail?.vector, frame.along_line()?);
    let others = frame.predicted.map(|parts| parts.axis + parts.refraction);
    let others = others.unwrap_or_default();
    let left = [trail - others, trail + others];
    let smaller = left
        .into_iter()
        .min_by(|a, b| a.length().px().total_cmp(&b.length().px()))?;
    Some((smaller.dx * line.dx + smaller.dy * line.dy).abs())
}

fn sigma_of(frame: &FrameEvidence) -> Option<f64> {
    Some(frame.trail?.length.sigma.px())
}

#[cfg(test)]
mod tests {
    use super::super::contradiction::tests::night;
    use super::*;
    use crate::mount::drive::DriveResidual;
    use crate::stars::FrameTrail;
    use crate::units::{Angle, PixelVector, Seconds};

    const EXPOSURE: f64 = 60.0;
    const CADENCE: f64 = 70.0;
    /// Pixels that the sky runs in an exposure.
    const WHOLE: f64 = 200.0;

    /// Frames whose stars trail so far along the daily motion, and how far the drive ran off between
    /// each and the next, pixels.
    fn seen(trails: &[f64], drifts: &[f64]) -> Option<Measured<Pixels>> {
        let mut night = night(&vec![0.0; trails.len()], Angle::ZERO);
        for (frame, &px) in night.frames.iter_mut().zip(trails) {
            let vector = PixelVector::new(px, 0.0);
            frame.exposure = Some(Seconds::new(EXPOSURE));
            frame.along = Some(PixelVector::new(WHOLE, 0.0));
            frame.predicted = None;
            frame.trail = Some(FrameTrail::seen(vector, 0.1, Angle::from_deg(2.0)));
        }
        let none = Measured::new(Angle::ZERO, Angle::ZERO);
        let residual = |frame: usize| {
            let rate = |px: &f64| Measured::new(1.0 + px / WHOLE * EXPOSURE / CADENCE, 1e-5);
            DriveResidual {
                frame,
                mid: Seconds::new(CADENCE * frame as f64),
                ahead: none,
                local_rate: 1.0,
                rate_to_next: drifts.get(frame).map(rate),
            }
        };
        let record = DriveRecord {
            rate_ratio: Measured::new(1.0, 1e-4),
            nominal: None,
            swing: none,
            periodic: None,
            step: None,
            scatter: 1.0,
            doubt: Angle::ZERO,
            residuals: (0..trails.len()).map(residual).collect(),
        };
        seen_step(&night, &record)
    }

    #[test]
    fn a_step_between_two_frames_shows_in_neither() {
        let step = seen(&[0.1, 0.1, 0.2, 0.1], &[0.1, 8.0, 0.1]).expect("a step");
        assert!((step.value.px() - 8.0).abs() < 1e-6, "{step:?}");
    }

    #[test]
    fn a_step_inside_a_frame_shows_in_it_alone() {
        let step = seen(&[0.1, 0.1, 7.5, 0.1, 0.1], &[0.1, 3.0, 5.0, 0.1]).expect("a step");
        assert!((step.value.px() - 7.5).abs() < 1e-6, "{step:?}");
    }

    #[test]
    fn a_smooth_motion_is_no_step() {
        // What runs off between frames runs off during them.
        assert_eq!(seen(&[0.1, 4.0, 6.0, 4.0], &[2.0, 6.0, 6.0]), None);
        assert_eq!(seen(&[0.1, 6.9, 6.9, 0.1], &[0.1, 8.0, 0.1]), None);
    }

    #[test]
    fn a_step_stands_out_of_what_the_drive_does_besides() {
        assert_eq!(seen(&[0.1, 0.1, 0.1, 0.1], &[4.0, 8.0, 3.0]), None);
        // Two frames leave nothing to stand out of.
        assert_eq!(seen(&[0.1, 0.1], &[8.0]), None);
    }

    #[test]
    fn shapes_that_could_hide_a_smooth_motion_tell_no_step() {
        assert_eq!(seen(&[0.0, 0.0, 0.0, 0.0], &[0.01, 0.3, 0.01]), None);
    }
}
