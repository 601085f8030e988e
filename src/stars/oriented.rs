//! Matched filter for trailed stars: sums along the trail's own direction, tile by tile.

use rayon::prelude::*;

use super::background::Background;
use super::field::VectorField;
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelVector};

/// Side of a tile, within which the trail vector is taken as one.
const TILE: usize = 192;

/// A trail's middle as the filter sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TrailPeak {
    pub(super) place: PixelPoint,
    pub(super) vector: PixelVector,
    /// Response in units of its noise.
    pub(super) significance: f32,
}

/// All places whose response to their local trail exceeds `threshold`, strongest first, without echoes.
///
/// Method: 1. a tile is sheared so that its trail lies along one axis; 2. a box of the trail's length
/// runs along it, a Gaussian of the star's width across; 3. responses are scaled to the scatter of
/// the sky's responses; 4. strongest first, what a stronger trail's own response explains is dropped.
pub(super) fn scan_trails(
    plane: &Plane,
    sky: &Background,
    field: &VectorField,
    sigma: f32,
    threshold: f32,
) -> Vec<TrailPeak> {
    let (columns, rows) = (plane.width().div_ceil(TILE), plane.height().div_ceil(TILE));
    let tiles: Vec<TileScan> = (0..columns * rows)
        .into_par_iter()
        .map(|tile| {
            scan_tile(
                plane,
                sky,
                field,
                sigma,
                [tile % columns * TILE, tile / columns * TILE],
            )
        })
        .collect();
    let mut scatters: Vec<f32> = tiles
        .iter()
        .map(|t| t.scatter)
        .filter(|s| *s > 0.0)
        .collect();
    if scatters.is_empty() {
        return Vec::new();
    }
    let middle = scatters.len() / 2;
    let scatter = *scatters.select_nth_unstable_by(middle, f32::total_cmp).1;
    let mut peaks: Vec<TrailPeak> = tiles.into_iter().flat_map(|t| t.peaks).collect();
    peaks.iter_mut().for_each(|p| p.significance /= scatter);
    peaks.retain(|p| p.significance > threshold);
    peaks.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    without_echoes(&peaks, f64::from(sigma), threshold)
}

struct TileScan {
    peaks: Vec<TrailPeak>,
    scatter: f32,
}

/// A tile turned so that its trail runs along the first axis (`major`), `minor` across.
struct Turned {
    steep: bool,
    slope: f32,
    /// Length along the major axis.
    run: f32,
}

impl Turned {
    fn of(vector: PixelVector) -> Self {
        let steep = vector.dy.abs() > vector.dx.abs();
        let (major, minor) = if steep {
            (vector.dy, vector.dx)
        } else {
            (vector.dx, vector.dy)
        };
        Self {
            steep,
            slope: (minor / major) as f32,
            run: major.abs() as f32,
        }
    }
}

fn scan_tile(
    plane: &Plane,
    sky: &Background,
    field: &VectorField,
    sigma: f32,
    origin: [usize; 2],
) -> TileScan {
    let size = [
        TILE.min(plane.width() - origin[0]),
        TILE.min(plane.height() - origin[1]),
    ];
    let middle = PixelPoint::new(
        origin[0] as f64 + 0.5 * size[0] as f64,
        origin[1] as f64 + 0.5 * size[1] as f64,
    );
    let vector = field.at(middle);
    let turned = Turned::of(vector);
    let sheared = Sheared::of(plane, sky, &turned, sigma, origin, size);
    let mut values = sheared.sample();
    let scatter = lower_scatter(&mut values);
    let peaks = sheared.peaks(2.0 * scatter, vector, origin, size);
    let noise = sky.noise_at(middle.x as usize, middle.y as usize);
    let inverse = 1.0 / noise;
    TileScan {
        peaks: peaks
            .into_iter()
            .map(|p| TrailPeak {
                significance: p.significance * inverse,
                ..p
            })
            .collect(),
        scatter: scatter * inverse,
    }
}

