//! The mean star of a frame beside a round one of the same width, as small grey pictures.

use super::FrameReport;
use super::drawing::GreyPicture;
use crate::stars::StackedStar;

/// Screen pixels for a pixel of the frame.
const MAGNIFIED: usize = 8;
/// Part of a picture's side that a trail may fill.
const FILLED: f64 = 0.9;

/// The pair of pictures and how they are shown.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct MeanStar {
    /// The frame's star.
    pub(super) seen: GreyPicture,
    /// A round star.
    pub(super) perfect: GreyPicture,
    /// Side on the screen, pixels.
    pub(super) side: usize,
    /// Screen pixels for a pixel of the frame.
    pub(super) magnified: f64,
    /// Stars that were stacked.
    pub(super) n_stars: usize,
}

/// Whether a frame's trail is so long that the picture of its star would show a piece of it.
pub(super) fn is_longer_than_picture(frame: &FrameReport) -> bool {
    let stacked = frame.pictures.as_ref().and_then(|one| one.stacked.as_ref());
    let trail = frame.trail.map(|trail| trail.length.value.px());
    let side = stacked.map(|star| star.side as f64 / star.cells_per_pixel as f64);
    side.zip(trail)
        .is_some_and(|(side, trail)| FILLED * side < trail)
}

impl MeanStar {
    /// The pair of a frame, no side longer than `largest` screen pixels, if its stars were stacked and the
    /// picture holds a whole star.
    pub(super) fn of(frame: &FrameReport, largest: usize) -> Option<Self> {
        let star = frame.pictures.as_ref()?.stacked.as_ref()?;
        if is_longer_than_picture(frame) {
            return None;
        }
        let width = frame.fwhm?.value.px() * star.cells_per_pixel as f64;
        let side = (star.side / star.cells_per_pixel * MAGNIFIED).min(largest);
        Some(Self {
            seen: grey(star.side, |at| star.light[at])?,
            perfect: grey(star.side, |at| gaussian(star, width, at))?,
            side,
            magnified: (side * star.cells_per_pixel) as f64 / star.side as f64,
            n_stars: star.n_stars,
        })
    }
}

/// A round star of a full width at half maximum in cells.
fn gaussian(star: &StackedStar, width: f64, at: usize) -> f32 {
    let middle = (star.side as f64 - 1.0) / 2.0;
    let (x, y) = (
        (at % star.side) as f64 - middle,
        (at / star.side) as f64 - middle,
    );
    (-4.0 * std::f64::consts::LN_2 * (x * x + y * y) / (width * width)).exp() as f32
}

/// A square picture of light from 0 to 1, as bright to the eye as light is.
fn grey(side: usize, light: impl Fn(usize) -> f32) -> Option<GreyPicture> {
    // A square root shows wings that a linear scale hides.
    let shade = |at| (255.0 * light(at).clamp(0.0, 1.0).sqrt()).round() as u8;
    GreyPicture::new(side, side, (0..side * side).map(shade).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_pair_is_two_pictures_of_one_size() {
        let night = sample::realign().value;
        let pair = MeanStar::of(&night.frames[0], 240).unwrap();
        assert_eq!((pair.side, pair.magnified), (120, 8.0));
        assert_eq!(pair.seen.width(), pair.perfect.width());
        let small = MeanStar::of(&night.frames[0], 60).unwrap();
        assert_eq!((small.side, small.magnified), (60, 4.0));
    }

    #[test]
    fn half_of_the_light_is_left_at_half_of_the_width() {
        let night = sample::realign().value;
        let pictures = night.frames[0].pictures.clone().unwrap();
        let star = StackedStar {
            side: 21,
            ..pictures.stacked.unwrap()
        };
        let half = gaussian(&star, 10.0, 10 * 21 + 15);
        assert!((half - 0.5).abs() < 1e-6);
    }

    #[test]
    fn a_trail_that_leaves_the_picture_has_none() {
        let mut frame = sample::realign().value.frames[0].clone();
        assert!(MeanStar::of(&frame, 240).is_some() && !is_longer_than_picture(&frame));
        frame.trail = Some(sample::trail(1000.0, 1.0, 0.1));
        assert!(MeanStar::of(&frame, 240).is_none() && is_longer_than_picture(&frame));
    }
}
