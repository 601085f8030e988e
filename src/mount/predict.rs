//! The trail that a known axis and drive draw in one exposure, split by who draws it.

use nalgebra::{Rotation3, Vector3};

use super::Ground;
use super::model::drive_turn;
use crate::identify::lens::Lens;
use crate::sky::{Camera, Horizon, Rotation};
use crate::units::{AngularRate, PixelPoint, PixelVector, Seconds};

/// A trail from the start to the end of an exposure, and its parts, which add up to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrailParts {
    /// The whole trail, with its true sign.
    pub total: PixelVector,
    /// What the axis's error alone draws with a perfect drive.
    pub axis: PixelVector,
    /// What the drive's rate adds.
    pub drive: PixelVector,
    /// What changing refraction draws with a perfect axis and drive.
    pub refraction: PixelVector,
}

/// One exposure, as the mount sees it.
#[derive(Debug, Clone, Copy)]
pub struct Exposure<'a> {
    /// The lens.
    pub lens: &'a Lens,
    /// The camera at mid exposure.
    pub attitude: Rotation<Camera, Horizon>,
    /// Length of the exposure.
    pub length: Seconds,
}

impl Exposure<'_> {
    /// Trail of the star that stands on `pixel` at mid exposure.
    ///
    /// `axis_north` is the northern end of the axis, `rate_ratio` the drive's rate over sidereal.
    /// `None` where the star leaves the lens's field during the exposure.
    pub fn trail(
        &self,
        ground: &Ground<'_>,
        axis_north: Vector3<f64>,
        rate_ratio: f64,
        pixel: PixelPoint,
    ) -> Option<PixelVector> {
        let now = self.attitude.apply(self.lens.direction(pixel));
        let place_after = |after: Seconds| {
            let turned = drive_turn(axis_north, AngularRate::SIDEREAL.over(after) * rate_ratio);
            let camera: Rotation<Camera, Horizon> =
                Rotation::new(Rotation3::from(turned) * self.attitude.inner());
            self.lens
                .pixel(camera.inverse().apply((ground.evolve)(now, after)))
        };
        let half = self.length / 2.0;
        Some(place_after(half)? - place_after(-half)?)
    }

    /// The same trail split into the parts of axis, drive and refraction.
    pub fn trail_parts(
        &self,
        ground: &Ground<'_>,
        axis_north: Vector3<f64>,
        rate_ratio: f64,
        pixel: PixelPoint,
    ) -> Option<TrailParts> {
        let refraction = self.trail(ground, ground.refracted_north(), 1.0, pixel)?;
        let driven = self.trail(ground, axis_north, 1.0, pixel)?;
        let total = self.trail(ground, axis_north, rate_ratio, pixel)?;
        Some(TrailParts {
            total,
            axis: driven - refraction,
            drive: total - driven,
            refraction,
        })
    }
}
