//! The test of a pointer beam, in words and as JSON.
//!
//! Input: [`BeamQuestion`]. Output: [`BeamReport`]: the beam against its housing, what the screws
//! have to do, what is left then, and what the angle costs if nothing is done.

mod json;
mod text;

use crate::beam::{
    Clock, PointerFit, PointerTest, PointerUnknown, ScrewMove, error_left, fit_pointer, share_move,
    shortest_distance,
};
use crate::limits::{CameraInUse, rate_of_axis};
use crate::units::{Angle, Length, Pixels, Seconds};

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct BeamQuestion {
    /// Marks, wall and distance.
    pub test: PointerTest,
    /// Unit that the marks were given in, for the answer.
    pub unit: LengthUnit,
    /// The two adjusting screws; not on one line.
    pub screws: Option<[Clock; 2]>,
    /// Width of the spot on the wall.
    pub spot: Option<Length>,
    /// How well the beam is wanted to agree with its housing.
    pub accuracy: Angle,
    /// For what the angle costs; without it the cost is not told.
    pub camera: Option<CameraInUse>,
    /// Trail that is still called round.
    pub tolerance: Pixels,
    /// Exposure that is wanted.
    pub wanted: Option<Seconds>,
}

/// A unit for lengths on the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LengthUnit {
    /// Millimetres.
    Millimetre,
    /// Centimetres.
    Centimetre,
    /// Inches, 25.4 mm.
    Inch,
}

impl LengthUnit {
    /// All of them.
    pub const ALL: [LengthUnit; 3] = [Self::Millimetre, Self::Centimetre, Self::Inch];

    /// As it is written behind a number.
    pub const fn name(self) -> &'static str {
        match self {
            LengthUnit::Millimetre => "mm",
            LengthUnit::Centimetre => "cm",
            LengthUnit::Inch => "in",
        }
    }

    /// Its length.
    pub const fn length(self) -> Length {
        match self {
            LengthUnit::Millimetre => Length::from_mm(1.0),
            LengthUnit::Centimetre => Length::from_mm(10.0),
            LengthUnit::Inch => Length::from_mm(25.4),
        }
    }
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq)]
pub struct BeamReport {
    /// What was asked.
    pub question: BeamQuestion,
    /// What the marks say.
    pub finding: Result<BeamFinding, PointerUnknown>,
}

/// What the marks say.
#[derive(Debug, Clone, PartialEq)]
pub struct BeamFinding {
    /// The beam against its housing.
    pub fit: PointerFit,
    /// What each screw has to do, where screws were given.
    pub moves: Option<[ScrewMove; 2]>,
    /// What the spot's width hides: half of it, as an angle.
    pub left_by_spot: Option<Angle>,
    /// What the centre's own uncertainty leaves, 1-sigma.
    pub left_by_marks: Angle,
    /// Shortest distance to the wall at which both together stay below the accuracy wanted.
    pub shortest_distance: Length,
    /// Longest exposures.
    pub cost: Option<BeamCost>,
}

/// Longest exposures where stars drift fastest, if the axis is set by the beam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeamCost {
    /// With the beam as it is; infinite for a beam on its axis.
    pub left_alone: Seconds,
    /// With the beam on its axis as well as spot and marks allow.
    pub adjusted: Seconds,
}

/// Works the answer out.
pub fn report_beam(question: &BeamQuestion) -> BeamReport {
    BeamReport {
        finding: fit_pointer(&question.test).map(|fit| finding(question, fit)),
        question: question.clone(),
    }
}

fn finding(question: &BeamQuestion, fit: PointerFit) -> BeamFinding {
    let distance = question.test.distance;
    let half_spot = question.spot.map(|spot| spot / 2.0);
    let unseen = Length::from_mm(
        half_spot
            .map_or(0.0, Length::mm)
            .hypot(fit.center_sigma().mm()),
    );
    let longest = |camera: CameraInUse, error: Angle| {
        camera.longest_exposure(rate_of_axis(error), question.tolerance)
    };
    BeamFinding {
        moves: question.screws.and_then(|screws| share_move(&fit, screws)),
        left_by_spot: half_spot.map(|half| error_left(half, distance)),
        left_by_marks: error_left(fit.center_sigma(), distance),
        shortest_distance: shortest_distance(unseen, question.accuracy),
        cost: question.camera.map(|camera| BeamCost {
            left_alone: longest(camera, fit.angle.value),
            adjusted: longest(camera, error_left(unseen, distance)),
        }),
        fit,
    }
}

/// Fixtures for the tests of this folder.
#[cfg(test)]
mod sample {
    use super::*;
    use crate::beam::{MarkError, Wall, WallPoint};

    pub fn question(marks: &[(f64, f64)]) -> BeamQuestion {
        BeamQuestion {
            test: PointerTest {
                marks: marks.iter().map(|m| WallPoint::from_mm(m.0, m.1)).collect(),
                current: marks.len().saturating_sub(1),
                distance: Length::from_mm(5000.0),
                wall: Wall::Square,
                mark_error: MarkError::Known(Length::from_mm(0.5)),
            },
            unit: LengthUnit::Millimetre,
            screws: Clock::from_hours(12.0)
                .zip(Clock::from_hours(3.0))
                .map(|(a, b)| [a, b]),
            spot: Some(Length::from_mm(8.0)),
            accuracy: Angle::from_arcmin(5.0),
            camera: Some(CameraInUse {
                focal: Length::from_mm(150.0),
                pixel_pitch: Length::from_um(3.3),
            }),
            tolerance: Pixels::new(2.0),
            wanted: Some(Seconds::new(60.0)),
        }
    }

    /// Four quarters of a circle of 20 mm; the beam stands below the centre.
    pub const QUARTERS: [(f64, f64); 4] = [(20.0, 0.0), (0.0, 20.0), (-20.0, 0.0), (0.0, -20.0)];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn costs_and_what_is_left_by_hand() {
        let found = report_beam(&sample::question(&sample::QUARTERS))
            .finding
            .unwrap();
        // atan(20 / 5000) = 13.751'; 9.0757" over 15.041" x 13.751 x 2.90888e-4 a second.
        assert!((found.fit.angle.value.arcmin() - 13.751).abs() < 0.001);
        assert!((found.cost.unwrap().left_alone.s() - 150.85).abs() < 0.05);
        // 4 mm in 5 m are 2.750'; marks of 0.5 mm leave 0.354 mm, 0.243'.
        assert!((found.left_by_spot.unwrap().arcmin() - 2.750).abs() < 0.001);
        assert!((found.left_by_marks.arcmin() - 0.243).abs() < 0.001);
        // hypot(4, 0.354) = 4.016 mm are 5' at 4.016 / tan 5' = 2761 mm.
        assert!((found.shortest_distance.mm() - 2761.0).abs() < 1.0);
    }
}
