//! How the camera turned over the ground between the frames of a pointing, from its stars.
//!
//! The stars need no names: where a star stood at the reference instant, seen through the
//! reference attitude, says where it stands at any other instant (the sky turns, the air
//! refracts). Comparing that with where the camera sees it gives the camera's attitude then.
//! Where stars have names, their catalogue places tie frames that share few stars or none.
//! First attitudes come from frame to frame; `joint` then fits all of it together.

use std::sync::OnceLock;

use nalgebra::{Matrix2, Matrix3, Rotation3, Vector3};

use super::envelope::Envelope;
use super::joint::{Frame, Joint, Outcome, Place, Seen};
use super::lens::Lens;
use super::smear::smear_of;
use super::tracks::Track;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::stars::{Star, StarField};
use crate::units::{Angle, PixelPoint, Seconds};

/// Where a star seen at a horizon direction will be seen after a while (before, if negative).
pub type Evolve<'a> = dyn Fn(Direction<Horizon>, Seconds) -> Direction<Horizon> + Sync + 'a;

/// The camera's attitude in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameAttitude {
    /// Camera now = `turn` * reference attitude, in the horizon frame.
    pub turn: Rotation3<f64>,
    /// Covariance of the rotation vector that would correct `turn` from the left, square radians,
    /// with the places of the stars held: what the frame's own noise makes of it.
    pub covariance: Matrix3<f64>,
    /// Stars that it rests on.
    pub n_stars: usize,
    /// Residual of one star, root mean square of one coordinate, pixels.
    pub rms_px: f64,
}

/// Attitudes of a pointing's frames, with what binds them together.
#[derive(Debug, Clone, PartialEq)]
pub struct Attitudes {
    /// One a frame; `None` where too few stars reach it.
    pub frames: Vec<Option<FrameAttitude>>,
    /// Inverse covariance of the rotation vectors of all solved frames together, in their order,
    /// three rows a frame, 1 / square radians, and behind them rows of what they share (places of
    /// stars, lens, air), which is to be eliminated. Singular (but for a very loose hold) in the turns
    /// that no star with a name tells.
    pub information: Envelope,
    /// The lens as the stars would have it.
    pub lens: Lens,
}

/// Where a star stands by the catalogue at the reference instant, and how surely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anchor {
    /// Seen through the air.
    pub place: Direction<Horizon>,
    /// Of each of its two parts: the catalogue's error and the lens's departure from its model.
    pub sigma: Angle,
}

/// How far the lens may be off, and the air.
#[derive(Clone, Copy)]
pub struct ModelDoubt<'a> {
    /// 1-sigma of the focal length relative to itself.
    pub focal: f64,
    /// 1-sigma of the radial distortion with the square of the distance.
    pub k1: f64,
    /// The same with the fourth power.
    pub k2: f64,
    /// Where the lens looks straight out, as far as one knows beforehand.
    pub center: PixelPoint,
    /// 1-sigma of either coordinate of it, pixels.
    pub center_px: f64,
    /// The air; `None` takes it as known.
    pub air: Option<AirDoubt<'a>>,
}

/// How far the strength of refraction may be off.
#[derive(Clone, Copy)]
pub struct AirDoubt<'a> {
    /// Where a star is seen with refraction stronger by `step` that is seen at a direction without.
    pub denser: &'a (dyn Fn(Direction<Horizon>) -> Direction<Horizon> + Sync + 'a),
    /// Relative to the refraction of the reference's `evolve`.
    pub step: f64,
    /// 1-sigma of the strength, relative.
    pub sigma: f64,
}

/// What the solution starts from.
#[derive(Clone, Copy)]
pub struct Reference<'a> {
    /// The lens, shared by all frames.
    pub lens: &'a Lens,
    /// Attitude at the instant from which `elapsed` counts.
    pub attitude: Rotation<Camera, Horizon>,
    /// Frame whose attitude that is.
    pub frame: usize,
    /// Motion of the sky.
    pub evolve: &'a Evolve<'a>,
    /// What is not known of lens and air.
    pub doubt: ModelDoubt<'a>,
}

