//! Truth: synthetic. Positions, trails and their sigmas against pictures drawn by other code.

use super::rendered::{Drawn, Scene, draw, flux_for, grid, picture};
use super::{Star, measure_stars};

/// Smallest scatter that any estimate of x, y, dx, dy of a star can have: inverse Fisher matrix of
/// place, trail, light and pedestal from the drawn image and its differences.
fn bound(scene: &Scene, star: &Drawn, with_trail: bool) -> [f64; 4] {
    let image = |s: Drawn| draw(scene, &s).3;
    let middle = image(*star);
    let step = 0.02;
    let slope = |up: Drawn, down: Drawn, by: f64| -> Vec<f64> {
        image(up)
            .iter()
            .zip(image(down))
            .map(|(a, b)| (a - b) / by)
            .collect()
    };
    let mut slopes = vec![
        slope(
            Drawn {
                x: star.x + step,
                ..*star
            },
            Drawn {
                x: star.x - step,
                ..*star
            },
            2.0 * step,
        ),
        slope(
            Drawn {
                y: star.y + step,
                ..*star
            },
            Drawn {
                y: star.y - step,
                ..*star
            },
            2.0 * step,
        ),
        middle.iter().map(|v| v / star.flux).collect(),
        vec![1.0; middle.len()],
    ];
    if with_trail {
        let step = 0.1;
        slopes.push(slope(
            Drawn {
                dx: star.dx + step,
                ..*star
            },
            Drawn {
                dx: star.dx - step,
                ..*star
            },
            2.0 * step,
        ));
        slopes.push(slope(
            Drawn {
                dy: star.dy + step,
                ..*star
            },
            Drawn {
                dy: star.dy - step,
                ..*star
            },
            2.0 * step,
        ));
    }
    let n = slopes.len();
    let fisher = nalgebra::DMatrix::from_fn(n, n, |i, j| {
        (0..middle.len())
            .map(|p| slopes[i][p] * slopes[j][p] / (scene.noise.powi(2) + scene.gain() * middle[p]))
            .sum::<f64>()
    });
    let c = fisher.try_inverse().unwrap();
    let at = |i: usize| if i < n { c[(i, i)].sqrt() } else { 0.0 };
    [at(0), at(1), at(4), at(5)]
}

fn nearest<'a>(stars: &'a [Star], truth: &Drawn) -> Option<&'a Star> {
    let distance = |s: &Star| (s.position.x - truth.x).hypot(s.position.y - truth.y);
    stars
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)))
        .filter(|s| distance(s) < 3.0)
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// Errors along and across the trail over their own sigmas, and the errors in x and y, pixels.
fn place_errors(stars: &[Star], truth: &[Drawn], along: (f64, f64)) -> (Vec<f64>, Vec<f64>) {
    let (u, v) = along;
    let (mut pulls, mut errors) = (Vec::new(), Vec::new());
    for drawn in truth {
        let Some(star) = nearest(stars, drawn) else {
            continue;
        };
        let c = star.position_covariance;
        let (ex, ey) = (star.position.x - drawn.x, star.position.y - drawn.y);
        let along_sigma = (c.xx * u * u + 2.0 * c.xy * u * v + c.yy * v * v).sqrt();
        let across_sigma = (c.xx * v * v - 2.0 * c.xy * u * v + c.yy * u * u).sqrt();
        pulls.extend([
            (ex * u + ey * v) / along_sigma,
            (-ex * v + ey * u) / across_sigma,
        ]);
        errors.extend([ex, ey]);
    }
    (pulls, errors)
}

#[test]
fn places_come_near_their_bound_with_true_sigmas() {
    let (fwhm, along) = (2.5, (0.8, 0.6));
    for length in [0.0, 6.0, 40.0] {
        let trail = (length * along.0, length * along.1);
        let scene = Scene {
            beta: 3.5,
            ..Scene::clear(fwhm, 7 + length as u64)
        };
        let flux = flux_for(&scene, trail, 80.0);
        let spacing = (length + 12.0 * fwhm).max(40.0);
        let truth = grid(&scene, spacing, trail, flux, flux * 1.001);
        let field = measure_stars(&picture(&scene, &truth), 10.0);
        let (pulls, errors) = place_errors(&field.stars, &truth, along);
        assert!(pulls.len() as f64 > 1.8 * truth.len() as f64, "{length} px");
        let [x, y, ..] = bound(&scene, &truth[0], length > 4.0);
        let ratio = rms(&errors) / ((x * x + y * y) / 2.0).sqrt();
        let pull = rms(&pulls);
        // Last seen: pulls of 0.91 to 0.98, errors of 0.98 to 1.01 bounds.
        assert!((0.7..1.4).contains(&pull), "{length} px: pull {pull:.2}");
        assert!(
            (0.7..1.4).contains(&ratio),
            "{length} px: {ratio:.2} bounds"
        );
    }
}
