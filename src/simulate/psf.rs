//! The image of a still star: profile, lens faults and pixel, on a grid of quarter pixels.
//!
//! A table holds the light that a pixel gets from a point at every quarter-pixel offset. Points
//! between the grid are shared among nine grid places with weights that keep the light, the place
//! and the second moments exactly, so a star's image has no preferred subpixel places.

use super::scenario::LensSpec;

/// Grid places per pixel.
pub const FINE: i32 = 4;

/// Round profile of a star, per square pixel, integrating to one over the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Profile {
    /// Gaussian of the given standard deviation, pixels.
    Gaussian {
        /// Standard deviation, pixels.
        sigma: f64,
    },
    /// Moffat: `(1 + r^2 / alpha^2)^-beta`.
    Moffat {
        /// Radius scale, pixels.
        alpha: f64,
        /// Exponent.
        beta: f64,
    },
}

impl Profile {
    /// The profile of a lens at its centre.
    pub fn new(lens: &LensSpec) -> Self {
        match lens.moffat_beta {
            Some(beta) => Profile::Moffat {
                alpha: lens.fwhm_px / (2.0 * (2f64.powf(1.0 / beta) - 1.0).sqrt()),
                beta,
            },
            None => Profile::Gaussian {
                sigma: lens.fwhm_px / (8.0 * std::f64::consts::LN_2).sqrt(),
            },
        }
    }

    /// Light a square pixel at a squared distance, for a star of one unit.
    pub fn density(&self, r2: f64) -> f64 {
        use std::f64::consts::PI;
        match *self {
            Profile::Gaussian { sigma } => {
                let s2 = sigma * sigma;
                (-0.5 * r2 / s2).exp() / (2.0 * PI * s2)
            }
            Profile::Moffat { alpha, beta } => {
                let a2 = alpha * alpha;
                (beta - 1.0) / (PI * a2) * (1.0 + r2 / a2).powf(-beta)
            }
        }
    }

    /// Distance at which a star of the given light falls below a level a square pixel.
    pub fn radius_at(&self, light: f64, level: f64) -> f64 {
        let ratio = light * self.density(0.0) / level;
        if ratio <= 1.0 {
            return 0.0;
        }
        match *self {
            Profile::Gaussian { sigma } => sigma * (2.0 * ratio.ln()).sqrt(),
            Profile::Moffat { alpha, beta } => alpha * (ratio.powf(1.0 / beta) - 1.0).sqrt(),
        }
    }
}

/// Points sharing the light, on the quarter-pixel grid.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cells {
    /// Grid column, grid row, share.
    pub cells: Vec<(i32, i32, f32)>,
}

impl Cells {
    /// Shares points (x, y in pixels, weight) among the grid places around them.
    pub fn deposit(points: &[(f64, f64, f64)]) -> Self {
        let bounds = |pick: fn(&(f64, f64, f64)) -> f64| {
            let (low, high) = points
                .iter()
                .map(pick)
                .fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
            let fine = f64::from(FINE);
            (
                (low * fine).round() as i32 - 1,
                (high * fine).round() as i32 + 1,
            )
        };
        let ((x0, x1), (y0, y1)) = (bounds(|p| p.0), bounds(|p| p.1));
        let width = (x1 - x0 + 1) as usize;
        let mut grid = vec![0f32; width * (y1 - y0 + 1) as usize];
        for &(x, y, weight) in points {
            let (ix, wx) = shares(x);
            let (iy, wy) = shares(y);
            for (j, wj) in wy.iter().enumerate() {
                let row = (iy - 1 - y0) as usize + j;
                for (i, wi) in wx.iter().enumerate() {
                    grid[row * width + (ix - 1 - x0) as usize + i] += (weight * wi * wj) as f32;
                }
            }
        }
        let cells = grid
            .iter()
            .enumerate()
            .filter(|(_, share)| **share != 0.0)
            .map(|(k, share)| (x0 + (k % width) as i32, y0 + (k / width) as i32, *share))
            .collect();
        Self { cells }
    }
}

/// Nearest grid place and the weights of it and its neighbours (Lagrange, second order).
fn shares(at: f64) -> (i32, [f64; 3]) {
    let fine = at * f64::from(FINE);
    let nearest = fine.round();
    let f = fine - nearest;
    (
        nearest as i32,
        [0.5 * f * (f - 1.0), 1.0 - f * f, 0.5 * f * (f + 1.0)],
    )
}

/// What a pixel gets from a point at each quarter-pixel offset.
#[derive(Debug, Clone)]
pub struct PsfTable {
    /// Half of the side of the table, pixels.
    pub radius: i32,
    side: usize,
    /// Sixteen tables, one for each quarter-pixel phase (row phase * 4 + column phase).
    phases: Vec<Vec<f32>>,
}

impl PsfTable {
    /// The table of a round profile blurred by the lens (points relative to the star, weights adding up to one).
    pub fn new(profile: &Profile, blur: &[(f64, f64, f64)], radius: i32) -> Self {
        let blur = Cells::deposit(blur);
        let reach = blur
            .cells
            .iter()
            .map(|c| c.0.abs().max(c.1.abs()))
            .max()
            .unwrap_or(0);
        let half = FINE * radius;
        let still = pixel_integrated(profile, half + reach);
        let still_side = (2 * (half + reach) + 1) as usize;
        let fine_side = (2 * half + 1) as usize;
        let mut fine = vec![0f32; fine_side * fine_side];
        for &(cx, cy, share) in &blur.cells {
            for row in 0..fine_side {
                let from = (row as i32 + reach - cy) as usize * still_side + (reach - cx) as usize;
                let source = &still[from..from + fine_side];
                let target = &mut fine[row * fine_side..(row + 1) * fine_side];
                for (t, s) in target.iter_mut().zip(source) {
                    *t += share * s;
                }
            }
        }
        Self::split(&fine, radius)
    }