/// A star's weight is never taken finer than this: what the centroid of a real star on real
/// pixels leaves out (own estimate, checked by the practice nights' pulls).
const POSITION_FLOOR_PX: f64 = 0.01;
/// What a whole frame's attitude leaves out, however many stars it rests on, pixels across the line
/// of sight and at half the frame's height about it.
///
/// Rendered frames show nothing of the kind: without a floor (0.0003 px) the axis fits of 18
/// practice nights with three frames and more came to chi-square 77 for 74 degrees of freedom. The
/// floor is for real air, of which only the lowest layer moves a whole wide frame, and for the
/// pattern of real pixels: own estimate, no source. Where the air does more, the residuals of three
/// frames and more widen the axis. Pulls of the practice nights: spread 0.82 at 0.001 px, 0.72 here.
pub const FRAME_FLOOR_PX: f64 = 0.002;
const MIN_STARS: usize = 4;

/// Attitudes of all frames that enough stars reach.
///
/// Input: `fields` and `elapsed` (mid exposure since the reference instant) run alike; `anchors`
/// runs with `tracks`.
/// Output: covariances are 1-sigma from the stars' own sigmas, scaled by the residuals of each
/// frame. `None` where the reference frame itself has too few stars.
pub fn solve_attitudes(
    fields: &[&StarField],
    elapsed: &[Seconds],
    tracks: &[Track],
    anchors: &[Option<Anchor>],
    reference: &Reference<'_>,
) -> Option<Attitudes> {
    let mut start = Start::new(fields, elapsed, tracks, anchors, reference);
    start.spread_from_reference();
    let (solved, mut joint) = start.joint()?;
    let outcome = joint.solve()?;
    Some(attitudes(fields.len(), &solved, &joint, outcome))
}

fn attitudes(n_frames: usize, solved: &[usize], joint: &Joint<'_>, outcome: Outcome) -> Attitudes {
    let to_reference = joint.reference.attitude.inner().inverse();
    let mut frames = vec![None; n_frames];
    for (at, &frame) in solved.iter().enumerate() {
        let tally = outcome.tallies[at];
        frames[frame] = outcome.own[at]
            .try_inverse()
            .map(|covariance| FrameAttitude {
                turn: joint.frames[at].attitude.inner() * to_reference,
                covariance,
                n_stars: tally.n_stars,
                rms_px: tally.rms_px,
            });
    }
    Attitudes {
        frames,
        information: outcome.information,
        lens: joint.lens,
    }
}

/// First attitudes, from frame to frame.
struct Start<'a> {
    reference: &'a Reference<'a>,
    fields: &'a [&'a StarField],
    elapsed: &'a [Seconds],
    anchors: &'a [Option<Anchor>],
    seen: Vec<Vec<Seen>>,
    /// Place of each track's star at the reference instant.
    places: Vec<Option<Direction<Horizon>>>,
    attitudes: Vec<Option<Rotation<Camera, Horizon>>>,
}

