//! Paints a drawing into pixels. A pixel is covered by how far it lies inside a shape's edge.

use font8x8::{BASIC_FONTS, UnicodeFonts};
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder, Rgb, RgbImage};

use super::{Anchor, Colour, Drawing, GreyPicture, LETTER_WIDTH, Point, Shape, text_width};

/// Pixels of the PNG to one unit of the drawing: fine enough for print and for dense screens.
const PIXELS_PER_UNIT: u32 = 2;
/// Rows and columns of a letter's bitmap.
const LETTER_CELLS: f64 = 8.0;

/// The drawing's PNG file.
pub fn png(drawing: &Drawing) -> Vec<u8> {
    let (width, height) = (
        drawing.width * PIXELS_PER_UNIT,
        drawing.height * PIXELS_PER_UNIT,
    );
    let mut canvas = RgbImage::from_pixel(width, height, rgb(drawing.ground));
    for shape in &drawing.shapes {
        paint(&mut canvas, shape);
    }
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Default, FilterType::Adaptive)
        .write_image(canvas.as_raw(), width, height, ExtendedColorType::Rgb8)
        .expect("writing a picture of matching size to memory does not fail");
    bytes
}

/// A grey picture as a PNG file's bytes.
pub fn grey_png(picture: &GreyPicture) -> Vec<u8> {
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Default, FilterType::Adaptive)
        .write_image(
            &picture.grey,
            picture.width as u32,
            picture.height as u32,
            ExtendedColorType::L8,
        )
        .expect("writing a picture of matching size to memory does not fail");
    bytes
}

fn paint(canvas: &mut RgbImage, shape: &Shape) {
    match shape {
        Shape::Disc {
            centre,
            radius,
            colour,
        } => {
            let edge = |p| distance(p, *centre) - radius;
            cover(canvas, around(*centre, *radius), *colour, edge);
        }
        Shape::Ring {
            centre,
            radius,
            width,
            colour,
        } => {
            let edge = |p| (distance(p, *centre) - radius).abs() - width / 2.0;
            cover(canvas, around(*centre, radius + width), *colour, edge);
        }
        Shape::Line {
            points,
            width,
            colour,
        } => {
            for ends in points.windows(2) {
                let edge = |p| distance_to_segment(p, ends[0], ends[1]) - width / 2.0;
                cover(canvas, between(ends[0], ends[1], *width), *colour, edge);
            }
        }
        Shape::Photograph {
            corner,
            size,
            colour,
            grey,
        } => paint_photograph(canvas, *corner, *size, *colour, grey),
        Shape::Text {
            at,
            size,
            anchor,
            colour,
            letters,
        } => paint_text(canvas, *at, *size, *anchor, *colour, letters),
    }
}

fn paint_text(
    canvas: &mut RgbImage,
    at: Point,
    size: f64,
    anchor: Anchor,
    colour: Colour,
    letters: &str,
) {
    let width = text_width(letters, size);
    let left = match anchor {
        Anchor::Start => at.0,
        Anchor::Middle => at.0 - width / 2.0,
        Anchor::End => at.0 - width,
    };
    let top = at.1 - size / 2.0;
    for (n, letter) in letters.chars().enumerate() {
        let x = left + n as f64 * size * LETTER_WIDTH;
        paint_letter(canvas, (x, top), size, colour, letter);
    }
}

/// Each pixel takes the shade of the photograph's pixel that its middle falls on.
fn paint_photograph(
    canvas: &mut RgbImage,
    corner: Point,
    size: (f64, f64),
    colour: Colour,
    grey: &GreyPicture,
) {
    let extent = (corner.0, corner.1, corner.0 + size.0, corner.1 + size.1);
    each_pixel(canvas, extent, |pixel, (x, y)| {
        let across = (x - corner.0) / size.0 * grey.width() as f64;
        let down = (y - corner.1) / size.1 * grey.height() as f64;
        let inside = (0.0..grey.width() as f64).contains(&across)
            && (0.0..grey.height() as f64).contains(&down);
        if inside {
            let shade = f64::from(grey.at(across as usize, down as usize)) / 255.0;
            pixel.0 = rgb(colour)
                .0
                .map(|full| (f64::from(full) * shade).round() as u8);
        }
    });
}

