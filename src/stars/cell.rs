//! Sky level and noise of one cell of the background mesh.

use std::ops::Range;

use super::sorted::Sorted;
use crate::frame::Plane;

/// Pixels looked at in a cell, at most; their median is then good to 4 % of the noise.
const SAMPLES: usize = 512;
/// Light above this many sigma is a star, below it a shadow; nearer above than below because stars only add.
const CLIP_ABOVE: f32 = 2.5;
const CLIP_BELOW: f32 = 3.0;
/// Scatter of a normal law over that of its part between -3 and +2.5 sigma, from its density.
const CLIPPED_SCATTER: f32 = 1.030;

/// What a cell says about the sky.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub(super) level: f32,
    /// Scatter of one pixel about the cell's slope.
    pub(super) noise: f32,
}

/// Values of a cell with their places from the node.
#[derive(Default)]
struct Samples {
    values: Vec<f32>,
    x: Vec<f32>,
    y: Vec<f32>,
}

impl Cell {
    /// The sky at `node`, which lies in the rectangle.
    ///
    /// Level: mean of the middle half of the clipped values (smooth where 8-bit values are few), carried
    /// to the node along the cell's slope. Noise: clipped scatter about that plane, so that clouds and
    /// light domes do not count as noise.
    pub(super) fn of(
        plane: &Plane,
        columns: Range<usize>,
        rows: Range<usize>,
        node: (usize, usize),
    ) -> Self {
        let mut samples = samples(plane, columns, rows, node);
        let rough = level_and_scatter(&samples.values);
        let shift = remove_slope(&mut samples, rough);
        let flat = Cell {
            level: rough.level - shift,
            noise: rough.noise,
        };
        Cell {
            noise: scatter(&samples.values, flat),
            ..flat
        }
    }
}

/// Values of a cell, thinned on a skewed lattice so that no row or column pattern is followed.
fn samples(
    plane: &Plane,
    columns: Range<usize>,
    rows: Range<usize>,
    node: (usize, usize),
) -> Samples {
    let (mx, my) = (node.0 as f32, node.1 as f32);
    let step = (columns.len() * rows.len()).div_ceil(SAMPLES).max(1);
    let mut samples = Samples::default();
    for y in rows.clone() {
        let row = &plane.row(y)[columns.clone()];
        let first = (y * 3) % step;
        let values = row.iter().skip(first).step_by(step);
        samples.values.extend(values);
        let n_new = samples.values.len() - samples.x.len();
        let dx = (columns.start + first) as f32 - mx;
        let x = (0..n_new as u16).map(|i| dx + f32::from(i) * step as f32);
        samples.x.extend(x);
        samples.y.resize(samples.values.len(), y as f32 - my);
    }
    if samples.values.is_empty() {
        samples.values.push(plane.row(rows.start)[columns.start]);
        samples.x.push(0.0);
        samples.y.push(0.0);
    }
    samples
}

/// Level and scatter of values with stars clipped off.
fn level_and_scatter(values: &[f32]) -> Cell {
    let sorted = Sorted::of(values);
    let quantile = |q: f32| sorted.values[(q * (values.len() - 1) as f32) as usize];
    let mut level = quantile(0.5);
    // The lower half holds no stars; where values are few it may collapse, the upper half helps out.
    let (lower, upper) = (level - quantile(0.16), quantile(0.84) - level);
    let mut noise = if lower > 0.0 { lower } else { upper };
    for _ in 0..3 {
        let kept = sorted.within(level - CLIP_BELOW * noise, level + CLIP_ABOVE * noise);
        let quarter = kept.len() / 4;
        noise = sorted.deviation(kept.clone()) * CLIPPED_SCATTER;
        level = sorted.mean(kept.start + quarter..kept.end - quarter);
    }
    Cell { level, noise }
}

/// Values that are added up side by side.
const LANES: usize = 8;

/// Takes the slope of the unclipped samples off all of them; returns what the slope adds to their mean
/// over its value at the node.
fn remove_slope(samples: &mut Samples, rough: Cell) -> f32 {
    let [n, s0, s1, s2, p0, p1, p2, p3, p4] = products(samples, rough);
    let (s, p) = ([s0, s1, s2], [p0, p1, p2, p3, p4]);
    let middle = s.map(|sum| sum / n.max(1.0));
    let (xx, xy, yy) = (
        p[0] - s[0] * middle[0],
        p[1] - s[0] * middle[1],
        p[2] - s[1] * middle[1],
    );
    let (xv, yv) = (p[3] - s[0] * middle[2], p[4] - s[1] * middle[2]);
    let determinant = xx * yy - xy * xy;
    if determinant <= 1e-9 * xx * yy || determinant <= 0.0 {
        return 0.0;
    }
    let (sx, sy) = (
        (xv * yy - yv * xy) / determinant,
        (yv * xx - xv * xy) / determinant,
    );
    let places = samples.x.iter().zip(&samples.y);
    for (value, (x, y)) in samples.values.iter_mut().zip(places) {
        *value -= sx as f32 * x + sy as f32 * y;
    }
    (sx * middle[0] + sy * middle[1]) as f32
}

