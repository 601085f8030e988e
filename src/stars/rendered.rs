//! Pictures of stars for tests, drawn without any of the code under test: a Moffat profile summed over
//! sub-pixels and steps of the path, with photon noise.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::frame::Plane;

/// What to draw.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scene {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Sky level, and the noise of its pixels.
    pub(super) sky: f64,
    pub(super) noise: f64,
    /// Full width at half maximum and wing exponent of the Moffat profile (100: a Gaussian).
    pub(super) fwhm: f64,
    pub(super) beta: f64,
    pub(super) seed: u64,
}

impl Scene {
    /// A clear dark frame.
    pub(super) fn clear(fwhm: f64, seed: u64) -> Self {
        Self {
            width: 900,
            height: 800,
            sky: 0.05,
            noise: 0.002,
            fwhm,
            beta: 3.5,
            seed,
        }
    }

    /// Variance per unit of light if the sky's noise is the light's own.
    pub(super) fn gain(&self) -> f64 {
        self.noise * self.noise / self.sky
    }
}

/// A star to draw: middle and vector of its straight trail, light.
#[derive(Debug, Clone, Copy)]
pub(super) struct Drawn {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) dx: f64,
    pub(super) dy: f64,
    pub(super) flux: f64,
}

/// A square of pixels: first column, first row, side.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    pub(super) x: i64,
    pub(super) y: i64,
    pub(super) side: usize,
}

impl Window {
    /// Holds all but the faintest wings of a star.
    pub(super) fn around(scene: &Scene, star: &Drawn) -> Self {
        let half = (0.5 * star.dx.hypot(star.dy) + 4.0 * scene.fwhm + 2.0).ceil() as i64;
        Self {
            x: star.x.round() as i64 - half,
            y: star.y.round() as i64 - half,
            side: (2 * half + 1) as usize,
        }
    }
}

/// The light of one star in a window, row by row.
pub(super) fn draw(scene: &Scene, star: &Drawn, window: Window) -> Vec<f64> {
    const SUB: i64 = 3;
    let alpha = scene.fwhm / 2.0 / (2f64.powf(1.0 / scene.beta) - 1.0).sqrt();
    let scale = (scene.beta - 1.0) / (std::f64::consts::PI * alpha * alpha);
    let length = star.dx.hypot(star.dy);
    // Two points a step, as Gauss and Legendre place them: points in the steps' middles alone would
    // draw the line of a 1-px trail 6 % short.
    let steps = (1.5 * length).ceil().max(1.0) as usize;
    let points = 2 * steps;
    let Window { x: x0, y: y0, side } = window;
    let mut values = vec![0.0; side * side];
    let share = star.flux * scale / (points as f64 * (SUB * SUB) as f64);
    let reach = 4.0 * scene.fwhm + 2.0;
    for point in 0..points {
        let within = if point % 2 == 0 { -0.5 } else { 0.5 } / 3f64.sqrt();
        let t = ((point / 2) as f64 + 0.5 + within) / steps as f64 - 0.5;
        let (cx, cy) = (
            star.x + t * star.dx - x0 as f64,
            star.y + t * star.dy - y0 as f64,
        );
        let from = |c: f64| (c - reach).max(0.0) as usize;
        let to = |c: f64| ((c + reach) as usize + 1).min(side);
        for y in from(cy)..to(cy) {
            for x in from(cx)..to(cx) {
                for sub in 0..SUB * SUB {
                    let offset = |i: i64| (i as f64 + 0.5) / SUB as f64 - 0.5;
                    let (rx, ry) = (
                        x as f64 + offset(sub % SUB) - cx,
                        y as f64 + offset(sub / SUB) - cy,
                    );
                    values[y * side + x] +=
                        share * (1.0 + (rx * rx + ry * ry) / (alpha * alpha)).powf(-scene.beta);
                }
            }
        }
    }
    values
}

/// The picture with noise: sky and light as photons of the scene's gain.
pub(super) fn picture(scene: &Scene, stars: &[Drawn]) -> Plane {
    let mut light = vec![0.0; scene.width * scene.height];
    for star in stars {
        let window = Window::around(scene, star);
        for (i, value) in draw(scene, star, window).iter().enumerate() {
            let (x, y) = (
                window.x + (i % window.side) as i64,
                window.y + (i / window.side) as i64,
            );
            if x >= 0 && y >= 0 && x < scene.width as i64 && y < scene.height as i64 {
                light[y as usize * scene.width + x as usize] += value;
            }
        }
    }
    let mut rng = ChaCha8Rng::seed_from_u64(scene.seed);
    let data = light.iter().map(|light| {
        let scatter = (scene.noise.powi(2) + scene.gain() * light).sqrt();
        let deviate: f64 = StandardNormal.sample(&mut rng);
        (scene.sky + light + scatter * deviate) as f32
    });
    Plane::new(scene.width, scene.height, data.collect()).expect("sizes agree")
}

/// Stars on a jittered grid far enough apart not to touch, all with one trail and with light from
/// `faint` to `bright` (evenly in its logarithm).
pub(super) fn grid(
    scene: &Scene,
    spacing: f64,
    trail: (f64, f64),
    faint: f64,
    bright: f64,
) -> Vec<Drawn> {
    let mut rng = ChaCha8Rng::seed_from_u64(scene.seed ^ 0x5eed);
    let columns = ((scene.width as f64 - spacing) / spacing) as usize;
    let rows = ((scene.height as f64 - spacing) / spacing) as usize;
    (0..columns * rows)
        .map(|i| Drawn {
            x: spacing * ((i % columns) as f64 + 1.0) + rng.random_range(-3.0..3.0),
            y: spacing * ((i / columns) as f64 + 1.0) + rng.random_range(-3.0..3.0),
            dx: trail.0,
            dy: trail.1,
            flux: faint * (bright / faint).powf(rng.random_range(0.0..1.0)),
        })
        .collect()
}

/// Light at which a star of this scene stands `ratio` sigmas above the noise, sky and its own.
pub(super) fn flux_for(scene: &Scene, trail: (f64, f64), ratio: f64) -> f64 {
    let star = Drawn {
        x: 0.3,
        y: 0.2,
        dx: trail.0,
        dy: trail.1,
        flux: 1.0,
    };
    let unit = draw(scene, &star, Window::around(scene, &star));
    let information = |flux: f64| {
        unit.iter()
            .map(|u| u * u / (scene.noise.powi(2) + scene.gain() * flux * u))
            .sum::<f64>()
    };
    let (mut low, mut high) = (1e-6_f64, 1e6_f64);
    for _ in 0..80 {
        let middle = (low * high).sqrt();
        if middle * information(middle).sqrt() < ratio {
            low = middle
        } else {
            high = middle
        }
    }
    low
}
