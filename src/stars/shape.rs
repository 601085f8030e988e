//! Width and trail of a frame whose stars are about as long as they are wide.

use rayon::prelude::*;

use super::calibration::Calibration;
use super::equations::Reading;
use super::field::median;
use super::fit::{FitSetup, SOFT_TOP};
use super::learn::{Freedom, learn_shared};
use super::moments::{AdaptiveErrors, renewed_errors};
use super::noise::Noise;
use super::refine::{Refined, refine};
use super::segment::Segment;
use super::trail::{ShortTrail, short_trail};
use super::{FrameTrail, LensShape, Star, StarField};
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
/// Stars that are worth the time of a descent each: the brightest, whose own light is the noise.
const MOST_REFINED: usize = 1600;
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
    let (mut psf_sigma, mut gain) = (1.0, 0.0);
    let mut shapes = short_trail(&usable(setup, stars, |_| true), center, scale, &calibration)?;
    for round in 0..2 {
        let teachers = teachers(
            &usable(setup, stars, |_| true),
            shapes.trail.vector,
            center,
            INNER_FIELD * scale,
        );
        let seen = FitSetup { psf, ..*setup };
        let Some(learnt) = learn_shared(&seen, &teachers, Freedom::Profile, Reading::Sampled)
        else {
            break;
        };
        (psf, psf_sigma, gain) = (learnt.psf, learnt.core_sigma, learnt.light_noise(setup));
        calibration = Calibration::of(psf);
        if round == 0 {
            renew_errors(setup, gain, stars);
        }
        shapes = short_trail(&usable(setup, stars, |_| true), center, scale, &calibration)?;
    }
    let setup = FitSetup {
        psf,
        noise: Noise {
            gain,
            ..setup.noise
        },
        ..*setup
    };
    let is_refined = refine_stars(&setup, stars, shapes.trail.vector);
    let refined: Vec<&Star> = usable(&setup, stars, |i| is_refined[i]);
    if refined.len() >= ENOUGH_STARS {
        shapes = short_trail(&refined, center, scale, &Calibration::exact()).unwrap_or(shapes);
    }
    let ShortTrail { trail, lens } = shapes;
    let factor = calibration.factor(trail.vector.length().px());
    for (star, _) in stars
        .iter_mut()
        .zip(is_refined)
        .filter(|(_, refined)| !refined)
    {
        calibrate(star, factor);
    }
    let fwhm = psf.fwhm();
    Some(FrameShape {
        trail,
        lens,
        fwhm: Measured::new(fwhm, fwhm * psf_sigma),
    })
}

/// Clean stars well above the noise among the chosen, without those whose tops may be rounded off if there
/// are enough others.
fn usable<'a>(
    setup: &FitSetup,
    stars: &'a [Star],
    chosen: impl Fn(usize) -> bool,
) -> Vec<&'a Star> {
    let clean = |(i, s): &(usize, &Star)| chosen(*i) && is_shapely(s);
    let soft = f64::from(SOFT_TOP * setup.saturation);
    let all = || stars.iter().enumerate().filter(clean).map(|(_, s)| s);
    let linear: Vec<&Star> = all().filter(|s| s.peak < soft).take(MOST_STARS).collect();
    let chosen = if linear.len() >= ENOUGH_STARS {
        linear
    } else {
        all().collect()
    };
    without_narrow(chosen)
}

/// Stars of a measured field whose shape counts.
pub(super) fn shapely(field: &StarField) -> Vec<&Star> {
    let stars = field.stars.iter().filter(|star| is_shapely(star));
    without_narrow(stars.take(MOST_STARS).collect())
}

/// Few stars without those far narrower than the rest: under cloud, hot pixels that a development has
/// widened come near to stars, and two of them among seven make a trail.
fn without_narrow(stars: Vec<&Star>) -> Vec<&Star> {
    const FEW: usize = 60;
    const NARROW: f64 = 0.6;
    let width = |s: &Star| 0.5 * (s.moments.xx + s.moments.yy);
    let usual = median(stars.iter().map(|s| width(s)));
    let few = stars.len() < FEW;
    stars
        .into_iter()
        .filter(|s| !few || width(s) > NARROW * usual)
        .collect()
}

fn is_shapely(star: &Star) -> bool {
    star.quality.is_clean() && star.signal_to_noise() > SHAPE_SIGNIFICANCE
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
    /// Light whose own variance is a smaller share of the sky's changes no error by more than a twentieth.
    const FELT: f64 = 0.2;
    let mut noise = setup.noise;
    noise.gain = gain;
    // From place to place over the plane, not from bright to faint: neighbours share what the cache holds.
    let mut order: Vec<usize> = (0..stars.len()).collect();
    order.sort_by_key(|i| stars[*i].position.y as i64);
    let renewed: Vec<(usize, AdaptiveErrors)> = order
        .into_par_iter()
        .filter_map(|i| {
            let star = &stars[i];
            let sky = setup.sky.noise_near(star.position).powi(2);
            let felt = gain * star.peak >= FELT * sky;
            let renew =
                || renewed_errors(setup.plane, setup.sky, &noise, star.position, star.moments);
            felt.then(renew).flatten().map(|errors| (i, errors))
        })
        .collect();
    for (i, errors) in renewed {
        stars[i].position_covariance = errors.place;
        stars[i].moments_sigma = errors.moments;
        stars[i].flux.sigma = errors.flux;
    }
}

/// Gives the brightest clean stars the place and shape of greatest likelihood; tells which.
///
/// The moments stay on the scale of adaptive ones: those of the profile alone are what these show beyond
/// trail and blur.
fn refine_stars(setup: &FitSetup, stars: &mut [Star], trail: PixelVector) -> Vec<bool> {
    let refined: Vec<Option<Refined>> = stars
        .par_iter()
        .enumerate()
        .map(|(i, star)| {
            let worth = i < MOST_REFINED && is_shapely(star);
            let start = Segment {
                center: star.position,
                vector: trail,
                flux: star.flux.value,
                pedestal: 0.0,
            };
            worth.then(|| refine(setup, start))?
        })
        .collect();
    let beyond = |(star, refined): (&Star, &Option<Refined>)| {
        let added = refined.as_ref()?.added(trail);
        Some(0.5 * (star.moments.xx + star.moments.yy - added.xx - added.yy))
    };
    let profile = median(stars.iter().zip(&refined).filter_map(beyond));
    for (star, refined) in stars.iter_mut().zip(&refined) {
        if let Some(found) = refined {
            star.position = found.center;
            star.position_covariance = found.place;
            let added = found.added(trail);
            star.moments = PixelTensor::new(profile + added.xx, added.xy, profile + added.yy);
            star.moments_sigma = found.blur_sigma;
        }
    }
    refined.iter().map(Option::is_some).collect()
}

/// Scales a star's elongation, and its error, so that a segment adds a twelfth of its square.
fn calibrate(star: &mut Star, factor: f64) {
    let t = star.moments;
    let (mean, half) = (0.5 * (t.xx + t.yy), 0.5 * (t.xx - t.yy));
    star.moments = PixelTensor::new(mean + factor * half, factor * t.xy, mean - factor * half);
    let s = star.moments_sigma;
    star.moments_sigma = PixelTensor::new(factor * s.xx, factor * s.xy, factor * s.yy);
}
