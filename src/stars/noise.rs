//! What noise does to sums over a star: correlated between pixels, growing with light.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::background::Background;
use super::filter::{Filter, Sweep};
use crate::frame::Plane;

/// Noise of pixels and of sums over them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    pub(super) correlation: Correlation,
    /// Variance of a pixel added per unit of light.
    pub(super) gain: f64,
}

/// Scatter of sums over a star's pixels over that of white noise of the same pixel scatter.
///
/// Noise reduction and demosaicing leave neighbours alike (above 1), sharpening sets them apart
/// (below 1); the finer the pattern that a sum weighs with, the less it feels of likeness.
#[derive(Debug, Clone, Copy)]
pub(super) struct Correlation {
    /// Of a star's light.
    pub(super) light: f64,
    /// Of its place.
    pub(super) place: f64,
    /// Of its shape.
    pub(super) shape: f64,
    /// Second moment of what the picture's development makes of a single bright pixel, square pixels.
    pub(super) grain: f64,
}

impl Noise {
    /// White noise of the sky alone.
    pub(super) const WHITE: Noise = Noise {
        correlation: Correlation {
            light: 1.0,
            place: 1.0,
            shape: 1.0,
            grain: 1.0 / 12.0,
        },
        gain: 0.0,
    };

    /// Variance of a pixel with `light` above the sky, where the sky alone scatters by `sky_noise`.
    pub(super) fn variance(&self, sky_noise: f64, light: f64) -> f64 {
        sky_noise.powi(2) + self.gain * light.max(0.0)
    }
}

impl Correlation {
    /// Measured on the sky with the filters of stars of this Gaussian width.
    pub(super) fn measure(plane: &Plane, sky: &Background, sigma: f32) -> Self {
        let light = sampled(plane, sky, &Filter::of_stars(sigma), lower_scatter);
        let place = sampled(plane, sky, &Filter::of_places(sigma), middle_scatter);
        let shape = sampled(plane, sky, &Filter::of_shapes(sigma), middle_scatter);
        // Clouds and nebulae make broad sums scatter, but no fine ones.
        let sigma = f64::from(sigma);
        let grain = grain(light, sigma, 1).min(grain(place, sigma, 2));
        Self {
            light,
            place,
            shape,
            grain,
        }
    }
}

/// Second moment g of a Gaussian grain that makes sums under a Gaussian of width `sigma` times a power
/// of the distance (order 1: none, 2: one) scatter by `factor`:
/// factor^2 = 4 pi g (sigma^2 / (g + sigma^2))^order. A twelfth, the pixel itself, for white noise.
fn grain(factor: f64, sigma: f64, order: i32) -> f64 {
    let square = sigma * sigma;
    let (mut low, mut high) = (0.0, square);
    for _ in 0..40 {
        let g = 0.5 * (low + high);
        let shown = 4.0 * PI * g * (square / (g + square)).powi(order);
        if shown < factor * factor {
            low = g
        } else {
            high = g
        }
    }
    high
}

/// Limits of what a picture's development can do to neighbouring pixels.
const LEAST: f64 = 0.3;
const MOST: f64 = 10.0;

/// Median over patches spread over the whole frame of the scatter of filtered values: patches with a
/// foreground or a bright star in them do not count.
fn sampled(
    plane: &Plane,
    sky: &Background,
    filter: &Filter,
    scatter: fn(&mut [f32]) -> f32,
) -> f64 {
    const BANDS: usize = 16;
    const ROWS: usize = 4;
    const COLUMNS: usize = 256;
    const STEP: usize = 3;
    let mut scatters: Vec<f32> = (0..BANDS)
        .into_par_iter()
        .flat_map_iter(|band| {
            let y = (2 * band + 1) * plane.height() / (2 * BANDS);
            let mut sweep = Sweep::starting_at(plane, sky, filter, y);
            let row = |y| {
                let mut row = Vec::new();
                sweep.row(y, &mut row);
                row
            };
            let rows: Vec<Vec<f32>> = (y..(y + ROWS).min(plane.height())).map(row).collect();
            let patch = |x: usize| {
                let end = (x + COLUMNS).min(plane.width());
                let values: Vec<f32> = rows
                    .iter()
                    .flat_map(|row| row[x..end].iter().copied().step_by(STEP))
                    .collect();
                without_stars(values, scatter)
            };
            (0..plane.width())
                .step_by(COLUMNS)
                .map(patch)
                .collect::<Vec<f32>>()
        })
        .collect();
    let middle = scatters.len() / 2;
    f64::from(*scatters.select_nth_unstable_by(middle, f32::total_cmp).1).clamp(LEAST, MOST)
}

