//! A dark skyline before the stars, fixed to the ground while the camera turns.

use std::f64::consts::TAU;

use nalgebra::Vector3;
use rand::RngExt;
use rayon::prelude::*;

use super::dice::dice;
use super::optics::Projection;
use super::path::Exposure;

/// Pixels between the places at which the skyline is worked out.
const STEP: usize = 8;
/// Height of the hills, in heights of the view.
const HILLS: f64 = 0.05;
/// Mark of the dice that shape the hills.
const SHAPE: u64 = 0x5c11e;

/// Hills about a mean altitude.
#[derive(Debug, Clone)]
pub struct Skyline {
    mean_altitude: f64,
    /// Height (radians), waves around the horizon, phase.
    waves: Vec<(f64, f64, f64)>,
    projection: Projection,
}

impl Skyline {
    /// Hills that hide a share of a frame.
    pub fn hiding(share: f64, exposure: &Exposure, projection: Projection, seed: u64) -> Self {
        let [cx, cy] = projection.center;
        let mut altitudes: Vec<f64> = (0..41 * 41)
            .map(|k| [f64::from(k % 41) / 20.0 * cx, f64::from(k / 41) / 20.0 * cy])
            .map(|pixel| azimuth_altitude(&exposure.direction_at(pixel)).1)
            .collect();
        altitudes.sort_by(f64::total_cmp);
        let rank = (share * altitudes.len() as f64) as usize;
        let view = 2.0 * (cx.min(cy) / projection.focal_px).atan();
        let mut dice = dice(seed, &[SHAPE]);
        // Broad hills within the view, and ever smaller ones on them.
        let waves = (0..9)
            .map(|k| {
                let growth = 1.7f64.powi(k);
                let count = (0.8 * TAU / view * growth).round();
                (HILLS * view / growth, count, dice.random_range(0.0..TAU))
            })
            .collect();
        Self {
            mean_altitude: altitudes[rank.min(altitudes.len() - 1)],
            waves,
            projection,
        }
    }

    /// Replaces the light below the skyline by a faint glow (electrons of a pixel at row, column).
    pub fn hide(
        &self,
        light: &mut [f32],
        width: usize,
        exposure: &Exposure,
        glow: impl Fn(usize, usize) -> f32 + Sync,
    ) {
        let height = light.len() / width;
        let (columns, rows) = (width.div_ceil(STEP) + 1, height.div_ceil(STEP) + 1);
        let above: Vec<f32> = (0..columns * rows)
            .into_par_iter()
            .map(|k| [(k % columns * STEP) as f64, (k / columns * STEP) as f64])
            .map(|pixel| self.pixels_above(&exposure.direction_at(pixel)))
            .collect();
        let at = |j: usize, i: usize| above[j * columns + i];
        light
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, values)| {
                let (j, fy) = (y / STEP, (y % STEP) as f32 / STEP as f32);
                for (x, value) in values.iter_mut().enumerate() {
                    let (i, fx) = (x / STEP, (x % STEP) as f32 / STEP as f32);
                    let top = at(j, i) * (1.0 - fx) + at(j, i + 1) * fx;
                    let bottom = at(j + 1, i) * (1.0 - fx) + at(j + 1, i + 1) * fx;
                    let open = (0.5 + 0.5 * (top * (1.0 - fy) + bottom * fy)).clamp(0.0, 1.0);
                    *value = *value * open + glow(y, x) * (1.0 - open);
                }
            });
    }

    /// Height of a direction over the skyline, pixels at the middle of the frame.
    fn pixels_above(&self, direction: &Vector3<f64>) -> f32 {
        let (azimuth, altitude) = azimuth_altitude(direction);
        let hills: f64 = self
            .waves
            .iter()
            .map(|(height, count, phase)| height * (count * azimuth + phase).sin())
            .sum();
        ((altitude - self.mean_altitude - hills) * self.projection.focal_px) as f32
    }
}

fn azimuth_altitude(v: &Vector3<f64>) -> (f64, f64) {
    (v.x.atan2(v.y), v.z.atan2(v.x.hypot(v.y)))
}
