//! Sky level and noise on a mesh: robust against stars, smooth over light pollution and vignetting.

use std::ops::Range;

use rayon::prelude::*;

use super::cell::Cell;
use crate::frame::Plane;
use crate::units::PixelPoint;

/// Side of a mesh cell in pixels: far wider than a star, narrower than clouds and light domes.
const CELL: usize = 64;
/// A cell's noise is held to at least this share of the frame's median: sky is never that quiet,
/// a black foreground is, and would make stars of its compression ripples.
const NOISE_FLOOR_SHARE: f32 = 0.35;
/// Columns of a piece of a row are counted in 16 bits.
const LONGEST_PIECE: usize = 1 << 12;

/// Sky level and pixel noise over the frame, on the scale of the plane.
#[derive(Debug, Clone)]
pub(super) struct Background {
    width: usize,
    height: usize,
    columns: usize,
    rows: usize,
    level: Vec<f32>,
    noise: Vec<f32>,
    /// Cells that are no plain sky.
    textured: Vec<bool>,
    median_level: f32,
    median_noise: f32,
}

impl Background {
    /// The mesh of a plane.
    ///
    /// Method: 1. each 64-pixel cell gives the level of its sky and the scatter about its slope; 2. a 3 x 3
    /// median over the mesh takes out cells that a bright star or an edge spoils; 3. bilinear in between.
    /// The last cells of a row or column take in what is left over.
    pub(super) fn estimate(plane: &Plane) -> Self {
        let columns = (plane.width() / CELL).max(1);
        let rows = (plane.height() / CELL).max(1);
        let span = |cell: usize, cells: usize, size: usize| {
            let end = if cell + 1 == cells {
                size
            } else {
                (cell + 1) * CELL
            };
            cell * CELL..end
        };
        let cells: Vec<Cell> = (0..rows * columns)
            .into_par_iter()
            .map(|cell| {
                Cell::of(
                    plane,
                    span(cell % columns, columns, plane.width()),
                    span(cell / columns, rows, plane.height()),
                    node(plane, cell % columns, cell / columns),
                )
            })
            .collect();
        let level: Vec<f32> = cells.iter().map(|c| c.level).collect();
        let noise: Vec<f32> = cells.iter().map(|c| c.noise).collect();
        let mut mesh = Self {
            width: plane.width(),
            height: plane.height(),
            columns,
            rows,
            median_level: median(&mut level.clone()),
            median_noise: median_noise(&noise),
            level: Vec::new(),
            noise: Vec::new(),
            textured: textured(&level, &noise),
        };
        mesh.level = mesh.mended(&level, &noise);
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
            textured: vec![false],
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
        self.for_pieces(&self.level, y, start..end, |piece| {
            let here = piece.columns.start - start..piece.columns.end - start;
            let light = out[here.clone()].iter_mut().zip(&values[here]);
            for (i, (out, value)) in (0_u16..).zip(light) {
                *out = value - piece.at(i);
            }
        });
    }

    /// One over the pixel noise along a row, into `out`.
    pub(super) fn inverse_noise_row(&self, y: usize, out: &mut [f32]) {
        self.for_pieces(&self.noise, y, 0..self.width, |piece| {
            for (i, out) in (0_u16..).zip(&mut out[piece.columns.clone()]) {
                *out = 1.0 / piece.at(i);
            }
        });
    }

    /// Whether a place lies where a foreground, the Moon or a cloud's edge makes the picture rougher than
    /// sky of its brightness is.
    pub(super) fn is_textured(&self, place: PixelPoint) -> bool {
        let cell = |v: f64, cells: usize| ((v.max(0.0) as usize) / CELL).min(cells - 1);
        self.textured[cell(place.y, self.rows) * self.columns + cell(place.x, self.columns)]
    }

