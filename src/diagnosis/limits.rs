//! Longest exposures that stay within the tolerance, at the frames' own place in the sky.

use super::evidence::Evidence;
use crate::units::{Pixels, Seconds};

/// Exposures that keep stars round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposureLimits {
    /// As the tracker stands.
    pub now: Option<Seconds>,
    /// With the axis on the refracted pole and the drive as it is.
    pub after_correction: Option<Seconds>,
}

/// Nobody exposes longer than this on a small tracker; beyond, the linear model says nothing.
const LONGEST: Seconds = Seconds::new(1800.0);

/// Longest exposures for a tolerance in pixels.
///
/// Method: the fastest motion of any frame, in pixels a second, from its predicted trail; without
/// a prediction, from its measured trail (then nothing is known for after a correction).
pub fn exposure_limits(evidence: &Evidence, tolerance: Pixels) -> ExposureLimits {
    let speeds = |of: &dyn Fn(&super::FrameEvidence) -> Option<f64>| {
        let speeds = evidence
            .frames
            .iter()
            .filter_map(|frame| Some(of(frame)? / frame.exposure?.s()));
        speeds.reduce(f64::max)
    };
    let predicted_now = speeds(&|frame| Some(frame.predicted?.total.length().px()));
    let measured_now = speeds(&|frame| {
        frame
            .trail
            .map(|trail| (trail.length.value + trail.length.sigma).px())
    });
    let after = speeds(&|frame| {
        let parts = frame.predicted?;
        Some((parts.drive + parts.refraction).length().px())
    });
    let limit = |speed: f64| (Seconds::new(tolerance.px() / speed.max(1e-9))).min(LONGEST);
    ExposureLimits {
        now: predicted_now.or(measured_now).map(limit),
        after_correction: after.map(limit),
    }
}
