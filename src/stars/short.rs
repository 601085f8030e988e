//! Stars that are about as long as they are wide: peaks of the filtered plane, adaptive moments.

use rayon::prelude::*;

use super::calibration::Calibration;
use super::component::Component;
use super::field::median;
use super::fit::FitSetup;
use super::learn::{Freedom, learn_shared};
use super::moments::{Adaptive, adaptive_moments};
use super::segment::Segment;
use super::trail::short_trail;
use super::{FrameTrail, Quality, Rejected, Star};
use crate::frame::Plane;
use crate::units::{Measured, PixelPoint, PixelVector};

/// Narrower than this share of the bulk's width (second moments) is sharper than the lens.
const SHARPER_THAN_LENS: f64 = 0.45;
/// Wider than this many times the bulk's second moment is no single star.
const WIDER_THAN_STARS: f64 = 6.0;

/// Measures every peak; what is no star is counted in `rejected`. Brightest first.
pub(super) fn measure_points(
    setup: &FitSetup,
    found: &[Component],
    rejected: &mut Rejected,
) -> Vec<Star> {
    let FitSetup {
        plane,
        sky,
        noise,
        saturation,
        ..
    } = *setup;
    let sigma = setup.psf.core;
    let candidates: Vec<(&Component, PixelPoint)> = found
        .iter()
        .filter(|c| !is_foreground(c, sigma))
        .flat_map(|c| separate_peaks(c, sigma).into_iter().map(move |p| (c, p)))
        .collect();
    rejected.shapes += found.iter().filter(|c| is_foreground(c, sigma)).count();
    let measured: Vec<(&Component, Option<Adaptive>)> = candidates
        .par_iter()
        .map(|(component, place)| {
            (
                *component,
                adaptive_moments(plane, sky, &noise, *place, sigma),
            )
        })
        .collect();
    let bulk = bulk_moment(&measured, sigma);
    let mut stars: Vec<Star> = Vec::new();
    for (component, adaptive) in measured {
        let Some(adaptive) = adaptive else {
            rejected.shapes += 1;
            continue;
        };
        let (large, small, _) = adaptive.moments.principal();
        let sharp = 0.5 * (large + small) < SHARPER_THAN_LENS * bulk;
        let large_limit = WIDER_THAN_STARS * bulk;
        if sharp || large > large_limit || adaptive.flux < 3.0 * adaptive.flux_sigma {
            *(if sharp {
                &mut rejected.hot_pixels
            } else if large > large_limit && small < 2.0 * bulk {
                &mut rejected.lines
            } else {
                &mut rejected.shapes
            }) += 1;
            continue;
        }
        stars.push(star_of(component, &adaptive, plane, sigma, saturation));
    }
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    flag_neighbours(stars, bulk.sqrt())
}

/// Far larger than any star's patch and not a bright star's halo: many peaks on one patch.
fn is_foreground(component: &Component, sigma: f64) -> bool {
    let [x0, y0, x1, y1] = component.bounds;
    let side = (x1 - x0).max(y1 - y0) as f64;
    side > 60.0 * sigma.max(1.0)
}

/// Peaks of a component that are stars of their own: not on the flank of a stronger one.
fn separate_peaks(component: &Component, sigma: f64) -> Vec<PixelPoint> {
    let mut kept: Vec<(PixelPoint, f32)> = Vec::new();
    for peak in &component.peaks {
        let place = PixelPoint::new(peak.x as f64, peak.y as f64);
        let on_flank = kept.iter().any(|(other, strength)| {
            let t = place.distance(*other).px() / (2.0 * sigma);
            let wing = f64::from(*strength) * ((-t * t / 2.0).exp() + 0.1 / (1.0 + t.powi(3)));
            t < 1.0 || f64::from(peak.significance) < wing
        });
        if !on_flank {
            kept.push((place, peak.significance));
        }
    }
    kept.into_iter().map(|(place, _)| place).collect()
}

/// Median second moment of the well-measured.
fn bulk_moment(measured: &[(&Component, Option<Adaptive>)], sigma: f64) -> f64 {
    let sizes: Vec<f64> = measured
        .iter()
        .filter_map(|(_, a)| a.as_ref())
        .filter(|a| a.flux > 15.0 * a.flux_sigma)
        .map(|a| 0.5 * (a.moments.xx + a.moments.yy))
        .collect();
    if sizes.len() < 3 {
        sigma * sigma
    } else {
        median(sizes.into_iter())
    }
}

fn star_of(
    component: &Component,
    adaptive: &Adaptive,
    plane: &Plane,
    sigma: f64,
    saturation: f32,
) -> Star {
    let margin = (4.0 * sigma).ceil();
    let (x, y) = (adaptive.center.x, adaptive.center.y);
    let at_edge = x < margin
        || y < margin
        || x > plane.width() as f64 - 1.0 - margin
        || y > plane.height() as f64 - 1.0 - margin;
    Star {
        position: adaptive.center,
        position_covariance: adaptive.covariance,
        flux: Measured::new(adaptive.flux, adaptive.flux_sigma),
        peak: adaptive.peak,
        moments: adaptive.moments,
        moments_sigma: adaptive.moments_sigma,
        trail: None,
        quality: Quality {
            saturated: component.brightest >= saturation
                && is_bright_here(plane, adaptive.center, saturation),
            blended: false,
            at_edge,
        },
    }
}

