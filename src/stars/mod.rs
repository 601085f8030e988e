//! A plane of linear light in, measured stars and one trail a frame out. Knows no sky.

#[cfg(test)]
mod accuracy;
mod background;
mod calibration;
mod cell;
mod component;
mod detect;
mod elongation;
mod ends;
mod equations;
mod exposed;
mod field;
mod filter;
mod fit;
mod fixed;
mod learn;
mod lens_fit;
mod light_noise;
mod line;
mod long;
mod measure;
mod moments;
mod noise;
mod nonlinear;
mod oriented;
mod over_exposures;
mod pace;
mod pedestal;
mod psf;
mod refine;
#[cfg(test)]
mod rendered;
mod response;
mod segment;
mod shape;
mod sheared;
mod short;
mod sorted;
mod stacked;
mod survey;
mod teach;
mod trail;
mod weight;

pub use fixed::leave_out_fixed;
pub use over_exposures::{Exposed, LensOverExposures, lens_over_exposures};
pub use response::Response;
pub use stacked::{StackedStar, stack_stars};

use crate::frame::Plane;
use crate::units::{Angle, AxialAngle, Measured, PixelPoint, PixelTensor, PixelVector, Pixels};

/// Why a star is not to be trusted for everything.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Quality {
    /// Its core reaches the saturation level: position poorer, shape useless.
    pub saturated: bool,
    /// A neighbour touches it.
    pub blended: bool,
    /// It or its trail touches the frame's edge.
    pub at_edge: bool,
}

impl Quality {
    /// Fit for shapes and precise positions.
    pub fn is_clean(self) -> bool {
        !(self.saturated || self.blended || self.at_edge)
    }
}

/// One star as the frame shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Star {
    /// Mean place of its light: where it stood on the average of the exposure.
    pub position: PixelPoint,
    /// Covariance of `position`, square pixels.
    pub position_covariance: PixelTensor,
    /// Light above the background, in units of [`crate::frame::Plane`] times pixels.
    pub flux: Measured<f64>,
    /// Brightest pixel above the background.
    pub peak: f64,
    /// Second moments of its image, square pixels (seeing, lens and trail together), on a scale on which an
    /// evenly lit trail d adds d d^T / 12.
    pub moments: PixelTensor,
    /// 1-sigma of each of the moments, square pixels; those of xx and yy are such that together they give
    /// the error of the difference, which is the trail's.
    pub moments_sigma: PixelTensor,
    /// Straight vector between the ends of its trail; its sign means nothing. `None` where not measured by
    /// itself: in frames with short trails, and for faint stars that were found with the bulk's trail.
    pub trail: Option<PixelVector>,
    /// What to beware of.
    pub quality: Quality,
}

impl Star {
    /// Signal to noise ratio of its light.
    pub fn signal_to_noise(&self) -> f64 {
        self.flux.value / self.flux.sigma
    }
}

/// How stars moved during the exposure, at the centre of the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameTrail {
    /// Straight vector between the ends; its sign means nothing (chosen with dx >= 0).
    pub vector: PixelVector,
    /// Covariance of `vector`, square pixels; for trails much shorter than the stars are wide it
    /// is the length's sigma that says how little is known.
    pub covariance: PixelTensor,
    /// Length.
    pub length: Measured<Pixels>,
    /// Direction, as a line.
    pub angle: AxialAngle,
    /// 1-sigma of `angle`; 90 degrees and more means that the direction is unknown.
    pub angle_sigma: Angle,
    /// Stars that it rests on.
    pub n_stars: usize,
}

#[cfg(test)]
impl FrameTrail {
    /// A trail that is known as well along as across.
    pub(crate) fn seen(vector: PixelVector, sigma: f64, angle_sigma: Angle) -> Self {
        Self {
            vector,
            covariance: PixelTensor::new(sigma * sigma, 0.0, sigma * sigma),
            length: Measured::new(vector.length(), Pixels::new(sigma)),
            angle: AxialAngle::of(vector),
            angle_sigma,
            n_stars: 100,
        }
    }
}

/// Which way a lens draws stars long.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stretch {
    /// Along the line to the frame's centre.
    Outwards,
    /// At right angles to that line.
    Around,
}

impl Stretch {
    /// One word for reports.
    pub const fn key(self) -> &'static str {
        match self {
            Stretch::Outwards => "outwards",
            Stretch::Around => "around",
        }
    }
}

/// What the lens does to the stars off the centre, as far as it is a pattern about the centre.
///
/// In one frame a turn of the field during the exposure stretches stars around the centre as well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LensShape {
    /// The trail that would draw a star as long as the pattern does at half the frame's diagonal.
    pub corner: Measured<Pixels>,
    /// Which way.
    pub stretch: Stretch,
    /// Whether frames of different exposure told it from a turn of the field.
    pub turn_told: bool,
}

/// A straight line of light that no star drew: a satellite or an aircraft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightLine {
    /// One end, as far as it shows.
    pub from: PixelPoint,
    /// The other end; which comes first says nothing of the motion.
    pub to: PixelPoint,
}

