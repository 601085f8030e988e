//! Mean light of a frame in electrons: sky, stars along their paths, satellites, skyline.

use std::f64::consts::TAU;

use rand::RngExt;
use rayon::prelude::*;

use super::blur::LensImages;
use super::depth::Air;
use super::dice::dice;
use super::field::SkyStar;
use super::optics::Projection;
use super::path::{Exposure, Spot, mean};
use super::psf::{Cells, PsfTable};
use super::scenario::Scenario;
use super::sensor::Sensor;

/// Rows painted by one thread at a time.
const BAND: usize = 48;
/// Stars prepared at a time, which bounds the memory of long trails.
const BATCH: usize = 2000;
/// Side of the boxes that a path is cut into, pixels.
const PIECE: f64 = 16.0;
/// Light a pixel, over the noise of the sky, at which a star's wings are cut.
const WING_LEVEL: f64 = 0.05;
/// Farthest that wings are drawn, pixels.
const WIDEST_WING: f64 = 400.0;
const STAR_COLOUR: u64 = 0xc0102;
const STREAK: u64 = 0x57e4;

/// What stays the same over all frames of a scenario.
#[derive(Debug, Clone)]
pub struct Painter {
    sensor: Sensor,
    images: LensImages,
    projection: Projection,
    vignetting: f64,
    gradient: [f64; 2],
    seed: u64,
}

/// A star cut into small grids along its path.
struct Drawn<'a> {
    electrons: f64,
    colour: [f64; 3],
    table: &'a PsfTable,
    reach: i32,
    wing: f64,
    pieces: Vec<Piece>,
    rows: (i32, i32),
}

struct Piece {
    cells: Cells,
    columns: (i32, i32),
    rows: (i32, i32),
    mean: [f64; 2],
    weight: f64,
}

impl Painter {
    /// Works out what all frames share.
    pub fn new(scenario: &Scenario, projection: Projection) -> Self {
        let towards = scenario.sky.gradient_towards_deg.to_radians();
        let corner = projection.center[0].hypot(projection.center[1]);
        let slope = scenario.sky.gradient / corner;
        Self {
            sensor: Sensor::new(scenario),
            images: LensImages::new(&scenario.lens, &projection),
            projection,
            vignetting: scenario.lens.vignetting,
            gradient: [slope * towards.cos(), slope * towards.sin()],
            seed: scenario.seed,
        }
    }

    /// The sensor.
    pub fn sensor(&self) -> &Sensor {
        &self.sensor
    }

    /// Share of the light that reaches a place on the frame.
    fn fall_off(&self, pixel: [f64; 2]) -> f64 {
        let r = self.projection.relative_radius(pixel);
        1.0 - self.vignetting * r * r
    }

