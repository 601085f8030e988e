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

#[test]
fn explore() {
    for beta in [100.0, 3.5] {
        for fwhm in [1.5, 2.5, 4.5] {
            for length in [0.0, 1.5, 3.0, 6.0, 12.0, 40.0, 100.0] {
                let trail = (length * 0.8, length * 0.6);
                for ratio in [12.0, 30.0, 80.0, 200.0] {
                    let scene = Scene {
                        beta,
                        ..Scene::clear(fwhm, 7 + length as u64)
                    };
                    let flux = flux_for(&scene, trail, ratio);
                    let truth = grid(
                        &scene,
                        (length + 12.0 * fwhm).max(40.0),
                        trail,
                        flux,
                        flux * 1.001,
                    );
                    let field = measure_stars(&picture(&scene, &truth), 10.0);
                    let (mut pulls, mut errors, mut vp, mut ve) = (vec![], vec![], vec![], vec![]);
                    let mut found = 0;
                    let (u, v) = (0.8, 0.6);
                    for t in &truth {
                        if let Some(s) = nearest(&field.stars, t) {
                            found += 1;
                            let c = s.position_covariance;
                            let (ex, ey) = (s.position.x - t.x, s.position.y - t.y);
                            let (ea, ec) = (ex * u + ey * v, -ex * v + ey * u);
                            let sa = (c.xx * u * u + 2.0 * c.xy * u * v + c.yy * v * v).sqrt();
                            let sc = (c.xx * v * v - 2.0 * c.xy * u * v + c.yy * u * u).sqrt();
                            pulls.push(ea / sa);
                            pulls.push(ec / sc);
                            errors.push(ex);
                            errors.push(ey);
                            if let Some(d) = s.trail {
                                let l = d.length().px() - length;
                                ve.push(l);
                                vp.push((d.dx * v - d.dy * u).abs());
                            }
                        }
                    }
                    let b = bound(&scene, &truth[0], length > 4.0);
                    let bm = ((b[0] * b[0] + b[1] * b[1]) / 2.0).sqrt();
                    let t = field
                        .trail
                        .map(|t| (t.length.value.px(), t.length.sigma.px(), t.angle.deg()));
                    println!(
                        "beta {beta} fwhm {fwhm} L {length} S/N {ratio}: {found}/{} pull {:.2} rms {:.4} bound {:.4} ratio {:.2} | trail rms {:.3} | frame {:.3?} fwhm {:.2?} rej {:?}",
                        truth.len(),
                        rms(&pulls),
                        rms(&errors),
                        bm,
                        rms(&errors) / bm,
                        if ve.is_empty() { 0.0 } else { rms(&ve) },
                        t,
                        field.fwhm.map(|f| f.value.px()),
                        field.rejected
                    );
                }
            }
        }
    }
}
