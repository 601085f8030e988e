//! A star's path over the frame during one exposure, as weighted points not more than 0.3 px apart.
//!
//! The star's direction over the ground is worked out by SOFA at a few instants and interpolated
//! between them (it moves smoothly); the camera's attitude is exact at every point.

use nalgebra::{Matrix3, Vector3};
use rand::RngExt;

use super::dice::dice;
use super::observer::{Observer, SkyMoment};
use super::optics::Projection;
use super::rig::Rig;
use super::schedule::Shot;
use crate::error::Error;

/// Instants at which the sky is worked out. With 6 the direction is interpolated to 1e-9 rad over
/// 5 minutes and to 1e-6 rad over an hour.
const NODES: usize = 6;
/// Longest step along the path.
const STEP_PX: f64 = 0.3;
/// Points of a swinging camera's path, at least.
const SWING_POINTS: usize = 600;
const MOST_POINTS: usize = 20_000;
/// Distance kept from the far side of a kink or step.
const HAIR_S: f64 = 1e-6;
/// Mark of the dice that choose the instants of a swinging camera's path.
const INSTANTS: u64 = 0x1257;

/// One exposure as the stars see it.
#[derive(Debug, Clone)]
pub struct Exposure {
    nodes: Vec<SkyMoment>,
    mid: SkyMoment,
    mid_to_camera: Matrix3<f64>,
    start_to_camera: Matrix3<f64>,
    end_to_camera: Matrix3<f64>,
    points: Vec<PathPoint>,
    longest_trail_px: f64,
    projection: Projection,
}

#[derive(Debug, Clone)]
struct PathPoint {
    weight: f64,
    shares: [f64; NODES],
    to_camera: Matrix3<f64>,
}

/// A point of a path: pixel coordinates and share of the exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Pixels to the right of the first pixel's centre.
    pub x: f64,
    /// Pixels below the first pixel's centre.
    pub y: f64,
    /// Share of the light.
    pub weight: f64,
}

impl Exposure {
    /// Works out one exposure of a rig.
    ///
    /// # Errors
    /// Where the sky cannot be worked out for the date.
    pub fn new(
        observer: &Observer,
        rig: &Rig,
        shot: &Shot,
        projection: Projection,
        seed: u64,
    ) -> Result<Self, Error> {
        let nodes = node_instants(shot)
            .iter()
            .map(|&t| observer.moment(t))
            .collect::<Result<Vec<_>, _>>()?;
        let inverse = |t: f64| rig.steady_attitude(shot, t).inverse().into_inner();
        let mut exposure = Self {
            nodes,
            mid: observer.moment(shot.mid())?,
            mid_to_camera: inverse(shot.mid()),
            start_to_camera: inverse(shot.start),
            end_to_camera: inverse(shot.end()),
            points: Vec::new(),
            longest_trail_px: 0.0,
            projection,
        };
        exposure.longest_trail_px = exposure.longest_path(rig, shot, shot.start, shot.end());
        exposure.points = exposure.lay_points(rig, shot, seed);
        Ok(exposure)
    }

    /// Length of the longest of nine paths over the frame, pixels, without swinging.
    pub fn longest_trail_px(&self) -> f64 {
        self.longest_trail_px
    }

    /// ICRS place (radians) that a pixel sees at mid exposure.
    pub fn place_at(&self, pixel: [f64; 2]) -> (f64, f64) {
        let seen = self.mid_to_camera.transpose() * self.projection.direction(pixel);
        self.mid.icrs(&seen)
    }

    /// Direction in the horizon frame that a pixel sees at mid exposure.
    pub fn direction_at(&self, pixel: [f64; 2]) -> Vector3<f64> {
        self.mid_to_camera.transpose() * self.projection.direction(pixel)
    }

    /// Pixels of a star at the start and the end of the exposure, without swinging.
    pub fn ends(&self, ra: f64, dec: f64) -> Option<([f64; 2], [f64; 2])> {
        let first = self.start_to_camera * self.nodes[0].seen(ra, dec);
        let last = self.end_to_camera * self.nodes[NODES - 1].seen(ra, dec);
        Some((
            self.projection.pixel(&first)?,
            self.projection.pixel(&last)?,
        ))
    }

    /// The whole path of a star; `None` where a part of it lies far outside of the view.
    pub fn path(&self, ra: f64, dec: f64) -> Option<Vec<Spot>> {
        let seen: Vec<Vector3<f64>> = self.nodes.iter().map(|n| n.seen(ra, dec)).collect();
        self.points
            .iter()
            .map(|point| {
                let mut direction = Vector3::zeros();
                for (share, node) in point.shares.iter().zip(&seen) {
                    direction += *node * *share;
                }
                let [x, y] = self.projection.pixel(&(point.to_camera * direction))?;
                Some(Spot {
                    x,
                    y,
                    weight: point.weight,
                })
            })
            .collect()
    }

