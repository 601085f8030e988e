//! The trails over one frame as a picture: in each cell of a grid a whisker along the stars' long
//! side. Whiskers alike all over are a drift, a whirl is field rotation, rays or rings are the lens.

use std::collections::BTreeMap;

use crate::report::drawing::{Anchor, Colour, Drawing, Point, Shape};
use crate::stars::StarField;
use crate::units::PixelTensor;

use crate::report::table::{file_name, with_sigma};

use super::MeasuredFile;

const GROUND: Colour = Colour(0, 0, 0);
const FRAME: Colour = Colour(90, 16, 16);
const WHISKER: Colour = Colour(240, 96, 64);
const WORDS: Colour = Colour(200, 48, 40);

/// Longer side of the field as drawn.
const LONGER_SIDE: f64 = 928.0;
/// Room for the words above the field.
const HEAD: f64 = 56.0;
/// Room around the field.
const MARGIN: f64 = 16.0;
/// Cells along the longer side: few enough that most hold several stars.
const CELLS: f64 = 15.0;
/// Stars below this signal to noise ratio only blur a cell's mean.
const LEAST_SIGNAL_TO_NOISE: f64 = 20.0;
/// Longest whisker of a usual cell, as a part of the cell.
const FILLED: f64 = 0.8;

/// Mean elongation of the stars of a cell.
struct Cell {
    /// Middle of the cell, pixels of the frame.
    middle: Point,
    /// Ends of the whisker from its middle, pixels of trail.
    half: Point,
}

impl MeasuredFile {
    /// The picture; `None` for a file set aside.
    pub fn to_drawing(&self) -> Option<Drawing> {
        let field = self.field.as_ref()?;
        let scale = LONGER_SIDE / field.width.max(field.height) as f64;
        let width = scale * field.width as f64 + 2.0 * MARGIN;
        let height = HEAD + scale * field.height as f64 + MARGIN;
        let cells = cells(field);
        let longest = usual_longest(&cells);
        // Screen units for one pixel of trail.
        let magnified = FILLED * LONGER_SIDE / CELLS / longest.max(0.5);
        let place = |(x, y): Point| (MARGIN + scale * (x + 0.5), HEAD + scale * (y + 0.5));
        let mut shapes = vec![border(field, scale)];
        for cell in &cells {
            let (x, y) = place(cell.middle);
            let (dx, dy) = (magnified * cell.half.0, magnified * cell.half.1);
            shapes.push(line(vec![(x - dx, y - dy), (x + dx, y + dy)], 2.0, WHISKER));
        }
        shapes.extend(self.head(longest, magnified, width - MARGIN));
        Some(Drawing {
            width: width.ceil() as u32,
            height: height.ceil() as u32,
            ground: GROUND,
            title: format!("trails over {}", self.frame.file),
            shapes,
        })
    }

    /// Name, trail, and a bar of known length.
    fn head(&self, longest: f64, magnified: f64, right: f64) -> Vec<Shape> {
        let name: String = file_name(&self.frame.file)
            .chars()
            .map(|letter| {
                if letter.is_ascii_graphic() || letter == ' ' {
                    letter
                } else {
                    '?'
                }
            })
            .collect();
        let trail = match self.frame.trail {
            Some(trail) => format!(
                "trail {} px, {}",
                with_sigma(trail.length),
                self.frame.verdict.key()
            ),
            None => "no trail measured".into(),
        };
        let bar_px = round_length(longest);
        let ends = vec![(right - magnified * bar_px, 40.0), (right, 40.0)];
        vec![
            text((MARGIN, 18.0), Anchor::Start, name),
            text((MARGIN, 40.0), Anchor::Start, trail),
            text((right, 18.0), Anchor::End, format!("bar: {bar_px} px")),
            line(ends, 3.0, WORDS),
        ]
    }
}

/// Cells that hold stars, row by row.
///
/// The two components of the elongation are taken by their medians, not its length: noise has no
/// direction and cancels, while a mean length would grow with it; and one double star does no harm.
fn cells(field: &StarField) -> Vec<Cell> {
    let longer = field.width.max(field.height) as f64;
    let count = |side: usize| (CELLS * side as f64 / longer).round().max(1.0);
    let (columns, rows) = (count(field.width), count(field.height));
    let (across, down) = (field.width as f64 / columns, field.height as f64 / rows);
    let mut members: BTreeMap<(usize, usize), (Vec<f64>, Vec<f64>)> = BTreeMap::new();
    let good = field
        .stars
        .iter()
        .filter(|star| star.quality.is_clean() && star.signal_to_noise() >= LEAST_SIGNAL_TO_NOISE);
    for star in good {
        // Pixel centres stand half a pixel inside the field's edge.
        let column = ((star.position.x + 0.5) / across).clamp(0.0, columns - 1.0);
        let row = ((star.position.y + 0.5) / down).clamp(0.0, rows - 1.0);
        let cell = members.entry((row as usize, column as usize)).or_default();
        cell.0.push(star.moments.xx - star.moments.yy);
        cell.1.push(star.moments.xy);
    }
    members
        .into_iter()
        .map(|((row, column), (mut difference, mut mixed))| Cell {
            middle: (
                (column as f64 + 0.5) * across - 0.5,
                (row as f64 + 0.5) * down - 0.5,
            ),
            half: half_whisker(median(&mut difference), median(&mut mixed)),
        })
        .collect()
}

