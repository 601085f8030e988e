//! A camera's attitude from what the user says about where it looked.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::units::Angle;

/// Attitude of a camera that looks along `aim`, turned clockwise (seen from behind it) by `roll` from level.
///
/// At roll 0 the picture's right is horizontal: facing south, west is on the right. Looking
/// straight up, the picture's upper edge is taken to face south, as when the camera was tilted up
/// from the north.
pub fn attitude_towards(aim: Direction<Horizon>, roll: Angle) -> Rotation<Camera, Horizon> {
    let forward = aim.vector();
    let right = forward
        .cross(&Vector3::z())
        .try_normalize(1e-9)
        .unwrap_or_else(Vector3::x);
    let down = forward.cross(&right);
    // Clockwise from behind: the right side goes down.
    let rolled_right = right * roll.cos() + down * roll.sin();
    let rolled_down = forward.cross(&rolled_right);
    // Three unit vectors at right angles already: nothing to make orthogonal.
    Rotation::new(Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[
        rolled_right,
        rolled_down,
        forward,
    ])))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(attitude: Rotation<Camera, Horizon>, x: f64, y: f64) -> Vector3<f64> {
        attitude
            .apply(Direction::new(Vector3::new(x, y, 1.0)))
            .vector()
    }

    #[test]
    fn a_level_camera_facing_south_shows_east_on_the_left_and_the_zenith_up() {
        let south = Direction::from_az_alt(Angle::from_deg(180.0), Angle::from_deg(20.0));
        let attitude = attitude_towards(south, Angle::ZERO);
        assert!(seen(attitude, -0.1, 0.0).x > 0.05);
        assert!(seen(attitude, 0.0, -0.1).z > seen(attitude, 0.0, 0.0).z);
    }

    #[test]
    fn a_camera_rolled_clockwise_has_the_zenith_on_its_left() {
        let north = Direction::from_az_alt(Angle::ZERO, Angle::from_deg(20.0));
        let attitude = attitude_towards(north, Angle::from_deg(90.0));
        assert!(seen(attitude, -0.1, 0.0).z > seen(attitude, 0.1, 0.0).z);
    }
}
