//! Sky level and noise on a mesh: robust against stars, smooth over light pollution and vignetting.

use std::ops::Range;

use rayon::prelude::*;

use crate::frame::Plane;
use crate::units::PixelPoint;

/// Side of a mesh cell in pixels: far wider than a star, narrower than clouds and light domes.
const CELL: usize = 64;
/// Pixels looked at in a cell, at most; their median is then good to 4 % of the noise.
const SAMPLES_PER_CELL: usize = 512;
/// Light above this many sigma is a star, below it the sky; lower above than below because stars only add.
const CLIP_ABOVE: f32 = 2.5;
const CLIP_BELOW: f32 = 3.0;
/// A cell's noise is held to at least this share of the frame's median: sky is never that quiet,
/// a black foreground is, and would make stars of its compression ripples.
const NOISE_FLOOR_SHARE: f32 = 0.35;

/// Sky level and pixel noise over the frame, on the scale of the plane.
#[derive(Debug, Clone)]
pub(super) struct Background {
    width: usize,
    height: usize,
    columns: usize,
    rows: usize,
    level: Vec<f32>,
    noise: Vec<f32>,
    median_level: f32,
    median_noise: f32,
}

impl Background {
    /// The mesh of a plane.
    ///
    /// Method: 1. each 64-pixel cell gives the mean of the middle half of its clipped values (smooth
    /// where 8-bit values are few) and their clipped scatter; 2. a 3 x 3 median over the mesh takes
    /// out cells that a bright star or an edge spoils; 3. bilinear in between.
    pub(super) fn estimate(plane: &Plane) -> Self {
        let columns = plane.width().div_ceil(CELL);
        let rows = plane.height().div_ceil(CELL);
        let cells: Vec<(f32, f32)> = (0..rows * columns)
            .into_par_iter()
            .map(|cell| {
                clipped_level_and_noise(&mut sample_cell(plane, cell % columns, cell / columns))
            })
            .collect();
        let level: Vec<f32> = cells.iter().map(|c| c.0).collect();
        let noise: Vec<f32> = cells.iter().map(|c| c.1).collect();
        let mut mesh = Self {
            width: plane.width(),
            height: plane.height(),
            columns,
            rows,
            median_level: median(&mut level.clone()),
            median_noise: median_noise(&noise),
            level: Vec::new(),
            noise: Vec::new(),
        };
        mesh.level = mesh.median_filtered(&level);
        mesh.noise = mesh.median_filtered(&noise);
        let floor = (NOISE_FLOOR_SHARE * mesh.median_noise).max(f32::MIN_POSITIVE);
        mesh.noise.iter_mut().for_each(|n| *n = n.max(floor));
        mesh
    }

    /// The same level and noise everywhere.
    pub(super) fn flat(width: usize, height: usize, level: f32, noise: f32) -> Self {
        Self {
            width,
            height,
            columns: 1,
            rows: 1,
            level: vec![level],
            noise: vec![noise],
            median_level: level,
            median_noise: noise,
        }
    }

    /// Median level of the cells.
    pub(super) fn median_level(&self) -> f32 {
        self.median_level
    }

    /// Median pixel noise of the cells.
    pub(super) fn median_noise(&self) -> f32 {
        self.median_noise
    }

    /// Subtracts the sky from a stretch of row `y` that starts at column `start`, into `out`.
    pub(super) fn subtract(&self, y: usize, start: usize, values: &[f32], out: &mut [f32]) {
        let end = start + values.len();
        self.for_row(&self.level, y, start..end, |x, sky| {
            out[x - start] = values[x - start] - sky;
        });
    }

    /// One over the pixel noise along a row, into `out`.
    pub(super) fn inverse_noise_row(&self, y: usize, out: &mut [f32]) {
        self.for_row(&self.noise, y, 0..self.width, |x, noise| {
            out[x] = 1.0 / noise
        });
    }

    /// Most variance that a unit of light can add: all of the sky's, were it the light's own noise.
    pub(super) fn most_gain(&self) -> f64 {
        let noise = f64::from(self.median_noise);
        noise * noise / f64::from(self.median_level).max(noise)
    }

    /// Sky level at a pixel.
    pub(super) fn level_at(&self, x: usize, y: usize) -> f32 {
        self.at(&self.level, x, y)
    }

    /// Pixel noise at a pixel.
    pub(super) fn noise_at(&self, x: usize, y: usize) -> f32 {
        self.at(&self.noise, x, y)
    }

    /// Pixel noise near a place, which may lie off the frame.
    pub(super) fn noise_near(&self, place: PixelPoint) -> f64 {
        let held = |v: f64, size: usize| v.clamp(0.0, (size - 1) as f64) as usize;
        f64::from(self.noise_at(held(place.x, self.width), held(place.y, self.height)))
    }

    fn at(&self, mesh: &[f32], x: usize, y: usize) -> f32 {
        let (i, fx) = mesh_place(x, self.columns);
        let (j, fy) = mesh_place(y, self.rows);
        let upper = self.between(mesh, j, i, fx);
        let lower = self.between(mesh, (j + 1).min(self.rows - 1), i, fx);
        upper + (lower - upper) * fy
    }

