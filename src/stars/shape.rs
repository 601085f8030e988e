//! Width and trail of a frame whose stars are about as long as they are wide.

use rayon::prelude::*;

use super::calibration::Calibration;
use super::fit::{FitSetup, SOFT_TOP};
use super::learn::{Freedom, learn_shared};
use super::moments::renewed_errors;
use super::segment::Segment;
use super::trail::{ShortTrail, short_trail};
use super::{FrameTrail, LensShape, Star};
use crate::units::{Measured, PixelPoint, PixelTensor, PixelVector};

/// What the shapes of the stars say about the frame.
pub(super) struct FrameShape {
    pub(super) trail: FrameTrail,
    pub(super) lens: Option<LensShape>,
    /// Full width at half maximum across the trail, pixels.
    pub(super) fwhm: Measured<f64>,
}

/// Stars whose shape counts: clean and this far above their noise.
pub(super) const SHAPE_SIGNIFICANCE: f64 = 9.0;
/// Stars that teach the PSF.
const MOST_TEACHERS: usize = 60;
/// Stars that the elongation field is fitted to; more add time and little else.
const MOST_STARS: usize = 1500;
/// Stars that make a choice among them possible.
const ENOUGH_STARS: usize = 20;
/// Teachers stand within this share of the half diagonal, where there are enough: the trail is wanted
/// at the centre, and lenses widen the stars towards the corners.
const INNER_FIELD: f64 = 0.6;

/// The frame's trail and width from its stars' moments, whose errors and calibration are renewed.
///
/// Method: elongation field and PSF in turns: the PSF says how much elongation a trail's length makes,
/// and how the noise grows with light.
pub(super) fn measure_shape(setup: &FitSetup, stars: &mut [Star]) -> Option<FrameShape> {
    let center = setup.plane.center();
    let scale = center.x.hypot(center.y).max(1.0);
    let mut calibration = Calibration::of(setup.psf);
    let mut psf = setup.psf;
    let mut psf_sigma = 1.0;
    let mut shapes = short_trail(&usable(setup, stars), center, scale, &calibration)?;
    for round in 0..2 {
        let teachers = teachers(
            &usable(setup, stars),
            shapes.trail.vector,
            center,
            INNER_FIELD * scale,
        );
        let Some(learnt) = learn_shared(&FitSetup { psf, ..*setup }, &teachers, Freedom::Profile)
        else {
            break;
        };
        (psf, psf_sigma) = (learnt.psf, learnt.core_sigma);
        calibration = Calibration::of(psf);
        if round == 0 {
            renew_errors(setup, learnt.gain, stars);
        }
        shapes = short_trail(&usable(setup, stars), center, scale, &calibration)?;
    }
    let ShortTrail { trail, lens } = shapes;
    calibrate(stars, &calibration, trail.vector);
    let fwhm = psf.fwhm();
    Some(FrameShape {
        trail,
        lens,
        fwhm: Measured::new(fwhm, fwhm * psf_sigma),
    })
}

/// Clean stars well above the noise, without those whose tops may be rounded off if there are enough others.
fn usable<'a>(setup: &FitSetup, stars: &'a [Star]) -> Vec<&'a Star> {
    let clean = |s: &&Star| s.quality.is_clean() && s.signal_to_noise() > SHAPE_SIGNIFICANCE;
    let soft = f64::from(SOFT_TOP * setup.saturation);
    let linear: Vec<&Star> = stars
        .iter()
        .filter(clean)
        .filter(|s| s.peak < soft)
        .take(MOST_STARS)
        .collect();
    if linear.len() >= ENOUGH_STARS {
        linear
    } else {
        stars.iter().filter(clean).collect()
    }
}

/// The brightest stars of the inner field as segments, from all over it where there are few.
fn teachers(stars: &[&Star], vector: PixelVector, center: PixelPoint, inner: f64) -> Vec<Segment> {
    let near: Vec<&Star> = stars
        .iter()
        .copied()
        .filter(|s| s.position.distance(center).px() < inner)
        .collect();
    let chosen = if near.len() >= ENOUGH_STARS {
        near
    } else {
        stars.to_vec()
    };
    let segment = |s: &Star| Segment {
        center: s.position,
        vector,
        flux: s.flux.value,
        pedestal: 0.0,
    };
    chosen
        .into_iter()
        .take(MOST_TEACHERS)
        .map(segment)
        .collect()
}

fn renew_errors(setup: &FitSetup, gain: f64, stars: &mut [Star]) {
    let mut noise = setup.noise;
    noise.gain = gain;
    stars.par_iter_mut().for_each(|star| {
        if let Some(errors) =
            renewed_errors(setup.plane, setup.sky, &noise, star.position, star.moments)
        {
            star.position_covariance = errors.place;
            star.moments_sigma = errors.moments;
            star.flux.sigma = errors.flux;
        }
    });
}

/// Scales the elongations so that a segment adds a twelfth of its square.
fn calibrate(stars: &mut [Star], calibration: &Calibration, trail: PixelVector) {
    let factor = calibration.factor(trail.length().px());
    let scaled = |t: PixelTensor| {
        let (mean, half) = (0.5 * (t.xx + t.yy), 0.5 * (t.xx - t.yy));
        PixelTensor::new(mean + factor * half, factor * t.xy, mean - factor * half)
    };
    stars
        .iter_mut()
        .for_each(|star| star.moments = scaled(star.moments));
}
