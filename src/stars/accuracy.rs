//! Truth: synthetic. Positions, trails and their sigmas against pictures drawn by other code.

use super::rendered::{Drawn, Scene, Window, draw, flux_for, grid, picture};
use super::{Star, StarField, measure_stars};

/// Light of these pictures never reaches it.
const SATURATION: f32 = 10.0;

/// Smallest scatter of x and y (mean of both) that any estimate can have: inverse Fisher matrix of
/// place, light, pedestal and, if it is sought, the trail, from the drawn image and its differences.
fn bound(scene: &Scene, star: &Drawn, with_trail: bool) -> f64 {
    let window = Window::around(scene, star);
    let image = |s: Drawn| draw(scene, &s, window);
    let middle = image(*star);
    let slope = |change: fn(&mut Drawn, f64), step: f64| -> Vec<f64> {
        let moved = |by: f64| {
            let mut star = *star;
            change(&mut star, by);
            image(star)
        };
        moved(step)
            .iter()
            .zip(moved(-step))
            .map(|(a, b)| (a - b) / (2.0 * step))
            .collect()
    };
    let mut slopes = vec![
        slope(|s, by| s.x += by, 0.02),
        slope(|s, by| s.y += by, 0.02),
    ];
    slopes.push(middle.iter().map(|v| v / star.flux).collect());
    slopes.push(vec![1.0; middle.len()]);
    if with_trail {
        slopes.push(slope(|s, by| s.dx += by, 0.1));
        slopes.push(slope(|s, by| s.dy += by, 0.1));
    }
    let weight = |p: usize| 1.0 / (scene.noise.powi(2) + scene.gain() * middle[p]);
    let fisher = nalgebra::DMatrix::from_fn(slopes.len(), slopes.len(), |i, j| {
        (0..middle.len())
            .map(|p| slopes[i][p] * slopes[j][p] * weight(p))
            .sum::<f64>()
    });
    let covariance = fisher
        .try_inverse()
        .expect("the image depends on all numbers");
    (0.5 * (covariance[(0, 0)] + covariance[(1, 1)])).sqrt()
}

/// Found stars with the truth they stand for.
fn pairs<'a>(field: &'a StarField, truth: &'a [Drawn]) -> Vec<(&'a Star, &'a Drawn)> {
    let distance = |s: &Star, t: &Drawn| (s.position.x - t.x).hypot(s.position.y - t.y);
    let nearest = |t: &Drawn| {
        field
            .stars
            .iter()
            .min_by(|a, b| distance(a, t).total_cmp(&distance(b, t)))
    };
    truth
        .iter()
        .filter_map(|t| nearest(t).filter(|s| distance(s, t) < 3.0).map(|s| (s, t)))
        .collect()
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0_f64, 0.0), |(s, n), v| (s + v * v, n + 1.0));
    (sum / count).sqrt()
}

/// Errors of place along both axes and their pulls.
fn place_errors(field: &StarField, truth: &[Drawn]) -> (f64, f64, usize) {
    let found = pairs(field, truth);
    let errors = |(s, t): &(&Star, &Drawn)| {
        [
            (s.position.x - t.x, s.position_covariance.xx),
            (s.position.y - t.y, s.position_covariance.yy),
        ]
    };
    let all: Vec<(f64, f64)> = found.iter().flat_map(errors).collect();
    (
        rms(all.iter().map(|e| e.0)),
        rms(all.iter().map(|e| e.0 / e.1.sqrt())),
        found.len(),
    )
}

/// Places must scatter by no more than 1.2 times the bound and by what their sigmas say, within 20 %
/// (100 stars and two axes leave a chance scatter of 5 %; correlated pulls a little more).
fn check_places(fwhm: f64, trail: (f64, f64), ratio: f64, seed: u64) {
    let length = trail.0.hypot(trail.1);
    let scene = Scene {
        width: 640,
        height: 560,
        ..Scene::clear(fwhm, seed)
    };
    let flux = flux_for(&scene, trail, ratio);
    let truth = grid(
        &scene,
        (length + 9.0 * fwhm).max(36.0),
        trail,
        flux,
        1.01 * flux,
    );
    let field = measure_stars(&picture(&scene, &truth), SATURATION);
    let (error, pull, found) = place_errors(&field, &truth);
    let least = bound(&scene, &truth[0], length > 1.3 * fwhm);
    let told = format!(
        "width {fwhm}, trail {length}, ratio {ratio}: {found} of {}, {error:.4} px, bound {least:.4}, pull {pull:.2}",
        truth.len()
    );
    assert!(found as f64 > 0.98 * truth.len() as f64, "{told}");
    assert!(error < 1.2 * least, "{told}");
    assert!((0.8..1.2).contains(&pull), "{told}");
}

