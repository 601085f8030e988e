//! The lens: pixel <-> direction in the camera, with radial distortion and its Jacobian.

use nalgebra::{Matrix2x3, Vector3};

use crate::sky::{Camera, Direction};
use crate::units::{Angle, Length, PixelPoint};

/// How a lens maps directions to pixels: rectilinear with two radial terms about the centre.
///
/// With the undistorted place `u = f tan(theta)` from the centre, the pixel lies at
/// `u (1 + k1 (|u| / f)^2 + k2 (|u| / f)^4)` in the same direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Focal length in pixels; its inverse is the pixel scale at the centre in radians.
    pub focal_px: f64,
    /// Centre of projection and distortion.
    pub center: PixelPoint,
    /// Radial distortion with the square of the distance; negative is barrel.
    pub k1: f64,
    /// Radial distortion with the fourth power; 0 where the stars do not tell it.
    pub k2: f64,
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
            k2: 0.0,
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
    /// Method: the distortion is undone by Newton's method on the distance from the centre, to
    /// 1e-12 of the focal length; a pixel beyond the fold of a strong barrel distortion, which no
    /// direction falls on, gets a direction near the fold.
    pub fn direction(&self, pixel: PixelPoint) -> Direction<Camera> {
        let x = (pixel.x - self.center.x) / self.focal_px;
        let y = (pixel.y - self.center.y) / self.focal_px;
        let distorted = x.hypot(y);
        let mut radius = distorted;
        for _ in 0..50 {
            let r2 = radius * radius;
            let excess = radius * self.stretch(r2) - distorted;
            let step = excess / self.slope(r2).max(LEAST_SLOPE);
            // Half the distance at a time at the most, so that a fold throws nothing far out.
            radius -= step.max(-0.5 * distorted).min(0.5 * distorted);
            if step.abs() < 1e-12 {
                break;
            }
        }
        let undone = if distorted > 0.0 {
            radius / distorted
        } else {
            1.0
        };
        Direction::new(Vector3::new(x * undone, y * undone, 1.0))
    }

    /// Distance of a pixel from the centre relative to that without distortion; `r2` is the squared
    /// tangent of the angle off the axis.
    fn stretch(&self, r2: f64) -> f64 {
        1.0 + r2 * (self.k1 + r2 * self.k2)
    }

    /// How fast the pixel moves outwards with the tangent of the angle, relative to no distortion.
    fn slope(&self, r2: f64) -> f64 {
        1.0 + r2 * (3.0 * self.k1 + 5.0 * r2 * self.k2)
    }

    /// Whether the picture would be folded back on itself here or nearer to the centre.
    fn is_folded(&self, r2: f64) -> bool {
        let turns_before = self.k2 > 0.0
            && 10.0 * self.k2 * r2 > -3.0 * self.k1
            && self.k1 < 0.0
            && 9.0 * self.k1 * self.k1 >= 20.0 * self.k2;
        turns_before || self.slope(r2) <= 0.0
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
        let r2 = x * x + y * y;
        if self.is_folded(r2) {
            return None;
        }
        let factor = self.focal_px * self.stretch(r2);
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
        let factor = self.stretch(r2);
        let bend = 2.0 * self.k1 + 4.0 * self.k2 * r2;
        // d(pixel)/d(x, y) of the tangent plane, then d(x, y)/d(direction).
        let (px_x, px_y) = (factor + bend * x * x, bend * x * y);
        let (py_x, py_y) = (bend * x * y, factor + bend * y * y);
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
/// Smallest slope that Newton's method divides by.
const LEAST_SLOPE: f64 = 0.05;

#[cfg(test)]
mod tests {
    use super::*;

    /// A lens with a moustache: barrel inside, straightened towards the corner.
    fn wide_lens() -> Lens {
        Lens {
            focal_px: 1200.0,
            center: PixelPoint::new(799.5, 599.5),
            k1: -0.11,
            k2: 0.10,
        }
    }

    #[test]
    fn pixel_and_direction_are_inverse_in_the_corner() {
        for k2 in [0.10, 0.0, -0.02] {
            let lens = Lens { k2, ..wide_lens() };
            let corner = PixelPoint::new(0.0, 1199.0);
            let back = lens.pixel(lens.direction(corner)).unwrap();
            assert!(back.distance(corner).px() < 1e-7, "{k2}");
        }
    }

    #[test]
    fn the_centre_looks_along_the_axis() {
        let axis = wide_lens().direction(wide_lens().center).vector();
        assert!((axis - Vector3::z()).norm() < 1e-15);
    }

    #[test]
    fn terms_count_by_powers_of_the_tangent() {
        let place = wide_lens().pixel(Direction::new(Vector3::new(0.5, 0.0, 1.0)));
        let expected = 799.5 + 600.0 * (1.0 - 0.11 * 0.25 + 0.10 * 0.0625);
        assert!((place.unwrap().x - expected).abs() < 1e-9);
    }

    #[test]
    fn nothing_is_shown_beyond_the_fold() {
        let at = |tangent: f64| Direction::new(Vector3::new(tangent, 0.0, 1.0));
        // 1 - 0.9 r^2 is 0 at 1.054.
        let barrel = Lens {
            k1: -0.3,
            k2: 0.0,
            ..wide_lens()
        };
        assert!(barrel.pixel(at(1.05)).is_some() && barrel.pixel(at(1.06)).is_none());
        // 1 - 1.5 r^2 + 0.5 r^4 is 0 at 1; from 1.41 on it rises again, which no lens shows.
        let folded = Lens {
            k1: -0.5,
            k2: 0.1,
            ..wide_lens()
        };
        assert!(folded.pixel(at(0.99)).is_some() && folded.pixel(at(1.01)).is_none());
        assert!(folded.pixel(at(2.5)).is_none());
        let beyond = folded.direction(PixelPoint::new(9000.0, 599.5)).vector();
        assert!(beyond.iter().all(|part| part.is_finite()));
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
