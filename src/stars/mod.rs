//! A plane of linear light in, measured stars and one trail a frame out. Knows no sky.

#[cfg(test)]
mod accuracy;
mod background;
mod calibration;
mod cell;
mod component;
mod detect;
mod ends;
mod field;
mod filter;
mod fit;
mod learn;
mod long;
mod moments;
mod noise;
mod oriented;
mod pace;
mod psf;
#[cfg(test)]
mod rendered;
mod segment;
mod shape;
mod sheared;
mod short;
mod survey;
mod teach;
mod trail;

use background::Background;
use component::{Component, components};
use detect::scan;
use field::VectorField;
use filter::Filter;
use fit::FitSetup;
use long::LongStars;
use noise::{Correlation, Noise};
use pace::Pace;
use psf::Psf;
use segment::Segment;
use shape::SHAPE_SIGNIFICANCE;
use survey::{Survey, survey};

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
    /// Middle of its trail (its place at mid exposure).
    pub position: PixelPoint,
    /// Covariance of `position`, square pixels.
    pub position_covariance: PixelTensor,
    /// Light above the background, in units of [`crate::frame::Plane`] times pixels.
    pub flux: Measured<f64>,
    /// Brightest pixel above the background.
    pub peak: f64,
    /// Second moments of its image, square pixels (seeing, lens and trail together).
    pub moments: PixelTensor,
    /// 1-sigma of each of the moments, square pixels.
    pub moments_sigma: PixelTensor,
    /// Straight vector between the ends of its trail; its sign means nothing. `None` where not measured.
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

/// What was kept out, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rejected {
    /// Hot pixels and cosmic rays: sharper than the lens.
    pub hot_pixels: usize,
    /// Lines of aircraft and satellites.
    pub lines: usize,
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
    /// What was kept out.
    pub rejected: Rejected,
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

/// Gaussian sigma of the first look's filter: a common star image of 2.8 pixels full width.
const FIRST_SIGMA: f64 = 1.2;
/// Detection threshold in sigmas of the filtered sky: about one false star in a frame of 24 million pixels
/// if the noise were Gaussian.
const THRESHOLD: f32 = 5.0;
/// Trails longer than this many full widths of a star are fitted as segments; shorter ones show in the moments.
const LONG_TRAIL_WIDTHS: f64 = 1.3;
/// Full width at half maximum of a Gaussian over its sigma, sqrt(8 ln 2).
const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// Stars, their shapes and the frame's trail.
///
/// Method: 1. sky and noise on a mesh; 2. matched filter and connected patches; 3. the bulk of the
/// bright patches says whether the frame is trailed; 4. short trails: adaptive moments of every peak
/// and the elongation field; long trails: oriented filter and fitted segments.
/// Input: light at or above `saturation` (scale of the plane) is taken as saturated.
pub fn measure_stars(plane: &Plane, saturation: f32) -> StarField {
    let sky = Background::estimate(plane);
    let mut field = StarField {
        width: plane.width(),
        height: plane.height(),
        stars: Vec::new(),
        background: f64::from(sky.median_level()),
        noise: f64::from(sky.median_noise()),
        fwhm: None,
        trail: None,
        rejected: Rejected::default(),
    };
    let (found, correlation) = find(plane, &sky, FIRST_SIGMA);
    let first = survey(plane, &sky, &found, saturation);
    let setup = |sigma: f64, pace: Pace| FitSetup {
        plane,
        sky: &sky,
        noise: Noise {
            correlation,
            gain: 0.0,
        },
        psf: Psf::gaussian(sigma),
        pace,
        saturation,
    };
    let trailed = first.as_ref().filter(|bulk| is_long(bulk, plane));
    if let Some(bulk) = trailed
        && let Some(long) =
            long::measure_trails(&setup(bulk.sigma, bulk.pace), &bulk.segments, &bulk.field)
    {
        fill_long(&mut field, long, &found);
        return field;
    }
    let sigma = first.as_ref().map_or(FIRST_SIGMA, |b| b.sigma);
    fill_short(&mut field, &setup(sigma, Pace::default()), &found);
    if trailed.is_some() {
        // The bright patches are long but no fit bears it out: better no trail than a wrong one.
        (field.trail, field.fwhm) = (None, None);
    } else if let Some(bulk) = trailed_after_all(&field, plane)
        && let Some(long) =
            long::measure_trails(&setup(bulk.sigma, bulk.pace), &bulk.segments, &bulk.field)
    {
        fill_long(&mut field, long, &found);
    }
    field
}