    fn split(fine: &[f32], radius: i32) -> Self {
        let side = (2 * radius + 1) as usize;
        let fine_side = (2 * FINE * radius + 1) as usize;
        let step = FINE as usize;
        let phases = (0..step * step)
            .map(|phase| {
                let (b, a) = (phase / step, phase % step);
                let mut table = vec![0f32; side * side];
                for j in (0..side).filter(|j| j * step + b < fine_side) {
                    for i in (0..side).filter(|i| i * step + a < fine_side) {
                        table[j * side + i] = fine[(j * step + b) * fine_side + i * step + a];
                    }
                }
                table
            })
            .collect();
        Self {
            radius,
            side,
            phases,
        }
    }

    /// One row of the image of a point at grid place (cx, cy), within `reach` pixels of it.
    ///
    /// Gives the first pixel column and the values; `None` where the row is out of reach.
    pub fn row(&self, cx: i32, cy: i32, y: i32, reach: i32) -> Option<(i32, &[f32])> {
        let reach = reach.min(self.radius);
        let offset = FINE * y - cy;
        if offset.abs() > FINE * reach {
            return None;
        }
        let full = FINE * self.radius;
        let (j, b) = ((offset + full) / FINE, (offset + full) % FINE);
        let first = -(FINE * reach - cx).div_euclid(FINE);
        let start = FINE * first - cx + full;
        let (i, a) = ((start / FINE) as usize, start % FINE);
        let last = (cx + FINE * reach).div_euclid(FINE);
        let table = &self.phases[(b * FINE + a) as usize];
        let row = j as usize * self.side + i;
        Some((first, &table[row..row + (last - first + 1) as usize]))
    }
}

/// Profile integrated over a pixel, at every grid place within `half` of the star.
///
/// Method: Simpson's rule over the pixel, along rows and then along columns.
fn pixel_integrated(profile: &Profile, half: i32) -> Vec<f32> {
    const RULE: [f64; 5] = [1.0 / 12.0, 4.0 / 12.0, 2.0 / 12.0, 4.0 / 12.0, 1.0 / 12.0];
    let (side, wide) = ((2 * half + 1) as usize, (2 * half + 5) as usize);
    let place = |k: usize| (k as f64 - f64::from(half) - 2.0) / f64::from(FINE);
    let points: Vec<f64> = (0..wide * wide)
        .map(|k| {
            let (x, y) = (place(k % wide), place(k / wide));
            profile.density(x * x + y * y)
        })
        .collect();
    let rows: Vec<f64> = (0..wide * side)
        .map(|k| {
            let at = (k / side) * wide + k % side;
            RULE.iter().zip(&points[at..]).map(|(w, p)| w * p).sum()
        })
        .collect();
    (0..side * side)
        .map(|k| {
            let sum: f64 = (0..5)
                .map(|r| RULE[r] * rows[(k / side + r) * side + k % side])
                .sum();
            sum as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light, mean and second moments of an image drawn from a table.
    fn moments(table: &PsfTable, cells: &Cells) -> (f64, [f64; 2], [f64; 2]) {
        let (mut sum, mut m1, mut m2) = (0.0, [0.0; 2], [0.0; 2]);
        for &(cx, cy, share) in &cells.cells {
            for y in -30..30 {
                let Some((first, row)) = table.row(cx, cy, y, 100) else {
                    continue;
                };
                for (k, value) in row.iter().enumerate() {
                    let light = f64::from(value * share);
                    let (x, y) = (f64::from(first) + k as f64, f64::from(y));
                    sum += light;
                    m1[0] += light * x;
                    m1[1] += light * y;
                    m2[0] += light * x * x;
                    m2[1] += light * y * y;
                }
            }
        }
        let mean = [m1[0] / sum, m1[1] / sum];
        (
            sum,
            mean,
            [
                m2[0] / sum - mean[0] * mean[0],
                m2[1] / sum - mean[1] * mean[1],
            ],
        )
    }

    #[test]
    fn light_place_and_width_hold_at_any_subpixel_place() {
        let profile = Profile::new(&LensSpec::faultless());
        let table = PsfTable::new(&profile, &[(0.0, 0.0, 1.0)], 12);
        let sigma = 2.4 / (8.0f64 * std::f64::consts::LN_2).sqrt();
        for (x, y) in [(0.0, 0.0), (0.11, -0.37), (0.125, 0.5), (-3.43, 2.19)] {
            let (sum, mean, var) = moments(&table, &Cells::deposit(&[(x, y, 1.0)]));
            assert!((sum - 1.0).abs() < 1e-5);
            assert!((mean[0] - x).abs() < 1e-5 && (mean[1] - y).abs() < 1e-5);
            // A pixel adds the variance of a unit box.
            let expected = sigma * sigma + 1.0 / 12.0;
            assert!((var[0] - expected).abs() < 1e-4 && (var[1] - expected).abs() < 1e-4);
        }
    }

    #[test]
    fn a_moffat_has_the_width_asked_for() {
        let profile = Profile::new(&LensSpec {
            moffat_beta: Some(3.2),
            ..LensSpec::faultless()
        });
        let half = profile.density(1.2 * 1.2) / profile.density(0.0);
        assert!((half - 0.5).abs() < 1e-12);
        let radius = profile.radius_at(1000.0, 0.01);
        assert!((1000.0 * profile.density(radius * radius) - 0.01).abs() < 1e-9);
    }
}
