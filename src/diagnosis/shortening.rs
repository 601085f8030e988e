//! What shorter exposures cost: more frames, and more of the camera's own noise in their stack.

use super::evidence::Evidence;
use crate::units::{Measured, Seconds};

/// A change to shorter exposures of the same time in all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shortening {
    /// The exposure in use.
    pub from: Seconds,
    /// The one that keeps stars round.
    pub to: Seconds,
    /// The noise of the stack.
    pub noise: StackNoise,
}

/// How much noisier the stack gets, as a share of its noise; the time in all stays the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StackNoise {
    /// By so much.
    Told(Measured<f64>),
    /// Not known; at most by this, if the sky's own light made none of the noise.
    AtMost(f64, Untold),
}

/// Why the frames do not tell the camera's own noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Untold {
    /// All have the same exposure, or nearly so.
    OneExposure,
    /// The camera developed them: their noise is no longer that of the light.
    Developed,
    /// The sky changed between the exposures, or the noise does not grow with them.
    Unsteady,
}

impl Shortening {
    /// How many times as many frames fill the same time.
    pub fn times(&self) -> f64 {
        self.from / self.to
    }
}

/// A frame's noise is known to this share of its variance (own estimate: medians over a mesh of cells,
/// and stars too faint to be found among them).
const VARIANCE_SHARE: f64 = 0.02;
/// Exposures of a ratio below this do not tell what grows with them (own choice).
const LEAST_RATIO: f64 = 1.5;
/// What is told is known better than this, as a share of the noise.
const LEAST_KNOWN: f64 = 0.15;

/// The cost of shortening the longest exposure of the frames to `to`; `None` where it is no longer.
///
/// Method: the variance of a frame's background is `a t + r`: the light's own, which grows with the
/// exposure, and the camera's, which does not; both by weighted least squares over frames of different
/// exposures. A stack of the same time then has `1 + q (T / t - 1)` times the variance, where q is
/// the camera's part of it at T. No pedestal matters, because levels are not used.
pub fn shortening(evidence: &Evidence, to: Seconds) -> Option<Shortening> {
    let exposures = evidence.frames.iter().filter_map(|frame| frame.exposure);
    let from = exposures.reduce(Seconds::max)?;
    if to >= from || to.s() <= 0.0 {
        return None;
    }
    let ratio = from / to;
    let most = ratio.sqrt() - 1.0;
    let noise = match camera_share(evidence, from) {
        Ok(share) => {
            let grown = |q: f64| (1.0 + q.clamp(0.0, 1.0) * (ratio - 1.0)).sqrt() - 1.0;
            let slope = 0.5 * (ratio - 1.0) / (1.0 + grown(share.value));
            let sigma = slope * share.sigma;
            if sigma < LEAST_KNOWN {
                StackNoise::Told(Measured::new(grown(share.value), sigma))
            } else {
                StackNoise::AtMost(most, Untold::Unsteady)
            }
        }
        Err(why) => StackNoise::AtMost(most, why),
    };
    Some(Shortening { from, to, noise })
}

/// The camera's part of a background's variance at an exposure.
fn camera_share(evidence: &Evidence, at: Seconds) -> Result<Measured<f64>, Untold> {
    let frames = evidence.frames.iter();
    let lights = frames.filter_map(|frame| Some((frame.exposure?.s(), frame.light?)));
    let lights: Vec<_> = lights.collect();
    if lights.iter().any(|(_, light)| light.developed) {
        return Err(Untold::Developed);
    }
    let range = lights.iter().fold((f64::MAX, 0.0f64), |range, (t, _)| {
        (range.0.min(*t), range.1.max(*t))
    });
    if lights.len() < 2 || range.1 < LEAST_RATIO * range.0 {
        return Err(Untold::OneExposure);
    }
    // Weighted least squares of v = a t + r.
    let (mut s, mut st, mut stt, mut sv, mut stv) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (t, light) in &lights {
        let v = light.noise * light.noise;
        let w = (VARIANCE_SHARE * v).powi(-2);
        s += w;
        st += w * t;
        stt += w * t * t;
        sv += w * v;
        stv += w * t * v;
    }
    let determinant = s * stt - st * st;
    let (a, r) = (
        (s * stv - st * sv) / determinant,
        (stt * sv - st * stv) / determinant,
    );
    let chi_square = lights.iter().map(|(t, light)| {
        let v = light.noise * light.noise;
        ((v - a * t - r) / (VARIANCE_SHARE * v)).powi(2)
    });
    let free = lights.len().saturating_sub(2).max(1) as f64;
    let scale = (chi_square.sum::<f64>() / free).max(1.0);
    let whole = a * at.s() + r;
    let sigma = (scale * stt / determinant).sqrt();
    // A negative part of either kind beyond its noise is a sky that changed.
    let known = a > 0.0 && r > -3.0 * sigma && whole > 0.0;
    if !known || !sigma.is_finite() {
        return Err(Untold::Unsteady);
    }
    // The whole at the longest exposure is known far better than its part.
    Ok(Measured::new((r / whole).max(0.0), sigma / whole))
}

#[cfg(test)]
mod tests {
    use super::super::contradiction::tests::night;
    use super::super::evidence::FrameLight;
    use super::*;
    use crate::units::Angle;

    /// Frames of a camera of a read noise of 3 under a sky of 0.4 a second, in electrons.
    fn frames(exposures: &[f64], developed: bool) -> Evidence {
        let mut night = night(&vec![6.0; exposures.len()], Angle::from_deg(1.0));
        for (frame, &t) in night.frames.iter_mut().zip(exposures) {
            frame.exposure = Some(Seconds::new(t));
            let noise = (0.4 * t + 9.0).sqrt();
            frame.light = Some(FrameLight { noise, developed });
        }
        night
    }

    fn noise(exposures: &[f64], developed: bool) -> StackNoise {
        let found = shortening(&frames(exposures, developed), Seconds::new(30.0));
        found.expect("shorter than the frames").noise
    }

    #[test]
    fn two_exposures_tell_the_cameras_own_noise() {
        // Four frames of 30 s: 4 x (12 + 9); one of 120 s: 48 + 9.
        let grown = (84.0f64 / 57.0).sqrt() - 1.0;
        let StackNoise::Told(more) = noise(&[30.0, 120.0, 120.0], false) else {
            panic!("two exposures tell");
        };
        assert!((more.value - grown).abs() < 1e-6, "{more:?}");
        assert!(more.sigma > 0.002 && more.sigma < 0.05, "{more:?}");
    }

    #[test]
    fn one_exposure_and_developed_frames_give_a_bound_and_the_reason() {
        let at_most = 1.0;
        assert_eq!(
            noise(&[120.0, 120.0], false),
            StackNoise::AtMost(at_most, Untold::OneExposure)
        );
        assert_eq!(
            noise(&[30.0, 120.0], true),
            StackNoise::AtMost(at_most, Untold::Developed)
        );
    }

    #[test]
    fn a_sky_that_changed_tells_nothing() {
        let mut night = frames(&[30.0, 120.0, 120.0], false);
        night.frames[1].light = night.frames[0].light;
        let found = shortening(&night, Seconds::new(30.0)).expect("shorter");
        let StackNoise::AtMost(_, why) = found.noise else {
            panic!("{found:?}");
        };
        assert_eq!(why, Untold::Unsteady);
    }

    #[test]
    fn exposures_that_are_short_enough_cost_nothing() {
        assert_eq!(
            shortening(&frames(&[30.0], false), Seconds::new(30.0)),
            None
        );
    }
}
