//! Whether the camera stamps the start of an exposure or its end, by frames of different lengths.
//!
//! Where all exposures are alike, a stamp at the end moves all times alike: the time between frames
//! stays, and the axis error turns about the pole by a quarter of a degree a minute. Where they
//! differ, the time between frames is wrong by the difference, and an axis that is off seems to
//! have jumped by that share of its drift.

use nalgebra::{Matrix2, Rotation3, Vector2, Vector3};

use super::Ground;
use super::invert::{AxisFit, FrameTurn, Stretch, fit_axis_tied};
use super::model::{error_of_axis, northern_end};
use super::ties::Tie;
use crate::frame::Stamp;
use crate::sky::Direction;
use crate::units::{AngularRate, Hemisphere, Seconds};

/// What frames of different lengths say about their stamps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stamps {
    /// All exposures of a pointing are alike, or there is nothing to fit: the question does not arise.
    Alike,
    /// The stamps are what they were taken for.
    BornOut,
    /// They are at the other end of the exposure.
    Otherwise,
    /// Both fit: covariance of the axis error (up, east) by what is open, square radians.
    CannotTell(Matrix2<f64>),
}

/// Exposures that differ by no more than this are alike.
const SAME: Seconds = Seconds::new(1.0);
/// Of two hypotheses the worse is out of the question with a chi-square that is this much larger, in
/// units of the better one's scatter: five sigma.
const OUT: f64 = 25.0;
/// Reduced chi-square of a fit that explains the frames at all: a bump is no matter of stamps.
const SOUND: f64 = 9.0;
/// How likely a camera is to stamp the other end, where nobody says so (own estimate; cameras stamp
/// the start, common practice, no source).
const ODD_CAMERA: f64 = 0.1;

/// Compares the times as they were taken with those that the other end of the exposures gives.
///
/// Input: turns of the camera as they follow from times at `stamped`; `length_of` gives the exposure
/// of a frame by its index.
/// Method: the axis fitted with its drive free both ways. Taking a frame for earlier turns its
/// attitude over the ground against the sky's motion about the pole.
pub fn test_stamps(
    stretches: &[Stretch],
    ties: &[Tie],
    length_of: &dyn Fn(usize) -> Option<Seconds>,
    ground: &Ground<'_>,
    stamped: Stamp,
) -> Stamps {
    if !stretches.iter().any(|stretch| differ(stretch, length_of)) {
        return Stamps::Alike;
    }
    let hemisphere = ground.hemisphere();
    let pole = northern_end(ground.true_pole, hemisphere);
    let others: Option<Vec<Stretch>> = stretches
        .iter()
        .map(|stretch| otherwise(stretch, length_of, pole, stamped))
        .collect();
    let start = ground.refracted_north();
    let fit = |stretches: &[Stretch]| fit_axis_tied(stretches, ties, start);
    let (Some(taken), Some(other)) = (fit(stretches), others.and_then(|others| fit(&others)))
    else {
        return Stamps::Alike;
    };
    verdict(&taken, &other, ground, hemisphere)
}

fn verdict(
    taken: &AxisFit,
    other: &AxisFit,
    ground: &Ground<'_>,
    hemisphere: Hemisphere,
) -> Stamps {
    let better = taken.misfit().min(other.misfit()).powi(2);
    let worse_by = (other.chi_square - taken.chi_square) / better.max(1.0);
    if taken.degrees_of_freedom > 0 && better < SOUND && worse_by.abs() > OUT {
        return if worse_by > 0.0 {
            Stamps::BornOut
        } else {
            Stamps::Otherwise
        };
    }
    let error = |fit: &AxisFit| {
        let end = match hemisphere {
            Hemisphere::North => fit.axis,
            Hemisphere::South => -fit.axis,
        };
        let error = error_of_axis(Direction::new(end), ground.refracted_pole);
        Vector2::new(error.up.rad(), error.east.rad())
    };
    let apart = error(other) - error(taken);
    Stamps::CannotTell(apart * apart.transpose() * (ODD_CAMERA * (1.0 - ODD_CAMERA)))
}

fn differ(stretch: &Stretch, length_of: &dyn Fn(usize) -> Option<Seconds>) -> bool {
    let lengths = stretch
        .turns
        .iter()
        .filter_map(|turn| length_of(turn.frame));
    let (least, most) = lengths.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), one| {
        (least.min(one.s()), most.max(one.s()))
    });
    most - least > SAME.s()
}

