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
    /// What was known of the lens before these stars, 1-sigma: focal length (relative) ...
    pub focal_sigma: f64,
    /// ... `lens.k1` ...
    pub k1_sigma: f64,
    /// ... and `lens.k2`.
    pub k2_sigma: f64,
    /// Scatter of the stars on one axis, pixels.
    pub scatter_px: f64,
}

/// Compression of the sky by refraction straight overhead: 58.3" of refraction a radian.
/// Source: mean refraction constant, [MEEUS] chapter 16.
const COMPRESSION: Angle = Angle::from_arcsec(58.3);
/// Lower than this the compression is taken for what it is here.
const LOWEST: Angle = Angle::from_deg(10.0);
/// Error of a catalogue place and its star's own motion.
const PLACE: Angle = Angle::from_arcsec(0.5);
/// Terms that the stars carry.
const N_TERMS: f64 = 5.0;

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
    let kept = fit
        .residuals
        .iter()
        .zip(&fit.kept)
        .filter(|(_, kept)| **kept);
    let (sum, count) = kept.fold((0.0, 0.0), |(sum, count), (residual, _)| {
        (sum + residual.norm_squared(), count + 2.0)
    });
    Some(GroundPlate {
        attitude: Rotation::new(fit.pose.attitude),
        lens: fit.pose.lens,
        focal_sigma: prior.ln_focal_sigma,
        k1_sigma: prior.k1_sigma,
        k2_sigma: prior.k2_sigma,
        scatter_px: (sum / (count - N_TERMS).max(1.0)).sqrt(),
    })
}

/// The orthogonal fit of where stars are seen to where the camera sees them.
fn first_attitude(pairings: &[Pairing], lens: &Lens) -> Option<Rotation3<f64>> {
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
fn prior(plate: &Plate, lens: &Lens, altitude: Angle) -> LensPrior {
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
