//! Star fields in; lens, matched stars and where the camera looked out.
//!
//! Input: measured stars of a frame in pixels, a range for the focal length in pixels, and where
//! known a part of the sky or the plate of a neighbouring frame. Output: a [`Plate`], or the
//! reason why there is none: a wrong place on the sky is worse than none.
//!
//! Method: triangles of bright stars are looked up among triangles of catalogue stars by shape,
//! sense and size, with true angles throughout so that wide fields work as narrow ones do; each
//! agreement gives a trial pose, which has to bring other bright catalogue stars onto stars of the
//! picture; the pose is then fitted to all stars (attitude, focal length, radial distortion) and
//! accepted when chance would not do as well once in a million searches.

pub mod air_clock;
pub mod air_gauge;
pub mod attitude;
pub mod between;
mod chance;
mod duos;
pub mod envelope;
mod fit;
mod grid;
pub mod hint;
mod image;
mod joint;
pub mod lens;
mod levels;
mod near;
mod optics;
mod over_ground;
mod pairs;
mod parts;
mod passes;
mod pattern;
mod plate;
pub mod pointing;
mod reduced;
mod scan;
mod scatter;
mod search;
mod shared_lens;
mod smear;
#[cfg(test)]
mod test_fields;
pub mod tracks;
mod turn;
mod unevenness;
mod verify;
mod weighing;

use std::fmt;

use crate::sky::catalogue::Catalogue;
use crate::sky::{Direction, Icrs};
use crate::stars::StarField;
use crate::units::Angle;

pub use between::{FrameMatch, match_frames};
pub use over_ground::{GroundPlate, fit_over_ground};
pub use plate::{Match, Plate};
pub use shared_lens::{KnownLens, fit_shared_lens};

/// Focal lengths in pixels that the search has to cover; the middle is tried first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FocalRange {
    low_px: f64,
    high_px: f64,
}

impl FocalRange {
    /// Everything between two focal lengths in pixels; `None` unless they are positive, finite and in order.
    pub fn between(low_px: f64, high_px: f64) -> Option<Self> {
        let legal = low_px > 0.0 && high_px >= low_px && high_px.is_finite();
        legal.then_some(Self { low_px, high_px })
    }
    /// A known focal length that may be off by a factor of up to `1 + relative` either way
    /// (0.1: ten per cent); `None` unless the focal length is positive and `relative` not negative.
    pub fn about(focal_px: f64, relative: f64) -> Option<Self> {
        let factor = 1.0 + relative;
        (factor >= 1.0).then(|| Self::between(focal_px / factor, focal_px * factor))?
    }
    /// A known focal length with the crop factor missing or the picture resized: a factor of 2.5 either way.
    pub fn unsure(focal_px: f64) -> Option<Self> {
        Self::about(focal_px, 1.5)
    }
    /// Any lens from 14 to 600 mm on any sensor from 36 mm down to 7 mm wide, for a picture of
    /// this size: a field of 100 to 0.7 degrees along the longer side.
    pub fn any(width: usize, height: usize) -> Self {
        let longer = width.max(height).max(1) as f64;
        Self {
            low_px: 0.38 * longer,
            high_px: 86.0 * longer,
        }
    }
    /// Shortest and longest focal length, pixels.
    pub fn bounds_px(&self) -> (f64, f64) {
        (self.low_px, self.high_px)
    }
}

/// What is known about a frame before its stars are looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct Hints {
    /// Focal lengths to search.
    pub focal: FocalRange,
    /// The centre of the frame lies within this angle of this direction.
    pub near: Option<(Direction<Icrs>, Angle)>,
    /// The lens where it is known from other frames.
    pub lens: Option<KnownLens>,
    /// Plate of another frame of the night: a pointing nearby is found from it in no time, and one
    /// far away is searched with its lens first.
    pub prior: Option<Plate>,
    /// Noise of the stars' places beyond what their sigma says (middles of long trails), pixels.
    pub extra_noise_px: f64,
}

impl Hints {
    /// Nothing known but the focal length.
    pub fn new(focal: FocalRange) -> Self {
        Self {
            focal,
            near: None,
            lens: None,
            prior: None,
            extra_noise_px: 0.0,
        }
    }

    /// A lens known from other frames: focal lengths within four sigma of it, at least 0.2 %.
    pub fn with_lens(known: KnownLens) -> Option<Self> {
        let spread = (4.0 * known.focal_sigma).clamp(LEAST_SPREAD, KNOWN_LENS_SPREAD);
        let focal = FocalRange::about(known.lens.focal_px, spread)?;
        Some(Self {
            lens: Some(known),
            ..Self::new(focal)
        })
    }

