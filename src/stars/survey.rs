//! First look at the brightest patches: how wide the stars are and whether the bulk of them is trailed.

use super::background::Background;
use super::component::Component;
use super::ends::{Ends, ends};
use super::field::{VectorField, VectorSample, median};
use super::fit::SOFT_TOP;
use super::moments::adaptive_moments;
use super::noise::Noise;
use super::pace::Pace;
use super::segment::Segment;
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor, PixelVector};

/// What the bulk of the bright patches says.
#[derive(Debug, Clone)]
pub(super) struct Survey {
    /// Rough width across the trail, Gaussian sigma in pixels.
    pub(super) sigma: f64,
    /// Rough trail vectors over the frame.
    pub(super) field: VectorField,
    /// The patches that agree, brightest first; without saturated ones where there are enough others.
    pub(super) segments: Vec<Segment>,
    /// Rough shares of light at the ends.
    pub(super) pace: Pace,
}

/// Sets of the brightest patches that are asked one after another. In a frame where the drive
/// stood still first, only the brightest show the faint rest of their trail.
const SET_SIZES: [usize; 4] = [16, 40, 100, 300];
/// Share of a set that must agree.
const QUORUM: f64 = 0.4;
/// Unsaturated patches that make the saturated ones dispensable.
const ENOUGH_LINEAR: usize = 8;
/// Unsaturated patches fainter than the sets that are looked at besides: in a large frame the sets may
/// hold nothing but saturated stars, which are far wider than the others.
const MOST_LINEAR: usize = 100;
/// Trails up to this many Gaussian widths of a star long can be measured by moments.
const SHORT_FOR_MOMENTS: f64 = 6.0;
/// Fewest patches that make a bulk.
const FEWEST: usize = 4;

/// The bulk's trail field and width; `None` where the patches do not agree on anything.
pub(super) fn survey(
    plane: &Plane,
    sky: &Background,
    components: &[Component],
    saturation: f32,
) -> Option<Survey> {
    let (width, height) = (plane.width(), plane.height());
    let center = plane.center();
    let scale = center.x.hypot(center.y).max(1.0);
    let mut bright: Vec<&Component> = components
        .iter()
        .filter(|c| {
            c.area >= 5
                && !sky.is_textured(c.centroid)
                && !c.near_edge(width, height, 2)
                && c.peaks.first().is_some_and(|p| p.significance > 10.0)
        })
        .collect();
    bright.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    let n_voters = bright.len().min(SET_SIZES[SET_SIZES.len() - 1]);
    let linear = bright[n_voters..]
        .iter()
        .filter(|c| is_linear(c, saturation))
        .take(MOST_LINEAR);
    let rough: Vec<Rough> = bright[..n_voters]
        .iter()
        .chain(linear)
        .map(|c| rough_segment(plane, sky, c, saturation))
        .collect();
    SET_SIZES.iter().find_map(|size| {
        let set = &rough[..n_voters.min(*size)];
        let needed = ((QUORUM * set.len() as f64).ceil() as usize).max(FEWEST);
        agree(set, center, scale)
            .filter(|(_, n)| *n >= needed)
            .map(|(field, _)| refined(plane, sky, gather(&rough, set, field)))
    })
}

/// One bright patch as a segment.
struct Rough {
    sample: VectorSample,
    sigma: f64,
    flux: f64,
    /// Shares of the light that stayed at the start and at the end of its vector.
    dwelling: (f64, f64),
    /// Its brightest pixel is below saturation's rounded top.
    linear: bool,
}

/// The survey of a field that a set agrees on; all patches that follow it become segments.
fn gather(all: &[Rough], set: &[Rough], field: VectorField) -> Survey {
    let sigma = median(
        set.iter()
            .filter(|r| is_like(&r.sample, &field))
            .map(|r| r.sigma),
    );
    let alike: Vec<&Rough> = all.iter().filter(|r| is_like(&r.sample, &field)).collect();
    let linear: Vec<&Rough> = alike.iter().copied().filter(|r| r.linear).collect();
    let chosen = if linear.len() >= ENOUGH_LINEAR {
        linear
    } else {
        alike
    };
    let (mut segments, mut starts, mut ends) = (Vec::new(), Vec::new(), Vec::new());
    for rough in chosen {
        let Rough {
            sample,
            flux,
            dwelling: (start, end),
            ..
        } = *rough;
        let expected = field.at(sample.place);
        let against = sample.vector.dx * expected.dx + sample.vector.dy * expected.dy < 0.0;
        let (vector, start, end) = if against {
            (-sample.vector, end, start)
        } else {
            (sample.vector, start, end)
        };
        segments.push(Segment {
            center: sample.place,
            vector,
            flux,
            pedestal: 0.0,
        });
        starts.push(start);
        ends.push(end);
    }
    let pace = Pace {
        start: median(starts.into_iter()),
        end: median(ends.into_iter()),
        ..Pace::default()
    };
    Survey {
        sigma,
        segments,
        field,
        pace,
    }
}