    fn lay_points(&self, rig: &Rig, shot: &Shot, seed: u64) -> Vec<PathPoint> {
        let mut edges = vec![shot.start];
        edges.extend(rig.breaks(shot.start, shot.end()));
        edges.push(shot.end());
        let pieces: Vec<(f64, f64, usize)> = edges
            .windows(2)
            .filter(|pair| pair[1] - pair[0] > 3.0 * HAIR_S)
            .map(|pair| {
                let (from, to) = (pair[0], pair[1] - HAIR_S);
                let steps = (self.longest_path(rig, shot, from, to) / STEP_PX).ceil() as usize;
                (from, to, steps.clamp(4, MOST_POINTS).next_multiple_of(2))
            })
            .collect();
        let instants = if rig.swings() {
            let points = pieces.iter().map(|p| p.2).sum::<usize>().max(SWING_POINTS);
            scattered_instants(shot, points, seed)
        } else {
            pieces
                .iter()
                .flat_map(|&(from, to, steps)| simpson(from, to, steps, shot.exposure))
                .collect()
        };
        instants
            .into_iter()
            .map(|(t, weight)| PathPoint {
                weight,
                shares: node_shares(shot, t),
                to_camera: rig.attitude(shot, t).inverse().into_inner(),
            })
            .collect()
    }

    /// Length of the longest path among nine places of the frame, pixels.
    fn longest_path(&self, rig: &Rig, shot: &Shot, from: f64, to: f64) -> f64 {
        const LEGS: usize = 24;
        let attitudes: Vec<([f64; NODES], Matrix3<f64>)> = (0..=LEGS)
            .map(|k| from + (to - from) * k as f64 / LEGS as f64)
            .map(|t| {
                (
                    node_shares(shot, t),
                    rig.steady_attitude(shot, t).inverse().into_inner(),
                )
            })
            .collect();
        let [cx, cy] = self.projection.center;
        let mut longest: f64 = 0.0;
        for (fx, fy) in (0..9).map(|i| (f64::from(i % 3), f64::from(i / 3))) {
            let (ra, dec) = self.place_at([cx * fx, cy * fy]);
            let seen: Vec<Vector3<f64>> = self.nodes.iter().map(|n| n.seen(ra, dec)).collect();
            let spots: Vec<[f64; 2]> = attitudes
                .iter()
                .filter_map(|(shares, to_camera)| {
                    let direction: Vector3<f64> = shares
                        .iter()
                        .zip(&seen)
                        .map(|(share, node)| node * *share)
                        .sum();
                    self.projection.pixel(&(to_camera * direction))
                })
                .collect();
            let length = spots
                .windows(2)
                .map(|p| (p[1][0] - p[0][0]).hypot(p[1][1] - p[0][1]))
                .sum();
            longest = longest.max(length);
        }
        longest
    }
}

/// Mean place of a path.
pub fn mean(path: &[Spot]) -> [f64; 2] {
    let (mut total, mut x, mut y) = (0.0, 0.0, 0.0);
    for spot in path {
        total += spot.weight;
        x += spot.weight * spot.x;
        y += spot.weight * spot.y;
    }
    [x / total, y / total]
}

/// Second moments (xx, xy, yy) of a path about its mean, square pixels.
pub fn spread(path: &[Spot]) -> [f64; 3] {
    let [mx, my] = mean(path);
    let total: f64 = path.iter().map(|s| s.weight).sum();
    let mut moments = [0.0; 3];
    for spot in path {
        let (dx, dy) = (spot.x - mx, spot.y - my);
        moments[0] += spot.weight * dx * dx / total;
        moments[1] += spot.weight * dx * dy / total;
        moments[2] += spot.weight * dy * dy / total;
    }
    moments
}

/// Instants at which the sky is worked out: the ends and Chebyshev-Lobatto points between them.
fn node_instants(shot: &Shot) -> [f64; NODES] {
    std::array::from_fn(|k| {
        let turn = std::f64::consts::PI * k as f64 / (NODES - 1) as f64;
        shot.mid() - 0.5 * shot.exposure * turn.cos()
    })
}

/// Lagrange's weights of the nodes for an instant.
fn node_shares(shot: &Shot, t: f64) -> [f64; NODES] {
    let nodes = node_instants(shot);
    std::array::from_fn(|k| {
        (0..NODES)
            .filter(|&j| j != k)
            .map(|j| (t - nodes[j]) / (nodes[k] - nodes[j]))
            .product()
    })
}

/// Simpson's instants and weights, so that the second moment of a straight path is exact.
fn simpson(from: f64, to: f64, steps: usize, whole: f64) -> Vec<(f64, f64)> {
    let unit = (to - from) / (3.0 * steps as f64 * whole);
    (0..=steps)
        .map(|k| {
            let factor = match k {
                0 => 1.0,
                _ if k == steps => 1.0,
                _ if k % 2 == 1 => 4.0,
                _ => 2.0,
            };
            (from + (to - from) * k as f64 / steps as f64, factor * unit)
        })
        .collect()
}