/// What was kept out, and why.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rejected {
    /// Hot pixels and cosmic rays: sharper than the lens.
    pub hot_pixels: usize,
    /// Stars that touch so closely that they show as one drawn-out patch.
    pub blended: usize,
    /// Lines of satellites and aircraft.
    pub lines: usize,
    /// The longest of these lines.
    pub longest_line: Option<LightLine>,
    /// Foreground, cloud edges and other shapes that are no stars.
    pub shapes: usize,
}

/// All that one frame shows.
#[derive(Debug, Clone, PartialEq)]
pub struct StarField {
    /// Frame size in pixels.
    pub width: usize,
    /// Frame size in pixels.
    pub height: usize,
    /// Brightest first.
    pub stars: Vec<Star>,
    /// Median background, on the scale of [`crate::frame::Plane`].
    pub background: f64,
    /// Median noise of one pixel about the background.
    pub noise: f64,
    /// Width of a star across its trail (full width at half maximum); `None` with too few clean stars.
    pub fwhm: Option<Measured<Pixels>>,
    /// The frame's trail; `None` with too few clean stars.
    pub trail: Option<FrameTrail>,
    /// The lens's pattern; `None` in frames of long trails and with too few clean stars.
    pub lens: Option<LensShape>,
    /// What was kept out.
    pub rejected: Rejected,
}

#[cfg(test)]
impl StarField {
    /// A field that holds nothing but these stars.
    pub(crate) fn holding(width: usize, height: usize, stars: Vec<Star>) -> Self {
        Self {
            width,
            height,
            stars,
            background: 0.0,
            noise: 0.001,
            fwhm: None,
            trail: None,
            lens: None,
            rejected: Rejected::default(),
        }
    }
}

impl StarField {
    /// Centre of the frame.
    pub fn center(&self) -> PixelPoint {
        PixelPoint::new(
            (self.width as f64 - 1.0) / 2.0,
            (self.height as f64 - 1.0) / 2.0,
        )
    }
}

/// What a camera's development does to lengths, 1-sigma: this share of short trails ...
///
/// Measured on rendered frames, `tests/development.rs`: smoothing shortens trails by 2 to 7 %, a curve
/// of contrast by 4 to 9 %, both together by up to 16 %; sharpening by 2 % at most.
const DEVELOPED_SHARE: f64 = 0.06;
/// ... and of long ones, at whose ends it works alone, this share of a star's width.
const DEVELOPED_ENDS: f64 = 0.06;
/// The same for the width of the stars: from 8 % less to 6 % more.
const DEVELOPED_WIDTH: f64 = 0.05;

impl StarField {
    /// The same field of a picture that a camera or program developed: its trail and width are known
    /// no better than tone curve and smoothing leave them.
    pub fn of_developed(mut self) -> Self {
        if let (Some(trail), Some(fwhm)) = (&mut self.trail, &mut self.fwhm) {
            let width = fwhm.value.px();
            fwhm.sigma = Pixels::new(fwhm.sigma.px().hypot(DEVELOPED_WIDTH * width));
            *trail = trail.of_developed(fwhm.value);
        }
        self
    }
}

impl FrameTrail {
    /// What it adds to the stars' second moments, `Qxx - Qyy` and `2 Qxy`, square pixels.
    pub fn elongation(&self) -> [f64; 2] {
        let size = self.length.value.px().powi(2) / 12.0;
        let (sin, cos) = (2.0 * self.angle.angle().rad()).sin_cos();
        [size * cos, size * sin]
    }

    /// The same of a developed picture, by the width of its stars.
    fn of_developed(mut self, fwhm: Pixels) -> Self {
        let share = DEVELOPED_SHARE * self.length.value.px();
        self.lengthen_doubt(share.min(DEVELOPED_ENDS * fwhm.px()));
        self
    }

    /// Adds an error along the trail, 1-sigma in pixels.
    fn lengthen_doubt(&mut self, sigma_px: f64) {
        let (c, s) = (self.angle.angle().cos(), self.angle.angle().sin());
        let (variance, known) = (sigma_px * sigma_px, self.covariance);
        self.covariance = PixelTensor::new(
            known.xx + variance * c * c,
            known.xy + variance * c * s,
            known.yy + variance * s * s,
        );
        self.length.sigma = Pixels::new(self.length.sigma.px().hypot(sigma_px));
    }
}

/// Stars, their shapes and the frame's trail.
///
/// Method: 1. sky and noise on a mesh; 2. matched filter and connected patches; 3. the bulk of the
/// bright patches says whether the frame is trailed; 4. short trails: adaptive moments of every peak
/// and the elongation field; long trails: oriented filter and fitted segments.
/// Input: light at or above `saturation` (scale of the plane) is taken as saturated.
pub fn measure_stars(plane: &Plane, saturation: f32) -> StarField {
    measure::measure(plane, saturation)
}
