//! Background level and noise, robust against stars, on a mesh over the frame.

use rayon::prelude::*;

use crate::frame::Plane;

/// Side of a mesh cell, pixels: wide against stars, narrow against gradients and cloud edges.
const CELL: usize = 64;
/// Values taken from a cell at most; more changes the level by less than a twentieth of the noise.
const SAMPLE: usize = 1500;

/// Level and noise of the sky under the stars.
#[derive(Debug, Clone)]
pub struct Background {
    columns: usize,
    rows: usize,
    width: usize,
    height: usize,
    level: Vec<f32>,
    noise: Vec<f32>,
}

impl Background {
    /// Measures a plane.
    ///
    /// Method: in each cell the mean and standard deviation of the values that survive clipping
    /// at three sigmas about the median; a 3 x 3 median over the cells removes cells that a bright
    /// star or a trail fills.
    pub fn measure(plane: &Plane) -> Self {
        let columns = plane.width().div_ceil(CELL);
        let rows = plane.height().div_ceil(CELL);
        let cells: Vec<(f32, f32)> = (0..rows * columns)
            .into_par_iter()
            .map(|idx| measure_cell(plane, idx % columns, idx / columns))
            .collect();
        let level = median_filter(
            &cells.iter().map(|cell| cell.0).collect::<Vec<_>>(),
            columns,
            rows,
        );
        let noise = median_filter(
            &cells.iter().map(|cell| cell.1).collect::<Vec<_>>(),
            columns,
            rows,
        );
        Self {
            columns,
            rows,
            width: plane.width(),
            height: plane.height(),
            level,
            noise,
        }
    }

    /// Level and noise along a row, interpolated between cell centres.
    pub fn row(&self, y: usize, level: &mut [f32], noise: &mut [f32]) {
        let (top, bottom, down) = self.neighbours(y, self.height, self.rows);
        for x in 0..self.width {
            let (left, right, across) = self.neighbours(x, self.width, self.columns);
            level[x] = self.blend(&self.level, (left, right, across), (top, bottom, down));
            noise[x] = self.blend(&self.noise, (left, right, across), (top, bottom, down));
        }
    }

    /// Level and noise at a pixel.
    pub fn at(&self, x: usize, y: usize) -> (f32, f32) {
        let down = self.neighbours(y, self.height, self.rows);
        let across = self.neighbours(x, self.width, self.columns);
        (
            self.blend(&self.level, across, down),
            self.blend(&self.noise, across, down),
        )
    }

    /// Median level and median noise over the frame.
    pub fn medians(&self) -> (f64, f64) {
        (
            f64::from(median(&mut self.level.clone())),
            f64::from(median(&mut self.noise.clone())),
        )
    }

    fn neighbours(&self, at: usize, size: usize, n: usize) -> (usize, usize, f32) {
        let cell = size as f32 / n as f32;
        let place = ((at as f32 + 0.5) / cell - 0.5).clamp(0.0, n as f32 - 1.0);
        let low = place as usize;
        (low, (low + 1).min(n - 1), place - low as f32)
    }

    fn blend(
        &self,
        map: &[f32],
        (left, right, across): (usize, usize, f32),
        (top, bottom, down): (usize, usize, f32),
    ) -> f32 {
        let at = |x: usize, y: usize| map[y * self.columns + x];
        let upper = at(left, top) * (1.0 - across) + at(right, top) * across;
        let lower = at(left, bottom) * (1.0 - across) + at(right, bottom) * across;
        upper * (1.0 - down) + lower * down
    }
}

fn measure_cell(plane: &Plane, column: usize, row: usize) -> (f32, f32) {
    let bounds = |idx: usize, size: usize, n: usize| {
        (
            idx * size / n,
            ((idx + 1) * size / n).max(idx * size / n + 1),
        )
    };
    let (x0, x1) = bounds(column, plane.width(), plane.width().div_ceil(CELL));
    let (y0, y1) = bounds(row, plane.height(), plane.height().div_ceil(CELL));
    let step = (((x1 - x0) * (y1 - y0)) as f64 / SAMPLE as f64)
        .sqrt()
        .ceil()
        .max(1.0) as usize;
    let mut values = Vec::with_capacity(2 * SAMPLE);
    for y in (y0..y1).step_by(step) {
        // Shifted rows keep a regular pattern (a Bayer mosaic) from being sampled in one phase.
        values.extend(
            plane.row(y)[x0..x1]
                .iter()
                .skip((y / step) % step)
                .step_by(step),
        );
    }
    clipped_mean_and_deviation(&mut values)
}

fn clipped_mean_and_deviation(values: &mut [f32]) -> (f32, f32) {
    values.sort_by(f32::total_cmp);
    let n = values.len();
    if n == 0 {
        return (0.0, f32::MIN_POSITIVE);
    }
    // The lower half is nearly free of stars: start from it.
    let center = values[n / 2];
    let mut deviation = (center - values[n * 16 / 100]).max(1e-7);
    let (mut low, mut high) = (0, n);
    let mut mean = center;
    for _ in 0..4 {
        low = values.partition_point(|value| *value < mean - 3.0 * deviation);
        high = values
            .partition_point(|value| *value <= mean + 3.0 * deviation)
            .max(low + 1);
        let kept = &values[low..high.min(n)];
        let count = kept.len() as f64;
        let sum: f64 = kept.iter().map(|value| f64::from(*value)).sum();
        mean = (sum / count) as f32;
        let square: f64 = kept
            .iter()
            .map(|value| f64::from(*value - mean).powi(2))
            .sum();
        deviation = ((square / count).sqrt() as f32).max(1e-7);
    }
    debug_assert!(low < high);
    (mean, deviation)
}

fn median(values: &mut [f32]) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

fn median_filter(map: &[f32], columns: usize, rows: usize) -> Vec<f32> {
    let of = |idx: usize| {
        let (x, y) = (idx % columns, idx / columns);
        let mut near = Vec::with_capacity(9);
        for ny in y.saturating_sub(1)..(y + 2).min(rows) {
            near.extend_from_slice(
                &map[ny * columns + x.saturating_sub(1)..ny * columns + (x + 2).min(columns)],
            );
        }
        median(&mut near)
    };
    (0..map.len()).map(of).collect()
}