fn is_bright_here(plane: &Plane, center: PixelPoint, saturation: f32) -> bool {
    let (cx, cy) = (center.x.round() as usize, center.y.round() as usize);
    (cy.saturating_sub(2)..(cy + 3).min(plane.height())).any(|y| {
        plane.row(y)[cx.saturating_sub(2)..(cx + 3).min(plane.width())]
            .iter()
            .any(|v| *v >= saturation)
    })
}

/// Flags stars with a neighbour that pulls on them, and drops second measurements of the same star.
fn flag_neighbours(stars: Vec<Star>, width: f64) -> Vec<Star> {
    let mut kept: Vec<Star> = Vec::with_capacity(stars.len());
    let cell = 8.0 * width;
    let mut grid: std::collections::BTreeMap<(i64, i64), Vec<usize>> = Default::default();
    for mut star in stars {
        let (cx, cy) = (
            (star.position.x / cell) as i64,
            (star.position.y / cell) as i64,
        );
        let near: Vec<usize> = (cx - 1..=cx + 1)
            .flat_map(|x| (cy - 1..=cy + 1).map(move |y| (x, y)))
            .filter_map(|k| grid.get(&k))
            .flatten()
            .copied()
            .collect();
        if near
            .iter()
            .any(|i| kept[*i].position.distance(star.position).px() < 1.2 * width)
        {
            continue;
        }
        for i in near {
            let distance = kept[i].position.distance(star.position).px();
            if distance < 7.0 * width {
                star.quality.blended = true;
                if star.flux.value > 0.02 * kept[i].flux.value {
                    kept[i].quality.blended = true;
                }
            }
        }
        grid.entry((cx, cy)).or_default().push(kept.len());
        kept.push(star);
    }
    kept
}

/// Width and trail of a frame whose stars are about as long as they are wide.
pub(super) struct FrameShape {
    pub(super) trail: FrameTrail,
    /// Full width at half maximum across the trail, pixels.
    pub(super) fwhm: Measured<f64>,
}

/// Stars whose shape counts: clean and this far above their noise.
const SHAPE_SIGNIFICANCE: f64 = 12.0;
/// Stars that teach the PSF.
const MOST_TEACHERS: usize = 60;
/// Brighter than this share of saturation a developed picture's colours clip one by one and round the top off.
const SOFT_TOP: f64 = 0.7;

/// Elongation field and PSF in turns: the PSF says how much elongation a trail's length makes.
pub(super) fn frame_shape(setup: &FitSetup, stars: &[Star]) -> Option<FrameShape> {
    let clean: Vec<&Star> = stars
        .iter()
        .filter(|s| s.quality.is_clean() && s.signal_to_noise() > SHAPE_SIGNIFICANCE)
        .collect();
    let soft = SOFT_TOP * f64::from(setup.saturation);
    let linear: Vec<&Star> = clean.iter().copied().filter(|s| s.peak < soft).collect();
    let usable = if linear.len() >= 20 { linear } else { clean };
    let center = setup.plane.center();
    let scale = center.x.hypot(center.y).max(1.0);
    let mut psf = setup.psf;
    let mut trail = short_trail(&usable, center, scale, &Calibration::of(psf))?;
    let mut sigma = psf.core;
    for _ in 0..2 {
        let teachers = teachers(&usable, trail.vector, center, 0.6 * scale);
        let Some(learnt) = learn_shared(&FitSetup { psf, ..*setup }, &teachers, Freedom::Profile)
        else {
            break;
        };
        psf = learnt.psf;
        sigma = learnt.core_sigma;
        trail = short_trail(&usable, center, scale, &Calibration::of(psf))?;
    }
    let fwhm = psf.fwhm();
    Some(FrameShape {
        trail,
        fwhm: Measured::new(fwhm, fwhm * sigma),
    })
}

/// The brightest stars of the inner field as segments, from all over it where there are few.
fn teachers(stars: &[&Star], vector: PixelVector, center: PixelPoint, inner: f64) -> Vec<Segment> {
    let near: Vec<&&Star> = stars
        .iter()
        .filter(|s| s.position.distance(center).px() < inner)
        .collect();
    let chosen: Vec<&&Star> = if near.len() >= 20 {
        near
    } else {
        stars.iter().collect()
    };
    chosen
        .into_iter()
        .take(MOST_TEACHERS)
        .map(|s| Segment {
            center: s.position,
            vector,
            flux: s.flux.value,
            pedestal: 0.0,
        })
        .collect()
}
