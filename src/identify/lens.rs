//! The lens: pixel <-> direction in the camera, with radial distortion and its Jacobian.

use nalgebra::{Matrix2x3, Vector3};

use crate::sky::{Camera, Direction};
use crate::units::{Angle, Length, PixelPoint};

/// How a lens maps directions to pixels: rectilinear with one radial term about the centre.
///
/// With the undistorted place `u = f tan(theta)` from the centre, the pixel lies at
/// `u (1 + k1 (|u| / f)^2)` in the same direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Focal length in pixels; its inverse is the pixel scale at the centre in radians.
    pub focal_px: f64,
    /// Centre of projection and distortion.
    pub center: PixelPoint,
    /// Radial distortion; negative is barrel.
    pub k1: f64,
}

impl Lens {
    /// A lens without distortion, centred on a frame of the given size.
    ///
    /// `None` unless both lengths are positive and finite.
    pub fn from_optics(
        focal_length: Length,
        pitch: Length,
        width: usize,
        height: usize,
    ) -> Option<Self> {
        let focal_px = focal_length / pitch;
        let legal = focal_px.is_finite() && focal_px > 0.0 && pitch.mm() > 0.0;
        legal.then_some(Self {
            focal_px,
            center: PixelPoint::new((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0),
            k1: 0.0,
        })
    }

    /// The same lens on a frame of another size or turned on its side, centred there.
    pub fn centred_on(self, width: usize, height: usize) -> Self {
        let center = PixelPoint::new((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
        Self { center, ..self }
    }

    /// Angle of one pixel on the sky at the centre.
    pub fn pixel_scale(&self) -> Angle {
        Angle::from_rad(1.0 / self.focal_px)
    }

    /// The direction in the camera that a pixel looks along.
    ///
    /// Method: the distortion is undone by fixed-point iteration, to 1e-12 of the focal length.
    /// Valid: where the distortion is monotonic, `3 k1 r^2 > -1`.
    pub fn direction(&self, pixel: PixelPoint) -> Direction<Camera> {
        let distorted_x = (pixel.x - self.center.x) / self.focal_px;
        let distorted_y = (pixel.y - self.center.y) / self.focal_px;
        let (mut x, mut y) = (distorted_x, distorted_y);
        for _ in 0..50 {
            let factor = 1.0 + self.k1 * (x * x + y * y);
            let (next_x, next_y) = (distorted_x / factor, distorted_y / factor);
            let step = (next_x - x).abs() + (next_y - y).abs();
            (x, y) = (next_x, next_y);
            if step < 1e-12 {
                break;
            }
        }
        Direction::new(Vector3::new(x, y, 1.0))
    }

    /// The pixel that a direction falls on; `None` behind the camera, beyond 80 degrees from its
    /// axis, and where a strong barrel distortion would fold the picture back on itself.
    pub fn pixel(&self, direction: Direction<Camera>) -> Option<PixelPoint> {
        self.project(&direction.vector())
    }

    /// The same for a bare unit vector in the camera.
    pub(crate) fn project(&self, v: &Vector3<f64>) -> Option<PixelPoint> {
        if v.z < LEAST_DEPTH {
            return None;
        }
        let (x, y) = (v.x / v.z, v.y / v.z);
        let bend = self.k1 * (x * x + y * y);
        if 3.0 * bend <= -1.0 {
            return None;
        }
        let factor = self.focal_px * (1.0 + bend);
        Some(PixelPoint::new(
            self.center.x + factor * x,
            self.center.y + factor * y,
        ))
    }

    /// Pixels moved for a small change of a direction (a vector at right angles to it), pixels per radian.
    pub fn jacobian(&self, direction: Direction<Camera>) -> Matrix2x3<f64> {
        let v = direction.vector();
        let (x, y) = (v.x / v.z, v.y / v.z);
        let r2 = x * x + y * y;
        let factor = 1.0 + self.k1 * r2;
        // d(pixel)/d(x, y) of the tangent plane, then d(x, y)/d(direction).
        let (px_x, px_y) = (factor + 2.0 * self.k1 * x * x, 2.0 * self.k1 * x * y);
        let (py_x, py_y) = (2.0 * self.k1 * x * y, factor + 2.0 * self.k1 * y * y);
        let f = self.focal_px / v.z;
        Matrix2x3::new(
            f * px_x,
            f * px_y,
            -f * (px_x * x + px_y * y),
            f * py_x,
            f * py_y,
            -f * (py_x * x + py_y * y),
        )
    }
}

/// Cosine of 80 degrees: beyond, no rectilinear lens shows anything.
const LEAST_DEPTH: f64 = 0.173_648_177_666_930_33;

#[cfg(test)]
mod tests {
    use super::*;

    fn wide_lens() -> Lens {
        Lens {
            focal_px: 3000.0,
            center: PixelPoint::new(799.5, 599.5),
            k1: -0.03,
        }
    }

    #[test]
    fn pixel_and_direction_are_inverse_in_the_corner() {
        let corner = PixelPoint::new(0.0, 1199.0);
        let back = wide_lens().pixel(wide_lens().direction(corner)).unwrap();
        assert!(back.distance(corner).px() < 1e-7);
    }

    #[test]
    fn jacobian_agrees_with_small_steps() {
        let lens = wide_lens();
        let direction = lens.direction(PixelPoint::new(100.0, 1000.0));
        let across = direction
            .vector()
            .cross(&Vector3::new(0.3, -0.2, 0.9))
            .normalize();
        let step = 1e-6;
        let moved = Direction::new(direction.vector() + across * step);
        let difference = lens.pixel(moved).unwrap() - lens.pixel(direction).unwrap();
        let predicted = lens.jacobian(direction) * across * step;
        assert!(
            (difference.dx - predicted.x).abs() < 1e-6
                && (difference.dy - predicted.y).abs() < 1e-6
        );
    }
}
