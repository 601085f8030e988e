//! How the camera turned over the ground between the frames of a pointing, from its tracks.
//!
//! The stars need no names: where a star stood at the reference instant, seen through the
//! reference attitude, says where it stands at any other instant (the sky turns, the air
//! refracts). Comparing that with where the camera sees it gives the camera's attitude then.
//! Star places are improved along with the attitudes, so that every frame counts alike.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::lens::Lens;
use super::tracks::Track;
use crate::sky::rotation::skew;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::stars::{Star, StarField};
use crate::units::{PixelTensor, Seconds};

/// Where a star seen at a horizon direction will be seen after a while (before, if negative).
pub type Evolve<'a> = dyn Fn(Direction<Horizon>, Seconds) -> Direction<Horizon> + Sync + 'a;

/// The camera's attitude in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameAttitude {
    /// Camera now = `turn` * reference attitude, in the horizon frame.
    pub turn: Rotation3<f64>,
    /// Covariance of the rotation vector that would correct `turn` from the left, square radians.
    pub covariance: Matrix3<f64>,
    /// Stars that it rests on.
    pub n_stars: usize,
    /// Residual of one star, root mean square of one coordinate, pixels.
    pub rms_px: f64,
}

/// What the solution starts from.
pub struct Reference<'a> {
    /// The lens, shared by all frames.
    pub lens: &'a Lens,
    /// Attitude at the instant from which `elapsed` counts.
    pub attitude: Rotation<Camera, Horizon>,
    /// Frame whose attitude that is.
    pub frame: usize,
    /// Motion of the sky.
    pub evolve: &'a Evolve<'a>,
}

/// A star's weight is never taken finer than this: what the centroid of a real star on real
/// pixels leaves out (own estimate, checked by the practice nights' pulls).
const POSITION_FLOOR_PX: f64 = 0.01;
/// What a whole frame's attitude leaves out, however many stars it rests on: pattern of the pixels,
/// of compression, of a lens that is not quite the model (own estimate, pixels across the line of
/// sight and at half the frame's height about it).
const FRAME_FLOOR_PX: f64 = 0.01;
/// Rounds of improving star places and attitudes in turn; the change after eight is below 1e-3 sigma.
const ROUNDS: usize = 8;
const MIN_STARS: usize = 4;

/// Attitudes of all frames that enough tracks reach; `None` for the others.
///
/// Input: `fields` and `elapsed` (mid exposure since the reference instant) run alike.
/// Output: covariances are 1-sigma from the stars' own sigmas, scaled by the residuals.
pub fn solve_attitudes(
    fields: &[&StarField],
    elapsed: &[Seconds],
    tracks: &[Track],
    reference: &Reference<'_>,
) -> Vec<Option<FrameAttitude>> {
    let mut solver = Solver::new(fields, elapsed, tracks, reference);
    solver.spread_from_reference();
    for _ in 0..ROUNDS {
        solver.improve_places();
        solver.improve_attitudes();
    }
    solver.finish()
}

/// A star seen in a frame.
#[derive(Clone, Copy)]
struct Sighting {
    track: usize,
    star: Star,
}

struct Solver<'a> {
    reference: &'a Reference<'a>,
    elapsed: &'a [Seconds],
    sightings: Vec<Vec<Sighting>>,
    n_sightings: Vec<usize>,
    /// Place of each track's star at the reference instant.
    places: Vec<Option<Direction<Horizon>>>,
    attitudes: Vec<Option<Rotation<Camera, Horizon>>>,
}

impl<'a> Solver<'a> {
    fn new(
        fields: &[&StarField],
        elapsed: &'a [Seconds],
        tracks: &[Track],
        reference: &'a Reference<'a>,
    ) -> Self {
        let mut sightings = vec![Vec::new(); fields.len()];
        for (track, path) in tracks.iter().enumerate() {
            for &(frame, star) in &path.sightings {
                sightings[frame].push(Sighting {
                    track,
                    star: fields[frame].stars[star],
                });
            }
        }
        let mut attitudes = vec![None; fields.len()];
        attitudes[reference.frame] = Some(reference.attitude);
        Self {
            reference,
            elapsed,
            sightings,
            n_sightings: tracks.iter().map(|track| track.sightings.len()).collect(),
            places: vec![None; tracks.len()],
            attitudes,
        }
    }

