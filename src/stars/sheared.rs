//! A tile of the frame sheared so that trails lie along its rows, filtered for them.

use super::fit::FitSetup;
use super::oriented::Tile;
use super::segment::Dwell;
use crate::units::PixelVector;

/// Filtered tile: column = place along the trail's longer axis (`major`), row = offset across (`minor`).
pub(super) struct Sheared {
    lean: Lean,
    /// Major and minor pixel coordinates of the first value.
    first: [i64; 2],
    columns: usize,
    rows: usize,
    values: Vec<f32>,
    /// Nothing closer than this along the trail is a second maximum.
    lull: usize,
}

/// How a trail leans against the pixel axes.
#[derive(Clone, Copy)]
struct Lean {
    /// True where the trail runs more down than across.
    steep: bool,
    /// Pixels across per pixel along the major axis, at most 1 in size.
    slope: f32,
    /// Length along the major axis.
    run: f32,
    /// Whether the trail's vector points down the major axis.
    forward: bool,
    /// Major coordinate that the shear leaves in place.
    pivot: f32,
}

impl Lean {
    fn of(vector: PixelVector, tile: Tile) -> Self {
        let steep = vector.dy.abs() > vector.dx.abs();
        let (major, minor) = if steep {
            (vector.dy, vector.dx)
        } else {
            (vector.dx, vector.dy)
        };
        let (start, size) = if steep {
            (tile.y, tile.height)
        } else {
            (tile.x, tile.width)
        };
        Self {
            steep,
            slope: (minor / major) as f32,
            run: major.abs() as f32,
            forward: major > 0.0,
            pivot: start as f32 + 0.5 * size as f32,
        }
    }
}

/// Columns kept beyond the tile for the search of maxima.
const HALO: i64 = 4;

impl Sheared {
    /// The tile's response to trails of this vector.
    pub(super) fn filtered(setup: &FitSetup, vector: PixelVector, tile: Tile) -> Self {
        let lean = Lean::of(vector, tile);
        let [major, minor, major_size, minor_size] = if lean.steep {
            [tile.y, tile.x, tile.height, tile.width]
        } else {
            [tile.x, tile.y, tile.width, tile.height]
        };
        let across = setup.psf.core as f32 * (1.0 + lean.slope * lean.slope).sqrt();
        let reach = (3.0 * across).ceil() as i64;
        let half_run = (0.5 * lean.run).ceil() as i64 + 1;
        let drop = (lean.slope.abs() * 0.5 * major_size as f32).ceil() as i64 + 2;
        let mut sheared = Self {
            lean,
            first: [major as i64 - half_run - HALO, minor as i64 - drop - reach],
            columns: major_size + 2 * (half_run + HALO) as usize,
            rows: minor_size + 2 * (drop + reach) as usize,
            values: Vec::new(),
            lull: (half_run / 2).clamp(2, 24) as usize,
        };
        sheared.values = sheared.light(setup);
        sheared.smooth_across(across, reach as usize);
        sheared.sum_along(setup.dwell, across);
        sheared
    }

    /// Light above the sky along sheared lines, linear between pixels; zero beyond the frame.
    fn light(&self, setup: &FitSetup) -> Vec<f32> {
        let (steep, plane) = (self.lean.steep, setup.plane);
        // The minor coordinates that any sheared row reaches.
        let drift = (self.lean.slope.abs() * 0.5 * self.columns as f32).ceil() as i64 + 2;
        let (minor_start, minor_count) = (self.first[1] - drift, self.rows + 2 * drift as usize);
        let block = Block::read(
            setup,
            steep,
            [self.first[0], minor_start],
            [self.columns, minor_count],
        );
        debug_assert!(plane.width() > 0);
        let mut values = vec![0.0; self.columns * self.rows];
        for column in 0..self.columns {
            let major = (self.first[0] + column as i64) as f32;
            let shift = self.lean.slope * (major - self.lean.pivot);
            let (whole, share) = (shift.floor(), shift - shift.floor());
            let line = block.line(column);
            let start = (drift + whole as i64) as usize;
            for (row, pair) in line[start..].windows(2).take(self.rows).enumerate() {
                values[row * self.columns + column] = pair[0] + (pair[1] - pair[0]) * share;
            }
        }
        values
    }

    fn smooth_across(&mut self, sigma: f32, reach: usize) {
        let weights: Vec<f32> = (0..=reach)
            .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
            .collect();
        let mut smooth = vec![0.0; self.values.len()];
        for (row, out) in smooth.chunks_exact_mut(self.columns).enumerate() {
            for other in row.saturating_sub(reach)..(row + reach + 1).min(self.rows) {
                let weight = weights[other.abs_diff(row)];
                let line = &self.values[other * self.columns..][..self.columns];
                out.iter_mut().zip(line).for_each(|(o, v)| *o += weight * v);
            }
        }
        self.values = smooth;
    }

