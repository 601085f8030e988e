//! What noise does to sums over a star: correlated between pixels, growing with light.

use rayon::prelude::*;

use super::background::Background;
use super::filter::{Filter, Filtered};
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
}

impl Noise {
    /// White noise of the sky alone.
    pub(super) const WHITE: Noise = Noise {
        correlation: Correlation {
            light: 1.0,
            place: 1.0,
            shape: 1.0,
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
        let mut light = sampled(plane, sky, &Filter::of_stars(sigma));
        let mut place = sampled(plane, sky, &Filter::of_places(sigma));
        let mut shape = sampled(plane, sky, &Filter::of_shapes(sigma));
        Self {
            light: lower_scatter(&mut light),
            place: middle_scatter(&mut place),
            shape: middle_scatter(&mut shape),
        }
    }
}

/// Filtered values on bands over the whole frame.
fn sampled(plane: &Plane, sky: &Background, filter: &Filter) -> Vec<f32> {
    const BANDS: usize = 16;
    const ROWS: usize = 4;
    const STEP: usize = 5;
    (0..BANDS)
        .into_par_iter()
        .flat_map_iter(|band| {
            let y = (2 * band + 1) * plane.height() / (2 * BANDS);
            let filtered = Filtered::of(plane, sky, filter, y, (y + ROWS).min(plane.height()));
            let rows = (filtered.start..filtered.end).flat_map(|y| {
                filtered
                    .row(y)
                    .iter()
                    .copied()
                    .step_by(STEP)
                    .collect::<Vec<_>>()
            });
            rows.collect::<Vec<f32>>()
        })
        .collect()
}

/// Limits of what a picture's development can do to neighbouring pixels.
const LEAST: f64 = 0.3;
const MOST: f64 = 10.0;

/// One sigma from the lower half of the values, because stars only add.
fn lower_scatter(values: &mut [f32]) -> f64 {
    let mut at = quantiles(values);
    (at(0.5) - at(0.159)).clamp(LEAST, MOST)
}

/// One sigma from the quartiles: stars add on both sides, far out.
fn middle_scatter(values: &mut [f32]) -> f64 {
    const QUARTILES_PER_SIGMA: f64 = 1.349;
    let mut at = quantiles(values);
    ((at(0.75) - at(0.25)) / QUARTILES_PER_SIGMA).clamp(LEAST, MOST)
}

fn quantiles(values: &mut [f32]) -> impl FnMut(f32) -> f64 {
    let last = (values.len() - 1) as f32;
    move |share| {
        f64::from(
            *values
                .select_nth_unstable_by((share * last) as usize, f32::total_cmp)
                .1,
        )
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
    fn averaged_neighbours_make_sums_scatter_more() {
        // A mean of four has half the scatter; a sum over many pixels hardly notices, so the ratio nears 2.
        let c = measured(true);
        assert!(c.light > 1.6 && c.light < 2.05, "{c:?}");
        assert!(c.shape < c.place && c.place < c.light, "{c:?}");
    }
}
