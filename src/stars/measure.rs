//! The way through the stage: sky, patches, bulk, then short or long trails.

use super::background::Background;
use super::component::{Component, components};
use super::detect::scan;
use super::field::VectorField;
use super::filter::Filter;
use super::fit::FitSetup;
use super::line::{is_long_line, light_lines};
use super::long::{LongStars, measure_trails};
use super::noise::{Correlation, Noise};
use super::pace::Pace;
use super::psf::Psf;
use super::segment::Segment;
use super::shape::{SHAPE_SIGNIFICANCE, measure_shape};
use super::short::measure_points;
use super::survey::{Survey, survey};
use super::trail::long_trail;
use super::{LightLine, Rejected, Star, StarField};
use crate::frame::Plane;
use crate::units::{Measured, Pixels};

/// Gaussian sigma of the first look's filter: a common star image of 2.8 pixels full width.
const FIRST_SIGMA: f64 = 1.2;
/// Detection threshold in sigmas of the filtered sky: about one false star in a frame of 24 million pixels
/// if the noise were Gaussian.
const THRESHOLD: f32 = 5.0;
/// Trails longer than this many full widths of a star are fitted as segments; shorter ones show in the moments.
const LONG_TRAIL_WIDTHS: f64 = 1.3;
/// Patches that a first look at the shapes takes, in frames with more than the second number of them.
const FIRST_LOOK: usize = 400;
const FULL_LOOK: usize = 1200;
/// Full width at half maximum of a Gaussian over its sigma, sqrt(8 ln 2).
const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// All that the plane shows; see [`super::measure_stars`].
pub(super) fn measure(plane: &Plane, saturation: f32) -> StarField {
    let sky = Background::estimate(plane);
    let mut field = empty_field(plane, &sky);
    let (found, correlation) = find(plane, &sky, FIRST_SIGMA);
    let first = survey(plane, &sky, &found, saturation);
    let setup = FitSetup {
        plane,
        sky: &sky,
        noise: Noise {
            correlation,
            gain: 0.0,
        },
        psf: Psf::gaussian(first.as_ref().map_or(FIRST_SIGMA, |bulk| bulk.sigma)),
        pace: Pace::default(),
        saturation,
    };
    let bulk_trail = first.as_ref().map(|bulk| bulk.field.at(plane.center()));
    let lines = light_lines(&found, &sky, setup.psf.core, bulk_trail.unwrap_or_default());
    (field.rejected.lines, field.rejected.longest_line) = (lines.len(), lines.first().copied());
    let trailed = first.as_ref().filter(|bulk| is_long(bulk, plane));
    if trailed.is_some_and(|bulk| fill_long(&mut field, &setup, bulk, &found, &lines)) {
        return field;
    }
    let (tuned, retuned) = tuned(&setup);
    let patches = retuned.as_ref().unwrap_or(&found);
    if trailed.is_none() && patches.len() > FULL_LOOK {
        // The brightest say whether all the others are worth measuring as round stars.
        let mut look = field.clone();
        fill_short(&mut look, &tuned, &brightest(patches), &lines);
        if trailed_after_all(&look, plane)
            .is_some_and(|bulk| fill_long(&mut field, &setup, &bulk, &found, &lines))
        {
            return field;
        }
    }
    fill_short(&mut field, &tuned, patches, &lines);
    if trailed.is_some() {
        // The bright patches are long but no fit bears it out: better no trail than a wrong one.
        (field.trail, field.lens, field.fwhm) = (None, None, None);
    } else if let Some(bulk) = trailed_after_all(&field, plane) {
        fill_long(&mut field, &setup, &bulk, &found, &lines);
    }
    field
}

/// The patches with the strongest peaks.
fn brightest(found: &[Component]) -> Vec<Component> {
    let strength = |c: &Component| c.peaks.first().map_or(0.0, |p| p.significance);
    let mut order: Vec<&Component> = found.iter().collect();
    order.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
    order.into_iter().take(FIRST_LOOK).cloned().collect()
}

