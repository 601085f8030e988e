//! Frames whose own trail disagrees with the drift between frames, in words.

use super::wording::Situation;
use crate::diagnosis::FrameEvidence;
use crate::units::{Measured, Pixels};

/// A disagreement of fewer sigmas is chance.
const SURE: f64 = 4.0;
/// A smaller one is nothing that anybody sees, pixels.
const LEAST_PX: f64 = 0.7;

/// One sentence a direction that disagrees, with the frame that disagrees most.
pub fn own_motion_words(situation: &Situation<'_>) -> Vec<String> {
    let along = odd_frames(situation, &|frame| Some(frame.own_motion?.along));
    let across = odd_frames(situation, &|frame| Some(frame.own_motion?.across));
    let along = along.map(|odd| {
        format!("{odd} along the daily motion: the drive does not run evenly within the exposure")
    });
    let across = across.map(|odd| {
        format!("{odd} across the daily motion: wind, a shaky rig or the lens stretches the stars")
    });
    along.into_iter().chain(across).collect()
}

/// "in 2 of 4 frames, most in NAME, the stars' own trail differs from the drift by 2.1 +- 0.2 px".
fn odd_frames(
    situation: &Situation<'_>,
    part: &dyn Fn(&FrameEvidence) -> Option<Measured<Pixels>>,
) -> Option<String> {
    let frames = &situation.evidence.frames;
    let known: Vec<(&FrameEvidence, Measured<Pixels>)> = frames
        .iter()
        .filter_map(|frame| Some((frame, part(frame)?)))
        .collect();
    let odd: Vec<_> = known.iter().filter(|(_, rest)| is_odd(*rest)).collect();
    let (worst, rest) = odd
        .iter()
        .max_by(|a, b| a.1.value.abs().px().total_cmp(&b.1.value.abs().px()))?;
    let name = situation.files.get(worst.frame)?;
    Some(format!(
        "in {} of {} frames, most in {name}, the stars' own trail differs from the drift between frames by {:.1} +- {:.1} px",
        odd.len(),
        known.len(),
        rest.value.abs().px(),
        rest.sigma.px().max(0.1)
    ))
}

fn is_odd(rest: Measured<Pixels>) -> bool {
    let size = rest.value.abs();
    size > rest.sigma * SURE && size.px() > LEAST_PX
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_or_unsure_disagreements_are_not_odd() {
        let rest = |value, sigma| Measured::new(Pixels::new(value), Pixels::new(sigma));
        assert!(is_odd(rest(-2.0, 0.3)));
        assert!(!is_odd(rest(2.0, 0.6)));
        assert!(!is_odd(rest(0.5, 0.01)));
    }
}
