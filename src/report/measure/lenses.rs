//! What frames of different exposure say about their lens, in words.

use crate::report::table::with_sigma;
use crate::stars::{LensOverExposures, Stretch};
use crate::units::{Measured, Pixels};

/// Sigmas from which on stars are told to be out of round.
const SEEN: f64 = 2.0;

/// `by 4 exposures of 15 to 120 s (a trail grows with them, what the lens does stays): it leaves stars at
/// the centre round (less than a trail of 0.4 px) and draws those in the corners outwards, like a trail
/// of 2.3 +- 0.1 px`.
pub fn lens_words(found: &LensOverExposures) -> String {
    let [shortest, longest] = found.exposures.map(|exposure| exposure.s());
    let (at_center, in_corners) = (found.at_center.length, found.corner.corner);
    let center = if found.center_significance() > SEEN {
        let length = with_sigma(at_center);
        format!("leaves stars at the centre as long as a trail of {length} px would")
    } else {
        let most = most(at_center);
        format!("leaves stars at the centre round (less than a trail of {most:.1} px)")
    };
    let corner = if found.corner_significance() > SEEN {
        let way = match found.corner.stretch {
            Stretch::Outwards => "outwards",
            Stretch::Around => "around the centre",
        };
        let length = with_sigma(in_corners);
        format!("draws those in the corners {way}, like a trail of {length} px")
    } else {
        let most = most(in_corners);
        format!("draws those in the corners by no more than a trail of {most:.1} px")
    };
    format!(
        "by {} exposures of {shortest} to {longest} s (a trail grows with them, what the lens does stays): \
         it {center} and {corner}",
        found.frames.len()
    )
}

/// What it may be at most, pixels: two sigmas of its square, which is what is measured.
fn most(length: Measured<Pixels>) -> f64 {
    let square = length.value.px().powi(2);
    let further = (length.value + length.sigma).px().powi(2);
    (square + SEEN * (further - square)).sqrt().max(0.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::stars::{FrameTrail, LensShape};
    use crate::units::{Angle, Seconds};

    #[test]
    fn what_is_seen_and_what_is_not_have_their_words() {
        let seen = FrameTrail {
            angle_sigma: Angle::from_deg(5.0),
            ..sample::trail(0.6, 0.8, 0.1)
        };
        let mut found = LensOverExposures {
            frames: vec![0, 1, 2],
            exposures: [Seconds::new(15.0), Seconds::new(120.0)],
            at_center: seen,
            corner: LensShape {
                corner: sample::pixels(0.2, 0.3),
                stretch: Stretch::Outwards,
                turn_told: true,
            },
            trails: Vec::new(),
        };
        let words = lens_words(&found);
        for part in [
            "by 3 exposures of 15 to 120 s",
            "as long as a trail of 1.0 +- 0.1 px",
            "no more than a trail of 0.7 px",
        ] {
            assert!(words.contains(part), "{part} in {words}");
        }
        found.corner.corner = sample::pixels(2.5, 0.2);
        found.at_center = FrameTrail {
            angle_sigma: Angle::from_deg(40.0),
            ..sample::trail(0.1, 0.0, 0.3)
        };
        let words = lens_words(&found);
        for part in [
            "corners outwards, like a trail of 2.5 +- 0.2 px",
            "centre round (less than a trail of 0.6 px)",
        ] {
            assert!(words.contains(part), "{part} in {words}");
        }
    }
}