    /// Mean electrons of the empty sky.
    pub fn sky(&self, exposure_s: f64, air: Air) -> Vec<f32> {
        let (width, height) = (self.sensor.width, self.sensor.height);
        let level = self.sensor.sky * air.sky_factor * exposure_s;
        let colour = self.sensor.sky_colour();
        let [cx, cy] = self.projection.center;
        let mut light = vec![0f32; width * height];
        light
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(row, values)| {
                let filters = [0, 1].map(|c| self.sensor.response(row, c, &colour));
                for (column, value) in values.iter_mut().enumerate() {
                    let (x, y) = (column as f64 - cx, row as f64 - cy);
                    let slope = 1.0 + self.gradient[0] * x + self.gradient[1] * y;
                    let fall = 1.0 - self.vignetting * (x * x + y * y) / (cx * cx + cy * cy);
                    *value = (level * slope * fall * filters[column % 2]) as f32;
                }
            });
        light
    }

    /// Adds stars along their paths; gives the number drawn.
    pub fn stars(
        &self,
        light: &mut [f32],
        stars: &[SkyStar],
        exposure: &Exposure,
        exposure_s: f64,
        air: Air,
    ) -> usize {
        let noise = self
            .sensor
            .sky_variance(exposure_s, air.sky_factor)
            .sqrt()
            .max(0.5);
        let mut drawn = 0;
        for batch in stars.chunks(BATCH) {
            let prepared: Vec<Drawn> = batch
                .par_iter()
                .filter_map(|star| {
                    let path = exposure.path(star.ra, star.dec)?;
                    let electrons = self.sensor.electrons(star.magnitude, exposure_s);
                    let colour = star_colour(self.seed, star);
                    self.prepare(&path, electrons * air.transparency, colour, noise)
                })
                .collect();
            drawn += prepared.len();
            self.draw(light, &prepared);
        }
        drawn
    }

    /// Adds a satellite's straight line through the frame.
    pub fn streak(
        &self,
        light: &mut [f32],
        peak_over_noise: f64,
        exposure_s: f64,
        air: Air,
        frame_number: u32,
    ) {
        let mut dice = dice(self.seed, &[STREAK, u64::from(frame_number)]);
        let noise = self.sensor.sky_variance(exposure_s, air.sky_factor).sqrt();
        let angle: f64 = dice.random_range(0.0..TAU);
        let [cx, cy] = self.projection.center;
        let middle = [
            cx * dice.random_range(0.6..1.4),
            cy * dice.random_range(0.6..1.4),
        ];
        let length = 2.0 * cx.hypot(cy);
        let count = (2.0 * length / 0.25) as usize;
        let path: Vec<Spot> = (0..count)
            .map(|k| ((k as f64 + 0.5) / count as f64 - 0.5) * 2.0 * length)
            .map(|s| Spot {
                x: middle[0] + s * angle.cos(),
                y: middle[1] + s * angle.sin(),
                weight: 1.0 / count as f64,
            })
            .filter(|s| s.x.abs() < 3.0 * cx + 100.0 && s.y.abs() < 3.0 * cy + 100.0)
            .collect();
        // A line of light per pixel L through a profile of width w peaks near L / w.
        let width = 1.0 / (self.images.profile.density(0.0).sqrt());
        let electrons = peak_over_noise * noise * width * 2.0 * length;
        if let Some(line) = self.prepare(&path, electrons, [1.0; 3], noise * 1e6) {
            self.draw(light, &[line]);
        }
    }

    fn prepare(
        &self,
        path: &[Spot],
        electrons: f64,
        colour: [f64; 3],
        noise: f64,
    ) -> Option<Drawn<'_>> {
        let middle = mean(path);
        let table = self.images.at(middle);
        let wing = self
            .images
            .profile
            .radius_at(electrons, WING_LEVEL * noise)
            .min(WIDEST_WING);
        let reach = (wing.ceil() as i32).clamp(table.radius.min(5), table.radius);
        let margin = reach.max(wing.ceil() as i32) + 1;
        let (width, height) = (self.sensor.width as i32, self.sensor.height as i32);
        let pieces: Vec<Piece> = cut(path)
            .into_iter()
            .map(Piece::new)
            .filter(|p| {
                p.columns.1 + margin >= 0
                    && p.columns.0 - margin < width
                    && p.rows.1 + margin >= 0
                    && p.rows.0 - margin < height
            })
            .collect();
        let first = pieces.iter().map(|p| p.rows.0).min()?;
        let last = pieces.iter().map(|p| p.rows.1).max()?;
        Some(Drawn {
            electrons: electrons * self.fall_off(middle).max(0.0),
            colour,
            table,
            reach,
            wing,
            pieces,
            rows: (first - margin, last + margin),
        })
    }

    fn draw(&self, light: &mut [f32], stars: &[Drawn]) {
        let width = self.sensor.width;
        light
            .par_chunks_mut(width * BAND)
            .enumerate()
            .for_each(|(band, rows)| {
                let first = (band * BAND) as i32;
                let last = first + (rows.len() / width) as i32 - 1;
                let mut line = vec![0f32; width];
                for star in stars
                    .iter()
                    .filter(|s| s.rows.0 <= last && s.rows.1 >= first)
                {
                    for y in first.max(star.rows.0)..=last.min(star.rows.1) {
                        let from = (y - first) as usize * width;
                        self.draw_row(&mut rows[from..from + width], &mut line, star, y);
                    }
                }
            });
    }

    /// Adds one star's light to one row; `line` is scratch space, left at zero.
    fn draw_row(&self, row: &mut [f32], line: &mut [f32], star: &Drawn, y: i32) {
        let width = row.len() as i32;
        let (mut low, mut high) = (width, -1);
        for piece in &star.pieces {
            if piece.rows.0 - star.reach - 1 <= y && y <= piece.rows.1 + star.reach + 1 {
                for &(cx, cy, share) in &piece.cells.cells {
                    let Some((first, values)) = star.table.row(cx, cy, y, star.reach) else {
                        continue;
                    };
                    let from = first.max(0);
                    let to = (first + values.len() as i32).min(width);
                    if from >= to {
                        continue;
                    }
                    let source = &values[(from - first) as usize..(to - first) as usize];
                    let target = &mut line[from as usize..to as usize];
                    for (t, s) in target.iter_mut().zip(source) {
                        *t += share * s;
                    }
                    (low, high) = (low.min(from), high.max(to - 1));
                }
            }
            if star.wing > f64::from(star.table.radius) {
                self.add_wing(line, star, piece, y, &mut low, &mut high);
            }
        }
        let filters = [0, 1].map(|c| self.sensor.response(y as usize, c, &star.colour));
        for x in low.max(0)..=high {
            let x = x as usize;
            row[x] += (f64::from(line[x]) * star.electrons * filters[x % 2]) as f32;
            line[x] = 0.0;
        }
    }

    /// The far wings of a bright star, outside of its table.
    fn add_wing(
        &self,
        line: &mut [f32],
        star: &Drawn,
        piece: &Piece,
        y: i32,
        low: &mut i32,
        high: &mut i32,
    ) {
        let dy = f64::from(y) - piece.mean[1];
        let span2 = star.wing * star.wing - dy * dy;
        if span2 <= 0.0 {
            return;
        }
        let span = span2.sqrt();
        let from = ((piece.mean[0] - span).ceil() as i32).max(0);
        let to = ((piece.mean[0] + span).floor() as i32).min(line.len() as i32 - 1);
        let table = f64::from(star.table.radius);
        for x in from..=to {
            let dx = f64::from(x) - piece.mean[0];
            if dx.abs() > table || dy.abs() > table {
                let density = self.images.profile.density(dx * dx + dy * dy);
                line[x as usize] += (piece.weight * density) as f32;
            }
        }
        if from <= to {
            (*low, *high) = ((*low).min(from), (*high).max(to));
        }
    }
}