fn lower_scatter(values: &mut [f32]) -> f32 {
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

/// Filtered tile in sheared coordinates: column = place along the major axis, row = offset across.
struct Sheared {
    steep: bool,
    slope: f32,
    /// First major and minor coordinates of the stored values.
    first: [i64; 2],
    pivot: f32,
    columns: usize,
    rows: usize,
    values: Vec<f32>,
    /// Half the trail along the major axis: nothing closer along the trail is a second maximum.
    lull: usize,
}

impl Sheared {
    fn of(
        plane: &Plane,
        sky: &Background,
        turned: &Turned,
        sigma: f32,
        origin: [usize; 2],
        size: [usize; 2],
    ) -> Self {
        let [major0, minor0] = if turned.steep {
            [origin[1], origin[0]]
        } else {
            origin
        };
        let [major_size, minor_size] = if turned.steep {
            [size[1], size[0]]
        } else {
            size
        };
        let across = sigma * (1.0 + turned.slope * turned.slope).sqrt();
        let reach = (3.0 * across).ceil() as i64;
        let half_run = (0.5 * turned.run).ceil() as i64 + 1;
        let pivot = major0 as f32 + 0.5 * major_size as f32;
        let lean = (turned.slope.abs() * 0.5 * major_size as f32).ceil() as i64 + 2;
        let halo = 4;
        let columns = major_size + 2 * (half_run + halo) as usize;
        let rows = minor_size + 2 * (lean + reach) as usize;
        let first = [
            major0 as i64 - half_run - halo,
            minor0 as i64 - lean - reach,
        ];
        let mut values = sheared_light(plane, sky, turned, first, pivot, columns, rows);
        smooth_across(&mut values, columns, rows, across, reach as usize);
        box_along(&mut values, columns, turned.run);
        Self {
            steep: turned.steep,
            slope: turned.slope,
            first,
            pivot,
            columns,
            rows,
            values,
            lull: (half_run / 2).clamp(2, 24) as usize,
        }
    }

    fn sample(&self) -> Vec<f32> {
        let margin = self.columns / 4;
        (0..self.rows)
            .step_by(3)
            .flat_map(|r| {
                self.values[r * self.columns + margin..(r + 1) * self.columns - margin]
                    .iter()
                    .copied()
                    .step_by(7)
            })
            .filter(|v| *v != 0.0)
            .collect()
    }

    fn peaks(
        &self,
        floor: f32,
        vector: PixelVector,
        origin: [usize; 2],
        size: [usize; 2],
    ) -> Vec<TrailPeak> {
        let mut found = Vec::new();
        for row in 2..self.rows.saturating_sub(2) {
            for column in 4..self.columns - 4 {
                let value = self.values[row * self.columns + column];
                if value <= floor || !self.is_peak(column, row, value) {
                    continue;
                }
                let major = (self.first[0] + column as i64) as f32;
                let minor = (self.first[1] + row as i64) as f32 + self.slope * (major - self.pivot);
                let (x, y) = if self.steep {
                    (minor, major)
                } else {
                    (major, minor)
                };
                let inside = |v: f32, axis: usize| {
                    v >= origin[axis] as f32 - 0.5 && v < (origin[axis] + size[axis]) as f32 - 0.5
                };
                if inside(x, 0) && inside(y, 1) {
                    found.push(TrailPeak {
                        place: PixelPoint::new(f64::from(x), f64::from(y)),
                        vector,
                        significance: value,
                    });
                }
            }
        }
        found
    }

    fn is_peak(&self, column: usize, row: usize, value: f32) -> bool {
        let left = column.saturating_sub(self.lull);
        let right = (column + self.lull + 1).min(self.columns);
        (row - 1..=row + 1).all(|r| {
            self.values[r * self.columns + left..r * self.columns + right]
                .iter()
                .all(|v| *v <= value)
        })
    }
}

/// Light above the sky along sheared lines, linear between pixels; zero beyond the frame.
fn sheared_light(
    plane: &Plane,
    sky: &Background,
    turned: &Turned,
    first: [i64; 2],
    pivot: f32,
    columns: usize,
    rows: usize,
) -> Vec<f32> {
    let (major_end, minor_end) = if turned.steep {
        (plane.height(), plane.width())
    } else {
        (plane.width(), plane.height())
    };
    let light = |major: i64, minor: i64| {
        if major < 0 || minor < 0 || major >= major_end as i64 || minor >= minor_end as i64 {
            return 0.0;
        }
        let (x, y) = if turned.steep {
            (minor, major)
        } else {
            (major, minor)
        };
        let (x, y) = (x as usize, y as usize);
        plane.row(y)[x] - sky.level_at(x, y)
    };
    let mut values = vec![0.0; columns * rows];
    for column in 0..columns {
        let major = first[0] + column as i64;
        let shift = turned.slope * (major as f32 - pivot);
        let whole = shift.floor();
        let share = shift - whole;
        let mut upper = light(major, first[1] + whole as i64);
        for row in 0..rows {
            let lower = light(major, first[1] + row as i64 + whole as i64 + 1);
            values[row * columns + column] = upper + (lower - upper) * share;
            upper = lower;
        }
    }
    values
}

fn smooth_across(values: &mut [f32], columns: usize, rows: usize, sigma: f32, reach: usize) {
    let weights: Vec<f32> = (0..=reach)
        .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
        .collect();
    let source = values.to_vec();
    for row in 0..rows {
        let out = &mut values[row * columns..][..columns];
        out.fill(0.0);
        for other in row.saturating_sub(reach)..(row + reach + 1).min(rows) {
            let weight = weights[other.abs_diff(row)];
            let line = &source[other * columns..][..columns];
            out.iter_mut().zip(line).for_each(|(o, v)| *o += weight * v);
        }
    }
}

/// Sum over a box of `length` centred on each value of each row.
fn box_along(values: &mut [f32], columns: usize, length: f32) {
    let half = 0.5 * length;
    let mut sums = vec![0.0_f64; columns + 1];
    for row in values.chunks_exact_mut(columns) {
        for (i, v) in row.iter().enumerate() {
            sums[i + 1] = sums[i] + f64::from(*v);
        }
        let integral = |place: f32| {
            let place = place.clamp(0.0, columns as f32);
            let whole = (place as usize).min(columns - 1);
            sums[whole] + (sums[whole + 1] - sums[whole]) * f64::from(place - whole as f32)
        };
        for (i, v) in row.iter_mut().enumerate() {
            let middle = i as f32 + 0.5;
            *v = (integral(middle + half) - integral(middle - half)) as f32;
        }
    }
}

/// Drops responses that a stronger trail explains: its own falls off evenly over its length along the
/// trail, and with the star's width and faint wings across.
fn without_echoes(peaks: &[TrailPeak], sigma: f64, threshold: f32) -> Vec<TrailPeak> {
    let mut kept: Vec<TrailPeak> = Vec::new();
    let reach = peaks
        .iter()
        .map(|p| p.vector.length().px())
        .fold(0.0, f64::max)
        + 10.0 * sigma;
    let mut grid: std::collections::BTreeMap<(i64, i64), Vec<usize>> = Default::default();
    let cell = |p: &TrailPeak| ((p.place.x / reach) as i64, (p.place.y / reach) as i64);
    for peak in peaks {
        let (cx, cy) = cell(peak);
        let near = (cx - 1..=cx + 1).flat_map(|x| (cy - 1..=cy + 1).map(move |y| (x, y)));
        let echo: f64 = near
            .filter_map(|key| grid.get(&key))
            .flatten()
            .map(|i| echo_of(&kept[*i], peak, sigma))
            .sum();
        if f64::from(peak.significance) - echo > f64::from(threshold).max(0.35 * echo) {
            grid.entry(cell(peak)).or_default().push(kept.len());
            kept.push(*peak);
        }
    }
    kept
}

/// Response that the trail `of` leaves at the place of another.
fn echo_of(of: &TrailPeak, at: &TrailPeak, sigma: f64) -> f64 {
    let length = of.vector.length().px();
    let (c, s) = (of.vector.dx / length, of.vector.dy / length);
    let (rx, ry) = (at.place.x - of.place.x, at.place.y - of.place.y);
    let (u, v) = ((rx * c + ry * s).abs(), (ry * c - rx * s).abs());
    let along = (1.0 - u / (length + 2.0 * sigma)).max(0.0);
    let t = v / (2.0 * sigma);
    let across = (-t * t).exp() + 0.1 / (1.0 + t * t * t);
    f64::from(of.significance) * along * across
}