    /// Mean over a box of the trail's length centred on each value; with dwelling, the light near the
    /// ends (two sigmas wide) is added with its share.
    fn sum_along(&mut self, dwell: Dwell, sigma: f32) {
        let run = self.lean.run;
        let (left, right) = if self.lean.forward {
            (dwell.start, dwell.end)
        } else {
            (dwell.end, dwell.start)
        };
        let even = (1.0 - left - right) as f32;
        let dwells = left + right > 0.0;
        let mut sums = vec![0.0_f64; self.columns + 1];
        let columns = self.columns;
        for row in self.values.chunks_exact_mut(columns) {
            for (i, v) in row.iter().enumerate() {
                sums[i + 1] = sums[i] + f64::from(*v);
            }
            let integral = |place: f32| {
                let place = place.clamp(0.0, columns as f32);
                let whole = (place as usize).min(columns - 1);
                sums[whole] + (sums[whole + 1] - sums[whole]) * f64::from(place - whole as f32)
            };
            let mean = |middle: f32, half: f32| {
                ((integral(middle + half) - integral(middle - half)) / f64::from(2.0 * half)) as f32
            };
            for (i, v) in row.iter_mut().enumerate() {
                let middle = i as f32 + 0.5;
                *v = even * mean(middle, 0.5 * run);
                if dwells {
                    *v += left as f32 * mean(middle - 0.5 * run, sigma)
                        + right as f32 * mean(middle + 0.5 * run, sigma);
                }
            }
        }
    }

    /// Scatter of the sky's responses, from their lower half; zero where the tile lies off the sky.
    pub(super) fn scatter(&self) -> f32 {
        let margin = self.columns / 4;
        let mut values: Vec<f32> = (0..self.rows)
            .step_by(3)
            .flat_map(|r| {
                self.values[r * self.columns + margin..(r + 1) * self.columns - margin]
                    .iter()
                    .copied()
                    .step_by(7)
            })
            .filter(|v| *v != 0.0)
            .collect();
        if values.len() < 30 {
            return 0.0;
        }
        let last = (values.len() - 1) as f32;
        let mut at = |share: f32| {
            *values
                .select_nth_unstable_by((share * last) as usize, f32::total_cmp)
                .1
        };
        at(0.5) - at(0.159)
    }

    /// Maxima above `floor` inside the tile: place and response.
    pub(super) fn peaks(&self, floor: f32, tile: Tile) -> Vec<(f32, f32, f32)> {
        let mut found = Vec::new();
        for row in 1..self.rows - 1 {
            let line = &self.values[row * self.columns..][..self.columns];
            for column in HALO as usize..self.columns - HALO as usize {
                let value = line[column];
                if value <= floor
                    || value < line[column - 1]
                    || value < line[column + 1]
                    || !self.is_peak(column, row)
                {
                    continue;
                }
                let major = (self.first[0] + column as i64) as f32;
                let minor = (self.first[1] + row as i64) as f32
                    + self.lean.slope * (major - self.lean.pivot);
                let (x, y) = if self.lean.steep {
                    (minor, major)
                } else {
                    (major, minor)
                };
                if tile.holds(x, y) {
                    found.push((x, y, value));
                }
            }
        }
        found
    }

    fn is_peak(&self, column: usize, row: usize) -> bool {
        let value = self.values[row * self.columns + column];
        let (left, right) = (
            column.saturating_sub(self.lull),
            (column + self.lull + 1).min(self.columns),
        );
        let line = |r: usize| &self.values[r * self.columns + left..r * self.columns + right];
        [row, row - 1, row + 1]
            .iter()
            .all(|r| line(*r).iter().all(|v| *v <= value))
    }
}

/// Light above the sky of a block of pixels, major axis first; zero beyond the frame.
struct Block {
    depth: usize,
    values: Vec<f32>,
}

impl Block {
    fn read(setup: &FitSetup, steep: bool, first: [i64; 2], size: [usize; 2]) -> Self {
        let [majors, depth] = size;
        let mut block = Self {
            depth,
            values: vec![0.0; majors * depth],
        };
        let (x0, y0, columns, rows) = if steep {
            (first[1], first[0], depth, majors)
        } else {
            (first[0], first[1], majors, depth)
        };
        let (width, height) = (setup.plane.width() as i64, setup.plane.height() as i64);
        let (from, to) = (x0.clamp(0, width), (x0 + columns as i64).clamp(0, width));
        let mut light = vec![0.0; (to - from) as usize];
        for row in 0..rows {
            let y = y0 + row as i64;
            if y < 0 || y >= height || from >= to {
                continue;
            }
            let source = &setup.plane.row(y as usize)[from as usize..to as usize];
            setup
                .sky
                .subtract(y as usize, from as usize, source, &mut light);
            let skipped = (from - x0) as usize;
            for (i, v) in light.iter().enumerate() {
                let (major, minor) = if steep {
                    (row, i + skipped)
                } else {
                    (i + skipped, row)
                };
                block.values[major * depth + minor] = *v;
            }
        }
        block
    }

    fn line(&self, major: usize) -> &[f32] {
        &self.values[major * self.depth..][..self.depth]
    }
}
