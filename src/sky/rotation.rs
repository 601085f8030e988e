//! Small tools for rotations: the rotation vector and its Jacobian, precise near zero.

use nalgebra::{Matrix3, Rotation3, Vector3};

/// Cross-product matrix: `skew(v) * u = v x u`.
pub fn skew(v: Vector3<f64>) -> Matrix3<f64> {
    Matrix3::new(0.0, -v.z, v.y, v.z, 0.0, -v.x, -v.y, v.x, 0.0)
}

/// Left Jacobian of the rotation vector: `Exp(v + dv) = Exp(J dv) Exp(v)` to first order.
pub fn left_jacobian(v: Vector3<f64>) -> Matrix3<f64> {
    let angle = v.norm();
    let k = skew(v);
    if angle < 1e-4 {
        return Matrix3::identity() + k * 0.5 + k * k / 6.0;
    }
    let square = angle * angle;
    Matrix3::identity()
        + k * ((1.0 - angle.cos()) / square)
        + k * k * ((angle - angle.sin()) / (square * angle))
}

/// The rotation vector (axis times angle, radians) of a rotation by less than a half turn.
///
/// Precise for tiny rotations, where the trace alone says nothing.
pub fn rotation_vector(rotation: &Rotation3<f64>) -> Vector3<f64> {
    let m = rotation.matrix();
    let sine_axis = Vector3::new(
        m[(2, 1)] - m[(1, 2)],
        m[(0, 2)] - m[(2, 0)],
        m[(1, 0)] - m[(0, 1)],
    ) * 0.5;
    let sine = sine_axis.norm();
    if sine < 1e-12 {
        return sine_axis;
    }
    let cosine = (m.trace() - 1.0) * 0.5;
    sine_axis * (sine.atan2(cosine) / sine)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn left_jacobian_agrees_with_small_steps_at_any_size() {
        let step = Vector3::new(2e-7, -1e-7, 3e-7);
        for v in [Vector3::new(1e-5, 2e-5, 0.0), Vector3::new(0.3, -0.2, 0.5)] {
            let composed = Rotation3::new(v + step) * Rotation3::new(v).inverse();
            let predicted = left_jacobian(v) * step;
            assert!((rotation_vector(&composed) - predicted).norm() < 1e-12);
        }
    }
}
