//! Small line drawings: one list of shapes, written as SVG or as PNG.
//!
//! Units: x right, y down, in the drawing's own units, of which the SVG document has as many and
//! the PNG twice as many pixels.

mod raster;

use std::fmt::Write;

/// Red, green, blue, 0 to 255.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Colour(pub u8, pub u8, pub u8);

/// A point of the drawing.
pub type Point = (f64, f64);

/// Where a text stands against its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// It begins there.
    Start,
    /// Its middle is there.
    Middle,
    /// It ends there.
    End,
}

/// A picture in grey, row by row from the top.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GreyPicture {
    width: usize,
    height: usize,
    grey: Vec<u8>,
}

impl GreyPicture {
    /// A picture from its rows; `None` unless `grey` holds `width * height` values and neither is zero.
    pub fn new(width: usize, height: usize, grey: Vec<u8>) -> Option<Self> {
        let sized = width > 0 && height > 0 && width * height == grey.len();
        sized.then_some(Self {
            width,
            height,
            grey,
        })
    }
    /// Columns.
    pub fn width(&self) -> usize {
        self.width
    }
    /// Rows.
    pub fn height(&self) -> usize {
        self.height
    }
    /// The picture as a PNG in an address of its own.
    pub fn address(&self) -> String {
        use base64::Engine;
        let engine = base64::engine::general_purpose::STANDARD;
        format!(
            "data:image/png;base64,{}",
            engine.encode(raster::grey_png(self))
        )
    }
    /// The shade at a pixel; the nearest one for places outside.
    pub fn at(&self, x: usize, y: usize) -> u8 {
        self.grey[y.min(self.height - 1) * self.width + x.min(self.width - 1)]
    }
}

/// One thing drawn; later ones cover earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A filled circle.
    Disc {
        /// Its centre.
        centre: Point,
        /// Its radius.
        radius: f64,
        /// Its colour.
        colour: Colour,
    },
    /// A circle's outline.
    Ring {
        /// Its centre.
        centre: Point,
        /// Radius to the middle of the line.
        radius: f64,
        /// Width of the line.
        width: f64,
        /// Its colour.
        colour: Colour,
    },
    /// A line through points, round at its ends.
    Line {
        /// The points, at least two.
        points: Vec<Point>,
        /// Width of the line.
        width: f64,
        /// Its colour.
        colour: Colour,
    },
    /// A photograph in shades of one colour; the SVG document shows a dark field in place of a large one.
    Photograph {
        /// Its upper left corner.
        corner: Point,
        /// Width and height as drawn.
        size: (f64, f64),
        /// Colour of its brightest pixels.
        colour: Colour,
        /// Its pixels.
        grey: GreyPicture,
    },
    /// A line of ASCII letters, centred on its point in height.
    Text {
        /// Where it stands.
        at: Point,
        /// Height of a letter.
        size: f64,
        /// Which part of it stands there.
        anchor: Anchor,
        /// Its colour.
        colour: Colour,
        /// The letters.
        letters: String,
    },
}

/// A drawing on a ground of one colour.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width.
    pub width: u32,
    /// Height.
    pub height: u32,
    /// Colour of the ground.
    pub ground: Colour,
    /// What it shows, for readers of screens.
    pub title: String,
    /// The shapes, back to front.
    pub shapes: Vec<Shape>,
}

/// What stands for a photograph in the SVG document.
const FIELD: Colour = Colour(10, 11, 14);
/// Pictures up to this many pixels wide and high are in the SVG document.
const LARGEST_IN_SVG: usize = 200;
/// Width of a letter over its height, the same in both forms.
const LETTER_WIDTH: f64 = 0.62;

impl Drawing {
    /// The drawing as an SVG document.
    pub fn to_svg(&self) -> String {
        let (w, h) = (self.width, self.height);
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" \
             viewBox=\"0 0 {w} {h}\" role=\"img\">\n<title>{}</title>\n\
             <rect width=\"{w}\" height=\"{h}\" fill=\"{}\"/>\n",
            escaped(&self.title),
            hex(self.ground)
        );
        for shape in &self.shapes {
            svg.push_str(&svg_element(shape));
            svg.push('\n');
        }
        svg.push_str("</svg>\n");
        svg
    }
    /// The drawing as a PNG file's bytes.
    pub fn to_png(&self) -> Vec<u8> {
        raster::png(self)
    }
}

