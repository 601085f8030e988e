//! Trailed stars: oriented detection, then a fit of the segment to each.

use rayon::prelude::*;

use super::background::Background;
use super::component::Component;
use super::field::{VectorField, VectorSample, median};
use super::fit::{FitSetup, SegmentFit, Width, fit_segment};
use super::moments::Noise;
use super::oriented::{TrailPeak, scan_trails};
use super::segment::{Dwell, Psf, Segment};
use super::survey::Survey;
use super::{Quality, Rejected, Star};
use crate::frame::Plane;
use crate::units::{Measured, PixelPoint, PixelTensor, PixelVector};

/// Stars that get a fit of their own; the best ones by significance.
const MOST_FITS: usize = 500;
const TRAIL_THRESHOLD: f32 = 6.0;

/// What a trailed frame gives.
pub(super) struct LongStars {
    pub(super) stars: Vec<Star>,
    pub(super) field: VectorField,
    pub(super) psf: Psf,
    /// Scatter of the mean width over the PSF's.
    pub(super) width_sigma: f64,
}

/// Measures a frame whose bulk is trailed; `None` if the fits do not bear the survey out.
pub(super) fn measure_trails(
    plane: &Plane,
    sky: &Background,
    survey: &Survey,
    saturation: f32,
    rejected: &mut Rejected,
) -> Option<LongStars> {
    let center = PixelPoint::new(
        (plane.width() as f64 - 1.0) / 2.0,
        (plane.height() as f64 - 1.0) / 2.0,
    );
    let scale = center.x.hypot(center.y).max(1.0);
    let noise = Noise {
        correlation: 1.0,
        gain: 0.0,
    };
    let mut psf = Psf::gaussian(survey.sigma.clamp(0.6, 6.0));
    let mut field = survey.field.clone();
    let mut width_sigma = 0.0;
    for _ in 0..2 {
        let peaks = scan_trails(plane, sky, &field, psf.parts[0].1 as f32, 12.0);
        let setup = FitSetup {
            plane,
            sky,
            noise,
            psf: &psf,
            dwell: Dwell::default(),
            saturation,
            width: Width::Free,
        };
        let fits = fit_all(&setup, &peaks[..peaks.len().min(120)]);
        let good: Vec<&SegmentFit> = fits
            .iter()
            .flatten()
            .filter(|f| f.masked < 0.3 && !touches_edge(plane, &f.segment, 3.0))
            .collect();
        if good.len() < 3 {
            return None;
        }
        let factor = median(good.iter().map(|f| f.width));
        let spread = 1.4826 * median(good.iter().map(|f| (f.width - factor).abs()));
        width_sigma = spread / (good.len() as f64).sqrt() * 1.253;
        field = VectorField::fit(&samples(&good), &field, center, scale)?;
        psf = psf.scaled(factor);
    }
    let peaks = scan_trails(plane, sky, &field, psf.parts[0].1 as f32, TRAIL_THRESHOLD);
    let setup = FitSetup {
        plane,
        sky,
        noise,
        psf: &psf,
        dwell: Dwell::default(),
        saturation,
        width: Width::Shared,
    };
    let fits = fit_all(&setup, &peaks[..peaks.len().min(MOST_FITS)]);
    let good: Vec<&SegmentFit> = fits
        .iter()
        .flatten()
        .filter(|f| is_like(f, &field) && !touches_edge(plane, &f.segment, 2.0) && f.masked < 0.3)
        .collect();
    let fitted = VectorField::fit(&samples(&good), &field, center, scale)?;
    let mut stars: Vec<Star> = Vec::new();
    for fit in fits.iter().flatten() {
        if is_like(fit, &fitted) {
            stars.push(star_of(plane, fit, &psf, saturation));
        } else {
            rejected.shapes += 1;
        }
    }
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    Some(LongStars {
        stars,
        field: fitted,
        psf,
        width_sigma,
    })
}

fn fit_all(setup: &FitSetup, peaks: &[TrailPeak]) -> Vec<Option<SegmentFit>> {
    peaks
        .par_iter()
        .map(|peak| fit_segment(setup, start_of(setup, peak)))
        .collect()
}

