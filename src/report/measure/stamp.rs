//! The frame's mean star, magnified, beside a round one of the same width.

use super::MeasuredFile;
use super::panel::{Area, LINE, PHOTOGRAPH, QUIET, RULE, WORDS, text};
use crate::report::drawing::{Anchor, GreyPicture, Point, Shape};
use crate::report::mean_star::MeanStar;

/// Between the two.
const GAP: f64 = 16.0;
/// Room above for the heading.
const ABOVE: f64 = 22.0;

/// Where the pair lies, and how large either picture may be.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Upper left corner of the whole.
    pub corner: Point,
    /// Width for both.
    pub width: f64,
}

impl Place {
    fn largest(&self) -> usize {
        ((self.width - GAP) / 2.0) as usize
    }
    /// Lower side of the whole: heading, pictures, words.
    pub fn bottom(&self, file: &MeasuredFile) -> f64 {
        let pair = MeanStar::of(&file.frame, self.largest());
        self.corner.1 + pair.map_or(0.0, |pair| ABOVE + pair.side as f64 + 1.5 * LINE)
    }
}

/// The pair; nothing where no star could be stacked or none fits in.
pub fn stamp(file: &MeasuredFile, place: Place) -> Vec<Shape> {
    let (left, top) = place.corner;
    let Some(pair) = MeanStar::of(&file.frame, place.largest()) else {
        return Vec::new();
    };
    let heading = format!(
        "mean of {} stars, magnified {:.1} x",
        pair.n_stars, pair.magnified
    );
    let side = pair.side as f64;
    let mut shapes = vec![text((left, top + 8.0), Anchor::Start, WORDS, heading)];
    let next = left + side.max(100.0) + GAP;
    for (grey, words, left) in [
        (pair.seen, "this frame", left),
        (pair.perfect, "a round star", next),
    ] {
        let area = Area {
            left,
            top: top + ABOVE,
            width: side,
            height: side,
        };
        shapes.push(shown(grey, &area));
        shapes.push(area.border(RULE));
        let below = (left, area.bottom() + LINE - 4.0);
        shapes.push(text(below, Anchor::Start, QUIET, words.into()));
    }
    shapes
}

fn shown(grey: GreyPicture, area: &Area) -> Shape {
    Shape::Photograph {
        corner: (area.left, area.top),
        size: (area.width, area.height),
        colour: PHOTOGRAPH,
        grey,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::tests::slanted;
    use crate::report::sample;

    #[test]
    fn a_stacked_star_stands_beside_a_round_one() {
        let mut file = slanted();
        file.frame.pictures = None;
        let place = Place {
            corner: (10.0, 20.0),
            width: 300.0,
        };
        assert!(stamp(&file, place).is_empty());
        assert_eq!(place.bottom(&file), 20.0);
        file.frame = sample::realign().value.frames[0].clone();
        let shapes = stamp(&file, place);
        assert!(place.bottom(&file) > 150.0);
        let pictures = shapes
            .iter()
            .filter(|shape| matches!(shape, Shape::Photograph { .. }));
        assert_eq!(pictures.count(), 2);
    }
}
