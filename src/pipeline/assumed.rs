//! What was taken for granted, a sentence each, with what it is worth.

use super::alignment::Examined;
use super::facts::NightFacts;
use crate::identify::air_clock::ClockByAir;
use crate::report::CenterSource;
use crate::report::measure::lens_in_corners;
use crate::units::{Angle, Measured};

/// The sentences of a night.
pub fn assumptions(facts: &NightFacts, examined: &[Examined], by_air: ClockByAir) -> Vec<String> {
    let mut sentences = Vec::new();
    sentences.extend(clock_sentence(facts, examined, by_air));
    sentences.extend(lens_sentence(facts, examined));
    let by_exposures = examined.iter().flat_map(|one| &one.by_exposures);
    sentences.extend(by_exposures.map(lens_in_corners));
    if examined.iter().any(is_hinted) {
        sentences.push("directions as given by option, good to about 4 degrees".to_owned());
    }
    sentences
}

/// A number with its noun, in the plural where it needs one.
pub fn counted(number: usize, noun: &str) -> String {
    match number {
        1 => format!("1 {noun}"),
        _ => format!("{number} {noun}s"),
    }
}

/// The camera's clock is believed; an hour would turn the axis error by 15 degrees about the pole.
fn clock_sentence(facts: &NightFacts, examined: &[Examined], by_air: ClockByAir) -> Option<String> {
    facts.site?;
    match by_air {
        ClockByAir::BornOut(sigma) => {
            let minutes = (sigma.s() / 60.0).ceil();
            return Some(format!(
                "the camera's clock is right: how the air flattens the sky in the frames agrees to {minutes:.0} min"
            ));
        }
        ClockByAir::Ahead(_) => {
            return Some("the camera's clock, though the air speaks against it: see below".into());
        }
        ClockByAir::CannotTell => {}
    }
    let by_stars = examined.iter().filter(|one| {
        one.aims
            .iter()
            .flatten()
            .any(|aim| aim.source == CenterSource::Stars)
    });
    // The last alignment is how the tracker stands now.
    let axis = by_stars.rev().find_map(|one| one.axis_over_ground())?;
    let hour = axis.error.total().arcmin() * Angle::from_deg(15.0).sin();
    // A clock wrong by an hour matters where it moves the answer by more than the answer's noise.
    Some(if hour >= 1.0 {
        format!(
            "the camera's clock is right, which these frames do not show; if it is an hour off (summer time?), the axis error turns by 15 degrees, {hour:.0}' here"
        )
    } else {
        "the camera's clock is right".to_owned()
    })
}

fn lens_sentence(facts: &NightFacts, examined: &[Examined]) -> Option<String> {
    let scales = examined.iter().flat_map(|one| {
        let frames = one.gathered.frames.iter().zip(&one.plates.plates);
        frames.filter_map(|(frame, plate)| {
            Some(facts.seen_pixel_scale(&frame.header, plate.as_ref()?))
        })
    });
    let best = scales.min_by(|a, b| a.sigma.rad().total_cmp(&b.sigma.rad()))?;
    let scale = Measured::new(best.value.arcsec(), best.sigma.arcsec());
    let places = decimals(scale.sigma);
    Some(format!(
        "lens by the stars: {:.places$} +- {:.places$} arcsec a pixel at the centre",
        scale.value, scale.sigma
    ))
}

/// Decimal places that show the first figure of a sigma, at least 3 and at most 6.
fn decimals(sigma: f64) -> usize {
    (3..6)
        .find(|&places| sigma >= 10_f64.powi(-places))
        .unwrap_or(6) as usize
}

fn is_hinted(one: &Examined) -> bool {
    one.aims
        .iter()
        .flatten()
        .any(|aim| aim.source == CenterSource::Hint)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sigma_shows_its_first_figure() {
        let places = [0.5, 0.001, 0.000_9, 0.000_04, 1e-9, 0.0].map(decimals);
        assert_eq!(places, [3, 3, 4, 5, 6, 6]);
    }
}
