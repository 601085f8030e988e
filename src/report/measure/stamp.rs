//! The frame's mean star, magnified, beside a round one of the same width.

use super::MeasuredFile;
use super::panel::{Area, LINE, PHOTOGRAPH, QUIET, RULE, WORDS, text};
use crate::report::drawing::{Anchor, GreyPicture, Point, Shape};
use crate::report::mean_star::MeanStar;

/// Between the two.
const GAP: f64 = 16.0;
/// Room above for the heading.
const ABOVE: f64 = 22.0;

/// The pair and where it lies.
pub struct Stamp {
    /// Nothing where no star could be stacked or none fits in.
    pair: Option<MeanStar>,
    corner: Point,
}

impl Stamp {
    /// The pair below and right of a corner, both together no wider than `width`.
    pub fn new(file: &MeasuredFile, corner: Point, width: f64) -> Self {
        let largest = ((width - GAP) / 2.0) as usize;
        Self {
            pair: MeanStar::of(&file.frame, largest),
            corner,
        }
    }
    /// Lower side of the whole: heading, pictures, words.
    pub fn bottom(&self) -> f64 {
        let height = |pair: &MeanStar| ABOVE + pair.side as f64 + 1.5 * LINE;
        self.corner.1 + self.pair.as_ref().map_or(0.0, height)
    }
    /// Heading, pictures, words.
    pub fn shapes(self) -> Vec<Shape> {
        let (left, top) = self.corner;
        let Some(pair) = self.pair else {
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
        let of = |file: &MeasuredFile| Stamp::new(file, (10.0, 20.0), 300.0);
        assert_eq!(of(&file).bottom(), 20.0);
        assert!(of(&file).shapes().is_empty());
        file.frame = sample::realign().value.frames[0].clone();
        assert!(of(&file).bottom() > 150.0);
        let shapes = of(&file).shapes();
        let pictures = shapes
            .iter()
            .filter(|shape| matches!(shape, Shape::Photograph { .. }));
        assert_eq!(pictures.count(), 2);
    }
}
