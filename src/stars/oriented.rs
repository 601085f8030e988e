//! Matched filter for trailed stars: sums along the trail's own direction, tile by tile.

use rayon::prelude::*;

use super::field::VectorField;
use super::fit::FitSetup;
use super::pace::Pace;
use super::sheared::Sheared;
use crate::units::{PixelPoint, PixelVector};

/// Smallest side of a tile, within which the trail vector is taken as one; long trails take larger
/// tiles, for the margin of half a trail on both sides would cost more than the tile.
const LEAST_TILE: usize = 192;
const LARGEST_TILE: usize = 448;

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
/// runs along it (and the ends count for more where the light dwelt there), a Gaussian of the star's
/// width across; 3. responses are scaled to the scatter of the sky's responses; 4. strongest first,
/// what a stronger trail's own response explains is dropped.
pub(super) fn scan_trails(setup: &FitSetup, field: &VectorField, threshold: f32) -> Vec<TrailPeak> {
    let (width, height) = (setup.plane.width(), setup.plane.height());
    let length = field.at(setup.plane.center()).length().px() as usize;
    let tile = length.clamp(LEAST_TILE, LARGEST_TILE);
    let (columns, rows) = (width.div_ceil(tile), height.div_ceil(tile));
    let tiles: Vec<TileScan> = (0..columns * rows)
        .into_par_iter()
        .map(|index| {
            let (x, y) = (index % columns * tile, index / columns * tile);
            let area = Tile {
                x,
                y,
                width: tile.min(width - x),
                height: tile.min(height - y),
            };
            scan_tile(setup, field, area, threshold)
        })
        .collect();
    let mut peaks: Vec<TrailPeak> = scaled_to_scatter(tiles);
    peaks.retain(|p| p.significance > threshold && !setup.sky.is_textured(p.place));
    peaks.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    without_echoes(&peaks, setup.psf.core, setup.pace, threshold)
}

/// A rectangle of the frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tile {
    pub(super) x: usize,
    pub(super) y: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Tile {
    fn middle(self) -> PixelPoint {
        PixelPoint::new(
            self.x as f64 + 0.5 * self.width as f64,
            self.y as f64 + 0.5 * self.height as f64,
        )
    }

    /// Whether a place belongs to this tile and to no other.
    pub(super) fn holds(self, x: f32, y: f32) -> bool {
        let inside = |v: f32, start: usize, size: usize| {
            v >= start as f32 - 0.5 && v < (start + size) as f32 - 0.5
        };
        inside(x, self.x, self.width) && inside(y, self.y, self.height)
    }
}

struct TileScan {
    /// Responses over the pixel noise.
    peaks: Vec<TrailPeak>,
    /// Scatter of the sky's responses over the pixel noise.
    scatter: f32,
}

fn scan_tile(setup: &FitSetup, field: &VectorField, tile: Tile, threshold: f32) -> TileScan {
    let vector = field.at(tile.middle());
    let sheared = Sheared::filtered(setup, vector, tile);
    let scatter = sheared.scatter();
    let noise = setup.sky.noise_near(tile.middle()) as f32;
    let peaks = sheared
        .peaks(0.5 * threshold * scatter, tile)
        .into_iter()
        .map(|(x, y, value)| TrailPeak {
            place: PixelPoint::new(x.into(), y.into()),
            vector,
            significance: value / noise,
        })
        .collect();
    TileScan {
        peaks,
        scatter: scatter / noise,
    }
}

/// Responses in units of the sky's scatter: its median over the tiles, or the tile's own where that is
/// larger and the picture rough.
fn scaled_to_scatter(tiles: Vec<TileScan>) -> Vec<TrailPeak> {
    let mut scatters: Vec<f32> = tiles
        .iter()
        .map(|t| t.scatter)
        .filter(|s| *s > 0.0)
        .collect();
    if scatters.is_empty() {
        return Vec::new();
    }
    let middle = scatters.len() / 2;
    let usual = *scatters.select_nth_unstable_by(middle, f32::total_cmp).1;
    let scaled = |tile: TileScan| {
        let scatter = usual.max(tile.scatter);
        tile.peaks.into_iter().map(move |p| TrailPeak {
            significance: p.significance / scatter,
            ..p
        })
    };
    tiles.into_iter().flat_map(scaled).collect()
}