/// The same turns for times at the other end of the exposures; `None` where one has no length.
fn otherwise(
    stretch: &Stretch,
    length_of: &dyn Fn(usize) -> Option<Seconds>,
    pole: Vector3<f64>,
    stamped: Stamp,
) -> Option<Stretch> {
    let sense = match stamped {
        Stamp::Start => -1.0,
        Stamp::End => 1.0,
    };
    let later = |turn: &FrameTurn| Some(sense * length_of(turn.frame)?.s());
    let sky = |seconds: f64| Rotation3::new(pole * (-AngularRate::SIDEREAL.rad_per_s() * seconds));
    // Against a reference that is later by as much as the first frame.
    let reference = later(stretch.turns.first()?)?;
    let turns = stretch.turns.iter().map(|turn| {
        let later = later(turn)?;
        Some(FrameTurn {
            mid: turn.mid + later,
            turn: sky(later) * turn.turn * sky(-reference),
            ..*turn
        })
    });
    Some(Stretch {
        turns: turns.collect::<Option<_>>()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mount::model::{AxisError, axis_off_pole, drive_turn};
    use crate::sky::turning::{evolve, true_pole};
    use crate::sky::{Atmosphere, Horizon};
    use crate::units::Angle;
    use nalgebra::Matrix3;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// 0.02 px of an average star's 4.6" a pixel, over a hundred stars.
    const SIGMA: f64 = 5e-7;
    const LATITUDE: f64 = 47.0;

    /// What a tracker with such an axis shows if its times are taken for starts; `lengths` a frame,
    /// ten seconds between them.
    fn verdict_of(truth: Stamp, off_arcmin: f64, lengths: &[f64], drive_rate: f64) -> Stamps {
        let latitude = Angle::from_deg(LATITUDE);
        let air = Atmosphere::none();
        let pole = true_pole(latitude);
        let turn_sky = |direction: Direction<Horizon>, after: Seconds| {
            evolve(latitude, &air, direction, after)
        };
        let ground = Ground {
            true_pole: pole,
            refracted_pole: pole,
            evolve: &turn_sky,
        };
        let axis = axis_off_pole(
            pole,
            AxisError {
                up: Angle::from_arcmin(0.2 * off_arcmin),
                east: Angle::from_arcmin(off_arcmin),
            },
        );
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let mut began = 0.0;
        let turns = lengths.iter().enumerate().map(|(frame, &length)| {
            let mid = began + 0.5 * length;
            let stamp = match truth {
                Stamp::Start => began,
                Stamp::End => began + length,
            };
            began += length + 10.0;
            let angle = drive_rate * AngularRate::SIDEREAL.rad_per_s() * mid;
            let turned = drive_turn(axis.vector(), Angle::from_rad(angle));
            // The sky is believed to have turned until half an exposure after the stamp.
            let believed = stamp + 0.5 * length;
            let wrong = AngularRate::SIDEREAL.rad_per_s() * (believed - mid);
            let noise = Vector3::from_fn(|_, _| {
                let one: f64 = StandardNormal.sample(&mut random);
                SIGMA * one
            });
            FrameTurn {
                frame,
                mid: believed,
                turn: Rotation3::new(noise) * Rotation3::new(pole.vector() * -wrong) * turned,
                covariance: Matrix3::identity() * SIGMA * SIGMA,
            }
        });
        let stretch = Stretch {
            turns: turns.collect(),
        };
        let length_of = |frame: usize| lengths.get(frame).map(|&s| Seconds::new(s));
        test_stamps(&[stretch], &[], &length_of, &ground, Stamp::Start)
    }

    #[test]
    fn the_sky_turns_as_the_model_of_the_sky_does() {
        let latitude = Angle::from_deg(LATITUDE);
        let star = Direction::from_az_alt(Angle::from_deg(140.0), Angle::from_deg(35.0));
        let later = evolve(latitude, &Atmosphere::none(), star, Seconds::new(60.0));
        let by = -AngularRate::SIDEREAL.rad_per_s() * 60.0;
        let turned = Rotation3::new(true_pole(latitude).vector() * by) * star.vector();
        assert!((turned - later.vector()).norm() < 1e-7);
    }

    #[test]
    fn frames_of_different_lengths_show_their_stamps_whatever_the_drive_does() {
        for rate in [1.0, 0.9] {
            for lengths in [[30.0, 60.0, 30.0, 60.0], [60.0, 60.0, 120.0, 120.0]] {
                let by = |truth| verdict_of(truth, 60.0, &lengths, rate);
                assert_eq!(by(Stamp::Start), Stamps::BornOut, "{lengths:?}");
                assert_eq!(by(Stamp::End), Stamps::Otherwise, "{lengths:?}");
            }
        }
    }

    #[test]
    fn what_cannot_be_told_is_in_the_covariance_as_far_as_it_matters() {
        let alike = [60.0, 60.0, 60.0];
        assert_eq!(verdict_of(Stamp::End, 60.0, &alike, 1.0), Stamps::Alike);
        // Two frames leave nothing over: the drift may be that of 70 s or of 40 s.
        let Stamps::CannotTell(open) = verdict_of(Stamp::Start, 60.0, &[30.0, 90.0], 1.0) else {
            panic!("two frames cannot tell");
        };
        let sigma = Angle::from_rad(open[(1, 1)].sqrt()).arcmin();
        // Mid exposures are 70 s apart by stamps at the start, 10 s by stamps at the end: 0.3 of
        // the difference of the two answers.
        assert!(sigma > 5.0, "{sigma}");
        // An axis that is hardly off moves too little to tell, and to matter.
        let Stamps::CannotTell(open) = verdict_of(Stamp::End, 0.1, &[30.0, 60.0, 30.0], 1.0) else {
            panic!("a small error cannot tell");
        };
        assert!(Angle::from_rad(open.trace().sqrt()).arcmin() < 0.5);
    }
}
