//! The mean star of a frame beside a round one of the same width, as small pictures in the page.

use std::io::Cursor;

use image::{GrayImage, ImageFormat, Luma};

use crate::report::FrameReport;
use crate::stars::StackedStar;

/// Screen pixels for a pixel of the frame.
pub(super) const MAGNIFIED: usize = 8;
/// Largest side of a picture on the screen.
const LARGEST: usize = 240;

/// Part of a picture's side that a trail may fill.
const FILLED: f64 = 0.9;

/// The pair of pictures as data addresses, and their side on the screen.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StarPair {
    /// The frame's star.
    pub(super) seen: String,
    /// A round star.
    pub(super) perfect: String,
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

impl StarPair {
    /// The pair of a frame, if its stars were stacked and the picture holds a whole star.
    pub(super) fn of(frame: &FrameReport) -> Option<Self> {
        let star = frame.pictures.as_ref()?.stacked.as_ref()?;
        if is_longer_than_picture(frame) {
            return None;
        }
        let width = frame.fwhm?.value.px() * star.cells_per_pixel as f64;
        let side = star.side / star.cells_per_pixel * MAGNIFIED;
        Some(Self {
            seen: address(&png(star.side, |at| star.light[at])?),
            perfect: address(&png(star.side, |at| gaussian(star, width, at))?),
            side: side.min(LARGEST),
            magnified: (side.min(LARGEST) * star.cells_per_pixel) as f64 / star.side as f64,
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
fn png(side: usize, light: impl Fn(usize) -> f32) -> Option<Vec<u8>> {
    let size = u32::try_from(side).ok()?;
    let picture = GrayImage::from_fn(size, size, |x, y| {
        let light = light(y as usize * side + x as usize);
        // A square root shows wings that a linear scale hides.
        Luma([(255.0 * light.clamp(0.0, 1.0).sqrt()).round() as u8])
    });
    let mut bytes = Cursor::new(Vec::new());
    picture.write_to(&mut bytes, ImageFormat::Png).ok()?;
    Some(bytes.into_inner())
}

fn address(png: &[u8]) -> String {
    use base64::Engine;
    let letters = base64::engine::general_purpose::STANDARD.encode(png);
    format!("data:image/png;base64,{letters}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_pair_is_two_pictures_of_one_size() {
        let night = sample::realign().value;
        let pair = StarPair::of(&night.frames[0]).unwrap();
        assert_eq!(pair.side, 120);
        for address in [&pair.seen, &pair.perfect] {
            assert!(address.starts_with("data:image/png;base64,"));
        }
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
        assert!(StarPair::of(&frame).is_some() && !is_longer_than_picture(&frame));
        frame.trail = Some(sample::trail(1000.0, 1.0, 0.1));
        assert!(StarPair::of(&frame).is_none() && is_longer_than_picture(&frame));
    }
}