/// Drops responses that a stronger trail explains.
fn without_echoes(peaks: &[TrailPeak], sigma: f64, pace: Pace, threshold: f32) -> Vec<TrailPeak> {
    let longest = peaks
        .iter()
        .map(|p| p.vector.length().px())
        .fold(0.0, f64::max);
    let reach = longest + 10.0 * sigma;
    let cell = |p: &TrailPeak| ((p.place.x / reach) as i64, (p.place.y / reach) as i64);
    let mut kept: Vec<TrailPeak> = Vec::new();
    let mut grid: std::collections::BTreeMap<(i64, i64), Vec<usize>> = Default::default();
    for peak in peaks {
        let (cx, cy) = cell(peak);
        let near = (cx - 1..=cx + 1).flat_map(|x| (cy - 1..=cy + 1).map(move |y| (x, y)));
        let echo: f64 = near
            .filter_map(|key| grid.get(&key))
            .flatten()
            .map(|i| echo_of(&kept[*i], peak, sigma, pace))
            .sum();
        if f64::from(peak.significance) - echo > f64::from(threshold).max(0.35 * echo) {
            grid.entry((cx, cy)).or_default().push(kept.len());
            kept.push(*peak);
        }
    }
    kept
}

/// Response that the trail `of` leaves at the place of another: falls off evenly over its length along
/// the trail, with the star's width and faint wings across; an end where the light dwelt answers again
/// where it falls on the filter's other parts.
fn echo_of(of: &TrailPeak, at: &TrailPeak, sigma: f64, pace: Pace) -> f64 {
    let length = of.vector.length().px();
    let (c, s) = (of.vector.dx / length, of.vector.dy / length);
    let (rx, ry) = (at.place.x - of.place.x, at.place.y - of.place.y);
    let (u, v) = ((rx * c + ry * s).abs(), (ry * c - rx * s).abs());
    let along = (1.0 - u / (length + 2.0 * sigma)).max(0.0);
    let t = v / (2.0 * sigma);
    let across = (-t * t).exp() + 0.1 / (1.0 + t * t * t);
    let again = if u < length + 4.0 * sigma {
        pace.start.max(pace.end)
    } else {
        0.0
    };
    f64::from(of.significance) * along.max(again) * across
}

#[cfg(test)]
mod tests {
    use super::super::background::Background;
    use super::super::noise::Noise;
    use super::super::psf::Psf;
    use super::super::rendered::{Drawn, Scene, flux_for, picture};
    use super::*;

    fn peaks(stars: &[Drawn], scene: &Scene, vector: (f64, f64)) -> Vec<TrailPeak> {
        let plane = picture(scene, stars);
        let sky = Background::estimate(&plane);
        let setup = FitSetup {
            plane: &plane,
            sky: &sky,
            noise: Noise::WHITE,
            psf: Psf::gaussian(1.1),
            pace: Pace::default(),
            saturation: 10.0,
        };
        let field = VectorField::uniform(plane.center(), PixelVector::new(vector.0, vector.1));
        scan_trails(&setup, &field, 6.0)
    }

    #[test]
    fn faint_trails_are_found_at_their_middles_in_all_directions() {
        for (dx, dy) in [(60.0, 12.0), (-25.0, 50.0), (40.0, -40.0), (0.0, 55.0)] {
            let scene = Scene {
                width: 460,
                height: 420,
                ..Scene::clear(2.5, 4)
            };
            // Each pixel of these stands less than one sigma above the sky.
            let flux = flux_for(&scene, (dx, dy), 14.0);
            let stars = [
                Drawn {
                    x: 120.0,
                    y: 110.0,
                    dx,
                    dy,
                    flux,
                },
                Drawn {
                    x: 300.0,
                    y: 270.0,
                    dx,
                    dy,
                    flux,
                },
            ];
            let found = peaks(&stars, &scene, (dx, dy));
            assert_eq!(found.len(), 2, "{dx} {dy}: {found:?}");
            for peak in found {
                assert!(
                    stars
                        .iter()
                        .any(|s| (s.x - peak.place.x).hypot(s.y - peak.place.y) < 8.0),
                    "{peak:?}"
                );
                assert!((peak.significance - 13.0).abs() < 4.5, "{peak:?}");
            }
        }
    }

    #[test]
    fn a_bright_trail_has_no_echoes_and_hides_no_neighbour() {
        let scene = Scene {
            width: 400,
            height: 360,
            ..Scene::clear(2.5, 5)
        };
        let (dx, dy) = (50.0, 20.0);
        let flux = flux_for(&scene, (dx, dy), 300.0);
        let bright = Drawn {
            x: 200.0,
            y: 180.0,
            dx,
            dy,
            flux,
        };
        let beside = Drawn {
            x: 190.0,
            y: 196.0,
            flux: 0.15 * flux,
            ..bright
        };
        let found = peaks(&[bright, beside], &scene, (dx, dy));
        assert_eq!(found.len(), 2, "{found:?}");
    }
}
