//! Which frames to take next: candidates are tried in the model, and the least effort that
//! suffices is chosen.

use nalgebra::{Matrix2, Matrix3, Vector3};

use super::Ground;
use super::foresee::{Linearised, StretchInformation, over_ground};
use super::invert::Stretch;
use super::model::northern_end;
use super::observability::{Knowledge, sigma_along};
use crate::identify::hint::attitude_towards;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::units::{Angle, AngularRate, Seconds};

/// Frames worth taking.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestFrames {
    /// Where to look; `None` where nothing is known about the site.
    pub aim: Option<Direction<Horizon>>,
    /// The pointing at hand goes on: nothing is touched.
    pub untouched: bool,
    /// Exposure of each.
    pub exposure: Seconds,
    /// How many.
    pub count: usize,
    /// What they are for.
    pub purpose: Purpose,
}

/// What frames are for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Purpose {
    /// To know the axis better.
    Axis {
        /// As it is known now.
        before: Knowledge,
        /// 1-sigma along the direction that is weak now, with the new frames.
        weak_after: Angle,
        /// The larger 1-sigma of the axis with the new frames, in whatever direction.
        largest_after: Angle,
    },
    /// To decide between an axis error and its mirror; both sigmas with the new frame.
    Sign {
        /// As the axis will be known.
        after: Option<Knowledge>,
    },
    /// To tell a rate that is wrong from one that swings.
    Drive {
        /// Time from the first to the last frame of the longest pointing at hand.
        spans: Seconds,
        /// The same with the new frames.
        will_span: Seconds,
    },
    /// To see anything at all.
    First,
}

impl Purpose {
    /// The larger 1-sigma of the axis that the frames promise, where they promise one.
    pub fn largest_after(&self) -> Option<Angle> {
        match self {
            Purpose::Axis { largest_after, .. } => Some(*largest_after),
            Purpose::Sign { after } => after.map(|known| known.weak_sigma),
            Purpose::Drive { .. } | Purpose::First => None,
        }
    }
}

/// What is known, and what a frame costs.
#[derive(Clone, Copy)]
pub struct PlanQuestion<'a> {
    /// Pole and air.
    pub ground: &'a Ground<'a>,
    /// Northern end of the axis as far as it is known.
    pub axis_north: Vector3<f64>,
    /// Frames at hand; the last one is the pointing that can go on.
    pub stretches: &'a [Stretch],
    /// Attitude of the camera at the end of the last stretch.
    pub current: Rotation<Camera, Horizon>,
    /// Factor on the covariances of attitudes by the residuals of the fit, at least 1.
    pub scale: f64,
    /// Variance of each part of the axis that no frame takes away, square radians.
    pub floor: f64,
    /// Covariance of one frame's attitude in the camera's frame.
    pub attitude: Matrix3<f64>,
    /// Exposure of the frames at hand.
    pub exposure: Seconds,
    /// Longest exposure worth trying.
    pub longest: Seconds,
    /// Pause between two exposures.
    pub gap: Seconds,
    /// The larger sigma of the axis that is good enough.
    pub wanted: Angle,
}

/// Sides of the sky that are tried, degrees of azimuth: the eight that have a name.
const SIDES: usize = 8;
/// Altitudes that are tried, degrees: below, haze and houses; above, a ball head is hard to aim.
const ALTITUDES_DEG: [f64; 3] = [30.0, 45.0, 60.0];
/// Time that aiming the camera anew costs (own estimate).
const AIMING: Seconds = Seconds::new(60.0);
/// Frames that leave more than this share of the sigma are not worth the time (own choice).
const WORTHWHILE: f64 = 0.67;
/// Among candidates that all fall short, those within this factor of the best are as good as it.
const AS_GOOD: f64 = 1.25;
/// The fit holds the axis this loosely, radians.
const PRIOR_SIGMA: f64 = 0.5;

/// One set of frames with what it would give.
#[derive(Clone, Copy)]
struct Candidate {
    aim: Direction<Horizon>,
    untouched: bool,
    exposure: Seconds,
    count: usize,
    effort: f64,
    covariance: Matrix2<f64>,
}

impl Candidate {
    fn largest(&self) -> f64 {
        Knowledge::of(&self.covariance).weak_sigma.rad()
    }
}

