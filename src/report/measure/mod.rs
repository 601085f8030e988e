//! Single frames: what their stars show and where they looked, as JSON, text, a table of stars,
//! a picture.

mod csv;
mod dial;
mod facts;
mod identity;
mod json;
mod lenses;
mod lines;
mod marks;
mod panel;
mod photograph;
mod picture;
mod places;
mod stamp;
mod text;
mod whiskers;

pub use identity::{Identified, Identity};
pub use lenses::{lens_in_corners, lens_words};
pub use photograph::Photograph;

use crate::stars::{LensOverExposures, Response, StarField};

use super::FrameReport;

/// What each of several files shows by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureReport {
    /// In the order of the files.
    pub frames: Vec<MeasuredFile>,
    /// What frames of different exposure say about their lenses; numbers are those of `frames`.
    pub lenses: Vec<LensOverExposures>,
}

/// What one file shows.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredFile {
    /// Its facts and its trail.
    pub frame: FrameReport,
    /// The rest; `None` for a file set aside.
    pub measured: Option<Measurement>,
}

/// What one file shows beyond what every report tells of a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Measurement {
    /// Its stars.
    pub field: StarField,
    /// How its development answers to light, where that was found to be other than linear; the field is
    /// put right by it.
    pub response: Option<Response>,
    /// Whether a camera or program developed the picture.
    pub developed: bool,
    /// Which stars they are.
    pub identity: Identity,
    /// A small copy of it, where a picture is wanted.
    pub photograph: Option<Photograph>,
}

impl MeasureReport {
    /// Whether any frame had stars enough for a trail.
    pub fn is_answered(&self) -> bool {
        self.frames.iter().any(|file| file.frame.trail.is_some())
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::diagnosis::Verdict;
    use crate::identify::Unidentified;
    use crate::report::sample;
    use crate::stars::{Quality, Rejected, Star};
    use crate::units::{Measured, PixelPoint, PixelTensor, PixelVector};

    impl MeasureReport {
        /// Of frames whose exposures tell nothing of their lens.
        pub fn of_frames(frames: Vec<MeasuredFile>) -> Self {
            Self {
                frames,
                lenses: Vec::new(),
            }
        }
    }

    /// Stars on a lattice, all drawn out by 6 px towards the lower right.
    pub fn slanted() -> MeasuredFile {
        let half = 6.0 / 2f64.sqrt();
        let extra = half * half / 12.0;
        let star = |nth: usize| Star {
            position: PixelPoint::new(20.0 + (nth % 30) as f64 * 40.0, (nth / 30) as f64 * 40.0),
            position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
            flux: Measured::new(2.0, 0.02),
            peak: 0.1,
            moments: PixelTensor::new(1.3 + extra, extra, 1.3 + extra),
            moments_sigma: PixelTensor::new(0.05, 0.05, 0.05),
            trail: Some(PixelVector::new(half, half)),
            quality: Quality::default(),
        };
        MeasuredFile {
            frame: sample::frame(
                "night/IMG_1.jpg",
                0,
                sample::trail(half, half, 0.1),
                Verdict::Trailed,
            ),
            measured: Some(Measurement {
                field: StarField {
                    width: 1200,
                    height: 800,
                    stars: (0..600).map(star).collect(),
                    background: 0.02,
                    noise: 0.001,
                    fwhm: Some(sample::pixels(2.7, 0.05)),
                    trail: Some(sample::trail(half, half, 0.1)),
                    lens: None,
                    rejected: Rejected::default(),
                },
                response: None,
                developed: true,
                identity: Identity::Unknown(Unidentified::NoAgreement {
                    n_stars: 600,
                    n_trials: 9,
                }),
                photograph: None,
            }),
        }
    }

    /// The same with identified stars.
    pub fn looking(known: Identified) -> MeasuredFile {
        let mut file = slanted();
        let (ra, dec) = known.plate.center().ra_dec();
        if let Some(center) = &mut file.frame.center {
            (center.ra, center.dec) = (Some(ra), dec);
            center.up_position_angle = known.plate.up_position_angle();
        }
        file.frame.n_identified = known.plate.matches.len();
        if let Some(measured) = &mut file.measured {
            measured.identity = Identity::Known(Box::new(known));
        }
        file
    }

    #[test]
    fn a_report_of_set_aside_files_has_no_answer() {
        let frame = FrameReport::set_aside("a.jpg", "", "empty");
        let lone = MeasuredFile {
            frame,
            measured: None,
        };
        assert!(!MeasureReport::of_frames(vec![lone]).is_answered());
        assert!(MeasureReport::of_frames(vec![slanted()]).is_answered());
    }
}
