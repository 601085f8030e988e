//! The path of a turning beam over a wall: forward model, no fitting.
//!
//! The beam leaves a point at the given distance from the wall and turns about the housing's axis
//! at a small angle to it: a cone. The wall cuts the cone in a circle where it is square to the
//! axis, in an ellipse where it leans.

use nalgebra::{Vector2, Vector3};

/// Parameters of the path, lengths in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cone {
    /// Where the axis meets the wall.
    pub(super) center: Vector2<f64>,
    /// Radius at the wall's distance, square to the axis.
    pub(super) radius: f64,
    /// Slopes of the axis against the wall's normal, right and up; zero on a square wall.
    pub(super) slope: Vector2<f64>,
    /// From the pointer to the wall along the axis.
    pub(super) distance: f64,
}

/// The axis and the beam's own right and up, in the wall's frame (right, up, out of the wall).
pub(super) struct Sides {
    axis: Vector3<f64>,
    right: Vector3<f64>,
    up: Vector3<f64>,
}

impl Cone {
    pub(super) fn sides(&self) -> Sides {
        let axis = Vector3::new(-self.slope.x, -self.slope.y, -1.0).normalize();
        let right = (Vector3::x() - axis * axis.x).normalize();
        Sides {
            axis,
            right,
            up: right.cross(&axis),
        }
    }

    /// Where the beam falls when it leans towards an angle from the beam's right towards its up.
    pub(super) fn spot(&self, angle: f64) -> Vector2<f64> {
        let sides = self.sides();
        let source = self.source(&sides);
        let aside = sides.right * angle.cos() + sides.up * angle.sin();
        let beam = sides.axis + aside * (self.radius / self.distance);
        let reach = -source.z / beam.z;
        (source + beam * reach).xy()
    }

    /// The middle of the path: between the spots farthest apart along the way the wall leans.
    pub(super) fn middle(&self) -> Vector2<f64> {
        let along = self.slope.y.atan2(self.slope.x);
        (self.spot(along) + self.spot(along + std::f64::consts::PI)) / 2.0
    }

    fn source(&self, sides: &Sides) -> Vector3<f64> {
        Vector3::new(self.center.x, self.center.y, 0.0) - sides.axis * self.distance
    }

    /// The angle at which the path comes nearest to a mark.
    pub(super) fn nearest_angle(&self, mark: Vector2<f64>) -> f64 {
        let sides = self.sides();
        let towards = Vector3::new(mark.x, mark.y, 0.0) - self.source(&sides);
        let mut angle = towards.dot(&sides.up).atan2(towards.dot(&sides.right));
        for _ in 0..MOST_STEPS {
            let tangent = self.tangent(angle);
            let step = tangent.dot(&(mark - self.spot(angle))) / tangent.norm_squared();
            angle += step.clamp(-0.5, 0.5);
            if step.abs() < 1e-12 {
                break;
            }
        }
        angle
    }

    /// Derivative of the spot by its angle.
    pub(super) fn tangent(&self, angle: f64) -> Vector2<f64> {
        (self.spot(angle + STEP) - self.spot(angle - STEP)) / (2.0 * STEP)
    }
}

impl Sides {
    /// On the wall, along the axis: how the spot moves when the beam leans to its right and up.
    pub(super) fn on_wall(&self) -> [Vector2<f64>; 2] {
        [self.right, self.up].map(|side| (side - self.axis * (side.z / self.axis.z)).xy())
    }
}

/// Steps to the nearest point; it takes three or four where the marks lie near the path.
const MOST_STEPS: usize = 50;
/// Step of numeric derivatives by the angle.
const STEP: f64 = 1e-5;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_wall_shows_a_circle_with_up_at_a_quarter_turn() {
        let cone = Cone {
            center: Vector2::new(10.0, -5.0),
            radius: 20.0,
            slope: Vector2::zeros(),
            distance: 5000.0,
        };
        assert!((cone.spot(0.0) - Vector2::new(30.0, -5.0)).norm() < 1e-9);
        assert!((cone.spot(std::f64::consts::FRAC_PI_2) - Vector2::new(10.0, 15.0)).norm() < 1e-9);
        let mark = Vector2::new(10.0, -40.0);
        let nearest = cone.spot(cone.nearest_angle(mark));
        assert!((nearest - Vector2::new(10.0, -25.0)).norm() < 1e-9);
    }

    #[test]
    fn a_wall_that_leans_by_60_degrees_doubles_the_width_by_hand() {
        // 1 / cos 60 deg = 2, along the way the wall leans; the other side keeps its size.
        let cone = Cone {
            center: Vector2::zeros(),
            radius: 1.0,
            slope: Vector2::new(60f64.to_radians().tan(), 0.0),
            distance: 5000.0,
        };
        let half = std::f64::consts::PI;
        let width = (cone.spot(0.0) - cone.spot(half)).norm();
        let height = (cone.spot(half / 2.0) - cone.spot(-half / 2.0)).norm();
        assert!((width - 4.0).abs() < 1e-5 && (height - 2.0).abs() < 1e-5);
        let [right, up] = cone.sides().on_wall();
        assert!((right.norm() - 2.0).abs() < 1e-9 && (up - Vector2::y()).norm() < 1e-9);
    }
}
