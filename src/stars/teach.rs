//! What the brightest trails teach: the PSF, the pace of the drive, the trail vectors over the frame.

use rayon::prelude::*;

use super::equations::Reading;
use super::field::{VectorField, VectorSample, median};
use super::fit::{FitSetup, SegmentFit, fit_segment};
use super::learn::{Freedom, Learnt, learn_shared};
use super::pace::Pace;
use super::segment::Segment;
use crate::frame::Plane;
use crate::units::PixelPoint;

/// Stars that teach the profile; the brightest clean ones.
const MOST_TEACHERS: usize = 60;
/// More where the brightest stand out by less than so many sigmas of their light: as many as hold so many
/// pixels together, within limits.
const MORE_PIXELS: f64 = 40_000.0;
const MORE_TEACHERS: std::ops::RangeInclusive<usize> = 180..=400;
const FAINT_TEACHERS: f64 = 60.0;
/// A pace other than even must explain this share of what the even one leaves unexplained.
const PACE_GAIN: f64 = 0.02;

/// Profile, pace and trail field from the brightest, in turns.
pub(super) fn teach<'a>(
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
    let (mut freedom, mut reading) = (Freedom::Length, Reading::Sampled);
    let mut last = None;
    for round in 0..3 {
        if round < 2 {
            freedom = choose_pace(&setup, &teachers)?;
        }
        let learnt = learn(&setup, &teachers, freedom, reading)?;
        (setup.psf, setup.pace, setup.noise.gain) =
            (learnt.psf, learnt.pace, learnt.light_noise(&setup));
        teachers
            .iter_mut()
            .for_each(|t| t.vector = t.vector * learnt.stretch.0);
        let fits = fit_all(&setup, &teachers);
        let good: Vec<SegmentFit> = fits
            .into_iter()
            .flatten()
            .filter(|f| is_clean(&setup, f))
            .collect();
        field = fit_field(&setup, &good, &field)?;
        let is_even = setup.pace == Pace::default();
        let lesson = if is_even { smoothed } else { own };
        let like: Vec<Segment> = good
            .iter()
            .filter(|f| is_like(f, &field))
            .map(|f| lesson(f, &field))
            .collect();
        if like.len() < 3 {
            return None;
        }
        teachers = like;
        if round == 1 && is_even && are_faint(&good) {
            reading = Reading::Whole;
            teachers.extend(more_teachers(&setup, starts, &field));
        }
        last = Some(learnt);
    }
    last.map(|learnt| (setup, field, learnt))
}

/// Those that follow on the first.
fn more_teachers<'a>(
    setup: &FitSetup,
    starts: &'a [Segment],
    field: &'a VectorField,
) -> impl Iterator<Item = Segment> + 'a {
    let n_more = (MORE_PIXELS / trail_pixels(setup, field)) as usize;
    let n_more = n_more.clamp(*MORE_TEACHERS.start(), *MORE_TEACHERS.end());
    let more = starts.iter().skip(MOST_TEACHERS).take(n_more);
    more.map(|star| Segment {
        vector: field.at(star.center),
        ..*star
    })
}

/// The simplest pace that explains the pixels: even, else swinging, else dwelling at the ends.
fn choose_pace(setup: &FitSetup, teachers: &[Segment]) -> Option<Freedom> {
    const PACES: [Freedom; 5] = [
        Freedom::Length,
        Freedom::Swinging,
        Freedom::DwellingAtStart,
        Freedom::DwellingAtEnd,
        Freedom::DwellingAtBoth,
    ];
    let costs = PACES.iter().filter_map(|freedom| {
        let learnt = learn(setup, teachers, *freedom, Reading::Sampled)?;
        Some((*freedom, learnt.cost))
    });
    let simplest = costs.reduce(|best, next| {
        if next.1 < (1.0 - PACE_GAIN) * best.1 {
            next
        } else {
            best
        }
    });
    simplest.map(|best| best.0)
}

/// Profile and pace of one kind; the way down from an even pace may lead elsewhere than from the one seen so far.
fn learn(
    setup: &FitSetup,
    teachers: &[Segment],
    freedom: Freedom,
    reading: Reading,
) -> Option<Learnt> {
    let seen = freedom.bound(setup.pace);
    let even = (seen != Pace::default()).then(Pace::default);
    let found = even
        .into_iter()
        .chain([seen])
        .filter_map(|pace| learn_shared(&FitSetup { pace, ..*setup }, teachers, freedom, reading));
    found.min_by(|a, b| a.cost.total_cmp(&b.cost))
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

/// A fitted star with its own trail, in the field's direction.
fn own(fit: &SegmentFit, field: &VectorField) -> Segment {
    aligned(&fit.segment, field)
}

/// A fitted star with the field's trail, which all stars know better than a faint one; its own where that is
/// clearly another.
fn smoothed(fit: &SegmentFit, field: &VectorField) -> Segment {
    const OWN_SIGMAS: f64 = 2.5;
    let own = own(fit, field);
    let expected = field.at(own.center);
    let (off, c) = (own.vector - expected, fit.vector_covariance);
    let sigma = (c.xx + c.yy).sqrt();
    let is_own = off.length().px() > OWN_SIGMAS * sigma;
    Segment {
        vector: if is_own { own.vector } else { expected },
        ..own
    }
}

/// Whether the teachers' light is so faint that more of them tell the profile clearly better.
fn are_faint(teachers: &[SegmentFit]) -> bool {
    median(teachers.iter().map(|f| f.segment.flux / f.flux_sigma)) < FAINT_TEACHERS
}

/// Pixels of a star's window, about.
pub(super) fn trail_pixels(setup: &FitSetup, field: &VectorField) -> f64 {
    let length = field.at(setup.plane.center()).length().px();
    (length + 9.0 * setup.psf.core) * 11.0 * setup.psf.core
}

pub(super) fn fit_all(setup: &FitSetup, starts: &[Segment]) -> Vec<Option<SegmentFit>> {
    starts
        .par_iter()
        .map(|start| fit_segment(setup, *start, None))
        .collect()
}

pub(super) fn fit_field(
    setup: &FitSetup,
    fits: &[SegmentFit],
    guide: &VectorField,
) -> Option<VectorField> {
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

/// Whether a fitted segment goes with the bulk of the field.
pub(super) fn is_like(fit: &SegmentFit, field: &VectorField) -> bool {
    let expected = field.at(fit.segment.center);
    let (a, c) = (fit.segment.vector, fit.vector_covariance);
    let apart = |sign: f64| (a.dx - sign * expected.dx).hypot(a.dy - sign * expected.dy);
    let sigma = (c.xx + c.yy).sqrt();
    let allowed = 1.0 + 0.1 * expected.length().px() + 3.0 * sigma + 3.0 * field.scatter;
    apart(1.0).min(apart(-1.0)) < allowed && sigma < 0.4 * expected.length().px()
}

pub(super) fn is_clean(setup: &FitSetup, fit: &SegmentFit) -> bool {
    fit.masked < 0.3 && !touches_edge(setup.plane, &fit.segment, 3.0)
}

pub(super) fn touches_edge(plane: &Plane, segment: &Segment, margin: f64) -> bool {
    let (right, bottom) = (
        plane.width() as f64 - 1.0 - margin,
        plane.height() as f64 - 1.0 - margin,
    );
    let inside = |p: PixelPoint| p.x >= margin && p.y >= margin && p.x <= right && p.y <= bottom;
    !(inside(segment.center + segment.vector * 0.5)
        && inside(segment.center + segment.vector * -0.5))
}