/// Points of a pixel, along each side, at which a letter's bitmap is looked up.
const SAMPLES: u32 = 4;

/// A letter from its upper left corner; a pixel is covered by the share of its points that lie on
/// lit cells of the letter's bitmap.
fn paint_letter(canvas: &mut RgbImage, corner: Point, size: f64, colour: Colour, letter: char) {
    let (cell_w, cell_h) = (size * LETTER_WIDTH / LETTER_CELLS, size / LETTER_CELLS);
    let rows = BASIC_FONTS.get(letter).unwrap_or_default();
    let is_lit = |x: f64, y: f64| {
        let (column, row) = ((x - corner.0) / cell_w, (y - corner.1) / cell_h);
        let inside = (0.0..LETTER_CELLS).contains(&column) && (0.0..LETTER_CELLS).contains(&row);
        inside && rows[row as usize] >> (column as usize) & 1 == 1
    };
    let step = 1.0 / f64::from(PIXELS_PER_UNIT * SAMPLES);
    let offsets = || (0..SAMPLES).map(|n| (f64::from(n) - f64::from(SAMPLES - 1) / 2.0) * step);
    let extent = (corner.0, corner.1, corner.0 + size, corner.1 + size);
    each_pixel(canvas, extent, |pixel, (x, y)| {
        let lit = offsets()
            .flat_map(|dy| offsets().map(move |dx| (dx, dy)))
            .filter(|(dx, dy)| is_lit(x + dx, y + dy))
            .count();
        if lit > 0 {
            blend(
                pixel,
                rgb(colour),
                lit as f64 / f64::from(SAMPLES * SAMPLES),
            );
        }
    });
}

/// Left, top, right, bottom.
type Extent = (f64, f64, f64, f64);

/// Blends a colour in by coverage; `edge` is the signed distance to the shape, negative inside.
fn cover(canvas: &mut RgbImage, extent: Extent, colour: Colour, edge: impl Fn(Point) -> f64) {
    let scale = f64::from(PIXELS_PER_UNIT);
    each_pixel(canvas, extent, |pixel, point| {
        let share = (0.5 - edge(point) * scale).clamp(0.0, 1.0);
        if share > 0.0 {
            blend(pixel, rgb(colour), share);
        }
    });
}

/// Calls `paint` with every pixel of an extent and the place of its middle.
fn each_pixel(canvas: &mut RgbImage, extent: Extent, paint: impl Fn(&mut Rgb<u8>, Point)) {
    let (left, top, right, bottom) = extent;
    let scale = f64::from(PIXELS_PER_UNIT);
    let limit = |value: f64, size: u32| value.clamp(0.0, f64::from(size)) as u32;
    let (width, height) = canvas.dimensions();
    for y in limit(top * scale - 1.0, height)..limit(bottom * scale + 2.0, height) {
        for x in limit(left * scale - 1.0, width)..limit(right * scale + 2.0, width) {
            let point = ((f64::from(x) + 0.5) / scale, (f64::from(y) + 0.5) / scale);
            paint(canvas.get_pixel_mut(x, y), point);
        }
    }
}

fn blend(pixel: &mut Rgb<u8>, colour: Rgb<u8>, share: f64) {
    for (below, above) in pixel.0.iter_mut().zip(colour.0) {
        let mixed = f64::from(*below) * (1.0 - share) + f64::from(above) * share;
        *below = mixed.round() as u8;
    }
}

fn rgb(Colour(r, g, b): Colour) -> Rgb<u8> {
    Rgb([r, g, b])
}

fn distance(a: Point, b: Point) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