/// Cuts a path into stretches that fit into small boxes.
fn cut(path: &[Spot]) -> Vec<&[Spot]> {
    let mut stretches = Vec::new();
    let mut from = 0;
    let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
    for (k, spot) in path.iter().enumerate() {
        let at = [spot.x, spot.y];
        let grown: [[f64; 2]; 2] =
            std::array::from_fn(|axis| [low[axis].min(at[axis]), high[axis].max(at[axis])]);
        if k > from && grown.iter().any(|[l, h]| h - l > PIECE) {
            stretches.push(&path[from..k]);
            from = k;
            (low, high) = (at, at);
        } else {
            low = [grown[0][0], grown[1][0]];
            high = [grown[0][1], grown[1][1]];
        }
    }
    stretches.push(&path[from..]);
    stretches
}

impl Piece {
    fn new(spots: &[Spot]) -> Self {
        let points: Vec<(f64, f64, f64)> = spots.iter().map(|s| (s.x, s.y, s.weight)).collect();
        let range = |pick: fn(&Spot) -> f64| {
            let (low, high) = spots
                .iter()
                .map(pick)
                .fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
            (low.floor() as i32, high.ceil() as i32)
        };
        Self {
            cells: Cells::deposit(&points),
            columns: range(|s| s.x),
            rows: range(|s| s.y),
            mean: mean(spots),
            weight: spots.iter().map(|s| s.weight).sum(),
        }
    }
}

/// Colour of a star, green being 1: the same one in every frame.
fn star_colour(seed: u64, star: &SkyStar) -> [f64; 3] {
    let mut dice = dice(seed, &[STAR_COLOUR, star.ra.to_bits(), star.dec.to_bits()]);
    // Natural logarithm of red over green; most stars are a little warm (invented, of the usual size).
    let warmth: f64 = dice.random_range(-0.25..0.45);
    [warmth.exp(), 1.0, (-1.2 * warmth).exp()]
}