#[test]
fn places_of_round_stars_reach_the_bound() {
    check_places(1.8, (0.0, 0.0), 40.0, 1);
    check_places(2.6, (0.0, 0.0), 15.0, 2);
    check_places(2.6, (0.0, 0.0), 150.0, 3);
    check_places(4.5, (0.0, 0.0), 60.0, 4);
}

#[test]
fn places_of_trailed_stars_reach_the_bound() {
    check_places(2.6, (1.2, -1.6), 30.0, 5);
    check_places(2.6, (6.0, 5.0), 30.0, 6);
    check_places(2.0, (-3.0, 12.0), 100.0, 7);
    check_places(2.6, (30.0, -28.0), 60.0, 8);
}

#[test]
fn trail_vectors_of_stars_scatter_as_their_sigmas_say() {
    let scene = Scene {
        width: 640,
        height: 560,
        ..Scene::clear(2.6, 9)
    };
    let trail = (7.0, -9.0);
    let flux = flux_for(&scene, trail, 50.0);
    let truth = grid(&scene, 40.0, trail, flux, 1.01 * flux);
    let field = measure_stars(&picture(&scene, &truth), SATURATION);
    let along = |s: &Star| s.trail.map(|d| d.length().px() - 130f64.sqrt());
    let errors: Vec<f64> = field.stars.iter().filter_map(along).collect();
    assert!(errors.len() > 140, "{}", errors.len());
    // Light / sigma of 50 over a trail of 11 px: the ends are known to a fifth of a pixel each.
    let scatter = rms(errors.iter().copied());
    assert!((0.1..0.25).contains(&scatter), "{scatter}");
    let found = field.trail.expect("many clean stars");
    assert!(
        (found.length.value.px() - 130f64.sqrt()).abs() < 2.5 * found.length.sigma.px(),
        "{found:?}"
    );
    assert!(found.length.sigma.px() < 0.1, "{found:?}");
}

/// Pulls of the frame's length and direction over some frames with trails in all directions.
fn frame_pulls(length: f64, ratio: f64) -> Vec<(f64, f64)> {
    (0..8)
        .filter_map(|i| {
            let angle = 0.3 + f64::from(i) * 0.4;
            let trail = (length * angle.cos(), length * angle.sin());
            let scene = Scene {
                width: 420,
                height: 360,
                ..Scene::clear(2.5, 100 + i as u64)
            };
            let flux = flux_for(&scene, trail, ratio);
            let truth = grid(&scene, (length + 20.0).max(27.0), trail, flux, 3.0 * flux);
            let found = measure_stars(&picture(&scene, &truth), SATURATION).trail?;
            let turn = (found.angle.deg() - angle.to_degrees() + 90.0).rem_euclid(180.0) - 90.0;
            Some((
                (found.length.value.px() - length) / found.length.sigma.px(),
                turn / found.angle_sigma.deg(),
            ))
        })
        .collect()
}

#[test]
fn frame_trails_are_found_within_their_sigmas() {
    for (length, ratio) in [(1.5, 30.0), (2.5, 60.0), (5.0, 30.0), (12.0, 40.0)] {
        let pulls = frame_pulls(length, ratio);
        assert_eq!(pulls.len(), 8, "length {length}");
        let (by_length, by_angle) = (
            rms(pulls.iter().map(|p| p.0)),
            rms(pulls.iter().map(|p| p.1)),
        );
        // Systematic floors are part of the sigmas, so that pulls may be small; eight frames leave 25 %.
        assert!(
            by_length < 1.5 && by_angle < 1.5,
            "length {length}: {pulls:?}"
        );
    }
}

#[test]
fn round_stars_have_no_trail_beyond_its_sigma() {
    let pulls = frame_pulls(0.0, 60.0);
    assert_eq!(pulls.len(), 8);
    assert!(pulls.iter().all(|p| p.0 < 2.0), "{pulls:?}");
}