fn distance_to_segment(p: Point, a: Point, b: Point) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length_squared = dx * dx + dy * dy;
    if length_squared == 0.0 {
        return distance(p, a);
    }
    let along = ((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length_squared;
    let t = along.clamp(0.0, 1.0);
    distance(p, (a.0 + t * dx, a.1 + t * dy))
}

fn around(centre: Point, reach: f64) -> Extent {
    (
        centre.0 - reach,
        centre.1 - reach,
        centre.0 + reach,
        centre.1 + reach,
    )
}

fn between(a: Point, b: Point, reach: f64) -> Extent {
    (
        a.0.min(b.0) - reach,
        a.1.min(b.1) - reach,
        a.0.max(b.0) + reach,
        a.1.max(b.1) + reach,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLACK: Colour = Colour(0, 0, 0);
    const RED: Colour = Colour(200, 0, 0);

    fn painted(shape: Shape) -> RgbImage {
        let drawing = Drawing {
            width: 40,
            height: 30,
            ground: BLACK,
            title: String::new(),
            shapes: vec![shape],
        };
        image::load_from_memory(&drawing.to_png())
            .unwrap()
            .to_rgb8()
    }

    /// Covered area in square units.
    fn sum(picture: &RgbImage) -> f64 {
        let full = 200.0 * f64::from(PIXELS_PER_UNIT).powi(2);
        picture.pixels().map(|p| f64::from(p.0[0])).sum::<f64>() / full
    }

    #[test]
    fn a_disc_covers_its_area_and_nothing_else() {
        let picture = painted(Shape::Disc {
            centre: (20.3, 15.2),
            radius: 6.0,
            colour: RED,
        });
        assert!((sum(&picture) - std::f64::consts::PI * 36.0).abs() < 1.0);
        assert_eq!(picture.get_pixel(40, 30).0, [200, 0, 0]);
        assert_eq!(picture.get_pixel(60, 30).0, [0, 0, 0]);
    }

    #[test]
    fn shapes_may_reach_out_of_the_drawing() {
        let picture = painted(Shape::Line {
            points: vec![(-50.0, 10.0), (90.0, 10.0)],
            width: 2.0,
            colour: RED,
        });
        assert!((sum(&picture) - 80.0).abs() < 1.0);
    }

    #[test]
    fn a_photograph_keeps_its_sides() {
        let grey = GreyPicture::new(2, 1, vec![0, 255]).unwrap();
        let picture = painted(Shape::Photograph {
            corner: (10.0, 5.0),
            size: (20.0, 10.0),
            colour: RED,
            grey,
        });
        assert_eq!(picture.get_pixel(30, 20).0, [0, 0, 0]);
        assert_eq!(picture.get_pixel(50, 20).0, [200, 0, 0]);
        assert!((sum(&picture) - 100.0).abs() < 1e-9);
    }

    #[test]
    fn letters_have_no_seams() {
        // The upright strokes of an H are six cells of eight high and lit all through.
        let picture = painted(Shape::Text {
            at: (20.0, 15.0),
            size: 13.0,
            anchor: Anchor::Middle,
            colour: RED,
            letters: "H".into(),
        });
        let dark_within = (0..picture.width()).any(|x| {
            let column: Vec<bool> = (0..picture.height())
                .map(|y| picture.get_pixel(x, y).0[0] > 190)
                .collect();
            let first = column.iter().position(|lit| *lit);
            let last = column.iter().rposition(|lit| *lit);
            let run = first.zip(last).map_or(0, |(first, last)| last - first);
            run > 16 && column.iter().filter(|lit| **lit).count() <= run
        });
        assert!(!dark_within);
        assert!(sum(&picture) > 20.0);
    }

    #[test]
    fn text_stands_where_its_anchor_says() {
        let text = |anchor| {
            painted(Shape::Text {
                at: (20.0, 15.0),
                size: 8.0,
                anchor,
                colour: RED,
                letters: "HH".into(),
            })
        };
        let middle_x = |picture: &RgbImage| {
            let weighted = picture.enumerate_pixels();
            let moment: f64 = weighted
                .map(|(x, _, p)| (f64::from(x) + 0.5) * f64::from(p.0[0]))
                .sum();
            let weight: f64 = picture.pixels().map(|p| f64::from(p.0[0])).sum();
            moment / weight / f64::from(PIXELS_PER_UNIT)
        };
        assert!(middle_x(&text(Anchor::Start)) > 23.0);
        assert!((middle_x(&text(Anchor::Middle)) - 20.0).abs() < 1.5);
        assert!(middle_x(&text(Anchor::End)) < 17.0);
    }
}