/// Patches that stand out under the filter for stars of this Gaussian width, and the noise that they stand out of.
fn find(plane: &Plane, sky: &Background, sigma: f64) -> (Vec<Component>, Correlation) {
    let sigma = sigma as f32;
    let correlation = Correlation::measure(plane, sky, sigma);
    let threshold = THRESHOLD * correlation.light as f32;
    (
        components(
            plane,
            sky,
            &scan(plane, sky, &Filter::of_stars(sigma), threshold),
        ),
        correlation,
    )
}

/// The bulk as the moments show it, where they show trails too long for moments.
fn trailed_after_all(field: &StarField, plane: &Plane) -> Option<Survey> {
    let sigma = field.fwhm?.value.px() / FWHM_PER_SIGMA;
    let vector = field.trail?.vector;
    let clean = field
        .stars
        .iter()
        .filter(|s| s.quality.is_clean() && s.signal_to_noise() > SHAPE_SIGNIFICANCE);
    let segments = clean
        .map(|s| Segment {
            center: s.position,
            vector,
            flux: s.flux.value,
            pedestal: 0.0,
        })
        .collect();
    let field = VectorField::uniform(plane.center(), vector);
    Some(Survey {
        sigma,
        field,
        segments,
        pace: Pace::default(),
    })
    .filter(|bulk| is_long(bulk, plane))
}

fn is_long(bulk: &Survey, plane: &Plane) -> bool {
    bulk.field.at(plane.center()).length().px() > LONG_TRAIL_WIDTHS * FWHM_PER_SIGMA * bulk.sigma
}

fn fill_long(field: &mut StarField, long: LongStars, found: &[Component]) {
    field.trail = trail::long_trail(&long.field, field.center());
    field.fwhm = Some(Measured::new(
        Pixels::new(long.fwhm.value),
        Pixels::new(long.fwhm.sigma),
    ));
    field.rejected = long.rejected;
    count_foreign(found, &long.field, &mut field.rejected);
    field.stars = long.stars;
}

/// Components that no trail of the bulk explains (lines longer than the trail, foreground).
fn count_foreign(components: &[Component], field: &VectorField, rejected: &mut Rejected) {
    for component in components {
        let [x0, y0, x1, y1] = component.bounds;
        let side = ((x1 - x0) as f64).hypot((y1 - y0) as f64);
        if side > 3.0 * field.at(component.centroid).length().px() + 40.0 {
            let (large, small, _) = component.moments.principal();
            let counter = if large > 100.0 * small {
                &mut rejected.lines
            } else {
                &mut rejected.shapes
            };
            *counter += 1;
        }
    }
}

fn fill_short(field: &mut StarField, setup: &FitSetup, found: &[Component]) {
    let sigma = setup.psf.core.clamp(0.7, 5.0);
    // The first look's filter loses nothing on stars about as wide as it.
    let tuned =
        ((sigma / FIRST_SIGMA).ln().abs() > 0.25).then(|| find(setup.plane, setup.sky, sigma));
    let correlation = tuned.as_ref().map_or(setup.noise.correlation, |t| t.1);
    let noise = Noise {
        correlation,
        gain: 0.0,
    };
    let setup = FitSetup {
        noise,
        psf: Psf::gaussian(sigma),
        ..*setup
    };
    let found = tuned.as_ref().map_or(found, |t| &t.0);
    field.stars = short::measure_points(&setup, found, &mut field.rejected);
    if let Some(shape) = shape::measure_shape(&setup, &mut field.stars) {
        field.trail = Some(shape.trail);
        field.fwhm = Some(Measured::new(
            Pixels::new(shape.fwhm.value),
            Pixels::new(shape.fwhm.sigma),
        ));
    }
}