/// The middle value, or the mean of the two middle ones; the list is not empty.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let (low, high) = ((values.len() - 1) / 2, values.len() / 2);
    (values[low] + values[high]) / 2.0
}

/// Half of the trail that draws a star out so much: a segment of length L adds L^2 / 12 along itself.
fn half_whisker(difference: f64, mixed: f64) -> Point {
    let (large, small, along) = PixelTensor::new(difference, mixed, 0.0).principal();
    let half = (12.0 * (large - small)).max(0.0).sqrt() / 2.0;
    (half * along.angle().cos(), half * along.angle().sin())
}

/// Length that nine in ten whiskers stay below, pixels of trail.
fn usual_longest(cells: &[Cell]) -> f64 {
    let mut lengths: Vec<f64> = cells
        .iter()
        .map(|cell| 2.0 * cell.half.0.hypot(cell.half.1))
        .collect();
    lengths.sort_by(f64::total_cmp);
    lengths.get(lengths.len() * 9 / 10).copied().unwrap_or(0.0)
}

/// The nearest of 0.5, 1, 2, 5, 10 ... that is not longer, at least 0.5.
fn round_length(length: f64) -> f64 {
    let mut steps = (0..4).flat_map(|power| [1.0, 2.0, 5.0].map(|step| step * 10f64.powi(power)));
    steps.rfind(|step| *step <= length).unwrap_or(0.5)
}

fn border(field: &StarField, scale: f64) -> Shape {
    let (right, bottom) = (
        MARGIN + scale * field.width as f64,
        HEAD + scale * field.height as f64,
    );
    let corners = vec![
        (MARGIN, HEAD),
        (right, HEAD),
        (right, bottom),
        (MARGIN, bottom),
        (MARGIN, HEAD),
    ];
    line(corners, 1.0, FRAME)
}

fn line(points: Vec<Point>, width: f64, colour: Colour) -> Shape {
    Shape::Line {
        points,
        width,
        colour,
    }
}

fn text(at: Point, anchor: Anchor, letters: String) -> Shape {
    Shape::Text {
        at,
        size: 14.0,
        anchor,
        colour: WORDS,
        letters,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::tests::slanted;

    #[test]
    fn whiskers_lie_as_the_stars_do() {
        let field = slanted().field.unwrap();
        for cell in cells(&field) {
            // Drawn out by 6 px towards the lower right: half a whisker is 3 px at 45 degrees.
            assert!((cell.half.0 - 3.0 / 2f64.sqrt()).abs() < 1e-9);
            assert!((cell.half.1 - 3.0 / 2f64.sqrt()).abs() < 1e-9);
        }
    }

    #[test]
    fn stars_that_are_not_clean_draw_nothing() {
        let mut file = slanted();
        for star in &mut file.field.as_mut().unwrap().stars {
            star.quality.saturated = true;
        }
        assert!(cells(file.field.as_ref().unwrap()).is_empty());
        assert!(file.to_drawing().is_some());
    }

    #[test]
    fn a_picture_on_end_stays_inside_its_frame() {
        let mut file = slanted();
        let field = file.field.as_mut().unwrap();
        (field.width, field.height) = (800, 1200);
        for star in &mut field.stars {
            (star.position.x, star.position.y) = (star.position.y, star.position.x);
        }
        let drawing = file.to_drawing().unwrap();
        for shape in &drawing.shapes {
            if let Shape::Line { points, .. } = shape {
                let inside = |(x, y): &Point| {
                    (0.0..=f64::from(drawing.width)).contains(x)
                        && (0.0..=f64::from(drawing.height)).contains(y)
                };
                assert!(points.iter().all(inside), "{points:?}");
            }
        }
    }

    #[test]
    fn one_odd_star_does_not_bend_a_whisker() {
        let mut file = slanted();
        let field = file.field.as_mut().unwrap();
        field.stars[0].moments = PixelTensor::new(90.0, 0.0, 1.0);
        let first = &cells(field)[0];
        assert!((first.half.0 - 3.0 / 2f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn bars_have_round_lengths() {
        assert_eq!(
            [0.2, 1.0, 4.9, 71.0].map(round_length),
            [0.5, 1.0, 2.0, 50.0]
        );
    }
}