impl<'a> Start<'a> {
    fn new(
        fields: &'a [&'a StarField],
        elapsed: &'a [Seconds],
        tracks: &[Track],
        anchors: &'a [Option<Anchor>],
        reference: &'a Reference<'a>,
    ) -> Self {
        let mut seen = vec![Vec::new(); fields.len()];
        for (track, path) in tracks.iter().enumerate() {
            for &(frame, star) in &path.sightings {
                let star = &fields[frame].stars[star];
                seen[frame].push(Seen {
                    star: track,
                    place: star.position,
                    information: information(star),
                });
            }
        }
        let mut attitudes = vec![None; fields.len()];
        attitudes[reference.frame] = Some(reference.attitude);
        Self {
            reference,
            fields,
            elapsed,
            anchors,
            seen,
            places: anchors
                .iter()
                .map(|anchor| anchor.map(|a| a.place))
                .collect(),
            attitudes,
        }
    }

    /// Outward from the reference frame: each frame from the stars known so far.
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
        for seen in &self.seen[frame] {
            if self.places[seen.star].is_none() {
                let direction = attitude.apply(self.reference.lens.direction(seen.place));
                let back = -self.elapsed[frame];
                self.places[seen.star] = Some((self.reference.evolve)(direction, back));
            }
        }
    }

    /// Attitude by the orthogonal fit of two bundles of directions; stars that stand far off what
    /// most of them say are left out in a second pass.
    fn first_attitude(&self, frame: usize) -> Option<Rotation<Camera, Horizon>> {
        let bundles: Vec<(Vector3<f64>, Vector3<f64>)> = self.seen[frame]
            .iter()
            .filter_map(|seen| {
                let now = (self.reference.evolve)(self.places[seen.star]?, self.elapsed[frame]);
                let direction = self.reference.lens.direction(seen.place);
                Some((direction.vector(), now.vector()))
            })
            .collect();
        let fitted = |kept: &[&(Vector3<f64>, Vector3<f64>)]| {
            let cross = kept.iter().map(|(seen, now)| now * seen.transpose()).sum();
            let turn = Rotation::<Camera, Horizon>::nearest(&cross);
            turn.filter(|_| kept.len() >= MIN_STARS)
        };
        let all: Vec<_> = bundles.iter().collect();
        let first = fitted(&all)?;
        let off = |(seen, now): &(Vector3<f64>, Vector3<f64>)| (first.inner() * seen - now).norm();
        let mut sizes: Vec<f64> = bundles.iter().map(off).collect();
        sizes.sort_by(f64::total_cmp);
        let limit = 4.0 * sizes[sizes.len() / 2] + 1e-9;
        let near: Vec<_> = bundles.iter().filter(|pair| off(pair) <= limit).collect();
        fitted(&near)
    }

    /// The problem for the frames that have an attitude, and their numbers.
    fn joint(self) -> Option<(Vec<usize>, Joint<'a>)> {
        let enough = |frame: &usize| {
            self.attitudes[*frame].is_some() && self.seen[*frame].len() >= MIN_STARS
        };
        let solved: Vec<usize> = (0..self.seen.len()).filter(enough).collect();
        let held_frame = solved.iter().position(|&f| f == self.reference.frame)?;
        let mut counts = vec![0usize; self.places.len()];
        for seen in solved.iter().flat_map(|&frame| &self.seen[frame]) {
            counts[seen.star] += 1;
        }
        // A star seen once tells nothing unless the catalogue tells where it is.
        let mut stars = Vec::new();
        let mut numbers = vec![None; self.places.len()];
        for (track, place) in self.places.iter().enumerate() {
            let anchor = self.anchors[track];
            let tells = counts[track] >= if anchor.is_some() { 1 } else { 2 };
            if let (Some(direction), true) = (*place, tells) {
                numbers[track] = Some(stars.len());
                stars.push(Place { direction, anchor });
            }
        }
        let renumbered = |seen: &Seen| {
            Some(Seen {
                star: numbers[seen.star]?,
                ..*seen
            })
        };
        let frame = |&frame: &usize| {
            Some(Frame {
                elapsed: self.elapsed[frame],
                smear: smear_of(
                    self.fields[frame],
                    self.reference.lens,
                    &self.attitudes[frame]?,
                    self.reference.evolve,
                ),
                seen: self.seen[frame].iter().filter_map(renumbered).collect(),
                attitude: self.attitudes[frame]?,
                by_air: OnceLock::new(),
            })
        };
        let joint = Joint {
            reference: self.reference,
            held_frame,
            frames: solved.iter().filter_map(frame).collect(),
            stars,
            lens: *self.reference.lens,
            air: 0.0,
        };
        Some((solved, joint))
    }
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

