//! What was found out about a frame, in a column of short lines beside its picture.

use crate::report::drawing::{Anchor, Point, Shape, text_width};
use crate::report::page::folded;
use crate::report::table::with_sigma;

use super::lines as foreign;
use super::panel::{Area, FOUND, KNOWN, LETTERS, LINE, QUIET, WORDS, text};
use super::{Identified, Identity, MeasuredFile, Measurement, marks, places};

/// The lines from a corner down, no wider than the area.
pub fn facts(file: &MeasuredFile, measured: &Measurement, area: &Area) -> Vec<Shape> {
    let columns = (area.width / text_width("x", LETTERS)).floor() as usize;
    let mut shapes = Vec::new();
    let mut y = area.top + LETTERS / 2.0;
    for (label, words) in lines(file, measured) {
        let indent = if label.is_empty() { 0 } else { LABEL_COLUMNS };
        shapes.push(text((area.left, y), Anchor::Start, QUIET, label.into()));
        let left = area.left + text_width("x", LETTERS) * indent as f64;
        for row in folded(&words, columns.saturating_sub(indent).max(8)) {
            shapes.push(text((left, y), Anchor::Start, WORDS, row));
            y += LINE;
        }
    }
    shapes.extend(legend((area.left, y + 4.0), measured));
    shapes
}

/// Height of the column for an area of this width.
pub fn height(file: &MeasuredFile, measured: &Measurement, width: f64) -> f64 {
    let area = Area {
        left: 0.0,
        top: 0.0,
        width,
        height: 0.0,
    };
    let lowest = facts(file, measured, &area)
        .iter()
        .map(|shape| match shape {
            Shape::Text { at, .. } => at.1,
            _ => 0.0,
        })
        .fold(0.0, f64::max);
    lowest + LETTERS
}

/// Columns of the labels and the space after them.
const LABEL_COLUMNS: usize = 11;

fn lines(file: &MeasuredFile, measured: &Measurement) -> Vec<(&'static str, String)> {
    let frame = &file.frame;
    let mut lines = Vec::new();
    match &measured.identity {
        Identity::Known(known) => lines.extend(looking(file, known)),
        Identity::Unknown(reason) => lines.push(("", format!("not identified: {reason}"))),
    }
    if let Some(fwhm) = frame.fwhm {
        lines.push(("width", format!("{} px", with_sigma(fwhm))));
    }
    lines.push(match frame.trail {
        Some(trail) => ("trail", format!("{} px", with_sigma(trail.length))),
        None => ("trail", "not measured".into()),
    });
    lines.extend(foreign::words(&measured.field.rejected).map(|words| ("foreign", words)));
    lines
}

fn looking(file: &MeasuredFile, known: &Identified) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    if let Some(center) = &file.frame.center {
        let ra = center.ra.map(places::right_ascension).unwrap_or_default();
        let dec = places::declination(center.dec);
        lines.push(("centre", format!("{ra} {dec}")));
        let up = center.up_position_angle.deg();
        lines.push(("top", format!("position angle {up:.1} deg")));
        if let Some((azimuth, altitude)) = center.horizon.map(|direction| direction.az_alt()) {
            lines.push(("azimuth", places::with_side(azimuth)));
            lines.push(("altitude", format!("{:.1} deg", altitude.deg())));
        }
        if let Some(angle) = center.hour_angle {
            lines.push(("hour angle", places::hour_angle(angle)));
        }
    }
    lines.push(("one pixel", places::scale(known)));
    lines.push(("focal", places::focal_length(known)));
    lines.push(("distortion", places::plus_minus(known.distortion())));
    lines.push(("rms", format!("{:.2} px", known.plate.rms.px())));
    lines
}

/// What the rings mean.
fn legend((left, y): Point, measured: &Measurement) -> Vec<Shape> {
    let n_stars = measured.field.stars.len();
    let n_known = measured
        .identity
        .known()
        .map_or(0, |known| known.plate.matches.len());
    let mut entries = Vec::new();
    if n_known > 0 {
        entries.push((KNOWN, 5.0, format!("identified: {n_known}")));
    }
    entries.push((FOUND, 4.0, format!("not identified: {}", n_stars - n_known)));
    let mut shapes = Vec::new();
    let mut line = y;
    for (colour, radius, words) in entries {
        shapes.push(Shape::Ring {
            centre: (left + 6.0, line),
            radius,
            width: 1.3,
            colour,
        });
        shapes.push(text((left + 18.0, line), Anchor::Start, WORDS, words));
        line += LINE;
    }
    if n_stars > marks::MOST_MARKS {
        let words = format!("the {} brightest ringed", marks::MOST_MARKS);
        shapes.push(text((left, line), Anchor::Start, QUIET, words));
    }
    shapes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::identity::tests::{identified, with_matches};
    use crate::report::measure::tests::{looking, slanted};

    fn words(file: &MeasuredFile, width: f64) -> Vec<(Point, String)> {
        let area = Area {
            left: 10.0,
            top: 20.0,
            width,
            height: 300.0,
        };
        let shapes = facts(file, file.measured.as_ref().unwrap(), &area);
        let texts = shapes.into_iter().filter_map(|shape| match shape {
            Shape::Text { at, letters, .. } => Some((at, letters)),
            _ => None,
        });
        texts.filter(|(_, letters)| !letters.is_empty()).collect()
    }

    #[test]
    fn a_known_frame_tells_its_place_and_lens() {
        let file = looking(with_matches(identified(83.82, -5.39, 1.0), 3));
        let words = words(&file, 300.0);
        for wanted in [
            "05h35m17s -05d23m24s",
            "position angle 1.0 deg",
            "identified: 3",
        ] {
            assert!(words.iter().any(|(_, text)| text == wanted), "{words:?}");
        }
    }

    #[test]
    fn long_reasons_are_folded_and_no_lines_touch() {
        let words = words(&slanted(), 220.0);
        assert!(
            words[0].1.starts_with("not identified: no part"),
            "{words:?}"
        );
        for (at, letters) in &words {
            assert!(at.0 + text_width(letters, LETTERS) <= 232.0, "{letters}");
        }
        let mut heights: Vec<f64> = words.iter().map(|(at, _)| at.1).collect();
        heights.dedup();
        assert!(heights.windows(2).all(|pair| pair[1] - pair[0] >= LETTERS));
    }
}