    /// First attitudes, outward from the reference frame: each frame from the stars known so far.
    fn spread_from_reference(&mut self) {
        let n_frames = self.elapsed.len();
        let start = self.reference.frame;
        self.place_new_stars(start);
        for frame in (start + 1..n_frames).chain((0..start).rev()) {
            self.attitudes[frame] = self.first_attitude(frame);
            if self.attitudes[frame].is_some() {
                self.place_new_stars(frame);
            }
        }
    }

    fn place_new_stars(&mut self, frame: usize) {
        let Some(attitude) = self.attitudes[frame] else {
            return;
        };
        for sighting in &self.sightings[frame] {
            if self.places[sighting.track].is_none() {
                let seen = attitude.apply(self.reference.lens.direction(sighting.star.position));
                let back = -self.elapsed[frame];
                self.places[sighting.track] = Some((self.reference.evolve)(seen, back));
            }
        }
    }

    /// Attitude by the orthogonal fit of two bundles of directions, then refined on the pixels.
    fn first_attitude(&self, frame: usize) -> Option<Rotation<Camera, Horizon>> {
        let mut cross = Matrix3::zeros();
        let mut n_stars = 0;
        for sighting in &self.sightings[frame] {
            let Some(place) = self.places[sighting.track] else {
                continue;
            };
            let now = (self.reference.evolve)(place, self.elapsed[frame]);
            let seen = self.reference.lens.direction(sighting.star.position);
            cross += now.vector() * seen.vector().transpose();
            n_stars += 1;
        }
        if n_stars < MIN_STARS {
            return None;
        }
        let first = Rotation::nearest(&cross)?;
        self.refine(frame, first).map(|fit| fit.attitude)
    }

    /// Moves every star seen more than once to the mean of where its frames put it.
    fn improve_places(&mut self) {
        let mut sums = vec![(Vector3::zeros(), 0.0); self.places.len()];
        for (frame, attitude) in self.attitudes.iter().enumerate() {
            let Some(attitude) = attitude else { continue };
            for sighting in &self.sightings[frame] {
                let seen = attitude.apply(self.reference.lens.direction(sighting.star.position));
                let then = (self.reference.evolve)(seen, -self.elapsed[frame]);
                let weight = 1.0 / mean_variance(&sighting.star);
                let sum = &mut sums[sighting.track];
                sum.0 += then.vector() * weight;
                sum.1 += weight;
            }
        }
        for (place, (sum, weight)) in self.places.iter_mut().zip(sums) {
            if weight > 0.0 {
                *place = Some(Direction::new(sum));
            }
        }
    }

    fn improve_attitudes(&mut self) {
        for frame in 0..self.attitudes.len() {
            if let Some(attitude) = self.attitudes[frame] {
                self.attitudes[frame] = self.refine(frame, attitude).map(|fit| fit.attitude);
            }
        }
    }

    /// Gauss-Newton on one frame's attitude with the star places held, outliers weighted down.
    fn refine(&self, frame: usize, start: Rotation<Camera, Horizon>) -> Option<Refined> {
        let mut attitude = start;
        let mut scale = f64::INFINITY;
        let mut last = None;
        for _ in 0..6 {
            let rows = self.rows(frame, &attitude);
            if rows.len() < MIN_STARS {
                return None;
            }
            scale = robust_scale(&rows).min(scale);
            let (normal, right, sum) = weigh(&rows, scale);
            let covariance = normal.try_inverse()?;
            let correction = covariance * right;
            attitude = Rotation::new(Rotation3::new(correction) * attitude.inner());
            last = Some(Refined {
                attitude,
                covariance,
                rows: sum,
            });
            if correction.norm() < 1e-10 {
                break;
            }
        }
        last
    }

    fn rows(&self, frame: usize, attitude: &Rotation<Camera, Horizon>) -> Vec<Row> {
        let to_camera = attitude.inverse();
        let lens = self.reference.lens;
        let mut rows = Vec::with_capacity(self.sightings[frame].len());
        for sighting in &self.sightings[frame] {
            let Some(place) = self.places[sighting.track] else {
                continue;
            };
            let now = (self.reference.evolve)(place, self.elapsed[frame]);
            let in_camera = to_camera.apply(now);
            let Some(expected) = lens.pixel(in_camera) else {
                continue;
            };
            let off = sighting.star.position - expected;
            let to_pixels =
                lens.jacobian(in_camera) * to_camera.inner().matrix() * skew(now.vector());
            // A star whose place is the mean of n sightings shares its own noise: its residual
            // is smaller than its error by (n - 1) / n.
            let n = self.n_sightings[sighting.track].max(2) as f64;
            rows.push(Row {
                off: nalgebra::Vector2::new(off.dx, off.dy),
                to_pixels,
                information: information(&sighting.star),
                shrink: (n - 1.0) / n,
            });
        }
        rows
    }

