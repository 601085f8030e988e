//! The pole star's place as a picture: two faces, by eye and in an inverting scope, dim red on
//! black so that it does not blind at night.

use jiff::Timestamp;

use super::text::clock_face;
use super::{PoleStarReport, PoleStarRow};
use crate::report::drawing::{Anchor, Colour, Drawing, Point, Shape};
use crate::sky::{Darkness, PlaceAboutPole};
use crate::units::Angle;

const GROUND: Colour = Colour(0, 0, 0);
const FAINT: Colour = Colour(64, 8, 8);
const DIM: Colour = Colour(120, 18, 18);
const PLAIN: Colour = Colour(176, 32, 32);
const BRIGHT: Colour = Colour(240, 60, 48);

const WIDTH: u32 = 960;
const HEIGHT: u32 = 600;
/// Radius of the star's circle about the pole.
const PATH: f64 = 150.0;
/// Radius of a face's rim.
const RIM: f64 = 200.0;
/// Height of plain letters.
const LETTERS: f64 = 16.0;

/// Which way round a face shows the sky.
#[derive(Clone, Copy, PartialEq)]
enum Face {
    ByEye,
    Inverted,
}

impl PoleStarReport {
    /// The picture of the star's place at the instant asked for and through the night.
    pub fn to_drawing(&self) -> Drawing {
        let mut shapes = Vec::new();
        self.heading(&mut shapes);
        self.face(&mut shapes, (250.0, 320.0), Face::ByEye);
        self.face(&mut shapes, (710.0, 320.0), Face::Inverted);
        Drawing {
            width: WIDTH,
            height: HEIGHT,
            ground: GROUND,
            title: format!("{} about the refracted pole", self.now.place.star.name()),
            shapes,
        }
    }

    fn heading(&self, shapes: &mut Vec<Shape>) {
        let name = self.now.place.star.name();
        let distance = self.now.place.about_pole.distance.arcmin();
        let when = self.local(self.now.utc, "%Y-%m-%d %H:%M UTC%:z");
        let middle = f64::from(WIDTH) / 2.0;
        shapes.push(text((middle, 32.0), 24.0, BRIGHT, name.to_owned()));
        let line = format!(
            "{when}   {}   {distance:.1}' from the refracted pole",
            self.site()
        );
        shapes.push(text((middle, 64.0), LETTERS, PLAIN, line));
    }

    fn face(&self, shapes: &mut Vec<Shape>, centre: Point, face: Face) {
        rim(shapes, centre);
        self.sides(shapes, centre, face);
        self.night_path(shapes, centre, face);
        self.star_now(shapes, centre, face);
        let about = shown(self.now.place.about_pole, face);
        let name = match face {
            Face::ByEye => format!("by eye, facing {}", self.facing().pole),
            Face::Inverted => "in an inverting scope".to_owned(),
        };
        let (x, y) = (centre.0, centre.1 + RIM);
        shapes.push(text((x, y + 34.0), LETTERS, PLAIN, name));
        let reading = clock_face(about.clockwise_from_up);
        shapes.push(text((x, y + 60.0), 22.0, BRIGHT, reading));
    }

    /// Names of the sky's sides inside the rim.
    fn sides(&self, shapes: &mut Vec<Shape>, centre: Point, face: Face) {
        let facing = self.facing();
        let names = [
            (0.0, "up"),
            (90.0, facing.right),
            (180.0, "down"),
            (270.0, facing.left),
        ];
        for (angle_deg, name) in names {
            let turned = match face {
                Face::ByEye => angle_deg,
                Face::Inverted => angle_deg + 180.0,
            };
            let reach = if angle_deg % 180.0 == 0.0 { 80.0 } else { 88.0 };
            let at = around(centre, reach, Angle::from_deg(turned));
            shapes.push(text(at, 14.0, DIM, name.to_owned()));
        }
    }

    /// The star's way through the dark hours, with a dot and the time at each full hour.
    fn night_path(&self, shapes: &mut Vec<Shape>, centre: Point, face: Face) {
        shapes.push(ring(centre, PATH, 1.0, FAINT));
        let place = |row: &PoleStarRow| shown(row.place.about_pole, face).clockwise_from_up;
        let hours: Vec<&PoleStarRow> = std::iter::once(&self.now).chain(&self.night).collect();
        // A night yet to come does not join up with the instant asked for.
        let begun = self.darkness_has_begun();
        for pair in hours[usize::from(!begun)..].windows(2) {
            shapes.push(arc(centre, place(pair[0]), place(pair[1])));
        }
        for row in self.night.iter().filter(|row| self.is_full_hour(row.utc)) {
            let at = around(centre, PATH, place(row));
            shapes.push(disc(at, 3.5, PLAIN));
            let label = around(centre, PATH + 22.0, place(row));
            shapes.push(text(label, 13.0, DIM, self.local(row.utc, "%H")));
        }
    }

    fn darkness_has_begun(&self) -> bool {
        match self.darkness {
            Darkness::Between(dusk, _) => dusk <= self.now.utc,
            Darkness::Always => true,
            Darkness::Never => false,
        }
    }

