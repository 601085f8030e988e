//! An identified frame once more, against places as they are seen over the ground: a plate takes
//! the air's lift of the sky for a part of its lens.

use nalgebra::{Matrix3, Rotation3};

use super::fit::{LensPrior, Pairing, Pose, Squeeze, fit_pose};
use super::lens::Lens;
use super::plate::Plate;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::stars::StarField;
use crate::units::Angle;

/// Where a camera looked over the ground and what its lens does, by its stars.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroundPlate {
    /// The camera over the ground.
    pub attitude: Rotation<Camera, Horizon>,
    /// The lens without the air.
    pub lens: Lens,
}

/// Compression of the sky by refraction straight overhead: 58.3" of refraction a radian.
/// Source: mean refraction constant, [MEEUS] chapter 16.
const COMPRESSION: Angle = Angle::from_arcsec(58.3);
/// Lower than this the compression is taken for what it is here.
const LOWEST: Angle = Angle::from_deg(10.0);
/// Error of a catalogue place and its star's own motion.
pub(super) const PLACE: Angle = Angle::from_arcsec(0.5);

/// Fits attitude and lens to a plate's stars where they are seen over the ground.
///
/// Input: `lens` as the night's frames tell it, without regard to the air; `observed` gives the
/// direction, air included, in which a star of the catalogue (by its number) is seen.
/// Method: the fit of a plate, its lens held by as much as the plate's is known and the air
/// may have changed it.
/// Output: `None` with too few stars to fit.
pub fn fit_over_ground(
    field: &StarField,
    plate: &Plate,
    lens: &Lens,
    observed: impl Fn(usize) -> Direction<Horizon>,
) -> Option<GroundPlate> {
    let pairings: Vec<Pairing> = plate
        .matches
        .iter()
        .map(|matched| Pairing {
            sky: observed(matched.catalogue_idx).vector(),
            pixel: field.stars[matched.star_idx].position,
            covariance: field.stars[matched.star_idx].position_covariance,
        })
        .collect();
    let attitude = first_attitude(&pairings, lens)?;
    let altitude = (attitude * nalgebra::Vector3::z()).z.asin();
    let prior = prior(plate, lens, Angle::from_rad(altitude));
    let start = Pose {
        lens: *lens,
        attitude,
        squeeze: Squeeze::default(),
    };
    let fit = fit_pose(&pairings, start, &prior, lens.focal_px * PLACE.rad())?;
    Some(GroundPlate {
        attitude: Rotation::new(fit.pose.attitude),
        lens: fit.pose.lens,
    })
}

/// The orthogonal fit of where stars are seen to where the camera sees them.
pub(super) fn first_attitude(pairings: &[Pairing], lens: &Lens) -> Option<Rotation3<f64>> {
    let mut cross = Matrix3::zeros();
    for pairing in pairings {
        cross += pairing.sky * lens.direction(pairing.pixel).vector().transpose();
    }
    Some(*Rotation::<Camera, Horizon>::nearest(&cross)?.inner())
}

