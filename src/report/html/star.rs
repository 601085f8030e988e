//! The mean star of a frame beside a round one, as pictures in the page.

use crate::report::FrameReport;
use crate::report::mean_star::MeanStar;

pub(super) use crate::report::mean_star::is_longer_than_picture;

/// Largest side of a picture on the screen.
const LARGEST: usize = 240;

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

impl StarPair {
    /// The pair of a frame, if its stars were stacked and the picture holds a whole star.
    pub(super) fn of(frame: &FrameReport) -> Option<Self> {
        let pair = MeanStar::of(frame, LARGEST)?;
        Some(Self {
            seen: pair.seen.address(),
            perfect: pair.perfect.address(),
            side: pair.side,
            magnified: pair.magnified,
            n_stars: pair.n_stars,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_pair_is_two_pictures_in_the_page() {
        let night = sample::realign().value;
        let pair = StarPair::of(&night.frames[0]).unwrap();
        assert_eq!(pair.side, 120);
        for address in [&pair.seen, &pair.perfect] {
            assert!(address.starts_with("data:image/png;base64,"));
        }
    }
}