    fn between(&self, mesh: &[f32], row: usize, column: usize, share: f32) -> f32 {
        let left = mesh[row * self.columns + column];
        let right = mesh[row * self.columns + (column + 1).min(self.columns - 1)];
        left + (right - left) * share
    }

    /// Calls `put(x, value)` along a stretch of a row; linear between the centres of the cells.
    fn for_row(
        &self,
        mesh: &[f32],
        y: usize,
        columns: Range<usize>,
        mut put: impl FnMut(usize, f32),
    ) {
        let (j, fy) = mesh_place(y, self.rows);
        let below = (j + 1).min(self.rows - 1);
        let node = |i: usize| {
            let upper = mesh[j * self.columns + i];
            upper + (mesh[below * self.columns + i] - upper) * fy
        };
        let half = CELL / 2;
        (columns.start..half.min(columns.end)).for_each(|x| put(x, node(0)));
        let mut x = columns.start.max(half);
        while x < columns.end {
            let i = (x - half) / CELL;
            let start = half + i * CELL;
            let left = node(i);
            let slope = (node((i + 1).min(self.columns - 1)) - left) / CELL as f32;
            let end = (start + CELL).min(columns.end);
            (x..end).for_each(|x| put(x, left + slope * (x - start) as f32));
            x = end;
        }
    }

    fn median_filtered(&self, mesh: &[f32]) -> Vec<f32> {
        let mut around = Vec::with_capacity(9);
        (0..mesh.len())
            .map(|cell| {
                let (i, j) = (cell % self.columns, cell / self.columns);
                around.clear();
                for row in j.saturating_sub(1)..(j + 2).min(self.rows) {
                    for column in i.saturating_sub(1)..(i + 2).min(self.columns) {
                        around.push(mesh[row * self.columns + column]);
                    }
                }
                median(&mut around)
            })
            .collect()
    }
}

/// Cell left of or above a pixel's place between cell centres, and the share of the way to the next.
fn mesh_place(pixel: usize, cells: usize) -> (usize, f32) {
    let half = CELL / 2;
    if pixel < half {
        return (0, 0.0);
    }
    let cell = ((pixel - half) / CELL).min(cells - 1);
    let share = (pixel - half - cell * CELL) as f32 / CELL as f32;
    (cell, if cell + 1 < cells { share } else { 0.0 })
}

/// Values of a cell, thinned on a skewed lattice so that no row or column pattern is followed.
fn sample_cell(plane: &Plane, column: usize, row: usize) -> Vec<f32> {
    let x_end = ((column + 1) * CELL).min(plane.width());
    let y_end = ((row + 1) * CELL).min(plane.height());
    let (x_start, y_start) = (column * CELL, row * CELL);
    let size = (x_end - x_start) * (y_end - y_start);
    let step = size.div_ceil(SAMPLES_PER_CELL);
    let mut values = Vec::with_capacity(SAMPLES_PER_CELL + CELL);
    for y in y_start..y_end {
        let shift = (y * 3) % step;
        values.extend(
            plane.row(y)[x_start..x_end]
                .iter()
                .skip(shift)
                .step_by(step),
        );
    }
    if values.is_empty() {
        values.push(plane.row(y_start)[x_start]);
    }
    values
}

/// Level and scatter of values with stars clipped off.
fn clipped_level_and_noise(values: &mut [f32]) -> (f32, f32) {
    values.sort_unstable_by(f32::total_cmp);
    let quantile = |q: f32| values[(q * (values.len() - 1) as f32) as usize];
    let mut middle = quantile(0.5);
    // The lower half holds no stars; where values are few it may collapse, the upper half helps out.
    let (lower, upper) = (middle - quantile(0.16), quantile(0.84) - middle);
    let mut scatter = if lower > 0.0 { lower } else { upper };
    for _ in 0..4 {
        let kept = within(
            values,
            middle - CLIP_BELOW * scatter,
            middle + CLIP_ABOVE * scatter,
        );
        let quarter = kept.len() / 4;
        middle = mean(&kept[quarter..kept.len() - quarter]);
        scatter = deviation(kept, mean(kept)) * CLIPPED_SCATTER;
    }
    (middle, scatter)
}

/// Scatter of a normal law over that of its part between -3 and +2.5 sigma, from its density.
const CLIPPED_SCATTER: f32 = 1.030;

fn within(sorted: &[f32], low: f32, high: f32) -> &[f32] {
    let start = sorted.partition_point(|v| *v < low);
    let end = sorted.partition_point(|v| *v <= high);
    if start < end {
        &sorted[start..end]
    } else {
        sorted
    }
}

fn mean(values: &[f32]) -> f32 {
    (values.iter().map(|v| f64::from(*v)).sum::<f64>() / values.len() as f64) as f32
}

fn deviation(values: &[f32], mean: f32) -> f32 {
    let squares: f64 = values.iter().map(|v| f64::from(v - mean).powi(2)).sum();
    (squares / values.len() as f64).sqrt() as f32
}

/// Median of the cells that show any noise at all; a frame without noise gets a floor far below one grey level.
fn median_noise(noise: &[f32]) -> f32 {
    const SILENT: f32 = 1e-7;
    let mut alive: Vec<f32> = noise.iter().copied().filter(|n| *n > SILENT).collect();
    if alive.is_empty() {
        SILENT
    } else {
        median(&mut alive)
    }
}

fn median(values: &mut [f32]) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}
