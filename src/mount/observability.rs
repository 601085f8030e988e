//! Which part of the axis error the frames tell well, and which they tell badly.
//!
//! A frame knows where it looks to a fraction of a pixel, but how it is turned about its line of
//! sight only from the picture's rotation, some ten times worse. The part of the axis error that
//! lies along the line of sight moves no star at the frame's centre: it only turns the field.

use nalgebra::{Matrix2, Vector2, Vector3};

use super::invert::tangent_basis;
use crate::sky::{Direction, Horizon};
use crate::units::Angle;

/// A line through the pole, as a person at the tracker names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorLine {
    /// Altitude.
    UpDown,
    /// Azimuth.
    EastWest,
    /// From up and east to down and west.
    UpEast,
    /// From up and west to down and east.
    UpWest,
}

impl ErrorLine {
    /// The line nearest to a direction given as (up, east); its sign does not matter.
    pub fn nearest(direction: Vector2<f64>) -> Self {
        let angle = direction
            .y
            .atan2(direction.x)
            .to_degrees()
            .rem_euclid(180.0);
        match angle {
            a if !(22.5..157.5).contains(&a) => Self::UpDown,
            a if a < 67.5 => Self::UpEast,
            a if a < 112.5 => Self::EastWest,
            _ => Self::UpWest,
        }
    }

    /// The line at right angles to it.
    pub fn across(self) -> Self {
        match self {
            Self::UpDown => Self::EastWest,
            Self::EastWest => Self::UpDown,
            Self::UpEast => Self::UpWest,
            Self::UpWest => Self::UpEast,
        }
    }

    /// Its name in words and in the JSON report.
    pub const fn key(self) -> &'static str {
        match self {
            Self::UpDown => "up-down",
            Self::EastWest => "east-west",
            Self::UpEast => "up-east to down-west",
            Self::UpWest => "up-west to down-east",
        }
    }
}

/// The two directions in which an axis is known best and worst.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knowledge {
    /// Unit vector (up, east) of the direction known worst.
    pub weak: Vector2<f64>,
    /// 1-sigma along it.
    pub weak_sigma: Angle,
    /// 1-sigma at right angles to it.
    pub strong_sigma: Angle,
}

impl Knowledge {
    /// Eigenvectors of a covariance of (up, east), square radians.
    pub fn of(covariance: &Matrix2<f64>) -> Self {
        let eigen = covariance.symmetric_eigen();
        let (weak, strong) = if eigen.eigenvalues[0] >= eigen.eigenvalues[1] {
            (0, 1)
        } else {
            (1, 0)
        };
        let sigma = |part: usize| Angle::from_rad(eigen.eigenvalues[part].max(0.0).sqrt());
        Self {
            weak: eigen.eigenvectors.column(weak).into(),
            weak_sigma: sigma(weak),
            strong_sigma: sigma(strong),
        }
    }

    /// The weak direction in words.
    pub fn line(&self) -> ErrorLine {
        ErrorLine::nearest(self.weak)
    }

    /// Whether one direction is known much worse than the other.
    pub fn is_lopsided(&self) -> bool {
        self.weak_sigma > self.strong_sigma * LOPSIDED
    }
}

/// From this ratio of the two sigmas on, the difference is worth a word (own choice).
const LOPSIDED: f64 = 3.0;

/// Whether the part of the axis error along `weak` only turns a field that is seen at `sight`.
///
/// The part of the axis error along the line of sight turns the field about its centre. True
/// where the line of sight, projected on the sky about the pole, lies within 30 degrees of `weak`
/// and the field is more than 30 degrees from the pole.
pub fn only_turns_field(
    weak: Vector2<f64>,
    sight: Direction<Horizon>,
    axis_north: Vector3<f64>,
) -> bool {
    let on_tangent = tangent_basis(axis_north).transpose() * sight.vector();
    let length = on_tangent.norm();
    length > 0.5 && on_tangent.dot(&weak).abs() > 30f64.to_radians().cos() * length
}

/// 1-sigma along a direction (up, east) of a covariance.
pub fn sigma_along(covariance: &Matrix2<f64>, direction: Vector2<f64>) -> Angle {
    let variance = (direction.transpose() * covariance * direction)[0];
    Angle::from_rad(variance.max(0.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_have_names_and_no_sign() {
        let name = |up: f64, east: f64| ErrorLine::nearest(Vector2::new(up, east));
        assert_eq!(name(1.0, 0.0), ErrorLine::UpDown);
        assert_eq!(name(-1.0, 0.05), ErrorLine::UpDown);
        assert_eq!(name(-1.0, -0.05), ErrorLine::UpDown);
        assert_eq!(name(0.1, -1.0), ErrorLine::EastWest);
        assert_eq!(name(1.0, 1.0), ErrorLine::UpEast);
        assert_eq!(name(-1.0, -1.0), ErrorLine::UpEast);
        assert_eq!(name(1.0, -1.0), ErrorLine::UpWest);
        assert_eq!(name(-1.0, 1.0), ErrorLine::UpWest);
    }

    #[test]
    fn the_long_axis_of_the_ellipse_is_the_weak_direction() {
        let rotated = |deg: f64| {
            let (sin, cos) = deg.to_radians().sin_cos();
            let turn = Matrix2::new(cos, -sin, sin, cos);
            turn * Matrix2::new(9.0, 0.0, 0.0, 0.25) * turn.transpose()
        };
        for (deg, line) in [
            (0.0, ErrorLine::UpDown),
            (90.0, ErrorLine::EastWest),
            (45.0, ErrorLine::UpEast),
            (-40.0, ErrorLine::UpWest),
        ] {
            let known = Knowledge::of(&rotated(deg));
            assert!((known.weak_sigma.rad() - 3.0).abs() < 1e-9);
            assert!((known.strong_sigma.rad() - 0.5).abs() < 1e-9);
            assert_eq!(known.line(), line, "{deg}");
            assert!(known.is_lopsided());
        }
    }

    #[test]
    fn a_field_in_the_south_is_only_turned_by_altitude_and_one_in_the_east_by_azimuth() {
        let pole = Direction::from_az_alt(Angle::ZERO, Angle::from_deg(50.0)).vector();
        let at = |azimuth: f64, altitude: f64| {
            Direction::from_az_alt(Angle::from_deg(azimuth), Angle::from_deg(altitude))
        };
        let (up, east) = (Vector2::new(1.0, 0.0), Vector2::new(0.0, 1.0));
        assert!(only_turns_field(up, at(180.0, 40.0), pole));
        assert!(!only_turns_field(east, at(180.0, 40.0), pole));
        assert!(only_turns_field(east, at(90.0, 10.0), pole));
        assert!(!only_turns_field(up, at(0.0, 55.0), pole));
    }
}
