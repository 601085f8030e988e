//! How long stars stay round with which lens and which alignment, without frames.
//!
//! Input: [`LimitsQuestion`]. Output: [`LimitsReport`], its text and its JSON.

mod json;
mod text;

use crate::diagnosis::Verdict;
use crate::limits::{
    CameraInUse, TOLERANCE_OF_WIDTH, axis_ratio, diffraction_width, kindest_rate_of_axis,
    rate_of_axis, rate_untracked,
};
use crate::units::{Angle, Length, Pixels, Seconds};

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitsQuestion {
    /// Lenses, in the order of the table.
    pub lenses: Vec<LensInBag>,
    /// Side of one pixel.
    pub pixel_pitch: Length,
    /// Distances of the axis from the pole.
    pub axis_errors: Vec<Angle>,
    /// Exposures that an alignment is wanted for.
    pub exposures: Vec<Seconds>,
    /// The exposure and lens that the first line answers for; the first of each list without one.
    pub wanted: Option<Seconds>,
    /// Declination of what is photographed.
    pub declination: Angle,
    /// What a star may look like.
    pub star: StarLook,
}

/// A lens that may be put on the camera.
#[derive(Debug, Clone, PartialEq)]
pub struct LensInBag {
    /// Its name, where it has one.
    pub name: Option<String>,
    /// Focal length of the lens itself.
    pub focal: Length,
    /// f-number at which it is used, for the width that the aperture gives a star.
    pub f_number: Option<f64>,
}

/// Width of a round star, and the trail that is still called round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarLook {
    /// Full width at half maximum without the aperture's part.
    pub width: Pixels,
    /// Trail that the user accepts; `None` takes two thirds of the width.
    pub tolerance: Option<Pixels>,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitsReport {
    /// What was asked.
    pub question: LimitsQuestion,
    /// A line a lens.
    pub lenses: Vec<LensLimits>,
}

/// What one lens allows.
#[derive(Debug, Clone, PartialEq)]
pub struct LensLimits {
    /// The lens.
    pub lens: LensInBag,
    /// The lens on its sensor.
    pub camera: CameraInUse,
    /// Width of a round star, with the aperture's part.
    pub width: Pixels,
    /// Trail that is still called round.
    pub tolerance: Pixels,
    /// Longest exposures, one an axis error.
    pub exposures: Vec<ExposureRange>,
    /// Longest exposure without a tracker, at the declination asked for.
    pub untracked: Seconds,
    /// Axis errors that the exposures need, one an exposure.
    pub alignments: Vec<Angle>,
}

/// Longest exposures for an axis error, by where in the sky the camera looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposureRange {
    /// The axis error.
    pub axis_error: Angle,
    /// Where stars drift fastest; anywhere is at least as good.
    pub worst: Seconds,
    /// At the hour angle where stars of the declination drift slowest; infinite on the equator.
    pub kindest: Seconds,
}

/// Works the limits out.
pub fn report_limits(question: &LimitsQuestion) -> LimitsReport {
    let lenses = question.lenses.iter().map(|lens| limits_of(question, lens));
    LimitsReport {
        lenses: lenses.collect(),
        question: question.clone(),
    }
}

fn limits_of(question: &LimitsQuestion, lens: &LensInBag) -> LensLimits {
    let camera = CameraInUse {
        focal: lens.focal,
        pixel_pitch: question.pixel_pitch,
    };
    let width = question
        .star
        .width_with(lens.f_number, question.pixel_pitch);
    let tolerance = question.star.tolerance_of(width);
    let range = |&axis_error: &Angle| ExposureRange {
        axis_error,
        worst: camera.longest_exposure(rate_of_axis(axis_error), tolerance),
        kindest: camera.longest_exposure(
            kindest_rate_of_axis(axis_error, question.declination),
            tolerance,
        ),
    };
    let alignments = question.exposures.iter();
    LensLimits {
        lens: lens.clone(),
        camera,
        width,
        tolerance,
        exposures: question.axis_errors.iter().map(range).collect(),
        untracked: camera.longest_exposure(rate_untracked(question.declination), tolerance),
        alignments: alignments
            .map(|&exposure| camera.needed_alignment(exposure, tolerance))
            .collect(),
    }
}