/// Of the sky's samples: number, sums of x, y, value, and of x x, x y, y y, x value, y value; values about the level.
fn products(samples: &Samples, rough: Cell) -> [f64; 9] {
    let mut sums = [[0.0_f32; LANES]; 9];
    let add = |value: f32, x: f32, y: f32, lane: usize, sums: &mut [[f32; LANES]; 9]| {
        let n = sky_weight(value, rough);
        let (x, y, v) = (n * x, n * y, n * (value - rough.level));
        let terms = [n, x, y, v, x * x, x * y, y * y, x * v, y * v];
        for (sum, term) in sums.iter_mut().zip(terms) {
            sum[lane] += term;
        }
    };
    let values = samples.values.chunks_exact(LANES);
    let rest = samples.values.len() - values.remainder().len()..samples.values.len();
    let places = samples
        .x
        .chunks_exact(LANES)
        .zip(samples.y.chunks_exact(LANES));
    for (values, (x, y)) in values.zip(places) {
        for lane in 0..LANES {
            add(values[lane], x[lane], y[lane], lane, &mut sums);
        }
    }
    for (lane, i) in rest.enumerate() {
        add(
            samples.values[i],
            samples.x[i],
            samples.y[i],
            lane,
            &mut sums,
        );
    }
    sums.map(|lanes| lanes.into_iter().map(f64::from).sum())
}

/// One for sky, zero for a star or a shadow.
fn sky_weight(value: f32, cell: Cell) -> f32 {
    let off = value - cell.level;
    let is_sky = (off >= -CLIP_BELOW * cell.noise) & (off <= CLIP_ABOVE * cell.noise);
    f32::from(u8::from(is_sky))
}

fn scatter(values: &[f32], rough: Cell) -> f32 {
    let mut cell = rough;
    for _ in 0..4 {
        let mut sums = [[0.0_f32; LANES]; 3];
        let mut add = |value: f32, lane: usize| {
            let weight = sky_weight(value, cell);
            let off = weight * (value - rough.level);
            sums[0][lane] += weight;
            sums[1][lane] += off;
            sums[2][lane] += off * off;
        };
        let chunks = values.chunks_exact(LANES);
        let rest = chunks.remainder();
        for chunk in chunks {
            for (lane, value) in chunk.iter().enumerate() {
                add(*value, lane);
            }
        }
        for (lane, value) in rest.iter().enumerate() {
            add(*value, lane);
        }
        let [n, sum, squares] = sums.map(|lanes| lanes.into_iter().map(f64::from).sum::<f64>());
        if n < 1.0 {
            break;
        }
        let mean = sum / n;
        let noise = (squares / n - mean * mean).max(0.0).sqrt() as f32 * CLIPPED_SCATTER;
        cell = Cell {
            level: rough.level + mean as f32,
            noise,
        };
    }
    cell.noise
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_over_a_tenth_of_the_cell_hardly_counts() {
        let data: Vec<f32> = (0..64 * 64)
            .map(|i| {
                if i % 64 < 6 {
                    0.9
                } else {
                    0.1 + 0.001 * ((i * 7919 % 13) as f32 - 6.0)
                }
            })
            .collect();
        let plane = Plane::new(64, 64, data).expect("sizes agree");
        let cell = Cell::of(&plane, 0..64, 0..64, (32, 32));
        assert!((cell.level - 0.1).abs() < 0.001, "{cell:?}");
        assert!((cell.noise / 0.00374 - 1.0).abs() < 0.1, "{cell:?}");
    }

    #[test]
    fn two_grey_levels_give_a_level_in_between() {
        let data: Vec<f32> = (0..64 * 64)
            .map(|i| if (i * 7919) % 100 < 70 { 0.10 } else { 0.11 })
            .collect();
        let cell = Cell::of(
            &Plane::new(64, 64, data).expect("sizes agree"),
            0..64,
            0..64,
            (32, 32),
        );
        assert!(
            cell.level > 0.099 && cell.level < 0.107 && cell.noise > 0.003,
            "{cell:?}"
        );
    }
}
