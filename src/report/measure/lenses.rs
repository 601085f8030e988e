//! What frames of different exposure say about their lens, in words.

use crate::report::table::{short, with_sigma};
use crate::stars::{LensOverExposures, Stretch};
use crate::units::{Measured, Pixels};

/// `by 4 exposures of 15 to 120 s (a trail grows with them if the tracker runs, what the lens does stays):
/// stars at the centre look round without trailing (less than a trail of 0.4 px); in the corners they
/// look 2.3 +- 0.1 px long, outwards`.
pub fn lens_words(found: &LensOverExposures) -> String {
    let at_center = found.at_center.length;
    let center = if found.is_seen_at_center() {
        let length = with_sigma(at_center);
        format!("stars at the centre look {length} px long without trailing")
    } else {
        let most = most(at_center);
        format!(
            "stars at the centre look round without trailing (less than a trail of {most:.1} px)"
        )
    };
    format!(
        "by {} (a trail grows with them if the tracker runs, what the lens does stays): {center}; in the corners they look {}",
        exposures(found),
        corners(found)
    )
}

/// `lens by 4 exposures of 15 to 120 s: stars in the corners look 2.3 +- 0.1 px long, outwards`.
pub fn lens_in_corners(found: &LensOverExposures) -> String {
    format!(
        "lens by {}: stars in the corners look {}",
        exposures(found),
        corners(found)
    )
}

fn exposures(found: &LensOverExposures) -> String {
    let [shortest, longest] = found.exposures.map(|exposure| short(exposure.s()));
    format!(
        "{} exposures of {shortest} to {longest} s",
        found.frames.len()
    )
}

fn corners(found: &LensOverExposures) -> String {
    let length = found.corner.corner;
    if !found.is_seen_in_corners() {
        let most = most(length);
        return format!("round (less than a trail of {most:.1} px)");
    }
    let way = match found.corner.stretch {
        Stretch::Outwards => "outwards",
        Stretch::Around => "around the centre",
    };
    format!("{} px long, {way}", with_sigma(length))
}

/// What it may be at most, pixels: two sigmas of its square, which is what is measured.
fn most(length: Measured<Pixels>) -> f64 {
    let square = length.value.px().powi(2);
    let further = (length.value + length.sigma).px().powi(2);
    (square + 2.0 * (further - square)).sqrt().max(0.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::stars::LensShape;
    use crate::units::Seconds;

    #[test]
    fn what_is_seen_and_what_is_not_have_their_words() {
        let mut found = LensOverExposures {
            frames: vec![0, 1, 2],
            exposures: [Seconds::new(1.0 / 3.0), Seconds::new(120.0)],
            at_center: sample::trail(0.6, 0.8, 0.1),
            center_sigmas: 5.0,
            corner: LensShape {
                corner: sample::pixels(0.2, 0.3),
                stretch: Stretch::Outwards,
                turn_told: true,
            },
            trails: Vec::new(),
        };
        let words = lens_words(&found);
        for part in [
            "by 3 exposures of 0.33 to 120 s",
            "at the centre look 1.0 +- 0.1 px long",
            "corners they look round (less than a trail of 0.7 px)",
        ] {
            assert!(words.contains(part), "{part} in {words}");
        }
        found.corner.corner = sample::pixels(2.5, 0.2);
        (found.at_center, found.center_sigmas) = (sample::trail(0.1, 0.0, 0.3), 0.3);
        let words = lens_words(&found);
        for part in [
            "corners they look 2.5 +- 0.2 px long, outwards",
            "centre look round without trailing (less than a trail of 0.6 px)",
        ] {
            assert!(words.contains(part), "{part} in {words}");
        }
        assert!(
            lens_in_corners(&found)
                .starts_with("lens by 3 exposures of 0.33 to 120 s: stars in the")
        );
    }
}
