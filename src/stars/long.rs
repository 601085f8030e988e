//! Trailed stars: the bright ones teach the profile and the trail field, an oriented filter finds the rest.

use rayon::prelude::*;

use super::field::VectorField;
use super::fit::{Anchor, FitSetup, SegmentFit, fit_segment};
use super::oriented::{TrailPeak, scan_trails};
use super::pace::Pace;
use super::segment::Segment;
use super::teach::{fit_all, fit_field, is_clean, is_like, teach, touches_edge, trail_pixels};
use super::{Quality, Star};
use crate::units::{Measured, PixelTensor, PixelVector};

/// Pixels that all fits together may take: some hundred stars, fewer where trails are very long.
const FIT_PIXELS: f64 = 400_000.0;
const FEWEST_FITS: usize = 60;
const MOST_FITS: usize = 500;
/// Detection threshold of trails in sigmas of the oriented filter's sky.
const TRAIL_THRESHOLD: f32 = 6.0;
/// A star whose own trail is not to be made out must stand this many sigmas above the sky.
const ANCHORED_SIGNIFICANCE: f64 = 6.0;
/// Residuals beyond noise over the star's own light from where on a shape is no trailed star.
const MOST_UNEXPLAINED: f64 = 0.5;
/// Error of all lengths of a frame together that no fit can tell, in full widths of a star: what the
/// development of a picture and a profile that is no sum of two Gaussians do to the ends. Measured on
/// rendered frames: 0.01 to 0.03 for an even pace, 0.03 to 0.13 where the drive swings, 0.01 across.
const EVEN_LENGTH_ERROR: f64 = 0.02;
const UNEVEN_LENGTH_ERROR: f64 = 0.08;
const ACROSS_ERROR: f64 = 0.01;
/// The same for stars that the pixels hardly resolve, square pixels: over the full width it gives 0.1 pixels
/// for stars of one pixel, as the frames of a real series at rest scatter.
const UNRESOLVED_ERROR: f64 = 0.1;

/// What a trailed frame gives.
pub(super) struct LongStars {
    pub(super) stars: Vec<Star>,
    pub(super) field: VectorField,
    pub(super) fwhm: Measured<f64>,
    /// Trails' peaks that no trailed star explains.
    pub(super) n_shapes: usize,
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
    let segments: Vec<Segment> = peaks
        .iter()
        .take(most_fits(&setup, &field))
        .map(|p| start_of(&setup, p))
        .collect();
    let fits = fit_all(&setup, &segments);
    let good = best(
        fits.iter()
            .flatten()
            .filter(|f| is_like(f, &field) && is_clean(&setup, f))
            .copied()
            .collect(),
    );
    let systematic = if setup.pace == Pace::default() {
        EVEN_LENGTH_ERROR
    } else {
        UNEVEN_LENGTH_ERROR
    };
    let fwhm = setup.psf.fwhm();
    let length = field.at(setup.plane.center()).length().px();
    let systematic = (systematic * fwhm).hypot(UNRESOLVED_ERROR / fwhm);
    let common = (learnt.stretch.1 * length).hypot(systematic);
    let fitted = fit_field(&setup, &good, &field)?.with_common_error(common, ACROSS_ERROR * fwhm);
    let measured: Vec<Option<Star>> = segments
        .par_iter()
        .zip(&fits)
        .map(|(start, fit)| measure(&setup, &fitted, start, fit.as_ref()))
        .collect();
    let n_shapes = measured.iter().filter(|m| m.is_none()).count();
    let mut stars: Vec<Star> = measured.into_iter().flatten().collect();
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    Some(LongStars {
        stars,
        field: fitted,
        fwhm: Measured::new(fwhm, fwhm * learnt.core_sigma),
        n_shapes,
    })
}

/// The better half by light over its error: the rest adds little to the field, and what is no star is among it.
fn best(mut fits: Vec<SegmentFit>) -> Vec<SegmentFit> {
    const ENOUGH: usize = 40;
    let strength = |f: &SegmentFit| f.segment.flux / f.flux_sigma;
    fits.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
    fits.truncate((fits.len() / 2).max(ENOUGH));
    fits
}

fn most_fits(setup: &FitSetup, field: &VectorField) -> usize {
    ((FIT_PIXELS / trail_pixels(setup, field)) as usize).clamp(FEWEST_FITS, MOST_FITS)
}

/// The star with its own trail where that goes with the field, else with the field's trail held.
fn measure(
    setup: &FitSetup,
    field: &VectorField,
    start: &Segment,
    fit: Option<&SegmentFit>,
) -> Option<Star> {
    if let Some(fit) = fit.filter(|f| is_like(f, field) && is_explained(f)) {
        return Some(star_of(setup, fit, Some(fit.segment.vector)));
    }
    let vector = field.at(start.center);
    let anchor = Anchor {
        vector,
        sigma: field.scatter.max(0.01 * vector.length().px()).max(0.1),
    };
    let held = fit_segment(setup, Segment { vector, ..*start }, Some(anchor))?;
    let sound = held.segment.flux > ANCHORED_SIGNIFICANCE * held.flux_sigma
        && is_explained(&held)
        && held.masked < 0.3;
    (sound && is_like(&held, field)).then(|| star_of(setup, &held, None))
}

/// Whether the segment accounts for the light; a faint star's residuals are mostly noise that is not known well enough.
fn is_explained(fit: &SegmentFit) -> bool {
    fit.unexplained < MOST_UNEXPLAINED + 5.0 * fit.flux_sigma / fit.segment.flux
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

fn star_of(setup: &FitSetup, fit: &SegmentFit, trail: Option<PixelVector>) -> Star {
    let (d, v) = (fit.segment.vector, fit.vector_covariance);
    let width = setup.psf.second_moment();
    let xy_variance = d.dx * d.dx * v.yy + 2.0 * d.dx * d.dy * v.xy + d.dy * d.dy * v.xx;
    Star {
        // The mean place, not the middle between the ends: where the drive swings, the motion along
        // is uneven but the motion across is not, and only the mean has both right.
        position: fit.segment.center + d * setup.pace.mean(),
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
        trail,
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