    fn is_full_hour(&self, utc: Timestamp) -> bool {
        self.local(utc, "%M") == "00"
    }

    fn star_now(&self, shapes: &mut Vec<Shape>, centre: Point, face: Face) {
        let about = shown(self.now.place.about_pole, face);
        let at = around(centre, PATH, about.clockwise_from_up);
        let spoke = vec![
            around(centre, 14.0, about.clockwise_from_up),
            around(centre, PATH - 14.0, about.clockwise_from_up),
        ];
        shapes.push(line(spoke, 1.0, DIM));
        shapes.push(disc(at, 12.0, GROUND));
        shapes.push(disc(at, 8.0, BRIGHT));
        cross(shapes, centre);
    }
}

/// The place as a face shows it.
fn shown(place: PlaceAboutPole, face: Face) -> PlaceAboutPole {
    match face {
        Face::ByEye => place,
        Face::Inverted => place.in_inverting_scope(),
    }
}

/// The rim with a mark for each hour of a clock face, longer at 12, 3, 6 and 9.
fn rim(shapes: &mut Vec<Shape>, centre: Point) {
    shapes.push(ring(centre, RIM, 1.5, DIM));
    for hour in 0..12 {
        let angle = Angle::from_deg(f64::from(hour) * 30.0);
        let length = if hour % 3 == 0 { 14.0 } else { 7.0 };
        let mark = vec![
            around(centre, RIM - length, angle),
            around(centre, RIM, angle),
        ];
        shapes.push(line(mark, 1.5, DIM));
    }
}

/// The pole: a small cross.
fn cross(shapes: &mut Vec<Shape>, (x, y): Point) {
    shapes.push(line(vec![(x - 8.0, y), (x + 8.0, y)], 1.5, BRIGHT));
    shapes.push(line(vec![(x, y - 8.0), (x, y + 8.0)], 1.5, BRIGHT));
}

/// A point at a radius from a centre, clockwise from up.
fn around(centre: Point, radius: f64, clockwise_from_up: Angle) -> Point {
    (
        centre.0 + radius * clockwise_from_up.sin(),
        centre.1 - radius * clockwise_from_up.cos(),
    )
}

/// The shorter arc of the star's circle between two angles.
fn arc(centre: Point, from: Angle, to: Angle) -> Shape {
    let turn = (to - from).wrapped_signed();
    let points = (0..=8)
        .map(|n| around(centre, PATH, from + turn * (f64::from(n) / 8.0)))
        .collect();
    line(points, 2.5, DIM)
}

fn ring(centre: Point, radius: f64, width: f64, colour: Colour) -> Shape {
    Shape::Ring {
        centre,
        radius,
        width,
        colour,
    }
}

fn disc(centre: Point, radius: f64, colour: Colour) -> Shape {
    Shape::Disc {
        centre,
        radius,
        colour,
    }
}

fn line(points: Vec<Point>, width: f64, colour: Colour) -> Shape {
    Shape::Line {
        points,
        width,
        colour,
    }
}

fn text(at: Point, size: f64, colour: Colour, letters: String) -> Shape {
    Shape::Text {
        at,
        size,
        anchor: Anchor::Middle,
        colour,
        letters,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{report_pole_star, sample};
    use super::*;

    fn bright_discs(drawing: &Drawing) -> Vec<Point> {
        drawing
            .shapes
            .iter()
            .filter_map(|shape| match shape {
                Shape::Disc { centre, colour, .. } if *colour == BRIGHT => Some(*centre),
                _ => None,
            })
            .collect()
    }

    #[test]
    fn the_star_stands_up_left_by_eye_and_down_right_in_the_scope() {
        // Airless altitude 51.983 and azimuth 359.370 at latitude 51.5.
        let report = report_pole_star(&sample::question(51.5, -0.1, "2026-01-15T22:00:00Z"));
        let stars = bright_discs(&report.to_drawing());
        let [by_eye, inverted] = stars[..] else {
            panic!("one star on each face: {stars:?}");
        };
        assert!(by_eye.0 < 250.0 && by_eye.1 < 320.0);
        assert!(inverted.0 > 710.0 && inverted.1 > 320.0);
    }

    #[test]
    fn the_picture_uses_no_colour_that_blinds() {
        for colour in [FAINT, DIM, PLAIN, BRIGHT] {
            assert!(colour.1 <= 60 && colour.2 <= 60, "{colour:?}");
        }
    }

    #[test]
    fn svg_and_png_show_the_same_shape() {
        let report = report_pole_star(&sample::question(-33.9, 18.5, "2026-07-20T01:30:00Z"));
        let drawing = report.to_drawing();
        assert!(drawing.to_svg().contains("width=\"960\" height=\"600\""));
        let png = image::load_from_memory(&drawing.to_png()).unwrap();
        assert_eq!((png.width(), png.height()), (2 * WIDTH, 2 * HEIGHT));
    }
}