/// The scatter of the values after those beyond three of it have been left out, twice: in a crowded field
/// the flanks of stars reach a tenth of all values.
fn without_stars(mut values: Vec<f32>, scatter: fn(&mut [f32]) -> f32) -> f32 {
    const CLIP: f32 = 3.0;
    const ROUNDS: usize = 2;
    const FEWEST: usize = 30;
    for _ in 0..ROUNDS {
        let limit = CLIP * scatter(&mut values);
        let middle = quantiles(&mut values)(0.5);
        let kept: Vec<f32> = values
            .iter()
            .copied()
            .filter(|v| (v - middle).abs() <= limit)
            .collect();
        if kept.len() < FEWEST {
            break;
        }
        values = kept;
    }
    scatter(&mut values)
}

/// One sigma from the lower half of the values, because stars only add.
fn lower_scatter(values: &mut [f32]) -> f32 {
    let mut at = quantiles(values);
    at(0.5) - at(0.159)
}

/// One sigma from the quartiles: stars add on both sides, far out.
fn middle_scatter(values: &mut [f32]) -> f32 {
    const QUARTILES_PER_SIGMA: f32 = 1.349;
    let mut at = quantiles(values);
    (at(0.75) - at(0.25)) / QUARTILES_PER_SIGMA
}

fn quantiles(values: &mut [f32]) -> impl FnMut(f32) -> f32 {
    let last = (values.len() - 1) as f32;
    move |share| {
        *values
            .select_nth_unstable_by((share * last) as usize, f32::total_cmp)
            .1
    }
}

#[cfg(test)]
mod tests {
    use super::super::rendered::{Scene, picture};
    use super::*;

    fn measured(blur: bool) -> Correlation {
        let scene = Scene::clear(2.5, 5);
        let noisy = picture(&scene, &[]);
        let (w, h) = (noisy.width(), noisy.height());
        let near = |x: usize, y: usize| {
            if blur {
                [(0, 0), (1, 0), (0, 1), (1, 1)]
                    .iter()
                    .map(|(i, j)| noisy.row((y + j) % h)[(x + i) % w])
                    .sum::<f32>()
                    / 4.0
            } else {
                noisy.row(y)[x]
            }
        };
        let plane = Plane::new(w, h, (0..w * h).map(|i| near(i % w, i / w)).collect())
            .expect("sizes agree");
        Correlation::measure(&plane, &Background::estimate(&plane), 1.2)
    }

    #[test]
    fn white_noise_is_white() {
        let c = measured(false);
        for factor in [c.light, c.place, c.shape] {
            assert!((factor - 1.0).abs() < 0.04, "{c:?}");
        }
    }

    #[test]
    fn the_grain_of_white_noise_is_the_pixel() {
        for order in [1, 2] {
            assert!((grain(1.0, 1.4, order) - 1.0 / 12.0).abs() < 0.01);
        }
    }

    #[test]
    fn averaged_neighbours_make_sums_scatter_more() {
        // A mean of four has half the scatter; a sum over many pixels hardly notices, so the ratio nears 2.
        let c = measured(true);
        assert!(c.light > 1.6 && c.light < 2.05, "{c:?}");
        assert!(c.shape < c.place && c.place < c.light, "{c:?}");
    }
}
