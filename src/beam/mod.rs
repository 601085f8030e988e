//! The test of a pointer beam: its housing is turned on the spot, and where the beam falls on a
//! wall is marked each time.
//!
//! Marks in; the cone that the beam draws, the point of the wall that the housing's axis meets,
//! and what the adjusting screws have to do out, with 1-sigma uncertainties. Wall frame: x right,
//! y up, for somebody who stands behind the pointer and faces the wall. `curve` draws the beam's
//! path for given parameters, `fit` finds the parameters, `screws` shares the move out.
//!
//! The test tells the beam from the axis of its own housing. It knows nothing of the bracket that
//! holds the housing.

mod curve;
mod fit;
mod screws;

pub use fit::fit_pointer;
pub use screws::{Clock, ScrewMove, share_move};

use nalgebra::{Matrix2, Vector2};

use crate::units::{Angle, Length, Measured};

/// A point of the wall, from any origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WallPoint {
    /// To the right.
    pub right: Length,
    /// Upwards.
    pub up: Length,
}

impl WallPoint {
    /// From millimetres.
    pub const fn from_mm(right: f64, up: f64) -> Self {
        Self {
            right: Length::from_mm(right),
            up: Length::from_mm(up),
        }
    }

    fn vector(self) -> Vector2<f64> {
        Vector2::new(self.right.mm(), self.up.mm())
    }

    fn of(vector: Vector2<f64>) -> Self {
        Self::from_mm(vector.x, vector.y)
    }
}

/// How the wall stands to the housing's axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wall {
    /// At right angles: the beam draws a circle.
    Square,
    /// At any angle: the beam draws an ellipse.
    Slanted,
}

impl Wall {
    /// Marks without which there is no single curve: three fix a circle, five an ellipse.
    pub const fn marks_needed(self) -> usize {
        match self {
            Wall::Square => 3,
            Wall::Slanted => 5,
        }
    }
}

/// Who knows how well the marks are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MarkError {
    /// The user: 1-sigma of each coordinate.
    Known(Length),
    /// A guess that the marks' own scatter about the curve corrects.
    Guessed(Length),
}

/// What was done at the wall.
#[derive(Debug, Clone, PartialEq)]
pub struct PointerTest {
    /// Where the beam fell, in any order.
    pub marks: Vec<WallPoint>,
    /// The mark on which the beam stands now.
    pub current: usize,
    /// From the pointer to the wall along the beam.
    pub distance: Length,
    /// The wall.
    pub wall: Wall,
    /// How well the marks are made.
    pub mark_error: MarkError,
}

/// The beam against its housing.
#[derive(Debug, Clone, PartialEq)]
pub struct PointerFit {
    /// Where the housing's axis meets the wall: the point to bring the spot to.
    pub center: WallPoint,
    /// Covariance of its place, square millimetres, right and up.
    pub center_covariance: Matrix2<f64>,
    /// Radius of the circle that the beam would draw on a square wall at the same distance.
    pub radius: Measured<Length>,
    /// Angle between the beam and the housing's axis; its sigma covers the tape measure too.
    pub angle: Measured<Angle>,
    /// How far the wall leans from square; `None` where it was taken as square.
    pub slant: Option<Measured<Angle>>,
    /// 1-sigma of a mark's coordinate that the uncertainties rest on.
    pub mark_sigma: Length,
    /// Root mean square of the marks' distances from the curve over what `mark_sigma` lets expect;
    /// `None` where the curve goes through every mark by necessity.
    pub misfit: Option<f64>,
    /// The mark farthest from the curve, and its distance.
    pub farthest: (usize, Length),
    /// The move from where the beam stands now to the centre, right and up.
    pub to_center: WallPoint,
    /// Its covariance, square millimetres.
    pub move_covariance: Matrix2<f64>,
    /// Directions on the wall of the beam's own right and up; the unit vectors of a square wall.
    pub beam_sides: [WallPoint; 2],
}

impl PointerFit {
    /// Whether the beam is seen to leave the axis at all: by more than two of its sigmas.
    pub fn is_seen(&self) -> bool {
        self.radius.value > self.radius.sigma * 2.0
    }

    /// 1-sigma of the centre along its worse direction.
    pub fn center_sigma(&self) -> Length {
        let largest = self.center_covariance.symmetric_eigenvalues().max();
        Length::from_mm(largest.max(0.0).sqrt())
    }
}

/// Why the marks tell nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PointerUnknown {
    /// Fewer marks than the curve needs.
    TooFewMarks {
        /// Marks given.
        given: usize,
        /// Marks needed.
        needed: usize,
    },
    /// The marks lie in a row or on a short part of the curve, and its radius runs off.
    ShortArc,
}

/// An angle as a length on the wall, and back.
pub(crate) fn angle_of(on_wall: Length, distance: Length) -> Angle {
    Angle::from_rad((on_wall / distance).atan())
}

/// The error that an unseen distance on the wall leaves, as an angle.
pub fn error_left(on_wall: Length, distance: Length) -> Angle {
    angle_of(on_wall, distance)
}

/// The shortest distance at which a length on the wall is no more than an angle.
pub fn shortest_distance(on_wall: Length, accuracy: Angle) -> Length {
    on_wall / accuracy.tan()
}
