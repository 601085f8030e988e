//! Colours, letters and areas that the parts of a frame's picture share: calm, on dark.

use crate::report::drawing::{Anchor, Colour, Point, Shape, text_width};

/// The ground.
pub const GROUND: Colour = Colour(9, 9, 12);
/// Borders.
pub const RULE: Colour = Colour(58, 58, 66);
/// Brightest pixels of the photograph: dim, so that marks stand out.
pub const PHOTOGRAPH: Colour = Colour(158, 164, 178);
/// Headings and names.
pub const WORDS: Colour = Colour(232, 222, 204);
/// Lesser words.
pub const QUIET: Colour = Colour(150, 146, 140);
/// Identified stars.
pub const KNOWN: Colour = Colour(244, 178, 74);
/// Stars that were found but not identified.
pub const FOUND: Colour = Colour(104, 128, 158);
/// Trails.
pub const TRAIL: Colour = Colour(236, 104, 84);
/// North and east.
pub const SKY: Colour = Colour(126, 196, 190);
/// The zenith.
pub const ZENITH: Colour = Colour(200, 170, 226);

/// Height of plain letters.
pub const LETTERS: f64 = 13.0;
/// From one line of plain letters to the next.
pub const LINE: f64 = 20.0;

/// A rectangle of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    pub left: f64,
    pub top: f64,
    pub width: f64,
    pub height: f64,
}

impl Area {
    /// The largest area of this shape whose corner is here and that fits into width and height.
    pub fn fitted(corner: Point, room: (f64, f64), shape: (usize, usize)) -> Self {
        let scale = (room.0 / shape.0 as f64).min(room.1 / shape.1 as f64);
        Self {
            left: corner.0,
            top: corner.1,
            width: scale * shape.0 as f64,
            height: scale * shape.1 as f64,
        }
    }
    /// Where a pixel of the frame lies; pixel centres stand half a pixel inside the frame's edge.
    pub fn place(&self, (x, y): Point, scale: f64) -> Point {
        (self.left + scale * (x + 0.5), self.top + scale * (y + 0.5))
    }
    /// Its right side.
    pub fn right(&self) -> f64 {
        self.left + self.width
    }
    /// Its lower side.
    pub fn bottom(&self) -> f64 {
        self.top + self.height
    }
    /// Whether another area lies inside.
    pub fn holds(&self, other: &Area) -> bool {
        other.left >= self.left
            && other.top >= self.top
            && other.right() <= self.right()
            && other.bottom() <= self.bottom()
    }
    /// Whether two areas overlap.
    pub fn meets(&self, other: &Area) -> bool {
        self.left < other.right()
            && other.left < self.right()
            && self.top < other.bottom()
            && other.top < self.bottom()
    }
    /// Its outline.
    pub fn border(&self, colour: Colour) -> Shape {
        let (left, top, right, bottom) = (self.left, self.top, self.right(), self.bottom());
        let corners = vec![
            (left, top),
            (right, top),
            (right, bottom),
            (left, bottom),
            (left, top),
        ];
        line(corners, 1.0, colour)
    }
}

/// A line.
pub fn line(points: Vec<Point>, width: f64, colour: Colour) -> Shape {
    Shape::Line {
        points,
        width,
        colour,
    }
}

/// A line with a head at its end.
pub fn arrow(from: Point, to: Point, width: f64, colour: Colour) -> Vec<Shape> {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy).max(1e-9);
    let (dx, dy) = (dx / length, dy / length);
    let barb = |side: f64| {
        (
            to.0 - 9.0 * dx + side * 4.5 * dy,
            to.1 - 9.0 * dy - side * 4.5 * dx,
        )
    };
    vec![
        line(vec![from, to], width, colour),
        line(vec![barb(1.0), to, barb(-1.0)], width, colour),
    ]
}

/// Plain letters.
pub fn text(at: Point, anchor: Anchor, colour: Colour, letters: String) -> Shape {
    sized_text(at, LETTERS, anchor, colour, letters)
}

/// Letters of any height.
pub fn sized_text(at: Point, size: f64, anchor: Anchor, colour: Colour, letters: String) -> Shape {
    Shape::Text {
        at,
        size,
        anchor,
        colour,
        letters: plain(&letters),
    }
}

/// Plain letters with a dark seam, to be read over a photograph.
pub fn seamed_text(at: Point, colour: Colour, letters: &str) -> Vec<Shape> {
    let around = [(-1.2, 0.0), (1.2, 0.0), (0.0, -1.2), (0.0, 1.2)];
    let seam = around.map(|(dx, dy)| {
        let moved = (at.0 + dx, at.1 + dy);
        text(moved, Anchor::Start, GROUND, letters.to_string())
    });
    let mut shapes = Vec::from(seam);
    shapes.push(text(at, Anchor::Start, colour, letters.to_string()));
    shapes
}

/// The area that plain letters take which begin at a point.
pub fn letters_area(at: Point, letters: &str) -> Area {
    Area {
        left: at.0,
        top: at.1 - LETTERS / 2.0,
        width: text_width(letters, LETTERS),
        height: LETTERS,
    }
}

/// Letters that the PNG can draw.
fn plain(letters: &str) -> String {
    let drawable = |letter: char| letter.is_ascii_graphic() || letter == ' ';
    letters
        .chars()
        .map(|letter| if drawable(letter) { letter } else { '?' })
        .collect()
}

/// Letters cut to a width, the end kept: file names differ there.
pub fn cut(letters: &str, size: f64, width: f64) -> String {
    let n_letters = letters.chars().count();
    let room = (width / text_width("x", size)).floor().max(4.0) as usize;
    if n_letters <= room {
        return letters.to_string();
    }
    let tail: String = letters.chars().skip(n_letters - (room - 2)).collect();
    format!("..{tail}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_area_takes_the_shape_of_the_frame() {
        let area = Area::fitted((10.0, 20.0), (300.0, 300.0), (1200, 800));
        assert_eq!((area.width, area.height), (300.0, 200.0));
        let upright = Area::fitted((0.0, 0.0), (300.0, 300.0), (800, 1200));
        assert_eq!((upright.width, upright.height), (200.0, 300.0));
        // The last pixel's centre lies half a pixel inside.
        let (x, y) = area.place((1199.0, 799.0), 0.25);
        assert_eq!((x, y), (area.right() - 0.125, area.bottom() - 0.125));
    }

    #[test]
    fn long_names_keep_their_end() {
        let name = "a-very-long-folder-and-IMG_0001.jpg";
        let short = cut(name, 10.0, 90.0);
        assert!(text_width(&short, 10.0) <= 90.0);
        assert!(short.ends_with("0001.jpg"), "{short}");
        assert_eq!(cut("a.jpg", 10.0, 90.0), "a.jpg");
    }
}