    /// Whether a place is on the frame and at least `margin` from its edge.
    pub(super) fn is_inside(&self, place: PixelPoint, margin: f64) -> bool {
        let within = |v: f64, size: usize| v >= margin && v <= size as f64 - 1.0 - margin;
        within(place.x, self.width) && within(place.y, self.height)
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

    /// Calls `see` for the straight pieces of a stretch of a row: linear between the nodes.
    fn for_pieces(
        &self,
        mesh: &[f32],
        y: usize,
        columns: Range<usize>,
        mut see: impl FnMut(Piece),
    ) {
        let (j, fy) = mesh_place(y, self.rows);
        let below = (j + 1).min(self.rows - 1);
        let node = |i: usize| {
            let upper = mesh[j * self.columns + i];
            upper + (mesh[below * self.columns + i] - upper) * fy
        };
        let mut x = columns.start;
        while x < columns.end {
            let (i, share) = mesh_place(x, self.columns);
            let left = node(i);
            let slope = (node((i + 1).min(self.columns - 1)) - left) / CELL as f32;
            let next = if i + 2 < self.columns {
                CELL / 2 + (i + 1) * CELL
            } else {
                columns.end
            };
            let end = next.min(columns.end).min(x + LONGEST_PIECE);
            see(Piece {
                columns: x..end,
                first: left + slope * share * CELL as f32,
                slope,
            });
            x = end;
        }
    }

    /// The levels with those replaced that stand out of what their opposite neighbours say.
    fn mended(&self, level: &[f32], noise: &[f32]) -> Vec<f32> {
        /// A cell stands out by this share of its noise, or this many typical deviations.
        const LEAST_DEVIATION: f32 = 0.5;
        const DEVIATIONS: f32 = 5.0;
        let expected: Vec<Option<f32>> = (0..level.len())
            .map(|cell| self.expected(level, cell))
            .collect();
        let deviation = |cell: usize| expected[cell].map(|e| (level[cell] - e).abs());
        let mut deviations: Vec<f32> = (0..level.len()).filter_map(deviation).collect();
        let typical = if deviations.is_empty() {
            0.0
        } else {
            median(&mut deviations)
        };
        (0..level.len())
            .map(|cell| match expected[cell] {
                Some(e)
                    if (level[cell] - e).abs()
                        > (DEVIATIONS * typical).max(LEAST_DEVIATION * noise[cell]) =>
                {
                    e
                }
                _ => level[cell],
            })
            .collect()
    }

    /// Median of the means of opposite neighbours, which a sloping sky does not move.
    fn expected(&self, level: &[f32], cell: usize) -> Option<f32> {
        let (i, j) = ((cell % self.columns) as i64, (cell / self.columns) as i64);
        let at = |i: i64, j: i64| {
            let inside = i >= 0 && j >= 0 && i < self.columns as i64 && j < self.rows as i64;
            inside.then(|| level[j as usize * self.columns + i as usize])
        };
        let pairs = [(1, 0), (0, 1), (1, 1), (1, -1)];
        let mut means: Vec<f32> = pairs
            .iter()
            .filter_map(|(di, dj)| Some(0.5 * (at(i + di, j + dj)? + at(i - di, j - dj)?)))
            .collect();
        means.sort_unstable_by(f32::total_cmp);
        let half = means.len() / 2;
        match means.len() {
            0 => None,
            n if n % 2 == 1 => Some(means[half]),
            _ => Some(0.5 * (means[half - 1] + means[half])),
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

/// Cells whose noise is far above what their level explains: the sky's variance grows with its light.
fn textured(level: &[f32], noise: &[f32]) -> Vec<bool> {
    /// Noise over the sky's own from where on a cell is no plain sky.
    const ROUGH: f32 = 2.5;
    let usual = median_noise(noise);
    let per_light = |cell: usize| noise[cell] * noise[cell] / level[cell].max(usual);
    let usual_per_light = median(&mut (0..level.len()).map(per_light).collect::<Vec<f32>>());
    (0..level.len())
        .map(|cell| {
            noise[cell] > ROUGH * usual && per_light(cell) > ROUGH * ROUGH * usual_per_light
        })
        .collect()
}

/// A stretch of a row along which a mesh is linear.
struct Piece {
    columns: Range<usize>,
    /// Value at the first column.
    first: f32,
    slope: f32,
}

impl Piece {
    /// Value at a column counted from the first.
    fn at(&self, i: u16) -> f32 {
        self.first + self.slope * f32::from(i)
    }
}

/// Node of a cell: the middle of a full cell that starts where it starts.
fn node(plane: &Plane, column: usize, row: usize) -> (usize, usize) {
    let at = |cell: usize, size: usize| (cell * CELL + CELL / 2).min(size - 1);
    (at(column, plane.width()), at(row, plane.height()))
}

/// First of the two nodes that a pixel is interpolated from, and its share of the way to the second;
/// beyond the outermost nodes the line goes on.
fn mesh_place(pixel: usize, cells: usize) -> (usize, f32) {
    if cells < 2 {
        return (0, 0.0);
    }
    let cell = (pixel.saturating_sub(CELL / 2) / CELL).min(cells - 2);
    (
        cell,
        (pixel as f32 - (cell * CELL + CELL / 2) as f32) / CELL as f32,
    )
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

#[cfg(test)]
mod tests {
    use super::super::rendered::{Scene, grid, picture};
    use super::*;

    #[test]
    fn level_and_noise_are_found_among_stars() {
        let scene = Scene::clear(2.5, 3);
        let stars = grid(&scene, 30.0, (0.0, 0.0), 0.1, 3.0);
        let sky = Background::estimate(&picture(&scene, &stars));
        assert!(
            (f64::from(sky.median_level()) - scene.sky).abs() < 0.15 * scene.noise,
            "{}",
            sky.median_level()
        );
        assert!(
            (f64::from(sky.median_noise()) / scene.noise - 1.0).abs() < 0.06,
            "{}",
            sky.median_noise()
        );
    }

    #[test]
    fn a_slope_is_followed_and_is_no_noise() {
        let (w, h) = (400, 300);
        let value = |i: usize| {
            0.1 + 1e-3 * (i % w) as f32
                + 2e-3 * (i / w) as f32
                + 1e-3 * ((i * 7919 % 13) as f32 - 6.0) / 3.74
        };
        let plane = Plane::new(w, h, (0..w * h).map(value).collect()).expect("sizes agree");
        let sky = Background::estimate(&plane);
        assert!(
            (sky.level_at(200, 150) - 0.6).abs() < 2e-3,
            "{}",
            sky.level_at(200, 150)
        );
        assert!(
            (sky.median_noise() / 1e-3 - 1.0).abs() < 0.1,
            "{}",
            sky.median_noise()
        );
    }

    #[test]
    fn rows_and_points_agree() {
        let (w, h) = (333, 201);
        let plane = Plane::new(
            w,
            h,
            (0..w * h)
                .map(|i| (i % w) as f32 * 0.01 + ((i * 31) % 7) as f32)
                .collect(),
        )
        .expect("sizes agree");
        let sky = Background::estimate(&plane);
        let mut out = vec![0.0; 200];
        sky.subtract(90, 100, &vec![0.0; 200], &mut out);
        for (i, v) in out.iter().enumerate() {
            assert!((v + sky.level_at(100 + i, 90)).abs() < 1e-4);
        }
    }

    #[test]
    fn frames_smaller_than_a_cell_and_without_noise_are_taken() {
        let sky = Background::estimate(&Plane::new(1, 1, vec![0.5]).expect("sizes agree"));
        assert!((sky.level_at(0, 0) - 0.5).abs() < 1e-6 && sky.noise_at(0, 0) > 0.0);
    }
}