fn empty_field(plane: &Plane, sky: &Background) -> StarField {
    StarField {
        width: plane.width(),
        height: plane.height(),
        stars: Vec::new(),
        background: f64::from(sky.median_level()),
        noise: f64::from(sky.median_noise()),
        fwhm: None,
        trail: None,
        lens: None,
        rejected: Rejected::default(),
    }
}

/// Patches that stand out under the filter for stars of this Gaussian width, and the noise that they stand out of.
fn find(plane: &Plane, sky: &Background, sigma: f64) -> (Vec<Component>, Correlation) {
    let sigma = sigma as f32;
    let correlation = Correlation::measure(plane, sky, sigma);
    let threshold = THRESHOLD * correlation.light as f32;
    (
        components(
            plane,
            sky,
            &scan(plane, sky, &Filter::of_stars(sigma), threshold),
        ),
        correlation,
    )
}

/// The bulk as the moments show it, where they show trails too long for moments.
fn trailed_after_all(field: &StarField, plane: &Plane) -> Option<Survey> {
    let sigma = field.fwhm?.value.px() / FWHM_PER_SIGMA;
    let vector = field.trail?.vector;
    let clean = field.stars.iter();
    let mut clean: Vec<&Star> = clean
        .filter(|s| s.quality.is_clean() && s.signal_to_noise() > SHAPE_SIGNIFICANCE)
        .collect();
    // The first ones teach the profile. Those of the most light would be the ones that noise made wide.
    clean.sort_by(|a, b| b.signal_to_noise().total_cmp(&a.signal_to_noise()));
    let segments = clean
        .into_iter()
        .map(|s| Segment {
            center: s.position,
            vector,
            flux: s.flux.value,
            pedestal: 0.0,
        })
        .collect();
    let field = VectorField::uniform(plane.center(), vector);
    Some(Survey {
        sigma,
        field,
        segments,
        pace: Pace::default(),
    })
    .filter(|bulk| is_long(bulk, plane))
}

fn is_long(bulk: &Survey, plane: &Plane) -> bool {
    bulk.field.at(plane.center()).length().px() > LONG_TRAIL_WIDTHS * FWHM_PER_SIGMA * bulk.sigma
}

/// Measures the frame as one of long trails; false, and nothing changed, where the fits do not bear the bulk out.
fn fill_long(
    field: &mut StarField,
    setup: &FitSetup,
    bulk: &Survey,
    found: &[Component],
    lines: &[LightLine],
) -> bool {
    let setup = FitSetup {
        psf: Psf::gaussian(bulk.sigma),
        pace: bulk.pace,
        ..*setup
    };
    let Some(LongStars {
        stars,
        field: vectors,
        fwhm,
        n_shapes,
    }) = measure_trails(&setup, &bulk.segments, &bulk.field)
    else {
        return false;
    };
    let lines = lines
        .iter()
        .filter(|line| is_foreign(line, bulk.sigma, &vectors));
    let lines: Vec<LightLine> = lines.copied().collect();
    let rejected = Rejected {
        lines: lines.len(),
        longest_line: lines.first().copied(),
        shapes: n_shapes + count_foreign(found, &vectors, &lines, bulk.sigma),
        ..Rejected::default()
    };
    field.trail = long_trail(&vectors, field.center());
    field.lens = None;
    field.fwhm = Some(Measured::new(
        Pixels::new(fwhm.value),
        Pixels::new(fwhm.sigma),
    ));
    (field.stars, field.rejected) = (stars, rejected);
    true
}

/// Components that no trail of the bulk explains and no line either: foreground.
fn count_foreign(
    components: &[Component],
    field: &VectorField,
    lines: &[LightLine],
    sigma: f64,
) -> usize {
    let is_foreign = |component: &&Component| {
        let [x0, y0, x1, y1] = component.bounds;
        let side = ((x1 - x0) as f64).hypot((y1 - y0) as f64);
        let on_line = lines
            .iter()
            .any(|l| l.touches(component.centroid, 4.0 * sigma));
        !on_line && side > 3.0 * field.at(component.centroid).length().px() + 40.0
    };
    components.iter().filter(is_foreign).count()
}