/// The survey with its width from adaptive moments where trails are short enough for them: patches
/// reach into the wings of bright stars and look wider than they are.
fn refined(plane: &Plane, sky: &Background, survey: Survey) -> Survey {
    const MOST: usize = 40;
    let widths: Vec<f64> = survey
        .segments
        .iter()
        .take(MOST)
        .filter(|s| s.vector.length().px() < SHORT_FOR_MOMENTS * survey.sigma)
        .filter_map(|s| adaptive_moments(plane, sky, &Noise::WHITE, s.center, survey.sigma).ok())
        .map(|found| found.moments.principal().1.sqrt())
        .collect();
    let sigma = if widths.len() < FEWEST {
        survey.sigma
    } else {
        median(widths.into_iter())
    };
    Survey { sigma, ..survey }
}

/// A patch's long axis and the trail between its ends.
fn rough_segment(plane: &Plane, sky: &Background, component: &Component, saturation: f32) -> Rough {
    let (_, small, line) = component.moments.principal();
    let along = (line.angle().cos(), line.angle().sin());
    let Ends {
        places: (start, end),
        dwelling,
    } = ends(plane, sky, component, along);
    let (length, middle) = ((end - start).max(0.0), 0.5 * (start + end));
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
        dwelling,
        linear: is_linear(component, saturation),
    }
}

/// Below saturation's rounded top.
fn is_linear(component: &Component, saturation: f32) -> bool {
    component.brightest < SOFT_TOP * saturation
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

#[cfg(test)]
mod tests {
    use super::super::component::components;
    use super::super::detect::scan;
    use super::super::filter::Filter;
    use super::super::rendered::{Drawn, Scene, flux_for, grid, picture};
    use super::*;

    fn surveyed(scene: &Scene, stars: &[Drawn]) -> Option<Survey> {
        let plane = picture(scene, stars);
        let sky = Background::estimate(&plane);
        let found = components(
            &plane,
            &sky,
            &scan(&plane, &sky, &Filter::of_stars(1.2), 5.0),
        );
        survey(&plane, &sky, &found, 10.0)
    }

    fn frame(trail: (f64, f64)) -> (Scene, Vec<Drawn>) {
        let scene = Scene {
            width: 640,
            height: 560,
            ..Scene::clear(2.6, 12)
        };
        let flux = flux_for(&scene, trail, 80.0);
        let spacing = 40.0 + trail.0.hypot(trail.1);
        (scene, grid(&scene, spacing, trail, flux, 5.0 * flux))
    }

    #[test]
    fn the_bulk_gives_width_and_trail() {
        for trail in [(0.0, 0.0), (-11.0, 8.0), (30.0, 60.0)] {
            let (scene, stars) = frame(trail);
            let bulk = surveyed(&scene, &stars).expect("many stars");
            let found = bulk.field.at(PixelPoint::new(320.0, 280.0));
            let apart = |sign: f64| (found.dx - sign * trail.0).hypot(found.dy - sign * trail.1);
            assert!(
                apart(1.0).min(apart(-1.0)) < 1.0 + 0.35 * trail.0.hypot(trail.1),
                "{trail:?}: {found:?}"
            );
            assert!(
                (bulk.sigma / 1.15).ln().abs() < 0.3,
                "{trail:?}: {}",
                bulk.sigma
            );
        }
    }

    #[test]
    fn one_long_line_does_not_make_round_stars_trailed() {
        let (scene, mut stars) = frame((0.0, 0.0));
        stars.push(Drawn {
            x: 300.0,
            y: 250.0,
            dx: 400.0,
            dy: 130.0,
            flux: 60.0,
        });
        let bulk = surveyed(&scene, &stars).expect("many stars");
        assert!(bulk.field.at(PixelPoint::new(320.0, 280.0)).length().px() < 1.0);
    }

    #[test]
    fn many_saturated_stars_do_not_hide_how_wide_the_others_are() {
        let scene = Scene {
            width: 1300,
            height: 1000,
            ..Scene::clear(2.6, 14)
        };
        let mut stars = grid(&scene, 40.0, (0.0, 0.0), 2.0, 4.0);
        let n_saturated = 320;
        stars
            .iter_mut()
            .step_by(2)
            .take(n_saturated)
            .for_each(|star| star.flux = 300.0);
        assert!(stars.len() > 2 * n_saturated);
        let light = picture(&scene, &stars);
        let clipped = light.data().iter().map(|v| v.min(1.0)).collect();
        let plane = Plane::new(scene.width, scene.height, clipped).expect("sizes agree");
        let sky = Background::estimate(&plane);
        let patches = scan(&plane, &sky, &Filter::of_stars(1.2), 5.0);
        let bulk = survey(&plane, &sky, &components(&plane, &sky, &patches), 1.0);
        let sigma = bulk.expect("many stars").sigma;
        assert!((sigma / 1.15).ln().abs() < 0.3, "{sigma}");
    }

    #[test]
    fn an_empty_frame_has_no_bulk() {
        assert!(surveyed(&frame((0.0, 0.0)).0, &[]).is_none());
    }
}
