//! Trailed stars: the bright ones teach the profile and the trail field, an oriented filter finds the rest.

use rayon::prelude::*;

use super::field::{VectorField, VectorSample};
use super::fit::{FitSetup, SegmentFit, fit_segment};
use super::learn::{Freedom, Learnt, learn_shared};
use super::oriented::{TrailPeak, scan_trails};
use super::segment::Segment;
use super::{Quality, Rejected, Star};
use crate::frame::Plane;
use crate::units::{Measured, PixelPoint, PixelTensor, PixelVector};

/// Stars that teach the profile; the brightest clean ones.
const MOST_TEACHERS: usize = 60;
/// Pixels that all fits together may take: some hundred stars, fewer where trails are very long.
const FIT_PIXELS: f64 = 400_000.0;
const MOST_FITS: usize = 500;
/// Detection threshold of trails in sigmas of the oriented filter's sky.
const TRAIL_THRESHOLD: f32 = 6.0;
/// Dwelling at an end below this share, or below four of its sigmas, is taken as none.
const LEAST_DWELLING: f64 = 0.05;

/// What a trailed frame gives.
pub(super) struct LongStars {
    pub(super) stars: Vec<Star>,
    pub(super) field: VectorField,
    pub(super) fwhm: Measured<f64>,
    pub(super) rejected: Rejected,
}

/// Measures a frame whose bulk is trailed, from a first set of segments and their rough field;
/// `None` if the pixels do not bear them out.
pub(super) fn measure_trails(
    setup: &FitSetup,
    starts: &[Segment],
    rough: &VectorField,
) -> Option<LongStars> {
    let (setup, field, learnt) = teach(setup, starts, rough)?;
    let peaks = scan_trails(&setup, &field, TRAIL_THRESHOLD);
    let area = (field.at(setup.plane.center()).length().px() + 9.0 * setup.psf.core)
        * 11.0
        * setup.psf.core;
    let most = ((FIT_PIXELS / area) as usize).clamp(60, MOST_FITS);
    let segments: Vec<Segment> = peaks
        .iter()
        .take(most)
        .map(|p| start_of(&setup, p))
        .collect();
    let fits = fit_all(&setup, &segments);
    let good: Vec<SegmentFit> = fits
        .iter()
        .flatten()
        .filter(|f| is_like(f, &field) && is_clean(&setup, f))
        .copied()
        .collect();
    let fitted = fit_field(&setup, &good, &field)?;
    let (members, strays): (Vec<&SegmentFit>, Vec<&SegmentFit>) =
        fits.iter().flatten().partition(|f| is_like(f, &fitted));
    let mut stars: Vec<Star> = members.iter().map(|f| star_of(&setup, f)).collect();
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    let fwhm = setup.psf.fwhm();
    Some(LongStars {
        stars,
        field: fitted,
        fwhm: Measured::new(fwhm, fwhm * learnt.core_sigma),
        rejected: Rejected {
            shapes: strays.len(),
            ..Rejected::default()
        },
    })
}

/// Profile, dwelling and trail field from the brightest, in turns.
fn teach<'a>(
    setup: &FitSetup<'a>,
    starts: &[Segment],
    rough: &VectorField,
) -> Option<(FitSetup<'a>, VectorField, Learnt)> {
    let mut setup = *setup;
    let mut field = rough.clone();
    let mut teachers: Vec<Segment> = starts
        .iter()
        .take(MOST_TEACHERS)
        .map(|s| aligned(s, &field))
        .collect();
    let mut last = None;
    for _ in 0..3 {
        let learnt = learn(&setup, &teachers)?;
        (setup.psf, setup.dwell) = (learnt.psf, learnt.dwell);
        teachers
            .iter_mut()
            .for_each(|t| t.vector = t.vector * learnt.stretch);
        let fits = fit_all(&setup, &teachers);
        let good: Vec<SegmentFit> = fits
            .into_iter()
            .flatten()
            .filter(|f| is_clean(&setup, f))
            .collect();
        field = fit_field(&setup, &good, &field)?;
        let like: Vec<Segment> = good
            .iter()
            .filter(|f| is_like(f, &field))
            .map(|f| aligned(&f.segment, &field))
            .collect();
        if like.len() < 3 {
            return None;
        }
        teachers = like;
        last = Some(learnt);
    }
    if std::env::var("DBG").is_ok() {
        eprintln!("DBG {learnt:?}", learnt = last);
    }
    last.map(|learnt| (setup, field, learnt))
}

/// With dwelling where it is plain to see, else without.
fn learn(setup: &FitSetup, teachers: &[Segment]) -> Option<Learnt> {
    let learnt = learn_shared(setup, teachers, Freedom::Dwelling)?;
    let plain = |share: f64, sigma: f64| share > LEAST_DWELLING.max(4.0 * sigma);
    let dwells = plain(learnt.dwell.start, learnt.dwell_sigma.0)
        || plain(learnt.dwell.end, learnt.dwell_sigma.1);
    if dwells {
        return Some(learnt);
    }
    let even = FitSetup {
        dwell: Default::default(),
        ..*setup
    };
    learn_shared(&even, teachers, Freedom::Length)
}