impl PlanQuestion<'_> {
    /// The frames that bring the axis to the wanted accuracy with the least effort; where none
    /// does, those that come nearest. `None` where it is known well enough already, or where no
    /// frames would help much.
    pub fn best_frames(&self) -> Option<TestFrames> {
        let before = Knowledge::of(&self.covariance_with(None)?);
        if before.weak_sigma <= self.wanted {
            return None;
        }
        let candidates = self.candidates();
        let best = candidates
            .iter()
            .map(Candidate::largest)
            .fold(f64::INFINITY, f64::min);
        let enough = self.wanted.rad().max(best * AS_GOOD);
        let chosen = candidates
            .into_iter()
            .filter(|candidate| candidate.largest() <= enough)
            .min_by(|a, b| {
                let by_effort = a.effort.total_cmp(&b.effort);
                by_effort.then(a.largest().total_cmp(&b.largest()))
            })?;
        if chosen.largest() > WORTHWHILE * before.weak_sigma.rad() {
            return None;
        }
        Some(TestFrames {
            aim: Some(chosen.aim),
            untouched: chosen.untouched,
            exposure: chosen.exposure,
            count: chosen.count,
            purpose: Purpose::Axis {
                before,
                weak_after: sigma_along(&chosen.covariance, before.weak),
                largest_after: Angle::from_rad(chosen.largest()),
            },
        })
    }

    /// What the axis will be known to when the pointing at hand goes on for `count` frames.
    pub fn after_going_on(&self, count: usize) -> Option<Knowledge> {
        let covariance = self.going_on(self.exposure, count)?.covariance;
        Some(Knowledge::of(&covariance))
    }

    fn candidates(&self) -> Vec<Candidate> {
        let mut exposures = vec![self.exposure];
        let others = [Seconds::new(60.0), self.exposure * 2.0];
        exposures.extend(
            others
                .into_iter()
                .filter(|other| *other > self.exposure && *other <= self.longest),
        );
        let mut candidates = Vec::new();
        for &exposure in &exposures {
            candidates.extend((1..=4).filter_map(|count| self.going_on(exposure, count)));
            for count in 2..=4 {
                candidates.extend(grid().filter_map(|aim| self.elsewhere(aim, exposure, count)));
            }
        }
        candidates
    }

    fn going_on(&self, exposure: Seconds, count: usize) -> Option<Candidate> {
        let line = Linearised::about(self.axis_north);
        let (last, others) = self.stretches.split_last()?;
        let last_turn = last.turns.last()?;
        let mut sum = line.of_stretch(last);
        let attitude = over_ground(&self.attitude, &self.current);
        let first = (self.exposure + exposure) / 2.0 + self.gap;
        let start = line.angle_of(last_turn) + AngularRate::SIDEREAL.over(first).rad();
        for nth in 0..count {
            line.add(&mut sum, start + self.turned(exposure, nth), &attitude);
        }
        let information = others
            .iter()
            .map(|stretch| line.of_stretch(stretch).on_axis())
            .sum::<Matrix2<f64>>()
            + sum.on_axis();
        Some(Candidate {
            aim: self.current.apply(Direction::new(Vector3::z())),
            untouched: true,
            exposure,
            count,
            effort: ((exposure + self.gap) * count as f64).s(),
            covariance: self.covariance_of(information)?,
        })
    }

    fn elsewhere(
        &self,
        aim: Direction<Horizon>,
        exposure: Seconds,
        count: usize,
    ) -> Option<Candidate> {
        let line = Linearised::about(self.axis_north);
        let attitude = over_ground(&self.attitude, &attitude_towards(aim, Angle::ZERO));
        let mut sum = StretchInformation::empty();
        for nth in 0..count {
            line.add(&mut sum, self.turned(exposure, nth), &attitude);
        }
        Some(Candidate {
            aim,
            untouched: false,
            exposure,
            count,
            effort: ((exposure + self.gap) * count as f64 + AIMING).s(),
            covariance: self.covariance_with(Some(sum.on_axis()))?,
        })
    }

    /// Drive angle that a sidereal drive turns from the first to the nth frame.
    fn turned(&self, exposure: Seconds, nth: usize) -> f64 {
        let each = AngularRate::SIDEREAL.over(exposure + self.gap).rad();
        each * nth as f64
    }

    fn covariance_with(&self, more: Option<Matrix2<f64>>) -> Option<Matrix2<f64>> {
        let line = Linearised::about(self.axis_north);
        let at_hand: Matrix2<f64> = self
            .stretches
            .iter()
            .map(|stretch| line.of_stretch(stretch).on_axis())
            .sum();
        self.covariance_of(at_hand + more.unwrap_or_else(Matrix2::zeros))
    }

    fn covariance_of(&self, information: Matrix2<f64>) -> Option<Matrix2<f64>> {
        let prior = Matrix2::identity() * PRIOR_SIGMA.powi(-2);
        let covariance = (information / self.scale + prior).try_inverse()?;
        Some(covariance + Matrix2::identity() * self.floor)
    }
}

/// Directions that are tried.
fn grid() -> impl Iterator<Item = Direction<Horizon>> {
    ALTITUDES_DEG.into_iter().flat_map(|altitude| {
        (0..SIDES).map(move |side| {
            let azimuth = 360.0 / SIDES as f64 * side as f64;
            Direction::from_az_alt(Angle::from_deg(azimuth), Angle::from_deg(altitude))
        })
    })
}