    fn finish(self) -> Vec<Option<FrameAttitude>> {
        let to_reference = self.reference.attitude.inner().inverse();
        (0..self.attitudes.len())
            .map(|frame| {
                let fit = self.refine(frame, self.attitudes[frame]?)?;
                Some(FrameAttitude {
                    turn: fit.attitude.inner() * to_reference,
                    covariance: fit.covariance * fit.rows.scale_square,
                    n_stars: fit.rows.n_stars,
                    rms_px: fit.rows.rms_px,
                })
            })
            .collect()
    }
}

struct Refined {
    attitude: Rotation<Camera, Horizon>,
    covariance: Matrix3<f64>,
    rows: RowSummary,
}

struct Row {
    off: nalgebra::Vector2<f64>,
    to_pixels: nalgebra::Matrix2x3<f64>,
    information: nalgebra::Matrix2<f64>,
    shrink: f64,
}

impl Row {
    /// Square of the residual in units of its expected size, per coordinate.
    fn normalized_square(&self) -> f64 {
        (self.off.transpose() * self.information * self.off)[0] / (2.0 * self.shrink)
    }
}

#[derive(Clone, Copy)]
struct RowSummary {
    n_stars: usize,
    rms_px: f64,
    scale_square: f64,
}

/// Residual scale from the median: median of a chi-square with two degrees of freedom, over two, is ln 2.
fn robust_scale(rows: &[Row]) -> f64 {
    let mut squares: Vec<f64> = rows.iter().map(Row::normalized_square).collect();
    squares.sort_by(f64::total_cmp);
    (squares[squares.len() / 2] / std::f64::consts::LN_2)
        .sqrt()
        .max(1e-6)
}

/// Normal equations with stars beyond three robust sigmas tapered off and those beyond six left out.
fn weigh(rows: &[Row], scale: f64) -> (Matrix3<f64>, Vector3<f64>, RowSummary) {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    let (mut n_stars, mut square_px, mut square_normalized, mut weights) = (0usize, 0.0, 0.0, 0.0);
    for row in rows {
        let size = (row.normalized_square().sqrt() / scale).max(1e-9);
        // Biweight: smooth, and a far outlier counts nothing.
        let weight = if size < 6.0 {
            (1.0 - (size / 6.0).powi(2)).powi(2)
        } else {
            continue;
        };
        let weighted = row.to_pixels.transpose() * row.information * weight;
        normal += weighted * row.to_pixels;
        right += weighted * row.off;
        n_stars += 1;
        weights += weight;
        square_px += weight * row.off.norm_squared() / (2.0 * row.shrink);
        square_normalized += weight * row.normalized_square();
    }
    let scale_square = (square_normalized / f64::max(weights - 1.5, 1.0)).max(0.25);
    let rms_px = (square_px / f64::max(weights, 1e-9)).sqrt();
    (
        normal,
        right,
        RowSummary {
            n_stars,
            rms_px,
            scale_square,
        },
    )
}

/// Covariance of what the stars' own noise does not tell, for a camera at an attitude.
///
/// Add it to the attitude's covariance before attitudes of different frames are compared.
pub fn systematic_floor(lens: &Lens, attitude: &Rotation<Camera, Horizon>) -> Matrix3<f64> {
    let across = (FRAME_FLOOR_PX / lens.focal_px).powi(2);
    // The centre lies half a frame from the edge, whatever the frame's size.
    let about = (FRAME_FLOOR_PX / lens.center.y.max(1.0)).powi(2);
    let sight = attitude.inner() * Vector3::z();
    Matrix3::identity() * across + sight * sight.transpose() * (about - across)
}

fn information(star: &Star) -> nalgebra::Matrix2<f64> {
    let PixelTensor { xx, xy, yy } = star.position_covariance;
    let floor = POSITION_FLOOR_PX * POSITION_FLOOR_PX;
    let covariance = nalgebra::Matrix2::new(xx + floor, xy, xy, yy + floor);
    covariance
        .try_inverse()
        .unwrap_or_else(|| nalgebra::Matrix2::identity() / mean_variance(star))
}