fn aligned(segment: &Segment, field: &VectorField) -> Segment {
    let expected = field.at(segment.center);
    let dot = segment.vector.dx * expected.dx + segment.vector.dy * expected.dy;
    Segment {
        vector: if dot < 0.0 {
            -segment.vector
        } else {
            segment.vector
        },
        ..*segment
    }
}

fn fit_all(setup: &FitSetup, starts: &[Segment]) -> Vec<Option<SegmentFit>> {
    starts
        .par_iter()
        .map(|start| fit_segment(setup, *start))
        .collect()
}

fn fit_field(setup: &FitSetup, fits: &[SegmentFit], guide: &VectorField) -> Option<VectorField> {
    let center = setup.plane.center();
    let samples: Vec<VectorSample> = fits.iter().map(sample_of).collect();
    VectorField::fit(&samples, guide, center, center.x.hypot(center.y).max(1.0))
}

fn sample_of(fit: &SegmentFit) -> VectorSample {
    VectorSample {
        place: fit.segment.center,
        vector: fit.segment.vector,
        covariance: fit.vector_covariance,
    }
}

fn start_of(setup: &FitSetup, peak: &TrailPeak) -> Segment {
    let noise = setup.sky.noise_near(peak.place);
    let area = 3.5 * setup.psf.core * peak.vector.length().px();
    Segment {
        center: peak.place,
        vector: peak.vector,
        flux: f64::from(peak.significance) * noise * area.sqrt(),
        pedestal: 0.0,
    }
}

/// Whether a fitted segment goes with the bulk of the field.
fn is_like(fit: &SegmentFit, field: &VectorField) -> bool {
    let expected = field.at(fit.segment.center);
    let (a, c) = (fit.segment.vector, fit.vector_covariance);
    let apart = |sign: f64| (a.dx - sign * expected.dx).hypot(a.dy - sign * expected.dy);
    let sigma = (c.xx + c.yy).sqrt();
    let allowed = 1.0 + 0.1 * expected.length().px() + 3.0 * sigma + 3.0 * field.scatter;
    apart(1.0).min(apart(-1.0)) < allowed && sigma < 0.4 * expected.length().px()
}

fn is_clean(setup: &FitSetup, fit: &SegmentFit) -> bool {
    fit.masked < 0.3 && !touches_edge(setup.plane, &fit.segment, 3.0)
}

fn touches_edge(plane: &Plane, segment: &Segment, margin: f64) -> bool {
    let (right, bottom) = (
        plane.width() as f64 - 1.0 - margin,
        plane.height() as f64 - 1.0 - margin,
    );
    let inside = |p: PixelPoint| p.x >= margin && p.y >= margin && p.x <= right && p.y <= bottom;
    !(inside(segment.center + segment.vector * 0.5)
        && inside(segment.center + segment.vector * -0.5))
}

fn star_of(setup: &FitSetup, fit: &SegmentFit) -> Star {
    let (d, v) = (fit.segment.vector, fit.vector_covariance);
    let width = setup.psf.second_moment();
    let xy_variance = d.dx * d.dx * v.yy + 2.0 * d.dx * d.dy * v.xy + d.dy * d.dy * v.xx;
    Star {
        position: fit.segment.center,
        position_covariance: fit.center_covariance,
        flux: Measured::new(fit.segment.flux, fit.flux_sigma),
        peak: fit.peak,
        moments: PixelTensor::new(
            width + d.dx * d.dx / 12.0,
            d.dx * d.dy / 12.0,
            width + d.dy * d.dy / 12.0,
        ),
        moments_sigma: PixelTensor::new(
            d.dx.abs() / 6.0 * v.xx.sqrt(),
            xy_variance.max(0.0).sqrt() / 12.0,
            d.dy.abs() / 6.0 * v.yy.sqrt(),
        ),
        trail: Some(PixelVector::new(d.dx, d.dy)),
        quality: Quality {
            saturated: is_saturated(setup, &fit.segment),
            blended: fit.masked > 0.15,
            at_edge: touches_edge(setup.plane, &fit.segment, 3.0),
        },
    }
}

/// Any of the pixels under the middle line of a trail at the saturation level.
fn is_saturated(setup: &FitSetup, segment: &Segment) -> bool {
    let steps = segment.vector.length().px().ceil().max(1.0) as usize;
    let (width, height) = (setup.plane.width() as f64, setup.plane.height() as f64);
    (0..=steps)
        .map(|i| segment.center + segment.vector * (i as f64 / steps as f64 - 0.5))
        .filter(|p| p.x > -0.5 && p.y > -0.5 && p.x < width - 0.5 && p.y < height - 0.5)
        .any(|p| setup.plane.row(p.y.round() as usize)[p.x.round() as usize] >= setup.saturation)
}
