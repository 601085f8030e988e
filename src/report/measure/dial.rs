//! The directions of a frame on a dial: north, east, zenith, and the trail, drawn larger.

use crate::report::drawing::{Anchor, Point, Shape};

use super::MeasuredFile;
use super::panel::{QUIET, RULE, SKY, TRAIL, ZENITH, arrow, line, text};

/// Radius of the dial.
pub const RADIUS: f64 = 62.0;
/// Room about the dial for its letters.
pub const RIM: f64 = 26.0;
/// How many times as long as in the picture a trail may be drawn.
const FACTORS: [f64; 9] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
/// Directions closer than this would write their letters over each other, cosine.
const CLOSE: f64 = 0.93;

/// The dial about its centre; `scale` is the picture's, in units for one pixel of the frame.
pub fn dial(file: &MeasuredFile, centre: Point, scale: f64) -> Vec<Shape> {
    let mut shapes = vec![Shape::Ring {
        centre,
        radius: RADIUS,
        width: 1.0,
        colour: RULE,
    }];
    shapes.extend(sky_arrows(file, centre));
    let below = (centre.0, centre.1 + RADIUS + RIM + 14.0);
    let caption = match seen_trail(file) {
        Some((dx, dy)) => {
            let length = dx.hypot(dy);
            let factor = factor(length * scale);
            let half = factor * scale / 2.0;
            shapes.push(line(
                vec![
                    (centre.0 - half * dx, centre.1 - half * dy),
                    (centre.0 + half * dx, centre.1 + half * dy),
                ],
                4.0,
                TRAIL,
            ));
            format!("trail, {factor} x as long")
        }
        None => "no trail seen".into(),
    };
    shapes.push(text(below, Anchor::Middle, TRAIL, caption));
    shapes
}

/// The trail, where it stands out of its noise.
fn seen_trail(file: &MeasuredFile) -> Option<Point> {
    let trail = file.frame.trail?;
    let seen = trail.length.value > trail.length.sigma * 2.0;
    seen.then_some((trail.vector.dx, trail.vector.dy))
}

/// The largest factor that keeps the trail on the dial.
fn factor(length: f64) -> f64 {
    let fits = |factor: &&f64| **factor * length <= 1.7 * RADIUS;
    FACTORS.iter().rfind(fits).copied().unwrap_or(FACTORS[0])
}

fn sky_arrows(file: &MeasuredFile, centre: Point) -> Vec<Shape> {
    let Some(known) = file.measured.as_ref().and_then(|m| m.identity.known()) else {
        let at = (centre.0, centre.1 - RADIUS - 14.0);
        return vec![text(at, Anchor::Middle, QUIET, "north not known".into())];
    };
    let deg = crate::units::Angle::from_deg;
    let (north, east) = (known.in_picture(deg(0.0)), known.in_picture(deg(90.0)));
    let zenith = known.zenith.map(|zenith| known.in_picture(zenith));
    let mut shapes = Vec::new();
    let mut point = |direction: Point, reach: f64, beyond: f64, letter: &str, colour| {
        let at = |radius: f64| {
            (
                centre.0 + radius * direction.0,
                centre.1 + radius * direction.1,
            )
        };
        shapes.extend(arrow(centre, at(reach), 1.6, colour));
        shapes.push(text(at(beyond), Anchor::Middle, colour, letter.into()));
    };
    point(east, 0.7 * RADIUS, RADIUS + 12.0, "E", SKY);
    if let Some(zenith) = zenith {
        let close = dot(zenith, north).max(dot(zenith, east)) > CLOSE;
        let beyond = if close { RADIUS + 27.0 } else { RADIUS + 12.0 };
        point(zenith, 0.86 * RADIUS, beyond, "Z", ZENITH);
    }
    point(north, RADIUS, RADIUS + 12.0, "N", SKY);
    shapes
}

fn dot(a: Point, b: Point) -> f64 {
    a.0 * b.0 + a.1 * b.1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::identity::tests::identified;
    use crate::report::measure::tests::{looking, slanted};

    fn letters(shapes: &[Shape]) -> Vec<(String, Point)> {
        let texts = shapes.iter().filter_map(|shape| match shape {
            Shape::Text { at, letters, .. } => Some((letters.clone(), *at)),
            _ => None,
        });
        texts.collect()
    }

    #[test]
    fn north_is_up_and_east_left_in_a_level_frame_of_the_south() {
        let shapes = dial(&looking(identified(80.0, 0.0, 0.0)), (100.0, 100.0), 0.5);
        let found = letters(&shapes);
        let place = |letter: &str| found.iter().find(|(text, _)| text == letter).unwrap().1;
        let (north, east) = (place("N"), place("E"));
        assert!((north.0 - 100.0).abs() < 1e-6 && north.1 < 100.0 - RADIUS);
        assert!((east.1 - 100.0).abs() < 1e-6 && east.0 < 100.0);
        // The zenith 20 degrees east of north: to the left of up.
        assert!(place("Z").0 < 100.0 && place("Z").1 < 100.0);
    }

    #[test]
    fn the_factor_is_said_and_keeps_the_trail_on_the_dial() {
        let shapes = dial(&slanted(), (100.0, 100.0), 0.5);
        // 6 px at half size: 3 units; 20 times that is 60 of the 124 across.
        let words: Vec<String> = letters(&shapes).into_iter().map(|(text, _)| text).collect();
        assert!(
            words.contains(&"trail, 20 x as long".to_string()),
            "{words:?}"
        );
        assert!(words.contains(&"north not known".to_string()), "{words:?}");
        let drawn = shapes.iter().find_map(|shape| match shape {
            Shape::Line { points, colour, .. } if *colour == TRAIL => Some(points.clone()),
            _ => None,
        });
        let ends = drawn.unwrap();
        let length = (ends[1].0 - ends[0].0).hypot(ends[1].1 - ends[0].1);
        assert!((length - 60.0).abs() < 1e-9, "{length}");
        assert_eq!(factor(5000.0), 0.1);
    }

    #[test]
    fn a_trail_below_its_noise_is_not_drawn() {
        let mut file = slanted();
        let trail = file.frame.trail.as_mut().unwrap();
        trail.length.sigma = trail.length.value;
        let words = letters(&dial(&file, (100.0, 100.0), 0.5));
        assert!(words.iter().any(|(text, _)| text == "no trail seen"));
    }
}
