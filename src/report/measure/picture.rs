//! One frame as a picture: the photograph with its stars marked; beside or below it what was
//! found, the directions on a dial, and how the stars are drawn out over the frame.

use crate::report::drawing::{Anchor, Drawing, Point, Shape};
use crate::report::table::file_name;

use super::dial::{self, dial};
use super::facts::{self, facts};
use super::lines;
use super::marks::marks;
use super::panel::{Area, GROUND, LETTERS, PHOTOGRAPH, QUIET, RULE, WORDS, cut, sized_text, text};
use super::stamp::Stamp;
use super::whiskers::whiskers;
use super::{Identity, MeasuredFile, Measurement};

/// Longer side of the photograph as drawn.
const LONGER_SIDE: f64 = 960.0;
/// Room around everything.
const MARGIN: f64 = 20.0;
/// Room for the words above the photograph.
const HEAD: f64 = 72.0;
/// Between the parts.
const GAP: f64 = 28.0;
/// Width of the column of facts.
const FACTS: f64 = 300.0;
/// Width of the dial with its letters.
const DIAL: f64 = 2.0 * (dial::RADIUS + dial::RIM);
/// Height of the dial with its caption.
const DIAL_HEIGHT: f64 = DIAL + 24.0;
/// Room above the whiskers for their words.
const ABOVE_WHISKERS: f64 = 20.0;

/// Where the parts lie.
struct Layout {
    photograph: Area,
    facts: Area,
    dial: Point,
    whiskers: Area,
    stamp: Stamp,
    size: (f64, f64),
}

impl MeasuredFile {
    /// The picture; `None` for a file set aside.
    pub fn to_drawing(&self) -> Option<Drawing> {
        let measured = self.measured.as_ref()?;
        let layout = self.layout(measured);
        let scale = layout.photograph.width / measured.field.width as f64;
        let mut shapes = self.head(measured, layout.size.0);
        shapes.extend(photograph(measured, &layout.photograph));
        shapes.extend(marks(
            &measured.field,
            measured.identity.known(),
            &layout.photograph,
        ));
        let rejected = &measured.field.rejected;
        shapes.extend(lines::mark(rejected, &layout.photograph, scale));
        shapes.push(layout.photograph.border(RULE));
        shapes.extend(facts(self, measured, &layout.facts));
        shapes.extend(dial(self, layout.dial, scale));
        shapes.extend(whiskers(&measured.field, &layout.whiskers));
        shapes.extend(layout.stamp.shapes());
        Some(Drawing {
            width: layout.size.0.ceil() as u32,
            height: layout.size.1.ceil() as u32,
            ground: GROUND,
            title: format!("stars and trails of {}", self.frame.file),
            shapes,
        })
    }

    fn layout(&self, measured: &Measurement) -> Layout {
        let shape = (measured.field.width, measured.field.height);
        let photograph = Area::fitted((MARGIN, HEAD), (LONGER_SIDE, LONGER_SIDE), shape);
        let facts_height = facts::height(self, measured, FACTS);
        if shape.0 >= shape.1 {
            self.below(photograph, facts_height, shape)
        } else {
            self.beside(photograph, facts_height, shape)
        }
    }

    /// Facts, dial and whiskers in a row below a photograph that lies.
    fn below(&self, photograph: Area, facts_height: f64, shape: (usize, usize)) -> Layout {
        let top = photograph.bottom() + GAP;
        let room = LONGER_SIDE - FACTS - DIAL - 2.0 * GAP;
        let corner = (MARGIN + FACTS + DIAL + 2.0 * GAP, top + ABOVE_WHISKERS);
        let facts = Area {
            left: MARGIN,
            top,
            width: FACTS,
            height: facts_height,
        };
        let whiskers = Area::fitted(corner, (room, 0.75 * room), shape);
        let corner = (MARGIN, facts.bottom().max(top + DIAL_HEIGHT) + GAP);
        let stamp = Stamp::new(self, corner, FACTS + GAP + DIAL);
        let lowest = stamp.bottom().max(whiskers.bottom());
        Layout {
            photograph,
            facts,
            dial: (MARGIN + FACTS + GAP + DIAL / 2.0, top + DIAL / 2.0),
            whiskers,
            stamp,
            size: (LONGER_SIDE + 2.0 * MARGIN, lowest + MARGIN),
        }
    }