fn mean_variance(star: &Star) -> f64 {
    0.5 * (star.position_covariance.xx + star.position_covariance.yy)
        + POSITION_FLOOR_PX * POSITION_FLOOR_PX
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::{Quality, Rejected};
    use crate::units::{Angle, Measured, PixelPoint};
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};

    const SPIN: f64 = 7.292_115e-5;

    fn pole() -> Vector3<f64> {
        Vector3::new(0.0, 0.6, 0.8)
    }

    fn turned(direction: Direction<Horizon>, elapsed: Seconds) -> Direction<Horizon> {
        Direction::new(Rotation3::new(pole() * (-SPIN * elapsed.s())) * direction.vector())
    }

    fn star_at(position: PixelPoint, sigma: f64) -> Star {
        Star {
            position,
            position_covariance: PixelTensor::new(sigma * sigma, 0.0, sigma * sigma),
            flux: Measured::new(1.0, 0.01),
            peak: 0.1,
            moments: PixelTensor::new(1.0, 0.0, 1.0),
            moments_sigma: PixelTensor::new(0.1, 0.1, 0.1),
            trail: None,
            quality: Quality::default(),
        }
    }

    fn field_of(stars: Vec<Star>) -> StarField {
        StarField {
            width: 2400,
            height: 1600,
            stars,
            background: 0.1,
            noise: 0.01,
            fwhm: None,
            trail: None,
            rejected: Rejected::default(),
        }
    }

    fn facing_south() -> Rotation<Camera, Horizon> {
        let forward =
            Direction::<Horizon>::from_az_alt(Angle::from_deg(180.0), Angle::from_deg(35.0))
                .vector();
        let right = forward.cross(&Vector3::z()).normalize();
        let down = forward.cross(&right);
        Rotation::nearest(&Matrix3::from_columns(&[right, down, forward])).unwrap()
    }

    #[test]
    fn a_tilted_axis_is_found_in_the_turns_with_unit_pulls() {
        let lens = Lens {
            focal_px: 40000.0,
            center: PixelPoint::new(1199.5, 799.5),
            k1: -0.003,
            k2: 0.0,
        };
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let noise = Normal::new(0.0, 0.05).unwrap();
        let axis = (pole() + Vector3::new(0.02, 0.0, 0.0)).normalize();
        let elapsed: Vec<Seconds> = [0.0, 70.0, 140.0].map(Seconds::new).to_vec();
        let mut squares = Vector3::<f64>::zeros();
        let n_trials = 60;
        for _ in 0..n_trials {
            let places: Vec<_> = (0..150)
                .map(|_| {
                    PixelPoint::new(
                        random.random_range(50.0..2350.0),
                        random.random_range(50.0..1550.0),
                    )
                })
                .map(|pixel| facing_south().apply(lens.direction(pixel)))
                .collect();
            let fields: Vec<StarField> = elapsed
                .iter()
                .map(|&after| {
                    let turn = Rotation3::new(axis * (-SPIN * after.s()));
                    let camera =
                        Rotation::<Camera, Horizon>::new(turn * facing_south().inner()).inverse();
                    let stars = places.iter().map(|&place| {
                        let pixel = lens.pixel(camera.apply(turned(place, after))).unwrap();
                        let off = crate::units::PixelVector::new(
                            noise.sample(&mut random),
                            noise.sample(&mut random),
                        );
                        star_at(pixel + off, 0.05)
                    });
                    field_of(stars.collect())
                })
                .collect();
            let tracks: Vec<Track> = (0..150)
                .map(|star| Track {
                    sightings: (0..3).map(|frame| (frame, star)).collect(),
                })
                .collect();
            let reference = Reference {
                lens: &lens,
                attitude: Rotation::new(
                    Rotation3::new(axis * (-SPIN * 70.0)) * facing_south().inner(),
                ),
                frame: 1,
                evolve: &turned,
            };
            let fields: Vec<&StarField> = fields.iter().collect();
            // Count time from the reference frame.
            let since: Vec<Seconds> = elapsed.iter().map(|&t| t - elapsed[1]).collect();
            let solved = solve_attitudes(&fields, &since, &tracks, &reference);
            let (first, last) = (solved[0].clone().unwrap(), solved[2].clone().unwrap());
            let found = last.turn * first.turn.inverse();
            let truth = Rotation3::new(axis * (-SPIN * 140.0));
            let off = crate::sky::rotation::rotation_vector(&(found * truth.inverse()));
            let covariance = first.covariance + last.covariance;
            for part in 0..3 {
                squares[part] += off[part].powi(2) / covariance[(part, part)];
            }
        }
        for part in 0..3 {
            let spread = (squares[part] / f64::from(n_trials)).sqrt();
            assert!(
                (spread - 1.0).abs() < 0.25,
                "pull spread {spread} of part {part}"
            );
        }
    }
}
