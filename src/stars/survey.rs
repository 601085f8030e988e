//! First look at the brightest patches: how wide the stars are and whether the bulk of them is trailed.

use super::component::Component;
use super::field::{VectorField, VectorSample, median};
use super::segment::Segment;
use crate::units::{PixelPoint, PixelTensor, PixelVector};

/// What the bulk of the bright patches says.
#[derive(Debug, Clone)]
pub(super) struct Survey {
    /// Rough width across the trail, Gaussian sigma in pixels.
    pub(super) sigma: f64,
    /// Rough trail vectors over the frame.
    pub(super) field: VectorField,
    /// The patches that agree, brightest first.
    pub(super) segments: Vec<Segment>,
}

/// Sets of the brightest patches that are asked one after another. In a frame where the drive
/// stood still first, only the brightest show the faint rest of their trail.
const SET_SIZES: [usize; 4] = [16, 40, 100, 300];
/// Share of a set that must agree.
const QUORUM: f64 = 0.4;
/// Fewest patches that make a bulk.
const FEWEST: usize = 4;

/// The bulk's trail field and width; `None` where the patches do not agree on anything.
pub(super) fn survey(components: &[Component], width: usize, height: usize) -> Option<Survey> {
    let center = PixelPoint::new((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
    let scale = center.x.hypot(center.y).max(1.0);
    let mut bright: Vec<&Component> = components
        .iter()
        .filter(|c| {
            c.area >= 5
                && !c.near_edge(width, height, 2)
                && c.peaks.first().is_some_and(|p| p.significance > 10.0)
        })
        .collect();
    bright.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    bright.truncate(SET_SIZES[SET_SIZES.len() - 1]);
    let rough: Vec<Rough> = bright.iter().map(|c| rough_segment(c)).collect();
    SET_SIZES.iter().find_map(|size| {
        let set = &rough[..rough.len().min(*size)];
        let needed = ((QUORUM * set.len() as f64).ceil() as usize).max(FEWEST);
        agree(set, center, scale)
            .filter(|(_, n)| *n >= needed)
            .map(|(field, _)| gather(&rough, set, field))
    })
}

/// One bright patch as a segment.
struct Rough {
    sample: VectorSample,
    sigma: f64,
    flux: f64,
}

/// The survey of a field that a set agrees on; all patches that follow it become segments.
fn gather(all: &[Rough], set: &[Rough], field: VectorField) -> Survey {
    let sigma = median(
        set.iter()
            .filter(|r| is_like(&r.sample, &field))
            .map(|r| r.sigma),
    );
    let segments = all
        .iter()
        .filter(|r| is_like(&r.sample, &field))
        .map(|r| Segment {
            center: r.sample.place,
            vector: r.sample.vector,
            flux: r.flux,
            pedestal: 0.0,
        });
    Survey {
        sigma,
        segments: segments.collect(),
        field,
    }
}

/// A patch's long axis, and its extent along minus across (the threshold's margin cancels).
fn rough_segment(component: &Component) -> Rough {
    let (_, small, line) = component.moments.principal();
    let along = (line.angle().cos(), line.angle().sin());
    let span = component.extent(along);
    let side = component.extent((-along.1, along.0));
    let length = ((span.1 - span.0) - (side.1 - side.0)).max(0.0);
    let middle = 0.5 * (span.0 + span.1);
    let sample = VectorSample {
        place: PixelPoint::new(
            component.centroid.x + middle * along.0,
            component.centroid.y + middle * along.1,
        ),
        vector: PixelVector::new(length * along.0, length * along.1),
        covariance: PixelTensor::new(0.5, 0.0, 0.5),
    };
    Rough {
        sample,
        sigma: small.max(0.05).sqrt(),
        flux: component.flux,
    }
}

/// Largest set of agreeing vectors: every patch is tried as the pattern, then the field grows outwards.
fn agree(set: &[Rough], center: PixelPoint, scale: f64) -> Option<(VectorField, usize)> {
    let votes = |pattern: &VectorField| set.iter().filter(|r| is_like(&r.sample, pattern)).count();
    let mut best: Option<(VectorField, usize)> = None;
    for rough in set {
        let pattern = VectorField::uniform(center, rough.sample.vector);
        let count = votes(&pattern);
        if best.as_ref().is_none_or(|(_, n)| count > *n) {
            best = Some((pattern, count));
        }
    }
    let (mut field, mut count) = best?;
    for _ in 0..4 {
        let inliers: Vec<VectorSample> = set
            .iter()
            .map(|r| r.sample)
            .filter(|s| is_like(s, &field))
            .collect();
        let Some(next) = VectorField::fit(&inliers, &field, center, scale) else {
            break;
        };
        let next_count = votes(&next);
        if next_count < count {
            break;
        }
        (field, count) = (next, next_count);
    }
    Some((field, count))
}

fn is_like(sample: &VectorSample, field: &VectorField) -> bool {
    let expected = field.at(sample.place);
    let (a, b) = (sample.vector, expected);
    let apart = |sign: f64| (a.dx - sign * b.dx).hypot(a.dy - sign * b.dy);
    apart(1.0).min(apart(-1.0)) < 2.0 + 0.15 * expected.length().px()
}