/// One instant at random in each of equal slices, equal weights.
fn scattered_instants(shot: &Shot, points: usize, seed: u64) -> Vec<(f64, f64)> {
    let mut dice = dice(seed, &[INSTANTS, u64::from(shot.number)]);
    (0..points)
        .map(|k| {
            let at = (k as f64 + dice.random_range(0.0..1.0)) / points as f64;
            (shot.start + at * shot.exposure, 1.0 / points as f64)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::scenario::Scenario;
    use super::super::schedule::plan;
    use super::*;

    /// A night at 30 degrees of altitude with an exposure of the given length.
    fn exposure(seconds: f64, drive: &str) -> (Observer, Rig, Shot, Exposure) {
        let text = format!(
            r#"
            seed = 4
            start_utc = "2026-02-03T20:00:00Z"
            [site]
            latitude_deg = 44.0
            longitude_deg = 5.0
            pressure_hpa = 950.0
            temperature_c = 3.0
            [camera]
            maker = "Invented"
            model = "I-1"
            width_px = 1200
            height_px = 800
            pitch_um = 4.0
            read_noise_e = 2.0
            full_well_e = 30000.0
            iso = 400.0
            bits = 14
            [lens]
            name = "Invented 200 mm"
            focal_mm = 200.0
            f_number = 4.0
            fwhm_px = 2.5
            [sky]
            brightness_mag_arcsec2 = 20.0
            [output]
            format = "jpg"
            utc_offset_h = 0.0
            prefix = "T"
            first_number = 1
            [[alignment]]
            axis = {{ altitude_error_arcmin = 30.0, azimuth_error_arcmin = -50.0 }}
            drive = {drive}
            [[alignment.pointing]]
            facing = "south-east"
            altitude_deg = 30.0
            frames = 1
            exposure_s = {seconds:?}
            gap_s = 10.0
            "#
        );
        let scenario = Scenario::parse(&text).unwrap();
        let (observer, plans) = (Observer::new(&scenario), plan(&scenario));
        let rig = Rig::new(&scenario.alignments[0], &plans[0], &observer, 4).unwrap();
        let shot = plans[0].shots[0];
        let lens = Projection::new(&scenario);
        let exposure = Exposure::new(&observer, &rig, &shot, lens, 4).unwrap();
        (observer, rig, shot, exposure)
    }

    #[test]
    fn the_interpolated_path_agrees_with_sofa_at_every_instant() {
        for (seconds, tolerance_px) in [(300.0, 1e-5), (3600.0, 0.02)] {
            let (observer, rig, shot, exposure) = exposure(seconds, "{ rate = \"sidereal\" }");
            let (ra, dec) = exposure.place_at([100.0, 700.0]);
            let path = exposure.path(ra, dec).unwrap();
            let count = path.len();
            for (k, spot) in path.iter().enumerate() {
                let t = shot.start + (shot.exposure - HAIR_S) * k as f64 / (count - 1) as f64;
                let seen = observer.moment(t).unwrap().seen(ra, dec);
                let in_camera = rig.attitude(&shot, t).inverse() * seen;
                let [x, y] = exposure.projection.pixel(&in_camera).unwrap();
                assert!(
                    (x - spot.x).hypot(y - spot.y) < tolerance_px,
                    "{seconds} {k}"
                );
            }
        }
    }

    #[test]
    fn light_adds_up_to_one_and_steps_are_small_across_a_slip() {
        let drive = "{ rate = \"solar\", slip = [{ frame = 0, second = 20.0, arcsec = 90.0 }] }";
        let (_, _, _, exposure) = exposure(60.0, drive);
        let (ra, dec) = exposure.place_at([599.5, 399.5]);
        let path = exposure.path(ra, dec).unwrap();
        let total: f64 = path.iter().map(|s| s.weight).sum();
        assert!((total - 1.0).abs() < 1e-6);
        let far = path
            .windows(2)
            .filter(|p| (p[1].x - p[0].x).hypot(p[1].y - p[0].y) > STEP_PX + 0.01);
        // Only the slip itself is a jump.
        assert_eq!(far.count(), 1);
    }

    #[test]
    fn a_straight_path_has_the_variance_of_a_segment() {
        let points = simpson(0.0, 60.0, 4, 60.0);
        let spots: Vec<Spot> = points
            .iter()
            .map(|&(t, weight)| Spot {
                x: t / 60.0,
                y: 0.0,
                weight,
            })
            .collect();
        assert!((spread(&spots)[0] - 1.0 / 12.0).abs() < 1e-12);
    }
}