    /// The plate of the other frame, and hints that take its lens for known; `None` where that
    /// lens is outside of the hinted focal lengths.
    fn with_lens_of_prior(&self) -> Option<(&Plate, Hints)> {
        let prior = self.prior.as_ref()?;
        let (low, high) = self.focal.bounds_px();
        let inside = (0.97 * low..=1.03 * high).contains(&prior.lens.focal_px);
        let focal = match self.lens {
            Some(_) => self.focal,
            None => FocalRange::about(prior.lens.focal_px, KNOWN_LENS_SPREAD)?,
        };
        inside.then(|| {
            let hints = Hints {
                focal,
                near: self.near,
                lens: Some(self.lens.unwrap_or_else(|| KnownLens::guessed(prior))),
                prior: None,
                extra_noise_px: self.extra_noise_px,
            };
            (prior, hints)
        })
    }
}

/// How much a lens's focal length may change from frame to frame (focusing, temperature), relative.
const KNOWN_LENS_SPREAD: f64 = 0.02;

/// Least spread of focal lengths that is searched, relative.
const LEAST_SPREAD: f64 = 0.002;

/// Why a frame was not identified.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unidentified {
    /// Fewer stars than could ever tell.
    TooFewStars {
        /// Usable stars.
        found: usize,
        /// Fewest that could be enough.
        needed: usize,
    },
    /// No place on the sky agrees better than chance would.
    NoAgreement {
        /// Usable stars.
        n_stars: usize,
        /// Places on the sky that were tried.
        n_trials: usize,
    },
}

impl fmt::Display for Unidentified {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewStars { found, needed } => {
                write!(f, "{found} usable stars, at least {needed} are needed")
            }
            Self::NoAgreement { n_stars, .. } => write!(
                f,
                "no part of the catalogue agrees with the {n_stars} stars better than chance"
            ),
        }
    }
}

/// The answer for one frame.
#[derive(Debug, Clone, PartialEq)]
pub enum Identification {
    /// Where the frame looks.
    Found(Box<Plate>),
    /// No answer, which is better than a wrong one.
    NotFound {
        /// Why.
        reason: Unidentified,
    },
}

impl Identification {
    /// The plate, where there is one.
    pub fn plate(&self) -> Option<&Plate> {
        match self {
            Self::Found(plate) => Some(plate),
            Self::NotFound { .. } => None,
        }
    }
}

/// Identifies frames; keeps what it had to prepare for one frame for the next ones of the night.
#[derive(Debug, Default)]
pub struct Identifier {
    indices: levels::Indices,
}

impl Identifier {
    /// With nothing prepared yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Finds where a frame looks.
    ///
    /// Output: the same for the same input, whatever was identified before.
    /// Valid: fields of about 0.7 to 100 degrees with some ten stars of the catalogue on the frame
    /// (fewer with a hint of the direction); measured in `tests/identify_sweep.rs`.
    pub fn identify(&self, field: &StarField, hints: &Hints) -> Identification {
        let image = image::ImageField::new(field);
        let known_lens = hints.with_lens_of_prior();
        let search_with = |hints| search::Search {
            image: &image,
            hints,
            catalogue: Catalogue::embedded(),
        };
        let aided = known_lens.as_ref().map(|(prior, hints)| {
            let search = search_with(hints);
            let near = near::search_near(&search, field, prior);
            near.map_or_else(|| search.run(&self.indices), Ok)
        });
        let found = match aided {
            Some(Ok(found)) => Ok(found),
            // The lens was known before: the same search once more would find the same.
            Some(Err(reason)) if hints.lens.is_some() => Err(reason),
            _ => search_with(hints).run(&self.indices),
        };
        match found {
            Ok(found) => Identification::Found(Box::new(Plate::new(&found, &image))),
            Err(reason) => Identification::NotFound { reason },
        }
    }

    /// An identified frame once more, through a lens that is known better than from it alone.
    ///
    /// `None` where the frame does not agree with that lens.
    pub fn refine(&self, field: &StarField, plate: &Plate, known: KnownLens) -> Option<Plate> {
        let image = image::ImageField::new(field);
        let hints = Hints::with_lens(known)?;
        let search = search::Search {
            image: &image,
            hints: &hints,
            catalogue: Catalogue::embedded(),
        };
        let found = near::search_again(&search, field, plate, &known.lens)?;
        Some(Plate::new(&found, &image))
    }
}
