//! The lens as a map: direction in the camera <-> pixel, rectilinear with one radial term.

use nalgebra::Vector3;

use super::scenario::Scenario;

/// Directions beyond this from the middle are not drawn: cosine of 80 degrees.
const WIDEST_COSINE: f64 = 0.173_648_177_666_930_33;

/// A lens over a frame whose orientation is applied: x right, y down, z into the scene.
#[derive(Debug, Clone, Copy)]
pub struct Projection {
    /// Focal length, pixels.
    pub focal_px: f64,
    k1: f64,
    /// Middle of the frame.
    pub center: [f64; 2],
}

impl Projection {
    /// The lens of a scenario.
    pub fn new(scenario: &Scenario) -> Self {
        let (width, height) = scenario.frame_size();
        Self {
            focal_px: scenario.lens.focal_mm * 1000.0 / scenario.camera.pitch_um,
            k1: scenario.lens.k1,
            center: [0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0)],
        }
    }

    /// Pixel of a direction in the camera; `None` far from where the camera looks.
    pub fn pixel(&self, v: &Vector3<f64>) -> Option<[f64; 2]> {
        if v.z < WIDEST_COSINE {
            return None;
        }
        let (u, w) = (v.x / v.z, v.y / v.z);
        let scale = self.focal_px * (1.0 + self.k1 * (u * u + w * w));
        Some([self.center[0] + scale * u, self.center[1] + scale * w])
    }

    /// Direction in the camera that a pixel looks along (unit vector).
    ///
    /// Method: Newton's on the radius, `u (1 + k1 u^2) = r`.
    pub fn direction(&self, pixel: [f64; 2]) -> Vector3<f64> {
        let x = (pixel[0] - self.center[0]) / self.focal_px;
        let y = (pixel[1] - self.center[1]) / self.focal_px;
        let distorted = x.hypot(y);
        let mut radius = distorted;
        for _ in 0..20 {
            let value = radius * (1.0 + self.k1 * radius * radius) - distorted;
            radius -= value / (1.0 + 3.0 * self.k1 * radius * radius);
        }
        let factor = if distorted > 0.0 {
            radius / distorted
        } else {
            1.0
        };
        Vector3::new(x * factor, y * factor, 1.0).normalize()
    }

    /// Distance from the middle over that of the corner.
    pub fn relative_radius(&self, pixel: [f64; 2]) -> f64 {
        (pixel[0] - self.center[0]).hypot(pixel[1] - self.center[1])
            / self.center[0].hypot(self.center[1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pixel_and_direction_are_inverse_to_the_corner_of_a_wide_lens() {
        let lens = Projection {
            focal_px: 3000.0,
            k1: -0.03,
            center: [799.5, 599.5],
        };
        for corner in [[0.0, 0.0], [1599.0, 1199.0], [799.5, 599.5], [10.0, 900.0]] {
            let back = lens.pixel(&lens.direction(corner)).unwrap();
            assert!((back[0] - corner[0]).hypot(back[1] - corner[1]) < 1e-9);
        }
    }
}