fn svg_element(shape: &Shape) -> String {
    match shape {
        Shape::Disc {
            centre: (x, y),
            radius,
            colour,
        } => format!(
            "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{radius:.2}\" fill=\"{}\"/>",
            hex(*colour)
        ),
        Shape::Ring {
            centre: (x, y),
            radius,
            width,
            colour,
        } => format!(
            "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{radius:.2}\" fill=\"none\" \
             stroke=\"{}\" stroke-width=\"{width:.2}\"/>",
            hex(*colour)
        ),
        Shape::Line {
            points,
            width,
            colour,
        } => format!(
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{width:.2}\" \
             stroke-linecap=\"round\" stroke-linejoin=\"round\"/>",
            svg_points(points),
            hex(*colour)
        ),
        Shape::Photograph {
            corner: (x, y),
            size: (width, height),
            grey,
            ..
        } if grey.width().max(grey.height()) <= LARGEST_IN_SVG => format!(
            "<image x=\"{x:.2}\" y=\"{y:.2}\" width=\"{width:.2}\" height=\"{height:.2}\" href=\"{}\"/>",
            grey.address()
        ),
        Shape::Photograph {
            corner: (x, y),
            size: (width, height),
            ..
        } => format!(
            "<rect x=\"{x:.2}\" y=\"{y:.2}\" width=\"{width:.2}\" height=\"{height:.2}\" fill=\"{}\"/>",
            hex(FIELD)
        ),
        Shape::Text {
            at: (x, y),
            size,
            anchor,
            colour,
            letters,
        } => format!(
            "<text x=\"{x:.2}\" y=\"{:.2}\" xml:space=\"preserve\" font-family=\"monospace\" font-size=\"{size:.2}\" \
             text-anchor=\"{}\" textLength=\"{:.2}\" fill=\"{}\">{}</text>",
            y + 0.35 * size,
            svg_anchor(*anchor),
            text_width(letters, *size),
            hex(*colour),
            escaped(letters)
        ),
    }
}

fn svg_points(points: &[Point]) -> String {
    points.iter().fold(String::new(), |mut text, (x, y)| {
        // Writing to a string never fails.
        let _ = write!(text, "{x:.2},{y:.2} ");
        text
    })
}

fn svg_anchor(anchor: Anchor) -> &'static str {
    match anchor {
        Anchor::Start => "start",
        Anchor::Middle => "middle",
        Anchor::End => "end",
    }
}

fn hex(Colour(r, g, b): Colour) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// Width that letters of this height take.
pub(super) fn text_width(letters: &str, size: f64) -> f64 {
    letters.chars().count() as f64 * size * LETTER_WIDTH
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn svg_holds_every_shape_and_escapes_letters() {
        let red = Colour(255, 0, 0);
        let drawing = Drawing {
            width: 20,
            height: 10,
            ground: Colour(0, 0, 0),
            title: "a < b".into(),
            shapes: vec![
                Shape::Disc {
                    centre: (1.0, 2.0),
                    radius: 3.0,
                    colour: red,
                },
                Shape::Line {
                    points: vec![(0.0, 0.0), (5.0, 5.0)],
                    width: 1.0,
                    colour: red,
                },
                Shape::Text {
                    at: (10.0, 5.0),
                    size: 8.0,
                    anchor: Anchor::End,
                    colour: red,
                    letters: "R&D".into(),
                },
            ],
        };
        let svg = drawing.to_svg();
        assert!(svg.contains("<title>a &lt; b</title>"));
        assert!(svg.contains("<circle cx=\"1.00\" cy=\"2.00\" r=\"3.00\" fill=\"#ff0000\"/>"));
        assert!(svg.contains("points=\"0.00,0.00 5.00,5.00 \""));
        assert!(svg.contains("text-anchor=\"end\"") && svg.contains("R&amp;D"));
        assert!(svg.ends_with("</svg>\n"));
    }
}