/// The plate's lens, as surely as it is known, and the air's part in it.
///
/// The air compresses the sky by the constant over the sine squared of the altitude in the vertical,
/// and by less in the horizontal: as much is open in the scale, and in the distortion as much of the
/// corner's distance.
pub(super) fn prior(plate: &Plate, lens: &Lens, altitude: Angle) -> LensPrior {
    let by_air = COMPRESSION.rad() / altitude.max(LOWEST).sin().powi(2);
    let center = plate.frame_center;
    let corner = center.x.hypot(center.y) / lens.focal_px;
    LensPrior {
        ln_focal: lens.focal_px.ln(),
        ln_focal_sigma: plate.focal_sigma.hypot(by_air),
        k1: lens.k1,
        k1_sigma: plate.k1_sigma.hypot(by_air / corner.powi(2)),
        k2: lens.k2,
        k2_sigma: plate.k2_sigma,
        squeeze_sigma: 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::hint::attitude_towards;
    use crate::identify::plate::Match;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};
    use crate::sky::Atmosphere;
    use crate::units::{PixelPoint, PixelVector, Pixels};

    /// Sigma of a star's place on one axis, pixels.
    const SIGMA_PX: f64 = 0.05;

    /// Stars seen through air by a camera that looks 30 degrees high: their places without air, and
    /// the frame.
    fn frame(
        lens: &Lens,
        camera: Rotation<Camera, Horizon>,
    ) -> (Vec<Direction<Horizon>>, StarField) {
        let mut noise = FieldNoise::new(30);
        let air = Atmosphere::standard(0.0);
        let mut sky = Vec::new();
        let mut stars = Vec::new();
        for nth in 0..150 {
            let pixel = PixelPoint::new(noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
            sky.push(air.unrefract(camera.apply(lens.direction(pixel))));
            let (x, y) = (SIGMA_PX * noise.normal(), SIGMA_PX * noise.normal());
            let flux = 1.0 / f64::from(nth + 1);
            stars.push(star_at(pixel.x + x, pixel.y + y, flux, SIGMA_PX));
        }
        (sky, field_of(2000, 1334, stars))
    }

    /// The plate of such a frame, which takes the places without air for what was seen.
    fn plate(field: &StarField, sky: &[Direction<Horizon>], start: Pose) -> Plate {
        let lens = start.lens;
        let pairings: Vec<Pairing> = field
            .stars
            .iter()
            .zip(sky)
            .map(|(star, place)| Pairing {
                sky: place.vector(),
                pixel: star.position,
                covariance: star.position_covariance,
            })
            .collect();
        let loose = LensPrior {
            ln_focal: lens.focal_px.ln(),
            ln_focal_sigma: 0.01,
            k1: lens.k1,
            k1_sigma: 0.05,
            k2: lens.k2,
            k2_sigma: 0.001,
            squeeze_sigma: 0.0,
        };
        let fit = fit_pose(&pairings, start, &loose, 0.01).unwrap();
        let matched = |idx| Match {
            star_idx: idx,
            catalogue_idx: idx,
            residual: PixelVector::new(0.0, 0.0),
        };
        Plate {
            lens: fit.pose.lens,
            focal_sigma: fit.covariance[(3, 3)].sqrt(),
            k1_sigma: fit.covariance[(4, 4)].sqrt(),
            attitude: Rotation::new(fit.pose.attitude),
            attitude_covariance: Matrix3::identity() * 1e-12,
            matches: (0..field.stars.len()).map(matched).collect(),
            rms: Pixels::new(SIGMA_PX),
            log10_chance: -50.0,
            k2_sigma: 0.001,
            frame_center: PixelPoint::new(999.5, 666.5),
        }
    }

    #[test]
    fn the_air_is_in_the_lens_of_the_plate_and_not_in_that_over_the_ground() {
        let lens = Lens {
            focal_px: 3000.0,
            center: PixelPoint::new(999.5, 666.5),
            k1: -0.02,
            k2: 0.0,
        };
        let aim = Direction::from_az_alt(Angle::from_deg(160.0), Angle::from_deg(30.0));
        let camera = attitude_towards(aim, Angle::from_deg(20.0));
        let (sky, field) = frame(&lens, camera);
        let start = Pose {
            lens,
            attitude: *camera.inner(),
            squeeze: Squeeze::default(),
        };
        let plate = plate(&field, &sky, start);
        let air = Atmosphere::standard(0.0);
        let seen = |idx: usize| air.refract(sky[idx]);
        let found = fit_over_ground(&field, &plate, &plate.lens, seen).unwrap();
        let off = |one: &Lens| (one.focal_px - lens.focal_px).abs();
        // Between the constant (straight overhead, or sideways) and four times it (upwards here),
        // 0.85 to 3.4 px of 3000.
        assert!(off(&plate.lens) > 0.8, "{}", off(&plate.lens));
        assert!(off(&found.lens) < 0.2, "{}", off(&found.lens));
        let turned = found.attitude.inner().angle_to(camera.inner());
        assert!(turned < Angle::from_arcsec(5.0).rad(), "{turned}");
    }
}