impl StarLook {
    /// Width with the aperture's part, in quadrature.
    pub fn width_with(&self, f_number: Option<f64>, pixel_pitch: Length) -> Pixels {
        let aperture = f_number.map_or(Pixels::new(0.0), |n| diffraction_width(n, pixel_pitch));
        Pixels::new(self.width.px().hypot(aperture.px()))
    }

    /// Trail that is still called round for a star of this width.
    pub fn tolerance_of(&self, width: Pixels) -> Pixels {
        self.tolerance.unwrap_or(width * TOLERANCE_OF_WIDTH)
    }
}

impl LensLimits {
    /// How stars look after an exposure with an axis error, where they drift fastest.
    pub fn look(&self, axis_error: Angle, exposure: Seconds) -> Verdict {
        let trail = self.camera.trail(rate_of_axis(axis_error), exposure);
        Verdict::of_axis_ratio(axis_ratio(trail, self.width))
    }
}

/// Fixtures for the tests of this folder.
#[cfg(test)]
mod sample {
    use super::*;
    use crate::limits::USUAL_WIDTH;

    pub fn question(focals: &[f64]) -> LimitsQuestion {
        let lens = |&focal: &f64| LensInBag {
            name: None,
            focal: Length::from_mm(focal),
            f_number: None,
        };
        LimitsQuestion {
            lenses: focals.iter().map(lens).collect(),
            pixel_pitch: Length::from_um(3.3),
            axis_errors: [1.0, 5.0, 38.0].map(Angle::from_arcmin).to_vec(),
            exposures: [30.0, 60.0].map(Seconds::new).to_vec(),
            wanted: None,
            declination: Angle::ZERO,
            star: StarLook {
                width: USUAL_WIDTH,
                tolerance: None,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lens_of_150_mm_by_hand() {
        let report = report_limits(&sample::question(&[150.0]));
        let lens = &report.lenses[0];
        // 4.5378" a pixel, 2 px; 38' drift by 15.041" x 38 x 2.90888e-4 = 0.16626" a second.
        let worst = lens.exposures[2].worst;
        assert!((worst.s() - 54.59).abs() < 0.02, "{worst:?}");
        assert!(lens.exposures[2].kindest.s() > 1e9);
        assert!((lens.untracked.s() - 9.0757 / 15.041).abs() < 1e-3);
        // 9.0757" in 60 s are 0.15126" a second: 34.57'.
        assert!((lens.alignments[1].arcmin() - 34.57).abs() < 0.02);
    }

    #[test]
    fn a_stopped_down_lens_has_wider_stars_and_tolerates_more() {
        let mut question = sample::question(&[150.0]);
        question.lenses[0].f_number = Some(16.0);
        let lens = &report_limits(&question).lenses[0];
        assert!((lens.width.px() - 3f64.hypot(2.744)).abs() < 0.01);
        assert!((lens.tolerance.px() / lens.width.px() - 2.0 / 3.0).abs() < 1e-9);
        question.star.tolerance = Some(Pixels::new(1.0));
        assert_eq!(
            report_limits(&question).lenses[0].tolerance,
            Pixels::new(1.0)
        );
    }

    #[test]
    fn looks_follow_the_trail() {
        let lens = &report_limits(&sample::question(&[150.0])).lenses[0];
        let look = |error, time| lens.look(Angle::from_arcmin(error), Seconds::new(time));
        assert_eq!(look(5.0, 60.0), Verdict::Round);
        assert_eq!(look(40.0, 60.0), Verdict::Soft);
        assert_eq!(look(120.0, 120.0), Verdict::Trailed);
    }
}
