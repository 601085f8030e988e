//! How long stars stay round, worked out without a frame.
//!
//! A lens, a sensor, a tolerance and an axis error (or no tracker at all) in; longest exposures and
//! needed alignments out. Small errors: the motion of a star against the camera is w e x s, with e
//! the axis error and s the star (DEVELOPERS.md, conventions); it is never faster than w |e|. The
//! drift at one place of the sky is in `sky::aiming`.

mod dial;

pub use dial::{settable, settable_words};

use crate::units::{Angle, AngularRate, Length, Pixels, Seconds};

/// Beyond this a small tracker is never exposed, and the small-angle model says nothing.
pub const LONGEST: Seconds = Seconds::new(1800.0);

/// Part of a star's width that a trail may have before the star looks long: an axis ratio of 1.10.
pub const TOLERANCE_OF_WIDTH: f64 = 2.0 / 3.0;

/// Width of a star where nobody measured one, pixels: own choice; frames of sharp lenses, well
/// focused, show 2.5 to 3.5. A wider star tolerates a longer trail in proportion.
pub const USUAL_WIDTH: Pixels = Pixels::new(3.0);

/// Green light, where sensors see most; from memory: the V filter of photometry has 0.55 um.
const WAVELENGTH: Length = Length::from_um(0.55);
/// Full width at half maximum of the image of a round aperture, in wavelength times f-number;
/// derivation: the Airy pattern (2 J1(x) / x)^2 is one half at x = 1.6163, and 2 x 1.6163 / pi = 1.029.
const AIRY_WIDTH: f64 = 1.029;

/// Lens, sensor and exposure that the cost of aiming is told for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraInUse {
    /// Focal length of the lens itself.
    pub focal: Length,
    /// Side of one pixel.
    pub pixel_pitch: Length,
}

impl CameraInUse {
    /// Angle on the sky of one pixel at the frame's centre.
    pub fn pixel_scale(self) -> Angle {
        Angle::from_rad(self.pixel_pitch / self.focal)
    }
    /// Trail of a star that drifts at a rate for a while.
    pub fn trail(self, rate: AngularRate, exposure: Seconds) -> Pixels {
        Pixels::new(rate.over(exposure).abs() / self.pixel_scale())
    }
    /// Longest exposure at a rate of drift; not limited to [`LONGEST`], infinite without drift.
    pub fn longest_exposure(self, rate: AngularRate, tolerance: Pixels) -> Seconds {
        let speed = rate.abs().rad_per_s();
        Seconds::new(self.pixel_scale().rad() * tolerance.px() / speed)
    }
    /// The largest axis error that keeps every star within the tolerance, wherever it stands.
    pub fn needed_alignment(self, exposure: Seconds, tolerance: Pixels) -> Angle {
        self.pixel_scale() * tolerance.px() / AngularRate::SIDEREAL.over(exposure).rad()
    }
}

/// The fastest drift that an axis error makes, at any declination: a quarter turn beside the axis.
pub fn rate_of_axis(error: Angle) -> AngularRate {
    AngularRate::SIDEREAL * error.abs().rad()
}

/// The slowest drift that an axis error makes at a declination: on the axis's own side of the sky.
pub fn kindest_rate_of_axis(error: Angle, declination: Angle) -> AngularRate {
    rate_of_axis(error) * declination.sin().abs()
}

/// How fast the sky runs through the picture of a camera that stands still.
pub fn rate_untracked(declination: Angle) -> AngularRate {
    AngularRate::SIDEREAL * declination.cos()
}

/// Width of a star that the aperture alone allows (full width at half maximum).
///
/// Source: the Airy pattern; see the constants. A lens stopped down to f/8 on pixels of 3.3 um: 1.4 px.
pub fn diffraction_width(f_number: f64, pixel_pitch: Length) -> Pixels {
    Pixels::new(WAVELENGTH * (AIRY_WIDTH * f_number) / pixel_pitch)
}