fn start_of(setup: &FitSetup, peak: &TrailPeak) -> Segment {
    let (x, y) = (
        peak.place.x.max(0.0) as usize,
        peak.place.y.max(0.0) as usize,
    );
    let noise = f64::from(setup.sky.noise_at(
        x.min(setup.plane.width() - 1),
        y.min(setup.plane.height() - 1),
    ));
    let area = 3.5 * setup.psf.parts[0].1 * peak.vector.length().px();
    Segment {
        center: peak.place,
        vector: peak.vector,
        flux: f64::from(peak.significance) * noise * area.sqrt(),
        pedestal: 0.0,
    }
}

fn samples(fits: &[&SegmentFit]) -> Vec<VectorSample> {
    fits.iter()
        .map(|f| VectorSample {
            place: f.segment.center,
            vector: f.segment.vector,
            covariance: f.vector_covariance,
        })
        .collect()
}

/// Whether a fitted segment goes with the bulk of the field.
fn is_like(fit: &SegmentFit, field: &VectorField) -> bool {
    let expected = field.at(fit.segment.center);
    let (a, c) = (fit.segment.vector, fit.vector_covariance);
    let apart = |sign: f64| (a.dx - sign * expected.dx).hypot(a.dy - sign * expected.dy);
    let allowed =
        1.5 + 0.1 * expected.length().px() + 3.0 * (c.xx + c.yy).sqrt() + 3.0 * field.scatter;
    apart(1.0).min(apart(-1.0)) < allowed && (c.xx + c.yy).sqrt() < 0.4 * expected.length().px()
}

fn touches_edge(plane: &Plane, segment: &Segment, margin: f64) -> bool {
    let ends = |sign: f64| segment.center + segment.vector * (0.5 * sign);
    let inside = |p: PixelPoint| {
        p.x >= margin
            && p.y >= margin
            && p.x <= plane.width() as f64 - 1.0 - margin
            && p.y <= plane.height() as f64 - 1.0 - margin
    };
    !(inside(ends(1.0)) && inside(ends(-1.0)))
}

fn star_of(plane: &Plane, fit: &SegmentFit, psf: &Psf, saturation: f32) -> Star {
    let across: f64 = psf.parts.iter().map(|(w, s)| w * s * s).sum();
    let d = fit.segment.vector;
    let v = fit.vector_covariance;
    Star {
        position: fit.segment.center,
        position_covariance: fit.center_covariance,
        flux: Measured::new(fit.segment.flux, fit.flux_sigma),
        peak: fit.peak,
        moments: PixelTensor::new(
            across + d.dx * d.dx / 12.0,
            d.dx * d.dy / 12.0,
            across + d.dy * d.dy / 12.0,
        ),
        moments_sigma: PixelTensor::new(
            d.dx.abs() / 6.0 * v.xx.sqrt(),
            ((d.dx * d.dx * v.yy + d.dy * d.dy * v.xx).sqrt()) / 12.0,
            d.dy.abs() / 6.0 * v.yy.sqrt(),
        ),
        trail: Some(PixelVector::new(d.dx, d.dy)),
        quality: Quality {
            saturated: is_saturated(plane, &fit.segment, saturation),
            blended: fit.masked > 0.15,
            at_edge: touches_edge(plane, &fit.segment, 3.0),
        },
    }
}

/// Any of the pixels under the middle line of a trail at the saturation level.
fn is_saturated(plane: &Plane, segment: &Segment, saturation: f32) -> bool {
    let steps = segment.vector.length().px().ceil().max(1.0) as usize;
    (0..=steps).any(|i| {
        let place = segment.center + segment.vector * (i as f64 / steps as f64 - 0.5);
        let (x, y) = (place.x.round(), place.y.round());
        x >= 0.0
            && y >= 0.0
            && (x as usize) < plane.width()
            && (y as usize) < plane.height()
            && plane.row(y as usize)[x as usize] >= saturation
    })
}

/// Components that no trail of the bulk explains (lines longer than the trail, foreground).
pub(super) fn count_foreign(
    components: &[Component],
    field: &VectorField,
    rejected: &mut Rejected,
) {
    for component in components {
        let [x0, y0, x1, y1] = component.bounds;
        let side = ((x1 - x0) as f64).hypot((y1 - y0) as f64);
        if side > 3.0 * field.at(component.centroid).length().px() + 40.0 {
            let (large, small, _) = component.moments.principal();
            *(if large > 100.0 * small {
                &mut rejected.lines
            } else {
                &mut rejected.shapes
            }) += 1;
        }
    }
}
