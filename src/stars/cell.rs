//! Sky level and noise of one cell of the background mesh.

use std::ops::Range;

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

struct Sample {
    value: f32,
    /// Place from the node.
    x: f32,
    y: f32,
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
        let rough = level_and_scatter(&mut samples.iter().map(|s| s.value).collect::<Vec<f32>>());
        let shift = remove_slope(&mut samples, rough);
        let flat = Cell {
            level: rough.level - shift,
            noise: rough.noise,
        };
        Cell {
            noise: scatter(&samples, flat),
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
) -> Vec<Sample> {
    let step = (columns.len() * rows.len()).div_ceil(SAMPLES);
    let (mx, my) = (node.0 as f32, node.1 as f32);
    let mut samples = Vec::with_capacity(SAMPLES + rows.len());
    for y in rows.clone() {
        let (row, dy) = (plane.row(y), y as f32 - my);
        let mut x = columns.start + (y * 3) % step;
        while x < columns.end {
            samples.push(Sample {
                value: row[x],
                x: x as f32 - mx,
                y: dy,
            });
            x += step;
        }
    }
    if samples.is_empty() {
        samples.push(Sample {
            value: plane.row(rows.start)[columns.start],
            x: 0.0,
            y: 0.0,
        });
    }
    samples
}

/// Level and scatter of values with stars clipped off.
fn level_and_scatter(values: &mut [f32]) -> Cell {
    values.sort_unstable_by(f32::total_cmp);
    let quantile = |q: f32| values[(q * (values.len() - 1) as f32) as usize];
    let mut level = quantile(0.5);
    // The lower half holds no stars; where values are few it may collapse, the upper half helps out.
    let (lower, upper) = (level - quantile(0.16), quantile(0.84) - level);
    let mut noise = if lower > 0.0 { lower } else { upper };
    for _ in 0..3 {
        let kept = within(
            values,
            level - CLIP_BELOW * noise,
            level + CLIP_ABOVE * noise,
        );
        let quarter = kept.len() / 4;
        level = mean(&kept[quarter..kept.len() - quarter]);
        noise = deviation(kept) * CLIPPED_SCATTER;
    }
    Cell { level, noise }
}

/// Takes the slope of the unclipped samples off all of them; returns what the slope adds to their mean
/// over its value at the node.
fn remove_slope(samples: &mut [Sample], rough: Cell) -> f32 {
    // Count, sums and sums of products of x, y, value.
    let (mut n, mut s, mut p) = (0.0_f64, [0.0_f64; 3], [0.0_f64; 5]);
    for sample in samples.iter().filter(|s| is_sky(s.value, rough)) {
        let (x, y, v) = (
            f64::from(sample.x),
            f64::from(sample.y),
            f64::from(sample.value - rough.level),
        );
        n += 1.0;
        s.iter_mut()
            .zip([x, y, v])
            .for_each(|(sum, term)| *sum += term);
        p.iter_mut()
            .zip([x * x, x * y, y * y, x * v, y * v])
            .for_each(|(sum, term)| *sum += term);
    }
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
    samples
        .iter_mut()
        .for_each(|s| s.value -= sx as f32 * s.x + sy as f32 * s.y);
    (sx * middle[0] + sy * middle[1]) as f32
}

fn is_sky(value: f32, cell: Cell) -> bool {
    value >= cell.level - CLIP_BELOW * cell.noise && value <= cell.level + CLIP_ABOVE * cell.noise
}

fn scatter(samples: &[Sample], rough: Cell) -> f32 {
    let mut cell = rough;
    for _ in 0..4 {
        let (mut n, mut sum, mut squares) = (0.0_f64, 0.0_f64, 0.0_f64);
        for sample in samples.iter().filter(|s| is_sky(s.value, cell)) {
            let v = f64::from(sample.value - rough.level);
            n += 1.0;
            sum += v;
            squares += v * v;
        }
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

fn deviation(values: &[f32]) -> f32 {
    let mean = mean(values);
    let squares: f64 = values.iter().map(|v| f64::from(v - mean).powi(2)).sum();
    (squares / values.len() as f64).sqrt() as f32
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
