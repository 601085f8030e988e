//! Stars that are about as long as they are wide: peaks of the filtered plane, adaptive moments.

use rayon::prelude::*;

use super::component::Component;
use super::field::median;
use super::fit::FitSetup;
use super::moments::{Adaptive, adaptive_moments};
use super::{Quality, Rejected, Star};
use crate::frame::Plane;
use crate::units::{Measured, PixelPoint};

/// Narrower than this share of the bulk's width (second moments) is sharper than the lens.
const SHARPER_THAN_LENS: f64 = 0.45;
/// Wider than this many times the bulk's second moment is no single star.
const WIDER_THAN_STARS: f64 = 6.0;
/// Fainter than this many sigmas of its own light is no detection, whatever the filter said.
const LEAST_SIGNIFICANCE: f64 = 3.0;

/// Measures every peak; what is no star is counted in `rejected`. Brightest first.
pub(super) fn measure_points(
    setup: &FitSetup,
    found: &[Component],
    rejected: &mut Rejected,
) -> Vec<Star> {
    let sigma = setup.psf.core;
    let (foreground, patches): (Vec<&Component>, Vec<&Component>) =
        found.iter().partition(|c| is_foreground(c, sigma));
    rejected.shapes += foreground.len();
    let candidates: Vec<PixelPoint> = patches
        .into_iter()
        .flat_map(|c| separate_peaks(c, sigma))
        .collect();
    let measured: Vec<Option<Adaptive>> = candidates
        .par_iter()
        .map(|place| adaptive_moments(setup.plane, setup.sky, &setup.noise, *place, sigma))
        .collect();
    let bulk = bulk_moment(&measured, sigma);
    let mut stars: Vec<Star> = Vec::new();
    for adaptive in measured {
        match adaptive.map(|a| (verdict(&a, bulk), a)) {
            Some((Verdict::Star, adaptive)) => stars.push(star_of(setup, &adaptive)),
            Some((Verdict::HotPixel, _)) => rejected.hot_pixels += 1,
            Some((Verdict::Line, _)) => rejected.lines += 1,
            Some((Verdict::Shape, _)) | None => rejected.shapes += 1,
        }
    }
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    flag_neighbours(stars, bulk.sqrt())
}

/// What a patch of light is.
enum Verdict {
    Star,
    HotPixel,
    Line,
    Shape,
}

/// By the bulk of the frame's stars, `bulk` being their second moment.
fn verdict(adaptive: &Adaptive, bulk: f64) -> Verdict {
    let (large, small, _) = adaptive.moments.principal();
    if 0.5 * (large + small) < SHARPER_THAN_LENS * bulk {
        Verdict::HotPixel
    } else if large > WIDER_THAN_STARS * bulk {
        if small < 2.0 * bulk {
            Verdict::Line
        } else {
            Verdict::Shape
        }
    } else if adaptive.flux < LEAST_SIGNIFICANCE * adaptive.errors.flux {
        Verdict::Shape
    } else {
        Verdict::Star
    }
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
fn bulk_moment(measured: &[Option<Adaptive>], sigma: f64) -> f64 {
    let sizes: Vec<f64> = measured
        .iter()
        .flatten()
        .filter(|a| a.flux > 15.0 * a.errors.flux)
        .map(|a| 0.5 * (a.moments.xx + a.moments.yy))
        .collect();
    if sizes.len() < 3 {
        sigma * sigma
    } else {
        median(sizes.into_iter())
    }
}

fn star_of(setup: &FitSetup, adaptive: &Adaptive) -> Star {
    let margin = (4.0 * setup.psf.core).ceil();
    let (x, y) = (adaptive.center.x, adaptive.center.y);
    let (right, bottom) = (
        setup.plane.width() as f64 - 1.0 - margin,
        setup.plane.height() as f64 - 1.0 - margin,
    );
    Star {
        position: adaptive.center,
        position_covariance: adaptive.errors.place,
        flux: Measured::new(adaptive.flux, adaptive.errors.flux),
        peak: adaptive.errors.peak,
        moments: adaptive.moments,
        moments_sigma: adaptive.errors.moments,
        trail: None,
        quality: Quality {
            saturated: is_bright_here(setup.plane, adaptive.center, setup.saturation),
            blended: false,
            at_edge: x < margin || y < margin || x > right || y > bottom,
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