/// Hour angle (west positive) and declination of a direction over the ground, refraction left out.
pub fn hour_angle_declination(
    direction: Direction<Horizon>,
    true_pole: Direction<Horizon>,
    hemisphere: crate::units::Hemisphere,
) -> (Angle, Angle) {
    let north = northern_end(true_pole, hemisphere);
    let meridian = Vector3::new(0.0, -north.z, north.y);
    let (v, east) = (direction.vector(), direction.vector().x);
    let hour_angle = Angle::from_rad((-east).atan2(v.dot(&meridian)));
    let declination = Angle::from_rad(v.dot(&north).clamp(-1.0, 1.0).asin());
    (hour_angle, declination)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mount::foresee::in_camera;
    use crate::mount::invert::FrameTurn;
    use crate::sky::turning::{refracted_pole, true_pole};
    use crate::sky::{Atmosphere, evolve};
    use nalgebra::Rotation3;

    /// One pointing of `count` frames of 60 s; returns the question's answer.
    fn asked(
        latitude: f64,
        looks: (f64, f64),
        count: usize,
        wanted: f64,
    ) -> (Knowledge, Option<TestFrames>) {
        let latitude = Angle::from_deg(latitude);
        let air = Atmosphere::standard(0.0);
        let turn = |direction, after| evolve(latitude, &air, direction, after);
        let ground = Ground {
            true_pole: true_pole(latitude),
            refracted_pole: refracted_pole(latitude, &air),
            evolve: &turn,
        };
        let axis = ground.refracted_north();
        let sight = Direction::from_az_alt(Angle::from_deg(looks.0), Angle::from_deg(looks.1));
        let attitude = attitude_towards(sight, Angle::ZERO);
        // 150 stars at 0.05 px and 4.6 arcsec a pixel: about the sight ten times worse.
        let across = Angle::from_arcsec(0.02).rad().powi(2);
        let camera = Matrix3::from_diagonal(&Vector3::new(across, across, 250.0 * across));
        let covariance = over_ground(&camera, &attitude);
        assert!((in_camera(&covariance, &attitude) - camera).norm() < 1e-6 * camera.norm());
        let spin = AngularRate::SIDEREAL.rad_per_s();
        let turns = (0..count).map(|frame| FrameTurn {
            frame,
            mid: 65.0 * frame as f64,
            turn: Rotation3::new(axis * (-spin * 65.0 * frame as f64)),
            covariance,
        });
        let stretch = Stretch {
            turns: turns.collect(),
        };
        let question = PlanQuestion {
            ground: &ground,
            axis_north: axis,
            stretches: std::slice::from_ref(&stretch),
            current: attitude,
            scale: 1.0,
            floor: 0.0,
            attitude: camera,
            exposure: Seconds::new(60.0),
            longest: Seconds::new(60.0),
            gap: Seconds::new(5.0),
            wanted: Angle::from_arcmin(wanted),
        };
        let before = Knowledge::of(&question.covariance_with(None).unwrap());
        (before, question.best_frames())
    }

    #[test]
    fn an_axis_known_well_enough_asks_for_nothing() {
        assert!(asked(50.0, (180.0, 40.0), 6, 60.0).1.is_none());
    }

    #[test]
    fn a_little_more_of_the_same_is_chosen_where_it_suffices() {
        let (before, frames) = asked(50.0, (180.0, 40.0), 2, 0.0);
        let enough = before.weak_sigma.arcmin() * 0.6;
        assert!(frames.is_some());
        let (_, frames) = asked(50.0, (180.0, 40.0), 2, enough);
        let frames = frames.unwrap();
        assert!(frames.untouched, "{frames:?}");
        assert!(frames.count <= 2);
    }

    #[test]
    fn a_side_far_from_the_first_one_is_chosen_where_the_same_field_falls_short() {
        for latitude in [50.0, -34.0] {
            let towards_equator = if latitude > 0.0 { 180.0 } else { 0.0 };
            let (before, frames) = asked(latitude, (towards_equator, 40.0), 2, 0.3);
            let frames = frames.unwrap();
            assert!(!frames.untouched);
            let azimuth = frames.aim.unwrap().az_alt().0.deg();
            let off_meridian = (azimuth - 180.0 * (azimuth / 180.0).round()).abs();
            assert!(off_meridian >= 44.0, "{latitude}: azimuth {azimuth}");
            let Purpose::Axis {
                weak_after,
                largest_after,
                ..
            } = frames.purpose
            else {
                panic!("{frames:?}")
            };
            assert!(weak_after * 3.0 < before.weak_sigma, "{latitude}");
            assert!(largest_after <= before.weak_sigma);
        }
    }

    #[test]
    fn hour_angles_are_west_positive_at_both_poles() {
        for latitude in [50.0, -34.0] {
            let pole = true_pole(Angle::from_deg(latitude));
            let hemisphere = if latitude > 0.0 {
                crate::units::Hemisphere::North
            } else {
                crate::units::Hemisphere::South
            };
            let of = |azimuth: f64, altitude: f64| {
                let aim =
                    Direction::from_az_alt(Angle::from_deg(azimuth), Angle::from_deg(altitude));
                hour_angle_declination(aim, pole, hemisphere)
            };
            let (east, declination) = of(90.0, 0.0);
            assert!((east.hours() + 6.0).abs() < 1e-9 && declination.deg().abs() < 1e-9);
            assert!((of(270.0, 0.0).0.hours() - 6.0).abs() < 1e-9);
            let equator = if latitude > 0.0 { 180.0 } else { 0.0 };
            let (h, d) = of(equator, 90.0 - latitude.abs());
            assert!(h.deg().abs() < 1e-9 && d.deg().abs() < 1e-9);
        }
    }
}