/// Ratio of a star's long to its short axis for a trail, by moments: a segment of length L adds
/// L^2 / 12 to the FWHM^2 / (8 ln 2) of a round star.
pub fn axis_ratio(trail: Pixels, width: Pixels) -> f64 {
    let round = width.px().powi(2) / (8.0 * std::f64::consts::LN_2);
    ((round + trail.px().powi(2) / 12.0) / round).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::{Direction, TurningAxis};
    use crate::units::Hemisphere;
    use nalgebra::Vector3;

    fn camera(focal: f64, pitch: f64) -> CameraInUse {
        CameraInUse {
            focal: Length::from_mm(focal),
            pixel_pitch: Length::from_um(pitch),
        }
    }

    #[test]
    fn a_degree_of_error_drifts_by_the_rule_where_it_is_worst() {
        let rate = rate_of_axis(Angle::from_deg(1.0)).arcsec_per_min();
        assert!((rate - 15.75).abs() < 0.01, "{rate}");
    }

    #[test]
    fn no_place_of_the_sky_is_worse_than_the_worst_nor_better_than_the_kindest() {
        let error = Angle::from_arcmin(20.0);
        // On the Earth's equator: the pole on the horizon, the axis above it, the meridian overhead.
        let axis = TurningAxis {
            axis: Direction::from_az_alt(Angle::ZERO, error),
            pole: Direction::from_az_alt(Angle::ZERO, Angle::ZERO),
            hemisphere: Hemisphere::North,
            rate_ratio: 1.0,
        };
        for dec in (-90..=90).step_by(10).map(f64::from) {
            let dec = Angle::from_deg(dec);
            let speeds = (0..360).map(|h| {
                let h = Angle::from_deg(f64::from(h));
                let star = Vector3::new(-dec.cos() * h.sin(), dec.sin(), dec.cos() * h.cos());
                axis.drift(Direction::new(star)).speed().rad_per_s()
            });
            let (low, high) = speeds.fold((f64::MAX, 0.0f64), |(l, h), s| (l.min(s), h.max(s)));
            let worst = rate_of_axis(error).rad_per_s();
            let kindest = kindest_rate_of_axis(error, dec).rad_per_s();
            assert!((high / worst - 1.0).abs() < 2e-5, "{dec:?}");
            // The square of the error is left out of the rule.
            assert!((low - kindest).abs() < 0.5 * error.rad() * worst, "{dec:?}");
        }
    }

    #[test]
    fn exposure_and_alignment_undo_each_other() {
        let camera = camera(150.0, 3.3);
        let tolerance = Pixels::new(2.0);
        let error = camera.needed_alignment(Seconds::new(60.0), tolerance);
        let back = camera.longest_exposure(rate_of_axis(error), tolerance);
        assert!((back.s() - 60.0).abs() < 1e-9);
    }

    #[test]
    fn a_camera_that_stands_still_by_hand() {
        // 206.265 x 3.3 / 50 = 13.61" a pixel; 2 px of it at 15.041" x cos 60 deg last 3.62 s.
        let rate = rate_untracked(Angle::from_deg(60.0));
        let time = camera(50.0, 3.3).longest_exposure(rate, Pixels::new(2.0));
        assert!((time.s() - 3.620).abs() < 0.001, "{time:?}");
        let pole = rate_untracked(Angle::from_deg(90.0));
        assert!(
            camera(50.0, 3.3)
                .longest_exposure(pole, Pixels::new(2.0))
                .s()
                > 1e9
        );
    }

    #[test]
    fn two_thirds_of_the_width_are_an_axis_ratio_of_one_point_one() {
        let ratio = axis_ratio(USUAL_WIDTH * TOLERANCE_OF_WIDTH, USUAL_WIDTH);
        assert!((ratio - 1.098).abs() < 0.001, "{ratio}");
    }

    #[test]
    fn the_aperture_widens_stars_in_proportion() {
        let width = |n| diffraction_width(n, Length::from_um(3.3)).px();
        assert!((width(8.0) - 1.372).abs() < 0.001);
        assert!((width(16.0) / width(8.0) - 2.0).abs() < 1e-12);
    }
}