/// Whether a line is no star's trail, by the trails as they were found in the end.
fn is_foreign(line: &LightLine, sigma: f64, field: &VectorField) -> bool {
    is_long_line(line, sigma, field.at(line.middle()))
}

/// What the fit must know to measure the stars, and the patches under a filter as wide as they are, where it
/// differs from the first look's.
fn tuned<'a>(setup: &FitSetup<'a>) -> (FitSetup<'a>, Option<Vec<Component>>) {
    let sigma = setup.psf.core.clamp(0.7, 5.0);
    let setup = FitSetup {
        psf: Psf::gaussian(sigma),
        ..*setup
    };
    // The first look's filter loses nothing on stars about as wide as it.
    if (sigma / FIRST_SIGMA).ln().abs() < 0.25 {
        return (setup, None);
    }
    let (found, correlation) = find(setup.plane, setup.sky, sigma);
    (
        FitSetup {
            noise: Noise {
                correlation,
                gain: 0.0,
            },
            ..setup
        },
        Some(found),
    )
}

/// Measures the frame as one of short trails.
fn fill_short(field: &mut StarField, setup: &FitSetup, patches: &[Component], lines: &[LightLine]) {
    field.stars = measure_points(setup, patches, lines, &mut field.rejected);
    if let Some(shape) = measure_shape(setup, &mut field.stars) {
        field.trail = Some(shape.trail);
        field.lens = shape.lens;
        field.fwhm = Some(Measured::new(
            Pixels::new(shape.fwhm.value),
            Pixels::new(shape.fwhm.sigma),
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::super::rendered::{Drawn, Scene, flux_for, grid, picture};
    use super::*;

    fn small(fwhm: f64, seed: u64) -> Scene {
        Scene {
            width: 640,
            height: 560,
            ..Scene::clear(fwhm, seed)
        }
    }

    fn edited(plane: &Plane, edit: impl Fn(usize, usize, f32) -> f32) -> Plane {
        let (w, h) = (plane.width(), plane.height());
        let data = plane
            .data()
            .iter()
            .enumerate()
            .map(|(i, v)| edit(i % w, i / w, *v));
        Plane::new(w, h, data.collect()).expect("sizes agree")
    }

    #[test]
    fn a_lens_that_stretches_stars_outwards_leaves_no_trail_at_the_centre() {
        let scene = small(2.5, 21);
        let flux = flux_for(&scene, (0.0, 0.0), 60.0);
        let mut stars = grid(&scene, 36.0, (0.0, 0.0), flux, 3.0 * flux);
        for star in &mut stars {
            let (x, y) = ((star.x - 319.5) / 425.0, (star.y - 279.5) / 425.0);
            // The second moment grows with r^2, so the length with r: 4 pixels in the corners.
            (star.dx, star.dy) = (4.0 * x, 4.0 * y);
        }
        let trail = measure(&picture(&scene, &stars), 10.0)
            .trail
            .expect("many clean stars");
        assert!(
            trail.length.value.px() < 2.0 * trail.length.sigma.px(),
            "{trail:?}"
        );
        assert!(trail.length.sigma.px() < 0.6, "{trail:?}");
    }

    #[test]
    fn hot_pixels_and_a_satellite_are_no_stars() {
        let scene = small(2.5, 22);
        let flux = flux_for(&scene, (0.0, 0.0), 40.0);
        let stars = grid(&scene, 40.0, (0.0, 0.0), flux, 3.0 * flux);
        let hot = |x: usize, y: usize| x % 97 == 11 && y % 89 == 7;
        let on_line = |x: usize, y: usize| (y as f64 - 20.0 - 0.71 * x as f64).abs();
        let plane = edited(&picture(&scene, &stars), |x, y, v| {
            let line = 0.03 * (-0.5 * (on_line(x, y) / 1.3).powi(2)).exp() as f32;
            if hot(x, y) { v + 0.3 } else { v + line }
        });
        let field = measure(&plane, 10.0);
        let false_one = |s: &&super::super::Star| {
            let (x, y) = (s.position.x.round() as usize, s.position.y.round() as usize);
            let near_truth = stars
                .iter()
                .any(|t| (t.x - s.position.x).hypot(t.y - s.position.y) < 2.0);
            !near_truth && (hot(x, y) || on_line(x, y) < 4.0)
        };
        let wrong: Vec<_> = field.stars.iter().filter(false_one).collect();
        assert!(wrong.is_empty(), "{wrong:?}");
        assert!(field.rejected.hot_pixels >= 30, "{:?}", field.rejected);
        assert_eq!(field.rejected.lines, 1, "{:?}", field.rejected);
        let line = field.rejected.longest_line.expect("one line");
        let ends = [line.from, line.to].map(|p| on_line(p.x as usize, p.y as usize));
        assert!(ends.iter().all(|off| *off < 3.0), "{line:?}");
        assert!((line.from.x - line.to.x).abs() > 600.0, "{line:?}");
    }

    #[test]
    fn a_drive_that_stood_still_first_shows_its_whole_trail() {
        let scene = small(2.6, 23);
        let (dx, dy) = (26.0, 19.0);
        let flux = flux_for(&scene, (dx, dy), 80.0);
        let run = grid(&scene, 62.0, (dx, dy), flux, 4.0 * flux);
        let stood = run.iter().map(|s| Drawn {
            x: s.x - 0.5 * dx,
            y: s.y - 0.5 * dy,
            dx: 0.0,
            dy: 0.0,
            flux: 1.5 * s.flux,
        });
        let stars: Vec<Drawn> = run.iter().copied().chain(stood).collect();
        let trail = measure(&picture(&scene, &stars), 10.0)
            .trail
            .expect("many clean stars");
        let length = dx.hypot(dy);
        assert!((trail.length.value.px() - length).abs() < 0.4, "{trail:?}");
        assert!(
            (trail.angle.deg() - dy.atan2(dx).to_degrees()).abs() < 0.5,
            "{trail:?}"
        );
    }

    #[test]
    fn a_field_that_turns_gives_the_trail_of_its_centre() {
        let scene = small(2.4, 24);
        let flux = flux_for(&scene, (6.0, 8.0), 60.0);
        let mut stars = grid(&scene, 48.0, (6.0, 8.0), flux, 3.0 * flux);
        for star in &mut stars {
            // Rotation about a point off the frame: 0.02 rad.
            (star.dx, star.dy) = (0.02 * (star.y - 20.0) + 0.8, -0.02 * (star.x - 720.0));
        }
        let trail = measure(&picture(&scene, &stars), 10.0)
            .trail
            .expect("many clean stars");
        let (dx, dy) = (0.02 * (279.5 - 20.0) + 0.8, -0.02 * (319.5 - 720.0));
        assert!(
            (trail.vector.dx - dx).hypot(trail.vector.dy - dy) < 0.12,
            "{trail:?}, {dx}, {dy}"
        );
    }

    #[test]
    fn frames_without_stars_have_no_trail() {
        let field = measure(&picture(&small(2.5, 25), &[]), 10.0);
        assert!(field.trail.is_none() && field.fwhm.is_none());
        assert!(field.stars.len() < 3, "{}", field.stars.len());
    }

    #[test]
    fn odd_frames_are_taken() {
        for (w, h) in [(1, 1), (3, 2), (70, 1), (1, 90), (65, 64), (200, 3)] {
            for level in [0.0, 0.4, 1.0] {
                let field = measure(
                    &Plane::new(w, h, vec![level; w * h]).expect("sizes agree"),
                    0.98,
                );
                assert!(field.stars.is_empty() && field.trail.is_none());
            }
            let checked = (0..w * h).map(|i| ((i * 7919) % 2) as f32).collect();
            measure(&Plane::new(w, h, checked).expect("sizes agree"), 0.98);
        }
    }

    #[test]
    fn threads_do_not_change_the_result() {
        let scene = small(2.5, 26);
        let flux = flux_for(&scene, (7.0, 3.0), 40.0);
        let plane = picture(&scene, &grid(&scene, 40.0, (7.0, 3.0), flux, 5.0 * flux));
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .expect("threads start");
            pool.install(|| measure(&plane, 10.0))
        };
        assert_eq!(with(1), with(3));
    }
}
