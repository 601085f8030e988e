//! What single frames show: words, tables of stars, a picture of the trails.

mod csv;
mod json;
mod text;
mod whiskers;

use crate::stars::StarField;

use super::FrameReport;

/// What each of several files shows by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureReport {
    /// In the order of the files.
    pub frames: Vec<MeasuredFile>,
}

/// What one file shows.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredFile {
    /// Its facts and its trail.
    pub frame: FrameReport,
    /// Its stars; `None` for a file set aside.
    pub field: Option<StarField>,
}

impl MeasureReport {
    /// Whether any frame had stars enough for a trail.
    pub fn is_answered(&self) -> bool {
        self.frames.iter().any(|file| file.frame.trail.is_some())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnosis::Verdict;
    use crate::report::sample;
    use crate::stars::{Quality, Rejected, Star};
    use crate::units::{Measured, PixelPoint, PixelTensor, PixelVector};

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
            field: Some(StarField {
                width: 1200,
                height: 800,
                stars: (0..600).map(star).collect(),
                background: 0.02,
                noise: 0.001,
                fwhm: Some(sample::pixels(2.7, 0.05)),
                trail: Some(sample::trail(half, half, 0.1)),
                rejected: Rejected::default(),
            }),
        }
    }

    #[test]
    fn a_report_of_set_aside_files_has_no_answer() {
        let frame = FrameReport::set_aside("a.jpg", "", "empty");
        let lone = MeasuredFile { frame, field: None };
        assert!(!MeasureReport { frames: vec![lone] }.is_answered());
        let frames = vec![slanted()];
        assert!(MeasureReport { frames }.is_answered());
    }
}