    /// Facts, dial and whiskers in a column beside a photograph that stands.
    fn beside(&self, photograph: Area, facts_height: f64, shape: (usize, usize)) -> Layout {
        let left = photograph.right() + GAP;
        let facts = Area {
            left,
            top: HEAD,
            width: FACTS,
            height: facts_height,
        };
        let dial = (left + FACTS / 2.0, facts.bottom() + GAP + DIAL / 2.0);
        let top = dial.1 + DIAL / 2.0 + 24.0 + GAP + ABOVE_WHISKERS;
        let room = (photograph.bottom() - top).max(240.0);
        let whiskers = Area::fitted((left, top), (FACTS, room), shape);
        let stamp = Stamp::new(self, (left, whiskers.bottom() + GAP), FACTS);
        let lowest = photograph.bottom().max(stamp.bottom());
        Layout {
            photograph,
            facts,
            dial,
            whiskers,
            stamp,
            size: (left + FACTS + MARGIN, lowest + MARGIN),
        }
    }

    /// The file's name and the answer in a line.
    fn head(&self, measured: &Measurement, width: f64) -> Vec<Shape> {
        let room = width - 2.0 * MARGIN;
        let name = cut(file_name(&self.frame.file), 20.0, room);
        let identified = match &measured.identity {
            Identity::Known(_) => "stars identified",
            Identity::Unknown(_) => "stars not identified",
        };
        let line = format!("{}, {identified}", self.frame.verdict.key());
        vec![
            sized_text((MARGIN, 28.0), 20.0, Anchor::Start, WORDS, name),
            text(
                (MARGIN, 54.0),
                Anchor::Start,
                QUIET,
                cut(&line, LETTERS, room),
            ),
        ]
    }
}

fn photograph(measured: &Measurement, area: &Area) -> Option<Shape> {
    let photograph = measured.photograph.as_ref()?;
    Some(Shape::Photograph {
        corner: (area.left, area.top),
        size: (area.width, area.height),
        colour: PHOTOGRAPH,
        grey: photograph.grey.clone(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::drawing::text_width;
    use crate::report::measure::identity::tests::{identified, with_matches};
    use crate::report::measure::tests::{looking, slanted};

    /// The extent of a shape: left, top, right, bottom.
    fn extent(shape: &Shape) -> (f64, f64, f64, f64) {
        match shape {
            Shape::Disc { centre, radius, .. } | Shape::Ring { centre, radius, .. } => (
                centre.0 - radius,
                centre.1 - radius,
                centre.0 + radius,
                centre.1 + radius,
            ),
            Shape::Line { points, .. } => points.iter().fold(
                (f64::MAX, f64::MAX, f64::MIN, f64::MIN),
                |(left, top, right, bottom), (x, y)| {
                    (left.min(*x), top.min(*y), right.max(*x), bottom.max(*y))
                },
            ),
            Shape::Photograph { corner, size, .. } => {
                (corner.0, corner.1, corner.0 + size.0, corner.1 + size.1)
            }
            Shape::Text {
                at,
                size,
                anchor,
                letters,
                ..
            } => {
                let width = text_width(letters, *size);
                let left = match anchor {
                    Anchor::Start => at.0,
                    Anchor::Middle => at.0 - width / 2.0,
                    Anchor::End => at.0 - width,
                };
                (left, at.1 - size / 2.0, left + width, at.1 + size / 2.0)
            }
        }
    }

    fn turned(mut file: MeasuredFile, width: usize, height: usize) -> MeasuredFile {
        let field = &mut file.measured.as_mut().unwrap().field;
        let (across, down) = (width as f64 / 1200.0, height as f64 / 800.0);
        (field.width, field.height) = (width, height);
        for star in &mut field.stars {
            star.position.x *= across;
            star.position.y *= down;
        }
        file
    }

    #[test]
    fn everything_stays_inside_whatever_the_shape_of_the_frame() {
        for (width, height) in [
            (1200, 800),
            (800, 1200),
            (3000, 300),
            (300, 3000),
            (700, 700),
        ] {
            for file in [
                slanted(),
                looking(with_matches(identified(84.05, -1.2, 200.0), 20)),
            ] {
                let drawing = turned(file, width, height).to_drawing().unwrap();
                // Rings of stars at the very edge reach out by their radius, into the margin.
                for shape in &drawing.shapes {
                    let (left, top, right, bottom) = extent(shape);
                    assert!(left >= 0.0 && top >= 0.0, "{width} {height} {shape:?}");
                    assert!(
                        right <= f64::from(drawing.width),
                        "{width} {height} {shape:?}"
                    );
                    assert!(
                        bottom <= f64::from(drawing.height),
                        "{width} {height} {shape:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_file_set_aside_has_no_picture() {
        let mut file = slanted();
        file.measured = None;
        assert!(file.to_drawing().is_none());
    }
}