/// Inverse covariance of a star's place, square pixels, with the floor of real pixels; one whose
/// stated covariance is unsound counts as round.
pub fn information(star: &Star) -> Matrix2<f64> {
    let covariance = star.position_covariance;
    let floor = POSITION_FLOOR_PX * POSITION_FLOOR_PX;
    let (xx, yy) = (
        covariance.xx.max(0.0) + floor,
        covariance.yy.max(0.0) + floor,
    );
    let whole = Matrix2::new(xx, covariance.xy, covariance.xy, yy);
    match whole.cholesky() {
        Some(factor) => factor.inverse(),
        None => Matrix2::identity() * (2.0 / (xx + yy)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::Quality;
    use crate::units::{Measured, PixelTensor};
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};

    const SPIN: f64 = 7.292_115e-5;
    const KNOWN: ModelDoubt<'static> = ModelDoubt {
        focal: 0.0,
        k1: 0.0,
        k2: 0.0,
        center: PixelPoint::new(1199.5, 799.5),
        center_px: 0.0,
        air: None,
    };

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
                    StarField::holding(2400, 1600, stars.collect())
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
                doubt: KNOWN,
            };
            let fields: Vec<&StarField> = fields.iter().collect();
            // Count time from the reference frame.
            let since: Vec<Seconds> = elapsed.iter().map(|&t| t - elapsed[1]).collect();
            let solved =
                solve_attitudes(&fields, &since, &tracks, &[None; 150], &reference).unwrap();
            let solved = solved.frames;
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

    #[test]
    fn frames_without_a_common_star_are_tied_by_the_catalogue() {
        let lens = Lens {
            focal_px: 40000.0,
            center: PixelPoint::new(1199.5, 799.5),
            k1: 0.0,
            k2: 0.0,
        };
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let noise = Normal::new(0.0, 0.05).unwrap();
        let truth = Rotation3::new(Vector3::new(3e-5, -2e-5, 4e-5));
        let elapsed = [Seconds::new(0.0), Seconds::new(60.0)];
        let (mut fields, mut tracks, mut anchors) = (Vec::new(), Vec::new(), Vec::new());
        for (frame, &after) in elapsed.iter().enumerate() {
            let turn = if frame == 0 {
                Rotation3::identity()
            } else {
                truth
            };
            let attitude = Rotation::<Camera, Horizon>::new(turn * facing_south().inner());
            let mut stars = Vec::new();
            for star in 0..80 {
                let pixel = PixelPoint::new(
                    random.random_range(50.0..2350.0),
                    random.random_range(50.0..1550.0),
                );
                let place = turned(attitude.apply(lens.direction(pixel)), -after);
                let off = crate::units::PixelVector::new(
                    noise.sample(&mut random),
                    noise.sample(&mut random),
                );
                stars.push(star_at(pixel + off, 0.05));
                tracks.push(Track {
                    sightings: vec![(frame, star)],
                });
                anchors.push(Some(Anchor {
                    place,
                    sigma: Angle::from_arcsec(0.1),
                }));
            }
            fields.push(StarField::holding(2400, 1600, stars));
        }
        let reference = Reference {
            lens: &lens,
            attitude: facing_south(),
            frame: 0,
            evolve: &turned,
            doubt: KNOWN,
        };
        let fields: Vec<&StarField> = fields.iter().collect();
        let solved = solve_attitudes(&fields, &elapsed, &tracks, &anchors, &reference).unwrap();
        let (first, second) = (&solved.frames[0], &solved.frames[1]);
        let found = second.as_ref().unwrap().turn * first.as_ref().unwrap().turn.inverse();
        let off = crate::sky::rotation::rotation_vector(&(found * truth.inverse()));
        // 0.05 px over root 80 across, at some 800 px about the line of sight; five sigma.
        assert!(off.norm() < 5e-5, "{off}");
        let covariance = solved.information.dense().try_inverse().unwrap();
        assert!(covariance[(3, 3)] > 0.0 && covariance[(3, 3)].sqrt() < 1e-4);
    }
}
