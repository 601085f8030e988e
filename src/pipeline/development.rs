//! What the identified stars say of the pictures' development, and the frames put right by it.

use super::gather::MeasuredFrame;
use crate::error::Warning;
use crate::identify::Plate;
use crate::sky::catalogue::Catalogue;
use crate::stars::Response;

/// Puts a developed frame's trail and widths right, once, where the brightness of its identified stars
/// shows that its values are none of linear light.
pub(super) fn allow_for_development(frame: &mut MeasuredFrame, plate: &Plate) {
    if !frame.header.developed || frame.response.is_some() {
        return;
    }
    let catalogue = Catalogue::embedded();
    let known = plate.matches.iter();
    let known: Vec<(usize, f64)> = known
        .map(|one| (one.star_idx, catalogue.magnitude(one.catalogue_idx)))
        .collect();
    frame.response = Response::learn(&frame.field, &known);
    if let Some(response) = frame.response {
        frame.field.put_in_linear_light(response);
    }
}

/// The same for an alignment's frames; one warning for all.
pub(super) fn allow_in_all(
    frames: &mut [MeasuredFrame],
    plates: &[Option<Plate>],
) -> Option<Warning> {
    for (frame, plate) in frames.iter_mut().zip(plates) {
        if let Some(plate) = plate {
            allow_for_development(frame, plate);
        }
    }
    let found: Vec<Response> = frames.iter().filter_map(|frame| frame.response).collect();
    told(&found)
}

/// In words, where any frame was put right.
pub(super) fn told(found: &[Response]) -> Option<Warning> {
    let powers = found.iter().map(|response| response.power.value);
    let least = powers.clone().min_by(f64::total_cmp)?;
    let most = powers.max_by(f64::total_cmp)?;
    let range = if most - least < 0.05 {
        format!("{most:.1}")
    } else {
        format!("{least:.1} to {most:.1}")
    };
    Some(Warning::new(format!(
        "by the brightness of their stars, the development of {} shows light as its power {range}: \
         that changes lengths and widths, and is allowed for in trails and widths, with its doubt in their sigmas",
        match found.len() {
            1 => "one picture".to_owned(),
            n => format!("{n} pictures"),
        }
    )))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measured;

    #[test]
    fn words_tell_how_many_pictures_and_how_much() {
        let response = |power| Response {
            power: Measured::new(power, 0.1),
        };
        assert_eq!(told(&[]), None);
        let one = told(&[response(1.62)]).expect("one").text;
        assert!(
            one.contains("of one picture shows light as its power 1.6:"),
            "{one}"
        );
        let two = told(&[response(1.5), response(1.9)]).expect("two").text;
        assert!(
            two.contains("of 2 pictures shows light as its power 1.5 to 1.9:"),
            "{two}"
        );
    }
}
