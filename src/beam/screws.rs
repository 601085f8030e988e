//! The move to the centre, shared between two adjusting screws.

use nalgebra::{Matrix2, Vector2};

use super::PointerFit;
use crate::units::{Angle, Length, Measured};

/// A side of the housing on a clock face, seen from behind the pointer: 12 up, 3 right.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    hours: f64,
}

/// Screws nearer to one line than this cannot move the spot everywhere.
const LEAST_ANGLE: Angle = Angle::from_deg(10.0);

impl Clock {
    /// From hours; `None` unless above 0 and at most 12.
    pub fn from_hours(hours: f64) -> Option<Self> {
        (hours > 0.0 && hours <= 12.0).then_some(Self { hours })
    }

    /// Hours, above 0 and at most 12.
    pub fn hours(self) -> f64 {
        self.hours
    }

    /// The side across.
    pub fn opposite(self) -> Self {
        let hours = self.hours + 6.0;
        Self {
            hours: if hours > 12.0 { hours - 12.0 } else { hours },
        }
    }

    fn angle(self) -> Angle {
        Angle::from_deg(30.0 * self.hours)
    }
}

/// What one screw has to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScrewMove {
    /// Where the screw sits.
    pub screw: Clock,
    /// How far it moves the spot on the wall: towards its own side positive, away from it negative.
    pub spot: Measured<Length>,
}

impl ScrewMove {
    /// Whether the move is more than its own uncertainty allows to doubt: two sigmas.
    pub fn is_seen(&self) -> bool {
        self.spot.value.abs() > self.spot.sigma * 2.0
    }
}

/// Shares the move to the centre out; `None` for screws on one line.
///
/// Method: each screw moves the spot along its own direction on the wall; two directions make any
/// move. On a slanted wall the directions are those that the wall shows.
pub fn share_move(fit: &PointerFit, screws: [Clock; 2]) -> Option<[ScrewMove; 2]> {
    let between = (screws[0].angle() - screws[1].angle()).sin().abs();
    if between < LEAST_ANGLE.sin() {
        return None;
    }
    let [right, up] = fit.beam_sides.map(|side| side.vector());
    let ways = screws.map(|screw| right * screw.angle().sin() + up * screw.angle().cos());
    let inverse = Matrix2::from_columns(&ways).try_inverse()?;
    let amounts: Vector2<f64> = inverse * fit.to_center.vector();
    let covariance = inverse * fit.move_covariance * inverse.transpose();
    let part = |nth: usize| {
        let scale = ways[nth].norm();
        ScrewMove {
            screw: screws[nth],
            spot: Measured::new(
                Length::from_mm(amounts[nth] * scale),
                Length::from_mm(covariance[(nth, nth)].max(0.0).sqrt() * scale),
            ),
        }
    };
    Some([part(0), part(1)])
}

#[cfg(test)]
mod tests {
    use super::super::{MarkError, PointerTest, Wall, WallPoint, fit_pointer};
    use super::*;

    fn fit(marks: &[(f64, f64)]) -> PointerFit {
        fit_pointer(&PointerTest {
            marks: marks.iter().map(|m| WallPoint::from_mm(m.0, m.1)).collect(),
            current: 0,
            distance: Length::from_mm(5000.0),
            wall: Wall::Square,
            mark_error: MarkError::Known(Length::from_mm(0.5)),
        })
        .unwrap()
    }

    fn clock(hours: f64) -> Clock {
        Clock::from_hours(hours).unwrap()
    }

    #[test]
    fn screws_at_twelve_and_three_move_up_and_right() {
        // The beam stands 30 left and 40 below the centre of the three-mark circle of 60 x 80.
        let fit = fit(&[(0.0, 0.0), (60.0, 0.0), (0.0, 80.0)]);
        let [up, right] = share_move(&fit, [clock(12.0), clock(3.0)]).unwrap();
        assert!((up.spot.value.mm() - 40.0).abs() < 1e-6);
        assert!((right.spot.value.mm() - 30.0).abs() < 1e-6);
        let [down, left] = share_move(&fit, [clock(6.0), clock(9.0)]).unwrap();
        assert!((down.spot.value.mm() + 40.0).abs() < 1e-6);
        assert!((left.spot.value.mm() + 30.0).abs() < 1e-6);
        assert!(up.is_seen() && right.is_seen());
    }

    #[test]
    fn slanting_screws_share_a_move_by_hand() {
        // From (0, 0) straight up by 20; screws at 2 and 10 point (sin 60, cos 60) and (-sin 60,
        // cos 60): equal parts of 20.
        let fit = fit(&[(0.0, 0.0), (20.0, 20.0), (0.0, 40.0), (-20.0, 20.0)]);
        let moves = share_move(&fit, [clock(2.0), clock(10.0)]).unwrap();
        for one in moves {
            assert!((one.spot.value.mm() - 20.0).abs() < 1e-5, "{one:?}");
        }
    }

    #[test]
    fn screws_on_one_line_cannot_do_it() {
        let fit = fit(&[(0.0, 0.0), (60.0, 0.0), (0.0, 80.0)]);
        assert!(share_move(&fit, [clock(12.0), clock(6.0)]).is_none());
        assert!(share_move(&fit, [clock(3.0), clock(3.0)]).is_none());
    }

    #[test]
    fn clocks_go_round() {
        assert_eq!(clock(12.0).opposite().hours(), 6.0);
        assert_eq!(clock(3.0).opposite().hours(), 9.0);
        assert_eq!(clock(7.5).opposite().hours(), 1.5);
        assert!(Clock::from_hours(0.0).is_none() && Clock::from_hours(12.5).is_none());
    }
}
