//! Connected bright patches on the smoothed frame.

use rayon::prelude::*;

use super::background::Background;
use crate::frame::Plane;

/// Standard deviation of the smoothing kernel, pixels: near a sharp star's own width.
const KERNEL_SIGMA: f32 = 1.2;
const KERNEL_RADIUS: usize = 4;
/// Detection threshold in units of the smoothed frame's noise.
const THRESHOLD: f32 = 5.0;
/// Largest patch that can be a star's trail, pixels of area.
const LARGEST_AREA: usize = 60_000;

/// A connected patch above the threshold.
#[derive(Debug, Clone)]
pub struct Patch {
    /// First and last column.
    pub x: (usize, usize),
    /// First and last row.
    pub y: (usize, usize),
    /// Pixels above the threshold.
    pub area: usize,
    /// Flux-weighted centroid on the smoothed frame.
    pub center: (f64, f64),
    /// Flux-weighted second moments (xx, xy, yy), square pixels.
    pub moments: (f64, f64, f64),
    /// Sum of the smoothed significance.
    pub weight: f64,
    /// Highest significance.
    pub peak: f32,
    /// Whether it touches the frame's edge.
    pub at_edge: bool,
}

/// The frame in units of its own noise, smoothed, with that map's own scatter.
pub struct Significance {
    width: usize,
    height: usize,
    data: Vec<f32>,
    scatter: f32,
}

impl Significance {
    /// Smooths a plane with a Gaussian after taking background and noise out.
    pub fn of(plane: &Plane, background: &Background) -> Self {
        let (width, height) = (plane.width(), plane.height());
        let kernel = kernel();
        let mut rows = vec![0.0f32; width * height];
        rows.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            let mut normalized = vec![0.0f32; width + 2 * KERNEL_RADIUS];
            let (mut level, mut noise) = (vec![0.0f32; width], vec![0.0f32; width]);
            background.row(y, &mut level, &mut noise);
            for (x, value) in plane.row(y).iter().enumerate() {
                normalized[x + KERNEL_RADIUS] = (value - level[x]) / noise[x];
            }
            for (x, out) in out.iter_mut().enumerate() {
                let window = &normalized[x..x + 2 * KERNEL_RADIUS + 1];
                *out = window
                    .iter()
                    .zip(&kernel)
                    .map(|(value, weight)| value * weight)
                    .sum();
            }
        });
        let mut data = vec![0.0f32; width * height];
        data.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
            for (tap, weight) in kernel.iter().enumerate() {
                let Some(from) = (y + tap)
                    .checked_sub(KERNEL_RADIUS)
                    .filter(|from| *from < height)
                else {
                    continue;
                };
                let row = &rows[from * width..(from + 1) * width];
                for (out, value) in out.iter_mut().zip(row) {
                    *out += value * weight;
                }
            }
        });
        let scatter = scatter(&data);
        Self {
            width,
            height,
            data,
            scatter,
        }
    }

    /// Noise of one pixel of the smoothed map, in units of the pixel noise; it tells how far the
    /// noise of neighbouring pixels goes together (0.24 for this kernel if not at all).
    pub fn scatter(&self) -> f64 {
        f64::from(self.scatter)
    }

    /// Patches above the threshold, in order of their first pixel.
    pub fn patches(&self) -> Vec<Patch> {
        let threshold = THRESHOLD * self.scatter;
        let mut seen = vec![false; self.data.len()];
        let mut patches = Vec::new();
        let mut stack = Vec::new();
        for start in 0..self.data.len() {
            if seen[start] || self.data[start] < threshold {
                continue;
            }
            seen[start] = true;
            stack.push(start);
            let mut sums = Sums::new();
            while let Some(idx) = stack.pop() {
                let (x, y) = (idx % self.width, idx / self.width);
                sums.add(x, y, self.data[idx]);
                for ny in y.saturating_sub(1)..(y + 2).min(self.height) {
                    for nx in x.saturating_sub(1)..(x + 2).min(self.width) {
                        let next = ny * self.width + nx;
                        if !seen[next] && self.data[next] >= threshold {
                            seen[next] = true;
                            stack.push(next);
                        }
                    }
                }
            }
            if sums.area >= 3 && sums.area <= LARGEST_AREA {
                patches.push(sums.finish(self.width, self.height, self.scatter));
            }
        }
        patches
    }

    /// Value of the map at a pixel, in units of its scatter.
    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x] / self.scatter
    }
}

struct Sums {
    x: (usize, usize),
    y: (usize, usize),
    origin: (f64, f64),
    area: usize,
    weight: f64,
    first: (f64, f64),
    second: (f64, f64, f64),
    peak: f32,
}

impl Sums {
    fn new() -> Self {
        Self {
            x: (usize::MAX, 0),
            y: (usize::MAX, 0),
            origin: (0.0, 0.0),
            area: 0,
            weight: 0.0,
            first: (0.0, 0.0),
            second: (0.0, 0.0, 0.0),
            peak: 0.0,
        }
    }

    fn add(&mut self, x: usize, y: usize, value: f32) {
        if self.area == 0 {
            // Moments about the first pixel keep the sums small on large frames.
            self.origin = (x as f64, y as f64);
        }
        self.x = (self.x.0.min(x), self.x.1.max(x));
        self.y = (self.y.0.min(y), self.y.1.max(y));
        self.area += 1;
        self.peak = self.peak.max(value);
        let (dx, dy, w) = (
            x as f64 - self.origin.0,
            y as f64 - self.origin.1,
            f64::from(value),
        );
        self.weight += w;
        self.first = (self.first.0 + w * dx, self.first.1 + w * dy);
        self.second = (
            self.second.0 + w * dx * dx,
            self.second.1 + w * dx * dy,
            self.second.2 + w * dy * dy,
        );
    }

    fn finish(self, width: usize, height: usize, scatter: f32) -> Patch {
        let (mx, my) = (self.first.0 / self.weight, self.first.1 / self.weight);
        let moments = (
            self.second.0 / self.weight - mx * mx,
            self.second.1 / self.weight - mx * my,
            self.second.2 / self.weight - my * my,
        );
        Patch {
            x: self.x,
            y: self.y,
            area: self.area,
            center: (self.origin.0 + mx, self.origin.1 + my),
            moments,
            weight: self.weight / f64::from(scatter),
            peak: self.peak / scatter,
            at_edge: self.x.0 < 2 || self.y.0 < 2 || self.x.1 + 3 > width || self.y.1 + 3 > height,
        }
    }
}

fn kernel() -> Vec<f32> {
    let weight = |tap: usize| {
        let x = tap as f32 - KERNEL_RADIUS as f32;
        (-0.5 * (x / KERNEL_SIGMA).powi(2)).exp()
    };
    let raw: Vec<f32> = (0..2 * KERNEL_RADIUS + 1).map(weight).collect();
    let sum: f32 = raw.iter().sum();
    raw.iter().map(|weight| weight / sum).collect()
}

/// Robust standard deviation from the lower half of the values: stars only brighten.
fn scatter(data: &[f32]) -> f32 {
    let step = (data.len() / 200_000).max(1);
    // A prime-like stride keeps the sample off the columns.
    let mut sample: Vec<f32> = data.iter().step_by(step | 1).copied().collect();
    sample.sort_by(f32::total_cmp);
    let (low, middle) = (sample[sample.len() * 16 / 100], sample[sample.len() / 2]);
    (middle - low).max(1e-3)
}
